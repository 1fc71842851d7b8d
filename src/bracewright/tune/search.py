"""The search: from a cabinet to a better one that keeps its limits, on whole millimetres."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bracewright.design import to_table
from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError, MeshError, SolveError
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.tune.archive import Archive, Record, design_key
from bracewright.tune.constraints import Limits, Rules, told
from bracewright.tune.goals import Goal, moved_volume
from bracewright.tune.optimiser import Problem, maximise, mend, snap
from bracewright.tune.variables import Space

Array = NDArray[np.float64]
Numbers = dict[str, float]
Progress = Callable[[int, Numbers], None]
UNIT = 100.0  # mm or percent; brings the margins to the size of a variable over its range
SNAPPED = 3  # designs on whole millimetres that are solved at the end
ROUNDED = 12  # of the best designs at the most are brought to whole millimetres


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One design that was looked at.

    Parameters
    ----------
    number : int
        From 1, the start.
    score : float or None
        As `Goal.score`; None where the design could not be solved.
    best : float
        The best score up to here.
    reason : str
        Why it could not be solved.
    """

    number: int
    score: float | None
    best: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    cabinet : Cabinet
        The best design; it keeps every limit.
    before, after : dict
        Numbers of the start and of `cabinet`: ``first_Hz``, ``raise_Hz``, ``spread``, ``closest_pair``, ``score``.
    evaluations : int
        Designs solved, those known from an archive included.
    infeasible : int
        Designs among them that could not be solved.
    message : str
        How it ended.
    history : tuple of Trial
    """

    cabinet: Cabinet
    before: Numbers
    after: Numbers
    evaluations: int
    infeasible: int
    message: str
    history: tuple[Trial, ...] = ()


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
) -> SearchResult:
    """Move braces and pockets so that the lowest modes rise and stand apart.

    Parameters
    ----------
    cabinet : Cabinet
    goal : Goal, optional
    limits : Limits, optional
    space : Space, optional
        What may move; the default is every brace and pocket, ``Space.of(cabinet, limits=limits)``.
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
    limits = limits or Limits()
    space = space or Space.of(cabinet, limits=limits)
    if not space.variables:
        raise DesignError("nothing can move: no brace has room, or all are left out; add a brace", key="braces")
    if isinstance(evaluations, bool) or not isinstance(evaluations, int) or evaluations < 2:
        raise DesignError(f"got {evaluations!r}; give a whole number, 2 or more", key="evaluations")
    run = _Run(space, Rules.of(cabinet, limits), goal or Goal(), size, Archive(resume), progress)
    return run.search(evaluations, seed)


@dataclass
class _Run:
    """The state of one search; `finals` are designs that may be the answer."""

    space: Space
    rules: Rules
    goal: Goal
    size: float
    archive: Archive
    progress: Progress | None
    before: Numbers = field(default_factory=dict)
    best: Numbers = field(default_factory=dict)
    known: dict[str, Numbers | str] = field(default_factory=dict)
    scored: list[tuple[float, Array]] = field(default_factory=list)
    finals: list[tuple[Numbers, Cabinet]] = field(default_factory=list)
    history: list[Trial] = field(default_factory=list)

    def search(self, evaluations: int, seed: int) -> SearchResult:
        start, told_start = self.kept_start()
        first = self.look(self.space.cabinet)
        if not told_start:
            self.finals.append((first, self.space.cabinet))
        spare = min(SNAPPED, evaluations // 4)
        end = ""
        try:
            # The start was looked at above; the optimiser asks for it again and is not charged.
            budget = evaluations - spare - (1 if told_start else 0)
            if budget > 0:
                maximise(replace(self.problem, start=start), evaluations=budget, seed=seed)
            self.finish(evaluations)
        except KeyboardInterrupt:
            end = "stopped early; "
            self.finish(len(self.history) + 1)
        if not self.finals:
            raise DesignError(
                f"no design on whole millimetres that keeps the limits was solved; {told_start}; give more evaluations "
                "or wider limits",
                key="limits",
            )
        return self.result(end + (f"{told_start}; " if told_start else ""))

    def look(self, cabinet: Cabinet, x: Array | None = None) -> Numbers:
        """Return a design's numbers, solving it unless it is known; the first time, note it and tell the caller.

        Raises
        ------
        SolveError
            It cannot be solved; the message says why.
        """
        key = design_key(cabinet, size=self.size, modes=self.goal.modes)
        first = key not in self.known
        if first:
            record = self.archive.get(key)
            if record is None:
                record = _solved(cabinet, self.size, self.goal.modes)
                self.archive.add(key, record)
            self.known[key] = self.note(record)
        found = self.known[key]
        if x is not None and not isinstance(found, str):
            self.scored.append((found["score"], x))
        # Last, as the caller may end the search from within.
        if first and self.best and self.progress is not None:
            self.progress(len(self.history), dict(self.best))
        if isinstance(found, str):
            raise SolveError(found)
        return found

    def note(self, record: Record) -> Numbers | str:
        """Turn a record into numbers, or the reason why there are none, and add it to the history."""
        count = len(self.history) + 1
        if "reason" in record:
            reason = str(record["reason"])
            self.history.append(Trial(number=count, score=None, best=self.best.get("score", 0.0), reason=reason))
            return reason
        frequency, moved = (np.asarray(record[k], dtype=float) for k in ("frequency_Hz", "moved_m3"))
        found = self.goal.numbers(frequency, moved)
        self.before = self.before or dict(found)
        found["score"] = score = self.goal.score(found, self.before)
        if not self.best or score > self.best["score"]:
            self.best = found
        self.history.append(Trial(number=count, score=score, best=self.best["score"]))
        return found

    def score(self, x: Array) -> float | None:
        try:
            return self.look(self.space.apply(x), x)["score"]
        except (DesignError, SolveError):
            return None

    def margins(self, x: Array) -> Array:
        found = self.rules.margins(self.space.apply(x))
        # An edge that is gone asks for nothing; one that came asks through `broken` at the end.
        return np.array([found.get(r.name, UNIT) for r in self.rules.rules]) / UNIT

    @property
    def problem(self) -> Problem:
        """The problem from the start itself."""
        low, high = self.space.low, self.space.high
        return Problem(score=self.score, margins=self.margins, start=self.space.start(), low=low, high=high)

    def kept_start(self) -> tuple[Array, str]:
        """Return the start, or what is nearest to it and keeps the limits, and then what the start broke in words."""
        broken = self.rules.broken(self.space.cabinet)
        if not broken:
            return self.space.start(), ""
        x = mend(self.problem)
        still = self.rules.broken(self.space.apply(x))
        if still:
            raise DesignError(
                f"the start breaks {told(broken)}, and the nearest design within the bounds still breaks "
                f"{told(still)}; change the design or give other limits",
                key="limits",
            )
        return x, f"the start broke {told(broken)}, so the search began from the nearest design that keeps it"

    def finish(self, evaluations: int) -> None:
        """Bring the best designs to whole millimetres and solve these, as long as one may beat what is there."""
        for score, x in sorted(self.scored, key=lambda item: -item[0])[:ROUNDED]:
            if len(self.history) >= evaluations or any(n["score"] >= score for n, _ in self.finals):
                return
            y = snap(self.problem, x)
            if y is None or self.rules.broken(cabinet := self.space.apply(y)):
                continue
            try:
                self.finals.append((self.look(cabinet), cabinet))
            except SolveError:
                continue

    def result(self, end: str) -> SearchResult:
        after, cabinet = max(self.finals, key=lambda final: final[0]["score"])
        lost = sum(t.score is None for t in self.history)
        if cabinet == self.space.cabinet:
            end += "nothing better than the start was found"
        else:
            end += (
                f"smooth lowest frequency {self.before['raise_Hz']:.1f} to {after['raise_Hz']:.1f} Hz, "
                f"spread {self.before['spread']:.3f} to {after['spread']:.3f}"
            )
        return SearchResult(
            cabinet=cabinet,
            before=dict(self.before) | {"score": 0.0},
            after=dict(after),
            evaluations=len(self.history),
            infeasible=lost,
            message=f"{end}; {len(self.history)} designs solved, {lost} of them could not be",
            history=tuple(self.history),
        )


def _solved(cabinet: Cabinet, size: float, modes: int) -> Record:
    """Solve a design; what goes into the archive."""
    design = to_table(cabinet)
    try:
        model = build(cabinet, size=size)
        found = solve(model, modes, prove=False)
    except (DesignError, MeshError, SolveError) as e:
        return {"reason": f"{type(e).__name__}: {e}", "design": design}
    return {
        "frequency_Hz": found.frequency_Hz.tolist(),
        "moved_m3": moved_volume(model, found).tolist(),
        "design": design,
    }
