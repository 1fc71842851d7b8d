"""What one goal costs another: the best of the one for every level kept of the other."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError
from bracewright.tune.goals import WEIGHTS, Goal, Numbers
from bracewright.tune.result import SearchResult
from bracewright.tune.run import Progress
from bracewright.tune.search import search

ONLY: dict[str, float] = dict.fromkeys(WEIGHTS, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """One design of a trade-off curve.

    Parameters
    ----------
    first, second : float
        Gains of the two goals over the start, as `Goal.gains` gives them.
    cabinet : Cabinet
    numbers : dict
    """

    first: float
    second: float
    cabinet: Cabinet
    numbers: Numbers


def trade_off(
    cabinet: Cabinet,
    first: str,
    second: str,
    *,
    goal: Goal | None = None,
    points: int = 5,
    evaluations: int = 30,
    seed: int = 0,
    progress: Progress | None = None,
    resume: str | os.PathLike[str] | None = None,
    **more: object,
) -> tuple[TradePoint, ...]:
    """Return designs none of which is beaten in both goals, by rising `first`.

    The ends are searched for each goal alone; between them the first is raised while the second keeps a level (the
    method of the epsilon-constraint).

    Parameters
    ----------
    cabinet : Cabinet
    first, second : {"raise_", "spread", "quiet", "peak", "stiff"}
    goal : Goal, optional
        For its band and its numbers of modes; its weights are not used.
    points : int
        Designs to search for, 2 or more.
    evaluations : int
        For each of them.
    progress, resume
        As `search` takes them.
    **more
        Further arguments of `search`.
    """
    for name in (first, second):
        if name not in WEIGHTS:
            raise DesignError(f"got {name!r}; goals are {', '.join(WEIGHTS)}", key="goal")
    if first == second or points < 2:
        raise DesignError("give two different goals and at least two points", key="goal")
    base = replace(goal or Goal(), **cast(Any, ONLY | {first: 1.0, second: 1e-6}), harm=0.0)

    def run(weights: dict[str, float], least: tuple[tuple[str, float], ...] = ()) -> TradePoint:
        wanted = replace(base, **cast(Any, weights), least=least)
        found: SearchResult = search(
            cabinet,
            goal=wanted,
            evaluations=evaluations,
            seed=seed,
            progress=progress,
            resume=resume,
            **cast(Any, more),
        )
        gains = base.gains(found.after, found.before)
        return TradePoint(first=gains[first], second=gains[second], cabinet=found.cabinet, numbers=found.after)

    ends = [run({first: 1.0, second: 1e-3}), run({first: 1e-3, second: 1.0})]
    levels = np.linspace(ends[0].second, ends[1].second, points)[1:-1]
    found = [*ends, *(run({first: 1.0, second: 1e-3}, ((second, float(level)),)) for level in levels)]
    best = [p for p in found if not any(_beats(q, p) for q in found)]
    return tuple(sorted(best, key=lambda p: p.first))


def _beats(q: TradePoint, p: TradePoint) -> bool:
    no_worse = q.first >= p.first and q.second >= p.second
    return no_worse and (q.first > p.first or q.second > p.second)
