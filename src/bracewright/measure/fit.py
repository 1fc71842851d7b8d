"""Correcting the model: board and joint values from measured modes, with their spread.

Bounded weighted least squares with priors, in logarithms: at the optimum the inverse of the curvature is the
posterior covariance (Friswell, Mottershead, Finite Element Model Updating in Structural Dynamics, 1995).
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from bracewright.design.cabinet import Cabinet
from bracewright.design.designfile import dumps
from bracewright.errors import DesignError, FileError, SolveError
from bracewright.files import write_file
from bracewright.measure.identify import MeasuredModes
from bracewright.measure.pair import Pairing, pair, suspect_places
from bracewright.measure.parameters import Parameter, changed, default_parameters, logs, value_of
from bracewright.measure.predict import FullModel, Prediction, Predictor
from bracewright.measure.records import Place

Array = NDArray[np.float64]
MODEL_ERROR = 0.01  # relative, of a frequency: what the model itself may be off. Judgement.
LOSS_ERROR = 0.15  # relative, of a modal loss factor: joints and air take a part that boards do not show. Judgement.
TOLD = 0.7  # of the spread before, at most, may be left of a parameter that the data tell
ALIKE = 0.9  # correlation from which two parameters are told only together
LONGEST_STEP = 0.7  # of a logarithm
ROBUST = 2.0  # times the typical residual, from which one counts less and less
NARROW = 5.0  # times the typical difference, from which a pair is taken for a wrong one
LEAST_WINDOW = 0.01
POOR = 3.0  # root mean square of residuals from which a fit is not to be trusted
STEPS = 15
TIGHT = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False)
class FitResult:
    """A corrected design and how far it can be believed.

    Attributes
    ----------
    cabinet : Cabinet
        With the fitted board and joint values.
    parameters : tuple of Parameter
    factor : (n,) array
        Fitted value over the old one.
    spread : (n,) array
        Standard deviation of the factor's logarithm, after measuring.
    correlation : (n, n) array
    told : tuple of bool
        Whether the data narrowed the parameter.
    values : tuple of (old, new, unit)
    before, after : Pairing
    misfit : float
        Root mean square of the residuals over their standard deviations; about 1 when all is well.
    loss_factor : mapping of board name to (value, standard deviation)
    suspect : tuple of Place
        Places left out because their motion fits no mode.
    """

    cabinet: Cabinet
    parameters: tuple[Parameter, ...]
    factor: Array
    spread: Array
    correlation: Array
    told: tuple[bool, ...]
    values: tuple[tuple[float, float, str], ...]
    before: Pairing
    after: Pairing
    misfit: float
    loss_factor: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    suspect: tuple[Place, ...] = ()

    @property
    def alike(self) -> tuple[tuple[str, str, float], ...]:
        """Pairs of parameters that the data tell only together, with their correlation."""
        n = len(self.parameters)
        return tuple(
            (self.parameters[i].key, self.parameters[j].key, float(self.correlation[i, j]))
            for i in range(n)
            for j in range(i)
            if abs(self.correlation[i, j]) > ALIKE
        )

    def text(self) -> str:
        """Return the result as text."""
        wide = max(len(p.key) for p in self.parameters)
        lines = [f"{'':{wide}}        old        new  +- (one standard deviation)"]
        for p, s, told, (old, new, unit) in zip(self.parameters, self.spread, self.told, self.values, strict=True):
            note = "" if told else "  not told by these data"
            lines.append(f"{p.key:{wide}} {old:10.4g} {new:10.4g}  {100 * s:5.1f} % {unit}{note}")
        for board, (value, sd) in self.loss_factor.items():
            lines.append(f"boards.{board}.loss_factor: {value:.4f} +- {sd:.4f}")
        lines += [f"{a} and {b} are told only together (correlation {c:+.2f})" for a, b, c in self.alike]
        lines += [f"left out, fits no mode: {p.part} {p.at}; check where it was" for p in self.suspect]
        poor = "; THE FIT IS POOR: check places, pairs and what was fitted" if self.misfit > POOR else ""
        lines.append(f"residuals are {self.misfit:.2f} of what was expected{poor}")
        return "\n".join([*lines, "", self.after.text()])

    def to_table(self) -> dict[str, object]:
        """Return plain numbers for a file."""
        rows = zip(self.parameters, self.spread, self.told, self.values, strict=True)
        return {
            "parameters": [
                {
                    "key": p.key,
                    "old": old,
                    "new": new,
                    "unit": unit,
                    "relative_sd": float(s),
                    "prior_relative_sd": p.spread,
                    "told": told,
                }
                for p, s, told, (old, new, unit) in rows
            ],
            "correlation": self.correlation.round(4).tolist(),
            "loss_factor": {k: {"value": v, "sd": s} for k, (v, s) in self.loss_factor.items()},
            "misfit": self.misfit,
            "pairs": [
                {"computed": c + 1, "computed_Hz": float(self.after.computed_Hz[c]),
                 "measured_Hz": float(self.after.measured_Hz[m]), "mac": float(self.after.mac[c, m])}
                for c, m in self.after.pairs
            ],
            "missing": [k + 1 for k in self.after.missing],
            "unseen": [k + 1 for k in self.after.unseen],
            "extra_Hz": [float(self.after.measured_Hz[k]) for k in self.after.extra],
        }  # fmt: skip

    def save(self, folder: str | os.PathLike[str]) -> tuple[Path, ...]:
        """Write ``fitted.toml`` (the design, the spreads in its comments) and ``fit.json``; raises FileError."""
        root = Path(folder)
        try:
            root.mkdir(parents=True, exist_ok=True)
        except OSError as e:
            raise FileError(f"{root}: the folder cannot be made ({e.strerror}); check the name and the rights") from e
        head = "".join(f"# {line}\n" if line else "#\n" for line in self.text().rstrip().splitlines())
        content = {
            "fitted.toml": f"# Fitted to taps; spreads are one standard deviation.\n{head}\n{dumps(self.cabinet)}",
            "fit.json": json.dumps(self.to_table(), indent=2, allow_nan=False) + "\n",
        }
        for name, text in content.items():
            write_file(root / name, text)
        return tuple(root / name for name in content)


def fit(
    cabinet: Cabinet,
    measured: MeasuredModes,
    parameters: Sequence[Parameter] | None = None,
    *,
    mass_kg: float | None = None,
    mass_error: float = 0.005,
    model_error: float = MODEL_ERROR,
    size: float = 40.0,
    model: Predictor | None = None,
    window: float = 0.2,
) -> FitResult:
    """Fit board and joint values to measured modes.

    Parameters
    ----------
    cabinet : Cabinet
        The design as it stands: its values are the middle of the priors.
    measured : MeasuredModes
    parameters : sequence of Parameter, optional
        `default_parameters` unless given.
    mass_kg : float, optional
        Of the cabinet on a scale: it tells density from modulus.
    mass_error : float
        Relative standard deviation of that.
    model_error : float
        Relative standard deviation of the model's frequencies even with perfect values.
    size : float
        Element side, mm.
    model : Predictor, optional
        In place of building and solving, such as a `ReducedModel` kept from before.
    window : float
        Relative difference of frequency within which modes are paired.

    Raises
    ------
    DesignError
        A parameter that the design lacks.
    SolveError
        No mode can be paired, or the fit does not settle.
    """
    chosen = tuple(default_parameters(cabinet) if parameters is None else parameters)
    if not chosen:
        raise DesignError("there is nothing to fit; name a board or joint", key="parameters")
    loss_keys = [p.key for p in chosen if p.key.endswith(".loss_factor")]
    if loss_keys:
        raise DesignError("loss factors are fitted besides the others; leave it out", key=loss_keys[0])
    predict = model or FullModel(
        cabinet,
        chosen,
        measured.places,
        count=_count(cabinet, measured, size),
        size=size,
        sensor_mass_kg=measured.sensor_mass_kg,
    )
    chosen = predict.parameters
    measured = _in_order(measured, predict.places)
    mass = None if mass_kg is None else (mass_kg, mass_error)
    x = np.zeros(len(chosen))
    here = predict(x)
    keep = np.ones(len(measured.places), bool)
    before = _paired(here, measured, keep, window)
    if not before.pairs:
        raise SolveError("no measured mode pairs with a computed one; check the places, or give a wider window")
    terms = (model_error, mass, window)
    best, keep = _settled(predict, measured, keep, terms, x)
    if best.misfit > POOR:
        # Wrong pairs can hold a fit in a wrong place: start again from either side of the least known parameter.
        widest = int(np.argmax([p.spread for p in chosen]))
        for side in (-1.0, 1.0):
            other = x.copy()
            other[widest] = side * chosen[widest].spread
            again, kept = _settled(predict, measured, np.ones(len(keep), bool), terms, other)
            if again.misfit < best.misfit and len(again.pairing.pairs) >= len(best.pairing.pairs) - 1:
                best, keep = again, kept
    x, here, pairing = best.x, best.here, best.pairing
    r, J = _residuals(here, measured, pairing, model_error, mass)
    prior = np.array([p.spread for p in chosen])
    covariance = np.linalg.inv(J.T @ J + np.diag(1 / prior**2))
    misfit = float(np.sqrt(((r**2).sum() + ((x / prior) ** 2).sum()) / len(r)))
    covariance *= max(1.0, misfit) ** 2
    sd = np.sqrt(np.diag(covariance))
    losses = fit_losses(cabinet, here, measured, pairing)
    fitted = changed(cabinet, dict(zip([p.key for p in chosen], np.exp(x), strict=True)))
    fitted = changed(
        fitted, {f"boards.{b}.loss_factor": v / cabinet.board(b).loss_factor for b, (v, _) in losses.items()}
    )
    return FitResult(
        cabinet=fitted,
        parameters=chosen,
        factor=np.exp(x),
        spread=sd,
        correlation=covariance / np.outer(sd, sd),
        told=tuple(bool(s < TOLD * p.spread) for s, p in zip(sd, chosen, strict=True)),
        values=tuple((value_of(cabinet, p.key)[0], *value_of(fitted, p.key)) for p in chosen),
        before=before,
        after=pairing,
        misfit=misfit,
        loss_factor=losses,
        suspect=tuple(p for p, k in zip(measured.places, keep, strict=True) if not k),
    )


def _in_order(measured: MeasuredModes, places: Sequence[Place]) -> MeasuredModes:
    """Put the rows of measured shapes in a model's order; raises DesignError for a place it lacks."""
    if tuple(places) == measured.places or not measured.places:
        return measured
    lacking = [p for p in measured.places if p not in places]
    if lacking:
        raise DesignError(f"the model was made without the place {lacking[0]}; make it anew", key="places")
    full = np.full((len(places), len(measured)), np.nan + 0j)
    for row, p in zip(measured.complex_shapes, measured.places, strict=True):
        full[list(places).index(p)] = row
    return replace(measured, places=tuple(places), complex_shapes=full, shapes=full.real)


def _count(cabinet: Cabinet, measured: MeasuredModes, size: float) -> int:
    """Modes to compute so that the measured band is covered with a margin."""
    from bracewright.fem.modes import solve
    from bracewright.fem.system import build

    top = float(measured.frequency_Hz.max()) * 1.15
    model = build(cabinet, size=max(size, 60.0))
    count = len(measured) + 6
    while count < 200:
        if solve(model, count, prove=False).frequency_Hz[-1] > top:
            break
        count = int(1.4 * count) + 1
    return count


def _paired(here: Prediction, measured: MeasuredModes, keep: NDArray[np.bool_], window: float) -> Pairing:
    modes = replace(here.modes, frequency_Hz=here.frequency_Hz)
    if not keep.any():
        return pair(modes, None, measured, window=window)
    cut = replace(
        measured, shapes=measured.shapes[keep], complex_shapes=measured.complex_shapes[keep],
        places=tuple(p for p, k in zip(measured.places, keep, strict=True) if k),
    )  # fmt: skip
    return pair(modes, here.at[keep], cut, window=window, visible=here.visible)


def _narrowed(here: Prediction, measured: MeasuredModes, pairing: Pairing, model_error: float, window: float) -> float:
    """Window for the last pairing: some times what the middle pair is off, never wider than the first."""
    off = [abs(np.log(measured.frequency_Hz[m] / here.frequency_Hz[c])) for c, m in pairing.pairs]
    return min(window, max(NARROW * max(1.4826 * float(np.median(off)), model_error), LEAST_WINDOW))


def _residuals(
    here: Prediction,
    measured: MeasuredModes,
    pairing: Pairing,
    model_error: float,
    mass: tuple[float, float] | None,
) -> tuple[Array, Array]:
    """Weighted residuals (n,) and the derivatives (n, parameters) of the predictions."""
    c, m = (np.array(k, int) for k in zip(*pairing.pairs, strict=True))
    sd = np.hypot(measured.frequency_sd_Hz[m] / measured.frequency_Hz[m], model_error)
    r = np.log(measured.frequency_Hz[m] / here.frequency_Hz[c]) / sd
    J = here.gradient[:, c].T / sd[:, None]
    if mass is not None:
        r = np.append(r, np.log(mass[0] / here.mass_kg) / mass[1])
        J = np.vstack([J, here.mass_gradient / mass[1]])
    return r, J


@dataclass(frozen=True, kw_only=True, eq=False)
class _State:
    """A prediction at some parameters, paired and compared; `lost` measured modes have no partner."""

    x: Array
    here: Prediction
    pairing: Pairing
    r: Array
    J: Array
    lost: int

    @property
    def misfit(self) -> float:
        """Root mean square of the residuals."""
        return float(np.sqrt((self.r**2).mean()))


def _settled(
    predict: Predictor,
    measured: MeasuredModes,
    keep: NDArray[np.bool_],
    terms: tuple[float, tuple[float, float] | None, float],
    start: Array,
) -> tuple[_State, NDArray[np.bool_]]:
    """Fit robustly, leave out places and pairs that do not belong, and fit again; return the places kept too."""
    model_error, mass, window = terms
    near = _descend(predict, measured, keep, terms, start=start, robust=True)
    kept = keep.copy()
    # Places are judged by the fitted model, whose shapes are closer.
    kept[suspect_places(near.here.at, measured, near.pairing)] = False
    # Frequencies now lie close, so that a pair far off the others is a wrong one.
    narrow = _narrowed(near.here, measured, near.pairing, model_error, window)
    return _descend(predict, measured, kept, (model_error, mass, narrow), start=near.x, robust=False), kept


def _descend(
    predict: Predictor,
    measured: MeasuredModes,
    keep: NDArray[np.bool_],
    terms: tuple[float, tuple[float, float] | None, float],
    *,
    start: Array,
    robust: bool,
) -> _State:
    """Gauss-Newton within bounds, pairing anew at each step, steps halved where they do not help.

    Where `robust`, residuals count by Cauchy's function, so that a few wrong pairs among many do not lead astray.
    """
    model_error, mass, window = terms
    prior = np.array([p.spread for p in predict.parameters])
    low, high = (np.array(v) for v in logs(predict.parameters))

    def state(x: Array) -> _State:
        here = predict(x)
        pairing = _paired(here, measured, keep, window)
        if not pairing.pairs:
            raise SolveError("the fit lost all pairs of modes; give better starting values or a wider window")
        r, J = _residuals(here, measured, pairing, model_error, mass)
        return _State(x=x, here=here, pairing=pairing, r=r, J=J, lost=len(measured) - len(pairing.pairs))

    def cost(s: _State, k: float) -> float:
        # A mode without a partner costs as much as the worst partner would: no step may gain by losing pairs.
        r2 = np.append(s.r**2, np.full(s.lost, (window / model_error) ** 2))
        return float((k**2 * np.log1p(r2 / k**2)).sum() + ((s.x / prior) ** 2).sum())

    now = state(start)
    for _ in range(STEPS):
        k = ROBUST * max(1.0, 1.4826 * float(np.median(np.abs(now.r)))) if robust else 1e6
        weight = 1 / np.sqrt(1 + (now.r / k) ** 2)
        A = np.vstack([now.J * weight[:, None], np.diag(1 / prior)])
        b = np.concatenate([now.r * weight, -now.x / prior])
        reach = np.maximum(low - now.x, -LONGEST_STEP), np.minimum(high - now.x, LONGEST_STEP)
        step = lsq_linear(A, b, (np.minimum(reach[0], -1e-12), np.maximum(reach[1], 1e-12))).x
        length, old = 1.0, cost(now, k)
        while length > 0.1:
            try:
                trial = state(now.x + length * step)
                if cost(trial, k) <= old + 1e-9:
                    break
            except SolveError:  # too long a step left what the model can do, or lost every pair
                pass
            length /= 2
        else:
            return now
        gain = old - cost(trial, k)
        now = trial
        if np.abs(length * step).max() < TIGHT or gain < 1e-6 * max(old, 1.0):
            break
    return now


def fit_losses(
    cabinet: Cabinet, here: Prediction, measured: MeasuredModes, pairing: Pairing, *, error: float = LOSS_ERROR
) -> dict[str, tuple[float, float]]:
    """Loss factors of boards from the modes' own: each mode's is the mean of the boards', weighted by energy.

    Returns
    -------
    dict of board name to (value, standard deviation)
        Only boards that the data tell.
    """
    c, m = (np.array(k, int) for k in zip(*pairing.pairs, strict=True))
    boards = [b for b in here.shares if float(here.shares[b].max()) > 0.02]
    loss = measured.loss_factor[m]
    sd = np.hypot(measured.loss_factor_sd[m], error * np.maximum(loss, 1e-4))
    old = np.array([cabinet.board(b).loss_factor for b in boards])
    before = np.maximum(0.5 * old, 1e-4)
    A = np.array([here.shares[b][c] for b in boards]).T / sd[:, None]
    rows, right = np.vstack([A, np.diag(1 / before)]), np.concatenate([loss / sd, old / before])
    value = lsq_linear(rows, right, (1e-5, 1.0)).x
    spread = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows)))
    return {b: (float(v), float(s)) for b, v, s, p in zip(boards, value, spread, before, strict=True) if s < TOLD * p}
