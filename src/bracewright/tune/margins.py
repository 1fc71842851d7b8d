"""What is to be maximised, and points that keep its margins: a step, a mended start, whole numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp, minimize, nnls

from bracewright.errors import DesignError

Array = NDArray[np.float64]
KEPT = -1e-9
SLOPE_STEP = 5e-3  # of the bounds' range: about a millimetre, above the tolerance of fitted arcs
SLACK = 1e-3  # a margin may fall short where it must, at a million times the cost of a step as long


@dataclass(frozen=True, kw_only=True)
class Problem:
    """What is to be maximised, on bounds.

    Attributes
    ----------
    score : callable
        Maps x (n,) to a number, or None where it has none.
    margins : callable
        Maps x to (k,) numbers that must be 0 or more, all of one size; raises DesignError where there are none.
    start, low, high : (n,) array
        The start keeps the margins and has a score.
    slope : callable, optional
        Maps an x that has a score to its slope (n,), or None where it has none.
    """

    score: Callable[[Array], float | None]
    margins: Callable[[Array], Array]
    start: Array
    low: Array
    high: Array
    slope: Callable[[Array], Array | None] | None = None

    @property
    def reach(self) -> Array:
        """(n,) range of each variable."""
        return self.high - self.low

    def at(self, u: Array) -> Array:
        """Return the x (n,) of a point u in 0..1 between the bounds."""
        return self.low + u * self.reach

    def share(self, x: Array) -> Array:
        """Return where x (n,) lies between the bounds, in 0..1."""
        return (x - self.low) / self.reach


def margin_slopes(problem: Problem, u: Array, margins: Array) -> Array:
    """Return the slopes (k, n) of the margins at u in 0..1; a variable that cannot be moved has none."""
    out = np.zeros((len(margins), len(u)))
    for i, value in enumerate(u):
        for step in (SLOPE_STEP, -SLOPE_STEP) if value <= 0.5 else (-SLOPE_STEP, SLOPE_STEP):
            moved = u.copy()
            moved[i] += step
            try:
                out[:, i] = (problem.margins(problem.at(moved)) - margins) / step
            except DesignError:
                continue
            break
    return out


def nearest_step(step: Array, margins: Array, slopes: Array, low: Array, high: Array) -> Array:
    """Return the step nearest to this one within the bounds and, as far as they can be kept, the linearised margins.

    Least distance programming by non-negative least squares (Lawson and Hanson, Solving Least Squares Problems, ch. 23:
    from memory): min |y| with G y >= h, where y is the change of the step and, weighed heavily, a slack of each margin.
    """
    step = np.clip(step, low, high)
    if (margins + slopes @ step >= 0).all():
        return step
    n, k = len(step), len(margins)
    g = np.zeros((k + 2 * n, n + k))
    g[:k, :n], g[:k, n:] = slopes, np.eye(k) * SLACK
    g[k : k + n, :n], g[k + n :, :n] = np.eye(n), -np.eye(n)
    h = np.concatenate([-margins - slopes @ step, low - step, step - high])
    e = np.vstack([g.T, h])
    try:
        u, _ = nnls(e, np.r_[np.zeros(n + k), 1.0], maxiter=30 * e.shape[1])
    except RuntimeError:  # it does not come to an end
        return step
    r = e @ u
    change = r[:n] / (1.0 - r[-1])
    return np.clip(step + change, low, high) if np.isfinite(change).all() else step


def best_step(
    worth: Callable[[Array], tuple[float, Array]],
    start: Array,
    margins: Array,
    slopes: Array,
    box: tuple[Array, Array],
    *,
    steps: int,
    tolerance: float,
) -> Array | None:
    """Return the step (n,) in a box and the linearised margins that is worth most, None if none is found from a start.

    `worth` maps a step to a number and its slope (n,).
    """
    low, high = box

    def loss(d: Array) -> tuple[float, Array]:
        value, slope = worth(d)
        return -value, -slope

    result = minimize(
        loss,
        start,
        jac=True,
        method="SLSQP",
        bounds=np.stack([low, high], axis=1),
        constraints={"type": "ineq", "fun": lambda d: margins + slopes @ d, "jac": lambda _: slopes},
        options={"maxiter": steps, "ftol": tolerance},
    )
    d = np.clip(result.x, low, high)
    return d if np.isfinite(d).all() and (margins + slopes @ d > -1e-3).all() else None


def mend(problem: Problem, *, steps: int = 20) -> Array:
    """Return the point nearest to the start that keeps the margins, or the least bad one found.

    Constraints that conflict share the shortfall by least squares; none is given up for another.
    """
    u = start = problem.share(problem.start)
    best, least = u, np.inf
    for _ in range(steps):
        try:
            margins = problem.margins(problem.at(u))
        except DesignError:
            u = (u + best) / 2
            continue
        short = float((np.minimum(margins, 0) ** 2).sum())
        if short < least:
            best, least = u, short
        if (margins >= KEPT).all():
            break
        slopes = margin_slopes(problem, u, margins)
        u = np.clip(u + nearest_step(start - u, margins - 1e-3, slopes, -u, 1 - u), 0, 1)
    return problem.at(best)


def snap(problem: Problem, x: Array, *, reach: int = 8, tries: int = 8) -> Array | None:
    """Return whole numbers near x that keep the margins, or None if none are found; what is at its start may stay.

    The nearest whole numbers (sum of distances) under the linearised margins are a small mixed-integer programme; what
    the true margins then lack is put right in the next one.
    """
    n = len(x)
    try:
        margins = problem.margins(x)
    except DesignError:
        return None
    slopes = margin_slopes(problem, problem.share(x), margins) / problem.reach
    moved = x != problem.start
    low = np.where(moved, np.maximum(np.ceil(problem.low), np.floor(x) - reach), x)
    high = np.where(moved, np.minimum(np.floor(problem.high), np.ceil(x) + reach), x)
    if (low > high).any():
        return None
    eye, none = np.eye(n), np.zeros((len(margins), n))
    y = x
    for _ in range(tries):
        result = milp(
            np.r_[np.zeros(n), np.ones(n)],
            integrality=np.r_[moved.astype(int), np.zeros(n)],
            bounds=Bounds(np.r_[low, np.zeros(n)], np.r_[high, np.full(n, np.inf)]),
            constraints=[
                LinearConstraint(np.hstack([slopes, none]), slopes @ y - margins, np.inf),
                LinearConstraint(np.hstack([-eye, eye]), -x, np.inf),
                LinearConstraint(np.hstack([eye, eye]), x, np.inf),
            ],
            options={"node_limit": 5000, "mip_rel_gap": 0.05},
        )
        if result.x is None:
            return None
        y = np.where(moved, np.round(result.x[:n]), x)
        try:
            margins = problem.margins(y)
        except DesignError:
            return None
        if (margins >= KEPT).all():
            return y
    return None
