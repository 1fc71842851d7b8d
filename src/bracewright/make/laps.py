"""Cross-laps: where two braces pass through each other, each is slotted from one end to the middle."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import shapely

from bracewright.design.cabinet import Cabinet
from bracewright.design.layout import Frame, PartLayout, layouts
from bracewright.errors import DesignError
from bracewright.geometry import FINE
from bracewright.make.joint import LEAST_WALL, Joint, Vec, crossed


def lapped(cabinet: Cabinet, j: Joint) -> Joint:
    """Give a cross-lap its slots: each brace is open from the middle to one end, and they push together along it."""
    parts = layouts(cabinet, "inner")
    pair = (parts[j.a], parts[j.b])
    _check_lap_wood(cabinet, j, pair)
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
        clearance=cabinet.joinery.clearance,
        gap=2 * r,
        rounding=r,
        grooves=(own, other),
        note=note,
    )


def _on_edge(lay: PartLayout, point: Vec) -> bool:
    return bool(lay.outline().exterior.distance(shapely.Point(lay.frame.to_plane(point[None])[0])) < 1e-6)


def slot_width(cabinet: Cabinet, part: Frame, other: Frame, thickness: float, other_thickness: float) -> float:
    """Return the width of a slot, cut square, in a part of this thickness for another that may lean."""
    cos = abs(float(part.e3 @ other.e3))
    sin = math.sqrt(1 - cos**2)
    return other_thickness / sin + thickness * cos / sin + 2 * cabinet.joinery.clearance


def _check_lap_wood(cabinet: Cabinet, j: Joint, pair: tuple[PartLayout, PartLayout]) -> None:
    for lay, other in (pair, pair[::-1]):
        width = slot_width(cabinet, lay.frame, other.frame, lay.thickness, other.thickness)
        crossed(lay, j, width / 2, LEAST_WALL, f"braces.{lay.name}.pockets")


def _framed(pair: tuple[PartLayout, PartLayout], j: Joint) -> str:
    """Note where a slot opens a pocket of its brace."""
    opened = []
    for lay in pair:
        line = shapely.LineString(lay.frame.to_plane(np.stack([j.start, j.end])))
        opened += [f"{name} of {lay.name}" for name, path in lay.cuts if path.polygon(FINE).intersects(line)]
    return f"the slots meet {', '.join(opened)}: handle the boards with care until they are glued" if opened else ""
