"""What cannot be built: parts that do not fit together, refused by name before anything is meshed."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon

from bracewright.design.cabinet import AXES, PANELS, Cabinet, JointSpec
from bracewright.design.checks import MM_HINT
from bracewright.design.layout import (
    TOUCH,
    Meeting,
    PartLayout,
    Vec,
    covered,
    crossing,
    inner_face,
    layouts,
    meetings,
    rear_point,
    region,
    sides,
    tees,
)
from bracewright.errors import DesignError

LEAST_LEAN = 19.9  # degrees between two parts that meet: 20, give or take rounding
LEAST_REST = 1.0  # mm of an edge; joined along less than this, a brace is held by nothing
MIN_WEB = 0.5  # mm; thinner wood than this between two cuts cannot be meshed or made


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
        _check_width(parts[brace.name])
        _check_cuts(parts[brace.name], f"brace {brace.name!r}", f"braces.{brace.name}.pockets")
    _check_collisions(cabinet, parts)
    _check_held(cabinet, parts)
    _check_joints(cabinet)
    _check_supports(cabinet)
    _check_wood(cabinet, parts)


def _check_joints(cabinet: Cabinet) -> None:
    """Refuse a joint of its own between parts that do not touch, and a tongue its board cannot carry."""
    meeting = sorted({(m.a, m.b) for m in meetings(cabinet)}) if cabinet.joint_overrides else []
    given: dict[tuple[str, str], str] = {}
    for key, spec in cabinet.joint_overrides:
        pairs = [(a, b) for a, b in meeting if key in (f"{a}-{b}", f"{b}-{a}")]
        if not pairs:
            raise DesignError(
                "these two parts do not touch; remove the joint or move a part", key=f"joints.edges.{key}"
            )
        if len(pairs) > 1:  # names may have hyphens of their own
            both = " and ".join(f"of {a!r} with {b!r}" for a, b in pairs)
            raise DesignError(f"it can be the joint {both}; rename a brace", key=f"joints.edges.{key}")
        if (other := given.setdefault(pairs[0], key)) != key:
            raise DesignError(f"the same joint is given as {other!r}; keep one of them", key=f"joints.edges.{key}")
        _check_tongue(spec, [cabinet.part_board(p).thickness for p in pairs[0]], f"joints.edges.{key}")
    boards = [cabinet.part_board(p).thickness for p in cabinet.parts]
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


def _check_width(brace: PartLayout) -> None:
    """Refuse a brace that is a sliver between its neighbours."""
    corners = brace.corners
    side = np.roll(corners, -1, axis=0) - corners
    normal = np.stack([-side[:, 1], side[:, 0]], axis=1) / np.linalg.norm(side, axis=1)[:, None]
    # A convex outline is narrowest square to one of its sides.
    across = (corners[None] - corners[:, None]) @ normal[:, :, None]
    width = float(across.max(axis=1).min())
    if width < MIN_WEB:
        raise DesignError(
            f"it would be {width:.3g} wide between the parts it stops at; move one of them to leave {MIN_WEB:g}",
            key=f"braces.{brace.name}.at",
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


def _check_held(cabinet: Cabinet, parts: Mapping[str, PartLayout]) -> None:
    """Refuse a brace whose edges find no wood to be joined to, nor another brace that it crosses and that is held."""
    names = [b.name for b in cabinet.braces]
    loose = [n for n in names if not any(_rests(m, parts) for m in tees(parts[n]) if m.b in PANELS)]
    if not loose:
        return
    held = {*PANELS, *names}.difference(loose)
    lines = [m for m in meetings(cabinet) if m.kind != "corner"]
    while found := [m for m in lines if (m.a in held) != (m.b in held) and _rests(m, parts)]:
        held |= {name for m in found for name in (m.a, m.b)}
    if alone := [n for n in names if n not in held]:
        raise DesignError(
            "it finds no wood to be joined to on both sides of any edge; move it, or what is cut out there",
            key=f"braces.{alone[0]}.at",
        )


def _rests(m: Meeting, parts: Mapping[str, PartLayout]) -> bool:
    a, b = parts[m.a], parts[m.b]
    line, lean = np.array([m.start, m.end]), _lean(a, b)
    return _beside(b, line, a.thickness, lean) and (m.kind == "tee" or _beside(a, line, b.thickness, lean))


def _beside(part: PartLayout, line: Vec, thickness: float, lean: float) -> bool:
    """Whether a part has wood on both sides of a line (2, 3) in it, where a board of this thickness ends."""
    (x0, y0), (x1, y1) = ends = part.frame.to_plane(line)
    long = math.hypot(x1 - x0, y1 - y0)
    off = np.array([y0 - y1, x1 - x0]) / long * thickness / 2 / math.sin(math.radians(lean))
    if not part.cuts and part.outline().contains(Polygon([*(ends + off), *(ends[::-1] - off)])):
        return True
    wood = region(part)
    both = translate(wood, *off).intersection(translate(wood, *-off))
    return bool(LineString(ends).intersection(both).length > LEAST_REST)


def _check_wood(cabinet: Cabinet, parts: Mapping[str, PartLayout]) -> None:
    """Refuse a damping sheet that covers nothing, and a driver whose rear would touch air."""
    for k, sheet in enumerate(cabinet.damping):
        if covered(region(parts[sheet.part]), sheet).area <= 0:
            raise DesignError(
                f"it covers nothing of {sheet.part!r}; move it or make it larger", key=f"damping[{k}].centre"
            )
    for d in cabinet.drivers:
        if d.rear_brace:
            x, y = rear_point(cabinet, d)
            if not region(parts[d.rear_brace]).contains(Point(x, y)):
                raise DesignError(
                    f"brace {d.rear_brace!r} has no wood behind the driver at ({x:.0f}, {y:.0f}); move it or a pocket",
                    key=f"drivers.{d.opening}.rear_brace",
                )
