"""Flat parts as the saw and the router see them: exact outlines and cut-outs, each part from its own corner.

A drawing is in the part's own coordinates: the lower left corner of its outline is (0, 0), x and y run along the
two in-plane cabinet axes in alphabetical order, and in-plane cabinet coordinates are part coordinates plus `datum`.
All parts across x are seen from the right, across y from the front, across z from the top; that is the near face.
Until a design describes its joinery, panels meet in plain butt joints; `panel_extent` alone decides how.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bracewright import geometry
from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet, in_plane
from bracewright.design.layout import Frame, PartLayout, frame_of, inner_face, layouts, meetings, part_layout, sides
from bracewright.errors import DesignError
from bracewright.geometry import Path, Point

NOT_CUT = "REFERENCE_NOT_CUT"
KINDS = {
    "outline": "CUT_OUTSIDE",
    "opening": "CUT_INSIDE",
    "pocket": "CUT_INSIDE",
    "mark": "MARK",
    "reference": NOT_CUT,
}
SIDES = ("through", "near", "far")
NEAR = {"x": "right", "y": "front", "z": "top"}
LENGTHWISE = ("y", "x", "z")  # panels across y run past those across x, and these past those across z
SQUARE_DEG = 1e-6  # a smaller bevel is a square edge

_Corners = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One cut: follow `path` to `depth`.

    Parameters
    ----------
    kind : {"outline", "opening", "pocket", "mark", "reference"}
        The wood outside an outline and inside an opening or pocket goes; a mark is followed on its line; a reference
        is only looked at.
    path : Path
        Closed curve in part coordinates, mm.
    depth : float
        Below the face it is cut from, mm; the board's thickness when through, 0 for a reference.
    side : {"through", "near", "far"}
        The face it is cut from.
    layer : str
        Name of the operation and its depth, A-Z, 0-9 and _ only.
    name : str
        The opening's or pocket's name in the design.
    """

    kind: str
    path: Path
    depth: float
    side: str
    layer: str
    name: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise DesignError(f"got {self.kind!r}; known are {', '.join(KINDS)}", key="kind")
        if self.side not in SIDES:
            raise DesignError(f"got {self.side!r}; known are {', '.join(SIDES)}", key="side")
        if not 0 <= self.depth <= 300 or (self.depth == 0) != (self.kind == "reference"):
            raise DesignError(f"got {self.depth!r}; a cut is up to 300 deep, a reference 0", key="depth")
        if not re.fullmatch(r"[A-Z0-9_]{1,31}", self.layer):
            raise DesignError(f"got {self.layer!r}; a layer is 1..31 of A-Z, 0-9 and _", key="layer")
        if len(self.name) > 80 or not self.name.isprintable():
            raise DesignError(f"got {self.name!r}; a name is at most 80 printable characters", key="name")

    @property
    def removes(self) -> float:
        """Volume taken out of the blank, mm^3; what an outline cuts off is not counted."""
        return self.path.area * self.depth if self.kind in ("opening", "pocket") else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bevel:
    """A straight edge of a tilted part that is not square to its faces.

    Parameters
    ----------
    start, end : Point
        The edge half-way through the board, part coordinates, mm; the part lies to its left.
    angle_deg : float
        Off square; where positive the far face is the longer, where negative the near face.
    meets : str
        The part it stands on.
    """

    start: Point
    end: Point
    angle_deg: float
    meets: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartDrawing:
    """A flat part and everything cut into it.

    Parameters
    ----------
    name, board : str
        Names in the design.
    thickness : float
        Of the board, mm.
    size : (float, float)
        Of the blank along the part's x and y, mm.
    operations : tuple of Operation
        The outline first. Where edges are bevelled the outline is the blank, which reaches the longer face, and a
        reference shows the edges half-way through the board.
    axes : (str, str)
        Cabinet axes along the part's x and y; of a tilted brace, those its own plane keeps.
    datum : (float, float)
        In-plane cabinet coordinates of the part's (0, 0), mm.
    near : str
        The side of the cabinet that the near face looks to: right, front or top.
    grain_deg : float
        Direction 1 of the board, from the part's x towards its y.
    notes : tuple of str
        Lengths and points in them are in part coordinates, mm.
    bevels : tuple of Bevel
        The edges that are not square; empty on all but tilted braces.
    """

    name: str
    board: str
    thickness: float
    size: tuple[float, float]
    operations: tuple[Operation, ...]
    axes: tuple[str, str]
    datum: tuple[float, float]
    near: str
    grain_deg: float = 0.0
    quantity: int = 1
    notes: tuple[str, ...] = ()
    bevels: tuple[Bevel, ...] = ()

    def __post_init__(self) -> None:
        if [o.kind for o in self.operations].count("outline") != 1 or self.operations[0].kind != "outline":
            raise DesignError("a part has one outline, its first operation", key="operations")
        if not all(t and t.isprintable() for t in (self.name, self.board, *self.notes)):
            raise DesignError("the names and notes of a part are printable text", key="name")
        deep = [o for o in self.operations if o.depth > self.thickness * (1 + 1e-12)]
        if deep:
            raise DesignError(f"{deep[0].layer} is deeper than the board, {self.thickness:g}", key="operations")
        corners = [{(round(x, 6), round(y, 6)) for x, y, _ in o.path.vertices} for o in self.operations]
        seen = {(o.layer, frozenset(c)) for o, c in zip(self.operations, corners, strict=True)}
        if len(seen) < len(self.operations):
            raise DesignError("two cuts on one layer have the same corners; drop one", key="operations")
        middle = [v[:2] for o in self.operations if o.kind == "reference" for v in o.path.vertices]
        if any(b.start not in middle for b in self.bevels):
            raise DesignError("a bevel starts at a corner of the reference line", key="bevels")

    @property
    def outline(self) -> Path:
        """The blank."""
        return self.operations[0].path

    @property
    def volume(self) -> float:
        """Wood in the finished part, mm^3, bevels and cut-outs taken off; crossings are not."""
        full = self.outline.area * self.thickness
        if self.bevels:
            # Between its faces the section changes by a quadratic in the height: Simpson's rule is exact.
            near, middle, far = (self._section(h) for h in (0.5, 0.0, -0.5))
            full = self.thickness / 6 * (near + 4 * middle + far)
        return full - math.fsum(o.removes for o in self.operations)

    def _section(self, height: float) -> float:
        """Area of the bevelled outline at `height` thicknesses above the middle, cut-outs ignored."""
        middle = next(o.path for o in self.operations if o.kind == "reference")
        corners = np.array([v[:2] for v in middle.vertices])
        angle = {b.start: b.angle_deg for b in self.bevels}
        tangent = np.tan(np.radians([angle.get(v[:2], 0.0) for v in middle.vertices]))
        return geometry.polygon(_points(_moved_edges(corners, -height * self.thickness * tangent))).area


def layer_name(kind: str, depth: float, side: str) -> str:
    """Return the layer of an operation in plain words, such as ``CUT_INSIDE_THROUGH_22MM``."""
    if kind == "reference":
        return NOT_CUT
    size = plain(depth).replace(".", "_")
    return (
        f"{KINDS[kind]}_THROUGH_{size}MM" if side == "through" else f"{KINDS[kind]}_{size}MM_DEEP_{side.upper()}_FACE"
    )


def plain(value: float) -> str:
    """Return a length for people: at most two decimals."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def panel_extent(cabinet: Cabinet, side: str) -> tuple[float, float, float, float]:
    """Return the corners (x0, y0, x1, y1) of a panel in in-plane cabinet coordinates, mm, butt-jointed.

    Front and back have the full width and height; left and right stand between them at full height; bottom and top
    lie between all four.
    """
    rank = LENGTHWISE.index(PANEL_NORMAL[side])
    ends = {}
    for axis in in_plane(PANEL_NORMAL[side]):
        stops = LENGTHWISE.index(axis) < rank
        for other in sides(axis):
            outer = 0.0 if other in LOWER_PANELS else cabinet.size(axis)
            ends[axis, other in LOWER_PANELS] = inner_face(cabinet, other) if stops else outer
    a, b = in_plane(PANEL_NORMAL[side])
    return ends[a, True], ends[b, True], ends[a, False], ends[b, False]


def drawings(cabinet: Cabinet) -> tuple[PartDrawing, ...]:
    """Draw every panel and brace.

    Braces are drawn whole: where two cross, a note on each gives the line.

    Raises
    ------
    DesignError
        A name or a cut that cannot be drawn.
    """
    parts = {p: _panel(cabinet, p) for p in PANELS} | {b.name: _brace(cabinet, b.name) for b in cabinet.braces}
    for meeting in meetings(cabinet, "inner"):
        line = np.stack([meeting.start, meeting.end])
        if meeting.kind == "tee":
            parts[meeting.b] = _noted(cabinet, parts[meeting.b], line, f"{_thick(parts[meeting.a])} stands on the line")
        elif meeting.kind == "cross":
            for here, other in ((meeting.a, meeting.b), (meeting.b, meeting.a)):
                what = f"half-lap not drawn: {_thick(parts[other])} crosses on the line"
                parts[here] = _noted(cabinet, parts[here], line, what)
    return tuple(parts.values())


def _panel(cabinet: Cabinet, side: str) -> PartDrawing:
    x0, y0, x1, y1 = panel_extent(cabinet, side)
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    part = _part(cabinet, part_layout(cabinet, side), corners, "opening", cabinet.panel(side).grain_deg)
    face = "outer" if side == part.near else "inner"
    return replace(part, notes=(f"butt joints; the near face is the {face} face",))


def _brace(cabinet: Cabinet, name: str) -> PartDrawing:
    brace, lay = cabinet.brace(name), layouts(cabinet, "inner")[name]
    angles = np.array([_bevel_deg(cabinet, lay, k) for k in range(len(lay.edges))])
    angles[np.abs(angles) < SQUARE_DEG] = 0.0
    if not angles.any():
        return _part(cabinet, lay, lay.corners, "pocket", brace.grain_deg)
    tangent = np.tan(np.radians(angles))
    blank = _moved_edges(lay.corners, np.abs(tangent) * lay.thickness / 2)
    part = _part(cabinet, lay, blank, "pocket", brace.grain_deg)
    middle = _outline(lay.corners, part.datum)
    v = middle.vertices
    bevels = tuple(
        Bevel(start=v[k][:2], end=v[(k + 1) % len(v)][:2], angle_deg=float(a), meets=lay.edges[k].part)
        for k, a in enumerate(angles)
        if a
    )
    notes = [f"the outline is the blank; half-way through the board the edges lie on the line of layer {NOT_CUT}"]
    for b in bevels:
        face = "far" if b.angle_deg > 0 else "near"
        line = f"({_xy(b.start)}) to ({_xy(b.end)}), which meets {b.meets}"
        notes.append(f"bevel of {plain(abs(b.angle_deg))} degrees on the edge {line}: the {face} face is the longer")
    notes += _fouls(cabinet, lay, tangent)
    middle_line = Operation(kind="reference", path=middle, depth=0.0, side="near", layer=NOT_CUT)
    return replace(part, operations=(*part.operations, middle_line), bevels=bevels, notes=tuple(notes))


def _part(cabinet: Cabinet, lay: PartLayout, corners: _Corners, kind: str, grain_deg: float) -> PartDrawing:
    """Draw a part of a straight-edged outline (n, 2), in-plane cabinet coordinates, with its cut-outs."""
    u, v = (round(float(c), 9) for c in corners.min(axis=0))
    normal = PANEL_NORMAL[lay.name] if lay.name in PANELS else cabinet.brace(lay.name).normal
    outline = _outline(corners, (u, v))

    def through(what: str, path: Path, name: str = "") -> Operation:
        layer = layer_name(what, lay.thickness, "through")
        return Operation(kind=what, path=path, depth=lay.thickness, side="through", layer=layer, name=name)

    cuts = (through(kind, path.translated(-u, -v), name) for name, path in lay.cuts)
    x0, y0, x1, y1 = outline.bounds
    try:
        return PartDrawing(
            name=lay.name,
            board=cabinet.part_board(lay.name).name,
            thickness=lay.thickness,
            size=(x1 - x0, y1 - y0),
            operations=(through("outline", outline), *cuts),
            axes=in_plane(normal),
            datum=(u, v),
            near=NEAR[normal],
            grain_deg=grain_deg,
        )
    except DesignError as e:
        raise e.within(lay.name) from None


def _outline(corners: _Corners, datum: Point) -> Path:
    """Return straight edges in part coordinates; sizes such as 220 - 21.8 lose their rounding noise."""
    return geometry.polygon(_points(np.round(corners - datum, 9) + 0.0))


def _points(corners: _Corners) -> list[Point]:
    return [(float(x), float(y)) for x, y in corners]


def _bevel_deg(cabinet: Cabinet, lay: PartLayout, k: int) -> float:
    """Angle off square of edge `k`, so that it lies flat on the face it meets; > 0 where the far face is longer."""
    edge, frame = lay.edges[k], lay.frame
    face = frame_of(cabinet, edge.part)
    centre = frame.to_space(lay.corners.mean(axis=0))[0]
    towards = -face.e3 * np.sign(face.e3 @ (centre - face.origin))
    along = np.subtract(edge.end, edge.start) / math.dist(edge.start, edge.end)
    outward = along[1] * frame.e1 - along[0] * frame.e2
    return math.degrees(math.atan2(towards @ frame.e3, towards @ outward))


def _moved_edges(corners: _Corners, outward: _Corners) -> _Corners:
    """Move each edge of a convex counter-clockwise polygon (n, 2) outwards by its own distance (n,)."""
    along = np.roll(corners, -1, axis=0) - corners
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    moved = np.empty_like(corners)
    for k in range(len(corners)):
        pair = normal[[k - 1, k]]
        if abs(np.linalg.det(pair)) < 1e-9:
            moved[k] = corners[k] + outward[k] * normal[k]
        else:
            moved[k] = corners[k] + np.linalg.solve(pair, outward[[k - 1, k]])
    return moved


def _fouls(cabinet: Cabinet, lay: PartLayout, tangent: _Corners) -> list[str]:
    """Note where a face of a tilted brace reaches into a panel that its middle clears."""
    half = lay.thickness / 2
    faces = [_moved_edges(lay.corners, -h * tangent) for h in (half, -half)]
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


def _noted(cabinet: Cabinet, part: PartDrawing, line: _Corners, what: str) -> PartDrawing:
    """Add a note on a line in space (2, 3)."""
    frame: Frame = frame_of(cabinet, part.name)
    start, end = _points(frame.to_plane(line) - part.datum)
    return replace(part, notes=(*part.notes, f"{what} ({_xy(start)}) to ({_xy(end)})"))


def _thick(part: PartDrawing) -> str:
    return f"{part.name} ({plain(part.thickness)} thick)"


def _xy(point: Point) -> str:
    return f"{plain(point[0])}, {plain(point[1])}"
