"""How a cabinet answers forces: modes, rigid motion and static corrections as one small dense problem.

The basis holds the six rigid motions, the modes and, for each load, what is left of its static deflection; in it the
motion follows from (K + j D - w^2 M + j w Z) q = f with the full matrix of losses D and, when wanted, the air's own
impedance Z.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.sparse import csc_array
from threadpoolctl import threadpool_limits

from bracewright.errors import SolveError
from bracewright.fem.factor import factor, negative_pivots
from bracewright.fem.modes import Modes, bounces, solve
from bracewright.sound.damping import Damped

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
BEYOND = 1.2  # modes are taken up to this times the highest frequency
STEPS = 3  # static corrections of each load
DEPENDENT = 1e-9
SETTLED = 1e-6  # of the highest eigenvalue; static corrections take up what modes lack


@dataclass(frozen=True)
class Reduced:
    """A damped model in a basis.

    Attributes
    ----------
    damped : Damped
    modes : Modes
    basis : (n, r) array
        Columns: six rigid motions, the modes, static corrections.
    K, M, D : (r, r) arrays
        Stiffness, mass and loss stiffness in the basis.
    """

    damped: Damped
    modes: Modes
    basis: Array
    K: Array
    M: Array
    D: Array

    @property
    def loss_factor(self) -> Array:
        """(m,) loss factors of the modes, by strain energy: boards, joints and sheets."""
        phi = self.modes.shapes
        lam = (2 * np.pi * self.modes.frequency_Hz) ** 2
        return np.asarray(np.einsum("im,im->m", phi, self.damped.matrix @ phi) / lam)

    def solve(self, load: NDArray[Any], frequency_Hz: float, impedance: Complex | None = None) -> Complex:
        """Return displacements q (r, ...) in the basis under loads (r, ...), N; q times jw is velocity.

        Parameters
        ----------
        impedance : (r, r) array, optional
            Of the air on the walls, N s/m.
        """
        return np.asarray(np.linalg.solve(self.dynamic(frequency_Hz, impedance), load))

    def dynamic(self, frequency_Hz: float, impedance: Complex | None = None) -> Complex:
        """Dynamic stiffness (r, r), N/m."""
        w = 2 * np.pi * frequency_Hz
        a = self.K + 1j * self.D - w**2 * self.M
        return np.asarray(a if impedance is None else a + 1j * w * impedance)

    def mobility(self, drive: Any, respond: Any, frequency_Hz: Sequence[float] | Array) -> Complex:
        """Return velocity over force (f, responses, drives), m/(N s).

        Parameters
        ----------
        drive, respond : sparse arrays, (k, n)
            Rows of points, as from `point_rows`; equal rows give driving-point mobility.
        """
        force = (drive @ self.basis).T
        pick = respond @ self.basis
        return np.stack([2j * np.pi * f * (pick @ self.solve(force, f)) for f in frequency_Hz])

    def accelerance(self, drive: Any, respond: Any, frequency_Hz: Sequence[float] | Array) -> Complex:
        """Return acceleration over force (f, responses, drives), 1/kg."""
        w = 2j * np.pi * np.asarray(frequency_Hz, dtype=float)
        return np.asarray(self.mobility(drive, respond, frequency_Hz) * w[:, None, None])

    def dissipated(self, q: Complex, frequency_Hz: float) -> dict[str, float]:
        """Return the power lost in each part, joint and sheet, W, from its own strain energy; q (r,) in m."""
        u = self.basis @ q
        w = 2 * np.pi * frequency_Hz
        out: dict[str, float] = {}
        for name, m in self.damped.losses:
            out[name] = out.get(name, 0.0) + float(0.5 * w * np.real(u.conj() @ (m @ u)))
        return out


def power_in(load: NDArray[Any], q: Complex, frequency_Hz: float) -> float:
    """Mean power, W, that loads put into displacements q of the same basis."""
    return float(0.5 * np.real(np.vdot(load, 2j * np.pi * frequency_Hz * q)))


def modes_up_to(damped: Damped, highest_Hz: float, progress: Callable[[str], None] | None = None) -> Modes:
    """Return all elastic modes up to a frequency; how many there are is counted by inertia first."""
    model = damped.model
    edge = (2 * np.pi * highest_Hz) ** 2
    # Six come out as rigid where nothing holds the cabinet.
    count = negative_pivots(model.K - edge * model.M) - (6 - bounces(model.cabinet))
    if progress:
        progress(f"solving {model.dofs} unknowns for {max(count, 1)} modes up to {highest_Hz:.0f} Hz")
    if count > 1500:
        raise SolveError(f"there are {count} modes up to {highest_Hz:.0f} Hz; ask for a lower frequency")
    return solve(model, max(count, 1), prove=False, tolerance=SETTLED)


def reduce(damped: Damped, modes: Modes, loads: NDArray[Any]) -> Reduced:
    """Project a damped model on rigid motions, modes and the static corrections of loads.

    Parameters
    ----------
    modes : Modes
    loads : (n, k) array
        Real force patterns the cabinet will meet.
    """
    model = damped.model
    with threadpool_limits(1):
        base = _orthonormal(np.hstack([model.rigid, modes.shapes]), model.M)
        # A negative shift of the first mode's size: a free cabinet has no static deflection of its own.
        shift = (2 * np.pi * float(modes.frequency_Hz[0])) ** 2
        loads = loads / (np.linalg.norm(loads, axis=0) + 1e-300)
        if loads.shape[1]:
            op = factor(model.K + shift * model.M)
            step = op.solve(np.ascontiguousarray(loads))
            steps = []
            # Further steps take in how the deflection changes with frequency.
            for _ in range(STEPS):
                for _ in range(2):
                    step = step - base @ (base.T @ (model.M @ step))
                step = step / np.sqrt(np.einsum("ik,ik->k", step, model.M @ step))
                steps.append(step)
                step = op.solve(model.M @ step)
            rest = np.hstack(steps)
        else:
            rest = loads
        for _ in range(2):
            rest = rest - base @ (base.T @ (model.M @ rest))
        if rest.shape[1]:
            value, vector = np.linalg.eigh(rest.T @ (model.M @ rest))
            good = value > DEPENDENT * value[-1]
            rest = rest @ (vector[:, good] / np.sqrt(value[good]))
            if rest.shape[1]:
                _, y = eigh(rest.T @ (model.K @ rest))
                rest = rest @ y
        basis = np.hstack([base, rest])
        K = basis.T @ (model.K @ basis)
        M = basis.T @ (model.M @ basis)
        D = basis.T @ (damped.matrix @ basis)
    return Reduced(damped, modes, basis, (K + K.T) / 2, (M + M.T) / 2, (D + D.T) / 2)


def _orthonormal(x: Array, M: Any) -> Array:
    for _ in range(2):
        # Rigid motions come first and are kept; modes are orthogonal to them already, give or take rounding.
        gram = x.T @ (M @ x)
        scale = 1 / np.sqrt(np.diag(gram))
        value, vector = np.linalg.eigh(gram * np.outer(scale, scale))
        good = value > 1e-10
        x = (x * scale) @ (vector[:, good] / np.sqrt(value[good]))
    return x


def direct(damped: Damped, load: NDArray[Any], frequency_Hz: float) -> Complex:
    """Return displacements (n, ...) by solving the whole damped model at one frequency: the check on `Reduced`."""
    m = damped.model
    a = csc_array(m.K + 1j * damped.matrix - (2 * np.pi * frequency_Hz) ** 2 * m.M)
    return np.asarray(factor(a, method="superlu").solve(np.ascontiguousarray(load, dtype=complex)))
