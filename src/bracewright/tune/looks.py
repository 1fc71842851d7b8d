"""What a search learns of one design: its modes, its levels, and the slope of a score by every variable."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bracewright.design import to_table
from bracewright.design.cabinet import Cabinet
from bracewright.errors import BracewrightError, DesignError, MeshError, SolveError
from bracewright.fem.gradient import Change, Sensitivity
from bracewright.fem.modes import Modes, solve
from bracewright.fem.near import Anchor
from bracewright.fem.system import Model, build
from bracewright.tune.archive import Record
from bracewright.tune.goals import Goal, moved_volume
from bracewright.tune.levels import Ear
from bracewright.tune.variables import Space

Array = NDArray[np.float64]
Numbers = dict[str, float]
BEYOND = 1.25  # modes are taken up to this much above the band of the levels
STEP = 1e-6  # mm or degrees; a derivative's step from a design: rounding and curvature both spoil less than 1e-4 of it
NEAR = 1e-5  # relative error of a frequency that is followed from a design before
MOST_MODES = 600


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
            return cls(goal, size, goal.modes)
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
        except (DesignError, MeshError, SolveError) as e:
            return {"reason": f"{type(e).__name__}: {e}", "design": to_table(cabinet)}
        return self.of(cabinet, *found)

    def of(self, cabinet: Cabinet, model: Model, modes: Modes) -> Record:
        """Return the record of a solved design."""
        out: dict[str, object] = {
            "frequency_Hz": modes.frequency_Hz.tolist(),
            "moved_m3": moved_volume(model, modes).tolist(),
        }
        if self.ear is not None:
            answer = self.ear.answer(model, modes)
            out |= {"level_dB": answer.level_dB.tolist(), "mobility_dB": answer.mobility_dB.tolist()}
        return out | {"design": to_table(cabinet)}

    def numbers(self, record: Record) -> Numbers:
        """Return the goal's numbers of a record."""
        f, moved = (np.asarray(record[k], dtype=float) for k in ("frequency_Hz", "moved_m3"))
        level, mobility = (
            np.asarray(record[k], dtype=float) if k in record else None for k in ("level_dB", "mobility_dB")
        )
        return self.goal.numbers(f, moved, level, mobility)

    def slope(self, space: Space, x: Array, anchor: Anchor, before: Mapping[str, float]) -> Array:
        """Return the derivative (n,) of the score by the variables at x, where the anchor was solved."""
        model, modes = anchor.model, anchor.modes
        answer = self.ear.answer(model, modes) if self.ear is not None else None
        moved = moved_volume(model, modes)
        level = answer.level_dB if answer is not None else None
        numbers = self.goal.numbers(
            modes.frequency_Hz, moved, level, answer.mobility_dB if answer is not None else None
        )
        by_f, by_level = self.goal.slopes(numbers, before, modes.frequency_Hz, moved, level)
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
    look: Look, cabinets: Sequence[Cabinet], executor: Executor | None = None, anchor: Anchor | None = None
) -> list[Record]:
    """Return the records of many designs, in their order, through an executor where one is given.

    Any executor of `concurrent.futures` or of dask will do. A job that is lost with its worker is done here.
    """
    if executor is None:
        return [look.record(c, anchor) for c in cabinets]
    jobs = [executor.submit(look.record, c) for c in cabinets]
    out = []
    for job, cabinet in zip(jobs, cabinets, strict=True):
        try:
            out.append(job.result())
        except BracewrightError:
            raise
        except Exception:  # noqa: BLE001  a dead worker takes its job with it, each executor with an error of its own
            out.append(look.record(cabinet))
    return out
