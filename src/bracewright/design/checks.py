"""Shared by the design records: checks of numbers, lengths, names and table keys; what a table says of a record."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence

from bracewright.errors import DesignError

MM_HINT = "lengths are in mm"


def number(value: object, key: str, *, low: float = -math.inf, high: float = math.inf, hint: str = "") -> float:
    """Return `value` as a finite float in ``low..high``.

    Raises
    ------
    DesignError
        If it is not a number, not finite or out of range.
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DesignError(f"got {value!r}, which is not a number; give a plain number", key=key)
    v = float(value)
    if not math.isfinite(v):
        raise DesignError(f"got {value!r}; give a finite number", key=key)
    if not low <= v <= high:
        tail = f" ({hint})" if hint else ""
        raise DesignError(f"got {value!r}, which is outside {low:g}..{high:g}{tail}; correct the value", key=key)
    return v


def length(value: object, key: str, *, low: float, high: float) -> float:
    """Return a length in mm, with a reminder of the unit when it is out of range."""
    v = number(value, key)
    if v < 0:
        raise DesignError(f"got {value!r}; a length must be positive ({MM_HINT})", key=key)
    if not low <= v <= high:
        raise DesignError(f"got {value!r}, outside {low:g}..{high:g}: {MM_HINT}", key=key)
    return v


def text(value: object, key: str) -> str:
    """Return `value` as a name: one line of printable text."""
    if not isinstance(value, str):
        raise DesignError(f"got {value!r}, which is not text; put it in quotes", key=key)
    if not value or len(value) > 80 or not value.isprintable() or any(c in value for c in '/\\:*?"<>|'):
        raise DesignError(
            f'got {value!r}; a name is 1..80 printable characters without / \\ : * ? " < > | (it becomes a file name)',
            key=key,
        )
    return value


def choice(value: object, key: str, known: Sequence[str]) -> str:
    """Return `value` if it is one of `known`; else name the nearest."""
    if not isinstance(value, str) or value not in known:
        raise DesignError(f"got {value!r}; known are {', '.join(known)}{nearest(value, known)}", key=key)
    return value


def nearest(value: object, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` or an empty string."""
    found = difflib.get_close_matches(str(value), list(known), n=1, cutoff=0.5)
    return f"; did you mean {found[0]!r}?" if found else ""


def table(value: object, key: str) -> Mapping[str, object]:
    """Return `value` as a table."""
    if not isinstance(value, Mapping):
        raise DesignError(f"got {value!r}; expected a table of keys and values", key=key)
    return value


def tables(value: object, key: str) -> list[Mapping[str, object]]:
    """Return `value` as a list of tables."""
    if not isinstance(value, list | tuple):
        raise DesignError(f"got {value!r}; expected a list of tables ([[{key}]])", key=key)
    return [table(v, f"{key}[{i}]") for i, v in enumerate(value)]


def known_keys(given: Mapping[str, object], known: Iterable[str], *, required: Iterable[str] = ()) -> None:
    """Refuse an unknown key (naming the nearest known one) and a missing one."""
    known = list(known)
    for k in given:
        if k not in known:
            raise DesignError(
                f"unknown key{nearest(k, known) or '; known are ' + ', '.join(known)}; rename or remove it", key=str(k)
            )
    for k in required:
        if k not in given:
            raise DesignError("this key is missing; add it", key=k)


def changed(record: object, keys: Iterable[str], default: object) -> dict[str, object]:
    """Return the values of a record that differ from those of a default one, as a table."""
    pairs = {k: getattr(record, k) for k in keys}
    return {k: listed(v) for k, v in pairs.items() if v != getattr(default, k)}


def listed(value: object) -> object:
    """Return tuples, and tuples in them, as lists."""
    return [listed(v) for v in value] if isinstance(value, tuple) else value
