"""Maximise a costly score under cheap constraints, in a trust region, with slopes or without.

The score (a solved cabinet) costs a second, the constraints (its geometry) milliseconds. So every
point is first made to keep the constraints and only then scored.

With slopes: sequential quadratic programming from several starts, the curvature learnt by symmetric
rank-one updates (Nocedal and Wright, Numerical Optimization, ch. 6 and 18: from memory), so that
modes which cross or come together slow it down but do not stop it.

Without: all scores feed one interpolant; its best point inside a trust region and inside the
linearised constraints is scored next.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from bracewright.errors import DesignError
from bracewright.tune.interpolant import Interpolant
from bracewright.tune.margins import KEPT, Problem, best_step, margin_slopes, nearest_step

Array = NDArray[np.float64]
FIRST_RADIUS = 0.2  # of the bounds' range
LARGEST_RADIUS = 0.4
SMALLEST_RADIUS = 2e-3
RELINEARISE = 0.15  # distance at which the constraints' slopes are taken anew
EXPLORE_EVERY = 6  # one step in so many looks where no design has been tried
BARREN = 4  # starts in turn without a gain that end it
STREWN = 6  # points that are looked at for another start
GAIN = 1e-4  # a smaller improvement does not count as one


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
    return problem.at(run.best), run.top


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
        self.best = self.problem.share(self.problem.start)
        margins = self.margins(self.best)
        if margins is None or (margins < KEPT).any():
            raise DesignError("the start breaks its own limits; begin from a design that keeps them", key="start")
        self.top = -np.inf
        if not self.tell(self.best):
            raise DesignError("the start has no score; begin from a design that can be solved", key="start")
        self.linearise(margins)

    def tell(self, u: Array) -> bool:
        """Score a point; True when it is the best by more than a hair."""
        score = self.problem.score(self.problem.at(u))
        self.tried.append(u)
        self.scores.append(score)
        if score is None or score <= self.top:
            return False
        gained = score > self.top + GAIN
        self.best, self.top = u, score
        return gained

    def margins(self, u: Array) -> Array | None:
        """Return the margins of a point; None where it has none."""
        try:
            return self.problem.margins(self.problem.at(u))
        except DesignError:
            return None

    def here(self) -> Array:
        """Return the margins of the best point, which always has them."""
        margins = self.margins(self.best)
        assert margins is not None
        return margins

    def linearise(self, margins: Array) -> None:
        """Take the slopes of the margins at the best point."""
        self.slopes, self.slopes_at = margin_slopes(self.problem, self.best, margins), self.best

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
                u = u + nearest_step(np.zeros(len(u)), margins - 2e-4, self.slopes, -u, 1 - u)
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
        margins = self.here()
        if not np.array_equal(start, self.slopes_at):
            self.linearise(margins)
        low, high = self.box(radius)
        for z in strewn:
            if len(self.tried) >= count:
                break
            step = nearest_step(low + z * (high - low), margins, self.slopes, low, high)
            u = self.mended(start + step)
            if u is not None and self.distance(u) > SMALLEST_RADIUS:
                self.tell(u)

    def climb(self, evaluations: int) -> None:
        """Move the trust region until the evaluations are used up or it has closed three times for nothing."""
        radius, closed, step = FIRST_RADIUS, 0, 0
        while len(self.tried) < evaluations and closed < 3:
            step += 1
            if float(np.abs(self.best - self.slopes_at).max()) > RELINEARISE:
                self.linearise(self.here())
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
            margins = self.here()
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
        found = p.slope(p.at(self.best))
        return None if found is None else found * p.reach

    def uphill(self, slope: Array, curve: Array, margins: Array, radius: float) -> Array:
        """Return the step that promises most within radius, bounds and linearised margins."""
        low, high = self.box(radius)
        size = float(np.abs(slope).max()) or 1.0
        best, most = np.zeros(len(slope)), 0.0
        for z in (np.zeros(len(slope)), slope / size * radius):
            d = best_step(
                lambda d: (float(slope @ d + d @ curve @ d / 2) / size, (slope + curve @ d) / size),
                nearest_step(z, margins, self.slopes, low, high),
                margins,
                self.slopes,
                (low, high),
                steps=100,
                tolerance=1e-10,
            )
            if d is not None and (gain := float(slope @ d + d @ curve @ d / 2)) > most:
                best, most = d, gain
        return best

    def distance(self, u: Array) -> float:
        """Distance (largest coordinate) to the nearest point tried."""
        return float(np.abs(np.array(self.tried) - u).max(axis=1).min())

    def step(self, radius: float, explore: bool) -> Array:
        """Return the next step from the best point: uphill on the interpolant, or also away from what was tried."""
        margins = self.here()
        low, high = self.box(radius)
        model = Interpolant.near(self.tried, self.scores, self.best, radius)
        random = [self.rng.uniform(low, high) for _ in range(8 if explore else 3)]
        starts = [nearest_step(z, margins, self.slopes, low, high) for z in random]
        if explore:
            rise = np.array([model(self.best + z)[0] for z in starts])
            away = np.array([self.distance(self.best + z) for z in starts])
            return starts[int(np.argmax(_scaled(rise) + _scaled(away)))]
        found = []
        for z in [np.zeros(len(self.best)), *starts]:
            d = best_step(
                lambda d: model(self.best + d), z, margins, self.slopes, (low, high), steps=60, tolerance=1e-9
            )
            if d is not None:
                found.append((model(self.best + d)[0], d))
        return max(found, key=lambda item: item[0])[1] if found else starts[0]


def _rank_one(curve: Array, step: Array, miss: Array) -> Array:
    """Symmetric rank-one update of a curvature by what it missed in the change of the slope over a step."""
    along = float(miss @ step)
    if abs(along) <= 1e-8 * float(np.linalg.norm(miss) * np.linalg.norm(step)):
        return curve
    return np.asarray(curve + np.outer(miss, miss) / along)


def _scaled(values: Array) -> Array:
    spread = float(np.ptp(values))
    return (values - values.min()) / spread if spread > 0 else np.zeros_like(values)
