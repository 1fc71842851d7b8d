"""Write the README's pictures to notebooks/pictures: ``python tests/bench/pictures.py [FOLDER]``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from bracewright.examples import example
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.files import write_file
from bracewright.show import canvas, plots
from bracewright.tune import added_mass

FOLDER = Path(__file__).parents[2] / "notebooks" / "pictures"
LARGEST = 150_000  # bytes


def main(folder: Path = FOLDER) -> dict[str, int]:
    """Draw and write all; return each file's size in bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    cabinet = example("stand-mount")
    model = build(cabinet, size=25)
    modes = solve(model, 12)
    drawn: dict[str, Any] = {
        "cabinet": plots.cabinet_drawing(model),
        "mode-1-in-space": plots.deformed(model, modes, 1),
        "mode-1-unfolded": plots.unfolded(model, modes, 1),
        "mode-6-unfolded": plots.unfolded(model, modes, 6),
        "ladder": plots.frequency_ladder(modes),
        "pocket": plots.pocket_drawing(cabinet, "bulkhead"),
        "added-mass": plots.sensitivity_map(model, added_mass(model, modes, 1)),
    }
    sizes = {}
    for name, artists in drawn.items():
        data = canvas.png(plots.figure_of(artists), dpi=85, colours=96)
        if len(data) > LARGEST:
            raise SystemExit(f"{name}: {len(data)} bytes, more than {LARGEST}; draw it smaller")
        write_file(folder / f"{name}.png", data)
        sizes[name] = len(data)
    return sizes


if __name__ == "__main__":
    for name, size in main(*map(Path, sys.argv[1:])).items():
        print(f"{name}.png  {size / 1000:.0f} kB")
