"""Control points of pockets: where they are, and the shape that follows when one is dragged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, cast

from bracewright.design.pockets import Shape
from bracewright.errors import DesignError
from bracewright.geometry import Point


@dataclass(frozen=True, slots=True, kw_only=True)
class Handle:
    """A point to drag: ``centre`` moves the shape, ``width`` and ``height`` size it, ``point 1`` and so on bend it.

    `at` is in the brace's two in-plane coordinates, mm.
    """

    name: str
    at: Point


def handles(shape: Shape) -> tuple[Handle, ...]:
    """Return the control points of a shape, its centre first."""
    own = cast(Any, shape)
    if hasattr(shape, "points"):
        points = [Handle(name=f"point {k}", at=p) for k, p in enumerate(own.points, 1)]
        return (Handle(name="centre", at=_middle(own.points)), *points)
    out = [Handle(name="centre", at=own.centre)]
    for name, (x, y) in _arms(shape).items():
        out.append(Handle(name=name, at=(own.centre[0] + x, own.centre[1] + y)))
    return tuple(out)


def dragged(shape: Shape, handle: str, to: Point) -> Shape:
    """Return the shape with one control point dragged there.

    A size is the distance of its handle from the centre, which stays; a circle's is its radius.

    Raises
    ------
    DesignError
        The shape has no such handle, or cannot be so.
    """
    known = {h.name: h for h in handles(shape)}
    if handle not in known:
        raise DesignError(f"got {handle!r}; its handles are {', '.join(known)}", key="handle")
    own = cast(Any, shape)
    x, y = float(to[0]), float(to[1])
    if handle == "centre":
        return shape.moved(x - known["centre"].at[0], y - known["centre"].at[1])
    if hasattr(shape, "points"):
        k = int(handle.split()[1]) - 1
        return cast(Shape, replace(own, points=(*own.points[:k], (x, y), *own.points[k + 1 :])))
    ax, ay = _arms(shape)[handle]
    length = math.hypot(ax, ay)
    # Along the arm only.
    half = ((x - own.centre[0]) * ax + (y - own.centre[1]) * ay) / length
    if half <= 0:
        raise DesignError("a size cannot be dragged through the centre", key=handle)
    if hasattr(shape, "diameter"):
        return cast(Shape, replace(own, diameter=2 * half))
    field = "semi_axes" if hasattr(shape, "semi_axes") else "size"
    pair = list(getattr(own, field))
    pair[["width", "height"].index(handle)] = half if field == "semi_axes" else 2 * half
    changes: dict[str, Any] = {field: tuple(pair)}
    if getattr(own, "corner_radius", 0.0) > min(pair) / 2:
        changes["corner_radius"] = min(pair) / 2
    return cast(Shape, replace(own, **changes))


def _arms(shape: Shape) -> dict[str, Point]:
    """Return the vector from the centre to each size handle."""
    own = cast(Any, shape)
    turn = math.radians(getattr(shape, "rotation_deg", 0.0))
    c, s = math.cos(turn), math.sin(turn)
    if hasattr(shape, "diameter"):
        return {"diameter": (own.diameter / 2 * c, own.diameter / 2 * s)}
    a, b = own.semi_axes if hasattr(shape, "semi_axes") else (own.size[0] / 2, own.size[1] / 2)
    return {"width": (a * c, a * s), "height": (-b * s, b * c)}


def _middle(points: tuple[Point, ...]) -> Point:
    return sum(p[0] for p in points) / len(points), sum(p[1] for p in points) / len(points)
