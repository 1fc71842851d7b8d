"""What a joint adds to its parts and takes out of them: both mates of one joint, in in-plane cabinet coordinates."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright import geometry
from bracewright.design.cabinet import PANEL_NORMAL, PANELS, Cabinet, in_plane
from bracewright.design.joinery import LEAST_WALL
from bracewright.design.layout import Frame, frame_of
from bracewright.design.panels import outward
from bracewright.errors import DesignError
from bracewright.geometry import FINE, Path, Point
from bracewright.make.joint import Joint
from bracewright.make.parts import points

Vec = NDArray[np.float64]
LEAST_BETWEEN = 2.0  # mm of wood between two grooves: common practice, no source


class Tongue(NamedTuple):
    """A tongue or housed edge on the edge that meets `b`: its foot from `start` to `end`, and how far it stands out."""

    b: str
    start: Point
    end: Point
    depth: float


class Cut(NamedTuple):
    """A groove, rebate or slot in a part; `other` is the part, or the opening, it is for."""

    kind: str
    path: Path
    depth: float
    side: str
    other: str
    key: str = ""


def tongues(cabinet: Cabinet, joints: tuple[Joint, ...], part: str) -> list[Tongue]:
    """Return what stands out of the edges of a part."""
    frame = frame_of(cabinet, part)
    out = []
    for j in joints:
        if j.a == part and j.form in ("tongue", "housed"):
            for lo, hi in j.tongues:
                p, q = frame.to_plane(np.stack([j.at(lo), j.at(hi)]))
                out.append(Tongue(j.b, (float(p[0]), float(p[1])), (float(q[0]), float(q[1])), j.depth))
    return out


def cuts(cabinet: Cabinet, joints: tuple[Joint, ...], part: str) -> list[Cut]:
    """Return what joints, and the frames of drivers, take out of a part.

    Raises
    ------
    DesignError
        Two of them meet, or leave too little wood between them.
    """
    frame = frame_of(cabinet, part)
    out: list[Cut] = []
    for j in joints:
        if j.form == "lap" and part in (j.a, j.b):
            out.append(_slot(cabinet, joints, j, part))
        elif j.form == "rebate" and j.b == part:
            out.append(_rebate(cabinet, j, frame))
        elif j.form in ("tongue", "housed") and j.b == part:
            out += _grooves(cabinet, j, frame)
        elif j.form == "tongue" and j.a == part:
            out += _shoulders(cabinet, j, frame)
    _check_apart(cabinet, joints, part, out)
    seats = _seats(cabinet, part)
    for seat in seats:
        for other in (*out, *seats[seats.index(seat) + 1 :]):
            _check_pair(cabinet, part, seat, other)
    return seats + out


def _seats(cabinet: Cabinet, part: str) -> list[Cut]:
    """Return the rebates for drivers' frames, cut from a panel's outer face."""
    openings = [o for o in cabinet.openings if o.panel == part]
    side = "far" if part in PANELS and frame_of(cabinet, part).e3 @ outward(part) < 0 else "near"
    out = []
    for o in openings:
        if o.rebate:
            key = f"openings.{o.name}.rebate"
            path = o.rebate.outline(o.shape.outline())
            for p in openings:
                if p is not o and geometry.clearance(path, p.shape.outline()) < LEAST_BETWEEN:
                    raise DesignError(
                        f"it comes within {LEAST_BETWEEN:g} of the opening {p.name!r}; make it smaller or move one",
                        key=key,
                    )
            out.append(Cut("rebate", path, o.rebate.depth, side, o.name, key))
    return out


def _face(frame: Frame, j: Joint) -> str:
    """Return the face of `b` that `a` stands on."""
    return "near" if frame.e3 @ j.into < 0 else "far"


def _grooves(cabinet: Cabinet, j: Joint, frame: Frame) -> Iterator[Cut]:
    half, over = j.tongue / 2 + j.clearance, j.rounding
    for lo, hi in j.grooves:
        # A groove that runs out is drawn past the edge, so that its round end lies in the air.
        lo, hi = (lo - 2 * over if lo == 0 else lo), (hi + 2 * over if hi == j.length else hi)
        path = _bar(frame, j.at(lo), j.at(hi), half, min(j.rounding, half))
        yield Cut("groove", path, j.depth + j.gap, _face(frame, j), j.a)


def _shoulders(cabinet: Cabinet, j: Joint, frame: Frame) -> Iterator[Cut]:
    """Yield the two rebates that leave the tongue; they run over its free edges by the cutter's diameter."""
    over = cabinet.joinery.cutter
    for lo, hi in j.tongues:
        foot, tip = j.at(lo - over), j.at(hi + over)
        corners = np.stack([foot, tip, tip + (j.depth + over) * j.into, foot + (j.depth + over) * j.into])
        path = _polygon(frame.to_plane(corners))
        for side in ("near", "far"):
            yield Cut("rebate", path, (_thickness(cabinet, j.a) - j.tongue) / 2, side, j.b)


def _rebate(cabinet: Cabinet, j: Joint, frame: Frame) -> Cut:
    """Return the rebate along the whole edge of `b`; it runs over the edges by the cutter's diameter."""
    over, width = cabinet.joinery.cutter, _thickness(cabinet, j.a) + j.clearance
    # From the middle of `a` to its inner face, and out past the edge.
    inwards = -outward(j.a)
    shoulder = (_thickness(cabinet, j.a) / 2 + j.clearance) * inwards
    beyond = [cabinet.part_board(s).thickness + over for s in j.beyond]
    foot, tip = j.at(-beyond[0]) + shoulder, j.at(j.length + beyond[1]) + shoulder
    corners = np.stack([foot, tip, tip - (width + over) * inwards, foot - (width + over) * inwards])
    return Cut("rebate", _polygon(frame.to_plane(corners)), j.depth, _face(frame, j), j.a)


def _slot(cabinet: Cabinet, joints: tuple[Joint, ...], j: Joint, part: str) -> Cut:
    """Return the slot of a lap; it runs out past the edge, and past a tongue or housing there."""
    k = (j.a, j.b).index(part)
    lo, hi = j.grooves[k]
    stands = max((i.depth for i in joints if i.a == part and i.form in ("tongue", "housed")), default=0.0)
    over = stands + 2 * cabinet.joinery.cutter
    lo, hi = (lo - over if lo == 0 else lo), (hi + over if hi == j.length else hi)
    half = j.slots[k] / 2
    path = _bar(frame_of(cabinet, part), j.at(lo), j.at(hi), half, min(j.rounding, half))
    return Cut("slot", path, _thickness(cabinet, part), "through", (j.b, j.a)[k])


def _bar(frame: Frame, start: Vec, end: Vec, half: float, radius: float) -> Path:
    """Return a straight bar about a line in space, its corners rounded."""
    p, q = frame.to_plane(np.stack([start, end]))
    t = (q - p) / np.linalg.norm(q - p)
    n = half * np.array([-t[1], t[0]])
    corners = np.round(np.stack([p - n, q - n, q + n, p + n]), 9) + 0.0
    return geometry.polygon(points(corners), radius).oriented()


def _polygon(corners: Vec) -> Path:
    corners = np.round(corners, 9) + 0.0
    return geometry.polygon(points(corners)).oriented()


def _thickness(cabinet: Cabinet, part: str) -> float:
    return cabinet.part_board(part).thickness


def _check_apart(cabinet: Cabinet, joints: tuple[Joint, ...], part: str, found: list[Cut]) -> None:
    """Refuse cuts that meet: on one face side by side, from both faces through the thickness."""
    lapped = {frozenset((j.a, j.b)) for j in joints if j.form == "lap"}
    for c, d in combinations(found, 2):
        # Rebates of one board may run into each other and a slot into them; the grooves of a lapped pair must cross.
        shoulders = {c.kind, d.kind} <= {"rebate", "slot"} and "rebate" in (c.kind, d.kind)
        if shoulders or c.other == d.other or frozenset((c.other, d.other)) in lapped:
            continue
        _check_pair(cabinet, part, c, d)


def _check_pair(cabinet: Cabinet, part: str, c: Cut, d: Cut) -> None:
    p, q = (k.path.polygon(FINE) for k in (c, d))
    key = c.key or f"joints.edges.{part}-{c.other}"
    both = f"the {c.kind} for {c.other!r} and the {d.kind} for {d.other!r}"
    if "through" not in (c.side, d.side) and c.side != d.side:
        left = _thickness(cabinet, part) - c.depth - d.depth
        if left < LEAST_WALL and p.intersection(q).area > FINE:
            raise DesignError(
                f"{both}, cut from both faces of {part!r}, leave {left:.3g} of wood between them; leave "
                f"{LEAST_WALL:g}: make them shallower or move one",
                key=key,
            )
        return
    inside = _clear(cabinet, part)
    gap = p.intersection(inside).distance(q.intersection(inside))
    if gap < LEAST_BETWEEN:
        raise DesignError(
            f"{both} in {part!r} {'meet' if gap <= 0 else f'leave {gap:.3g} of wood between them'}; leave "
            f"{LEAST_BETWEEN:g} or more: "
            + ("make one smaller or move it" if c.key else "move one of the parts, or make one joint a butt"),
            key=key,
        )


def _clear(cabinet: Cabinet, part: str) -> shapely.Geometry:
    """Return where the cuts of a part matter: within the cabinet's outside, or for a brace everywhere."""
    if part not in PANELS:
        return shapely.box(-1e4, -1e4, 1e4, 1e4)
    return shapely.box(0.0, 0.0, *(cabinet.size(a) for a in in_plane(PANEL_NORMAL[part])))
