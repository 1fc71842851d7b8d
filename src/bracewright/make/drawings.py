"""From a cabinet to the drawings of its parts: how far each board reaches, its edges, its cut-outs and its joints."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bracewright import geometry
from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet, in_plane
from bracewright.design.joinery import LEAST_WALL
from bracewright.design.layout import Frame, PartLayout, frame_of, inner_face, layouts, panel_mid, part_layout, sides
from bracewright.design.panels import butt_bounds
from bracewright.errors import DesignError
from bracewright.geometry import Path, Point
from bracewright.make import mating
from bracewright.make.joinery import as_measured, joints
from bracewright.make.joint import Joint
from bracewright.make.mating import Tongue
from bracewright.make.parts import (
    NOT_CUT,
    Array,
    Bevel,
    Operation,
    PartDrawing,
    layer_name,
    moved_edges,
    plain,
    points,
)

NEAR = {"x": "right", "y": "front", "z": "top"}
SQUARE_DEG = 1e-6  # a smaller bevel is a square edge


def drawings(cabinet: Cabinet) -> tuple[PartDrawing, ...]:
    """Draw every panel and brace, with its joints, of the boards as measured.

    Raises
    ------
    DesignError
        A name, a cut or a joint that cannot be drawn.
    """
    found = joints(cabinet)
    cabinet = as_measured(cabinet)
    parts = {p: _panel(cabinet, found, p) for p in PANELS}
    parts |= {b.name: _brace(cabinet, found, b.name) for b in cabinet.braces}
    for j in found:
        line = np.stack([j.start, j.end])
        if j.form == "lap":
            for here, other in ((j.a, j.b), (j.b, j.a)):
                parts[here] = _noted(cabinet, parts[here], line, f"lapped: {_thick(parts[other])} crosses on the line")
        elif j.kind == "tee":
            how = "goes into the groove" if j.grooves else "stands"
            parts[j.b] = _noted(cabinet, parts[j.b], line, f"{_thick(parts[j.a])} {how} on the line")
    return tuple(parts.values())


def _reaches(cabinet: Cabinet, found: tuple[Joint, ...], side: str) -> list[tuple[float, str]]:
    """Return how far a panel reaches at its four sides (low, low, high, high; first axis first), and to what form.

    As in `butt_bounds`, but a rebate takes the board in that ends there, and a mitre shares the corner.
    """
    corner = {frozenset((j.a, j.b)): j for j in found if j.kind == "corner"}
    a0, a1, b0, b1 = butt_bounds(cabinet, side)
    out = []
    for high, ends in enumerate(((a0, b0), (a1, b1))):
        for axis, reach in zip(in_plane(PANEL_NORMAL[side]), ends, strict=True):
            j = corner[frozenset((side, sides(axis)[high]))]
            if j.form == "mitre":
                reach = cabinet.size(axis) if high else 0.0
            elif j.form == "rebate" and j.a == side:
                reach += j.depth if high else -j.depth
            out.append((reach, j.form))
    return out


def _panel(cabinet: Cabinet, found: tuple[Joint, ...], side: str) -> PartDrawing:
    axes = in_plane(PANEL_NORMAL[side])
    near = NEAR[PANEL_NORMAL[side]]
    # A mitre is drawn by its middle line; its outer face is the longer one.
    ends, angles = [], []
    thickness = cabinet.part_board(side).thickness
    for k, (reach, form) in enumerate(_reaches(cabinet, found, side)):
        other = sides(axes[k % 2])[k // 2]
        lean = math.degrees(math.atan2(cabinet.part_board(other).thickness, thickness))
        ends.append(panel_mid(cabinet, other) if form == "mitre" else reach)
        angles.append((lean if side != near else -lean) if form == "mitre" else 0.0)
    (x0, y0, x1, y1), lay = ends, part_layout(cabinet, side)
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    turned = np.array([angles[1], angles[2], angles[3], angles[0]])  # bottom, right, top, left
    part = _part(cabinet, found, lay, corners, turned)
    face = "outer" if side == near else "inner"
    return replace(part, notes=(f"the near face is the {face} face", *part.notes))


def _brace(cabinet: Cabinet, found: tuple[Joint, ...], name: str) -> PartDrawing:
    lay = layouts(cabinet, "inner")[name]
    angles = np.array([_bevel_deg(cabinet, lay, k) for k in range(len(lay.edges))])
    angles[np.abs(angles) < SQUARE_DEG] = 0.0
    part = _part(cabinet, found, lay, lay.corners, angles)
    if not angles.any():
        return part
    return replace(part, notes=(*part.notes, *_fouls(cabinet, lay, np.tan(np.radians(angles)))))


def _part(cabinet: Cabinet, found: tuple[Joint, ...], lay: PartLayout, corners: Array, angles: Array) -> PartDrawing:
    """Draw a part from its corners (n, 2) half-way through the board, in-plane cabinet coordinates.

    Edge k, from corner k, meets the part that edge k of the layout names, at `angles` degrees off square.
    """
    name, panel = lay.name, lay.name in PANELS
    normal = PANEL_NORMAL[name] if panel else cabinet.brace(name).normal
    meets = [e.part for e in lay.edges]
    stands = mating.tongues(cabinet, found, name)
    middle, first = _with_tongues(corners, meets, stands)
    lean = np.abs(np.tan(np.radians(angles))) * lay.thickness / 2
    blank = _with_tongues(moved_edges(corners, lean), meets, stands)[0] if angles.any() else middle
    u, v = (round(float(c), 9) for c in blank.min(axis=0))
    outline = _outline(blank, (u, v))

    def operation(kind: str, path: Path, depth: float, side: str, label: str = "") -> Operation:
        return Operation(
            kind=kind,
            path=path.translated(-u, -v) if kind != "outline" else path,
            depth=depth,
            side=side,
            layer=layer_name(kind, depth, side),
            name=label,
        )

    through = (lay.thickness, "through")
    jointed = mating.cuts(cabinet, found, name)
    x0, y0, x1, y1 = outline.bounds
    try:
        part = PartDrawing(
            name=name,
            board=cabinet.part_board(name).name,
            thickness=lay.thickness,
            size=(x1 - x0, y1 - y0),
            operations=(
                operation("outline", outline, *through),
                *(operation("opening" if panel else "pocket", path, *through, label) for label, path in lay.cuts),
                *(operation(c.kind, c.path, c.depth, c.side, c.other) for c in jointed),
            ),
            axes=in_plane(normal),
            datum=(u, v),
            near=NEAR[normal],
            grain_deg=cabinet.panel(name).grain_deg if panel else cabinet.brace(name).grain_deg,
        )
        _check_whole(part)
    except DesignError as e:
        raise e.within(f"{'cabinet.panels' if panel else 'braces'}.{name}") from None
    for c in jointed:
        if c.key and (wood := geometry.web(outline, c.path.translated(-u, -v))) < LEAST_WALL:
            raise DesignError(
                f"it lies {max(0.0, wood):.3g} from the edge of {name!r}; leave {LEAST_WALL:g} or more: make it "
                "smaller or move it",
                key=c.key,
            )
    return _bevelled(part, middle, [first[k] for k in range(len(corners))], angles, meets) if angles.any() else part


def _with_tongues(corners: Array, meets: list[str], stands: list[Tongue]) -> tuple[Array, list[int]]:
    """Add tongues to the edges of a polygon (n, 2): also return where each of its corners went."""
    out: list[Array] = []
    first = []
    for k, start in enumerate(corners):
        end = corners[(k + 1) % len(corners)]
        along = (end - start) / np.linalg.norm(end - start)
        outward = np.array([along[1], -along[0]])
        first.append(len(out))
        out.append(start)
        here = []
        for t in stands:
            if t.b == meets[k]:
                here.append((sorted(float((np.array(p) - start) @ along) for p in (t.start, t.end)), t.depth))
        for (lo, hi), depth in sorted(here):
            foot, tip = start + lo * along, start + hi * along
            out += [foot, foot + depth * outward, tip + depth * outward, tip]
    return _distinct(np.array(out), first)


def _distinct(corners: Array, first: list[int]) -> tuple[Array, list[int]]:
    """Drop corners that repeat the one before: a tongue may begin at a corner."""
    step = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1) > 1e-9
    place = np.cumsum(step) - 1
    return corners[step], [int(place[k]) % int(step.sum()) for k in first]


def _bevelled(part: PartDrawing, middle: Array, first: list[int], angles: Array, meets: list[str]) -> PartDrawing:
    """Add the middle line and the bevels of a part whose edges are not square."""
    path = _outline(middle, part.datum)
    v = path.vertices
    bevels = tuple(
        Bevel(start=v[f][:2], end=v[(f + 1) % len(v)][:2], angle_deg=float(a), meets=meets[k])
        for k, (f, a) in enumerate(zip(first, angles, strict=True))
        if a
    )
    notes = [f"the outline is the blank; half-way through the board the edges lie on the line of layer {NOT_CUT}"]
    for b in bevels:
        face = "far" if b.angle_deg > 0 else "near"
        line = f"({_xy(b.start)}) to ({_xy(b.end)}), which meets {b.meets}"
        notes.append(f"bevel of {plain(abs(b.angle_deg))} degrees on the edge {line}: the {face} face is the longer")
    middle_line = Operation(kind="reference", path=path, depth=0.0, side="near", layer=NOT_CUT)
    return replace(part, operations=(*part.operations, middle_line), bevels=bevels, notes=(*part.notes, *notes))


def _check_whole(part: PartDrawing) -> None:
    """Refuse a part that a slot cuts in two."""
    slots = [o.name for o in part.operations if o.kind == "slot"]
    if slots:
        pieces = part.outline.polygon(geometry.FINE).difference(part.cut_at(0.0, ("opening", "pocket", "slot")))
        large = [g for g in getattr(pieces, "geoms", [pieces]) if g.area > 1.0]
        if len(large) > 1:
            raise DesignError(
                f"the slots for {', '.join(slots)} cut it into {len(large)} pieces; move a pocket, or end one of the "
                "crossing braces at the other with `within`",
                key="pockets",
            )


def _outline(corners: Array, datum: Point) -> Path:
    """Return straight edges in part coordinates; sizes such as 220 - 21.8 lose their rounding noise."""
    return geometry.polygon(points(np.round(corners - datum, 9) + 0.0))


def _bevel_deg(cabinet: Cabinet, lay: PartLayout, k: int) -> float:
    """Angle off square of edge `k`, so that it lies flat on the face it meets; > 0 where the far face is longer."""
    edge, frame = lay.edges[k], lay.frame
    face = frame_of(cabinet, edge.part)
    centre = frame.to_space(lay.corners.mean(axis=0))[0]
    towards = -face.e3 * np.sign(face.e3 @ (centre - face.origin))
    along = np.subtract(edge.end, edge.start) / math.dist(edge.start, edge.end)
    outward = along[1] * frame.e1 - along[0] * frame.e2
    return math.degrees(math.atan2(towards @ frame.e3, towards @ outward))


def _fouls(cabinet: Cabinet, lay: PartLayout, tangent: Array) -> list[str]:
    """Note where a face of a tilted brace reaches into a panel that its middle clears."""
    half = lay.thickness / 2
    faces = [moved_edges(lay.corners, -h * tangent) for h in (half, -half)]
    points = np.concatenate(
        [lay.frame.to_space(f) + h * lay.frame.e3 for f, h in zip(faces, (half, -half), strict=True)]
    )
    notes = []
    for side in PANELS:
        sign = 1.0 if side in LOWER_PANELS else -1.0
        depth = float(np.max(sign * (inner_face(cabinet, side) - points[:, AXES.index(PANEL_NORMAL[side])])))
        if depth > 1e-3:
            notes.append(f"a corner of the board reaches {plain(depth)} into {side}: plane it off, or move the brace")
    return notes


def _noted(cabinet: Cabinet, part: PartDrawing, line: Array, what: str) -> PartDrawing:
    """Add a note on a line in space (2, 3)."""
    frame: Frame = frame_of(cabinet, part.name)
    start, end = points(frame.to_plane(line) - part.datum)
    return replace(part, notes=(*part.notes, f"{what} ({_xy(start)}) to ({_xy(end)})"))


def _thick(part: PartDrawing) -> str:
    return f"{part.name} ({plain(part.thickness)} thick)"


def _xy(point: Point) -> str:
    return f"{plain(point[0])}, {plain(point[1])}"
