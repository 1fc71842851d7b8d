"""One search from one start: what is known, what is best, what may be the answer."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, field, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError, MeshError, SolveError
from bracewright.fem.near import Anchor
from bracewright.tune.archive import Archive, Record, design_key
from bracewright.tune.constraints import Rules, told
from bracewright.tune.goals import Numbers
from bracewright.tune.looks import Look, look_at_all
from bracewright.tune.margins import Problem, mend, snap
from bracewright.tune.optimiser import maximise
from bracewright.tune.result import SearchResult, Trial
from bracewright.tune.robust import numbers_of, variants
from bracewright.tune.variables import Space

Array = NDArray[np.float64]
Progress = Callable[[int, Numbers], None]
UNIT = 100.0  # mm or percent; brings the margins to the size of a variable over its range
FEW = 8  # cabinets by which a robust goal judges a design
SNAPPED = 3  # designs on whole millimetres that are solved at the end
FOLLOWED = 10.0  # mm; a brace that moves further is meshed and solved afresh
ROUNDED = 12  # of the best designs at the most are brought to whole millimetres


@dataclass
class Run:
    """The state of one search; `finals` are designs that may be the answer."""

    space: Space
    rules: Rules
    eye: Look
    archive: Archive
    progress: Progress | None
    slopes: bool
    executor: Executor | None = None
    robust: float = 0.0
    anchor: Anchor | None = None
    anchored: Cabinet | None = None
    before: Numbers = field(default_factory=dict)
    best: Numbers = field(default_factory=dict)
    known: dict[str, Numbers | str] = field(default_factory=dict)
    scored: list[tuple[float, Array]] = field(default_factory=list)
    finals: list[tuple[Numbers, Cabinet]] = field(default_factory=list)
    history: list[Trial] = field(default_factory=list)

    def anew(self, space: Space, rules: Rules, before: Numbers, history: list[Trial]) -> Run:
        """Return a run of the same kind from another start, judged beside the same numbers."""
        fresh = Run(space, rules, self.eye, self.archive, self.progress, self.slopes, self.executor, self.robust)
        fresh.before, fresh.history = before, history
        return fresh

    def search(self, evaluations: int, seed: int) -> SearchResult:
        """Search until the history holds that many designs, and return the best that keeps the limits."""
        begun = len(self.history)
        start, told_start = self.kept_start()
        first = self.look(self.space.cabinet)
        if not told_start:
            self.finals.append((first, self.space.cabinet))
        spare = min(SNAPPED, (evaluations - begun) // 4)
        end = ""
        try:
            # The start was looked at above; the optimiser asks for it again and is not charged.
            budget = evaluations - begun - spare - (1 if told_start else 0)
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
        anchored = x is not None and self.is_near(cabinet)
        settings = self.eye.key | ({"scattered": FEW} if self.robust else {})
        if anchored:
            assert self.anchored is not None
            # What is followed from another design depends on it by a hair; what may be the answer is solved afresh.
            settings = settings | {"from": design_key(self.anchored, self.eye.key)}
        key = design_key(cabinet, settings)
        first = key not in self.known
        if first:
            record = self.archive.get(key)
            if record is None:
                record = self.eye.record(cabinet, self.near() if anchored else None)
                if self.robust and "reason" not in record:
                    record = {**record, "scattered": self.scattered(cabinet)}
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
        found = self.eye.numbers(record)
        self.before = self.before or dict(found)
        score = self.eye.goal.score(found, self.before)
        if self.robust:
            others = [self.eye.goal.score(n, self.before) for n in cast(list[Numbers], record["scattered"])]
            score -= self.robust * float(np.std(others))
        found["score"] = score
        if not self.best or score > self.best["score"]:
            self.best = found
        self.history.append(Trial(number=count, score=score, best=self.best["score"]))
        return found

    def score(self, x: Array) -> float | None:
        """Return a design's score, None where it cannot be built or solved."""
        try:
            return self.look(self.space.apply(x), x)["score"]
        except (DesignError, SolveError):
            return None

    def slope(self, x: Array) -> Array | None:
        """Return the slope of the score at a design, which becomes the one that near designs are solved from."""
        cabinet = self.space.apply(x)
        key = design_key(cabinet, self.eye.key | {"slope of": self.weights})
        self.anchored, self.anchor = cabinet, None
        record = self.archive.get(key)
        if record is None:
            try:
                record = {"slope": self.eye.slope(self.space, x, self.near(), self.before).tolist()}
            except (DesignError, MeshError, SolveError) as e:
                record = {"slope": [], "reason": f"{type(e).__name__}: {e}"}
            self.archive.add(key, record)
        found = np.asarray(record["slope"], dtype=float)
        return found if len(found) else None

    def scattered(self, cabinet: Cabinet) -> list[Numbers]:
        """Numbers of a few cabinets as the design may turn out."""
        many = variants(cabinet, FEW)
        return numbers_of(self.eye, look_at_all(self.eye, many, self.executor, cabinet))

    @property
    def weights(self) -> dict[str, object]:
        """What a slope depends on beside the design and its modes."""
        names = list(self.space.names)
        return {"goal": asdict(self.eye.goal), "before": self.before, "variables": names}

    def near(self) -> Anchor:
        """Return the solved design that near ones are followed from: the one whose slope was taken last.

        It is solved afresh, so that it does not depend on the way there and a resumed search goes the same way.
        """
        assert self.anchored is not None
        if self.anchor is None:
            self.anchor = Anchor.of(self.anchored, self.eye.count, size=self.eye.size)
        return self.anchor

    def is_near(self, cabinet: Cabinet) -> bool:
        """Whether a design is near enough to be followed from that one."""
        if self.anchored is None:
            return False
        moves = [abs(a.at - b.at) for a, b in zip(self.anchored.braces, cabinet.braces, strict=True)]
        return max(moves, default=0.0) < FOLLOWED

    def margins(self, x: Array) -> Array:
        """Return what is left of every constraint, in hundreds of mm or per cent."""
        found = self.rules.margins(self.space.apply(x))
        # An edge that is gone asks for nothing; one that came asks through `broken` at the end.
        return np.array([found.get(r.name, UNIT) for r in self.rules.rules]) / UNIT

    @property
    def problem(self) -> Problem:
        """The problem from the start itself."""
        return Problem(
            score=self.score,
            margins=self.margins,
            start=self.space.start(),
            low=self.space.low,
            high=self.space.high,
            slope=self.slope if self.slopes else None,
        )

    def kept_start(self) -> tuple[Array, str]:
        """Return the start, or what is nearest to it and keeps the limits, and then what the start broke in words."""
        who, broken = "the start", self.rules.broken(self.space.cabinet)
        if not broken and self.space.bonds:
            who, broken = "the start with its ties", self.rules.broken(self.space.apply(self.space.start()))
        if not broken:
            return self.space.start(), ""
        x = mend(self.problem)
        still = self.rules.broken(self.space.apply(x))
        if still:
            raise DesignError(
                f"{who} breaks {told(broken)}, and the nearest design within the bounds still breaks "
                f"{told(still)}; change the design or give other limits",
                key="limits",
            )
        return x, f"{who} broke {told(broken)}, so the search began from the nearest design that keeps it"

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
        """Return the best design that may be the answer."""
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
