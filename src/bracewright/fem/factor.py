"""One seam for factorising a symmetric matrix: sparse Cholesky when installed, else SuperLU.

Cholesky needs half the memory and solves faster. SuperLU also takes matrices that are not definite; ordered by nested
dissection (METIS, when installed) it needs far less arithmetic than by its own minimum degree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from weakref import finalize

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import splu
from threadpoolctl import threadpool_limits

from bracewright.errors import SolveError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Factor:
    """A factorised symmetric positive definite matrix.

    Attributes
    ----------
    solve : callable
        Maps right-hand sides (n,) or (n, k) to solutions of the same shape.
    method : {"cholesky", "superlu"}
    """

    solve: Callable[[Array], Array]
    method: str


def _sparse_cholesky() -> Any:
    try:
        import cholespy
    except ImportError:
        return None
    return cholespy


def _cholesky(library: Any, a: Any) -> Factor | None:
    """Factorise, or return None where that does not succeed, for whatever reason."""
    csc = sp.csc_array(a, dtype=np.float64)
    csc.sum_duplicates()
    n = csc.shape[0]
    try:
        kind = library.MatrixType.CSC
        solver = library.CholeskySolverD(n, csc.indptr.astype(np.int32), csc.indices.astype(np.int32), csc.data, kind)
    except (RuntimeError, ValueError):
        return None

    def solve(b: Array) -> Array:
        rhs = np.ascontiguousarray(b.reshape(n, -1), dtype=np.float64)
        x = np.zeros_like(rhs)
        solver.solve(rhs, x)
        return x.reshape(b.shape)

    # The library keeps room for the last solution and would not free it with the solver; a solve of no columns does.
    nothing = np.zeros((n, 0))
    finalize(solve, solver.solve, nothing, nothing).atexit = False

    # The library does not say when a pivot was not positive or memory ran out; a solution that does not fit does.
    probe = np.cos(np.arange(n))
    x = solve(probe)
    fits = np.isfinite(x).all() and np.linalg.norm(csc @ x - probe) <= 1e-4 * np.linalg.norm(probe) and probe @ x > 0
    return Factor(solve, "cholesky") if fits else None


def _dissection(a: Any) -> NDArray[np.int64] | None:
    """Order of the unknowns of a symmetric matrix by nested dissection, those of a node together."""
    try:
        from pymetis import CSRAdjacency, nested_dissection
    except ImportError:
        return None
    if not np.diff(a.indptr).all():
        return None
    # Unknowns are numbered by node: neighbours with the same neighbours are one vertex of the graph.
    kind = np.column_stack([np.diff(a.indptr), np.add.reduceat(a.indices.astype(np.int64), a.indptr[:-1])])
    vertex = np.concatenate([[0], np.cumsum((kind[1:] != kind[:-1]).any(axis=1))])
    row, column = vertex[a.indices], np.repeat(vertex, np.diff(a.indptr))
    apart = row != column
    size = int(vertex[-1]) + 1
    graph = sp.csr_matrix((np.ones(apart.sum()), (row[apart], column[apart])), shape=(size, size))
    # Rounding may leave a zero, which is not kept, on one side only; METIS never ends on a graph that is not symmetric.
    graph = graph + graph.T
    if not graph.nnz:
        return None
    _, place = nested_dissection(CSRAdjacency(graph.indptr, graph.indices))
    return np.argsort(np.asarray(place)[vertex], kind="stable")


def _superlu(a: Any) -> tuple[Any, Callable[[Array], Array]]:
    """Factors of a symmetric matrix with its unknowns in some order, and the solver in the old one."""
    csc = sp.csc_matrix(a)
    order = _dissection(csc)
    rule = "MMD_AT_PLUS_A" if order is None else "NATURAL"
    with threadpool_limits(1):
        try:
            lu = splu(
                csc if order is None else csc[order][:, order],
                permc_spec=rule,
                diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )
        except RuntimeError as e:
            raise SolveError(f"the matrix cannot be factorised ({e}); check for parts that touch nothing") from e
    if order is None:
        return lu, lu.solve

    def solve(b: Array) -> Array:
        x = np.empty_like(b)
        x[order] = lu.solve(b[order])
        return x

    return lu, solve


def factor(a: Any, *, method: str | None = None) -> Factor:
    """Factorise a symmetric positive definite sparse matrix.

    Parameters
    ----------
    a : sparse array, shape (n, n)
    method : {"cholesky", "superlu"}, optional
        The default takes the sparse Cholesky of the ``fast`` extra when it is installed.

    Raises
    ------
    SolveError
        If the matrix is singular, or the sparse Cholesky found it not positive definite.
    MemoryError
    """
    if not a.shape[0]:
        raise SolveError("there is nothing to factorise; check that a mesh has nodes")
    if not np.isfinite(a.data).all():
        raise SolveError("the matrix holds values that are not finite; check the boards' numbers")
    library = None if method == "superlu" else _sparse_cholesky()
    if library and (found := _cholesky(library, a)):
        return found
    lu, solve = _superlu(a)
    if library and (lu.U.diagonal() <= 0).any():
        raise SolveError("the matrix is not positive definite; check for a board or joint of no stiffness or mass")
    return Factor(solve, "superlu")


def negative_pivots(a: Any) -> int:
    """Count the negative eigenvalues of a symmetric sparse matrix by its pivots (Sylvester's law of inertia).

    Raises
    ------
    SolveError
        If the factorisation had to pivot off the diagonal, which voids the count.
    """
    lu, _ = _superlu(a)
    if not np.array_equal(lu.perm_r, lu.perm_c):
        raise SolveError("pivoting voided the inertia count; shift the count to another frequency")
    return int((lu.U.diagonal() < 0).sum())
