"""Where every part lies: planes, outlines, the lines along which parts meet, and what cannot be built.

Every part is flat. Its frame has the two in-plane cabinet axes in alphabetical order as first and
second direction, so in-plane coordinates are cabinet coordinates; the third direction is their
cross product.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from bracewright.design.cabinet import (
    AXES,
    LOWER_PANELS,
    PANEL_NORMAL,
    PANELS,
    Brace,
    Cabinet,
    JointSpec,
    in_plane,
)
from bracewright.design.checks import MM_HINT
from bracewright.errors import DesignError
from bracewright.geometry import Path

Vec = NDArray[np.float64]
LEAST_LEAN = 19.9  # degrees between two parts that meet: 20, give or take rounding
MIN_WEB = 0.5  # mm; thinner wood than this between two cuts cannot be meshed or made
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
    return {p: part_layout(cabinet, p, reach) for p in (*PANELS, *(b.name for b in cabinet.braces))}


def region(part: PartLayout) -> Polygon:
    """Return a part's outline less its cut-outs, mm, arcs within 0.02 mm."""
    return part.outline().difference(shapely.union_all([c.polygon(0.02) for _, c in part.cuts]))


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
    for brace in cabinet.braces:
        lay = parts[brace.name]
        for e in lay.edges:
            p, q = lay.frame.to_space(np.array([e.start, e.end]))
            found.append(Meeting(brace.name, e.part, "tee", p, q))
    braces = [b.name for b in cabinet.braces]
    for i, a in enumerate(braces):
        for b in braces[i + 1 :]:
            line = crossing(parts[a], parts[b])
            if line is not None:
                found.append(Meeting(a, b, "cross", *line))
    return found


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


def check(cabinet: Cabinet) -> None:
    """Refuse a cabinet whose parts do not fit together; raises DesignError naming the culprit."""
    for axis in AXES:
        low, high = (inner_face(cabinet, s) for s in sides(axis))
        if high - low < 10:
            raise DesignError(
                f"the boards leave {high - low:g} inside along {axis}; enlarge the cabinet or use thinner boards "
                f"({MM_HINT})",
                key="cabinet",
            )
    parts = layouts(cabinet, "inner")
    for side in PANELS:
        _check_cuts(parts[side], f"panel {side!r}", "openings")
    for brace in cabinet.braces:
        _check_cuts(parts[brace.name], f"brace {brace.name!r}", f"braces.{brace.name}.pockets")
    _check_collisions(cabinet, parts)
    _check_joints(cabinet)
    _check_supports(cabinet)


def _check_joints(cabinet: Cabinet) -> None:
    """Refuse a joint of its own between parts that do not touch, and a tongue its board cannot carry."""
    meeting = {frozenset((m.a, m.b)) for m in meetings(cabinet)} if cabinet.joint_overrides else set()
    parts = [*PANELS, *(b.name for b in cabinet.braces)]
    pairs = {f"{a}-{b}": frozenset((a, b)) for a in parts for b in parts if a != b}
    for key, spec in cabinet.joint_overrides:
        if pairs.get(key) not in meeting:
            raise DesignError(
                "these two parts do not touch; remove the joint or move a part", key=f"joints.edges.{key}"
            )
        _check_tongue(spec, [cabinet.part_board(p).thickness for p in pairs[key]], f"joints.edges.{key}")
    boards = [cabinet.part_board(p).thickness for p in parts]
    _check_tongue(cabinet.joint, boards, "joints.default")
    if cabinet.brace_joint is not None:
        _check_tongue(cabinet.brace_joint, boards, "joints.braces")


def _check_tongue(spec: JointSpec, thickness: list[float], key: str) -> None:
    for what in ("tongue", "depth"):
        if getattr(spec, what) >= 0.8 * min(thickness):
            raise DesignError(
                f"got {getattr(spec, what):g} in a board {min(thickness):g} thick; keep it under four fifths of that",
                key=f"{key}.{what}",
            )


def _check_supports(cabinet: Cabinet) -> None:
    for x, y in cabinet.supports.points:
        if not (0 <= x <= cabinet.width and 0 <= y <= cabinet.depth):
            raise DesignError(
                f"the point ({x:g}, {y:g}) is not under the cabinet, which is {cabinet.width:g} by {cabinet.depth:g}; "
                f"move it ({MM_HINT})",
                key="supports.points",
            )


def _check_cuts(lay: PartLayout, owner: str, key: str) -> None:
    outline = lay.outline()
    shapes = [(name, path.polygon()) for name, path in lay.cuts]
    for name, poly in shapes:
        x0, y0, x1, y1 = poly.bounds
        where = f"it spans {x0:.4g}..{x1:.4g} by {y0:.4g}..{y1:.4g}"
        if not outline.contains(poly):
            a0, b0, a1, b1 = outline.bounds
            raise DesignError(
                f"it is not inside {owner} ({where}; the clear board is {a0:.4g}..{a1:.4g} by {b0:.4g}..{b1:.4g}); "
                f"move it or make it smaller ({MM_HINT})",
                key=f"{key}.{name}",
            )
        web = poly.distance(outline.exterior)
        if web < MIN_WEB:
            raise DesignError(
                f"it leaves only {web:.3g} of wood at the edge of {owner}; keep at least {MIN_WEB:g}",
                key=f"{key}.{name}",
            )
    for i, (name, poly) in enumerate(shapes):
        for other, second in shapes[i + 1 :]:
            gap = poly.distance(second)
            if gap < MIN_WEB:
                what = "overlap" if gap == 0 else f"leave only {gap:.3g} of wood between them"
                raise DesignError(
                    f"{name!r} and {other!r} {what} in {owner}; move them apart to {MIN_WEB:g} or more",
                    key=f"{key}.{name}",
                )


def _lean(a: PartLayout, b: PartLayout) -> float:
    """Angle between the planes of two parts, degrees."""
    return math.degrees(math.acos(min(1.0, abs(float(a.frame.e3 @ b.frame.e3)))))


def _check_collisions(cabinet: Cabinet, parts: Mapping[str, PartLayout]) -> None:
    """Refuse two braces lying in each other, unless they cross, and a brace that runs out to a feather edge."""
    names = [b.name for b in cabinet.braces]
    for a in names:
        for b in (e.part for e in parts[a].edges):
            if (lean := _lean(parts[a], parts[b])) < LEAST_LEAN:
                raise DesignError(
                    f"{a!r} meets {b!r} at only {lean:.3g} degrees; move it away, or tilt it more or not at all",
                    key=f"braces.{a}.at",
                )
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            fa, fb = parts[a].frame, parts[b].frame
            lean = _lean(parts[a], parts[b])
            if lean < 1e-6:
                gap = abs(float(fa.e3 @ (fb.origin - fa.origin)))
                thick = (parts[a].thickness + parts[b].thickness) / 2
                other = Polygon(fa.to_plane(fb.to_space(parts[b].corners)))
                if gap < thick - TOUCH and parts[a].outline().intersection(other).area > 1.0:
                    raise DesignError(
                        f"{a!r} and {b!r} lie in each other: their mid-planes are {gap:.4g} apart and the boards need "
                        f"{thick:.4g}; move one of them",
                        key=f"braces.{b}.at",
                    )
            elif lean < LEAST_LEAN and crossing(parts[a], parts[b]) is not None:
                raise DesignError(
                    f"{a!r} and {b!r} cross at only {lean:.3g} degrees; move one, or cut one short with `within`",
                    key=f"braces.{b}.at",
                )
