"""One box, two solvers: this library and CalculiX's quadratic shells, timed in one run at equal accuracy.

The box is 220 x 300 x 400 mm of 22 mm board with one braced shelf and its rounded pocket; both
solvers get mid-surfaces that meet (``joints="plain"`` here), 40 elastic modes, one thread. Each
solver's discretisation error is measured against its own finer mesh on the first twenty modes; the
coarsest mesh within 0.3 % is timed in CPU seconds, as a whole job from geometry to frequencies.

    python tests/bench/calculix_box.py

needs `ccx` (Debian package calculix-ccx); says so and stops where it is missing.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path as FilePath

import numpy as np

sys.path.insert(0, str(FilePath(__file__).parents[1] / "unit"))

from cabinets import box, shelf

from bracewright import geometry
from bracewright.design import layout as lay
from bracewright.fem import modes as fem_modes
from bracewright.fem.mesh import _CACHE, PlanarMesh, mesh_region
from bracewright.fem.system import build

MODES = 40
COMPARED = 20
LIMIT = 0.003
SIZES = (45.0, 40.0, 36.0, 33.0, 31.0, 30.0, 29.0, 28.0, 27.0, 26.0, 25.0, 24.0, 23.0, 22.0, 21.0, 20.0)
FINEST = 15.0
MERGE = 1e-6  # m


def cabinet():
    return box(braces=(shelf(),))


def our_run(size: float, method: str | None = None) -> tuple[np.ndarray, dict[str, float]]:
    """Frequencies and CPU seconds by task, nothing cached."""
    _CACHE.clear()
    t0 = time.process_time()
    model = build(cabinet(), size=size, joints="plain")
    t1 = time.process_time()
    found = fem_modes.solve(model, MODES, prove=False)
    t2 = time.process_time()
    return found.frequency_Hz, {"build": t1 - t0, "solve": t2 - t1, "all": t2 - t0, "unknowns": float(model.dofs)}


def shared_mesh(size: float) -> tuple[np.ndarray, np.ndarray]:
    """Mid-surface nodes (n, 3), m, and six-node triangles (e, 6) that share nodes where parts meet."""
    c = cabinet()
    level = c.braces[0].at
    points, cells, count = [], [], 0
    for part in lay.layouts(c, "mid").values():
        (x0, y0), (x1, y1) = part.corners.min(axis=0), part.corners.max(axis=0)
        vertical = part.name in ("front", "back", "left", "right")
        bands = [(y0, level), (level, y1)] if vertical else [(y0, y1)]
        for low, high in bands:
            outline = geometry.rectangle(((x0 + x1) / 2, (low + high) / 2), (x1 - x0, high - low))
            mesh: PlanarMesh = mesh_region(outline, [p for _, p in part.cuts], size)
            points.append(part.frame.to_space(mesh.points * 1000) / 1000)
            cells.append(mesh.nodes6 + count)
            count += len(mesh.points)
    xyz, elements = np.vstack(points), np.vstack(cells)
    key = np.round(xyz / MERGE).astype(np.int64)
    _, first, inverse = np.unique(key, axis=0, return_index=True, return_inverse=True)
    return xyz[first], inverse.ravel()[elements]


def write_input(path: FilePath, xyz: np.ndarray, elements: np.ndarray) -> None:
    """Write the shell model and a free vibration step."""
    lines = ["*NODE, NSET=ALL"]
    lines += [f"{i},{x:.9e},{y:.9e},{z:.9e}" for i, (x, y, z) in enumerate(xyz, 1)]
    lines.append("*ELEMENT, TYPE=S6, ELSET=BOARDS")
    # corners, then sides 12, 23, 31
    order = [0, 1, 2, 3, 4, 5]
    lines += [f"{i}," + ",".join(str(n + 1) for n in row[order]) for i, row in enumerate(elements, 1)]
    lines += [
        "*MATERIAL, NAME=BOARD",
        "*ELASTIC",
        "3.5e9,0.25",
        "*DENSITY",
        "740.",
        "*SHELL SECTION, ELSET=BOARDS, MATERIAL=BOARD",
        "0.022",
        "*STEP",
        "*FREQUENCY",
        f"{MODES + 6}",
        "*END STEP",
    ]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def ccx_run(size: float) -> tuple[np.ndarray, dict[str, float]]:
    """Frequencies of the elastic modes and CPU seconds of CalculiX alone."""
    xyz, elements = shared_mesh(size)
    with tempfile.TemporaryDirectory() as folder:
        write_input(FilePath(folder) / "box.inp", xyz, elements)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(
            ["ccx", "-i", "box"], cwd=folder, capture_output=True, text=True, timeout=3000, check=False,
            env={**os.environ, "OMP_NUM_THREADS": "1", "CCX_NPROC_EQUATION_SOLVER": "1"},
        )  # fmt: skip
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode:
            raise RuntimeError(done.stdout[-2000:])
        values = []
        for row in (FilePath(folder) / "box.dat").read_text().splitlines():
            cells = row.split()
            if len(cells) == 5 and cells[0].isdigit():
                values.append(float(cells[3]))
            if "PARTICIPATION" in row.replace(" ", ""):
                break
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    f = np.array(sorted(values))
    return f[6 : 6 + MODES], {"all": cpu, "unknowns": float(len(xyz))}


def coarsest(run, sizes, label: str) -> tuple[float, np.ndarray, dict[str, float]]:
    """Find the coarsest mesh within LIMIT of the solver's own finest."""
    finest, _ = run(FINEST)
    for size in sizes:
        f, spent = run(size)
        error = np.abs(f[:COMPARED] / finest[:COMPARED] - 1).max()
        print(
            f"{label:10s} element {size:4.0f} mm  worst of {COMPARED} modes {100 * error:5.2f} %"
            f"  CPU {spent['all']:7.2f} s"
        )
        if error <= LIMIT:
            return size, f, spent
    raise RuntimeError(f"{label}: no mesh of {sizes} is within {LIMIT:.1%}")


def main() -> int:
    if shutil.which("ccx") is None:
        print("skipped: ccx is not installed (Debian package calculix-ccx)")
        return 0
    ours = coarsest(our_run, SIZES, "bracewright")
    theirs = coarsest(ccx_run, SIZES, "ccx")
    spread = np.abs(ours[1][:COMPARED] / theirs[1][:COMPARED] - 1).max()
    print(f"the two differ by at most {100 * spread:.2f} % on the first {COMPARED} modes")
    pairs = [(our_run(ours[0])[1]["all"], ccx_run(theirs[0])[1]["all"]) for _ in range(3)]
    our_cpu, their_cpu = (float(np.median(column)) for column in zip(*pairs, strict=True))
    ratio = np.median([b / a for a, b in pairs])
    print(f"CPU seconds (median of 3): bracewright {our_cpu:.2f}, ccx {their_cpu:.2f}")
    print(f"ratio {ratio:.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
