"""Joints as they are cut: one record per joint, from which both mating parts are made.

`a` is the part whose edge it is: it carries the tongue, or goes into the groove or rebate. `b` is the part it stands
on. At a corner, front and back are `b` to all others, left and right to bottom and top. Places along a joint are
distances from the start of its clear line, which ends at the inner faces of the parts beyond. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
import shapely

from bracewright.design.cabinet import AXES, PANEL_NORMAL, PANELS, Cabinet, JointSpec
from bracewright.design.joinery import LEAST_WALL
from bracewright.design.layout import PartLayout, crossing, inner_face, layouts, panel_mid, sides
from bracewright.design.panels import covering, outward
from bracewright.errors import DesignError
from bracewright.make.joint import MOST_TONGUE, STOP, Joint, Span, Vec, crossed
from bracewright.make.laps import lapped

FORMS = {"corner": ("butt", "mitre", "rebate", "tongue"), "tee": ("butt", "housed", "tongue"), "cross": ("lap",)}
COMMON_CUTTERS = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
LEAST_LENGTH = 20.0  # mm; a shorter groove is not worth its setting up


def as_measured(cabinet: Cabinet) -> Cabinet:
    """Return the cabinet of the boards as they were measured, outer sizes kept.

    Raises
    ------
    DesignError
        It cannot be built of them.
    """
    joinery = cabinet.joinery
    measured = {s.board: s.thickness for s in joinery.stocks if s.thickness}
    if not measured:
        return cabinet
    boards = []
    for board in cabinet.boards:
        factor = measured.get(board.name, board.thickness) / board.thickness
        layers = tuple(replace(k, thickness=k.thickness * factor) for k in board.layers)
        boards.append(replace(board, layers=layers) if factor != 1.0 else board)
    stocks = tuple(replace(s, thickness=0.0) for s in joinery.stocks)
    return replace(cabinet, boards=tuple(boards), joinery=replace(joinery, stocks=stocks))


@lru_cache(maxsize=32)
def joints(cabinet: Cabinet) -> tuple[Joint, ...]:
    """Return every joint of a cabinet: corners, then braces on faces, then braces crossing.

    Raises
    ------
    DesignError
        A joint cannot be cut as the design asks; the message says why and what to do.
    """
    cabinet = as_measured(cabinet)
    found = [*_corners(cabinet), *_tees(cabinet), *_laps(cabinet)]
    form = {frozenset((j.a, j.b)): j.form for j in found}
    fitted = tuple(_fitted(cabinet, j, form) for j in found)
    _check_corners(cabinet, fitted)
    return fitted


# --- which joints there are -----------------------------------------------------------------------------------------


def _spec(cabinet: Cabinet, a: str, b: str, kind: str) -> tuple[JointSpec, str, str]:
    """Return the design's joint between two parts, the form it is cut in, and a note where the two differ."""
    key = _key(cabinet, a, b)
    spec = cabinet.joint_between(a, b)
    if spec.form in FORMS[kind]:
        return spec, spec.form, ""
    what = "two panels meet in a " + ", ".join(FORMS["corner"]) if kind == "corner" else ""
    what = what or "a brace stands on a face in a " + ", ".join(FORMS["tee"])
    if key != "joints.default":
        raise DesignError(f"got {spec.form!r}, but {what}; choose one of these", key=f"{key}.form")
    return spec, "butt", f"butt, because {what}, and the default is {spec.form!r}"


def _key(cabinet: Cabinet, a: str, b: str) -> str:
    for key, _ in cabinet.joint_overrides:
        if key in (f"{a}-{b}", f"{b}-{a}"):
            return f"joints.edges.{key}"
    return "joints.braces" if cabinet.brace_joint and not (a in PANELS and b in PANELS) else "joints.default"


def _corners(cabinet: Cabinet) -> Iterator[Joint]:
    for i, first in enumerate(PANELS):
        for second in PANELS[i + 1 :]:
            if PANEL_NORMAL[first] == PANEL_NORMAL[second]:
                continue
            a, b = covering(first, second)
            along = next(x for x in AXES if x not in (PANEL_NORMAL[a], PANEL_NORMAL[b]))
            start = np.zeros(3)
            start[AXES.index(PANEL_NORMAL[a])] = panel_mid(cabinet, a)
            start[AXES.index(PANEL_NORMAL[b])] = inner_face(cabinet, b)
            end = start.copy()
            start[AXES.index(along)], end[AXES.index(along)] = (inner_face(cabinet, s) for s in sides(along))
            _, form, note = _spec(cabinet, a, b, "corner")
            yield Joint(a=a, b=b, kind="corner", form=form, start=start, end=end, into=outward(b), note=note)


def _tees(cabinet: Cabinet) -> Iterator[Joint]:
    parts = layouts(cabinet, "inner")
    for brace in cabinet.braces:
        lay = parts[brace.name]
        for e in lay.edges:
            start, end = lay.frame.to_space(np.array([e.start, e.end]))
            face = parts[e.part].frame
            into = face.e3 * np.sign(face.e3 @ (face.origin - start))
            _, form, note = _spec(cabinet, brace.name, e.part, "tee")
            if form != "butt" and abs(lay.frame.e3 @ into) > 1e-9:
                key = _key(cabinet, brace.name, e.part)
                if key.startswith("joints.edges"):
                    raise DesignError(
                        f"{brace.name!r} stands askew on {e.part!r}, and a groove is cut square; make it a butt",
                        key=f"{key}.form",
                    )
                form, note = "butt", f"butt, because {brace.name} stands askew on {e.part}"
            yield Joint(a=brace.name, b=e.part, kind="tee", form=form, start=start, end=end, into=into, note=note)


def _laps(cabinet: Cabinet) -> Iterator[Joint]:
    parts = layouts(cabinet, "inner")
    names = [b.name for b in cabinet.braces]
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            line = crossing(parts[a], parts[b])
            if line is not None:
                start, end = line
                yield Joint(a=a, b=b, kind="cross", form="lap", start=start, end=end, into=start - end)


def _check_corners(cabinet: Cabinet, found: tuple[Joint, ...]) -> None:
    """Refuse a mitre or rebate whose end would leave a hole at a corner of the cabinet."""
    corner = {frozenset((j.a, j.b)): j for j in found if j.kind == "corner"}

    def end(panel: str, other: str) -> str:
        """How a panel ends at another: past it or at it, and by what joint."""
        j = corner[frozenset((panel, other))]
        if j.form == "mitre":
            return "mitre"
        return ("takes in " if j.form == "rebate" else "covers ") + ("it" if panel == j.b else "self")

    for j in corner.values():
        if j.form not in ("mitre", "rebate"):
            continue
        for beyond in j.beyond:
            a, b = end(j.a, beyond), end(j.b, beyond)
            if j.form == "rebate" and b == "takes in it":
                other = corner[frozenset((j.b, beyond))]
                if abs(other.depth - j.depth) > 1e-9:
                    raise DesignError(
                        f"the rebates of {j.b!r} for {j.a!r} and {beyond!r} meet and are {j.depth:g} and "
                        f"{other.depth:g} deep; give them one depth",
                        key=f"{_key(cabinet, j.a, j.b)}.depth",
                    )
            elif a != b or (j.form == "rebate" and b == "mitre"):
                raise DesignError(
                    f"the {j.form} of {j.a!r} and {j.b!r} ends at {beyond!r} in an open corner; give {j.a}-{beyond} "
                    f"and {j.b}-{beyond} the form {j.form!r} too, or this joint another",
                    key=f"{_key(cabinet, j.a, j.b)}.form",
                )


# --- their sizes ----------------------------------------------------------------------------------------------------


def _fitted(cabinet: Cabinet, j: Joint, form: dict[frozenset[str], str]) -> Joint:
    """Give a joint its sizes and say where along the line it has wood."""
    j = replace(j, widths=(cabinet.part_board(j.a).thickness, cabinet.part_board(j.b).thickness))
    if j.form in ("butt", "mitre"):
        return j
    if j.form == "lap":
        return lapped(cabinet, j)
    spec, key = cabinet.joint_between(j.a, j.b), _key(cabinet, j.a, j.b)
    (ta, tb) = j.widths
    joinery = cabinet.joinery
    # Rebates of one board run into each other: their depth depends on that board alone.
    depth = spec.depth or round((tb if j.form == "rebate" else min(ta, tb)) / 3, 1)
    j = replace(j, depth=depth, clearance=joinery.clearance, tongue=ta)
    if j.form == "rebate":
        _check_floor(tb, depth, j, key)
        return j
    if j.form == "tongue":
        j = replace(j, tongue=spec.tongue or round(ta / 3, 1))
        _check_tongue(j, ta, key)
    j = replace(j, gap=joinery.glue_gap)
    _check_floor(tb, depth + j.gap, j, key)
    j = replace(j, rounding=groove_cutter(cabinet, j.tongue + 2 * j.clearance, key) / 2)
    grooves = _grooves(cabinet, j, form)
    if not grooves:
        if key.startswith("joints.edges"):
            raise DesignError(
                f"openings and pockets of {j.b!r} leave no wood for a groove of {LEAST_LENGTH:g}; move them, or make "
                "this joint a butt",
                key=f"{key}.form",
            )
        return replace(
            j, form="butt", depth=0.0, gap=0.0, tongue=0.0, note=f"butt, because {j.b} has no wood for a groove"
        )
    # A tongue is set back from a rounded end, and by the radius the outline's cutter leaves at its own foot.
    back = j.rounding + joinery.cutter / 2
    tongues = tuple(
        (max(0.0, lo + back) if lo > 0 else 0.0, hi - back if hi < j.length else j.length) for lo, hi in grooves
    )
    return replace(j, grooves=grooves, tongues=tongues)


def groove_cutter(cabinet: Cabinet, width: float, key: str) -> float:
    """Return the diameter of the cutter for a groove of this width."""
    own = cabinet.joinery.groove_cutter
    fits = [c for c in COMMON_CUTTERS if c <= min(width, cabinet.joinery.cutter)]
    if own > width or not (own or fits):
        raise DesignError(
            f"a groove {width:.4g} wide is narrower than the cutter of {own or COMMON_CUTTERS[0]:g}; use a smaller "
            "joinery.groove_cutter or a thicker tongue",
            key=key,
        )
    return own or max(fits)


def _check_tongue(j: Joint, ta: float, key: str) -> None:
    if j.tongue > MOST_TONGUE * ta:
        raise DesignError(
            f"a tongue of {j.tongue:g} on {j.a!r}, a board {ta:g} thick, leaves shoulders of {(ta - j.tongue) / 2:.3g}"
            f"; make it at most {MOST_TONGUE * ta:.3g}",
            key=f"{key}.tongue",
        )
    wall = (ta - j.tongue) / 2 - j.clearance
    if j.kind == "corner" and wall < LEAST_WALL:
        raise DesignError(
            f"the groove for {j.a!r} leaves {wall:.3g} of {j.b!r} outside it; make the tongue at most "
            f"{ta - 2 * (LEAST_WALL + j.clearance):.3g}",
            key=f"{key}.tongue",
        )


def _check_floor(tb: float, depth: float, j: Joint, key: str) -> None:
    if tb - depth < LEAST_WALL:
        raise DesignError(
            f"a {'rebate' if j.form == 'rebate' else 'groove'} {depth:.3g} deep (glue gap included) leaves "
            f"{tb - depth:.3g} of {j.b!r}, a board {tb:.4g} thick; leave {LEAST_WALL:g} or more",
            key=f"{key}.depth",
        )


def _grooves(cabinet: Cabinet, j: Joint, form: dict[frozenset[str], str]) -> tuple[Span, ...]:
    """Return where along the line there is wood for a groove: between stops, openings and pockets."""
    lay = layouts(cabinet, "inner")[j.b]
    lo, hi = ((0.0 if _runs_out(cabinet, lay, p, form) else STOP) for p in (j.start, j.end))
    free = shapely.LineString([(lo, 0.0), (j.length - hi, 0.0)])
    for taken in crossed(lay, j, j.tongue / 2 + j.clearance, LEAST_WALL, _key(cabinet, j.a, j.b)):
        free = free.difference(shapely.LineString([(taken[0], 0.0), (taken[1], 0.0)]))
    spans = [(g.coords[0][0], g.coords[-1][0]) for g in getattr(free, "geoms", [free]) if not g.is_empty]
    return tuple((min(s), max(s)) for s in spans if abs(s[1] - s[0]) >= LEAST_LENGTH + 2 * j.rounding)


def _runs_out(cabinet: Cabinet, lay: PartLayout, point: Vec, form: dict[frozenset[str], str]) -> bool:
    """Whether a groove of `lay` runs out of its edge at a point: the board ends there in a butt joint."""
    if cabinet.joinery.stopped:
        return False
    at = shapely.Point(lay.frame.to_plane(point[None])[0])
    for e in lay.edges:
        if shapely.LineString([e.start, e.end]).distance(at) < 1e-6:
            here = lay.name not in PANELS or covering(lay.name, e.part)[0] == lay.name
            return here and form[frozenset((lay.name, e.part))] == "butt"
    return False
