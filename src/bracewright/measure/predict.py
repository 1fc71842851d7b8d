"""What a design with other boards and joints would show: frequencies, their derivatives, shapes, loss factors.

`FullModel` builds and solves each time; `ReducedModel` keeps the matrices in a basis of modes, sampled along each
parameter, and answers in milliseconds for as long as parameters act on their own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.linalg import eigh

from bracewright.design.account import account
from bracewright.design.cabinet import AXES, Cabinet
from bracewright.errors import SolveError
from bracewright.fem.gradient import Change, Sensitivity
from bracewright.fem.modes import Modes, solve
from bracewright.fem.system import Model, assemble, build
from bracewright.measure.pair import rows_at, visibility
from bracewright.measure.parameters import GENERAL_JOINTS, Parameter, changed, scaled_joint
from bracewright.measure.records import Place

Array = NDArray[np.float64]
STEP = 0.02  # of a logarithm, for differences of designs
SPARE_LOADED = 8  # modes more where sensor masses are worked in
JOINTS = ""  # in `Prediction.shares`: no board has an empty name
SPARE = 25  # modes beyond those wanted in a reduced basis
FLOPPY = 1e-3  # of the next mode's eigenvalue, below which a mode is no mode of a cabinet
JOINT_STEP = 0.5  # of a joint's logarithm between samples, at most


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
    shares : mapping of str to (m,) array
        Share of the strain energy in each board, by name, and in all joints, by `JOINTS`.
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
        self._last: tuple[bytes, Prediction] | None = None

    def __call__(self, x: Array) -> Prediction:
        """Predict at logarithms of the factors."""
        at = np.asarray(x, float).tobytes()
        if self._last is None or self._last[0] != at:
            self._last = at, self._solved(x)
        return self._last[1]

    def _solved(self, x: Array) -> Prediction:
        keys = [p.key for p in self.parameters]
        factors = dict(zip(keys, np.exp(x).tolist(), strict=True))
        here = changed(self.cabinet, factors)
        model = build(here, size=self.size)
        modes = solve(model, self.count + self.spare, prove=False, start=self._start)
        self._start = modes.shapes
        slopes = Sensitivity(model, modes).frequencies([self._change(factors, k) for k in keys]) / modes.frequency_Hz
        mass = account(here).mass_kg
        up = np.array([account(self._nudged(factors, k, STEP)).mass_kg / mass for k in keys])
        at = rows_at(model, self.places) @ modes.shapes
        return _prediction(
            modes, slopes, at, visibility(model, modes, at), energy_shares(model, modes), self, model.mass_kg,
            np.log(up) / STEP,
            mass_rows(model, self.masses) @ modes.shapes,
        )  # fmt: skip

    def _nudged(self, factors: Mapping[str, float], key: str, by: float) -> Cabinet:
        """Return the design with one of the factors' logarithms changed: a joint's own line follows its default."""
        return changed(self.cabinet, {**factors, key: factors[key] * float(np.exp(by))})

    def _change(self, factors: Mapping[str, float], key: str) -> Change:
        below, above = (self._nudged(factors, key, s * STEP / 2) for s in (-1, 1))
        return Change(below=below, above=above, width=STEP)


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
    loaded = with_masses(modes.frequency_Hz, at_masses, np.repeat(list(model.masses.values()), 3))
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


def mass_rows(model: Model, places: Iterable[Place]) -> Array:
    """Rows (3 p, n) that read the motion at places along x, y and z: a mass has inertia in all three."""
    return rows_at(model, [replace(p, direction=d) for p in places for d in AXES])


def energy_shares(model: Model, modes: Modes) -> dict[str, Array]:
    """Share of each mode's strain energy in each board's parts, and in the joints."""
    lam = (2 * np.pi * modes.frequency_Hz) ** 2
    out: dict[str, Array] = {}
    for name, k in model.part_K.items():
        x = modes.shapes[model.of_part(name)]
        board = model.cabinet.part_board(name).name
        out[board] = out.get(board, np.zeros(len(lam))) + np.einsum("im,im->m", x, k @ x) / lam
    joints = [k for key, (k, _, _) in model.terms.items() if key[0] == "joint" and k is not None]
    out[JOINTS] = sum((np.einsum("im,im->m", modes.shapes, k @ modes.shapes) for k in joints), np.zeros(len(lam))) / lam
    return out


class ReducedModel:
    """Matrices in a basis of modes: parts and joint lines one by one, each as a function of what changes it.

    A part's stiffness is in proportion to its board's modulus. A joint line between boards e times as stiff, itself k
    times as stiff, is e times the line sampled at k / e, by its units; of two boards the geometric mean is taken. Other
    parameters are sampled between their bounds and added up. The basis holds the modes at the design and at each
    parameter's bounds, so that a joint may come loose.
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
        self.rigid_modes = modes.rigid_modes
        basis = [modes.shapes, self.model.rigid]
        for p in self.parameters:
            # Half-way too, for what changes many lines at once.
            inner = [p.low**0.5, p.high**0.5] if p.key in GENERAL_JOINTS else []
            for x in np.log([p.low, *inner, p.high]):
                if x != 0 and not p.key.endswith("density_kg_m3"):
                    there = build(changed(cabinet, {p.key: float(np.exp(x))}), size=size)
                    basis.append(solve(there, count, prove=False, start=modes.shapes).shapes)
        V = _orthonormal(np.hstack(basis), self.model.M)
        self.basis = V
        self.K0, self.M0 = (V.T @ (a @ V) for a in (self.model.K, self.model.M))
        self.board_K: dict[str, Array] = {}
        for name, k in self.model.part_K.items():
            v = V[self.model.of_part(name)]
            board = cabinet.part_board(name).name
            self.board_K[board] = self.board_K.get(board, 0.0) + v.T @ (k @ v)
        self._sample_lines()
        self._sample_others(size)
        self.rows = rows_at(self.model, self.places) @ V
        self.mass_rows = mass_rows(self.model, self.masses) @ V
        self.largest = np.abs(modes.shapes).max(axis=0)

    def _sample_lines(self) -> None:
        """Joint lines at uniform factors of all joints, and what each parameter has to do with each line."""
        cabinet, chosen = self.cabinet, self.parameters
        moduli = [p.key.split(".")[1] if p.key.endswith(".E_GPa") else "" for p in chosen]
        ends = np.array([[np.log(p.low), np.log(p.high)] for p in chosen if p.key.startswith("joints.")]).reshape(-1, 2)
        wide = max([np.log(max(1 / p.low, p.high)) for p, b in zip(chosen, moduli, strict=True) if b], default=0.1)
        low, high = ends[:, 0].min(initial=0.0) - wide, ends[:, 1].max(initial=0.0) + wide
        below, above = (int(np.ceil(v / JOINT_STEP)) + 1 for v in (-low, high))
        at = np.unique([*np.linspace(low, 0.0, below), *np.linspace(0.0, high, above)])
        lines = [k for k, (K, _, _) in self.model.terms.items() if k[0] == "joint" and K is not None]
        stacks: list[list[Array]] = [[] for _ in lines]
        for u in at:
            terms = self.model.terms if u == 0 else self._joints_scaled(float(np.exp(u))).terms
            for stack, key in zip(stacks, lines, strict=True):
                K: Any = terms[key][0]
                stack.append(self.basis.T @ (K @ self.basis))
        self._reach = float(at[0]), float(at[-1])
        self._lines = [CubicSpline(at, np.array(stack)) for stack in stacks]
        boards = [[cabinet.part_board(part).name for part in key[1:3]] for key in lines]
        # (parameters, lines): how much of each line's ln e and ln k a parameter's logarithm is.
        self._line_e = np.array([[b.count(m) / 2 for b in boards] for m in moduli]).reshape(len(chosen), len(lines))
        self._line_k = np.zeros((len(chosen), len(lines)))
        for i, p in enumerate(chosen):
            if p.key.startswith("joints."):
                other = changed(cabinet, {p.key: 1.5})
                pairs = [key[1:3] for key in lines]
                same = [other.joint_between(a, b) == cabinet.joint_between(a, b) for a, b in pairs]
                self._line_k[i] = ~np.array(same)
        self._moduli = moduli
        self._fixed = self.K0 - sum(self.board_K.values()) - sum(line(0.0) for line in self._lines)

    def _joints_scaled(self, factor: float) -> Model:
        """Assemble the design with all joints that have a stiffness `factor` times as stiff."""
        scaled = self.cabinet.with_joints(lambda s: s if s.kind == "rigid" else scaled_joint(s, factor))
        return assemble(scaled, self.model.parts, size=self.model.size, joints=self.model.joint_model)

    def _sample_others(self, size: float) -> None:
        """Parameters of boards other than the modulus: matrices between their bounds, less the design's."""
        self._others: dict[int, tuple[CubicSpline, CubicSpline, CubicSpline]] = {}
        V = self.basis
        for i, p in enumerate(self.parameters):
            if not p.key.startswith("boards.") or self._moduli[i]:
                continue
            factors = np.unique([*np.linspace(p.low, 1.0, 3), *np.linspace(1.0, p.high, 3)])
            designs = [changed(self.cabinet, {p.key: float(v)}) for v in factors]
            models = [self.model if v == 1 else build(c, size=size) for v, c in zip(factors, designs, strict=True)]
            K = np.array([V.T @ (m.K @ V) - self.K0 for m in models])
            M = np.array([V.T @ (m.M @ V) - self.M0 for m in models])
            mass = [m.mass_kg - self.model.mass_kg for m in models]
            self._others[i] = CubicSpline(factors, K), CubicSpline(factors, M), CubicSpline(factors, mass)

    def matrices(self, x: Array) -> tuple[Array, Array]:
        """Reduced K and M at logarithms of the factors."""
        e = {b: float(np.exp(v)) for b, v in zip(self._moduli, x, strict=True) if b}
        K, M = self._fixed.copy(), self.M0.copy()
        for board, k in self.board_K.items():
            K += e.get(board, 1.0) * k
        ln_e, ln_k = x @ self._line_e, x @ self._line_k
        for line, le, u in zip(self._lines, ln_e, np.clip(ln_k - ln_e, *self._reach), strict=True):
            K += np.exp(le) * line(u)
        for i, (dK, dM, _) in self._others.items():
            if x[i] != 0:
                K += dK(np.exp(x[i]))
                M += dM(np.exp(x[i]))
        return (K + K.T) / 2, (M + M.T) / 2

    def slopes(self, x: Array) -> list[tuple[Array, Array]]:
        """Derivatives of reduced K and M by the logarithms."""
        ln_e, ln_k = x @ self._line_e, x @ self._line_k
        at = np.clip(ln_k - ln_e, *self._reach)
        lines = [(np.exp(le), line(u), line(u, 1)) for line, le, u in zip(self._lines, ln_e, at, strict=True)]
        out = []
        for i, board in enumerate(self._moduli):
            K, M = np.zeros_like(self.K0), np.zeros_like(self.M0)
            if board:
                K = np.exp(x[i]) * self.board_K[board]
            for (e, k, dk), we, wk in zip(lines, self._line_e[i], self._line_k[i], strict=True):
                if we or wk:
                    K = K + e * (we * (k - dk) + wk * dk)
            if i in self._others:
                v = float(np.exp(x[i]))
                K, M = (v * spline(v, 1) for spline in self._others[i][:2])
            out.append((K, M))
        return out

    def eigenpairs(self, x: Array) -> tuple[Array, Array]:
        """Eigenvalues and modes in the basis at logarithms of the factors.

        Raises SolveError where the sampled changes add up to a stiffness that the cabinet cannot have.
        """
        K, M = self.matrices(np.asarray(x, float))
        first = self.rigid_modes
        last = first + self.count + (SPARE_LOADED if self.masses else 0) - 1
        lam, y = eigh(K, M, subset_by_index=(0, min(last, len(K) - 1)))
        if not lam[first] > FLOPPY * abs(lam[first + 1]):
            raise SolveError("these values lie too far from the design for its reduced model; use the full one")
        return lam[first:], y[:, first:]

    def __call__(self, x: Array) -> Prediction:
        """Predict at logarithms of the factors."""
        x = np.asarray(x, float)
        lam, y = self.eigenpairs(x)
        f = np.sqrt(lam) / (2 * np.pi)
        slopes = np.array([((y * (K @ y)).sum(0) - lam * (y * (M @ y)).sum(0)) / (2 * lam) for K, M in self.slopes(x)])
        e = {b: float(np.exp(v)) for b, v in zip(self._moduli, x, strict=True) if b}
        shares = {b: e.get(b, 1.0) * (y * (k @ y)).sum(0) / lam for b, k in self.board_K.items()}
        rest = 1 - np.asarray(sum(shares.values()))
        mass = self.model.mass_kg + sum(float(m(np.exp(x[i]))) for i, (_, _, m) in self._others.items())
        heavier = np.zeros(len(x))
        for i, (_, _, m) in self._others.items():
            heavier[i] = np.exp(x[i]) * float(m(np.exp(x[i]), 1))
        loss = np.asarray(sum(s * self.cabinet.board(b).loss_factor for b, s in shares.items()))
        at = self.rows @ y
        size = self.largest[: len(f)]
        modes = Modes(frequency_Hz=f, loss_factor=loss, shapes=y, rigid_modes=self.rigid_modes)
        return _prediction(
            modes, slopes.reshape(len(x), -1), at, np.abs(at).max(axis=0, initial=0.0) / size, {**shares, JOINTS: rest},
            self, mass, heavier / mass, self.mass_rows @ y,
        )  # fmt: skip


def _orthonormal(x: Array, M: Any) -> Array:
    """M-orthonormal columns with the same span."""
    x = x / np.sqrt(np.einsum("im,im->m", x, np.asarray(M @ x)))
    value, vector = np.linalg.eigh(x.T @ (M @ x))
    good = value > 1e-9 * value[-1]
    return np.asarray(x @ (vector[:, good] / np.sqrt(value[good])))
