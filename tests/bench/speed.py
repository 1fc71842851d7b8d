"""The speed figures of the README, as ratios of CPU time taken in one run.

    python tests/bench/speed.py [--without-fast] [--growth]

Box E is the 220 x 300 x 400 mm box of 22 mm board with a braced shelf; 30 mm elements, 20 modes
(40 for the cold solve). `--without-fast` factorises by SuperLU even where the sparse Cholesky is
installed; `--growth` adds meshes from 5,000 to 100,000 unknowns and their peak memory.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from cabinets import box, shelf

from bracewright.examples import example
from bracewright.fem import factor as factor_module
from bracewright.fem.gradient import Change, Sensitivity
from bracewright.fem.mesh import _CACHE
from bracewright.fem.modes import Modes, solve
from bracewright.fem.near import Anchor
from bracewright.fem.system import Model, build
from bracewright.tune import Space

TOLERANCE = 5e-4  # of the frequencies of a warm re-solve
REPEATS = 7
STEP = 1e-6  # mm, of a derivative
GROWTH = (45.0, 30.0, 20.0, 14.0, 10.4)


def race(*jobs: Callable[[], object]) -> list[float]:
    """Median CPU seconds of each job, all of them taken in turn so that a busy machine slows them alike."""
    spent = np.zeros((REPEATS, len(jobs)))
    for k in range(REPEATS):
        for i, job in enumerate(jobs):
            t = time.process_time()
            job()
            spent[k, i] = time.process_time() - t
    return [float(v) for v in np.median(spent, axis=0)]


def cold(cabinet, size: float = 30.0, count: int = 20) -> tuple[Model, Modes]:
    _CACHE.clear()
    model = build(cabinet, size=size)
    return model, solve(model, count, prove=False)


def without_fast() -> None:
    """Factorise by SuperLU from here on."""
    factor_module._sparse_cholesky = lambda: None  # type: ignore[assignment]
    factor_module._dissection = lambda a: None  # type: ignore[assignment]


def warm_ratios() -> None:
    start = box(braces=(shelf(),))
    shape = shelf().pockets[0].shape
    designs = {
        "brace moved 1 mm": box(braces=(shelf(at=231.0),)),
        "brace moved 4 mm": box(braces=(shelf(at=234.0),)),
        "pocket 6 mm wider": box(
            braces=(shelf(pockets=(replace(shelf().pockets[0], shape=replace(shape, size=(116, 152))),)),)
        ),
    }
    anchor = Anchor.of(start, 20)
    base, *warm = race(
        lambda: cold(start), *(lambda d=d: anchor.solve(d, tolerance=TOLERANCE) for d in designs.values())
    )
    print(f"cold solve, 20 modes, {anchor.model.dofs} unknowns: {base:.2f} s")
    for (name, design), spent in zip(designs.items(), warm, strict=True):
        exact = solve(anchor.solve(design)[0], 20, prove=False).frequency_Hz
        error = np.abs(anchor.solve(design, tolerance=TOLERANCE)[1].frequency_Hz / exact - 1).max()
        print(f"warm re-solve, {name}: {spent:.3f} s, error {100 * error:.3f} %, ratio {base / spent:.1f}")


def gradient_ratio() -> None:
    """Twenty variables of the stand-mount example: four braces' places and sixteen numbers of their pockets."""
    cabinet = example("stand-mount")
    space = Space.of(cabinet)
    x = space.start()
    anchor = Anchor.of(cabinet, 20)
    changes = []
    for i in range(20):
        changes.append(Change(cabinet, space.apply(x + STEP * np.eye(len(x))[i]), STEP))
    moved = space.apply(x + 4.0 * np.eye(len(x))[space.names.index("shelf.at")])
    warm, spent = race(
        lambda: anchor.solve(moved, tolerance=TOLERANCE),
        lambda: Sensitivity(anchor.model, anchor.modes).frequencies(changes),
    )
    print(
        f"gradient of 20 modes by 20 variables, {anchor.model.dofs} unknowns: {spent:.3f} s, "
        f"warm re-solve (shelf moved 4 mm) {warm:.3f} s, share {spent / warm:.2f}"
    )


def shares() -> None:
    """What a cold solve of 40 modes is spent on."""
    cabinet = box(braces=(shelf(),))
    spent = {"factorisation": 0.0, "triangular solves": 0.0, "rest": 0.0}
    _CACHE.clear()
    t0 = time.process_time()
    model = build(cabinet)
    built = time.process_time() - t0
    own = factor_module.factor

    def timed(a, **more):
        t = time.process_time()
        found = own(a, **more)
        spent["factorisation"] += time.process_time() - t

        def solving(b):
            t = time.process_time()
            out = found.solve(b)
            spent["triangular solves"] += time.process_time() - t
            return out

        return replace(found, solve=solving)

    from bracewright.fem import modes as modes_module

    modes_module.factor = timed
    t = time.process_time()
    solve(model, 40, prove=False)
    total = time.process_time() - t
    modes_module.factor = own
    dense = total - sum(spent.values())
    print(
        f"cold solve of 40 modes, {built + total:.2f} s: meshing and assembly {built / (built + total):.0%}, "
        + ", ".join(f"{k} {v / (built + total):.0%}" for k, v in spent.items() if k != "rest")
        + f", the eigensolver's own products and dense work {dense / (built + total):.0%}"
    )


def growth(slow: bool) -> None:
    """Each mesh in a process of its own, for its peak memory."""
    rows = []
    for size in GROWTH:
        command = [sys.executable, __file__, "--one", str(size), *(["--without-fast"] if slow else [])]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        n, seconds, peak = (float(v) for v in done.stdout.split())
        rows.append((n, seconds))
        print(f"element {size:4.1f} mm  {n:7.0f} unknowns  {seconds:6.2f} s  peak {peak:5.0f} MB")
    n, t = np.log(np.array(rows)).T
    print(f"time grows as unknowns^{np.polyfit(n, t, 1)[0]:.2f}")


def one(size: float) -> None:
    import resource

    t = time.process_time()
    model, _ = cold(box(braces=(shelf(),)), size, 40)
    seconds = time.process_time() - t
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(model.dofs, seconds, peak)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--without-fast", action="store_true")
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--one", type=float)
    args = parser.parse_args()
    if args.without_fast:
        without_fast()
    if args.one:
        one(args.one)
        return 0
    print(f"{platform.machine()}, {os.cpu_count()} cores, {'SuperLU' if args.without_fast else 'sparse Cholesky'}")
    cold(box(braces=(shelf(),)))  # imports and sections
    warm_ratios()
    gradient_ratio()
    shares()
    if args.growth:
        growth(args.without_fast)
    return 0


if __name__ == "__main__":
    sys.exit(main())
