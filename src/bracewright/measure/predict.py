"""What a design with other boards and joints would show: frequencies, their derivatives, shapes, loss factors.

`FullModel` builds and solves each time; `ReducedModel` keeps the matrices in a basis of modes, sampled along each
parameter, and answers in milliseconds for as long as parameters act on their own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.linalg import eigh

from bracewright.design.cabinet import Cabinet
from bracewright.errors import SolveError
from bracewright.fem.gradient import Change, Sensitivity
from bracewright.fem.modes import Modes, solve
from bracewright.fem.system import Model, build
from bracewright.measure.pair import rows_at, visibility
from bracewright.measure.parameters import Parameter, changed
from bracewright.measure.records import Place

Array = NDArray[np.float64]
STEP = 0.02  # of a logarithm, for differences of designs
SPARE_LOADED = 8  # modes more where sensor masses are worked in
SPARE = 25  # modes beyond those wanted in a reduced basis
BOARD_KNOTS = 5  # designs sampled between a board parameter's bounds
JOINT_STEP = 1.0  # of a joint's logarithm between samples, at most


@dataclass(frozen=True, kw_only=True, eq=False)
class Prediction:
    """Modes at some parameters.

    Attributes
    ----------
    modes : Modes
        Without sensor masses; `frequency_Hz` is with them.
    frequency_Hz : (m,) array
    gradient : (parameters, m) array
        d ln f / d ln factor.
    at : (p, m) array
        Shapes at the places.
    visible : (m,) array
        Largest motion at a place over the largest anywhere.
    shares : mapping of board name to (m,) array
        Share of the strain energy.
    mass_kg : float
    mass_gradient : (parameters,) array
        d ln mass / d ln factor.
    """

    modes: Modes
    frequency_Hz: Array
    gradient: Array
    at: Array
    visible: Array
    shares: Mapping[str, Array]
    mass_kg: float
    mass_gradient: Array


class Predictor(Protocol):
    """Anything that predicts at logarithms of factors."""

    cabinet: Cabinet
    parameters: tuple[Parameter, ...]
    places: tuple[Place, ...]

    def __call__(self, x: Array) -> Prediction:
        """Predict at (parameters,) logarithms of the factors."""


def with_masses(f_Hz: Array, at: Array, mass_kg: Array) -> Array:
    """Frequencies of a cabinet with small masses at places: an eigenproblem in its own modes.

    Parameters
    ----------
    f_Hz : (m,) array
    at : (p, m) array
        Shapes of unit modal mass at the masses.
    mass_kg : (p,) array
    """
    if not len(mass_kg) or not np.any(mass_kg):
        return f_Hz
    lam = eigh(np.diag(f_Hz**2), np.eye(len(f_Hz)) + (at.T * mass_kg) @ at, eigvals_only=True)
    return np.asarray(np.sqrt(np.maximum(lam, 0.0)))


class FullModel:
    """Builds and solves the design for each prediction.

    Parameters
    ----------
    cabinet : Cabinet
    parameters : sequence of Parameter
    places : sequence of Place
        Where the shapes were measured.
    count : int
        Modes.
    size : float
        Element side, mm.
    sensor_mass_kg : mapping of Place to float
    """

    def __init__(
        self,
        cabinet: Cabinet,
        parameters: Sequence[Parameter],
        places: Sequence[Place] = (),
        *,
        count: int = 20,
        size: float = 40.0,
        sensor_mass_kg: Mapping[Place, float] | None = None,
    ) -> None:
        self.cabinet = cabinet
        self.parameters = tuple(parameters)
        self.places = tuple(places)
        self.count = count
        self.size = size
        self.masses = dict(sensor_mass_kg or {})
        self.spare = SPARE_LOADED if self.masses else 0
        self._start: Array | None = None

    def __call__(self, x: Array) -> Prediction:
        """Predict at logarithms of the factors."""
        keys = [p.key for p in self.parameters]
        here = changed(self.cabinet, dict(zip(keys, np.exp(x), strict=True)))
        model = build(here, size=self.size)
        modes = solve(model, self.count + self.spare, prove=False, start=self._start)
        self._start = modes.shapes
        slopes = Sensitivity(model, modes).frequencies([_change(here, k) for k in keys]) / modes.frequency_Hz
        up = np.array([build_mass(changed(here, {k: np.exp(STEP)})) / build_mass(here) for k in keys])
        at = rows_at(model, self.places) @ modes.shapes
        return _prediction(
            modes, slopes, at, visibility(model, modes, at), board_shares(model, modes), self, model.mass_kg,
            np.log(up) / STEP,
            rows_at(model, list(self.masses)) @ modes.shapes,
        )  # fmt: skip


def _change(cabinet: Cabinet, key: str) -> Change:
    below, above = (changed(cabinet, {key: float(np.exp(s * STEP / 2))}) for s in (-1, 1))
    return Change(below=below, above=above, width=STEP)


def build_mass(cabinet: Cabinet) -> float:
    """Mass of the design's wood and drivers by its account, kg."""
    from bracewright.design.account import account

    return float(account(cabinet).mass_kg)


def _prediction(
    modes: Modes,
    slopes: Array,
    at: Array,
    visible: Array,
    shares: Mapping[str, Array],
    model: FullModel | ReducedModel,
    mass_kg: float,
    mass_gradient: Array,
    at_masses: Array,
) -> Prediction:
    loaded = with_masses(modes.frequency_Hz, at_masses, np.array(list(model.masses.values())))
    keep = slice(0, model.count)
    return Prediction(
        modes=replace(
            modes,
            frequency_Hz=modes.frequency_Hz[keep],
            loss_factor=modes.loss_factor[keep],
            shapes=modes.shapes[:, keep],
        ),
        frequency_Hz=loaded[keep],
        gradient=slopes[:, keep],
        at=at[:, keep],
        visible=visible[keep],
        shares={k: v[keep] for k, v in shares.items()},
        mass_kg=mass_kg,
        mass_gradient=mass_gradient,
    )


def board_shares(model: Model, modes: Modes) -> dict[str, Array]:
    """Share of each mode's strain energy in each board's parts; joints take the rest."""
    lam = (2 * np.pi * modes.frequency_Hz) ** 2
    out: dict[str, Array] = {}
    for name, k in model.part_K.items():
        x = modes.shapes[model.of_part(name)]
        board = model.cabinet.part_board(name).name
        out[board] = out.get(board, np.zeros(len(lam))) + np.einsum("im,im->m", x, k @ x) / lam
    return out


class ReducedModel:
    """Matrices in a basis of modes, each parameter's change sampled between its bounds and added up.

    The basis holds the modes at the design and at each parameter's bounds, so that a joint may come loose.
    Parameters are taken not to act on one another: exact for joints, good to second order for boards.
    """

    def __init__(
        self,
        cabinet: Cabinet,
        parameters: Sequence[Parameter],
        places: Sequence[Place] = (),
        *,
        count: int = 20,
        size: float = 60.0,
        sensor_mass_kg: Mapping[Place, float] | None = None,
    ) -> None:
        self.cabinet = cabinet
        self.parameters = tuple(parameters)
        self.places = tuple(places)
        self.count = count
        self.masses = dict(sensor_mass_kg or {})
        self.model = build(cabinet, size=size)
        modes = solve(self.model, count + SPARE, prove=False)
        basis = [modes.shapes, self.model.rigid]
        sampled: list[list[tuple[float, Model]]] = []
        for p in self.parameters:
            models = [
                (x, self.model if x == 0 else build(changed(cabinet, {p.key: float(np.exp(x))}), size=size))
                for x in _knots(p)
            ]
            ends = [m for x, m in (models[0], models[-1]) if x != 0]
            basis += [solve(m, count, prove=False, start=modes.shapes).shapes for m in ends]
            sampled.append(models)
        V = _orthonormal(np.hstack(basis), self.model.M)
        self.basis = V
        self.K0, self.M0 = (V.T @ (a @ V) for a in (self.model.K, self.model.M))
        self._K: list[CubicSpline] = []
        self._M: list[CubicSpline] = []
        masses = []
        for p, models in zip(self.parameters, sampled, strict=True):
            us = [_coordinate(p, x) for x, _ in models]
            self._K.append(CubicSpline(us, np.array([V.T @ (m.K @ V) - self.K0 for _, m in models])))
            self._M.append(CubicSpline(us, np.array([V.T @ (m.M @ V) - self.M0 for _, m in models])))
            masses.append(CubicSpline(us, [m.mass_kg - self.model.mass_kg for _, m in models]))
        self._mass = masses
        self.rows = rows_at(self.model, self.places) @ V
        self.mass_rows = rows_at(self.model, list(self.masses)) @ V
        self.board_K: dict[str, Array] = {}
        for name, k in self.model.part_K.items():
            v = V[self.model.of_part(name)]
            board = cabinet.part_board(name).name
            self.board_K[board] = self.board_K.get(board, 0.0) + v.T @ (k @ v)
        self.largest = np.abs(modes.shapes).max(axis=0)

    def matrices(self, x: Array) -> tuple[Array, Array]:
        """Reduced K and M at logarithms of the factors."""
        u = [_coordinate(p, v) for p, v in zip(self.parameters, x, strict=True)]
        moved = [i for i, v in enumerate(x) if v != 0]
        K = self.K0 + sum(self._K[i](u[i]) for i in moved)
        M = self.M0 + sum(self._M[i](u[i]) for i in moved)
        return (K + K.T) / 2, (M + M.T) / 2

    def eigenpairs(self, x: Array) -> tuple[Array, Array]:
        """Eigenvalues and modes in the basis at logarithms of the factors.

        Raises SolveError where changes that were sampled one by one add up to a negative stiffness.
        """
        K, M = self.matrices(np.asarray(x, float))
        last = 5 + self.count + (SPARE_LOADED if self.masses else 0)
        lam, y = eigh(K, M, subset_by_index=(0, min(last, len(K) - 1)))
        if not lam[6] > 0:
            raise SolveError("these values lie too far from the design for its reduced model; use the full one")
        return lam[6:], y[:, 6:]

    def __call__(self, x: Array) -> Prediction:
        """Predict at logarithms of the factors."""
        lam, y = self.eigenpairs(x)
        f = np.sqrt(lam) / (2 * np.pi)
        slopes = np.zeros((len(self.parameters), len(lam)))
        u = [_coordinate(p, v) for p, v in zip(self.parameters, x, strict=True)]
        stretch = [v if p.key.startswith("boards") else 1.0 for p, v in zip(self.parameters, u, strict=True)]
        for i, (v, d) in enumerate(zip(u, stretch, strict=True)):
            dK, dM = d * self._K[i].derivative()(v), d * self._M[i].derivative()(v)
            slopes[i] = ((y * (dK @ y)).sum(0) - lam * (y * (dM @ y)).sum(0)) / (2 * lam)
        shares = {b: (y * (k @ y)).sum(0) / lam for b, k in self.board_K.items()}
        mass = self.model.mass_kg + sum(float(s(v)) for s, v in zip(self._mass, u, strict=True))
        loss = np.asarray(sum(s * self.cabinet.board(b).loss_factor for b, s in shares.items()))
        at = self.rows @ y
        size = self.largest[: len(f)]
        modes = Modes(frequency_Hz=f, loss_factor=loss, shapes=y, rigid_modes=6)
        return _prediction(
            modes, slopes, at, np.abs(at).max(axis=0, initial=0.0) / size, shares, self, mass,
            np.array([d * float(s.derivative()(v)) for s, v, d in zip(self._mass, u, stretch, strict=True)]) / mass,
            self.mass_rows @ y,
        )  # fmt: skip


def _knots(p: Parameter) -> list[float]:
    """Logarithms at which a parameter is sampled, from its lower to its upper bound, 0 among them."""
    low, high = np.log(p.low), np.log(p.high)
    if p.key.startswith("boards"):
        factors = [*np.linspace(p.low, 1.0, BOARD_KNOTS // 2 + 1), *np.linspace(1.0, p.high, BOARD_KNOTS // 2 + 1)]
        return [float(v) for v in np.log(np.unique(factors))]
    below, above = (int(np.ceil(abs(v) / JOINT_STEP)) for v in (low, high))
    return [float(v) for v in np.unique([*np.linspace(low, 0.0, below + 1), *np.linspace(0.0, high, above + 1)])]


def _coordinate(p: Parameter, x: float) -> float:
    """Matrices are near linear in a board's factor, and smooth in a joint's logarithm."""
    return float(np.exp(x)) if p.key.startswith("boards") else float(x)


def _orthonormal(x: Array, M: Any) -> Array:
    """M-orthonormal columns with the same span."""
    x = x / np.sqrt(np.einsum("im,im->m", x, np.asarray(M @ x)))
    value, vector = np.linalg.eigh(x.T @ (M @ x))
    good = value > 1e-9 * value[-1]
    return np.asarray(x @ (vector[:, good] / np.sqrt(value[good])))
