"""Explore a design by hand: drag a pocket's control points or a brace, and see the modes follow.

Everything here is plain Python; `explorer_widget` puts a notebook's mouse in front of it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bracewright.design import designfile, layout
from bracewright.design.cabinet import Brace, Cabinet
from bracewright.errors import DesignError, MeshError, SolveError
from bracewright.fem.modes import bounces
from bracewright.fem.near import Anchor
from bracewright.geometry import Point
from bracewright.make import export
from bracewright.show.handles import Handle, dragged, handles
from bracewright.show.states import Pair, State, paired
from bracewright.tune.constraints import Limits, Rules
from bracewright.tune.levels import Ear
from bracewright.tune.pockets import cut_names

Array = NDArray[np.float64]
SIZE = 40.0  # mm, element side: a compromise of speed
COUNT = 12
TOLERANCE = 4e-4  # of a frequency, asked of a warm solution; a few of the highest modes were seen 1e-3 off
FAR = 0.015  # change of a frequency after which near designs are solved from a new anchor
HALVINGS = 9  # of a drag that meets a limit: to 1/500 of its way
MOST_STEPS = 200  # that can be undone
#: Kinds of limits that stop a drag; the others (open area, volume, mass, wood under a foot) are only reported.
HARD = ("web", "between", "radius", "spacing", "groove", "opening")
LOW_HZ = 100.0
UP_TO = 0.85  # of the last mode: above it too few modes are there for a level


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What became of a drag or a move.

    Attributes
    ----------
    asked, reached : tuple of float
        Where the handle, or the brace along its axis, should have gone and where it stands, mm.
    stopped_by : tuple of str
        The constraints that stopped it, or the reason it cannot be built; empty where nothing did.
    """

    asked: tuple[float, ...]
    reached: tuple[float, ...]
    stopped_by: tuple[str, ...]


class Explorer:
    """A design to change by hand.

    Parameters
    ----------
    cabinet : Cabinet
        Webs, wood between pockets, radii and spacings keep the limits made out for it (its own ``[tune]`` table, or
        the defaults): what it falls short of at the start may not get worse. Other limits are reported by `short`.
    size : float
        Element side, mm.
    count : int
        Modes shown.
    limits : Limits, optional

    Raises
    ------
    DesignError
        The cabinet has no brace.
    """

    def __init__(
        self, cabinet: Cabinet, size: float = SIZE, *, count: int = COUNT, limits: Limits | None = None
    ) -> None:
        if not cabinet.braces:
            raise DesignError("there is no brace to move; add one", key="braces")
        self.size = size
        self.count = count + bounces(cabinet)
        self.limits = limits or Limits.of(cabinet)
        self.rules = Rules.of(cabinet, self.limits)
        self._undo: list[Cabinet] = []
        self._redo: list[Cabinet] = []
        self._held: tuple[object, ...] | None = None
        self._ear: Ear | None = None
        self.pinned: State | None = None
        self.brace_name, self.pocket = cabinet.braces[0].name, 0
        self._anchor: Anchor
        self.state = self._afresh(cabinet)

    # ------------------------------------------------------------------ what is picked

    @property
    def cabinet(self) -> Cabinet:
        """The design as it stands."""
        return self.state.cabinet

    @property
    def brace(self) -> Brace:
        """The brace that is picked."""
        return self.cabinet.brace(self.brace_name)

    def pick(self, brace: str, pocket: int = 0) -> None:
        """Pick a brace by name and one of its pockets by number, from 0.

        Raises
        ------
        DesignError
            There is none such.
        """
        pockets = self.cabinet.brace(brace).pockets
        if not 0 <= pocket < max(1, len(pockets)):
            raise DesignError(f"got {pocket}; {brace!r} has {len(pockets)} pockets, counted from 0", key="pocket")
        self.release()
        self.brace_name, self.pocket = brace, pocket

    def handles(self) -> tuple[Handle, ...]:
        """Return the control points of the pocket picked; none on a partition."""
        return handles(self.brace.pockets[self.pocket].shape) if self.brace.pockets else ()

    def travel(self) -> tuple[float, float]:
        """Return how far the brace picked may go along its axis: up to walls and neighbours, less the spacing, mm."""
        brace, c, gap = self.brace, self.cabinet, self.limits.brace_spacing
        if brace.mesh is not None:
            return brace.at, brace.at
        own = c.part_board(brace.name).thickness
        low, high = (layout.inner_face(c, side) for side in layout.sides(brace.normal))
        low, high = low + gap + own / 2, high - gap - own / 2
        for lower, upper in self.rules.pairs:
            other = {upper: lower, lower: upper}.get(brace.name)
            if other is not None:
                room = (own + c.part_board(other).thickness) / 2 + gap
                at = c.brace(other).at
                low, high = (max(low, at + room), high) if brace.name == upper else (low, min(high, at - room))
        return min(low, brace.at), max(high, brace.at)

    def webs(self) -> dict[str, float]:
        """Return the least wood wanted between the pocket picked and each neighbour of its brace, mm."""
        if not self.brace.pockets:
            return {}
        start = f"web.{self.brace_name}.{cut_names(self.brace)[self.pocket]}."
        return {r.name.removeprefix(start): r.limit for r in self.rules.rules if r.name.startswith(start)}

    # ------------------------------------------------------------------ changes

    def drag(self, handle: str, to: Point) -> Step:
        """Drag a control point of the pocket picked as far towards a point (mm) as the limits allow, and solve.

        It stops at a limit and slides along it where it can. Consecutive drags of one handle undo as one, until
        `release`.

        Raises
        ------
        DesignError
            There is no such handle.
        """
        names = [h.name for h in self.handles()]
        if handle not in names:
            raise DesignError(f"got {handle!r}; the handles are {', '.join(names) or 'none'}", key="handle")
        if not np.isfinite(to).all():
            raise DesignError(f"got {to!r}; give two numbers, mm", key="to")
        here = next(h.at for h in self.handles() if h.name == handle)
        target = (float(to[0]), float(to[1]))

        def design(at: tuple[float, ...]) -> Cabinet:
            shape = dragged(self.brace.pockets[self.pocket].shape, handle, (at[0], at[1]))
            pockets = list(self.brace.pockets)
            pockets[self.pocket] = replace(pockets[self.pocket], shape=shape)
            return self._with(replace(self.brace, pockets=tuple(pockets)))

        reached, cabinet, why = self._towards(design, here, target)
        if why:  # slide along the limit, one coordinate at a time
            for k in range(2):
                beside = tuple(target[i] if i == k else reached[i] for i in range(2))
                reached, cabinet, _ = self._towards(design, reached, beside, cabinet)
        self._take(cabinet, ("drag", self.brace_name, self.pocket, handle))
        reached = next(h.at for h in self.handles() if h.name == handle)
        return Step(asked=target, reached=reached, stopped_by=why)

    def move(self, at: float) -> Step:
        """Move the brace picked along its axis, as far towards a place (mm) as the limits allow, and solve."""
        if not np.isfinite(at):
            raise DesignError(f"got {at!r}; give a number, mm", key="at")
        low, high = self.travel()
        target = (float(np.clip(at, low, high)),)
        reached, cabinet, why = self._towards(
            lambda p: self._with(replace(self.brace, at=p[0])), (self.brace.at,), target
        )
        if not why and target[0] != at:
            why = (f"{self.brace_name}.at {low:.4g}..{high:.4g}",)
        self._take(cabinet, ("move", self.brace_name))
        return Step(asked=(float(at),), reached=reached, stopped_by=why)

    def release(self) -> None:
        """End a drag: the next one undoes by itself. Far from where it began, near designs are solved from here."""
        self._held = None
        f, g = self._anchor.modes.frequency_Hz, self.state.modes.frequency_Hz
        if np.abs(g / f - 1).max() > FAR:
            self._anchor = Anchor.of(self.state.model, self.count)
            self.state = replace(self.state, model=self._anchor.model, modes=self._anchor.modes)

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to go back."""
        return bool(self._undo)

    @property
    def can_redo(self) -> bool:
        """Whether there is an undone step."""
        return bool(self._redo)

    def undo(self) -> bool:
        """Go back one step; False where there is none."""
        return self._step(self._undo, self._redo)

    def redo(self) -> bool:
        """Take an undone step again; False where there is none."""
        return self._step(self._redo, self._undo)

    def reset(self, cabinet: Cabinet) -> None:
        """Take another state of the same design, such as a pinned one; it can be undone."""
        self._take(cabinet, ("reset", cabinet))
        self.release()

    # ------------------------------------------------------------------ comparing, sound, files

    def pin(self) -> None:
        """Keep the state to compare with."""
        self.pinned = self.state

    def comparison(self) -> tuple[Pair, ...]:
        """Return the modes now beside those of the pinned state (the present one if none is), paired by MAC."""
        return paired(self.pinned or self.state, self.state)

    def level(self, state: State | None = None) -> tuple[Array, Array] | None:
        """Return frequencies, Hz, and the walls' level over the drivers', dB, of a state, the present one by default.

        A quick estimate up to a little below the last mode (see `tune.levels`); None where no driver has a moving
        mass and a piston area, or the modes shown do not reach high enough.
        """
        state = state or self.state
        top = UP_TO * float(self.state.modes.frequency_Hz[-1])
        if self._ear is None:
            try:
                self._ear = Ear.of(self.cabinet, (LOW_HZ, min(top, 2000.0)))
            except DesignError:
                return None
        return self._ear.frequency_Hz, self._ear.answer(state.model, state.modes).level_dB

    def margins(self) -> dict[str, float]:
        """Return what is left of every limit by name, mm or percent; negative where broken."""
        return self.rules.margins(self.cabinet)

    def short(self) -> dict[str, float]:
        """Return the limits that the design falls short of and by how much, the worst first."""
        return self.rules.broken(self.cabinet)

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the design file."""
        designfile.save(self.cabinet, path)

    def export(self, folder: str | os.PathLike[str]) -> tuple[Path, ...]:
        """Write the files to cut from; see `make.export`."""
        return export(self.cabinet, folder)

    # ------------------------------------------------------------------ inside

    def _with(self, brace: Brace) -> Cabinet:
        return replace(self.cabinet, braces=tuple(brace if b.name == brace.name else b for b in self.cabinet.braces))

    def _why_not(self, cabinet: Cabinet) -> tuple[str, ...]:
        """Return the hard limits that a design breaks."""
        return tuple(name for name in self.rules.broken(cabinet) if name.split(".", 1)[0] in HARD)

    def _towards(
        self,
        design: Callable[[tuple[float, ...]], Cabinet],
        here: tuple[float, ...],
        there: tuple[float, ...],
        fallback: Cabinet | None = None,
    ) -> tuple[tuple[float, ...], Cabinet, tuple[str, ...]]:
        """Return the farthest point on the way that keeps the limits, its design, and what stopped it."""
        why: tuple[str, ...] = ()

        def at(share: float) -> Cabinet | None:
            nonlocal why
            point = tuple(a + share * (b - a) for a, b in zip(here, there, strict=True))
            try:
                cabinet = design(point)
                why = self._why_not(cabinet)
            except DesignError as e:
                why = (str(e),)
            return None if why else cabinet

        whole = at(1.0)
        if whole is not None:
            return there, whole, ()
        stopped = why
        low, high, best = 0.0, 1.0, fallback or self.cabinet
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            found = at(middle)
            if found is None:
                high, stopped = middle, why
            else:
                low, best = middle, found
        reached = tuple(a + low * (b - a) for a, b in zip(here, there, strict=True))
        return reached, best, stopped

    def _take(self, cabinet: Cabinet, what: tuple[object, ...]) -> None:
        """Solve a design and make it the state; the step before is kept unless this goes on with the same one."""
        if cabinet == self.cabinet:
            return
        before = self.cabinet
        self.state = self._solved(cabinet)
        if self._held != what:
            self._undo = [*self._undo, before][-MOST_STEPS:]
        self._redo.clear()
        self._held = what

    def _step(self, source: list[Cabinet], target: list[Cabinet]) -> bool:
        if not source:
            return False
        before = self.cabinet
        self.state = self._solved(source[-1])
        source.pop()
        target.append(before)
        self._held = None
        return True

    def _solved(self, cabinet: Cabinet) -> State:
        t0 = time.perf_counter()
        try:
            model, modes = self._anchor.solve(cabinet, tolerance=TOLERANCE)
        except (MeshError, SolveError, DesignError):
            return self._afresh(cabinet)
        return State(cabinet, model, modes, False, time.perf_counter() - t0)

    def _afresh(self, cabinet: Cabinet) -> State:
        t0 = time.perf_counter()
        self._anchor = Anchor.of(cabinet, self.count, size=self.size)
        return State(cabinet, self._anchor.model, self._anchor.modes, True, time.perf_counter() - t0)
