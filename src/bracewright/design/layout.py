"""Where every part lies: planes, outlines, and the lines along which parts meet.

Every part is flat. Its frame has the two in-plane cabinet axes in alphabetical order as first and
second direction, so in-plane coordinates are cabinet coordinates; the third direction is their
cross product.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Brace, Cabinet, in_plane
from bracewright.design.mounted import Damping, Driver
from bracewright.errors import DesignError
from bracewright.geometry import Path

Vec = NDArray[np.float64]
TOUCH = 1e-6  # mm


@dataclass(frozen=True, slots=True)
class Frame:
    """A plane in space: `origin` + x `e1` + y `e2`; `e3` is the normal. Lengths in mm."""

    origin: Vec
    e1: Vec
    e2: Vec
    e3: Vec

    def to_space(self, xy: Vec) -> Vec:
        """Map (n, 2) plane points to (n, 3) cabinet points."""
        xy = np.atleast_2d(xy)
        return self.origin + xy[:, :1] * self.e1 + xy[:, 1:2] * self.e2

    def to_plane(self, points: Vec) -> Vec:
        """Project (n, 3) cabinet points to (n, 2) plane points."""
        d = np.atleast_2d(points) - self.origin
        return np.stack([d @ self.e1, d @ self.e2], axis=1)

    @property
    def rotation(self) -> Vec:
        """(3, 3) matrix whose rows are e1, e2, e3."""
        return np.stack([self.e1, self.e2, self.e3])


@dataclass(frozen=True, slots=True)
class Edge:
    """A straight outer edge of a part, from `start` to `end` (plane points), and the part met there."""

    start: tuple[float, float]
    end: tuple[float, float]
    part: str


@dataclass(frozen=True, slots=True)
class PartLayout:
    """A flat part: its frame (mid-plane), convex outline with labelled edges, cut-outs and board name."""

    name: str
    frame: Frame
    edges: tuple[Edge, ...]
    cuts: tuple[tuple[str, Path], ...]
    thickness: float

    @property
    def corners(self) -> Vec:
        """(n, 2) outline corners, counter-clockwise in the plane, mm."""
        return np.array([e.start for e in self.edges])

    def outline(self) -> Polygon:
        """Outline without cut-outs."""
        return Polygon(self.corners)


@dataclass(frozen=True, slots=True)
class Meeting:
    """A line `start`-`end` in space (mm) along which parts `a` and `b` meet.

    ``kind`` is ``corner`` (two panels), ``tee`` (the edge of `a` on the face of `b`) or
    ``cross`` (two braces passing through each other).
    """

    a: str
    b: str
    kind: str
    start: Vec
    end: Vec


def _unit(axis: str) -> Vec:
    e = np.zeros(3)
    e[AXES.index(axis)] = 1.0
    return e


def _rotation(axis: Vec, deg: float) -> Vec:
    """Rotation by the right-hand rule (Rodrigues)."""
    t = math.radians(deg)
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.asarray(np.eye(3) + math.sin(t) * k + (1 - math.cos(t)) * (k @ k))


def panel_mid(cabinet: Cabinet, side: str) -> float:
    """Mid-plane coordinate of a panel along its normal, mm."""
    t = cabinet.part_board(side).thickness
    return t / 2 if side in LOWER_PANELS else cabinet.size(PANEL_NORMAL[side]) - t / 2


def inner_face(cabinet: Cabinet, side: str) -> float:
    """Coordinate of a panel's inner face along its normal, mm."""
    t = cabinet.part_board(side).thickness
    return t if side in LOWER_PANELS else cabinet.size(PANEL_NORMAL[side]) - t


def sides(axis: str) -> tuple[str, str]:
    """Return the lower and upper panel across an axis."""
    low, high = (s for s in PANELS if PANEL_NORMAL[s] == axis)
    return low, high


def frame_of(cabinet: Cabinet, part: str) -> Frame:
    """Return the mid-plane frame of a panel or brace."""
    if part in PANELS:
        normal, at, brace = PANEL_NORMAL[part], panel_mid(cabinet, part), None
    else:
        brace = cabinet.brace(part)
        normal, at = brace.normal, brace.at
    a, b = in_plane(normal)
    e1, e2 = _unit(a), _unit(b)
    e3 = (-1.0 if normal == "y" else 1.0) * _unit(normal)
    centre = np.array([cabinet.width, cabinet.depth, cabinet.height]) / 2
    centre[AXES.index(normal)] = at
    if brace is not None and brace.tilt_deg and brace.tilt_about:
        turn = _rotation(_unit(brace.tilt_about), brace.tilt_deg)
        e1, e2, e3 = turn @ e1, turn @ e2, turn @ e3
    c1, c2 = centre[AXES.index(a)], centre[AXES.index(b)]
    return Frame(centre - c1 * e1 - c2 * e2, e1, e2, e3)


def _clip(poly: list[tuple[Vec, str]], normal: Vec, offset: float, label: str) -> list[tuple[Vec, str]]:
    """Cut a convex polygon by ``normal . x >= offset``; each entry is (corner, label of the edge that starts there)."""
    if not poly:
        return []
    s = np.array([p @ normal - offset for p, _ in poly])
    out: list[tuple[Vec, str]] = []
    for i, (p, name) in enumerate(poly):
        j = (i + 1) % len(poly)
        q = poly[j][0]
        inside, inside_next = s[i] >= -TOUCH, s[j] >= -TOUCH
        if inside and inside_next:
            out.append((p, name))
        elif inside:
            out.append((p, name))
            out.append((p + (q - p) * (s[i] / (s[i] - s[j])), label))
        elif inside_next:
            out.append((p + (q - p) * (s[i] / (s[i] - s[j])), name))
    return [v for i, v in enumerate(out) if np.linalg.norm(v[0] - out[(i + 1) % len(out)][0]) > 1e-3]


def bounds(cabinet: Cabinet, brace: Brace, reach: str) -> list[tuple[Vec, float, str]]:
    """Half-spaces (normal, offset, part) that limit a brace; it keeps ``normal . x >= offset``."""
    named = dict(brace.within)
    limits: list[tuple[Vec, float, str]] = []
    for axis in AXES:
        low, high = sides(axis)
        ends = [(low, 1.0), (high, -1.0)]
        if axis in named:
            ends += [(p, s) for p, s in zip(named[axis], (1.0, -1.0), strict=True) if p not in (low, high)]
        for part, sign in ends:
            if part in PANELS:
                if PANEL_NORMAL[part] != axis:
                    raise DesignError(
                        f"got {part!r}, which does not stand across {axis}; name a part that does",
                        key=f"braces.{brace.name}.within.{axis}",
                    )
                face = panel_mid(cabinet, part) if reach == "mid" else inner_face(cabinet, part)
                limits.append((sign * _unit(axis), sign * face, part))
            else:
                other = cabinet.brace(part)
                if other.normal != axis:
                    raise DesignError(
                        f"got {part!r}, which stands across {other.normal}, not {axis}; name a part that stands "
                        f"across {axis}",
                        key=f"braces.{brace.name}.within.{axis}",
                    )
                f = frame_of(cabinet, part)
                n = f.e3 * np.sign(f.e3 @ _unit(axis)) * sign
                half = 0.0 if reach == "mid" else cabinet.part_board(part).thickness / 2
                limits.append((n, float(n @ f.origin) + half, part))
    return limits


def part_layout(cabinet: Cabinet, part: str, reach: str = "inner") -> PartLayout:
    """Lay one part out.

    Parameters
    ----------
    cabinet : Cabinet
    part : str
        Panel side or brace name.
    reach : {"inner", "mid", "outer"}
        Where it ends at its neighbours: at their near faces, at their mid-planes, or (panels) at the
        outside of the cabinet.

    Raises
    ------
    DesignError
        If nothing of a brace lies inside the cabinet.
    """
    frame = frame_of(cabinet, part)
    thickness = cabinet.part_board(part).thickness
    cuts: tuple[tuple[str, Path], ...]
    if part in PANELS:
        a, b = in_plane(PANEL_NORMAL[part])
        ends = []
        for axis in (a, b):
            for side in sides(axis):
                outer = 0.0 if side in LOWER_PANELS else cabinet.size(axis)
                ends.append({"inner": inner_face(cabinet, side), "mid": panel_mid(cabinet, side)}.get(reach, outer))
        x0, x1, y0, y1 = ends
        (la, ha), (lb, hb) = sides(a), sides(b)
        edges = (
            Edge((x0, y0), (x1, y0), lb),
            Edge((x1, y0), (x1, y1), ha),
            Edge((x1, y1), (x0, y1), hb),
            Edge((x0, y1), (x0, y0), la),
        )
        cuts = tuple((o.name, o.shape.outline()) for o in cabinet.openings if o.panel == part)
        return PartLayout(part, frame, edges, cuts, thickness)
    brace = cabinet.brace(part)
    big = 2.0 * (cabinet.width + cabinet.depth + cabinet.height)
    poly: list[tuple[Vec, str]] = [
        (np.array(c) * big, "") for c in ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0))
    ]
    for n, d, label in bounds(cabinet, brace, reach):
        n2 = np.array([n @ frame.e1, n @ frame.e2])
        if np.linalg.norm(n2) < 1e-9:
            if float(n @ frame.origin) < d + (thickness / 2 if reach == "inner" else 0.0) - TOUCH:
                poly = []
            continue
        poly = _clip(poly, n2, d - float(n @ frame.origin), label)
    if len(poly) < 3 or Polygon([p for p, _ in poly]).area < 25.0:
        low, high = (inner_face(cabinet, s) for s in sides(brace.normal))
        raise DesignError(
            f"at = {brace.at:g} leaves no board inside the cabinet, which is {low:g}..{high:g} along {brace.normal}; "
            f"move the brace so that its {thickness:g} thickness fits between the parts it stops at",
            key=f"braces.{part}.at",
        )
    cut_edges = []
    for (p, name), (q, _) in zip(poly, poly[1:] + poly[:1], strict=True):
        cut_edges.append(Edge((float(p[0]), float(p[1])), (float(q[0]), float(q[1])), name))
    cuts = tuple((p.name or f"pocket {k + 1}", p.outline()) for k, p in enumerate(brace.pockets))
    return PartLayout(part, frame, tuple(cut_edges), cuts, thickness)


@lru_cache(maxsize=64)
def layouts(cabinet: Cabinet, reach: str = "inner") -> dict[str, PartLayout]:
    """Lay out every part, panels first. Treat the answer as read-only: it is cached."""
    return {p: part_layout(cabinet, p, reach) for p in cabinet.parts}


def region(part: PartLayout, tolerance: float = 0.02) -> Polygon:
    """Return a part's outline less its cut-outs, mm, arcs within a tolerance."""
    return part.outline().difference(shapely.union_all([c.polygon(tolerance) for _, c in part.cuts]))


def covered(wood: Polygon, sheet: Damping) -> BaseGeometry:
    """Return what a damping sheet covers of a part's wood, mm."""
    if sheet.centre is None or sheet.size is None:
        return wood
    (x, y), (a, b) = sheet.centre, sheet.size
    return wood.intersection(shapely.box(x - a / 2, y - b / 2, x + a / 2, y + b / 2))


def rear_point(cabinet: Cabinet, driver: Driver) -> tuple[float, float]:
    """Return where the axis of a driver meets the brace that its rear touches, in the brace's plane."""
    o = cabinet.opening(driver.opening)
    brace = frame_of(cabinet, driver.rear_brace)
    middle = o.shape.outline().polygon(0.05).centroid
    front = frame_of(cabinet, o.panel).to_space(np.array([[middle.x, middle.y]]))[0]
    along = _unit(PANEL_NORMAL[o.panel])
    reach = float((brace.origin - front) @ brace.e3) / float(along @ brace.e3)
    x, y = brace.to_plane((front + reach * along)[None])[0].tolist()
    return x, y


def meetings(cabinet: Cabinet, reach: str = "inner") -> list[Meeting]:
    """Return every line along which two parts meet.

    A corner runs along the two panels' own `reach`; its line is where their mid-planes cross. A tee
    is the brace's own edge, at its mid-plane.
    """
    parts = layouts(cabinet, reach)
    found: list[Meeting] = []
    for i, a in enumerate(PANELS):
        for b in PANELS[i + 1 :]:
            if PANEL_NORMAL[a] == PANEL_NORMAL[b]:
                continue
            along = next(x for x in AXES if x not in (PANEL_NORMAL[a], PANEL_NORMAL[b]))
            p = np.zeros(3)
            p[AXES.index(PANEL_NORMAL[a])] = panel_mid(cabinet, a)
            p[AXES.index(PANEL_NORMAL[b])] = panel_mid(cabinet, b)
            q = p.copy()
            face = panel_mid if reach == "mid" else inner_face
            p[AXES.index(along)], q[AXES.index(along)] = (face(cabinet, s) for s in sides(along))
            found.append(Meeting(a, b, "corner", p, q))
    braces = [b.name for b in cabinet.braces]
    for name in braces:
        found += tees(parts[name])
    for i, a in enumerate(braces):
        for b in braces[i + 1 :]:
            line = crossing(parts[a], parts[b])
            if line is not None:
                found.append(Meeting(a, b, "cross", *line))
    return found


def tees(brace: PartLayout) -> list[Meeting]:
    """Return the lines along which a brace ends at its neighbours."""
    ends = [brace.frame.to_space(np.array([e.start, e.end])) for e in brace.edges]
    return [Meeting(brace.name, e.part, "tee", p, q) for e, (p, q) in zip(brace.edges, ends, strict=True)]


def crossing(a: PartLayout, b: PartLayout) -> tuple[Vec, Vec] | None:
    """Return the line along which two parts pass through each other, or None."""
    d = np.cross(a.frame.e3, b.frame.e3)
    if np.linalg.norm(d) < 1e-9:
        return None
    d /= np.linalg.norm(d)
    p0 = np.linalg.solve(
        np.stack([a.frame.e3, b.frame.e3, d]),
        np.array([a.frame.e3 @ a.frame.origin, b.frame.e3 @ b.frame.origin, 0.0]),
    )
    low, high = -math.inf, math.inf
    for lay in (a, b):
        q = lay.frame.to_plane(p0[None])[0]
        v = lay.frame.to_plane((p0 + d)[None])[0] - q
        c = lay.corners
        for s, e in zip(c, np.roll(c, -1, axis=0), strict=True):
            n = np.array([-(e - s)[1], (e - s)[0]]) / np.linalg.norm(e - s)  # inward, corners are counter-clockwise
            slope, gap = v @ n, (s - q) @ n
            if abs(slope) < 1e-12:
                if gap > TOUCH:
                    return None
            elif slope > 0:
                low = max(low, gap / slope)
            else:
                high = min(high, gap / slope)
    if high - low < 1e-3:
        return None
    # A part that ends on the other's face does not pass through it.
    mid = p0 + d * (low + high) / 2
    for lay, other in ((a, b), (b, a)):
        centre = shapely.Point(lay.frame.to_plane(mid[None])[0])
        if lay.outline().exterior.distance(centre) < other.thickness / 2 + TOUCH:
            return None
    return p0 + low * d, p0 + high * d
