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
from bracewright.fem.moves import follow
from bracewright.fem.system import DEFAULT_SIZE, Model, build

Array = NDArray[np.float64]
SWEEPS = 8  # then the design is not near
TOLERANCE = 1e-4  # relative error of a frequency
DOUBT = (1.0, 8.0, 2.5)  # what is left beside its estimate after one sweep and after more, as seen at the worst
DEPENDENT = 1e-12


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
        with threadpool_limits(1):
            lam, phi = _from(model, np.hstack([model.rigid, self.shapes]), self.op, 6 + self.count, 2 * tolerance)
        return model, as_modes(model, lam, phi, self.count, None, time.perf_counter() - t0)


def _from(model: Model, start: Array, op: Factor, wanted: int, tolerance: float) -> tuple[Array, Array]:
    """Return eigenpairs, `wanted` of them within a relative tolerance on the eigenvalues.

    The gain a correction promises is r' w with residual r and correction w = P r. After it, the gain
    left is scaled by how much the residual fell, which saves the solve that would confirm it.
    """
    K, M = model.K, model.M
    n, k = start.shape
    diagonal = np.sqrt(K.diagonal() + np.abs(K).max() * 1e-12)
    space = _Space(n, k * (SWEEPS + 1))
    space.add(start, K @ start, M @ start)
    left = np.full(wanted, np.inf)
    gain = size = left
    todo = np.arange(k)  # columns still corrected; the spare ones always
    for sweep in range(SWEEPS + 1):
        lam, y = space.ritz(k)
        residual = space.residual(y[:, todo], lam[todo])
        asked = todo[todo < wanted]
        new = np.linalg.norm(residual[:, : len(asked)] / diagonal[:, None], axis=0)
        if sweep:
            left[asked] = DOUBT[min(sweep, len(DOUBT) - 1)] * gain * (new / size) ** 2
            if left.max() < tolerance:
                return lam, space.basis[:, : space.filled] @ y
            keep = np.concatenate([left > tolerance / 4, np.ones(k - wanted, dtype=bool)])[todo]
            todo, residual, new = todo[keep], residual[:, keep], new[keep[: len(asked)]]
        if sweep == SWEEPS:
            break
        w = op.solve(residual)
        gain = np.einsum("im,im->m", residual, w) / np.maximum(np.abs(lam[todo]), lam[6])
        gain, size = gain[: len(new)], np.where(new > 0, new, 1.0)
        space.add(w, K @ w, M @ w)
    raise SolveError("the design is too far from the one it is solved from; solve it afresh")


class _Space:
    """A growing basis with its products, in memory laid out once."""

    def __init__(self, n: int, room: int) -> None:
        self.basis, self.kbasis, self.mbasis = (np.empty((n, room), order="F") for _ in range(3))
        self.k, self.m = (np.zeros((room, room)) for _ in range(2))
        self.filled = 0

    def add(self, x: Array, kx: Array, mx: Array) -> None:
        """Add columns, scaled to unit mass."""
        scale = 1 / np.sqrt(np.einsum("im,im->m", x, mx))
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
        a, b = (g[: self.filled, : self.filled] for g in (self.k, self.m))
        value, vector = np.linalg.eigh((b + b.T) / 2)
        good = value > DEPENDENT * value[-1]
        t = vector[:, good] / np.sqrt(value[good])
        lam, y = np.linalg.eigh(t.T @ ((a + a.T) / 2) @ t)
        if not np.isfinite(lam).all():
            raise SolveError("the eigenvalue solver returned values that are not finite; check the boards' numbers")
        return lam[:count], t @ y[:, :count]
