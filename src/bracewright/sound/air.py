"""The air inside: chambers joined through their braces' pockets, by finite elements, and its push on the walls.

Elements are upright 27-node bricks on a grid that keeps the faces of upright braces and the edges of their pockets; a
pocket is taken as the rectangle of its own area and proportions. Wood takes no air; a tilted brace is stepped. Walls
are rigid to the air.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from skfem import Basis, ElementHex2, MeshHex
from skfem.models.poisson import laplace, mass

from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, Cabinet, in_plane
from bracewright.design.chambers import chambers
from bracewright.errors import MeshError
from bracewright.fem.factor import factor
from bracewright.fem.mesh import MM
from bracewright.fem.modes import BLOCK, lowest_pairs
from bracewright.sound.medium import SPEED

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
ELEMENT = 45.0  # mm; a wavelength at 2 kHz is 171
CLOSE = 0.12  # of an element: grid planes nearer than this are one
MOST_ELEMENTS = 40_000
SETTLED = 1e-7  # as in `fem.modes.solve`


@dataclass(frozen=True)
class AirMesh:
    """Bricks of air between grid planes.

    Attributes
    ----------
    planes : three arrays
        Grid planes along x, y and z, m.
    element : (nx, ny, nz) int array
        Number of the element in each cell, -1 where there is wood.
    K, M : sparse arrays
        Integrals of grad f . grad g and of f g.
    dofs : (27, elements) int array
        Unknowns of each element, by their place (i, j, k) as 9 i + 3 j + k.
    places : (27,) int array
        Row of `dofs` for each place.
    room : (elements,) int array
        Which connected air an element belongs to.
    """

    planes: tuple[Array, Array, Array]
    element: IntArray
    K: Any
    M: Any
    dofs: IntArray
    places: IntArray
    room: IntArray

    @property
    def volume(self) -> Array:
        """Volume of each connected air, m3."""
        ones = np.zeros((self.K.shape[0], self.room.max() + 1))
        for k in range(ones.shape[1]):
            ones[self.dofs[:, self.room == k], k] = 1.0
        return np.asarray(np.einsum("nk,nk->k", ones, self.M @ ones))

    @cached_property
    def _tree(self) -> tuple[cKDTree, IntArray]:
        cells = np.argwhere(self.element >= 0)
        middles = np.column_stack([(p[:-1] + p[1:])[cells[:, a]] / 2 for a, p in enumerate(self.planes)])
        return cKDTree(middles), cells

    def rows(self, points: Array) -> Any:
        """Interpolation rows (p, unknowns) at points (p, 3), m; a point in wood takes the air nearest to it."""
        cell = np.empty((len(points), 3), dtype=np.int64)
        for axis, planes in enumerate(self.planes):
            at = np.searchsorted(planes, points[:, axis], side="right") - 1
            cell[:, axis] = np.clip(at, 0, len(planes) - 2)
        wood = self.element[tuple(cell.T)] < 0
        if wood.any():
            tree, cells = self._tree
            cell[wood] = cells[tree.query(points[wood])[1]]
        shapes = []
        for axis, planes in enumerate(self.planes):
            low, high = planes[cell[:, axis]], planes[cell[:, axis] + 1]
            t = np.clip((points[:, axis] - low) / (high - low), 0.0, 1.0)
            shapes.append(np.stack([(1 - t) * (1 - 2 * t), 4 * t * (1 - t), t * (2 * t - 1)], axis=1))
        value = np.einsum("pi,pj,pk->pijk", *shapes).reshape(len(points), 27)
        cols = self.dofs[self.places][:, self.element[tuple(cell.T)]].T
        indptr = np.arange(0, value.size + 1, 27)
        return sp.csr_array((value.ravel(), cols.ravel(), indptr), shape=(len(points), self.K.shape[0]))


@dataclass(frozen=True)
class Air:
    """Modes of the air between rigid walls.

    Attributes
    ----------
    mesh : AirMesh
    wavenumber : (m,) array
        1/m; zero once for each closed chamber. The last few stand in for all higher modes.
    shapes : (unknowns, m) array
        Pressure, with a mean square integral over the volume of 1 m3.
    true_modes : int
        How many of them are modes.
    loss_factor : float
    stretch : (m,) array
        Inertia of each mode over the plain one: less than 1 for the uniform pressure where drivers take up volume.
    """

    mesh: AirMesh
    wavenumber: Array
    shapes: Array
    true_modes: int
    loss_factor: float
    stretch: Array

    @property
    def frequency_Hz(self) -> Array:
        """Frequencies of the modes above zero, Hz."""
        f = self.wavenumber[: self.true_modes] * SPEED / (2 * np.pi)
        return np.asarray(f[f > 1.0])

    def amplitudes(self, push: NDArray[Any], frequency_Hz: float) -> NDArray[np.complex128]:
        """Return mode amplitudes (m, ...) when `push` (m, ...) is the volume acceleration let in, weighted by shape.

        Pressure is `shapes` times amplitudes times the density of air.
        """
        k2 = (2 * np.pi * frequency_Hz / SPEED) ** 2
        stiff = self.wavenumber**2 * (1 + 1j * self.loss_factor) - k2 * self.stretch
        return np.asarray(push / stiff.reshape(-1, *[1] * (push.ndim - 1)))

    @cached_property
    def rooms(self) -> int:
        """Number of chambers."""
        return int(self.mesh.room.max()) + 1


def _marks(cabinet: Cabinet, axis: int, size: float) -> Array:
    """Grid planes along an axis, mm: walls, faces of braces, edges of pockets, and steps between."""
    name = AXES[axis]
    low, high = (lay.inner_face(cabinet, s) for s in lay.sides(name))
    firm, soft = [low, high], []
    for brace in cabinet.braces:
        if brace.tilt_deg:
            continue
        t = cabinet.part_board(brace.name).thickness
        if brace.normal == name:
            firm += [brace.at - t / 2, brace.at + t / 2]
            continue
        which = in_plane(brace.normal).index(name)
        part = lay.part_layout(cabinet, brace.name, "inner")
        firm += [part.corners[:, which].min(), part.corners[:, which].max()]
        for middle, half in _apertures(cabinet, brace.name):
            soft += [middle[which] - half[which], middle[which] + half[which]]
    marks = sorted({round(m, 6) for m in firm if low - 1e-6 <= m <= high + 1e-6})
    for m in soft:
        if low < m < high and min(abs(m - other) for other in marks) > CLOSE * size:
            marks.append(m)
    fine = _tilted_steps(cabinet, axis)
    ends = [x for stretch in fine for x in stretch[:2] if low < x < high]
    marks = sorted([*marks, *(x for x in ends if min(abs(x - m) for m in marks) > CLOSE * size)])
    out = [marks[0]]
    for a, b in pairwise(marks):
        if b - a < 1e-3:
            continue
        step = min([size, *(h for x, y, h in fine if x < b and a < y)])
        out += np.linspace(a, b, max(1, int(np.ceil((b - a) / step - 1e-9))) + 1)[1:].tolist()
    return np.array(out)


def _tilted_steps(cabinet: Cabinet, axis: int) -> list[tuple[float, float, float]]:
    """Stretches (from, to) of an axis where a tilted brace lies, and steps there that keep its stepped wall closed."""
    out = []
    for brace in cabinet.braces:
        part = lay.part_layout(cabinet, brace.name, "inner")
        lean = abs(float(part.frame.e3[axis]))
        if brace.tilt_deg and lean > 1e-6:
            x = part.frame.to_space(part.corners)[:, axis]
            share = 0.6 if AXES[axis] == brace.normal else 0.35
            out.append((x.min() - part.thickness, x.max() + part.thickness, share * part.thickness / lean))
    return out


def _apertures(cabinet: Cabinet, brace: str) -> list[tuple[Array, Array]]:
    """Middle and half size (in-plane, mm) of the rectangle that stands for each pocket."""
    out = []
    for pocket in cabinet.brace(brace).pockets:
        hole = pocket.outline().polygon(0.05)
        x0, y0, x1, y1 = hole.bounds
        scale = np.sqrt(hole.area / ((x1 - x0) * (y1 - y0)))
        out.append((np.array([hole.centroid.x, hole.centroid.y]), scale * np.array([x1 - x0, y1 - y0]) / 2))
    return out


def _wood(cabinet: Cabinet, centres: Array) -> NDArray[np.bool_]:
    """Whether points (p, 3), mm, lie in a brace's wood."""
    wood = np.zeros(len(centres), dtype=bool)
    for brace in cabinet.braces:
        part = lay.part_layout(cabinet, brace.name, "inner")
        flat = part.frame.to_plane(centres)
        depth = (centres - part.frame.origin) @ part.frame.e3
        inside = np.abs(depth) < part.thickness / 2
        c = part.corners
        for a, b in zip(c, np.roll(c, -1, axis=0), strict=True):
            inward = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
            # Tilted braces reach the walls with their edges' corners only; let the stepped wall meet them.
            slack = part.thickness if brace.tilt_deg else 0.0
            inside &= (flat - a) @ inward > -slack
        for middle, half in _apertures(cabinet, brace.name):
            inside &= ~(np.abs(flat - middle) < half).all(axis=1)
        wood |= inside
    return wood


def air_mesh(cabinet: Cabinet, size: float = ELEMENT) -> AirMesh:
    """Divide the air of a cabinet into bricks of at most `size` mm.

    Raises
    ------
    MeshError
        If it needs too many of them.
    """
    marks = [_marks(cabinet, axis, size) for axis in range(3)]
    shape = tuple(len(m) - 1 for m in marks)
    if np.prod(shape) > MOST_ELEMENTS:
        raise MeshError(
            f"the air needs {np.prod(shape)} elements, over {MOST_ELEMENTS}: beside a thin brace that tilts they are "
            "small; tilt thicker braces, or fewer"
        )
    middles = np.stack(np.meshgrid(*[(m[:-1] + m[1:]) / 2 for m in marks], indexing="ij"), axis=-1).reshape(-1, 3)
    keep = ~_wood(cabinet, middles)
    number = np.where(keep, np.cumsum(keep) - 1, -1).reshape(shape)
    corners, corner_of = _corners(number)
    planes = tuple(m * MM for m in marks)
    grid = np.stack(np.meshgrid(*planes, indexing="ij"), axis=-1).reshape(-1, 3)
    order = MeshHex.init_tensor(*[np.array([0.0, 1.0])] * 3)
    # The one-brick mesh tells in which order the library takes a brick's corners.
    at = np.rint(order.p[:, order.t[:, 0]]).astype(int)
    t = corners[:, at[0] * 4 + at[1] * 2 + at[2]].T
    mesh = MeshHex(grid[corner_of].T.copy(), np.ascontiguousarray(t))
    basis = Basis(mesh, ElementHex2(), intorder=4)
    k, m = laplace.assemble(basis), mass.assemble(basis)
    dofs = np.asarray(basis.element_dofs, dtype=np.int64)
    first = np.argmax(keep)
    i = np.unravel_index(first, shape)
    low = np.array([planes[a][i[a]] for a in range(3)])
    span = np.array([planes[a][i[a] + 1] for a in range(3)]) - low
    place = np.rint(2 * (basis.doflocs[:, dofs[:, 0]].T - low) / span).astype(int) @ [9, 3, 1]
    _, label = connected_components(k)
    _, room = np.unique(label[dofs[0]], return_inverse=True)
    return AirMesh(planes, number, sp.csr_array(k), sp.csr_array(m), dofs, np.argsort(place), room)  # type: ignore[arg-type]


def _corners(number: IntArray) -> tuple[IntArray, IntArray]:
    """Number the corners of bricks so that only bricks sharing a face share them.

    Returns
    -------
    corners : (elements, 8) int array
        Corner (i, j, k) at 4 i + 2 j + k.
    grid : (corners,) int array
        Grid point of each.
    """
    count = int(number.max()) + 1
    cells = np.argwhere(number >= 0)
    offsets = np.array([(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)])
    shape = tuple(n + 1 for n in number.shape)
    grid = np.ravel_multi_index(tuple((cells[:, None] + offsets).reshape(-1, 3).T), shape).reshape(count, 8)
    a_list, b_list = [], []
    for axis in range(3):
        left = np.take(number, range(number.shape[axis] - 1), axis=axis)
        right = np.take(number, range(1, number.shape[axis]), axis=axis)
        both = (left >= 0) & (right >= 0)
        for corner in np.flatnonzero(offsets[:, axis] == 1):
            mirror = corner - (4, 2, 1)[axis]
            a_list.append(left[both] * 8 + corner)
            b_list.append(right[both] * 8 + mirror)
    a, b = np.concatenate(a_list), np.concatenate(b_list)
    graph = sp.coo_array((np.ones(len(a)), (a, b)), shape=(8 * count, 8 * count))
    total, label = connected_components(graph, directed=False)
    grid_of = np.empty(total, dtype=np.int64)
    grid_of[label] = grid.ravel()
    return label.reshape(count, 8).astype(np.int64), grid_of


def air_modes(
    cabinet: Cabinet,
    highest_Hz: float,
    *,
    size: float = ELEMENT,
    sources: Array | None = None,
    mesh: AirMesh | None = None,
) -> Air:
    """Return the modes of the air inside up to a frequency.

    Parameters
    ----------
    highest_Hz : float
    size : float
        Largest side of an element, mm.
    sources : (unknowns, s) array, optional
        Where volume is let in: a static correction is added for each.
    mesh : AirMesh, optional
        Made already.
    """
    mesh = mesh or air_mesh(cabinet, size)
    n = mesh.K.shape[0]
    k_max = 2 * np.pi * highest_Hz / SPEED
    volume = mesh.volume
    # Weyl's count of the modes of a room, with its surface term; braces add some, so ask again when it falls short.
    span = [p[-1] - p[0] for p in mesh.planes]
    area = 2 * (span[0] * span[1] + span[0] * span[2] + span[1] * span[2])
    count = int(1.1 * (volume.sum() * k_max**3 / (6 * np.pi**2) + area * k_max**2 / (16 * np.pi))) + 8 + len(volume)
    shift = (np.pi / max(span)) ** 2
    op = factor(mesh.K + shift * mesh.M)
    start = np.random.default_rng(20).standard_normal((n, BLOCK))  # the same every time
    while True:
        count = min(count, n - 2)
        value, shapes = lowest_pairs(mesh, op, -shift, count, start, SETTLED)
        if value.max() > k_max**2 or count == n - 2:
            break
        count, start = int(1.4 * count), shapes
    keep = value < k_max**2
    value, shapes = value[keep], shapes[:, keep]
    closed = len(volume)
    value[:closed] = 0.0
    shapes[:, :closed] = 0.0
    for k in range(closed):
        shapes[mesh.dofs[:, mesh.room == k], k] = 1 / np.sqrt(volume[k])
    true_modes = len(value)
    if sources is not None and sources.shape[1]:
        rest = op.solve(np.ascontiguousarray(sources))
        for _ in range(2):
            rest = rest - shapes @ (shapes.T @ (mesh.M @ rest))
        own, y = eigh(rest.T @ (mesh.K @ rest), rest.T @ (mesh.M @ rest))
        shapes, value = np.hstack([shapes, rest @ y]), np.concatenate([value, own])
    stretch = np.ones(len(value))
    stretch[:closed] = _net(cabinet, mesh, volume) / volume
    return Air(mesh, np.sqrt(value), shapes, true_modes, cabinet.stuffing_loss_factor, stretch)


def _net(cabinet: Cabinet, mesh: AirMesh, volume: Array) -> Array:
    """Net volume of each chamber, m3: exact where the chambers of the account and of the mesh agree in number."""
    found = chambers(cabinet)
    if len(found) != len(volume):
        return volume
    out = volume.copy()
    for mine, theirs in zip(np.argsort(-volume), found, strict=True):
        out[mine] = theirs.net_volume_l / 1e3
    return out
