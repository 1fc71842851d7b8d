"""Modes of a model: shift-invert with a negative shift, and the proof that none is missed."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.sparse.csgraph import connected_components
from threadpoolctl import threadpool_limits

from bracewright.design.cabinet import Cabinet
from bracewright.errors import SolveError
from bracewright.fem.factor import Factor, factor, negative_pivots
from bracewright.fem.system import Model, added

Array = NDArray[np.float64]
BLOCK = 16  # columns of a block
SETTLED = 1e-8
SPARE = 4  # eigenpairs beyond those asked for, to find a gap for the inertia count
RIGID_LIMIT = 1e-6  # of the first elastic eigenvalue; rounding leaves some 1e-12, a bounce on the softest feet 1e-5
SLOWEST = 0.04  # rad2/s2
ONE_PIECE = 0.5  # of a mode's kinetic energy in rigid motion, from which it is one of the whole cabinet
NEGATIVE_LIMIT = 1e-3  # of the largest; less is rounding too


class Pencil(Protocol):
    """Anything with sparse K and M."""

    @property
    def K(self) -> Any:
        """Stiffness."""

    @property
    def M(self) -> Any:
        """Mass."""


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

    def picked(self, which: NDArray[np.int64]) -> Self:
        """Return some of the modes, by their numbers from 0."""
        f, loss, shapes = self.frequency_Hz[which], self.loss_factor[which], self.shapes[:, which]
        return replace(self, frequency_Hz=f, loss_factor=loss, shapes=shapes)


def solve(
    model: Model, count: int = 20, *, prove: bool = True, start: Array | None = None, tolerance: float = SETTLED
) -> Modes:
    """Return the first `count` elastic modes.

    Parameters
    ----------
    model : Model
    count : int
        1 or more.
    prove : bool
        Count the eigenvalues below the last mode by inertia, which costs one more factorisation.
    start : (n, k) array, optional
        Shapes to start from, such as a similar design's modes on the same mesh.
    tolerance : float
        Change between two sweeps, relative to the largest eigenvalue wanted, at which to stop.

    Raises
    ------
    SolveError
        No convergence, or values that are not finite.
    """
    t0 = time.perf_counter()
    lam, phi, _ = lowest(model, count, start=start, tolerance=tolerance)
    missed = None
    if prove:
        rigid = _count_rigid(lam)
        edge = _gap_above(lam, rigid + count)
        missed = negative_pivots(model.K - edge * model.M) - int((lam < edge).sum())
    return as_modes(model, lam, phi, count, missed, time.perf_counter() - t0)


def bounces(cabinet: Cabinet) -> int:
    """Return how many modes a cabinet has on its supports, moving as one piece: 6, or 0 where nothing holds it."""
    return 0 if cabinet.supports.kind == "free" else 6


def wall_modes(model: Model, modes: Modes) -> NDArray[np.int64]:
    """Return the numbers, from 0, of the modes in which the walls move, not the whole cabinet on its supports."""
    if not bounces(model.cabinet):
        return np.arange(len(modes))
    rigid = model.rigid @ np.linalg.inv(np.linalg.cholesky(model.mass_matrix)).T
    share = ((rigid.T @ (model.M @ modes.shapes)) ** 2).sum(axis=0)
    most = np.argsort(-share)[: bounces(model.cabinet)]  # on a stiff bed more of them have much of it
    return np.delete(np.arange(len(modes)), most[share[most] >= ONE_PIECE])


def lowest(
    model: Model, count: int, *, start: Array | None = None, tolerance: float = SETTLED
) -> tuple[Array, Array, Factor]:
    """Return eigenvalues and M-normalised shapes, rigid ones first and a few to spare last, and the factor used.

    The factor is that of K + s M, s the size of the first elastic eigenvalue.

    Raises
    ------
    SolveError
        As `solve`.
    """
    n = model.dofs
    if not 1 <= count <= n - 16:
        raise SolveError(f"{count} modes are asked of a model with {n} unknowns; ask for 1..{n - 16}")
    sigma = -_first_guess(model)
    with threadpool_limits(1):
        op = factor(model.K - sigma * model.M)
        # Parts joined to nothing move freely, six ways each.
        loose = 6 * int(connected_components(model.K)[0])
        if start is None:
            block = np.random.default_rng(20).standard_normal((n, max(BLOCK, loose)))  # the same every time
        else:
            block = np.hstack([model.rigid, start])
        lam, phi = lowest_pairs(model, op, sigma, count + loose + SPARE, block, tolerance)
    return lam, phi, op


def as_modes(model: Model, lam: Array, phi: Array, count: int, missed: int | None, seconds: float) -> Modes:
    """Make the record of the elastic modes among eigenpairs.

    Raises
    ------
    SolveError
        Fewer than `count` of them.
    """
    rigid = _count_rigid(lam)
    keep = slice(rigid, rigid + count)
    lam_e, phi_e = lam[keep], phi[:, keep]
    if len(lam_e) < count:
        raise SolveError(f"only {len(lam_e)} of {count} modes were found; refine the mesh")
    inertia = model.M @ phi_e
    scale = np.sign(phi_e[np.abs(phi_e).argmax(axis=0), np.arange(count)])
    scale = scale / np.sqrt(np.einsum("im,im->m", phi_e, inertia))
    phi_e, inertia = phi_e * scale, inertia * scale
    force = model.K @ phi_e
    residual = float((np.linalg.norm(force - inertia * lam_e, axis=0) / np.linalg.norm(force, axis=0)).max())
    return Modes(
        frequency_Hz=np.sqrt(lam_e) / (2 * np.pi),
        loss_factor=_loss_factors(model, phi_e, lam_e),
        shapes=phi_e,
        rigid_modes=rigid,
        missed_modes=missed,
        residual=residual,
        seconds={**model.seconds, "solve": seconds},
    )


def lowest_pairs(
    model: Pencil, op: Factor, sigma: float, wanted: int, start: Array, settled: float
) -> tuple[Array, Array]:
    """Return the lowest eigenpairs by a block Krylov method on the inverse, checked to be sound.

    Blocks keep a fast factorisation busy, find repeated modes, and take a start from modes known before.
    """
    M, n = model.M, model.M.shape[0]
    room = min(n, 4 * wanted + 16 * start.shape[1])  # twice what the slowest met needed; memory is taken as it fills
    # Columns side by side in memory; products with all of them at once are most of the work.
    basis, mbasis, images = (np.zeros((n, room), order="F") for _ in range(3))
    small = np.zeros((room, room))
    filled = 0
    x, mx = _orthonormal(op.solve(M @ start), M, basis[:, :0], mbasis[:, :0])
    last = np.full(wanted, np.inf)
    while filled + x.shape[1] <= room and x.shape[1]:
        new = slice(filled, filled + x.shape[1])
        basis[:, new], mbasis[:, new], images[:, new] = x, mx, op.solve(mx)
        filled = new.stop
        small[:filled, new] = mbasis[:, :filled].T @ images[:, new]
        small[new, :filled] = small[:filled, new].T
        theta, y = np.linalg.eigh(small[:filled, :filled])
        if filled > wanted + 2 and theta[-wanted] > 0:
            lam = 1 / theta[: -wanted - 1 : -1] + sigma
            if np.abs(lam - last).max() < settled * abs(lam[-1]):
                best = y[:, : -wanted - 1 : -1] / theta[: -wanted - 1 : -1]
                return _checked(model, lam, images[:, :filled] @ best)
            last = lam
        x, mx = _orthonormal(images[:, new], M, basis[:, :filled], mbasis[:, :filled])
    raise SolveError(
        "the eigenvalue solver did not converge; ask for fewer modes, refine the mesh, or give very soft joints more "
        "stiffness"
    )


def _orthonormal(x: Array, M: Any, basis: Array, mbasis: Array) -> tuple[Array, Array]:
    """Make the columns of x M-orthonormal to each other and to a basis; drop what depends on it."""
    for _ in range(2):
        x = x - basis @ (mbasis.T @ x)
        mx = M @ x
        value, vector = np.linalg.eigh(x.T @ mx)
        good = value > 1e-13 * value[-1]
        scale = vector[:, good] / np.sqrt(value[good])
        x, mx = x @ scale, mx @ scale
    return x, mx


def _checked(model: Pencil, lam: Array, phi: Array) -> tuple[Array, Array]:
    """Refuse eigenpairs that are not finite or not of a body that stores energy; refine them once."""
    if not (np.isfinite(lam).all() and np.isfinite(phi).all()):
        raise SolveError("the eigenvalue solver returned values that are not finite; check the boards' numbers")
    value, y = eigh(phi.T @ (model.K @ phi), phi.T @ (model.M @ phi))
    if value[0] < -NEGATIVE_LIMIT * abs(value[-1]):
        raise SolveError(
            f"an eigenvalue is negative ({value[0]:.3g}); check for a board or joint of negative stiffness"
        )
    return value, phi @ y


def _first_guess(model: Model) -> float:
    """Size of the first elastic eigenvalue: a beam of the weakest part's longest span."""
    guesses = []
    for p in model.parts.values():
        span = float(np.ptp(p.mesh.points, axis=0).max())
        guesses.append(min(p.laminate.D[0, 0], p.laminate.D[1, 1]) / p.laminate.mass * (2 * np.pi / span) ** 4 / 4)
    return float(min(guesses))


def _count_rigid(lam: Array) -> int:
    """Eigenvalues that are zero: beside the first elastic one, or of what takes half a minute to and fro."""
    jump = np.flatnonzero(np.abs(lam[:-1]) < RIGID_LIMIT * lam[1:])
    return max(int(jump[-1]) + 1 if len(jump) else 0, int((lam < SLOWEST).sum()))


def _gap_above(lam: Array, last: int) -> float:
    """Return a value in a wide gap at or above eigenvalue number `last`."""
    ends = np.arange(last, len(lam))
    if not len(ends):
        raise SolveError("parts move against each other without stiffness; give the joints between them more of it")
    best = ends[np.argmax(lam[ends] / lam[ends - 1])]
    return float((lam[best] + lam[best - 1]) / 2)


def _loss_factors(model: Model, phi: Array, lam: Array) -> Array:
    """Modal loss factors: those of boards, joints and sheets, weighted by their shares of the strain energy.

    All shares make one, so the factor that most of the stiffness has needs no share of its own.
    """
    stiff = [(k, model.loss_of(key)) for key, (k, _, _) in model.terms.items() if k is not None]
    size: dict[float, int] = {}
    for k, value in stiff:
        size[value] = size.get(value, 0) + k.nnz
    common = max(size, key=lambda value: size[value])
    other = [k * (value - common) for k, value in stiff if value != common]
    out = np.full(len(lam), common)
    return np.asarray(out + np.einsum("im,im->m", phi, added(other) @ phi) / lam) if other else out
