"""The plate: five fields (u, v, w, bx, by) on one planar mesh.

u_x(z) = u + z bx, u_y(z) = v + z by: plane-stress membrane and Reissner-Mindlin bending coupled by
the layup's A, B, D and S. All of a part's matrices are linear in a few scalar ones, so a change of
board needs no new integration and derivatives by material are exact. Transverse shear is integrated
at three points a triangle, which keeps thin boards free of locking.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.boards import Laminate
from bracewright.fem.mesh import PlanarMesh

Array = NDArray[np.float64]
FIELDS = 5
STIFF_ORDER = 2  # three points; exact for all but the shear terms on straight triangles
MASS_ORDER = 4

# Strain rows [u,x; v,y; u,y+v,x; bx,x; by,y; bx,y+by,x; w,x+bx; w,y+by] from the fields' derivatives and values.
STRAIN_X = np.zeros((8, 5))
STRAIN_Y = np.zeros((8, 5))
STRAIN_0 = np.zeros((8, 5))
STRAIN_X[[0, 2, 3, 5, 6], [0, 1, 3, 4, 2]] = 1.0
STRAIN_Y[[1, 2, 4, 5, 7], [1, 0, 4, 3, 2]] = 1.0
STRAIN_0[[6, 7], [3, 4]] = 1.0


@dataclass(frozen=True)
class ScalarForms:
    """Scalar matrices of one mesh on one sparsity pattern.

    Attributes
    ----------
    rows, cols : (n,) int arrays
        Pattern, sorted by row.
    indptr : int array
        Where each row starts.
    transpose : (n,) int array
        Place of each entry's mirror image.
    stiff : (6, n) array
        Integrals of f,x g,x; f,x g,y; f,y g,y; f,x g; f,y g and f g at the stiffness rule.
    mass : (n,) array
        Integral of f g, exact on straight triangles.
    """

    rows: NDArray[np.int64]
    cols: NDArray[np.int64]
    indptr: NDArray[np.int64]
    transpose: NDArray[np.int64]
    stiff: Array
    mass: Array


_FORMS: WeakKeyDictionary[PlanarMesh, ScalarForms] = WeakKeyDictionary()


def scalar_forms(mesh: PlanarMesh) -> ScalarForms:
    """Integrate the scalar matrices of a mesh; kept as long as the mesh is."""
    if mesh in _FORMS:
        return _FORMS[mesh]
    n = len(mesh.points)
    unique, where = _pattern(mesh)
    rows, cols = unique // n, unique % n
    value, dx, dy, weight = mesh.rule(STIFF_ORDER)

    def integrate(f: Array, g: Array, w: Array) -> Array:
        return _integrate(f, g, w, where)

    stiff = np.stack(
        [
            integrate(dx, dx, weight),
            integrate(dx, dy, weight),
            integrate(dy, dy, weight),
            integrate(dx, value, weight),
            integrate(dy, value, weight),
            integrate(value, value, weight),
        ]
    )
    full, _, _, fine = mesh.rule(MASS_ORDER)
    forms = ScalarForms(
        rows=rows,
        cols=cols,
        indptr=np.concatenate([[0], np.cumsum(np.bincount(rows, minlength=n))]),
        transpose=np.searchsorted(unique, cols * n + rows),
        stiff=stiff,
        mass=integrate(full, full, fine),
    )
    _FORMS[mesh] = forms
    return forms


def _pattern(mesh: PlanarMesh) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    el = mesh.nodes6
    key = (el[:, :, None] * len(mesh.points) + el[:, None, :]).ravel()
    unique, where = np.unique(key, return_inverse=True)
    return unique, where


def _integrate(f: Array, g: Array, w: Array, where: NDArray[np.int64]) -> Array:
    local = np.einsum("ieq,jeq,eq->eij", f, g, w, optimize=True)
    return np.bincount(where, weights=local.ravel()).astype(float)


def weighted_mass(mesh: PlanarMesh, factor: Array, order: int) -> Array:
    """Integral of factor f g on the pattern of `scalar_forms`, for a factor (e, q) at the points of a rule."""
    value, _, _, weight = mesh.rule(order)
    return _integrate(value, value, weight * factor, _pattern(mesh)[1])


def constitutive(board: Laminate) -> Array:
    """(8, 8) stiffness of [membrane, bending, shear] strains."""
    c = np.zeros((8, 8))
    c[:3, :3], c[:3, 3:6], c[3:6, :3], c[3:6, 3:6], c[6:, 6:] = board.A, board.B, board.B, board.D, board.S
    return c


def inertia(board: Laminate) -> Array:
    """(5, 5) inertia of the fields per area."""
    m = np.diag([board.mass, board.mass, board.mass, board.rotary, board.rotary])
    m[0, 3] = m[3, 0] = m[1, 4] = m[4, 1] = board.first_moment
    return m


def stiffness_blocks(forms: ScalarForms, c: Array) -> Array:
    """(n, 5, 5) stiffness blocks on the pattern of `forms` for a constitutive matrix (8, 8)."""
    xx, xy, yy, x0, y0, m3 = forms.stiff
    t = forms.transpose
    terms = [
        (STRAIN_X.T @ c @ STRAIN_X, xx),
        (STRAIN_X.T @ c @ STRAIN_Y, xy),
        (STRAIN_Y.T @ c @ STRAIN_X, xy[t]),
        (STRAIN_Y.T @ c @ STRAIN_Y, yy),
        (STRAIN_X.T @ c @ STRAIN_0, x0),
        (STRAIN_0.T @ c @ STRAIN_X, x0[t]),
        (STRAIN_Y.T @ c @ STRAIN_0, y0),
        (STRAIN_0.T @ c @ STRAIN_Y, y0[t]),
        (STRAIN_0.T @ c @ STRAIN_0, m3),
    ]
    coefficient = np.stack([a.ravel() for a, _ in terms])
    scalar = np.stack([s for _, s in terms])
    return (scalar.T @ coefficient).reshape(-1, FIELDS, FIELDS)


def part_matrices(mesh: PlanarMesh, board: Laminate, mass: Array | None = None) -> tuple[Any, Any]:
    """Return (K, M) of a part as block sparse arrays, unknowns numbered node by node.

    `mass` stands in for the integral of f g where wood is missing from the board.
    """
    forms = scalar_forms(mesh)
    shape = (FIELDS * len(mesh.points),) * 2
    k = stiffness_blocks(forms, constitutive(board))
    m = (forms.mass if mass is None else mass)[:, None, None] * inertia(board)
    k_csr, m_csr = (sp.bsr_array((b, forms.cols, forms.indptr), shape=shape) for b in (k, m))
    return k_csr, m_csr
