"""Modes of designs near one that was solved: its factor and its modes are put to use again.

A block Davidson method: the near design's own matrices, the known design's factor as the
preconditioner, its modes as the start. What is found is exact to the tolerance asked for; how fast
depends on how near the design is. A search, a slider and a Monte-Carlo run all go this way.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from bracewright.design.cabinet import Cabinet
from bracewright.errors import SolveError
from bracewright.fem.factor import Factor
from bracewright.fem.modes import Modes, as_modes, lowest
from bracewright.fem.moves import carried, follow
from bracewright.fem.system import DEFAULT_SIZE, Model, build

Array = NDArray[np.float64]
SWEEPS = 8  # then the design is not near
TOLERANCE = 1e-4  # relative error of a frequency
DOUBT = (1.0, 8.0, 2.5)  # what is left beside its estimate after one sweep and after more, as seen at the worst
NEIGHBOURS = 2  # places in the order that modes may change by in one sweep
DEPENDENT = 1e-12
NOTHING = 1e-18  # of the largest residual squared; rigid motions need no correction


@dataclass(frozen=True)
class Anchor:
    """A solved design, to solve near ones from.

    Attributes
    ----------
    model : Model
    modes : Modes
    count : int
        How many elastic modes it and near designs give.
    shapes : (n, k) array
        Elastic mode shapes, some more than `count`.
    op : Factor
        Of K + s M.
    """

    model: Model
    modes: Modes
    count: int
    shapes: Array
    op: Factor

    @classmethod
    def of(
        cls, design: Cabinet | Model, count: int = 20, *, size: float = DEFAULT_SIZE, joints: str = "computed"
    ) -> Anchor:
        """Solve a design.

        Parameters
        ----------
        design : Cabinet or Model
        count : int
            Elastic modes.
        size, joints
            As `build` takes them, for a cabinet.

        Raises
        ------
        DesignError, MeshError, SolveError
            As `build` and `solve`.
        """
        model = design if isinstance(design, Model) else build(design, size=size, joints=joints)
        t0 = time.perf_counter()
        lam, phi, op = lowest(model, count)
        modes = as_modes(model, lam, phi, count, None, time.perf_counter() - t0)
        return cls(model, modes, count, phi[:, modes.rigid_modes :], op)

    def solve(self, cabinet: Cabinet, *, tolerance: float = TOLERANCE) -> tuple[Model, Modes]:
        """Return the model and modes of a near design.

        Parameters
        ----------
        cabinet : Cabinet
            With the same parts and openings.
        tolerance : float
            Estimated relative error of each frequency.

        Raises
        ------
        MeshError, DesignError
            As `follow`.
        SolveError
            The design is too far to be reached; take a new anchor.
        """
        model = follow(self.model, cabinet)
        t0 = time.perf_counter()
        shift = float((2 * np.pi * self.modes.frequency_Hz[0]) ** 2)
        start = np.hstack([model.rigid, carried(self.model, model, self.shapes)])
        with threadpool_limits(1):
            lam, phi = _from(model, start, self.op, 6 + self.count, 2 * tolerance, shift)
        return model, as_modes(model, lam, phi, self.count, None, time.perf_counter() - t0)


def _from(model: Model, start: Array, op: Factor, wanted: int, tolerance: float, shift: float) -> tuple[Array, Array]:
    """Return eigenpairs, `wanted` of them within a relative tolerance on the eigenvalues.

    The gain a correction promises is r' w with residual r and correction w = P r. After it, the gain
    left is scaled by how much the residual fell, which saves the solve that would confirm it.
    """
    K, M = model.K, model.M
    n, k = start.shape
    diagonal = K.diagonal() + np.abs(K).max() * 1e-12
    space = _Space(n, k * (SWEEPS + 1), shift)
    space.add(start, K @ start, M @ start)
    worth = np.zeros(k)  # what a unit of residual was worth when it was last corrected
    for sweep in range(SWEEPS + 1):
        lam, y = space.ritz(k)
        residual = space.residual(y, lam)
        size = np.maximum((residual**2 / diagonal[:, None]).sum(axis=0), 1e-300)
        todo = np.flatnonzero(size > NOTHING * size.max())
        if sweep:
            # Modes may have changed places, so a neighbour's worth counts too.
            around = np.stack([np.roll(worth, j) for j in range(-NEIGHBOURS, NEIGHBOURS + 1)]).max(axis=0)
            left = DOUBT[min(sweep, len(DOUBT) - 1)] * around * size
            if left[:wanted].max() < tolerance:
                return lam, space.basis[:, : space.filled] @ y
            todo = np.flatnonzero((left > tolerance / 4) | (np.arange(k) >= wanted))
        if sweep == SWEEPS:
            break
        w = op.solve(residual[:, todo])
        gain = np.einsum("im,im->m", residual[:, todo], w) / np.maximum(np.abs(lam[todo]), lam[6])
        worth[todo] = gain / size[todo]
        space.add(w, K @ w, M @ w)
    raise SolveError("the design is too far from the one it is solved from; solve it afresh")


class _Space:
    """A growing basis with its products, in memory laid out once."""

    def __init__(self, n: int, room: int, shift: float) -> None:
        self.shift = shift
        self.basis, self.kbasis, self.mbasis = (np.empty((n, room), order="F") for _ in range(3))
        self.k, self.m = (np.zeros((room, room)) for _ in range(2))
        self.filled = 0

    def add(self, x: Array, kx: Array, mx: Array) -> None:
        """Add columns, scaled to unit energy in K + shift M, so that what is stiff and light counts too."""
        scale = 1 / np.sqrt(np.einsum("im,im->m", x, kx + self.shift * mx))
        new = slice(self.filled, self.filled + x.shape[1])
        for own, given in ((self.basis, x), (self.kbasis, kx), (self.mbasis, mx)):
            own[:, new] = given * scale
        self.filled = new.stop
        for gram, product in ((self.k, self.kbasis), (self.m, self.mbasis)):
            gram[: self.filled, new] = self.basis[:, : self.filled].T @ product[:, new]
            gram[new, : self.filled] = gram[: self.filled, new].T

    def residual(self, y: Array, lam: Array) -> Array:
        """K x - lam M x of the vectors with these coefficients."""
        return np.asarray(self.kbasis[:, : self.filled] @ y - (self.mbasis[:, : self.filled] @ y) * lam)

    def ritz(self, count: int) -> tuple[Array, Array]:
        """Lowest Ritz values and their coefficients; the basis may be nearly dependent."""
        k, m = (g[: self.filled, : self.filled] for g in (self.k, self.m))
        energy = k + self.shift * m
        value, vector = np.linalg.eigh((energy + energy.T) / 2)
        good = value > DEPENDENT * value[-1]
        t = vector[:, good] / np.sqrt(value[good])
        theta, y = np.linalg.eigh(t.T @ ((m + m.T) / 2) @ t)
        theta, y = theta[::-1][:count], y[:, ::-1][:, :count]
        if not np.isfinite(theta).all() or theta[-1] <= 0:
            raise SolveError("the eigenvalue solver returned values that are not finite; check the boards' numbers")
        return 1 / theta - self.shift, t @ (y / np.sqrt(theta))
