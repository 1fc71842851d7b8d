"""The family of shapes that pockets of braces and openings of panels share.

A shape is a frozen record of the numbers a designer gives; its outline is made of lines and arcs.
Coordinates are the two in-plane cabinet coordinates of the part, in mm.
"""

from __future__ import annotations

import difflib
import math
import numbers
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, replace
from functools import lru_cache
from typing import Any, ClassVar, Self, cast

from bracewright import geometry
from bracewright.design.checks import listed, nearest
from bracewright.errors import DesignError
from bracewright.geometry import Path, Point

FARTHEST = 10_000.0  # mm; nothing of a cabinet is 10 m away
SMALLEST = 1.0  # mm; a smaller cut-out is a length given in metres


class Shape:
    """Base of the shapes: an outline, a way into tables and out of them.

    Every shape is a frozen keyword-only dataclass; change it with `dataclasses.replace` or `moved`.
    """

    __slots__ = ()
    kind: ClassVar[str]

    def outline(self, tolerance: float = 0.05) -> Path:
        """Return the counter-clockwise outline, within `tolerance` mm where it is not lines and arcs by nature."""
        return _outline(self, float(tolerance))

    def moved(self, dx: float, dy: float) -> Self:
        """Return the shape moved by (dx, dy) mm."""
        own = cast(Any, self)
        if hasattr(self, "points"):
            return cast(Self, replace(own, points=tuple((x + dx, y + dy) for x, y in own.points)))
        return cast(Self, replace(own, centre=(own.centre[0] + dx, own.centre[1] + dy)))

    def to_table(self) -> dict[str, Any]:
        """Return a table for a design file: `shape`, then the values that are not defaults."""
        values = {f.name: getattr(self, f.name) for f in fields(cast(Any, self)) if getattr(self, f.name) != f.default}
        return {"shape": self.kind} | {key: listed(value) for key, value in values.items()}

    @classmethod
    def from_table(cls, table: Mapping[str, Any], *, also: Iterable[str] = ()) -> Self:
        """Read the shape from a table; `also` names keys of the same table that belong to the caller.

        Raises
        ------
        DesignError
            Another shape, an unknown or missing key, or a value the shape refuses.
        """
        named = table.get("shape", cls.kind)
        if named != cls.kind:
            raise DesignError(f"expected shape {cls.kind!r}, got {named!r}", key="shape")
        also = {*also, "shape"}
        own = {f.name: f for f in fields(cast(Any, cls))}
        for key in table:
            if key not in own and key not in also:
                raise DesignError(f"unknown key of a {cls.kind}{_nearest(key, [*own, *also])}", key=key)
        for name, field in own.items():
            if name not in table and field.default is MISSING:
                raise DesignError(f"missing; a {cls.kind} needs {_words(_needed(cls))}", key=name)
        return cls(**{key: table[key] for key in own if key in table})

    def _curve(self, tolerance: float) -> Path:
        raise NotImplementedError

    def _set(self, **values: object) -> None:
        for key, value in values.items():
            object.__setattr__(self, key, value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle(Shape):
    """A round hole."""

    kind: ClassVar[str] = "circle"
    centre: Point
    diameter: float
    rotation_deg: float = 0.0

    def __post_init__(self) -> None:
        self._set(centre=_point("centre", self.centre), diameter=_size("diameter", self.diameter))
        self._set(rotation_deg=_number("rotation_deg", self.rotation_deg))

    def _curve(self, tolerance: float) -> Path:
        return geometry.circle(self.centre, self.diameter)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ellipse(Shape):
    """An ellipse of the given half widths, turned about its centre."""

    kind: ClassVar[str] = "ellipse"
    centre: Point
    semi_axes: Point
    rotation_deg: float = 0.0

    def __post_init__(self) -> None:
        self._set(centre=_point("centre", self.centre), semi_axes=_sizes("semi_axes", self.semi_axes))
        self._set(rotation_deg=_number("rotation_deg", self.rotation_deg))

    def _curve(self, tolerance: float) -> Path:
        return geometry.ellipse(self.centre, self.semi_axes, tolerance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectangle(Shape):
    """A rectangle of overall (width, height) with rounded corners, turned about its centre."""

    kind: ClassVar[str] = "rectangle"
    centre: Point
    size: Point
    corner_radius: float = 0.0
    rotation_deg: float = 0.0

    def __post_init__(self) -> None:
        self._set(centre=_point("centre", self.centre), size=_sizes("size", self.size))
        self._set(rotation_deg=_number("rotation_deg", self.rotation_deg))
        self._set(corner_radius=_radius("corner_radius", self.corner_radius))
        if self.corner_radius > min(self.size) / 2:
            raise DesignError(
                f"{self.corner_radius:g} is more than half the shorter side; at most {min(self.size) / 2:g} fits",
                key="corner_radius",
            )

    def _curve(self, tolerance: float) -> Path:
        return geometry.rectangle(self.centre, self.size, self.corner_radius)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stadium(Shape):
    """A slot of overall (width, height) with half circles on its shorter sides, turned about its centre."""

    kind: ClassVar[str] = "stadium"
    centre: Point
    size: Point
    rotation_deg: float = 0.0

    def __post_init__(self) -> None:
        self._set(centre=_point("centre", self.centre), size=_sizes("size", self.size))
        self._set(rotation_deg=_number("rotation_deg", self.rotation_deg))

    def _curve(self, tolerance: float) -> Path:
        return geometry.stadium(self.centre, self.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class Superellipse(Shape):
    """The curve |2x/width|^exponent + |2y/height|^exponent = 1, turned about its centre.

    Exponent 2 is an ellipse, larger is squarer; from 1.1 (nearly a diamond) to 100 (nearly a rectangle).
    """

    kind: ClassVar[str] = "superellipse"
    centre: Point
    size: Point
    exponent: float
    rotation_deg: float = 0.0

    def __post_init__(self) -> None:
        self._set(centre=_point("centre", self.centre), size=_sizes("size", self.size))
        self._set(rotation_deg=_number("rotation_deg", self.rotation_deg))
        self._set(exponent=_number("exponent", self.exponent))
        if not 1.1 <= self.exponent <= 100:
            raise DesignError(f"must be 1.1 to 100, got {self.exponent:g}", key="exponent")

    def _curve(self, tolerance: float) -> Path:
        return geometry.superellipse(self.centre, self.size, self.exponent, tolerance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Polygon(Shape):
    """A polygon through its points, every corner rounded to `corner_radius`."""

    kind: ClassVar[str] = "polygon"
    points: tuple[Point, ...]
    corner_radius: float = 0.0

    def __post_init__(self) -> None:
        self._set(points=_points("points", self.points), corner_radius=_radius("corner_radius", self.corner_radius))
        _drawn(self)

    def _curve(self, tolerance: float) -> Path:
        return geometry.polygon(self.points, self.corner_radius)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spline(Shape):
    """The smooth closed curve through its points."""

    kind: ClassVar[str] = "spline"
    points: tuple[Point, ...]

    def __post_init__(self) -> None:
        self._set(points=_points("points", self.points))
        _drawn(self)

    def _curve(self, tolerance: float) -> Path:
        return geometry.spline(self.points, tolerance)


SHAPES: dict[str, type[Shape]] = {
    cls.kind: cls for cls in (Circle, Ellipse, Rectangle, Stadium, Superellipse, Polygon, Spline)
}


def shape_from_table(table: Mapping[str, Any], *, also: Iterable[str] = ()) -> Shape:
    """Read any shape from a table with the key `shape`; keys in `also` belong to the caller and are left alone.

    Raises
    ------
    DesignError
        No shape, an unknown one, or whatever that shape refuses.
    """
    kind = table.get("shape")
    if kind is None:
        slip = difflib.get_close_matches("shape", [str(k) for k in table], 1)
        hint = f" (did you mean it by {slip[0]!r}?)" if slip else ""
        raise DesignError(f"missing{hint}; one of {_words(SHAPES)}", key="shape")
    if not isinstance(kind, str) or kind not in SHAPES:
        raise DesignError(f"unknown shape {kind!r}{_nearest(str(kind), list(SHAPES))}", key="shape")
    return SHAPES[kind].from_table(table, also=also)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pocket:
    """A hole through a brace: a shape, with a name if it is given one."""

    shape: Shape
    name: str = ""

    def __post_init__(self) -> None:
        if not isinstance(self.shape, Shape):
            raise DesignError(f"must be a shape such as Rectangle(...), got {self.shape!r}", key="shape")
        if not isinstance(self.name, str):
            raise DesignError(f"must be text, got {self.name!r}", key="name")

    def outline(self, tolerance: float = 0.05) -> Path:
        """Return the counter-clockwise outline of the shape."""
        return self.shape.outline(tolerance)

    def to_table(self) -> dict[str, Any]:
        """Return one flat table: the name, if any, and the shape's keys."""
        return ({"name": self.name} if self.name else {}) | self.shape.to_table()

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> Self:
        """Read a pocket from a flat table; raises DesignError as `shape_from_table` does."""
        return cls(shape=shape_from_table(table, also=("name",)), name=table.get("name", ""))


@lru_cache(maxsize=512)
def _outline(shape: Shape, tolerance: float) -> Path:
    path = shape._curve(tolerance)
    angle = getattr(shape, "rotation_deg", 0.0)
    return (path.rotated(angle, about=getattr(shape, "centre", (0.0, 0.0))) if angle else path).oriented()


def _drawn(shape: Shape) -> None:
    """Refuse points that make no outline, where they are given."""
    try:
        shape.outline()
    except DesignError as error:
        key = error.key if error.key == "corner_radius" else "points"
        raise DesignError(error.message, key=key) from None


def _number(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        raise DesignError(f"must be a number, got {value!r}", key=key)
    if not math.isfinite(value):
        raise DesignError(f"must be finite, got {value!r}", key=key)
    return float(value)


def _size(key: str, value: object) -> float:
    size = _number(key, value)
    if size <= 0:
        raise DesignError(f"must be positive, got {size:g}", key=key)
    if size < SMALLEST:
        raise DesignError(f"{size:g} is less than {SMALLEST:g} mm; lengths are in mm", key=key)
    return _near(key, size)


def _radius(key: str, value: object) -> float:
    radius = _number(key, value)
    if radius < 0:
        raise DesignError(f"cannot be negative, got {radius:g}; 0 is a sharp corner", key=key)
    return _near(key, radius)


def _near(key: str, value: float) -> float:
    if abs(value) > FARTHEST:
        raise DesignError(f"{value:g} is beyond 10 m; lengths are in mm", key=key)
    return value


def _pair(key: str, value: object) -> Sequence[object]:
    # Anything with two items will do, an array's row too, but not text.
    if isinstance(value, (str, bytes, Mapping)) or not hasattr(value, "__len__") or len(cast(Any, value)) != 2:
        raise DesignError(f"must be two numbers, got {value!r}", key=key)
    return list(cast(Any, value))


def _sizes(key: str, value: object) -> Point:
    a, b = _pair(key, value)
    return _size(key, a), _size(key, b)


def _point(key: str, value: object) -> Point:
    x, y = _pair(key, value)
    return _near(key, _number(key, x)), _near(key, _number(key, y))


def _points(key: str, value: object) -> tuple[Point, ...]:
    if isinstance(value, (str, bytes, Mapping)) or not isinstance(value, Iterable):
        raise DesignError(f"must be a list of points, got {value!r}", key=key)
    points = tuple(_point(key, p) for p in value)
    if len(points) < 3:
        raise DesignError(f"needs 3 points or more, got {len(points)}", key=key)
    xs, ys = zip(*points, strict=True)
    extent = max(max(xs) - min(xs), max(ys) - min(ys))
    if 0 < extent < SMALLEST:
        raise DesignError(f"the points span only {extent:g} mm; lengths are in mm", key=key)
    return points


def _needed(cls: type[Shape]) -> list[str]:
    return [f.name for f in fields(cast(Any, cls)) if f.default is MISSING]


def _words(names: Iterable[str]) -> str:
    return ", ".join(names)


def _nearest(word: str, known: Sequence[str]) -> str:
    return nearest(word, known) or f"; known are {_words(sorted(known))}"
