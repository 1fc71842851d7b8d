"""Distances that may be too small: wood beside and between cut-outs, corners, boards, the room behind drivers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from shapely.geometry import Polygon

from bracewright import geometry
from bracewright.design import layout as lay
from bracewright.design.cabinet import PANEL_NORMAL, PANELS, Cabinet
from bracewright.design.checks import length
from bracewright.design.panels import outward
from bracewright.design.solid import SLIVER, slabs
from bracewright.geometry import Path

SCAN = 1.0  # mm; step in which the room behind a driver is looked through


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Least clearances worth a warning, in mm: common practice, no source.

    Attributes
    ----------
    web : float
        Wood between a pocket and the edge of its brace.
    bridge : float
        Wood between two pockets, or two openings.
    inside_radius : float
        Tightest inside corner of a pocket or opening: the router bit's radius.
    opening_edge : float
        Wood between an opening and the next panel's inside.
    behind_driver : float
        Free room behind a driver, beyond its depth.
    board : float
        Thickness of a board, which should also be a tenth of the thickest: a thinner one moves like a skin, in waves
        shorter than the elements.
    """

    web: float = 30.0
    bridge: float = 25.0
    inside_radius: float = 4.0
    opening_edge: float = 10.0
    behind_driver: float = 10.0
    board: float = 4.0

    def __post_init__(self) -> None:
        for key in (f.name for f in fields(self)):
            length(getattr(self, key), key, low=0.0, high=1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """A distance that may be too small: `distance` mm of `what` at the key `where`, and the least wanted."""

    where: str
    what: str
    distance: float
    wanted: float

    @property
    def ok(self) -> bool:
        """Whether it is as large as wanted."""
        return self.distance >= self.wanted - 1e-6


def clearances(cabinet: Cabinet, wanted: Wanted) -> Iterator[Clearance]:
    """Yield every distance in a cabinet that may be too small, or is: of boards only those that are."""
    for part in lay.layouts(cabinet).values():
        panel = part.name in PANELS
        owner = "openings" if panel else f"braces.{part.name}.pockets"
        outline = Path(vertices=tuple((float(x), float(y), 0.0) for x, y in part.corners))
        for k, (name, path) in enumerate(part.cuts):
            key = f"{owner}.{name}"
            least = wanted.opening_edge if panel else wanted.web
            what = "wood to the next panel" if panel else "wood to the edge"
            yield Clearance(where=key, what=what, distance=geometry.web(outline, path), wanted=least)
            yield Clearance(
                where=key, what="inside radius", distance=path.smallest_inside_radius(), wanted=wanted.inside_radius
            )
            for other, second in part.cuts[k + 1 :]:
                gap = geometry.clearance(path, second)
                yield Clearance(where=key, what=f"wood to {other!r}", distance=gap, wanted=wanted.bridge)
    thickness = {p: cabinet.part_board(p).thickness for p in cabinet.parts}
    least = max(wanted.board, max(thickness.values()) / 10)
    for name, t in thickness.items():
        if t < least:
            where = f"cabinet.panels.{name}" if name in PANELS else f"braces.{name}"
            yield Clearance(where=where, what="thickness of its board", distance=t, wanted=least)
    for d in cabinet.drivers:
        if d.depth:
            free, met = room_behind(cabinet, d.opening)
            yield Clearance(
                where=f"drivers.{d.opening}",
                what=f"free depth up to {met!r}",
                distance=free,
                wanted=d.depth + wanted.behind_driver,
            )


def room_behind(cabinet: Cabinet, opening: str) -> tuple[float, str]:
    """Return how deep an opening's outline runs in from the panel's outside before it meets wood, mm, and whose.

    Looked through in steps of a millimetre; a brace whose edge crosses the opening counts from the panel's inside.
    """
    o = cabinet.opening(opening)
    axis = PANEL_NORMAL[o.panel]
    inward = -outward(o.panel)
    frame, t = lay.frame_of(cabinet, o.panel), cabinet.part_board(o.panel).thickness
    outside = frame.origin - inward * t / 2
    hole: Polygon = o.shape.outline().polygon()
    x0, y0, x1, y1 = hole.bounds
    beside = [(frame.e1, x0), (-frame.e1, -x1), (frame.e2, y0), (-frame.e2, -y1)]
    opposite = next(s for s in lay.sides(axis) if s != o.panel)
    free, met = cabinet.size(axis) - cabinet.part_board(opposite).thickness, opposite
    for slab in slabs(cabinet):
        behind = slab.cell.split(beside)[0]
        if behind is None:
            continue
        depths = np.concatenate([f.corners for f in behind.faces]) @ inward - float(outside @ inward)
        for depth in np.arange(depths.min(), min(depths.max(), free), SCAN):
            plane = lay.Frame(outside + inward * (depth + SCAN / 2), frame.e1, frame.e2, frame.e3)
            if slab.wood(plane).intersection(hole).area > SLIVER:
                free, met = float(depth), slab.name
                break
    return free, met
