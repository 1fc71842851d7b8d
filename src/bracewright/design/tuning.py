"""What a search may move, what it is for and what it must keep: the ``[tune]`` table of a design file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from bracewright.design.checks import MM_HINT, known_keys, number, table, tables, text
from bracewright.errors import DesignError

GOALS = ("raise", "spread", "quiet", "peak", "stiff")
LIMITS = (
    "web_wall",
    "web_between",
    "brace_spacing",
    "open_area_low_percent",
    "open_area_high_percent",
    "cutter_radius",
    "opening_gap",
    "groove_left",
    "foot_gap",
    "series_area_low_cm2",
    "volume_low_l",
    "volume_high_l",
    "mass_high_kg",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """Variables that follow another: equal to it, or mirrored so that the two sum to `total`.

    Parameters
    ----------
    leader : str
    followers : tuple of str
    total : float or None
        None makes the followers equal to the leader.
    """

    leader: str
    followers: tuple[str, ...]
    total: float | None = None

    def __post_init__(self) -> None:
        if not self.followers or self.leader in self.followers:
            raise DesignError("name at least one follower, other than the leader", key="followers")
        if self.total is not None:
            number(self.total, "total", low=-10000.0, high=10000.0, hint=MM_HINT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A brace whose plane or presence, or a board whose thickness, is chosen from a list.

    Parameters
    ----------
    brace : str
        With `planes` and `optional`.
    planes : tuple of {"x", "y", "z"}
        Planes it may stand across; its place and pockets are carried along.
    optional : bool
        Whether it may be left out.
    board : str
        With `thickness`.
    thickness : tuple of float
        mm.
    """

    brace: str = ""
    planes: tuple[str, ...] = ()
    optional: bool = False
    board: str = ""
    thickness: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if bool(self.brace) == bool(self.board):
            raise DesignError("name either a brace or a board", key="brace")
        if self.board and not self.thickness:
            raise DesignError("give the thicknesses to choose from", key="thickness")
        if self.brace and not (self.planes or self.optional):
            raise DesignError("give planes to choose from, or optional = true", key="planes")
        for axis in self.planes:
            if axis not in ("x", "y", "z"):
                raise DesignError(f"got {axis!r}; planes are x, y and z", key="planes")
        for t in self.thickness:
            number(t, "thickness", low=1.0, high=100.0, hint=MM_HINT)
        if not isinstance(self.optional, bool):
            raise DesignError(f"got {self.optional!r}; give true or false", key="optional")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """Wishes for a search. Everything left out takes the search's own default.

    Parameters
    ----------
    move, hold : tuple of str
        Patterns of variable names with ``*`` and ``?`` that may move and that may not.
    free : tuple of str
        ``BRACE.POCKET`` whose pockets become free-form curves.
    points : int
        Control points of a free-form curve, 6 to 12.
    goal : tuple of (name, weight)
        Of raise, spread, quiet, peak and stiff.
    band_Hz : (low, high) or None
    limits : tuple of (name, value)
        Of `LIMITS`, which a search explains.
    ties : tuple of Tie
    choices : tuple of Choice
    most_braces : int or None
    robust : float
        Weight of the spread that boards and building bring, 0 for none.
    """

    move: tuple[str, ...] = ()
    hold: tuple[str, ...] = ()
    free: tuple[str, ...] = ()
    points: int = 8
    goal: tuple[tuple[str, float], ...] = ()
    band_Hz: tuple[float, float] | None = None
    limits: tuple[tuple[str, float], ...] = ()
    ties: tuple[Tie, ...] = ()
    choices: tuple[Choice, ...] = ()
    most_braces: int | None = None
    robust: float = 0.0

    def __post_init__(self) -> None:
        _whole(self.points, "points", 6, 12)
        if self.most_braces is not None:
            _whole(self.most_braces, "most_braces", 0, 100)
        number(self.robust, "robust", low=0.0, high=10.0)
        for name, weight in self.goal:
            number(weight, f"goal.{name}", low=0.0, high=1000.0)
        if self.goal and not any(w for _, w in self.goal):
            raise DesignError("all weights are 0; give one of them", key="goal")
        if self.band_Hz is not None and not 20 <= self.band_Hz[0] < self.band_Hz[1] <= 4000:
            raise DesignError(f"got {self.band_Hz!r}; give a low and a higher frequency in 20..4000 Hz", key="band_Hz")
        for name, value in self.limits:
            number(value, f"limits.{name}", low=0.0, high=1e5)


def _whole(value: object, key: str, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise DesignError(f"got {value!r}; give a whole number from {low} to {high}", key=key)


def from_table(value: object) -> Tuning:
    """Read the table.

    Raises
    ------
    DesignError
        An unknown key or a value that cannot be used.
    """
    t = table(value, "")
    known_keys(t, [f.name for f in fields(Tuning)])
    given: dict[str, Any] = dict(t)
    for key in ("move", "hold", "free"):
        if key in given:
            given[key] = _texts(given[key], key)
    if given.get("move") == ():
        raise DesignError("got []; name what may move, or leave the key out and everything may", key="move")
    for key, known in (("goal", GOALS), ("limits", LIMITS)):
        if key in given:
            pairs = table(given[key], key)
            try:
                known_keys(pairs, known)
            except DesignError as e:
                raise e.within(key) from None
            given[key] = tuple((k, number(v, f"{key}.{k}")) for k, v in pairs.items())
    if "band_Hz" in given:
        given["band_Hz"] = _numbers(given["band_Hz"], "band_Hz", 2)
    if "ties" in given:
        given["ties"] = tuple(_record(Tie, x, f"ties[{i}]") for i, x in enumerate(tables(given["ties"], "ties")))
    if "choices" in given:
        listed = tables(given["choices"], "choices")
        given["choices"] = tuple(_record(Choice, x, f"choices[{i}]") for i, x in enumerate(listed))
    return Tuning(**given)


def _record(kind: type[Any], value: Mapping[str, object], key: str) -> Any:
    try:
        known_keys(value, [f.name for f in fields(kind)], required=("leader", "followers") if kind is Tie else ())
        given: dict[str, Any] = dict(value)
        for name in ("followers", "planes"):
            if name in given:
                given[name] = _texts(given[name], name)
        for name in ("leader", "brace", "board"):
            if name in given:
                text(given[name], name)
        if "thickness" in given:
            given["thickness"] = _numbers(given["thickness"], "thickness")
        return kind(**given)
    except DesignError as e:
        raise e.within(key) from None


def _texts(value: object, key: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(isinstance(v, str) and v for v in value):
        raise DesignError(f"got {value!r}; give a list of names in quotes", key=key)
    return tuple(value)


def _numbers(value: object, key: str, count: int | None = None) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple) or (count is not None and len(value) != count):
        raise DesignError(f"got {value!r}; give a list of {count or 'some'} numbers", key=key)
    return tuple(number(v, key) for v in value)


def to_table(tuning: Tuning) -> dict[str, object]:
    """Return the table of a design file; empty when nothing is asked for."""
    bare = Tuning()
    out: dict[str, object] = {
        f.name: getattr(tuning, f.name) for f in fields(Tuning) if getattr(tuning, f.name) != getattr(bare, f.name)
    }
    for key in ("goal", "limits"):
        if key in out:
            out[key] = dict(getattr(tuning, key))
    for key in ("ties", "choices"):
        if key in out:
            out[key] = [
                {f.name: v for f in fields(r) if (v := getattr(r, f.name)) not in ((), "", None, False)}
                for r in getattr(tuning, key)
            ]
    return {k: list(v) if isinstance(v, tuple) else v for k, v in out.items()}
