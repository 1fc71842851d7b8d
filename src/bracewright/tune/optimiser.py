"""Maximise a costly score under cheap constraints, in a trust region, with slopes or without.

The score (a solved cabinet) costs a second, the constraints (its geometry) milliseconds. So every
point is first made to keep the constraints and only then scored.

With slopes: sequential quadratic programming from several starts, the curvature learnt by symmetric
rank-one updates (Nocedal and Wright, Numerical Optimization, ch. 6 and 18: from memory), so that
modes which cross or come together slow it down but do not stop it.

Without: all scores feed one interpolant,
a cubic radial basis function with a linear tail (Regis and Shoemaker, INFORMS J. Comput. 19, 2007:
from memory); its best point inside a trust region and inside the linearised constraints is scored
next. Points of the interpolant are not ordered and need no derivative, so small noise of a mesh
does not mislead it the way it does finite differences.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp, minimize, nnls
from scipy.stats import qmc

from bracewright.errors import DesignError

Array = NDArray[np.float64]
KEPT = -1e-9
FIRST_RADIUS = 0.2  # of the bounds' range
LARGEST_RADIUS = 0.4
SMALLEST_RADIUS = 2e-3
RELINEARISE = 0.15  # distance at which the constraints' slopes are taken anew
EXPLORE_EVERY = 6  # one step in so many looks where no design has been tried
SLOPE_STEP = 5e-3  # of the bounds' range: about a millimetre, above the tolerance of fitted arcs
SLACK = 1e-3  # a margin may fall short where it must, at a million times the cost of a step as long
BARREN = 4  # starts in turn without a gain that end it
STREWN = 6  # points that are looked at for another start
GAIN = 1e-4  # a smaller improvement does not count as one


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


def maximise(problem: Problem, *, evaluations: int, seed: int = 0) -> tuple[Array, float]:
    """Return the best x (n,) found and its score.

    Parameters
    ----------
    problem : Problem
    evaluations : int
        Scores asked for at the most, that of the start included. It ends earlier when three trust regions in turn
        have closed without a gain, or with slopes `BARREN` starts.
    seed : int
        The same seed gives the same run.

    Raises
    ------
    DesignError
        The start breaks a constraint or has no score.
    """
    run = _Run(problem, np.random.default_rng(seed))
    n = len(problem.start)
    if evaluations > 1 and n and problem.slope is None:
        run.sample(min(n // 2 + 1, max(2, evaluations // 3)))
        run.climb(evaluations)
    elif evaluations > 1 and n:
        run.ascend(evaluations)
    return problem.low + run.best * problem.reach, run.top


def mend(problem: Problem, *, steps: int = 20) -> Array:
    """Return the point nearest to the start that keeps the margins, or the least bad one found.

    Constraints that conflict share the shortfall by least squares; none is given up for another.
    """
    low, reach = problem.low, problem.reach
    u = start = (problem.start - low) / reach
    best, least = u, np.inf
    for _ in range(steps):
        try:
            margins = problem.margins(low + u * reach)
        except DesignError:
            u = (u + best) / 2
            continue
        short = float((np.minimum(margins, 0) ** 2).sum())
        if short < least:
            best, least = u, short
        if (margins >= KEPT).all():
            break
        slopes = _slopes(problem, u, margins)
        u = np.clip(u + _project(start - u, margins - 1e-3, slopes, -u, 1 - u), 0, 1)
    return low + best * reach


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
    slopes = _slopes(problem, (x - problem.low) / problem.reach, margins) / problem.reach
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


def _slopes(problem: Problem, u: Array, margins: Array) -> Array:
    """Return the slopes (k, n) of the margins at u in 0..1; a variable that cannot be moved has none."""
    out = np.zeros((len(margins), len(u)))
    for i, value in enumerate(u):
        for step in (SLOPE_STEP, -SLOPE_STEP) if value <= 0.5 else (-SLOPE_STEP, SLOPE_STEP):
            moved = u.copy()
            moved[i] += step
            try:
                out[:, i] = (problem.margins(problem.low + moved * problem.reach) - margins) / step
            except DesignError:
                continue
            break
    return out


@dataclass
class _Run:
    """The state of one run, in coordinates of 0..1 between the bounds."""

    problem: Problem
    rng: np.random.Generator
    tried: list[Array] = field(default_factory=list)
    scores: list[float | None] = field(default_factory=list)
    best: Array = field(init=False)
    top: float = field(init=False)
    slopes: Array = field(init=False)
    slopes_at: Array = field(init=False)

    def __post_init__(self) -> None:
        p = self.problem
        self.best = (p.start - p.low) / p.reach
        margins = self.margins(self.best)
        if margins is None or (margins < KEPT).any():
            raise DesignError("the start breaks its own limits; begin from a design that keeps them", key="start")
        self.top = -np.inf
        if not self.tell(self.best):
            raise DesignError("the start has no score; begin from a design that can be solved", key="start")
        self.linearise(margins)

    def tell(self, u: Array) -> bool:
        """Score a point; True when it is the best by more than a hair."""
        score = self.problem.score(self.problem.low + u * self.problem.reach)
        self.tried.append(u)
        self.scores.append(score)
        if score is None or score <= self.top:
            return False
        gained = score > self.top + GAIN
        self.best, self.top = u, score
        return gained

    def margins(self, u: Array) -> Array | None:
        try:
            return self.problem.margins(self.problem.low + u * self.problem.reach)
        except DesignError:
            return None

    def linearise(self, margins: Array) -> None:
        """Take the slopes of the margins at the best point."""
        self.slopes, self.slopes_at = _slopes(self.problem, self.best, margins), self.best

    def box(self, radius: float) -> tuple[Array, Array]:
        """Return the steps from the best point that stay within radius and bounds."""
        return np.maximum(-self.best, -radius), np.minimum(1 - self.best, radius)

    def mended(self, u: Array) -> Array | None:
        """Return a point near u that keeps the true margins, or one between it and the best; None if there is none."""
        for _ in range(4):
            margins = self.margins(u)
            if margins is None:
                u = (u + self.best) / 2
            elif (margins >= KEPT).all():
                return u
            else:
                u = u + _project(np.zeros(len(u)), margins - 2e-4, self.slopes, -u, 1 - u)
        for _ in range(6):
            u = (u + self.best) / 2
            margins = self.margins(u)
            if margins is not None and (margins >= KEPT).all():
                return u
        return None

    def sample(self, count: int, radius: float = FIRST_RADIUS) -> None:
        """Score evenly strewn points around the best one until `count` are scored, or twice as many did not do."""
        start = self.best
        want = max(1, count - len(self.tried))
        strewn = qmc.Sobol(len(start), scramble=False).random_base2(int(np.ceil(np.log2(2 * want))))
        strewn = (strewn + self.rng.random(len(start))) % 1.0
        margins = self.margins(start)
        assert margins is not None
        if not np.array_equal(start, self.slopes_at):
            self.linearise(margins)
        low, high = self.box(radius)
        for z in strewn:
            if len(self.tried) >= count:
                break
            step = _project(low + z * (high - low), margins, self.slopes, low, high)
            u = self.mended(start + step)
            if u is not None and self.distance(u) > SMALLEST_RADIUS:
                self.tell(u)

    def climb(self, evaluations: int) -> None:
        """Move the trust region until the evaluations are used up or it has closed three times for nothing."""
        radius, closed, step = FIRST_RADIUS, 0, 0
        while len(self.tried) < evaluations and closed < 3:
            step += 1
            if float(np.abs(self.best - self.slopes_at).max()) > RELINEARISE:
                margins = self.margins(self.best)
                assert margins is not None
                self.linearise(margins)
            explore = step % EXPLORE_EVERY == 0
            u = self.mended(self.best + self.step(radius, explore))
            if u is not None and self.distance(u) > 0.05 * radius:
                if self.tell(u):
                    radius, closed = min(LARGEST_RADIUS, 1.5 * radius), 0
                elif not explore:
                    radius *= 0.7
            else:
                radius *= 0.7
            if radius < SMALLEST_RADIUS:
                radius, closed = FIRST_RADIUS, closed + 1

    def ascend(self, evaluations: int) -> None:
        """Follow the slopes from the start, then, while evaluations last, from the best of points strewn wide."""
        reached = [(self.top, self.best)]
        barren = 0
        while len(self.tried) < evaluations and barren < BARREN:
            highest = max(top for top, _ in reached)
            gained = True
            while gained and len(self.tried) < evaluations:
                self.follow(evaluations)
                # Where slopes lead no further, scores alone may: a crest is rough, and slopes of levels are not exact.
                foot = self.top
                self.climb(min(evaluations, len(self.tried) + len(self.best) // 2 + 2))
                gained = self.top > foot + 10 * GAIN
            reached.append((self.top, self.best))
            barren = 0 if self.top > highest + GAIN else barren + 1
            if len(self.tried) >= evaluations:
                break
            # Another start: the best of a few points strewn over all the bounds, as far as the limits let them.
            self.top, self.best = reached[0]
            known = len(self.tried)
            self.sample(known + min(STREWN, evaluations - known), radius=1.0)
            fresh = [(s, u) for s, u in zip(self.scores[known:], self.tried[known:], strict=True) if s is not None]
            if not fresh:
                break
            self.top, self.best = max(fresh, key=lambda item: item[0])
        scored = [(s, u) for s, u in zip(self.scores, self.tried, strict=True) if s is not None]
        self.top, self.best = max([*reached, *scored], key=lambda item: item[0])

    def follow(self, evaluations: int) -> None:
        """Climb from the best point along its slope until the trust region closes or nothing more is promised."""
        n = len(self.best)
        slope = self.slope()
        if slope is None:
            return
        curve = np.zeros((n, n))
        radius = FIRST_RADIUS / 2
        while len(self.tried) < evaluations and radius >= SMALLEST_RADIUS:
            margins = self.margins(self.best)
            assert margins is not None
            if not np.array_equal(self.best, self.slopes_at):
                self.linearise(margins)
            centre, here = self.best, self.top
            step = self.uphill(slope, curve, margins, radius)
            if float(slope @ step + step @ curve @ step / 2) < GAIN:
                return
            u = self.mended(centre + step)
            if u is None or float(np.abs(u - centre).max()) < SMALLEST_RADIUS / 4:
                radius *= 0.4
                continue
            self.tell(u)
            score = self.scores[-1]
            step = u - centre
            if score is None:
                radius *= 0.4
                continue
            promised = float(slope @ step + step @ curve @ step / 2)
            if score > here:
                new = self.slope()
                if new is None:
                    return
                curve = _rank_one(curve, step, new - slope - curve @ step)
                slope = new
                if score - here > 0.7 * promised:
                    radius = min(LARGEST_RADIUS, max(radius, 2 * float(np.abs(step).max())))
                elif score - here < 0.25 * promised:
                    radius *= 0.5
            else:
                # The score itself says how the ground curves along this step.
                bend = 2 * (score - here - float(slope @ step)) - float(step @ curve @ step)
                curve = curve + bend * np.outer(step, step) / float(step @ step) ** 2
                radius = 0.4 * min(radius, float(np.abs(step).max()))

    def slope(self) -> Array | None:
        """Return the slope of the score at the best point, or None."""
        p = self.problem
        assert p.slope is not None
        found = p.slope(p.low + self.best * p.reach)
        return None if found is None else found * p.reach

    def uphill(self, slope: Array, curve: Array, margins: Array, radius: float) -> Array:
        """Return the step that promises most within radius, bounds and linearised margins."""
        low, high = self.box(radius)
        size = float(np.abs(slope).max()) or 1.0
        best, most = np.zeros(len(slope)), 0.0
        for z in (np.zeros(len(slope)), slope / size * radius):
            result = minimize(
                lambda d: (-float(slope @ d + d @ curve @ d / 2) / size, -(slope + curve @ d) / size),
                _project(z, margins, self.slopes, low, high),
                jac=True,
                method="SLSQP",
                bounds=np.stack([low, high], axis=1),
                constraints=_linear(margins, self.slopes),
                options={"maxiter": 100, "ftol": 1e-10},
            )
            d = np.clip(result.x, low, high)
            gain = float(slope @ d + d @ curve @ d / 2)
            if np.isfinite(d).all() and (margins + self.slopes @ d > -1e-3).all() and gain > most:
                best, most = d, gain
        return best

    def distance(self, u: Array) -> float:
        """Distance (largest coordinate) to the nearest point tried."""
        return float(np.abs(np.array(self.tried) - u).max(axis=1).min())

    def step(self, radius: float, explore: bool) -> Array:
        """Return the next step from the best point: uphill on the interpolant, or also away from what was tried."""
        margins = self.margins(self.best)
        assert margins is not None
        low, high = self.box(radius)
        n = len(self.best)
        model = self.interpolant(radius)
        random = [self.rng.uniform(low, high) for _ in range(8 if explore else 3)]
        starts = [_project(z, margins, self.slopes, low, high) for z in random]
        if explore:
            rise = np.array([model(self.best + z)[0] for z in starts])
            away = np.array([self.distance(self.best + z) for z in starts])
            return starts[int(np.argmax(_scaled(rise) + _scaled(away)))]
        found = []
        for z in [np.zeros(n), *starts]:
            result = minimize(
                lambda d: tuple(-v for v in model(self.best + d)),
                z,
                jac=True,
                method="SLSQP",
                bounds=np.stack([low, high], axis=1),
                constraints=_linear(margins, self.slopes),
                options={"maxiter": 60, "ftol": 1e-9},
            )
            d = np.clip(result.x, low, high)
            if np.isfinite(d).all() and (margins + self.slopes @ d > -1e-3).all():
                found.append((model(self.best + d)[0], d))
        return max(found, key=lambda item: item[0])[1] if found else starts[0]

    def interpolant(self, radius: float) -> _Interpolant:
        """Fit the scores near the best point; distances count in radii so that it keeps its condition."""
        known = [(u, s) for u, s in zip(self.tried, self.scores, strict=True) if s is not None]
        x, y = np.array([u for u, _ in known]), np.array([s for _, s in known])
        # A few very low scores would bend the interpolant where it matters.
        y = np.maximum(y, np.median(y) - 3 * np.std(y))
        far = np.linalg.norm(x - self.best, axis=1)
        near = np.argsort(far, kind="stable")[
            : max(len(self.best) + 2, int((far < 5 * radius * len(self.best) ** 0.5).sum()))
        ]
        return _Interpolant((x[near] - self.best) / radius, y[near], self.best, radius)


def _rank_one(curve: Array, step: Array, miss: Array) -> Array:
    """Symmetric rank-one update of a curvature by what it missed in the change of the slope over a step."""
    along = float(miss @ step)
    if abs(along) < 1e-8 * float(np.linalg.norm(miss) * np.linalg.norm(step)):
        return curve
    return np.asarray(curve + np.outer(miss, miss) / along)


class _Interpolant:
    """Cubic radial basis functions and a linear tail; the flattest plane while there are too few points."""

    def __init__(self, x: Array, y: Array, centre: Array, scale: float) -> None:
        self.x, self.centre, self.scale = x, centre, scale
        m, n = x.shape
        plane = np.hstack([np.ones((m, 1)), x])
        if m <= n + 1:
            flat = np.hstack([np.zeros((n, 1)), 1e-3 * np.eye(n)])
            self.plane = np.linalg.lstsq(np.vstack([plane, flat]), np.r_[y, np.zeros(n)], rcond=None)[0]
            self.weight = np.zeros(m)
            return
        r = np.linalg.norm(x[:, None] - x, axis=2)
        a = np.block([[r**3 + 1e-6 * np.eye(m), plane], [plane.T, np.zeros((n + 1, n + 1))]])
        solved = np.linalg.lstsq(a, np.r_[y, np.zeros(n + 1)], rcond=None)[0]
        self.weight, self.plane = solved[:m], solved[m:]

    def __call__(self, u: Array) -> tuple[float, Array]:
        """Return value and gradient at u."""
        z = (u - self.centre) / self.scale
        d = z - self.x
        r = np.linalg.norm(d, axis=1)
        value = self.weight @ r**3 + self.plane[0] + self.plane[1:] @ z
        return float(value), ((3 * self.weight * r) @ d + self.plane[1:]) / self.scale


def _linear(margins: Array, slopes: Array) -> dict[str, object]:
    return {"type": "ineq", "fun": lambda d: margins + slopes @ d, "jac": lambda _: slopes}


def _project(step: Array, margins: Array, slopes: Array, low: Array, high: Array) -> Array:
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


def _scaled(values: Array) -> Array:
    spread = float(np.ptp(values))
    return (values - values.min()) / spread if spread > 0 else np.zeros_like(values)
