"""The search: from a cabinet to a better one that keeps its limits, on whole millimetres."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError, SolveError
from bracewright.tune.archive import Archive
from bracewright.tune.choices import options
from bracewright.tune.constraints import Limits, Rules
from bracewright.tune.goals import Goal, Numbers
from bracewright.tune.looks import Look
from bracewright.tune.pockets import check_free, with_free_pockets
from bracewright.tune.result import SearchResult, Trial
from bracewright.tune.run import Progress, Run
from bracewright.tune.variables import Space, check_wishes, known, with_own_wishes

PROMISING = 3  # combinations of choices that are searched from


def search(
    cabinet: Cabinet,
    *,
    goal: Goal | None = None,
    limits: Limits | None = None,
    space: Space | None = None,
    size: float = 40.0,
    evaluations: int = 60,
    seed: int = 0,
    progress: Progress | None = None,
    resume: str | os.PathLike[str] | None = None,
    slopes: bool = True,
    executor: Executor | None = None,
    tell: Callable[[str], None] | None = None,
) -> SearchResult:
    """Move braces and pockets towards a goal: by default the lowest modes up and apart.

    Parameters
    ----------
    cabinet : Cabinet
    goal : Goal, optional
    limits : Limits, optional
    space : Space, optional
        What may move. Goal, limits and space are by default what the design's ``[tune]`` table says, with its choices;
        without one every brace and pocket may move, ``Space.of(cabinet, limits=limits)``.
    size : float
        Element side, mm.
    evaluations : int
        Designs solved at the most.
    seed : int
        The same seed gives the same result.
    progress : callable, optional
        Called as ``progress(evaluations, numbers)`` after each design, with the best numbers so far.
    resume : path, optional
        An archive of solved designs, read if it exists and added to; a stopped search goes on from it.
    slopes : bool
        Whether derivatives are computed at every design that is better, or scores alone must do.
    executor : Executor, optional
        Of `concurrent.futures`, or dask's, for the cabinets by which a robust goal is judged.
    tell : callable, optional
        Told in words what is prepared, before the first design.

    Returns
    -------
    SearchResult
        On whole millimetres wherever something moved. Stopped by Ctrl-C it is the best so far.

    Raises
    ------
    DesignError
        Nothing can move, or no design within the bounds keeps the limits; the message says by how much.
    SolveError
        The start cannot be meshed or solved.
    FileError
        The archive cannot be read or written.
    """
    if isinstance(evaluations, bool) or not isinstance(evaluations, int) or evaluations < 2:
        raise DesignError(f"got {evaluations!r}; give a whole number, 2 or more", key="evaluations")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise DesignError(f"got {seed!r}; give a whole number, 0 or more", key="seed")
    wishes = cabinet.tune
    goal = goal or Goal.of(cabinet)
    limits = limits or Limits.of(cabinet)
    archive = Archive(resume)
    look = Look.at(goal, cabinet, size=size, progress=tell)
    if space is None and (wishes.choices or wishes.free or wishes.most_braces is not None):
        bare = Space(cabinet=cabinet, variables=())
        run = Run(bare, Rules.of(cabinet, limits), look, archive, progress, slopes, executor, wishes.robust)
        return _among(cabinet, limits, run, evaluations, seed)
    space = space or Space.of(cabinet, limits=limits)
    if not space.variables:
        raise DesignError("nothing can move: no brace has room, or all are left out; add a brace", key="braces")
    run = Run(space, Rules.of(cabinet, limits), look, archive, progress, slopes, executor, wishes.robust)
    return run.search(evaluations, seed)


def _among(cabinet: Cabinet, limits: Limits, bare: Run, evaluations: int, seed: int) -> SearchResult:
    """Look at every combination of the choices, then search from the most promising ones."""
    runs: list[tuple[float, str, Run]] = []
    history: list[Trial] = []
    before: Numbers = {}
    starts: dict[str, Cabinet] = {}
    check_free(cabinet)
    built, unbuilt = options(cabinet)
    refused: dict[str, DesignError | SolveError] = {**unbuilt}
    for said, start in built.items():
        try:
            starts[said] = with_free_pockets(start)
        except DesignError as e:
            refused[said] = e
    # A name that no choice knows is a mistake; one that some lack is no fault of theirs.
    if starts:
        check_wishes(cabinet.tune, sorted({name for c in starts.values() for name in known(c, limits)}))
    for said, start in starts.items():
        try:
            free = with_own_wishes(start, limits)
            run = bare.anew(Space.of(free, limits=limits), Rules.of(free, limits), before, history)
            mended, _ = run.kept_start()
            score = run.look(run.space.apply(mended))["score"]
        except (DesignError, SolveError) as e:
            refused[said] = e
            continue
        before = before or run.before
        runs.append((score, said, run))
    if not runs:
        if not cabinet.tune.choices:
            raise next(iter(refused.values()))
        told = "; ".join(f"{said}: {e}" for said, e in list(refused.items())[:3])
        raise DesignError(f"none of the choices keeps the limits; {told}", key="tune.choices")
    promising = [r for r in sorted(runs, key=lambda r: -r[0]) if r[2].space.variables][:PROMISING]
    results: list[tuple[float, str, SearchResult]] = []
    for k, (_, said, run) in enumerate(promising):
        left = evaluations - len(history)
        if results and left < 2:
            break
        found = run.search(len(history) + max(2, left // (len(promising) - k)), seed)
        results.append((found.after["score"], said, found))
        if found.stopped:
            break
    if not results:
        raise DesignError("nothing can move in the chosen designs; add a brace", key="braces")
    _, said, best = max(results, key=lambda r: r[0])
    chosen = f"{best.message}; chosen: {said}"
    if refused:
        chosen += f"; could not be searched: {', '.join(refused)} ({next(iter(refused.values()))})"
    return replace(best, message=chosen, evaluations=len(history), history=tuple(history))
