"""The air in a cabinet: which rooms its braces leave, how large they are and which of them are connected.

The room between the panels is cut into convex cells by the braces' faces. A cell inside a brace holds air where the
brace has a pocket; two cells are one chamber where air meets air on the face they share. So a brace without pockets
closes a chamber off, one with pockets does not, and neither does a partition that stops short.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from bracewright.design import layout as lay
from bracewright.design.cabinet import Cabinet
from bracewright.design.panels import outward
from bracewright.design.solid import SLIVER, Cell, Slab, face_plane, inner_box, slabs

Vec = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamber:
    """Connected air.

    Attributes
    ----------
    low, high : (x, y, z)
        Corners of the upright box around it, mm.
    air_l : float
        Volume, braces taken out and drivers not.
    drivers : tuple of str
        Openings whose drivers face it.
    net_volume_l : float
        Volume less what the drivers displace.
    """

    low: tuple[float, float, float]
    high: tuple[float, float, float]
    air_l: float
    drivers: tuple[str, ...]
    net_volume_l: float


@dataclass(frozen=True, eq=False)
class _Air:
    """A piece of air: a cell, and for each brace the cell lies in, the pocket of it."""

    cell: Cell
    pockets: tuple[tuple[Slab, int], ...]
    volume: float


@lru_cache(maxsize=64)
def chambers(cabinet: Cabinet) -> tuple[Chamber, ...]:
    """Return the chambers of a cabinet, the largest first."""
    pieces = list(_pieces(cabinet))
    owner = _connected(pieces)
    groups = [[p for p, o in zip(pieces, owner, strict=True) if o == k] for k in sorted(set(owner))]
    groups = [g for g in groups if sum(p.volume for p in g) > SLIVER]
    facing = {d.opening: _facing(cabinet, d.opening, groups) for d in cabinet.drivers}
    out = []
    for k, group in enumerate(groups):
        rooms = [p for p in group if not p.pockets] or group
        corners = np.concatenate([f.corners for p in rooms for f in p.cell.faces])
        here = [d for d in cabinet.drivers if facing[d.opening] == k]
        air = sum(p.volume for p in group) / 1e6
        x0, y0, z0 = corners.min(axis=0).tolist()
        x1, y1, z1 = corners.max(axis=0).tolist()
        out.append(
            Chamber(
                low=(x0, y0, z0),
                high=(x1, y1, z1),
                air_l=air,
                drivers=tuple(d.opening for d in here),
                net_volume_l=air - sum(d.volume_l for d in here),
            )
        )
    return tuple(sorted(out, key=lambda c: (-c.air_l, c.low)))


def _pieces(cabinet: Cabinet) -> Iterator[_Air]:
    cells: list[tuple[Cell, tuple[Slab, ...]]] = [(inner_box(cabinet), ())]
    for slab in slabs(cabinet):
        after: list[tuple[Cell, tuple[Slab, ...]]] = []
        for cell, inside in cells:
            core, rest = cell.split(slab.cell.halfspaces)
            after += [(c, inside) for c in rest]
            if core is not None:
                after.append((core, (*inside, slab)))
        cells = after
    for cell, inside in cells:
        for choice in product(*(range(len(s.pockets)) for s in inside)):
            pockets = tuple(zip(inside, choice, strict=True))
            volume = _volume(cell, pockets)
            if volume > SLIVER:
                yield _Air(cell, pockets, volume)


def _volume(cell: Cell, pockets: tuple[tuple[Slab, int], ...]) -> float:
    if not pockets:
        return cell.volume
    slab, k = pockets[0]
    whole, path = slab.polygons[k], slab.pockets[k][1]
    volume = 0.0
    for level, share in slab.levels():
        air = cell.section(level).intersection(whole)
        # Exact where the pocket lies wholly in the cell; its polygon is a hair small.
        area = path.area if air.area > whole.area * (1 - 1e-12) else air.area
        for other, j in pockets[1:]:
            air = other.hole(j, level, air)
            area = air.area
        volume += share * area
    return volume


def _connected(pieces: list[_Air]) -> list[int]:
    """Return for each piece the number of the first piece it is connected with."""
    walls: dict[tuple[float, ...], list[tuple[int, Polygon, lay.Frame]]] = {}
    frames: dict[tuple[float, ...], lay.Frame] = {}
    for i, piece in enumerate(pieces):
        for face in piece.cell.faces:
            key = _plane_key(face.normal, face.offset)
            plane = frames.setdefault(key, face_plane(face)[0])
            walls.setdefault(key, []).append((i, Polygon(plane.to_plane(face.corners)), plane))
    owner = list(range(len(pieces)))

    def root(i: int) -> int:
        while owner[i] != i:
            owner[i] = owner[owner[i]]
            i = owner[i]
        return i

    for wall in walls.values():
        for (i, a, plane), (j, b, _) in combinations(wall, 2):
            if root(i) == root(j):
                continue
            shared = a.intersection(b)
            for slab, k in (*pieces[i].pockets, *pieces[j].pockets):
                if shared.area <= SLIVER:
                    break
                shared = slab.hole(k, plane, shared)
            if shared.area > SLIVER:
                low, high = sorted((root(i), root(j)))
                owner[high] = low
    return [root(i) for i in range(len(pieces))]


def _plane_key(n: Vec, d: float) -> tuple[float, ...]:
    """Name a plane, whichever side of it is kept."""
    first = n[np.flatnonzero(np.abs(n) > 1e-7)[0]]
    sign = 1.0 if first > 0 else -1.0
    return tuple((np.round(np.append(n * sign, d * sign / 1e3), 6) + 0.0).tolist())


def _facing(cabinet: Cabinet, opening: str, groups: list[list[_Air]]) -> int:
    """Return the chamber behind most of an opening."""
    o = cabinet.opening(opening)
    n = -outward(o.panel)
    key = _plane_key(n, float(n.sum()) * lay.inner_face(cabinet, o.panel))
    hole = o.shape.outline().polygon()
    frame = lay.frame_of(cabinet, o.panel)
    shares = [
        sum(
            hole.intersection(Polygon(frame.to_plane(f.corners))).area
            for p in group
            for f in p.cell.faces
            if not p.pockets and _plane_key(f.normal, f.offset) == key
        )
        for group in groups
    ]
    return int(np.argmax(shares))
