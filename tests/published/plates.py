"""One plate at a time: its matrices, supports and frequencies, for checks against published values.

Plates lie in a plane with one corner at the origin; lengths of outlines are in mm, as everywhere, and
results in SI. Supports on nodes remove unknowns; those along lines and at points are stiff springs on
the plate's trace, which is how the library ties parts that do not share nodes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.linalg import LinearOperator, eigsh
from skfem import MeshTri

from bracewright.boards import Board, Laminate, laminate
from bracewright.fem.factor import factor
from bracewright.fem.joints import Line, energy, pieces, rows
from bracewright.fem.mesh import PlanarMesh, Trace, mesh_region
from bracewright.fem.plate import FIELDS, part_matrices
from bracewright.geometry import Path, polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
U, V, W, BX, BY = range(FIELDS)
RIGID = 1e7  # times D over a length of 1 m cubed: a line or point meant to be rigid


def isotropic(h: float, nu: float = 0.3, E_GPa: float = 10.0, rho: float = 1000.0, kappa: float = 5 / 6) -> Laminate:
    """One isotropic layer h mm thick, with the shear correction asked for."""
    board = laminate(Board.isotropic(h, E_GPa, nu, rho))
    return replace(board, S=board.S * kappa * 6 / 5)


def rectangle(a: float, b: float) -> Path:
    return polygon(((0, 0), (a, 0), (a, b), (0, b)))


@dataclass(frozen=True)
class Plate:
    """A meshed plate; K and M number five fields node by node."""

    mesh: PlanarMesh
    board: Laminate
    K: Any
    M: Any

    @property
    def span(self) -> float:
        """Extent along x, m."""
        return float(np.ptp(self.mesh.points[:, 0]))

    def mask(self, *fields: int) -> Mask:
        """Unknowns held: these fields at every node."""
        held = np.zeros((len(self.mesh.points), FIELDS), dtype=bool)
        held[:, list(fields)] = True
        return held


def of_mesh(mesh: PlanarMesh, board: Laminate) -> Plate:
    K, M = part_matrices(mesh, board)
    return Plate(mesh, board, csr_array(K), csr_array(M))


def plate(outline: Path, board: Laminate, size: float, cuts: Sequence[Path] = ()) -> Plate:
    return of_mesh(mesh_region(outline, cuts, size), board)


def grid(a: float, b: float, nx: int, ny: int) -> PlanarMesh:
    """Regular mesh of a rectangle: nx by ny oblongs, each cut along its diagonal."""
    mesh = MeshTri.init_tensor(np.linspace(0, a / 1000, nx + 1), np.linspace(0, b / 1000, ny + 1))
    return PlanarMesh(mesh.p.T.copy(), mesh.t.T.astype(np.int64))


def held(p: Plate, edges: str, *, hard: bool = True) -> Mask:
    """Unknowns held in bending: edges x=0, x=a, y=0, y=b of a rectangle are S, C or F; u and v are held throughout."""
    out = p.mask(U, V)
    ends = [p.mesh.points[:, axis] - at for axis in (0, 1) for at in (0.0, p.mesh.points[:, axis].max())]
    for number, (kind, gap) in enumerate(zip(edges, ends, strict=True)):
        on = np.abs(gap) < 1e-9
        along = BY if number < 2 else BX  # turning of the normal along the edge
        if kind in "SC":
            out[on, W] = True
        if kind == "C":
            out[np.ix_(on, [BX, BY])] = True
        if kind == "S" and hard:
            out[on, along] = True
    return out


def rim(p: Plate) -> NDArray[np.int64]:
    """Nodes on the outer and inner edges."""
    sides = p.mesh.boundary_sides
    return np.union1d(p.mesh.sides[sides], p.mesh.corners + sides)


def measure(**coefficients: Sequence[float]) -> Array:
    """(1, 5) coefficients of one measure from keywords u, v, w, bx, by."""
    return np.array([[coefficients.get(name, 0.0) for name in ("u", "v", "w", "bx", "by")]], dtype=float)


def springs(p: Plate, trace: Trace, weight: Array, value: Array, dx: Array | None = None) -> Any:
    """Matrix of the sum of weight times (a measure squared) over the points of a trace."""
    none = np.zeros_like(value)
    e = rows(trace, value, none if dx is None else dx, none, 0, p.K.shape[0])
    return energy(e, weight, np.eye(1))


def line(start: Array, end: Array, step: float) -> Line:
    """A line in equal intervals of about `step`, m."""
    length = float(np.linalg.norm(end - start))
    cuts = np.linspace(0, 1, int(np.ceil(length / step - 1e-6)) + 1)
    return pieces(start, end, [(0.0, length)], (tuple(cuts.tolist()),))


def on_line(p: Plate, start: Sequence[float], end: Sequence[float], size: float) -> tuple[Trace, Array]:
    """Trace and weights (m) along a line between two points in mm."""
    points = line(np.array([*start, 0.0]) / 1000, np.array([*end, 0.0]) / 1000, size / 1000)
    return p.mesh.trace(points.points[:, :2]), points.weight


def omega(
    p: Plate, fixed: Mask, count: int, *, K: Any = None, M: Any = None, skip: int = 0, shapes: bool = False
) -> Any:
    """Lowest angular frequencies after `skip` rigid ones, and their shapes on request.

    The matrices `K` and `M` are added; when they are larger, what lies past the plate's unknowns belongs to them alone.
    """
    own = [p.K.copy(), p.M.copy()]
    for k, more in enumerate((K, M)):
        if more is not None:
            own[k].resize(more.shape)
            own[k] = own[k] + more
    full = own[0].shape[0]
    keep = np.setdiff1d(np.arange(full), np.flatnonzero(fixed.ravel()))
    K, M = (a[keep][:, keep] for a in own)
    bending = not fixed[:, W].all()
    stiffness = p.board.D[0, 0] / p.span**4 if bending else p.board.A[0, 0] / p.span**2
    shift = -0.1 * stiffness / p.board.mass
    n = len(keep)
    op = LinearOperator((n, n), matvec=factor(K - shift * M).solve, dtype=np.float64)
    start = np.cos(np.arange(n) * 0.7)
    lam, phi = eigsh(K, k=count + skip, M=M, sigma=shift, OPinv=op, v0=start, tol=1e-10)
    order = np.argsort(lam)
    if skip:
        assert np.abs(lam[order[:skip]]).max() < 1e-4 * lam[order[skip]], "rigid modes are missing"
    out = np.sqrt(lam[order[skip:]])
    if not shapes:
        return out
    whole = np.zeros((full, count))
    whole[keep] = phi[:, order[skip:]]
    return out, whole


def parameter(p: Plate, omega: Array, a: float | None = None) -> Array:
    """omega a^2 sqrt(rho h / D); D is D[1, 1] when the plate is not isotropic (D2)."""
    a = p.span if a is None else a
    return omega * a**2 * np.sqrt(p.board.mass / p.board.D[1, 1])


def hertz(omega: Array) -> Array:
    return omega / (2 * np.pi)
