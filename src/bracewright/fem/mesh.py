"""Planar meshes of parts: six-node triangles whose sides follow the arcs of the outline."""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skfem import Basis, ElementTriP2, MeshTri, MeshTri2

from bracewright.errors import FileError, MeshError
from bracewright.files import read_file
from bracewright.geometry import Path
from bracewright.geometry.pieces import xy_of

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
MM = 1e-3
SETTLED = 1e-15  # m; where a point in a curved triangle is found
LOST = 1e-9  # m; where it is not
MAX_MESH_BYTES = 50_000_000
MAX_NODES = 200_000
FARTHEST = 1e5  # mm
AREA_OFF = 0.1  # of a part; coarse chords around large openings take several per cent
#: Formats whose readers end on every damaged file; others of meshio's wait for ever, or unpack what may have any size.
NASTRAN_ENDINGS = (".bdf", ".nas", ".fem")
MESH_ENDINGS = (".msh", ".vtu", ".vtk", ".stl", ".obj", ".inp", ".mesh", *NASTRAN_ENDINGS, ".avs", ".xml")


@dataclass(frozen=True)
class Trace:
    """Interpolation rows at points of a mesh.

    Attributes
    ----------
    nodes : (p, 6) int array
    value, dx, dy : (p, 6) array
        Shape functions and their derivatives (1/m) at each point.
    element : (p,) int array
    """

    nodes: IntArray
    value: Array
    dx: Array
    dy: Array
    element: IntArray


class PlanarMesh:
    """A mesh of six-node triangles in a part's plane.

    Parameters
    ----------
    points : (n, 2) array
        Node coordinates, m: corners first, then the middle of each side in the order of `sides`.
    triangles : (e, 3) int array
        Corner nodes of each triangle.
    """

    def __init__(self, points: Array, triangles: IntArray) -> None:
        n = int(triangles.max()) + 1
        base = MeshTri(points[:n].T.copy(), triangles.T.copy(), sort_t=False)
        doflocs = np.hstack([base.p, base.p[:, base.facets].mean(axis=1)])
        if len(points) > n:
            if len(points) != doflocs.shape[1]:
                raise MeshError(
                    f"{len(points)} nodes do not fit {doflocs.shape[1]} corners and sides; give all or none"
                )
            doflocs = points.T.copy()
        self.points: Array = np.ascontiguousarray(doflocs.T)
        self.points.flags.writeable = False
        self.corners = n
        self.triangles: IntArray = base.t.T.astype(np.int64)
        self.sides: IntArray = base.facets.T.astype(np.int64)
        self.boundary_sides: IntArray = base.boundary_facets().astype(np.int64)
        self.nodes6: IntArray = np.hstack([self.triangles, n + base.t2f.T]).astype(np.int64)

    @cached_property
    def skfem(self) -> MeshTri2:
        """The same mesh as a scikit-fem object."""
        return MeshTri2(self.points.T.copy(), self.triangles.T.copy(), sort_t=False)

    def rule(self, order: int) -> tuple[Array, Array, Array, Array]:
        """Return shape functions at a quadrature rule.

        Returns
        -------
        value, dx, dy : (6, e, q) arrays
            Shape functions and derivatives (1/m).
        weight : (e, q) array
            Quadrature weight times area, m2.
        """
        basis = Basis(self.skfem, ElementTriP2(), intorder=order)
        # scikit-fem numbers corners, then sides, as `nodes6` does.
        value = np.stack([np.broadcast_to(np.asarray(b[0]), basis.dx.shape) for b in basis.basis])
        grad = np.stack([b[0].grad for b in basis.basis])
        return value, grad[:, 0], grad[:, 1], basis.dx

    @cached_property
    def area(self) -> float:
        """Meshed area, m2."""
        return float(self.rule(2)[3].sum())

    @cached_property
    def _edges(self) -> tuple[Array, Array]:
        corner = self.points[self.triangles]
        a = corner[:, 0]
        inverse = np.linalg.inv(np.stack([corner[:, 1] - a, corner[:, 2] - a], axis=2))
        return a, inverse

    @cached_property
    def _curved(self) -> NDArray[np.bool_]:
        straight = self.points[self.sides].mean(axis=1)
        moved = np.linalg.norm(self.points[self.corners :] - straight, axis=1) > 1e-9
        return np.asarray(moved[self.nodes6[:, 3:] - self.corners].any(axis=1))

    def with_points(self, points: Array) -> PlanarMesh:
        """Return the same triangles on other nodes."""
        new = object.__new__(PlanarMesh)
        for name in ("corners", "triangles", "sides", "boundary_sides", "nodes6"):
            setattr(new, name, getattr(self, name))
        new.points = points
        return new

    def locate(self, xy: Array, element: IntArray | None = None) -> tuple[IntArray, Array]:
        """Return the element and local coordinates (p, 2) of points (p, 2), a hair outside allowed.

        Given the elements, continue them beyond their sides: the answer then changes smoothly.

        Raises
        ------
        MeshError
            A point lies so far beyond a curved triangle that it cannot be continued to there.
        """
        a, inverse = self._edges
        if element is None:
            local = np.einsum("eij,pej->pei", inverse, xy[:, None, :] - a[None])
            lowest = np.minimum(np.minimum(local[..., 0], local[..., 1]), 1 - local[..., 0] - local[..., 1])
            element = lowest.argmax(axis=1).astype(np.int64)
            found = local[np.arange(len(xy)), element]
        else:
            found = np.einsum("pij,pj->pi", inverse[element], xy - a[element])
        curved = self._curved[element]
        if curved.any():
            found = found.copy()
            nodes = self.points[self.nodes6[element[curved]]]
            for _ in range(8):
                n, dn = _shape(found[curved])
                gap = xy[curved] - np.einsum("pn,pnc->pc", n, nodes)
                if np.abs(gap).max() < SETTLED:
                    break
                jac = np.einsum("pnd,pnc->pcd", dn, nodes)
                found[curved] += np.linalg.solve(jac, gap[..., None])[..., 0]
            else:
                if not np.abs(gap).max() < LOST:
                    raise MeshError(
                        "a joint lies too far from the triangle it was in to follow this change; build anew"
                    )
        return element, found

    def trace(self, xy: Array, element: IntArray | None = None) -> Trace:
        """Return interpolation rows at points (p, 2), m."""
        element, local = self.locate(xy, element)
        nodes = self.nodes6[element]
        n, dn = _shape(local)
        jac = np.einsum("pnd,pnc->pcd", dn, self.points[nodes])
        a, b, c, d = jac[:, 0, 0], jac[:, 0, 1], jac[:, 1, 0], jac[:, 1, 1]
        turned = np.stack([d, -b, -c, a], axis=1).reshape(-1, 2, 2)
        g = dn @ (turned / (a * d - b * c)[:, None, None])
        return Trace(nodes, n, g[..., 0], g[..., 1], element)


def _shape(local: Array) -> tuple[Array, Array]:
    """Six-node triangle in scikit-fem's order: corners, then sides 01, 12, 02. Returns (p, 6) and (p, 6, 2)."""
    x, y = local[:, 0], local[:, 1]
    c = 1 - x - y
    value, slope = np.empty((len(x), 6)), np.zeros((len(x), 6, 2))
    for k, v in enumerate((c * (2 * c - 1), x * (2 * x - 1), y * (2 * y - 1), 4 * c * x, 4 * x * y, 4 * c * y)):
        value[:, k] = v
    slope[:, 0] = (1 - 4 * c)[:, None]
    slope[:, 1, 0], slope[:, 2, 1] = 4 * x - 1, 4 * y - 1
    slope[:, 3, 0], slope[:, 3, 1] = 4 * (c - x), -4 * x
    slope[:, 4, 0], slope[:, 4, 1] = 4 * y, 4 * x
    slope[:, 5, 0], slope[:, 5, 1] = -4 * y, 4 * (c - y)
    return value, slope


def _boundary_points(path: Path, size: float) -> Array:
    """Place points (n, 2) on a path: every corner, steps of about `size` mm, at least eight to a full turn."""
    pieces = path.pieces()
    weight = np.maximum(pieces.lengths / size, np.abs(pieces.sweep) / (np.pi / 4))
    bent = pieces.sweep != 0
    joins = (bent != np.roll(bent, 1)) & (np.minimum(weight, np.roll(weight, 1)) > 0.5)
    starts = np.flatnonzero((np.abs(pieces.turns) > 1e-3) | joins)
    if not len(starts):
        starts = np.array([0])
    out = []
    for k, first in enumerate(starts):
        last = starts[(k + 1) % len(starts)]
        run = np.arange(first, last if last > first else last + len(weight)) % len(weight)
        total = np.concatenate([[0.0], np.cumsum(weight[run])])
        least = 3 if len(starts) == 1 else 1
        at = np.linspace(0, total[-1], max(least, int(np.ceil(total[-1] - 1e-6))) + 1)[:-1]
        which = np.minimum(np.searchsorted(total, at, side="right") - 1, len(run) - 1)
        # One by one, as arrays round the last digit otherwise and the mesher may then choose other triangles.
        for s, t in zip(run[which], (at - total[which]) / weight[run[which]], strict=True):
            out.append(pieces.pick(s).at(t))
    return xy_of(np.array(out))


FINER = 8.0  # times smaller triangles for a region that could not be meshed with those asked for
_CACHE: OrderedDict[object, PlanarMesh] = OrderedDict()
_CACHE_SIZE = 64


def mesh_region(outline: Path, cuts: Sequence[Path], size: float, along: Sequence[float] | None = None) -> PlanarMesh:
    """Mesh the inside of `outline` less `cuts`.

    Parameters
    ----------
    outline, cuts : Path
        Exact curves, mm.
    size : float
        Wanted length of a triangle's side, mm.
    along : sequence of float, optional
        The same along each of the cuts, where it is to be smaller.

    Raises
    ------
    MeshError
        If the region cannot be meshed.
    """
    sizes = (size, *(along or [size] * len(cuts)))
    key = (outline, tuple(cuts), sizes)
    if key in _CACHE:
        _CACHE.move_to_end(key)
        return _CACHE[key]
    paths = [outline, *cuts]
    try:
        straight = _triangulate(paths, sizes)
    except MeshError:  # as at a strip a thousand times as long as wide
        straight = _triangulate(paths, [s / FINER for s in sizes])
    mesh = _curve_sides(straight, paths)
    _CACHE[key] = mesh
    while len(_CACHE) > _CACHE_SIZE:
        _CACHE.popitem(last=False)
    return mesh


def _triangulate(paths: Sequence[Path], sizes: Sequence[float]) -> tuple[Array, IntArray]:
    """Return straight triangles (points in mm) inside the first path from the planar mesher."""
    from netgen.geom2d import SplineGeometry

    geo: Any = SplineGeometry()
    for k, (path, size) in enumerate(zip(paths, sizes, strict=True)):
        pts = _boundary_points(path.oriented(ccw=True), size)
        ids = [geo.AppendPoint(float(x), float(y)) for x, y in pts]
        left, right = (1, 0) if k == 0 else (0, 1)
        for i, a in enumerate(ids):
            line = ["line", a, ids[(i + 1) % len(ids)]]
            geo.Append(line, leftdomain=left, rightdomain=right, bc=k + 1, maxh=size * 1.001)
    try:
        m: Any = geo.GenerateMesh(maxh=sizes[0] * 1.001)
    except MemoryError:  # no fault of the design
        raise
    except Exception as e:  # the mesher raises its own kinds
        raise MeshError(f"the mesher gave up ({e}); widen the thinnest web or choose another element size") from e
    points = np.array([p.p for p in m.Points()], dtype=float)[:, :2]
    triangles = np.array([[v.nr - 1 for v in el.vertices] for el in m.Elements2D()], dtype=np.int64)
    if not len(triangles):
        raise MeshError("the mesher returned nothing; check that the outline has area left")
    used = np.unique(triangles)
    number = np.full(len(points), -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    return points[used], number[triangles]


def _curve_sides(straight: tuple[Array, IntArray], paths: Sequence[Path]) -> PlanarMesh:
    """Move boundary nodes onto the true curves; sides inside the region stay straight."""
    points, triangles = straight
    mesh = PlanarMesh(points * MM, triangles)
    curved = [p for p in paths if np.any(p.pieces().sweep)]
    if not curved:
        return mesh
    xy = mesh.points.copy() / MM
    rim = mesh.boundary_sides
    ends = np.unique(mesh.sides[rim])
    owner = np.zeros(len(xy), dtype=np.int64)
    gaps = np.stack([shapely.distance(p.polygon(0.01).exterior, shapely.points(xy[ends])) for p in paths])
    owner[ends] = gaps.argmin(axis=0)
    for node in ends:
        if paths[owner[node]] in curved:
            xy[node] = paths[owner[node]].nearest((xy[node, 0], xy[node, 1]))
    xy[mesh.corners :] = xy[mesh.sides].mean(axis=1)
    for side in rim:
        path = paths[owner[mesh.sides[side, 0]]]
        if path in curved:
            middle = xy[mesh.corners + side]
            xy[mesh.corners + side] = path.nearest((middle[0], middle[1]))
    out = PlanarMesh(xy * MM, triangles)
    if out.rule(2)[3].min() <= 0:
        raise MeshError("a triangle folds over at a tight arc; choose a smaller element size")
    return out


def _bulk_ends(path: str | os.PathLike[str]) -> bool:
    """Whether a Nastran file's bulk data ends; its reader waits for ever at the end of one that never began."""
    with open(path, encoding="utf-8", errors="replace") as f:
        begun = any(line.strip().startswith("BEGIN BULK") for line in f)
        return begun and any(line.startswith("ENDDATA") for line in f)


def mesh_from_file(path: str | os.PathLike[str], region: shapely.Polygon) -> PlanarMesh:
    """Read a planar mesh of a part (in-plane cabinet coordinates, mm) in one of the formats of `MESH_ENDINGS`.

    Raises
    ------
    FileError
        If it cannot be read, or is of another format, or holds no triangles, or does not cover the part.
    """
    import meshio

    ending = os.path.splitext(path)[1].lower()
    if ending not in MESH_ENDINGS:
        raise FileError(f"{path}: the ending {ending!r} is not read; give one of {', '.join(MESH_ENDINGS)}")
    try:
        read_file(path, MAX_MESH_BYTES, "a coarser mesh")  # the readers have no limit
        if ending in NASTRAN_ENDINGS and not _bulk_ends(path):
            raise FileError(f"{path}: its bulk data has no ENDDATA; export the mesh again")
        m = meshio.read(path)
        cells = [c.data[:, :3] for c in m.cells if c.type in ("triangle", "triangle6")]
        triangles = np.vstack(cells).astype(np.int64) if cells else np.zeros((0, 3), np.int64)
        points = np.asarray(m.points, dtype=float)
    except FileError:
        raise
    except (Exception, SystemExit) as e:  # readers raise anything on a damaged file
        raise FileError(f"{path}: cannot be read as a mesh ({e}); give any planar triangle mesh meshio reads") from e
    if (
        not len(triangles)
        or triangles.shape[1] != 3
        or points.ndim != 2
        or points.shape[1] < 2
        or not 3 <= len(points) <= MAX_NODES
    ):
        raise FileError(f"{path}: holds no triangles, or over {MAX_NODES} nodes; give a planar triangle mesh")
    points = points[:, :2]
    if not np.abs(points).max() < FARTHEST:
        raise FileError(f"{path}: a node is not within {FARTHEST:g} mm of the origin; lengths are in mm")
    if triangles.min() < 0 or triangles.max() >= len(points):
        raise FileError(f"{path}: a triangle has a node that is not there; repair the mesh")
    used, flat = np.unique(triangles, return_inverse=True)
    triangles = flat.reshape(triangles.shape)
    points = points[used]
    corner = points[triangles]
    u, v = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    if np.abs(area).min() < 1e-9:
        raise FileError(f"{path}: a triangle has no area; repair the mesh")
    triangles[area < 0] = triangles[area < 0][:, ::-1]
    twins = cKDTree(points).query_pairs(1e-6)
    if twins:
        raise FileError(f"{path}: {len(twins)} nodes lie on top of each other; merge them")
    x0, y0, x1, y1 = region.bounds
    size = max(x1 - x0, y1 - y0)
    lo, hi = points.min(axis=0), points.max(axis=0)
    if np.abs(np.concatenate([lo, hi]) - [x0, y0, x1, y1]).max() > 0.01 * size:
        raise FileError(
            f"{path}: spans {lo[0]:.4g}..{hi[0]:.4g} by {lo[1]:.4g}..{hi[1]:.4g} but the part spans "
            f"{x0:.4g}..{x1:.4g} by {y0:.4g}..{y1:.4g}; use in-plane cabinet coordinates in mm"
        )
    if abs(np.abs(area).sum() / 2 / region.area - 1) > AREA_OFF:
        raise FileError(
            f"{path}: its triangles cover {np.abs(area).sum() / 200:.5g} cm2 but the part has {region.area / 100:.5g}; "
            "triangles are missing or twice there"
        )
    return PlanarMesh(points * MM, triangles)
