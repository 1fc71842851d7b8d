"""Correcting the model: board and joint values from measured modes, with their spread.

Bounded weighted least squares with priors, in logarithms: at the optimum the inverse of the curvature is the
posterior covariance (Friswell, Mottershead, Finite Element Model Updating in Structural Dynamics, 1995).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError, SolveError
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.measure.fitted import POOR, FitResult
from bracewright.measure.identify import MeasuredModes, at_places
from bracewright.measure.pair import Pairing, pair, suspect_places
from bracewright.measure.parameters import Parameter, changed, default_parameters, logs, value_of, with_loss
from bracewright.measure.predict import JOINTS, FullModel, Prediction, Predictor
from bracewright.measure.records import Place

Array = NDArray[np.float64]
# Relative, of frequencies: what the model may be off with perfect values, mode by mode and all modes alike. Boxes of
# solid wood and a finer mesh put the first at about 1 % and the second at 0.5 % (tests/published, tests/unit).
MODEL_ERROR = 0.01
COMMON_ERROR = 0.005
LOSS_ERROR = 0.15  # relative, of a modal loss factor: air and cables take a part. Judgement.
JOINT_LOSS = 0.03  # spread of the joints' loss factor before, at least. Judgement.
BOARD_LOSS = 0.005  # the same of a board's
TOLD = 0.7  # of the spread before, at most, may be left of a parameter that the data tell
LONGEST_STEP = 0.7  # of a logarithm
ROBUST = 2.0  # times the typical residual, from which one counts less and less
NARROW = 5.0  # times the typical difference, from which a pair is taken for a wrong one
LEAST_WINDOW = 0.01
STEPS = 15
TIGHT = 1e-3  # of a logarithm, the step at which a fit has settled


def fit(
    cabinet: Cabinet,
    measured: MeasuredModes,
    parameters: Sequence[Parameter] | None = None,
    *,
    mass_kg: float | None = None,
    mass_error: float = 0.005,
    model_error: float = MODEL_ERROR,
    common_error: float = COMMON_ERROR,
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
        Relative standard deviation of the model's frequencies even with perfect values, each mode on its own.
    common_error : float
        The same, of all frequencies together, as by too coarse a mesh. It is a further unknown of the fit, and widens
        the spread of moduli.
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
    terms = _Terms(model_error=model_error, common_error=max(common_error, 1e-6), mass=mass, window=window)
    x = np.zeros(len(chosen) + 1)
    keep = np.ones(len(measured.places), bool)
    before = _paired(predict(x[:-1]), measured, keep, window)
    if not before.pairs:
        raise SolveError("no measured mode pairs with a computed one; check the places, or give a wider window")
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
    r, J = _residuals(here, measured, pairing, terms)
    prior = terms.prior(predict)
    covariance = np.linalg.inv(J.T @ J + np.diag(1 / prior**2))
    misfit = float(np.sqrt(((r**2).sum() + ((x / prior) ** 2).sum()) / len(r)))
    covariance = covariance[:-1, :-1] * max(1.0, misfit) ** 2
    sd = np.sqrt(np.diag(covariance))
    factor = np.exp(x[:-1])
    losses = fit_losses(cabinet, here, measured, pairing)
    fitted = changed(cabinet, dict(zip([p.key for p in chosen], factor, strict=True)))
    fitted = with_losses(fitted, {k: v for k, (v, _) in losses.items()})
    return FitResult(
        cabinet=fitted,
        parameters=chosen,
        factor=factor,
        spread=sd,
        correlation=covariance / np.outer(sd, sd),
        told=tuple(bool(s < TOLD * p.spread) for s, p in zip(sd, chosen, strict=True)),
        values=tuple((value_of(cabinet, p.key)[0], *value_of(fitted, p.key)) for p in chosen),
        before=before,
        after=replace(pairing, computed_Hz=pairing.computed_Hz / np.exp(x[-1])),
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
    return at_places(measured, places)


def _count(cabinet: Cabinet, measured: MeasuredModes, size: float) -> int:
    """Modes to compute so that the measured band is covered with a margin."""
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


def _narrowed(here: Prediction, measured: MeasuredModes, pairing: Pairing, terms: _Terms) -> float:
    """Window for the last pairing: some times what the middle pair is off, never wider than the first."""
    off = [abs(np.log(measured.frequency_Hz[m] / here.frequency_Hz[c])) for c, m in pairing.pairs]
    wide = NARROW * max(1.4826 * float(np.median(off)), terms.model_error)
    return min(terms.window, max(wide, LEAST_WINDOW))


def _residuals(
    here: Prediction,
    measured: MeasuredModes,
    pairing: Pairing,
    terms: _Terms,
) -> tuple[Array, Array]:
    """Weighted residuals (n,) and the derivatives (n, parameters) of the predictions."""
    c, m = (np.array(k, int) for k in zip(*pairing.pairs, strict=True))
    sd = np.hypot(measured.frequency_sd_Hz[m] / measured.frequency_Hz[m], terms.model_error)
    r = np.log(measured.frequency_Hz[m] / here.frequency_Hz[c]) / sd
    J = here.gradient[:, c].T / sd[:, None]
    if terms.mass is not None:
        mass, error = terms.mass
        r = np.append(r, np.log(mass / here.mass_kg) / error)
        J = np.vstack([J, here.mass_gradient / error])
    return r, J


@dataclass(frozen=True, slots=True, kw_only=True)
class _Terms:
    """What residuals are weighted by; `mass` is the cabinet's on a scale and its relative error."""

    model_error: float
    common_error: float
    mass: tuple[float, float] | None
    window: float

    def prior(self, predict: Predictor) -> Array:
        """Spreads before measuring, of the parameters and of the model's common error."""
        return np.array([*(p.spread for p in predict.parameters), self.common_error])


def _with_common(predict: Predictor, x: Array) -> Prediction:
    """Predict at parameters (n,), all frequencies exp(x[n]) times as high."""
    here = predict(x[:-1])
    return replace(
        here,
        frequency_Hz=here.frequency_Hz * np.exp(x[-1]),
        gradient=np.vstack([here.gradient, np.ones(len(here.frequency_Hz))]),
        mass_gradient=np.append(here.mass_gradient, 0.0),
    )


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
    terms: _Terms,
    start: Array,
) -> tuple[_State, NDArray[np.bool_]]:
    """Fit robustly, leave out places and pairs that do not belong, and fit again; return the places kept too."""
    near = _descend(predict, measured, keep, terms, start=start, robust=True)
    kept = keep.copy()
    # Places are judged by the fitted model, whose shapes are closer.
    kept[suspect_places(near.here.at, measured, near.pairing)] = False
    # Frequencies now lie close, so that a pair far off the others is a wrong one.
    narrow = replace(terms, window=_narrowed(near.here, measured, near.pairing, terms))
    return _descend(predict, measured, kept, narrow, start=near.x, robust=False), kept


def _descend(
    predict: Predictor,
    measured: MeasuredModes,
    keep: NDArray[np.bool_],
    terms: _Terms,
    *,
    start: Array,
    robust: bool,
) -> _State:
    """Gauss-Newton within bounds, pairing anew at each step, steps halved where they do not help.

    Where `robust`, residuals count by Cauchy's function, so that a few wrong pairs among many do not lead astray.
    """
    prior = terms.prior(predict)
    wide = 3 * terms.common_error
    low, high = (np.append(v, side) for v, side in zip(logs(predict.parameters), (-wide, wide), strict=True))

    def state(x: Array) -> _State:
        here = _with_common(predict, x)
        pairing = _paired(here, measured, keep, terms.window)
        if not pairing.pairs:
            raise SolveError("the fit lost all pairs of modes; give better starting values or a wider window")
        r, J = _residuals(here, measured, pairing, terms)
        return _State(x=x, here=here, pairing=pairing, r=r, J=J, lost=len(measured) - len(pairing.pairs))

    def cost(s: _State, k: float) -> float:
        # A mode without a partner costs as much as the worst partner would: no step may gain by losing pairs.
        r2 = np.append(s.r**2, np.full(s.lost, (terms.window / terms.model_error) ** 2))
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
    """Loss factors of boards and joints from the modes' own, each the mean of theirs weighted by strain energy.

    Returns
    -------
    dict of key to (value, standard deviation)
        ``boards.NAME.loss_factor`` and ``joints.loss_factor``; only what the data tell.
    """
    c, m = (np.array(k, int) for k in zip(*pairing.pairs, strict=True))
    names = [b for b in here.shares if float(here.shares[b].max()) > 0.02]
    loss = measured.loss_factor[m]
    sd = np.hypot(measured.loss_factor_sd[m], error * np.maximum(loss, 1e-4))
    old = np.array([cabinet.joint.loss_factor if b == JOINTS else cabinet.board(b).loss_factor for b in names])
    before = np.maximum(0.5 * old, [JOINT_LOSS if b == JOINTS else BOARD_LOSS for b in names])
    A = np.array([here.shares[b][c] for b in names]).T / sd[:, None]
    rows, right = np.vstack([A, np.diag(1 / before)]), np.concatenate([loss / sd, old / before])
    value = lsq_linear(rows, right, (1e-5, 1.0)).x
    spread = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows)))
    keys = ["joints.loss_factor" if b == JOINTS else f"boards.{b}.loss_factor" for b in names]
    return {k: (float(v), float(s)) for k, v, s, p in zip(keys, value, spread, before, strict=True) if s < TOLD * p}


def with_losses(cabinet: Cabinet, losses: Mapping[str, float]) -> Cabinet:
    """Return the design with loss factors of `fit_losses`; all its joints get the one value."""
    of = {k.split(".")[1]: v for k, v in losses.items() if k.startswith("boards.")}
    out = replace(cabinet, boards=tuple(with_loss(b, of[b.name]) if b.name in of else b for b in cabinet.boards))
    joint = losses.get("joints.loss_factor")
    if joint is None:
        return out
    return out.with_joints(lambda spec: replace(spec, loss_factor=joint))
