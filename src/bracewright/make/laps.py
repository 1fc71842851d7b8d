"""Cross-laps: where two braces pass through each other, each is slotted from one end to the middle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from bracewright.design.cabinet import Cabinet
from bracewright.design.joinery import LEAST_WALL
from bracewright.design.layout import PartLayout, layouts
from bracewright.errors import DesignError
from bracewright.geometry import FINE
from bracewright.make.joint import Joint, Vec, crossed


def lapped(cabinet: Cabinet, j: Joint) -> Joint:
    """Give a cross-lap its slots: each brace is open from the middle to one end, and they push together along it."""
    parts = layouts(cabinet, "inner")
    pair = (parts[j.a], parts[j.b])
    j = replace(j, clearance=cabinet.joinery.clearance, lean=abs(float(pair[0].frame.e3 @ pair[1].frame.e3)))
    for lay, width in zip(pair, j.slots, strict=True):
        crossed(lay, j, width / 2, LEAST_WALL, f"braces.{lay.name}.pockets")
    at_start, at_end = ([_on_edge(p, q) for p in pair] for q in (j.start, j.end))
    if at_end[0] and at_start[1]:
        first = False
    elif at_start[0] and at_end[1]:
        first = True
    else:
        raise DesignError(
            f"{j.a!r} and {j.b!r} cannot be pushed into each other: neither has its edge where the other's slot would "
            "open; end one of them at the other with `within`",
            key=f"braces.{j.b}.within",
        )
    r, middle, whole = cabinet.joinery.cutter / 2, j.length / 2, j.length
    low, high = (0.0, middle + r), (middle - r, whole)
    own, other = (low, high) if first else (high, low)
    into = -j.along if first else j.along  # towards where its own slot is open
    note = _framed(pair, j)
    return replace(
        j,
        into=into,
        depth=whole / 2,
        gap=2 * r,
        rounding=r,
        grooves=(own, other),
        note=note,
    )


def _on_edge(lay: PartLayout, point: Vec) -> bool:
    return bool(lay.outline().exterior.distance(shapely.Point(lay.frame.to_plane(point[None])[0])) < 1e-6)


def _framed(pair: tuple[PartLayout, PartLayout], j: Joint) -> str:
    """Note where a slot opens a pocket of its brace."""
    opened = []
    for lay in pair:
        line = shapely.LineString(lay.frame.to_plane(np.stack([j.start, j.end])))
        opened += [f"{name} of {lay.name}" for name, path in lay.cuts if path.polygon(FINE).intersects(line)]
    return f"the slots meet {', '.join(opened)}: handle the boards with care until they are glued" if opened else ""
