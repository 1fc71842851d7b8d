"""Measure the model against published values and solids, and write the table into the README.

    python tests/bench/verification.py            # print
    python tests/bench/verification.py --write    # also replace the table in README.md

The full set of checks, with tolerances, is in ``tests/published``; this picks one row of each kind.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from pathlib import Path

import numpy as np

TESTS = Path(__file__).parents[1]
sys.path += [str(TESTS / "unit"), str(TESTS / "published")]

import plates as pl
from cabinets import box
from test_solids import CASES, DESIGNS, MODES

from bracewright.fem.modes import solve
from bracewright.fem.system import build

README = TESTS.parent / "README.md"
LABELS = {
    "D": "220 x 300 x 400 mm, 22 mm board",
    "E": "D with a shelf and its pocket",
    "F12": "D of 12 mm board",
    "F18": "D of 18 mm board",
    "F30": "D of 30 mm board",
    "G": "260 x 340 x 520 mm of 18 mm, front 30 mm",
    "T": "D with a partition turned by 10 degrees",
    "T2": "D with two crossing braces and pockets",
    "O": "D of 21 mm cross-grained board",
}
MARKS = ("<!-- verification -->", "<!-- end of verification -->")


def square(edges: str, h: float, size: float = 40.0) -> np.ndarray:
    """First three values of omega a^2 sqrt(rho h / D) of a 1 m square plate h mm thick."""
    p = pl.plate(pl.rectangle(1000, 1000), pl.isotropic(h), size)
    skip = 3 if edges == "FFFF" else 0
    return pl.parameter(p, pl.omega(p, pl.held(p, edges), 3, skip=skip))


def plate_rows() -> list[tuple[str, str, np.ndarray, np.ndarray]]:
    """(case, source, reference, ours) of plates alone."""
    exact = "exact series or Ritz; tables of Leissa 1973"
    thin = [
        ("SSSS", [19.7392, 49.3480, 49.3480]),
        ("CCCC", [35.9852, 73.3938, 73.3938]),
        ("FFFF", [13.4682, 19.5961, 24.2702]),
        ("CFFF", [3.4710, 8.5065, 21.284]),
    ]
    rows = [(f"thin square {e}", exact, np.array(v), square(e, 3.0)) for e, v in thin]
    thick = "Liew, Xiang, Kitipornchai 1993"
    for edges, values in (("SSSS", [1.9317, 4.6084, 4.6084]), ("CCCC", [3.2954, 6.2858, 6.2858])):
        rows.append((f"thick square {edges}, h/a 0.1", thick, np.array(values), square(edges, 100.0) / np.pi**2))
    return rows


def solid_rows() -> list[tuple[str, float, float, int]]:
    """(case, mean |error|, worst |error|, unknowns) of boxes against solids."""
    rows = []
    for name, design in DESIGNS.items():
        model = build(design())
        found = solve(model, MODES)
        reference = np.array(CASES[name]["elastic_modes_Hz"][:MODES])
        error = np.abs(found.frequency_Hz[: len(reference)] / reference - 1)
        rows.append((LABELS[name], float(error.mean()), float(error.max()), model.dofs))
    return rows


def convergence() -> list[tuple[float, int, float]]:
    """(element size, unknowns, worst error of twenty modes) of box D against its own 12 mm mesh."""
    finest = solve(build(box(), size=12.0), MODES, prove=False).frequency_Hz
    out = []
    for size in (60.0, 45.0, 30.0, 20.0):
        model = build(box(), size=size)
        f = solve(model, MODES, prove=False).frequency_Hz
        out.append((size, model.dofs, float(np.abs(f / finest - 1).max())))
    return out


def table() -> str:
    """The tables as Markdown."""
    lines = ["| plate | source | worst of three modes |", "|---|---|---|"]
    for case, source, reference, ours in plate_rows():
        lines.append(f"| {case} | {source} | {100 * np.abs(ours / reference - 1).max():.2f} % |")
    lines += [
        "",
        "| box against a 3-D solid, first twenty modes | mean error | worst | unknowns |",
        "|---|---|---|---|",
    ]
    for case, mean, worst, dofs in solid_rows():
        lines.append(f"| {case} | {100 * mean:.2f} % | {100 * worst:.2f} % | {dofs:,} |")
    lines += ["", "| element side (box D) | unknowns | worst of twenty modes against 12 mm |", "|---|---|---|"]
    for size, dofs, worst in convergence():
        lines.append(f"| {size:g} mm | {dofs:,} | {100 * worst:.2f} % |")
    return "\n".join(lines)


def main() -> int:
    text = table()
    print(text)
    if "--write" in sys.argv[1:]:
        whole = README.read_text("utf-8")
        head, rest = whole.split(MARKS[0])
        _, tail = rest.split(MARKS[1])
        README.write_text(f"{head}{MARKS[0]}\n{text}\n{MARKS[1]}{tail}", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
