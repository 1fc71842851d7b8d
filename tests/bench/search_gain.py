"""What a search gains over a plain layout of the same wood, on both examples.

The plain layout: every brace where it is or, where braces stand over each other, evenly spaced; each
brace's pockets replaced by one rectangle of the same area in its middle. Printed before and after:
the first mode, the closest pair, and the mean and loudest level of the walls beside the drivers by
the whole computation of `bracewright sound` (air modes, static corrections, the air's load), with
the 10-90 % band over cabinets as they may turn out.

    python tests/bench/search_gain.py stand-mount|floorstander [evaluations] [folder] [robust, such as 0.5]
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from bracewright.design import layout
from bracewright.design.cabinet import Brace, Cabinet, in_plane
from bracewright.design.designfile import save
from bracewright.design.pockets import Pocket, Rectangle
from bracewright.errors import DesignError
from bracewright.examples import example
from bracewright.sound.run import sound
from bracewright.tune import Goal, Look, bands, search

BANDS = {"stand-mount": (150.0, 1000.0), "floorstander": (100.0, 800.0)}
CABINETS = 32


def plain(cabinet: Cabinet) -> Cabinet:
    """Return the plain layout of a cabinet."""
    braces = list(cabinet.braces)
    for axis in "xyz":
        row = sorted((b for b in braces if b.normal == axis and not b.within and b.pockets), key=lambda b: b.at)
        closed = sorted(b.at for b in braces if b.normal == axis and not b.within and not b.pockets)
        if len(row) > 1:
            low, high = (layout.inner_face(cabinet, s) for s in layout.sides(axis))
            low = max([low, *closed])
            for k, b in enumerate(row):
                braces[braces.index(b)] = replace(b, at=round(low + (high - low) * (k + 1) / (len(row) + 1)))
    spaced = replace(cabinet, braces=tuple(replace(b, pockets=(), tilt_deg=0.0, tilt_about=None) for b in braces))
    return replace(
        spaced, braces=tuple(_rectangular(spaced, b, b0) for b, b0 in zip(spaced.braces, braces, strict=True))
    )


def _rectangular(cabinet: Cabinet, brace: Brace, before: Brace) -> Brace:
    if not before.pockets:
        return brace
    corners = layout.layouts(cabinet)[brace.name].corners
    low, high = corners.min(axis=0), corners.max(axis=0)
    area = sum(p.outline().area for p in before.pockets)
    size = (high - low) * np.sqrt(area / np.prod(high - low))
    assert len(in_plane(brace.normal)) == 2
    shape = Rectangle(
        centre=tuple(np.round((low + high) / 2, 1).tolist()), size=tuple(np.round(size, 1).tolist()), corner_radius=20
    )
    return replace(brace, pockets=(Pocket(shape=shape),))


def heard(cabinet: Cabinet, band: tuple[float, float]) -> tuple[float, float]:
    """Mean and loudest level over the band, dB, by the whole computation."""
    f = np.geomspace(*band, int(np.log(band[1] / band[0]) / 0.015) + 2)
    level = sound(cabinet, f, size=40.0).level_dB
    return float(level.mean()), float(level.max())


def main() -> int:
    name = sys.argv[1]
    evaluations = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    folder = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    band = BANDS[name]
    try:
        start = plain(example(name))
    except DesignError as e:
        print(f"the plain layout cannot be built: {e}")
        return 1
    if len(sys.argv) > 4:
        start = replace(start, tune=replace(start.tune, robust=float(sys.argv[4])))
    goal = Goal(raise_=0.3, spread=0.1, quiet=1.0, peak=1.0, band_Hz=band)
    t0 = time.perf_counter()
    found = search(
        start, goal=goal, evaluations=evaluations, progress=lambda n, b: print(n, round(b["score"], 3), flush=True)
    )
    seconds = time.perf_counter() - t0
    print(found.message, f"{seconds:.0f} s")
    if folder:
        save(start, folder / f"{name}-plain.toml")
        save(found.cabinet, folder / f"{name}-tuned.toml")
    look = Look.at(goal, start, size=40.0)
    for label, cabinet, numbers in (("plain", start, found.before), ("tuned", found.cabinet, found.after)):
        mean, loudest = heard(cabinet, band)
        sure = bands(look, cabinet, CABINETS)
        print(
            f"{name:13s} {label}: first mode {numbers['first_Hz']:.1f} Hz [{sure['first_Hz'].low:.1f}, "
            f"{sure['first_Hz'].high:.1f}], closest pair {100 * numbers['closest_pair']:.2f} % "
            f"[{100 * sure['closest_pair'].low:.2f}, {100 * sure['closest_pair'].high:.2f}], mean level {mean:.1f} dB "
            f"[quick {numbers['mean_dB']:.1f}; {sure['mean_dB'].low:.1f}, {sure['mean_dB'].high:.1f}], loudest "
            f"{loudest:.1f} dB [quick {numbers['loudest_dB']:.1f}; {sure['loudest_dB'].low:.1f}, "
            f"{sure['loudest_dB'].high:.1f}]"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
