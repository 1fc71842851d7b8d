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
DOUBT = (1.0, 10.0, 3.0)  # what is left beside its estimate after one sweep and after more, at the worst seen
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
    k = start.shape[1]
    diagonal = np.sqrt(K.diagonal() + np.abs(K).max() * 1e-12)
    basis, kbasis, mbasis = start, K @ start, M @ start
    left = gained = size = np.full(wanted, np.inf)
    for sweep in range(SWEEPS + 1):
        lam, y = _ritz(basis, kbasis, mbasis, k)
        residual = kbasis @ y - (mbasis @ y) * lam
        fallen = np.linalg.norm(residual[:, :wanted] / diagonal[:, None], axis=0)
        if sweep:
            left = DOUBT[min(sweep, len(DOUBT) - 1)] * gained * (fallen / size) ** 2
            if left.max() < tolerance:
                return lam, basis @ y
            todo = np.flatnonzero(np.concatenate([left > tolerance / 4, np.ones(k - wanted, dtype=bool)]))
        else:
            todo = np.arange(k)
        if sweep == SWEEPS:
            break
        w = op.solve(residual[:, todo])
        gain = np.einsum("im,im->m", residual[:, todo], w) / np.maximum(np.abs(lam[todo]), lam[6])
        asked = todo[todo < wanted]
        gained = np.array(left) if sweep else np.zeros(wanted)
        gained[asked] = gain[: len(asked)]
        size = np.where(fallen > 0, fallen, 1.0)
        basis, kbasis, mbasis = (np.hstack(p) for p in ((basis, w), (kbasis, K @ w), (mbasis, M @ w)))
    raise SolveError("the design is too far from the one it is solved from; solve it afresh")


def _ritz(basis: Array, kbasis: Array, mbasis: Array, k: int) -> tuple[Array, Array]:
    """Lowest k Ritz values and their coefficients in a basis that may be nearly dependent."""
    a, b = basis.T @ kbasis, basis.T @ mbasis
    scale = 1 / np.sqrt(np.diag(b))
    a, b = (a + a.T) / 2 * scale[:, None] * scale, (b + b.T) / 2 * scale[:, None] * scale
    value, vector = np.linalg.eigh(b)
    good = value > DEPENDENT * value[-1]
    t = vector[:, good] / np.sqrt(value[good])
    lam, y = np.linalg.eigh(t.T @ a @ t)
    if not np.isfinite(lam).all():
        raise SolveError("the eigenvalue solver returned values that are not finite; check the boards' numbers")
    return lam[:k], scale[:, None] * (t @ y[:, :k])
