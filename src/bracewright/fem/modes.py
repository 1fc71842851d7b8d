"""Modes of a model: shift-invert with a negative shift, and the proof that none is missed."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.linalg import ArpackError, LinearOperator, eigsh
from threadpoolctl import threadpool_limits

from bracewright.errors import SolveError
from bracewright.fem.factor import factor, negative_pivots
from bracewright.fem.system import Model

Array = NDArray[np.float64]
RIGID_LIMIT = 1e-3  # of the first elastic eigenvalue


@dataclass(frozen=True)
class Modes:
    """Elastic modes of a cabinet, computed or measured.

    Attributes
    ----------
    frequency_Hz : (m,) array
    loss_factor : (m,) array
    shapes : (n, m) array
        Normalised to unit modal mass (kg) when computed.
    rigid_modes : int
        Modes of no stiffness found besides.
    missed_modes : int or None
        Modes below the last one that the solver did not find, by inertia; None where not counted.
    residual : float
        Largest relative residual of the eigenpairs.
    seconds : mapping
        Time by task.
    """

    frequency_Hz: Array
    loss_factor: Array
    shapes: Array
    rigid_modes: int = 0
    missed_modes: int | None = None
    residual: float = 0.0
    seconds: Mapping[str, float] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.frequency_Hz)


def solve(model: Model, count: int = 20, *, prove: bool = True) -> Modes:
    """Return the first `count` elastic modes.

    Parameters
    ----------
    model : Model
    count : int
        1 or more.
    prove : bool
        Count the eigenvalues below the last mode by inertia, which costs one more factorisation.

    Raises
    ------
    SolveError
        No convergence, or values that are not finite.
    """
    n = model.dofs
    if not 1 <= count <= n - 16:
        raise SolveError(f"{count} modes are asked of a model with {n} unknowns; ask for 1..{n - 16}")
    t0 = time.perf_counter()
    sigma = -_first_guess(model)
    op = factor(model.K - sigma * model.M)
    with threadpool_limits(1):
        wanted = count + 6 + 4
        try:
            lam, phi = eigsh(
                model.K,
                k=wanted,
                M=model.M,
                sigma=sigma,
                OPinv=LinearOperator((n, n), matvec=op.solve, dtype=np.float64),
                v0=np.cos(np.arange(n) * 0.7),  # fixed start: the same answer every time
                tol=1e-9,
            )
        except ArpackError as e:
            raise SolveError(f"the eigenvalue solver did not converge ({e}); refine the mesh or ask for fewer") from e
    order = np.argsort(lam)
    lam, phi = lam[order], phi[:, order]
    if not (np.isfinite(lam).all() and np.isfinite(phi).all()):
        raise SolveError("the eigenvalue solver returned values that are not finite; check the boards' numbers")
    rigid = _count_rigid(lam)
    keep = slice(rigid, rigid + count)
    missed = None
    if prove:
        edge = _gap_above(lam, rigid + count)
        below = int((lam < edge).sum())
        missed = negative_pivots(model.K - edge * model.M) - below
    lam_e, phi_e = lam[keep], phi[:, keep]
    if len(lam_e) < count:
        raise SolveError(f"only {len(lam_e)} of {count} modes were found; refine the mesh")
    phi_e = phi_e / np.sqrt(np.einsum("im,im->m", phi_e, model.M @ phi_e))
    phi_e = phi_e * np.sign(phi_e[np.abs(phi_e).argmax(axis=0), np.arange(count)])
    r = model.K @ phi_e - (model.M @ phi_e) * lam_e
    residual = float((np.linalg.norm(r, axis=0) / np.linalg.norm(model.K @ phi_e, axis=0)).max())
    return Modes(
        frequency_Hz=np.sqrt(lam_e) / (2 * np.pi),
        loss_factor=_loss_factors(model, phi_e, lam_e),
        shapes=phi_e,
        rigid_modes=rigid,
        missed_modes=missed,
        residual=residual,
        seconds={**model.seconds, "solve": time.perf_counter() - t0},
    )


def _first_guess(model: Model) -> float:
    """Size of the first elastic eigenvalue: a beam of the weakest part's longest span."""
    guesses = []
    for p in model.parts.values():
        span = float(np.ptp(p.mesh.points, axis=0).max())
        guesses.append(min(p.laminate.D[0, 0], p.laminate.D[1, 1]) / p.laminate.mass * (2 * np.pi / span) ** 4 / 4)
    return float(min(guesses))


def _count_rigid(lam: Array) -> int:
    """Eigenvalues that are zero beside the first elastic one."""
    jump = np.flatnonzero(np.abs(lam[:-1]) < RIGID_LIMIT * lam[1:])
    return int(jump[-1]) + 1 if len(jump) else 0


def _gap_above(lam: Array, last: int) -> float:
    """Return a value in a wide gap at or above eigenvalue number `last`."""
    ends = np.arange(last, len(lam))
    best = ends[np.argmax(lam[ends] / lam[ends - 1])]
    return float((lam[best] + lam[best - 1]) / 2)


def _loss_factors(model: Model, phi: Array, lam: Array) -> Array:
    """Modal loss factors: each part's, weighted by its share of the strain energy."""
    total = np.zeros(len(lam))
    for name, k in model.part_K.items():
        x = phi[model.of_part(name)]
        share = np.einsum("im,im->m", x, k @ x) / lam
        total += share * model.cabinet.part_board(name).loss_factor
    return total
