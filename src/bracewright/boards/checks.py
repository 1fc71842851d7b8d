"""Checks of a board's numbers, with their units named, and of the keys of its tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from numbers import Real

from bracewright.errors import DesignError

SHEET_KEYS = ("E_GPa", "poisson", "density_kg_m3", "loss_factor", "G_GPa", "G_through_GPa")
TABLE_KEYS = ("material", "thickness", *SHEET_KEYS, "layers", "cost_per_m2")


def number(value: object, key: str, low: float, high: float, hint: str) -> float:
    """Return `value` as a float within [low, high], or refuse it with the unit named."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise DesignError(f"{key} must be a number, got {value!r}", key=key)
    number = float(value)
    if not low <= number <= high:
        raise DesignError(f"{key} {number:g} is outside {low:g} to {high:g}: {hint}", key=key)
    return number


def in_mm(value: object, key: str = "thickness") -> float:
    """Return a thickness."""
    return number(value, key, 0.1, 300.0, "lengths are in mm")


def in_GPa(value: object, key: str) -> float:
    """Return a modulus; a key that begins with G is one of shear."""
    # Foam and rubber layers may shear at 0.1 MPa; nothing in a cabinet is stiffer than 500 GPa.
    low = 0.0001 if key.startswith("G") else 0.001
    return number(value, key, low, 500.0, "moduli are in GPa (3500 N/mm2 is 3.5 GPa)")


def in_kg_m3(value: object, key: str = "density_kg_m3") -> float:
    """Return a density."""
    return number(value, key, 1.0, 20000.0, "densities are in kg/m3 (0.74 g/cm3 is 740 kg/m3)")


def in_degrees(value: object, key: str) -> float:
    """Return an angle of up to a turn."""
    return number(value, key, -360.0, 360.0, "angles are in degrees")


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a remedy: the closest known word, or all of them."""
    known = sorted(known)
    lower = {k.lower(): k for k in known}
    close = get_close_matches(word.lower(), lower, n=1, cutoff=0.5)
    return f"did you mean {lower[close[0]]!r}?" if close else f"known: {', '.join(known)}"


def known_keys(table: Mapping[str, object], known: Iterable[str], what: str) -> None:
    """Refuse a key that `what` does not take."""
    known = set(known)
    for key in table:
        if key in known:
            continue
        if key in TABLE_KEYS:
            raise DesignError(f"{key!r} does not go with {what}; it takes {', '.join(sorted(known))}", key=key)
        raise DesignError(f"unknown key {key!r} of {what}; {nearest(key, known)}", key=key)


def required_keys(table: Mapping[str, object], keys: Iterable[str], what: str) -> None:
    """Refuse a table without one of the `keys`."""
    missing = [k for k in keys if k not in table]
    if missing:
        raise DesignError(f"{what} needs {', '.join(missing)}", key=missing[0])
