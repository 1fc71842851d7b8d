"""What a search learns of one design: its modes, its levels, and the slope of a score by every variable."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from threading import local
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bracewright.design import to_table
from bracewright.design.cabinet import Cabinet
from bracewright.errors import BracewrightError, DesignError, MeshError, SolveError
from bracewright.fem.gradient import Change, Sensitivity
from bracewright.fem.modes import Modes, bounces, solve, wall_modes
from bracewright.fem.near import Anchor
from bracewright.fem.system import Model, build
from bracewright.tune.archive import Record, design_key
from bracewright.tune.goals import Goal, Numbers, moved_volume
from bracewright.tune.levels import Answer, Ear
from bracewright.tune.variables import Space

Array = NDArray[np.float64]
BEYOND = 1.25  # modes are taken up to this much above the band of the levels
STEP = 1e-6  # mm or degrees; a derivative's step from a design: rounding and curvature both spoil less than 1e-4 of it
NEAR = 1e-5  # relative error of a frequency that is followed from a design before
MOST_MODES = 600
_kept = local()  # the middle design that was solved last


@dataclass(frozen=True)
class Look:
    """How a design is looked at.

    Parameters
    ----------
    goal : Goal
    size : float
        Element side, mm.
    count : int
        Modes solved for.
    ear : Ear or None
        Where levels are wanted.
    """

    goal: Goal
    size: float
    count: int
    ear: Ear | None = None

    @classmethod
    def at(cls, goal: Goal, cabinet: Cabinet, *, size: float, progress: Callable[[str], None] | None = None) -> Look:
        """Prepare to look at a cabinet and others of its outside."""
        if not goal.hears:
            return cls(goal, size, goal.modes + bounces(cabinet))
        ear = Ear.of(cabinet, goal.levels_Hz, progress=progress)
        model = build(cabinet, size=size)
        count = max(40, goal.modes)
        while True:
            highest = float(solve(model, count, prove=False).frequency_Hz[-1])
            if highest >= BEYOND * goal.levels_Hz[1] or count >= MOST_MODES:
                return cls(goal, size, count, ear)
            # The number of plate modes grows in proportion to frequency.
            count = min(MOST_MODES, int(1.1 * count * BEYOND * goal.levels_Hz[1] / highest) + 1)

    @property
    def key(self) -> dict[str, object]:
        """What a record depends on beside the design."""
        return {"size": self.size, "modes": self.count, "band_Hz": self.goal.levels_Hz if self.ear else None}

    def record(self, cabinet: Cabinet, anchor: Anchor | None = None) -> Record:
        """Solve a design, from a near one where that is given and near enough."""
        try:
            found = None
            if anchor is not None:
                try:
                    found = anchor.solve(cabinet, tolerance=NEAR)
                except (DesignError, MeshError, SolveError):
                    found = None
            if found is None:
                model = build(cabinet, size=self.size)
                found = model, solve(model, self.count, prove=False)
            return self.of(cabinet, *found)
        except (DesignError, MeshError, SolveError) as e:
            return {"reason": f"{type(e).__name__}: {e}", "design": to_table(cabinet)}

    def of(self, cabinet: Cabinet, model: Model, modes: Modes) -> Record:
        """Return the record of a solved design.

        Raises
        ------
        SolveError
            A number is not finite.
        """
        walls = wall_modes(model, modes)
        out = {"frequency_Hz": modes.frequency_Hz[walls], "moved_m3": moved_volume(model, modes)[walls]}
        if self.ear is not None:
            answer = self.ear.answer(model, modes)
            with np.errstate(all="ignore"):  # without losses a resonance has no level; it is refused below
                out |= {"level_dB": answer.level_dB, "mobility_dB": answer.mobility_dB}
        if not all(np.isfinite(v).all() for v in out.values()):
            raise SolveError("a level or a frequency is not finite; give boards and joints losses")
        return {k: v.tolist() for k, v in out.items()} | {"design": to_table(cabinet)}

    def numbers(self, record: Record) -> Numbers:
        """Return the goal's numbers of a record."""
        f, moved = (np.asarray(record[k], dtype=float) for k in ("frequency_Hz", "moved_m3"))
        level, mobility = (
            np.asarray(record[k], dtype=float) if k in record else None for k in ("level_dB", "mobility_dB")
        )
        return self.goal.numbers(f, moved, level, mobility)

    def goal_slopes(
        self, model: Model, modes: Modes, before: Mapping[str, float] | None = None
    ) -> tuple[Answer | None, Array, Array]:
        """Return the answer of a solved design, where levels are wanted, and the slopes of its score.

        Those are by the frequencies (m,), 0 where the whole cabinet moves on its supports, and by the levels (f,),
        beside numbers before or else the design's own.
        """
        answer = self.ear.answer(model, modes) if self.ear is not None else None
        level, mobility = (answer.level_dB, answer.mobility_dB) if answer is not None else (None, None)
        walls = wall_modes(model, modes)
        f, moved = modes.frequency_Hz[walls], moved_volume(model, modes)[walls]
        numbers = self.goal.numbers(f, moved, level, mobility)
        by_f = np.zeros(len(modes))
        by_f[walls], by_level = self.goal.slopes(numbers, numbers if before is None else before, f, moved, level)
        return answer, by_f, by_level

    def slope(self, space: Space, x: Array, anchor: Anchor, before: Mapping[str, float]) -> Array:
        """Return the derivative (n,) of the score by the variables at x, where the anchor was solved."""
        model, modes = anchor.model, anchor.modes
        answer, by_f, by_level = self.goal_slopes(model, modes, before)
        changes, which = _changes(model.cabinet, space, x)
        out = np.zeros(len(x))
        if not changes:
            return out
        few = int(np.flatnonzero(by_f)[-1]) + 1 if by_f.any() else 0
        total = np.zeros(len(changes))
        if few:
            low = replace(modes, frequency_Hz=modes.frequency_Hz[:few], shapes=modes.shapes[:, :few])
            total += Sensitivity(model, low).frequencies(changes) @ by_f[:few]
        if answer is not None and by_level.any():
            total += Sensitivity.of_response(model, *answer.forms(by_level)).eigenvalues(changes).sum(axis=1)
        out[which] = total
        return out


def _changes(here: Cabinet, space: Space, x: Array) -> tuple[list[Change], list[int]]:
    """A change of every variable that can take one, from the design at x up or else down."""
    changes, which = [], []
    for i, step in enumerate(np.eye(len(x)) * STEP):
        for way in (1.0, -1.0):
            try:
                changes.append(Change(here, space.apply(x + way * step), way * STEP))
            except DesignError:
                continue
            which.append(i)
            break
    return changes, which


def look_at_all(
    look: Look, cabinets: Sequence[Cabinet], executor: Executor | None = None, middle: Cabinet | None = None
) -> list[Record]:
    """Return the records of many designs, in their order and the same through any executor or none.

    Parameters
    ----------
    look : Look
    cabinets : sequence of Cabinet
    executor : Executor, optional
        Of `concurrent.futures`, or dask's. A job that is lost with its worker, or for which it has not the memory, is
        done here.
    middle : Cabinet, optional
        A design that all are near, to solve them from.
    """
    jobs = [_submitted(executor, look, c, middle) for c in cabinets]
    out = []
    for job, cabinet in zip(jobs, cabinets, strict=True):
        record = None
        try:
            record = job.result() if job is not None else None
        except BracewrightError:
            raise
        except Exception:  # noqa: BLE001  a dead worker takes its job with it, each executor with an error of its own
            record = None
        out.append(_looked(look, cabinet, middle) if record is None else record)
    return out


def _submitted(executor: Executor | None, *job: Any) -> Future[Record] | None:
    """Give a job to an executor; None where there is none, or none that still takes work."""
    try:
        return None if executor is None else executor.submit(_looked, *job)
    except Exception:  # noqa: BLE001  a pool that lost a worker before
        return None


def _looked(look: Look, cabinet: Cabinet, middle: Cabinet | None) -> Record:
    """Look at a design from the middle one, which each thread solves for itself: a factor serves one at a time."""
    if middle is None:
        return look.record(cabinet)
    key = design_key(middle, look.key)
    if getattr(_kept, "key", None) != key:
        _kept.key, _kept.anchor = None, None
        try:
            _kept.anchor = Anchor.of(middle, look.count, size=look.size)
        except (DesignError, MeshError, SolveError):
            _kept.anchor = None
        _kept.key = key
    return look.record(cabinet, _kept.anchor)
