"""Solids of a cabinet's inside: convex cells bounded by planes, boards as slabs with straight holes.

A half-space is a pair (n, d): it keeps the points with n . x >= d. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, Cabinet
from bracewright.geometry import FINE, Path

Vec = NDArray[np.float64]
HalfSpace = tuple[Vec, float]
SLIVER = 1.0  # mm3 or mm2; less is rounding, not air or wood
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """A convex face of a cell: its corners (n, 3) in order, and the half-space it bounds."""

    corners: Vec
    normal: Vec
    offset: float


@dataclass(frozen=True, eq=False)
class Cell:
    """A convex solid."""

    faces: tuple[Face, ...]

    @cached_property
    def corners(self) -> Vec:
        """Corners (n, 3), each as often as faces meet there."""
        return np.concatenate([f.corners for f in self.faces])

    @cached_property
    def moments(self) -> tuple[float, Vec]:
        """Volume in mm3 and centroid (3,)."""
        inside = self.corners.mean(axis=0)
        # Faces fall into triangles about their first corner, the cell into tetrahedra about a point inside.
        fan = [np.repeat(f.corners[:1], len(f.corners) - 2, axis=0) for f in self.faces]
        first, second, third = (
            np.concatenate(x) for x in (fan, [f.corners[1:-1] for f in self.faces], [f.corners[2:] for f in self.faces])
        )
        share = np.abs(np.linalg.det(np.stack([first, second, third], axis=1) - inside)) / 6
        volume = float(share.sum())
        centre = share @ (first + second + third + inside) / 4
        return volume, centre / volume if volume else inside

    @property
    def volume(self) -> float:
        """Volume, mm3."""
        return self.moments[0]

    @property
    def halfspaces(self) -> list[HalfSpace]:
        """The half-spaces whose common part the cell is."""
        return [(f.normal, f.offset) for f in self.faces]

    def clipped(self, halfspace: HalfSpace) -> Cell | None:
        """Return the part of the cell in a half-space, or None if nothing is left."""
        n, d = halfspace
        gaps = self.corners @ n - d
        if (gaps >= -lay.TOUCH).all():
            return self
        if (gaps <= lay.TOUCH).all():
            return None
        faces, cap = [], []
        for f in self.faces:
            corners, cut = _clip_face(f.corners, n, d)
            cap += cut
            if len(corners) >= 3:
                faces.append(Face(corners, f.normal, f.offset))
        if len(cap) >= 3:
            faces.append(Face(_around(np.array(cap), n), n, d))
        cell = Cell(tuple(faces)) if len(faces) >= 4 else None
        return cell if cell is not None and cell.volume > SLIVER else None

    def split(self, halfspaces: Iterable[HalfSpace]) -> tuple[Cell | None, list[Cell]]:
        """Return the part in all the half-spaces, and the rest in convex pieces; the cell itself if nothing is in."""
        planes = list(halfspaces)
        gaps = self.corners @ np.array([n for n, _ in planes]).T - [d for _, d in planes]
        if (gaps <= lay.TOUCH).all(axis=0).any():
            return None, [self]
        rest: Cell | None = self
        outside = []
        for n, d in planes:
            assert rest is not None
            piece = rest.clipped((-n, -d))
            rest = rest.clipped((n, d))
            if rest is None:
                return None, [self]
            if piece is not None:
                outside.append(piece)
        return rest, outside

    def section(self, plane: lay.Frame) -> Polygon:
        """Return the cell's section with a plane, in the plane's coordinates."""
        return halfplane_polygon(self.halfspaces, plane)


def box(low: Sequence[float], high: Sequence[float]) -> Cell:
    """Return the upright box between two corners."""
    ends = np.array([low, high], dtype=float)
    faces = []
    for k in range(3):
        for side in (0, 1):
            a, b = (k + 1) % 3, (k + 2) % 3
            corners = np.empty((4, 3))
            corners[:, k] = ends[side, k]
            corners[:, a] = ends[[0, 1, 1, 0], a]
            corners[:, b] = ends[[0, 0, 1, 1], b]
            n = np.zeros(3)
            n[k] = 1.0 - 2.0 * side
            faces.append(Face(corners, n, float(n[k] * ends[side, k])))
    return Cell(tuple(faces))


def inner_box(cabinet: Cabinet) -> Cell:
    """Return the room between the six panels."""
    low, high = ([lay.inner_face(cabinet, lay.sides(axis)[side]) for axis in AXES] for side in (0, 1))
    return box(low, high)


@dataclass(frozen=True, eq=False)
class Slab:
    """A brace as a solid: a convex slab, and the holes through it.

    Attributes
    ----------
    name : str
    frame : Frame
        Mid-plane.
    thickness : float
    cell : Cell
        The board without its pockets, its ends bevelled where it is tilted.
    pockets : tuple of (name, Path)
    """

    name: str
    frame: lay.Frame
    thickness: float
    cell: Cell
    pockets: tuple[tuple[str, Path], ...]

    @cached_property
    def polygons(self) -> tuple[Polygon, ...]:
        """Pockets in the mid-plane's coordinates."""
        return tuple(path.polygon(FINE) for _, path in self.pockets)

    def levels(self) -> Iterator[tuple[lay.Frame, float]]:
        """Yield planes through the thickness, and the thickness each stands for (five Gauss points)."""
        for x, w in zip(_GAUSS_X, _GAUSS_W, strict=True):
            at = self.frame.origin + self.frame.e3 * (x * self.thickness / 2)
            yield lay.Frame(at, self.frame.e1, self.frame.e2, self.frame.e3), float(w) * self.thickness / 2

    def hole(self, k: int, plane: lay.Frame, window: BaseGeometry) -> BaseGeometry:
        """Return where pocket `k`, run straight through without end, meets `window` of a plane."""
        return prism_section(self.frame, self.polygons[k], plane, window)

    def wood(self, plane: lay.Frame) -> BaseGeometry:
        """Return the board's section with a plane, pockets taken out."""
        whole: BaseGeometry = self.cell.section(plane)
        for k in range(len(self.polygons)):
            if whole.is_empty:
                break
            whole = whole.difference(self.hole(k, plane, whole))
        return whole


@lru_cache(maxsize=64)
def slabs(cabinet: Cabinet) -> tuple[Slab, ...]:
    """Return every brace as a solid, in the design's order."""
    out = []
    for brace in cabinet.braces:
        part = lay.layouts(cabinet, "inner")[brace.name]
        f, t = part.frame, part.thickness
        centre = float(f.e3 @ f.origin)
        cell: Cell | None = inner_box(cabinet)
        limits = [(n, d) for n, d, _ in lay.bounds(cabinet, brace, "inner")]
        for halfspace in [(f.e3, centre - t / 2), (-f.e3, -centre - t / 2), *limits]:
            cell = cell.clipped(halfspace) if cell is not None else None
        assert cell is not None  # the layout has refused a brace of which nothing is left
        out.append(Slab(brace.name, f, t, cell, part.cuts))
    return tuple(out)


def prism_section(frame: lay.Frame, shape: Polygon, plane: lay.Frame, window: BaseGeometry) -> BaseGeometry:
    """Return where a prism, `shape` run along the normal of `frame` without end, meets `window` of a plane."""
    if window.is_empty:
        return window
    turn = np.array([[frame.e1 @ plane.e1, frame.e1 @ plane.e2], [frame.e2 @ plane.e1, frame.e2 @ plane.e2]])
    shift = frame.to_plane(plane.origin[None])[0]
    u, s, v = np.linalg.svd(turn)
    if s[1] > 1e-6:
        back = np.linalg.inv(turn)
        flat = shapely.transform(shape, lambda xy: (xy - shift) @ back.T)
        return window.intersection(flat)
    # The plane stands along the prism: it meets it in strips.
    reach = 1e5
    along = u[:, 0]
    line = shapely.LineString([shift - reach * along, shift + reach * along]).intersection(shape)
    strips = []
    for piece in getattr(line, "geoms", [line]):
        if piece.geom_type != "LineString" or piece.is_empty:
            continue
        t0, t1 = sorted(float(along @ (np.array(p) - shift)) / float(s[0]) for p in piece.coords)
        a, b = v[0], v[1]
        strips.append(Polygon([t0 * a - reach * b, t1 * a - reach * b, t1 * a + reach * b, t0 * a + reach * b]))
    return window.intersection(shapely.union_all(strips))


def halfplane_polygon(halfspaces: Iterable[HalfSpace], plane: lay.Frame) -> Polygon:
    """Return the convex polygon of a plane's points in all the half-spaces; empty if there is none."""
    reach = 1e5
    xy = np.array([(-reach, -reach), (reach, -reach), (reach, reach), (-reach, reach)])
    for n, d in halfspaces:
        a = np.array([n @ plane.e1, n @ plane.e2])
        gap = xy @ a + float(n @ plane.origin) - d
        inside = gap >= -lay.TOUCH
        if inside.all():
            continue
        if not inside.any():
            return Polygon()
        after, gap_after = np.roll(xy, -1, axis=0), np.roll(gap, -1)
        cross = inside != np.roll(inside, -1)
        with np.errstate(divide="ignore", invalid="ignore"):
            met = xy + (after - xy) * (gap / (gap - gap_after))[:, None]
        xy = np.array(
            [p for k in range(len(xy)) for p in ([xy[k]] if inside[k] else []) + ([met[k]] if cross[k] else [])]
        )
    return Polygon(xy) if len(xy) >= 3 else Polygon()


def face_plane(face: Face) -> tuple[lay.Frame, Polygon]:
    """Return a plane on a face and the face in its coordinates."""
    e1 = face.corners[1] - face.corners[0]
    e1 = e1 / np.linalg.norm(e1)
    plane = lay.Frame(face.corners[0], e1, np.cross(face.normal, e1), face.normal)
    return plane, Polygon(plane.to_plane(face.corners))


def _clip_face(corners: Vec, n: Vec, d: float) -> tuple[Vec, list[Vec]]:
    """Clip a convex face; also return its points on the cutting plane, unless it lies in it."""
    gap = corners @ n - d
    if (np.abs(gap) <= lay.TOUCH).all():
        return corners, []
    inside = gap >= -lay.TOUCH
    out: list[Vec] = []
    cap: list[Vec] = []
    for k in range(len(corners)):
        j = (k + 1) % len(corners)
        if inside[k]:
            out.append(corners[k])
            if abs(gap[k]) <= lay.TOUCH:
                cap.append(corners[k])
        if inside[k] != inside[j] and min(abs(gap[k]), abs(gap[j])) > lay.TOUCH:
            met = corners[k] + (corners[j] - corners[k]) * (gap[k] / (gap[k] - gap[j]))
            out.append(met)
            cap.append(met)
    return np.array(out).reshape(-1, 3), cap


def _around(points: Vec, n: Vec) -> Vec:
    """Order the corners of a convex face, doubles dropped."""
    kept = [p for k, p in enumerate(points) if not k or np.linalg.norm(points[:k] - p, axis=1).min() > 1e-5]
    points = np.array(kept)
    centre = points.mean(axis=0)
    a = points[0] - centre
    b = np.cross(n, a)
    return points[np.argsort(np.arctan2((points - centre) @ b, (points - centre) @ a))]
