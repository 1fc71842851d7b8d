"""What a search may move: numbers x <-> Cabinet.

A variable is one number of one brace: its place, its tilt, or one parameter of one of its pockets. A
space is a list of them on a cabinet; a search sees only its bounds and `Space.apply`. A spline of six
or more points is a free-form pocket: its radii move.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bracewright.design import layout
from bracewright.design.cabinet import PANELS, Brace, Cabinet, in_plane
from bracewright.design.checks import nearest
from bracewright.design.tuning import Tie, Tuning
from bracewright.errors import DesignError
from bracewright.tune.constraints import Limits, stacked
from bracewright.tune.pockets import cut_names, parameters, reshaped

Array = NDArray[np.float64]
SMALLEST_POCKET = 20.0  # mm; a smaller hole lightens nothing and passes no air
TURN, STEEPEST = 15.0, 45.0  # degrees a brace may be turned either way, and at the most
LEAST_RANGE = 1.0  # mm; a variable with less room than this is left where it is


@dataclass(frozen=True, slots=True, kw_only=True)
class Variable:
    """One number that may change.

    Parameters
    ----------
    name : str
        Such as ``shelf.at``, ``shelf.pocket 1.centre.x`` or ``shelf.pocket 1.width``.
    low, high : float
        Bounds, mm.
    brace : str
    pocket : int or None
        Number of the pocket from 0; None for the brace itself.
    field : str
        Of the brace or of the shape; shapes given by points have ``centre`` and ``size`` of the box around these, a
        free-form pocket has ``centre`` and ``radii``.
    item : int or None
        Which of a pair, or of the radii.
    asked : bool
        Moves only when it is asked for by name.
    """

    name: str
    low: float
    high: float
    brace: str
    pocket: int | None = None
    field: str = "at"
    item: int | None = None
    asked: bool = False

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise DesignError(f"bounds {self.low:g}..{self.high:g} leave no room; give low < high", key=self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bond:
    """A variable that follows another one.

    Parameters
    ----------
    follower : Variable
    leader : int
        Number of the one it follows.
    total : float or None
        What the two sum to; None where they are equal.
    """

    follower: Variable
    leader: int
    total: float | None = None

    def value(self, x: Array) -> float:
        """Return the follower's number."""
        lead = float(x[self.leader])
        return lead if self.total is None else self.total - lead


@dataclass(frozen=True, kw_only=True)
class Space:
    """The designs within reach: a cabinet and the variables that move on it.

    Parameters
    ----------
    cabinet : Cabinet
        The start; whatever is no variable stays as it is here.
    variables : tuple of Variable
    bonds : tuple of Bond
    """

    cabinet: Cabinet
    variables: tuple[Variable, ...]
    bonds: tuple[Bond, ...] = ()

    @classmethod
    def of(
        cls,
        cabinet: Cabinet,
        *,
        limits: Limits | None = None,
        include: Sequence[str] | None = None,
        exclude: Sequence[str] = (),
    ) -> Space:
        """Return every brace's place and every pocket's sizes as variables, bounded by the cabinet around them.

        Parameters
        ----------
        cabinet : Cabinet
        limits : Limits, optional
            Webs and spacing that the bounds leave room for.
        include, exclude : sequences of str
            Patterns of names with ``*`` and ``?``: a variable is kept when it matches one of `include` and none of
            `exclude`. Without, the design's own ``[tune]`` table says; if it does not, all move but partitions, whose
            place sets the air volume of a driver, and what is moved only when it is asked for.

        Raises
        ------
        DesignError
            A pattern or a name of a tie matches nothing.
        """
        wishes = cabinet.tune
        key = "include" if include is not None else "tune.move"
        include = include if include is not None else wishes.move or None
        names = known(cabinet, limits)
        _check_patterns(exclude, names, "exclude")
        _check_patterns(wishes.hold, names, "tune.hold")
        exclude = (*exclude, *wishes.hold)
        everything = found = list(_variables(cabinet, limits or Limits()))
        if include is None:
            include = ("*",)
            found = [v for v in found if not (v.asked or cabinet.brace(v.brace).is_partition)]
        _check_patterns(include, [v.name for v in found], key)

        def wanted(name: str) -> bool:
            return any(fnmatchcase(name, p) for p in include) and not any(fnmatchcase(name, p) for p in exclude)

        kept = [v for v in found if wanted(v.name)]
        return cls._bound(cabinet, kept, everything)

    @classmethod
    def _bound(cls, cabinet: Cabinet, kept: list[Variable], everything: Sequence[Variable]) -> Space:
        """Tie variables together as the design asks."""
        every = {v.name: v for v in everything}
        free = {v.name: v for v in kept}
        followers: list[tuple[Variable, str, float | None]] = []
        for k, tie in enumerate(cabinet.tune.ties):
            _check_tie(tie, every, k)
            if tie.leader not in free:
                continue
            for name in tie.followers:
                v, lead = every[name], free[tie.leader]
                free.pop(name, None)
                ends = (v.low, v.high) if tie.total is None else (tie.total - v.high, tie.total - v.low)
                low, high = max(lead.low, ends[0]), min(lead.high, ends[1])
                if not low < high:
                    raise DesignError(
                        f"{name!r} can reach {ends[0]:g}..{ends[1]:g} of {tie.leader!r}, which can reach "
                        f"{lead.low:g}..{lead.high:g}; change the total",
                        key=f"tune.ties[{k}]",
                    )
                free[tie.leader] = replace(lead, low=low, high=high)
                followers.append((v, tie.leader, tie.total))
        names = list(free)
        bonds = tuple(Bond(follower=v, leader=names.index(n), total=t) for v, n, t in followers if n in names)
        return cls(cabinet=cabinet, variables=tuple(free.values()), bonds=bonds)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the variables, in the order of x."""
        return tuple(v.name for v in self.variables)

    @property
    def low(self) -> Array:
        """(n,) lower bounds, mm."""
        return np.array([v.low for v in self.variables], dtype=float)

    @property
    def high(self) -> Array:
        """(n,) upper bounds, mm."""
        return np.array([v.high for v in self.variables], dtype=float)

    def start(self) -> Array:
        """Return the numbers (n,) of the starting cabinet, mm; those that lead others within what their ties leave."""
        now = np.array([self._value(v) for v in self.variables], dtype=float)
        leads = [b.leader for b in self.bonds]
        now[leads] = np.clip(now[leads], self.low[leads], self.high[leads])
        return now

    def apply(self, x: ArrayLike) -> Cabinet:
        """Return the cabinet with these numbers (n,), mm.

        Raises
        ------
        DesignError
            It cannot be built, or x has another length.
        """
        numbers = np.asarray(x, dtype=float)
        if numbers.shape != (len(self.variables),):
            raise DesignError(
                f"got numbers of shape {numbers.shape}; the space has {len(self.variables)} variables", key="x"
            )
        changes: dict[str, list[tuple[Variable, float]]] = {}
        every = [*zip(self.variables, numbers.tolist(), strict=True)]
        every += [(b.follower, b.value(numbers)) for b in self.bonds]
        for v, number in every:
            if number != self._value(v):  # an untouched number keeps its type and digits
                changes.setdefault(v.brace, []).append((v, number))
        if not changes:
            return self.cabinet
        braces = tuple(_changed(b, changes.get(b.name, [])) for b in self.cabinet.braces)
        return replace(self.cabinet, braces=braces)

    def _value(self, v: Variable) -> float:
        brace = self.cabinet.brace(v.brace)
        if v.pocket is None:
            return float(getattr(brace, v.field))
        value = parameters(brace.pockets[v.pocket].shape)[v.field]
        return float(value if v.item is None else cast(tuple[float, float], value)[v.item])


def _changed(brace: Brace, changes: Sequence[tuple[Variable, float]]) -> Brace:
    own = {v.field: number for v, number in changes if v.pocket is None}
    pockets = list(brace.pockets)
    for k, pocket in enumerate(pockets):
        if mine := [(v.field, v.item, number) for v, number in changes if v.pocket == k]:
            try:
                pockets[k] = replace(pocket, shape=reshaped(pocket.shape, mine))
            except DesignError as e:
                raise e.within(f"braces.{brace.name}.pockets.{cut_names(brace)[k]}") from None
    return replace(brace, pockets=tuple(pockets), **cast(Any, own))


def known(cabinet: Cabinet, limits: Limits | None = None) -> list[str]:
    """Return the names of all variables, those without room too."""
    return [str(c["name"]) for c in _candidates(cabinet, limits or Limits())]


def check_wishes(wishes: Tuning, names: Collection[str]) -> None:
    """Refuse patterns and ties of a ``[tune]`` table that match none of the names."""
    for key in ("move", "hold"):
        _check_patterns(getattr(wishes, key), names, f"tune.{key}")
    for k, tie in enumerate(wishes.ties):
        _check_tie(tie, names, k)


def with_own_wishes(cabinet: Cabinet, limits: Limits | None = None) -> Cabinet:
    """Return a cabinet that a choice has changed, without wishes for variables that it has not."""
    wishes, names = cabinet.tune, known(cabinet, limits)
    room = [v.name for v in _variables(cabinet, limits or Limits())]
    move = tuple(p for p in wishes.move if _matches(p, room))
    hold = tuple(p for p in wishes.hold if _matches(p, names))
    led = ((t, tuple(f for f in t.followers if f in room)) for t in wishes.ties if t.leader in room)
    ties = tuple(replace(t, followers=f) for t, f in led if f)
    # With no pattern left everything would move.
    hold = ("*",) if wishes.move and not move else hold
    return replace(cabinet, tune=replace(wishes, move=move, hold=hold, ties=ties))


def _matches(pattern: str, names: Iterable[str]) -> bool:
    return any(fnmatchcase(n, pattern) for n in names)


def _check_patterns(patterns: Iterable[str], names: Collection[str], key: str) -> None:
    for p in patterns if names else ():
        if not _matches(p, names):
            raise DesignError(f"{p!r} matches no variable{nearest(p, names)}; known are {', '.join(names)}", key=key)


def _check_tie(tie: Tie, names: Collection[str], number: int) -> None:
    for name in (tie.leader, *tie.followers):
        if name not in names:
            raise DesignError(
                f"{name!r} is no variable{nearest(name, names)}; known are {', '.join(names)}",
                key=f"tune.ties[{number}]",
            )


def _variables(cabinet: Cabinet, limits: Limits) -> Iterable[Variable]:
    """Yield the variables that have room."""
    for c in _candidates(cabinet, limits):
        if c["high"] - c["low"] >= LEAST_RANGE:
            yield Variable(**c)


def _candidates(cabinet: Cabinet, limits: Limits) -> Iterable[dict[str, Any]]:
    """Yield what makes a variable, of all numbers that might be one."""
    for brace in cabinet.braces:
        low, high = _travel(cabinet, brace, limits)
        yield {"name": f"{brace.name}.at", "low": low, "high": high, "brace": brace.name}
        if brace.tilt_about is not None:
            now = brace.tilt_deg
            low, high = min(now, max(-STEEPEST, now - TURN)), max(now, min(STEEPEST, now + TURN))
            yield {
                "name": f"{brace.name}.tilt",
                "low": low,
                "high": high,
                "brace": brace.name,
                "field": "tilt_deg",
            }
        names = cut_names(brace)
        # A mesh the user brought holds its pockets already.
        for k in range(0 if brace.mesh else len(brace.pockets)):
            yield from _of_pocket(cabinet, brace, k, f"{brace.name}.{names[k]}", limits)


def _travel(cabinet: Cabinet, brace: Brace, limits: Limits) -> tuple[float, float]:
    """Return how far a brace may go: to the walls, less the room its parallel neighbours need on that side."""
    low, high = (layout.inner_face(cabinet, side) for side in layout.sides(brace.normal))
    own = cabinet.part_board(brace.name).thickness
    low, high = low + limits.brace_spacing + own / 2, high - limits.brace_spacing - own / 2
    for lower, upper in stacked(cabinet):
        if upper == brace.name:
            low += cabinet.part_board(lower).thickness + limits.brace_spacing
        if lower == brace.name:
            high -= cabinet.part_board(upper).thickness + limits.brace_spacing
    return min(low, brace.at), max(high, brace.at)


def _of_pocket(cabinet: Cabinet, brace: Brace, k: int, name: str, limits: Limits) -> Iterable[dict[str, Any]]:
    shape = brace.pockets[k].shape
    now_of = parameters(shape)
    low, high = _reach(cabinet, brace)
    room = high - low - 2 * limits.web_wall
    if getattr(shape, "rotation_deg", 0.0):
        room = np.full(2, room.max())
    least = max(SMALLEST_POCKET, 2 * limits.cutter_radius, 2 * getattr(shape, "corner_radius", 0.0))
    axes = in_plane(brace.normal)
    margin = limits.web_wall + least / 2

    def variable(
        label: str, field: str, item: int | None, a: float, b: float, now: float, asked: bool = False
    ) -> dict[str, Any]:
        return {
            "name": f"{name}.{label}",
            "low": min(a, now),
            "high": max(b, now),
            "brace": brace.name,
            "pocket": k,
            "field": field,
            "item": item,
            "asked": asked,
        }

    for i, axis in enumerate(axes):
        now = float(now_of["centre"][i])
        yield variable(f"centre.{axis}", "centre", i, float(low[i]) + margin, float(high[i]) - margin, now)
    if "diameter" in now_of:
        yield variable("diameter", "diameter", None, least, float(room.min()), float(now_of["diameter"]))
    for field, labels, half in (
        ("size", ("width", "height"), 1.0),
        ("semi_axes", ("half_width", "half_height"), 2.0),
    ):
        for i, label in enumerate(labels if field in now_of else ()):
            now = float(now_of[field][i])
            yield variable(label, field, i, least / half, float(room[i]) / half, now)
    for i, now in enumerate(now_of.get("radii", ())):
        yield variable(f"radius {i + 1}", "radii", i, least / 2, float(room.max()) / 2, float(now))
    if "corner_radius" in now_of:
        now = float(now_of["corner_radius"])
        yield variable("corner", "corner_radius", None, limits.cutter_radius, float(room.min()) / 2, now, True)
    if "exponent" in now_of:
        yield variable("exponent", "exponent", None, 2.0, 8.0, float(now_of["exponent"]), True)


def _reach(cabinet: Cabinet, brace: Brace) -> tuple[Array, Array]:
    """Return the corners of the box a brace fills in its own plane; up to the walls where it ends at a brace."""
    corners = layout.layouts(cabinet)[brace.name].corners
    low, high = corners.min(axis=0), corners.max(axis=0)
    for i, axis in enumerate(in_plane(brace.normal)):
        if any(end not in PANELS for a, ends in brace.within if a == axis for end in ends):
            near, far = (layout.inner_face(cabinet, side) for side in layout.sides(axis))
            low[i], high[i] = min(low[i], near), max(high[i], far)
    return low, high
