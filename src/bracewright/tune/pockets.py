"""Pockets as a search sees them: their names, the numbers that may change, free-form curves, tightest radius."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace
from fnmatch import fnmatchcase
from typing import Any, cast

import numpy as np
import shapely

from bracewright.design.cabinet import Brace, Cabinet
from bracewright.design.pockets import Circle, Ellipse, Shape, Spline, Stadium
from bracewright.errors import DesignError

FREE_POINTS = 6  # of a spline whose radii move
SIZES = ("size", "semi_axes", "diameter", "corner_radius", "exponent")


def cut_names(brace: Brace) -> tuple[str, ...]:
    """Return a name for each pocket: its own, or its number; two of one name get their numbers too."""
    own = [p.name for p in brace.pockets]
    return tuple(f"pocket {k + 1}" if not n else n if own.count(n) == 1 else f"{n} {k + 1}" for k, n in enumerate(own))


def parameters(shape: Shape) -> dict[str, Any]:
    """Return the numbers of a shape that may change, by field: its centre, its sizes, a free form's radii."""
    own = cast(Any, shape)
    if is_free_form(shape):
        p = np.array(own.points)
        centre = p.mean(axis=0)
        return {"centre": tuple(centre), "radii": tuple(np.linalg.norm(p - centre, axis=1))}
    if hasattr(shape, "points"):
        p = np.array(own.points)
        low, high = p.min(axis=0), p.max(axis=0)
        return {"centre": tuple((low + high) / 2), "size": tuple(high - low)}
    return {f: getattr(own, f) for f in ("centre", *SIZES) if hasattr(own, f)}


def reshaped(shape: Shape, changes: Iterable[tuple[str, int | None, float]]) -> Shape:
    """Return a shape with some of its parameters, given as (field, item, number), changed."""
    before = parameters(shape)
    after = dict(before)
    for field, item, number in changes:
        if item is None:
            after[field] = number
        else:
            pair = list(after[field])
            pair[item] = number
            after[field] = tuple(pair)
    if is_free_form(shape):
        p, centre = np.array(cast(Any, shape).points), np.array(before["centre"])
        along = (p - centre) / np.array(before["radii"])[:, None]
        moved = np.array(after["centre"]) + along * np.array(after["radii"])[:, None]
        return Spline(points=tuple((float(a), float(b)) for a, b in moved))
    if not hasattr(shape, "points"):
        return cast(Shape, replace(cast(Any, shape), **after))
    p = np.array(cast(Any, shape).points)
    scale = np.array(after["size"]) / np.array(before["size"])
    moved = np.array(after["centre"]) + (p - np.array(before["centre"])) * scale
    return cast(Shape, replace(cast(Any, shape), points=tuple(map(tuple, moved.tolist()))))


def is_free_form(shape: Shape) -> bool:
    """Whether a pocket is a smooth closed curve with radii of its own."""
    return isinstance(shape, Spline) and len(shape.points) >= FREE_POINTS


def free_form(shape: Shape, points: int = 8) -> Spline:
    """Return a shape as a smooth closed curve through `points` of its outline, at equal angles about its centroid.

    Raises
    ------
    DesignError
        The outline is not seen whole from its centroid.
    """
    outline = shape.outline().polygon(0.01)
    centre = np.array(outline.centroid.coords[0])
    far = 2 * np.hypot(*np.subtract(outline.bounds[2:], outline.bounds[:2]))
    found = []
    for angle in 2 * np.pi * np.arange(points) / points:
        ray = shapely.LineString([centre, centre + far * np.array([np.cos(angle), np.sin(angle)])])
        met = shapely.get_coordinates(ray.intersection(outline.exterior))
        if len(met) != 1:
            raise DesignError("its outline is not seen whole from its middle; split it into two pockets", key="free")
        found.append((float(met[0, 0]), float(met[0, 1])))
    return Spline(points=tuple(found))


def with_free_pockets(cabinet: Cabinet) -> Cabinet:
    """Return the cabinet with the pockets that its ``[tune]`` table sets free as smooth closed curves.

    Raises
    ------
    DesignError
        A pocket cannot be one.
    """
    wishes = cabinet.tune
    braces = []
    for b in cabinet.braces:
        chosen = [any(fnmatchcase(f"{b.name}.{n}", p) for p in wishes.free) for n in cut_names(b)]
        pockets = tuple(
            replace(p, shape=free_form(p.shape, wishes.points)) if free else p
            for p, free in zip(b.pockets, chosen, strict=True)
        )
        braces.append(replace(b, pockets=pockets))
    return replace(cabinet, braces=tuple(braces), tune=replace(wishes, free=()))


def check_free(cabinet: Cabinet) -> None:
    """Refuse a ``[tune]`` table that sets a pocket free which is not there."""
    known = [f"{b.name}.{n}" for b in cabinet.braces for n in cut_names(b)]
    for pattern in cabinet.tune.free:
        if not any(fnmatchcase(name, pattern) for name in known):
            raise DesignError(f"{pattern!r} is no pocket; known are {', '.join(known)}", key="tune.free")


def inside_radius(shape: Shape) -> float:
    """Return the tightest inside radius of a shape, mm: in closed form where there is one, so that it is smooth."""
    if isinstance(shape, Circle):
        return shape.diameter / 2
    if isinstance(shape, Ellipse):
        a, b = sorted(shape.semi_axes)
        return a * a / b
    if isinstance(shape, Stadium):
        return min(shape.size) / 2
    if "corner_radius" in {f.name for f in fields(cast(Any, shape))}:
        return float(cast(Any, shape).corner_radius)
    return shape.outline().smallest_inside_radius()
