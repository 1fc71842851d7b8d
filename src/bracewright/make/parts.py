"""Flat parts as the saw and the router see them: exact outlines and cuts, each part from its own corner.

A drawing is in the part's own coordinates: the lower left corner of its outline is (0, 0), x and y run along the
two in-plane cabinet axes in alphabetical order, and in-plane cabinet coordinates are part coordinates plus `datum`.
All parts across x are seen from the right, across y from the front, across z from the top; that is the near face.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright import geometry
from bracewright.errors import DesignError
from bracewright.geometry import FINE, Path, Point

Array = NDArray[np.float64]
NOT_CUT = "REFERENCE_NOT_CUT"
KINDS = {
    "outline": "CUT_OUTSIDE",
    "opening": "CUT_INSIDE",
    "pocket": "CUT_INSIDE",
    "slot": "CUT_SLOT",
    "groove": "GROOVE",
    "rebate": "REBATE",
    "mark": "MARK",
    "reference": NOT_CUT,
}
SIDES = ("through", "near", "far")
JOINTED = ("slot", "groove", "rebate")  # cut for a joint; may run over the edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One cut: follow `path` to `depth`.

    Parameters
    ----------
    kind : {"outline", "opening", "pocket", "slot", "groove", "rebate", "mark", "reference"}
        The wood outside an outline and inside an opening, pocket, slot, groove or rebate goes; a mark is followed on
        its line; a reference is only looked at. Slots, grooves and rebates may run over the edge of the part.
    path : Path
        Closed curve in part coordinates, mm.
    depth : float
        Below the face it is cut from, mm; the board's thickness when through, 0 for a reference.
    side : {"through", "near", "far"}
        The face it is cut from.
    layer : str
        Name of the operation and its depth, A-Z, 0-9 and _ only.
    name : str
        The opening's or pocket's name in the design; of a slot, groove or rebate, the part it is for.
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
    def seats(self) -> tuple[Operation, ...]:
        """Rebates for drivers' frames: each goes all round the opening whose name it bears.

        The name alone does not tell: an opening may be called as the panel is that another rebate is for.
        """
        holes = {o.name: o.path.polygon(FINE) for o in self.operations if o.kind == "opening"}
        named = (o for o in self.operations if o.kind == "rebate" and o.name in holes)
        return tuple(o for o in named if o.path.polygon(FINE).contains(holes[o.name]))

    @property
    def volume(self) -> float:
        """Wood in the finished part, mm^3: bevels, cut-outs and joints taken off."""
        full = self.outline.area * self.thickness
        if self.bevels:
            # Between its faces the section changes by a quadratic in the height: Simpson's rule is exact.
            near, middle, far = (self.blank_at(h * self.thickness).area for h in (0.5, 0.0, -0.5))
            full = self.thickness / 6 * (near + 4 * middle + far)
        return full - math.fsum(o.removes for o in self.operations) - self._jointed()

    def blank_at(self, height: float) -> Path:
        """Return the outline at `height` mm above the middle of the board, bevels taken off."""
        if not self.bevels:
            return self.outline
        middle = next(o.path for o in self.operations if o.kind == "reference")
        corners = np.array([v[:2] for v in middle.vertices])
        angle = {b.start: b.angle_deg for b in self.bevels}
        tangent = np.tan(np.radians([angle.get(v[:2], 0.0) for v in middle.vertices]))
        return geometry.polygon(points(moved_edges(corners, -height * tangent)))

    def cut_at(self, height: float, kinds: tuple[str, ...]) -> shapely.Geometry:
        """Return the area that cuts of these kinds take out at `height` mm above the middle of the board."""
        half = self.thickness / 2
        reached = {"through": half + 1.0, "near": half - height, "far": half + height}
        active = [o for o in self.operations if o.kind in kinds]
        return shapely.union_all(
            [o.path.polygon(FINE) for o in active if o.side == "through" or reached[o.side] < o.depth]
        )

    def section(self, height: float) -> shapely.Geometry:
        """Return the wood at `height` mm above the middle of the board, arcs as chords within 0.001 mm."""
        blank = self.blank_at(height).polygon(FINE)
        return blank.difference(self.cut_at(height, ("opening", "pocket", *JOINTED)))

    def levels(self) -> tuple[float, ...]:
        """Return the heights above the middle of the board between which nothing changes but bevels, far to near."""
        half = self.thickness / 2
        cuts = [o for o in self.operations if o.kind in JOINTED and o.side != "through"]
        found = {-half, half} | {(half - o.depth) if o.side == "near" else (o.depth - half) for o in cuts}
        return tuple(sorted(found))

    def _jointed(self) -> float:
        """Volume that slots, grooves and rebates take out of what openings and pockets leave, mm^3."""
        if not any(o.kind in JOINTED for o in self.operations):
            return 0.0
        total = 0.0
        for low, high in pairwise(self.levels()):
            taken = self.cut_at((low + high) / 2, JOINTED).difference(self.cut_at(0.0, ("opening", "pocket")))
            areas = [taken.intersection(self.blank_at(h).polygon(FINE)).area for h in (low, (low + high) / 2, high)]
            total += (high - low) / 6 * (areas[0] + 4 * areas[1] + areas[2])
        return total


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


def points(corners: Array) -> list[Point]:
    """Return the rows of an array (n, 2) as points."""
    return [(float(x), float(y)) for x, y in corners]


def moved_edges(corners: Array, outward: Array) -> Array:
    """Move each edge of a counter-clockwise polygon (n, 2) outwards by its own distance (n,)."""
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
