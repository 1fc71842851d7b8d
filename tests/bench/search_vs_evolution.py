"""The search beside scipy's differential evolution: the same cabinet, goal, variables and limits.

Evolution gets ten times the evaluations; a design that breaks a limit costs it none, as limits are
geometry and cheap, and scores by how much it breaks. Printed: evaluations, score, seconds.

    python tests/bench/search_vs_evolution.py [evaluations of the search] [element side, mm]
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import contextlib
import sys
import time

import numpy as np
from scipy.optimize import differential_evolution

from bracewright.errors import BracewrightError
from bracewright.examples import example
from bracewright.tune import Goal, Limits, Look, Space, search
from bracewright.tune.constraints import Rules

BROKEN = 0.01  # score lost per mm or per cent


def main() -> int:
    evaluations = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    size = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    cabinet = example("stand-mount")
    goal, limits = Goal(), Limits()
    space, rules = Space.of(cabinet, limits=limits), Rules.of(cabinet, limits)
    print(f"{len(space.variables)} variables, {len(rules.rules)} limits, elements of {size:g} mm")
    t0 = time.process_time()
    ours = search(cabinet, goal=goal, limits=limits, space=space, size=size, evaluations=evaluations)
    spent = time.process_time() - t0
    print(f"search     {ours.evaluations:5d} evaluations  score {ours.after['score']:.4f}  {spent:.0f} s CPU")

    look = Look.at(goal, cabinet, size=size)
    before = look.numbers(look.record(cabinet))
    solved: list[float] = []
    known: dict[bytes, float] = {}

    class Enough(Exception):
        pass

    def loss(x: np.ndarray) -> float:
        try:
            design = space.apply(x)
        except BracewrightError:
            return 10.0
        short = sum(rules.broken(design).values())
        if short > 1e-6:
            return 1.0 + BROKEN * short
        key = x.tobytes()
        if key not in known:
            record = look.record(design)
            if "reason" in record:
                return 10.0
            known[key] = -goal.score(look.numbers(record), before)
            solved.append(known[key])
            if len(solved) % 50 == 0:
                print(f"           {len(solved):5d} evaluations  score {-min(solved):.4f}", flush=True)
            if len(solved) >= 10 * evaluations:
                raise Enough
        return known[key]

    t0 = time.process_time()
    bounds = np.stack([space.low, space.high], axis=1)
    with contextlib.suppress(Enough):
        differential_evolution(loss, bounds, x0=space.start(), popsize=3, maxiter=100_000, seed=1, tol=0, polish=False)
    print(f"evolution  {len(solved):5d} evaluations  score {-min(solved):.4f}  {time.process_time() - t0:.0f} s CPU")
    return 0


if __name__ == "__main__":
    sys.exit(main())
