"""From a cabinet to flat parts in SI: the one place where millimetres become metres."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from bracewright.boards import Board, Laminate, laminate
from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet
from bracewright.errors import MeshError
from bracewright.fem.mesh import MM, PlanarMesh, mesh_from_file, mesh_region
from bracewright.geometry import Path

Array = NDArray[np.float64]
LOADED = 0.4  # of the element size along an opening that a driver's mass bends; at 1.0 modes are up to 1.7 % high
AROUND = 24  # sides there at the least; with 10 about a small opening the rocking of its driver is 4 % high
SAME = 0.05  # mm by which the region's arcs may lie off the exact ones
CLEAR = 1.0  # mm between a line and the box around a cut-out


def cross(a: Array, b: Array) -> Array:
    """Cross product of two vectors (3,), without the cost of a general one."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


@dataclass(frozen=True)
class FlatPart:
    """A flat part ready for the plate model.

    Attributes
    ----------
    name : str
    rotation : (3, 3) array
        Rows e1, e2, e3: the part's axes in space.
    origin : (3,) array
        Space point of the plane's origin, m.
    mesh : PlanarMesh
    laminate : Laminate
        Stiffness and inertia about the mid-plane, layers in the direction of e3.
    region : shapely Polygon
        Outline less cut-outs, mm; says where a joint finds wood.
    """

    name: str
    rotation: Array
    origin: Array
    mesh: PlanarMesh
    laminate: Laminate
    region: Polygon

    @property
    def thickness(self) -> float:
        """Thickness, m."""
        return self.laminate.thickness_m

    def to_space(self, xy: Array) -> Array:
        """Map (n, 2) plane points to (n, 3) space points, m."""
        return self.origin + xy @ self.rotation[:2]

    def to_plane(self, points: Array) -> Array:
        """Project (n, 3) space points to (n, 2) plane points, m."""
        return np.asarray((points - self.origin) @ self.rotation[:2].T)

    def edge(self, outline: Path) -> tuple[Array, Array]:
        """Return points (q, 2), m, along what the mesh has of a cut-out's edge, and their shares (q,) of its length.

        Three Gauss points to each side of a triangle: sums over them are integrals that the triangles' own functions
        take exactly. Points evenly spaced all round were up to 0.2 % off, and differed in a cabinet and its mirror.

        Raises
        ------
        MeshError
            The mesh has no such edge.
        """
        m = self.mesh
        ends, middle = m.points[m.sides[m.boundary_sides]], m.points[m.corners + m.boundary_sides]
        own = np.linalg.norm(outline.nearest_points(middle / MM) - middle / MM, axis=1)
        mine = own <= shapely.distance(self.region.boundary, shapely.points(middle / MM)) + SAME
        if not mine.any():
            raise MeshError(f"{self.name}: its mesh has no edge along one of its openings; mesh the part again")
        a, b, c = ends[mine, 0], ends[mine, 1], middle[mine]
        x, weight = np.polynomial.legendre.leggauss(3)
        at = x[:, None, None]
        points = a * at * (at - 1) / 2 + b * at * (at + 1) / 2 + c * (1 - at**2)
        length = np.linalg.norm(a * (at - 0.5) + b * (at + 0.5) - 2 * at * c, axis=2) * weight[:, None]
        return points.reshape(-1, 2), length.ravel() / length.sum()

    def clear_of_cuts(self, ends: Array) -> bool:
        """Whether a line between two plane points (2, 2), m, keeps off the boxes around everything cut out."""
        if not len(self._cut_boxes):
            return True
        low, high = ends.min(axis=0) / MM, ends.max(axis=0) / MM
        apart = (self._cut_boxes[:, :2] > high + CLEAR) | (self._cut_boxes[:, 2:] < low - CLEAR)
        return bool(apart.any(axis=1).all())

    @cached_property
    def _cut_boxes(self) -> Array:
        """(cuts, 4) bounds of what is cut out, mm."""
        return np.array([Polygon(ring).bounds for ring in self.region.interiors]).reshape(-1, 4)

    @cached_property
    def _grown(self) -> dict[tuple[str, float], Any]:
        """Regions a little larger, kept once made."""
        return {}

    def wood_on(self, start: Array, end: Array, tolerance: float) -> list[tuple[float, float]]:
        """Return the pieces of a line in space, from its start, m, that lie on the part, give or take `tolerance` m."""
        flat = self.to_plane(np.stack([start, end])) / MM
        length = float(np.linalg.norm(flat[1] - flat[0]))
        if ("line", tolerance) not in self._grown:
            grown = Polygon(self.region.exterior).buffer(tolerance / MM, join_style="mitre")
            for hole in self.region.interiors:
                grown = grown.difference(Polygon(hole))
            self._grown["line", tolerance] = grown
        met = shapely.get_parts(shapely.LineString(flat).intersection(self._grown["line", tolerance]))
        out = []
        for piece in met[~shapely.is_empty(met)]:
            ends = [float(np.linalg.norm(np.array(c) - flat[0])) for c in (piece.coords[0], piece.coords[-1])]
            out.append((min(ends) * MM, min(max(ends), length) * MM))
        return sorted(out)

    def has_wood(self, xy: Array, tolerance: float = 1e-6) -> NDArray[np.bool_]:
        """Whether plane points (n, 2), m, lie on the part, give or take `tolerance` m at the outline."""
        if ("points", tolerance) not in self._grown:
            self._grown["points", tolerance] = self.region.buffer(tolerance / MM, join_style="mitre")
        grown = self._grown["points", tolerance]
        return np.asarray(shapely.contains_xy(grown, xy[:, 0] / MM, xy[:, 1] / MM))


def outward_sign(part: FlatPart) -> float:
    """+1 where a panel's third axis points out of the cabinet, else -1."""
    along = part.rotation[2][AXES.index(PANEL_NORMAL[part.name])]
    return float(np.sign(along) * (-1.0 if part.name in LOWER_PANELS else 1.0))


def part_laminate(cabinet: Cabinet, part: str) -> Laminate:
    """Return a part's plate stiffness with its layers in the direction of the part's e3.

    A board's layers run from the inside to the outside of a panel, and along the normal axis in a brace.
    """
    grain = (cabinet.panel(part) if part in PANELS else cabinet.brace(part)).grain_deg
    return laminate(part_board(cabinet, part), grain)


@lru_cache(maxsize=256)
def part_board(cabinet: Cabinet, part: str) -> Board:
    """Return a part's board with its layers in the direction of the part's e3."""
    frame = lay.frame_of(cabinet, part)
    normal = PANEL_NORMAL[part] if part in PANELS else cabinet.brace(part).normal
    axis = np.zeros(3)
    axis[AXES.index(normal)] = -1.0 if part in LOWER_PANELS else 1.0
    board = cabinet.part_board(part)
    return board.flipped() if float(frame.e3 @ axis) < 0 else board


def flat_part(cabinet: Cabinet, part: str, size: float, reach: str = "inner") -> FlatPart:
    """Mesh one panel or brace.

    Parameters
    ----------
    cabinet : Cabinet
    part : str
    size : float
        Element side, mm.
    reach : {"inner", "mid"}
        Where the part ends at its neighbours.
    """
    p = lay.part_layout(cabinet, part, reach)
    region = lay.region(p)
    source = cabinet.panel(part).mesh if part in PANELS else cabinet.brace(part).mesh
    if source is not None:
        mesh = mesh_from_file(source, region)
    else:
        outline = Path(vertices=tuple((float(x), float(y), 0.0) for x, y in p.corners))
        loaded = {d.opening for d in cabinet.drivers} if part in PANELS else set()
        along = [min(size * LOADED, cut.perimeter / AROUND) if name in loaded else size for name, cut in p.cuts]
        mesh = mesh_region(outline, [c for _, c in p.cuts], size, along)
    return FlatPart(part, p.frame.rotation, p.frame.origin * MM, mesh, part_laminate(cabinet, part), region)
