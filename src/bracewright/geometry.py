"""Plane closed curves of straight lines and circular arcs: what a saw or a router follows.

A curve is a :class:`Path`. Ellipses, superellipses and splines become tangent arcs within a stated
tolerance. Points are complex numbers x + iy inside this module; every segment, straight or not, is
the same formula in its chord c and its signed sweep theta::

    z(t) = z0 + c sin(t theta/2)/sin(theta/2) exp(i (t - 1) theta/2),   0 <= t <= 1
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from bracewright.errors import DesignError

Point = tuple[float, float]
Vertex = tuple[float, float, float]
_Real = NDArray[np.float64]
_Complex = NDArray[np.complexfloating[Any, Any]]

SHORTEST = 1e-6  # mm; a shorter segment is a drawing error, not wood
FINE = 1e-3  # mm; chord tolerance wherever distances are first looked for on polygons
CORNER = 1e-4  # rad; a smaller turn between segments counts as tangent
STRAIGHT = 1e-8  # a smaller bulge is a straight line
# Integrands on an arc are trigonometric polynomials of degree <= 4; 24 points reach rounding even on a full turn.
_GAUSS_T, _GAUSS_W = np.polynomial.legendre.leggauss(24)
_GAUSS_T, _GAUSS_W = (_GAUSS_T + 1) / 2, _GAUSS_W / 2


class Segment(NamedTuple):
    """A straight line (bulge 0) or arc from `start` to `end`."""

    start: Point
    end: Point
    bulge: float


class Arc(NamedTuple):
    """An arc: from the angle `start_deg` through the signed `sweep_deg` (> 0 counter-clockwise)."""

    centre: Point
    radius: float
    start_deg: float
    sweep_deg: float


class Moments(NamedTuple):
    """Second moments of the enclosed area about its centroid, in mm^4: int y^2, int x^2, int x y."""

    Ixx: float
    Iyy: float
    Ixy: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A closed, simple curve of straight lines and arcs.

    Parameters
    ----------
    vertices : sequence of (x, y, bulge)
        Coordinates in mm. The bulge tan(included angle / 4) belongs to the segment that starts at the vertex
        and is positive counter-clockwise (the convention of the DXF LWPOLYLINE entity).

    Raises
    ------
    DesignError
        The curve crosses itself (looked for to 0.0001 mm), encloses nothing, or has segments without length.
    """

    vertices: tuple[Vertex, ...]

    def __post_init__(self) -> None:
        flat = np.asarray([tuple(v) for v in self.vertices], dtype=float)
        if flat.ndim != 2 or flat.shape[1] != 3 or not np.all(np.isfinite(flat)):
            raise DesignError("a path needs vertices (x, y, bulge) of finite numbers", key="vertices")
        flat[np.abs(flat[:, 2]) < STRAIGHT, 2] = 0.0
        object.__setattr__(self, "vertices", tuple((float(x), float(y), float(b)) for x, y, b in flat))
        least = 2 if np.any(flat[:, 2]) else 3
        if len(flat) < least:
            raise DesignError(f"a closed path needs {least} vertices or more, got {len(flat)}", key="vertices")
        if np.any(np.abs(flat[:, 2]) > 1e3):
            raise DesignError("an arc of a full turn cannot be one segment; split it", key="vertices")
        if np.any(short := np.abs(_arrays(self)[1]) < SHORTEST):
            x, y = flat[int(np.argmax(short)), :2]
            raise DesignError(f"segment without length at ({x:g}, {y:g}); drop the double point", key="vertices")
        # Chords of arcs that nearly touch may cross where the arcs do not: look closer before refusing.
        if not (self.polygon().is_valid or self.polygon(1e-4).is_valid):
            reason = shapely.is_valid_reason(self.polygon(1e-4))
            raise DesignError(f"the outline crosses or touches itself ({reason}); separate its sides", key="vertices")
        if self.area < SHORTEST * self.perimeter:
            raise DesignError("the outline encloses no area", key="vertices")

    @property
    def signed_area(self) -> float:
        """Enclosed area in mm^2, positive when counter-clockwise; exact to rounding."""
        return _green(self)[0]

    @property
    def area(self) -> float:
        """Enclosed area in mm^2."""
        return abs(self.signed_area)

    @property
    def is_ccw(self) -> bool:
        """Whether the path runs counter-clockwise."""
        return self.signed_area > 0

    @property
    def perimeter(self) -> float:
        """Length in mm."""
        return float(_lengths(self).sum())

    @property
    def centroid(self) -> Point:
        """Centroid of the enclosed area."""
        return _green(self)[1]

    @property
    def moments(self) -> Moments:
        """Second moments of the enclosed area about the centroid."""
        return _green(self)[2]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Smallest and largest coordinates (xmin, ymin, xmax, ymax), arcs included."""
        z0, chord, theta = _arrays(self)
        heading = np.angle(chord) - theta / 2  # of the tangent, at the start
        # An arc is extreme in x or y where its tangent passes a quarter turn; at most five of them in a sweep < 2 pi.
        first = np.where(theta > 0, np.ceil(heading / (np.pi / 2)), np.floor(heading / (np.pi / 2)))
        turns = (first + np.sign(theta) * np.arange(5)[:, None]) * (np.pi / 2)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (turns - heading) / theta
        i, j = np.nonzero((t > 0) & (t < 1))
        z = np.concatenate([z0, _at(z0[j], chord[j], theta[j], t[i, j])])
        return float(z.real.min()), float(z.imag.min()), float(z.real.max()), float(z.imag.max())

    def segments(self) -> list[Segment]:
        """Return the segments in order, the closing one last."""
        v = self.vertices
        return [Segment(a[:2], b[:2], a[2]) for a, b in zip(v, v[1:] + v[:1], strict=True)]

    def arcs(self) -> list[Arc]:
        """Return the arcs in order, straight lines left out."""
        z0, chord, theta = _pick(self, _arrays(self)[2] != 0)
        centre, radius = _circles(z0, chord, theta)
        start, sweep = np.degrees(np.angle(z0 - centre)), np.degrees(theta)
        rows = zip(centre, radius, start, sweep, strict=True)
        return [Arc((float(c.real), float(c.imag)), float(r), float(a), float(s)) for c, r, a, s in rows]

    def smallest_inside_radius(self) -> float:
        """Return the radius of the tightest corner seen from inside; 0 with a sharp one.

        A round tool cutting the path out from inside must not be larger. Narrow necks are not looked for
        (`offset` finds them). On a curve made of fitted arcs this is a radius of those arcs.
        """
        path = self.oriented()
        if np.any(_turns(path) > CORNER):
            return 0.0
        return min(arc.radius for arc in path.arcs() if arc.sweep_deg > 0)

    def polygon(self, tolerance: float = 0.01) -> Any:
        """Return a shapely Polygon with its corners on the path and no chord farther off than `tolerance` mm."""
        return _polygon(self, float(tolerance))

    def points(self, max_step: float) -> _Real:
        """Return points along the path, shape (n, 2): every vertex, and no step longer than `max_step` mm."""
        if not max_step > 0:
            raise DesignError(f"a step must be positive, got {max_step}", key="max_step")
        return _xy(_divided(self, np.ceil(_lengths(self) / max_step - 1e-9)))

    def sample(self, n: int) -> _Real:
        """Return `n` points evenly spaced along the path, shape (n, 2), the first vertex first."""
        lengths = _lengths(self)
        ends = np.cumsum(lengths)
        s = np.arange(n) * (ends[-1] / n)
        k = np.minimum(np.searchsorted(ends, s, side="right"), len(ends) - 1)
        return _xy(_at(*_pick(self, k), (s - ends[k] + lengths[k]) / lengths[k]))

    def nearest(self, point: Point) -> Point:
        """Return the point of the path nearest to `point`."""
        x, y = self.nearest_points(np.array([point]))[0]
        return float(x), float(y)

    def nearest_points(self, points: _Real) -> _Real:
        """Return the points of the path nearest to each of `points`, shape (n, 2)."""
        return _xy(_nearest(*_arrays(self), points[:, 0] + 1j * points[:, 1]))

    def reversed(self) -> Path:
        """Return the same curve run the other way, from the same first vertex."""
        v = self.vertices
        back = v[:1] + v[:0:-1]
        return Path(vertices=tuple((p[0], p[1], -q[2]) for p, q in zip(back, v[::-1], strict=True)))

    def oriented(self, ccw: bool = True) -> Path:
        """Return the path running counter-clockwise, or clockwise."""
        return self if self.is_ccw == ccw else self.reversed()

    def translated(self, dx: float, dy: float) -> Path:
        """Return the path moved by (dx, dy) mm."""
        return self._mapped(1.0, complex(dx, dy))

    def rotated(self, angle_deg: float, about: Point = (0.0, 0.0)) -> Path:
        """Return the path turned counter-clockwise about a point."""
        turn = complex(math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg)))
        return self._mapped(turn, complex(*about) * (1 - turn))

    def scaled(self, factor: float, about: Point = (0.0, 0.0)) -> Path:
        """Return the path enlarged by a positive factor about a point."""
        if not factor > 0:
            raise DesignError(f"a scale factor must be positive, got {factor}", key="factor")
        return self._mapped(factor, complex(*about) * (1 - factor))

    def mirrored_x(self, at: float = 0.0) -> Path:
        """Return the mirror image in the line x = `at`, running the same way round as before."""
        return Path(vertices=tuple((2 * at - x, y, -b) for x, y, b in self.vertices)).reversed()

    def _mapped(self, times: complex, plus: complex) -> Path:
        z = _arrays(self)[0] * times + plus
        return _path(z, [v[2] for v in self.vertices])


# --- constructors ---------------------------------------------------------------------------------------------------


def circle(centre: Point, diameter: float) -> Path:
    """Return a circle: two half-turn arcs."""
    _positive(diameter=diameter)
    x, y = centre
    return Path(vertices=((x + diameter / 2, y, 1.0), (x - diameter / 2, y, 1.0)))


def rectangle(centre: Point, size: Point, corner_radius: float = 0.0) -> Path:
    """Return an upright rectangle of overall (width, height), its corners rounded to `corner_radius`."""
    _positive(size=min(size))
    if corner_radius > min(size) / 2:
        raise DesignError(
            f"corner radius {corner_radius:g} is more than half the shorter side {min(size):g}", key="corner_radius"
        )
    (x, y), (a, b) = centre, (size[0] / 2, size[1] / 2)
    return polygon([(x + a, y - b), (x + a, y + b), (x - a, y + b), (x - a, y - b)], corner_radius)


def stadium(centre: Point, size: Point) -> Path:
    """Return a slot of overall (width, height): half circles on its shorter sides."""
    _positive(size=min(size))
    return circle(centre, size[0]) if size[0] == size[1] else rectangle(centre, size, min(size) / 2)


def polygon(points: Sequence[Point], corner_radius: float = 0.0) -> Path:
    """Return the closed polygon through `points`, every corner rounded to `corner_radius`.

    Raises
    ------
    DesignError
        The roundings of an edge's two ends do not both fit on it, or the polygon crosses itself.
    """
    sharp = _path(np.array([complex(*p) for p in points]), np.zeros(len(points)))
    if corner_radius < 0:
        raise DesignError(f"a corner radius cannot be negative, got {corner_radius:g}", key="corner_radius")
    z, chord, _ = _arrays(sharp)
    turn = _turns(sharp)
    trim = corner_radius * np.tan(np.abs(turn) / 2)
    edge = np.abs(chord)
    short = trim + np.roll(trim, -1) - edge
    if np.any(short > 1e-9 * edge):
        k = int(np.argmax(short))
        raise DesignError(
            f"corner radius {corner_radius:g} does not fit on the edge of length {edge[k]:g} that starts at "
            f"({z[k].real:g}, {z[k].imag:g}); the largest that fits there is "
            f"{corner_radius * edge[k] / (edge[k] + short[k]):g}",
            key="corner_radius",
        )
    along = chord / edge
    out: list[tuple[complex, float]] = []
    for k in range(len(z)):
        if trim[k] < SHORTEST:
            out.append((z[k], 0.0))
        else:
            out += [(z[k] - trim[k] * along[k - 1], math.tan(turn[k] / 4)), (z[k] + trim[k] * along[k], 0.0)]
    # Where two roundings meet the line between them has no length.
    kept = [p for p, q in zip(out, out[1:] + out[:1], strict=True) if p[1] != 0 or abs(p[0] - q[0]) > SHORTEST]
    return _path([p for p, _ in kept], [b for _, b in kept])


def ellipse(centre: Point, semi_axes: Point, tolerance: float = 0.05) -> Path:
    """Return an upright ellipse as tangent arcs, nowhere farther from the true one than `tolerance` mm."""
    _positive(semi_axes=min(semi_axes))
    if semi_axes[0] == semi_axes[1]:
        return circle(centre, 2 * semi_axes[0])
    return superellipse(centre, (2 * semi_axes[0], 2 * semi_axes[1]), 2.0, tolerance)


def superellipse(centre: Point, size: Point, exponent: float, tolerance: float = 0.05) -> Path:
    """Return |2x/width|^n + |2y/height|^n = 1 as tangent arcs, nowhere farther off than `tolerance` mm.

    The exponent n lies in 1.1..100: 2 is an ellipse, larger is squarer. Below 2 the true curve has no radius
    where it meets its axes; the arcs blunt those four tips within the tolerance.
    """
    _positive(size=min(size), tolerance=tolerance)
    if not 1.1 <= exponent <= 100:
        raise DesignError(f"a superellipse needs an exponent of 1.1 to 100, got {exponent:g}", key="exponent")
    a, b = size[0] / 2, size[1] / 2

    def quadrant(s: _Real) -> tuple[_Complex, _Complex]:
        # Polar angle in the unit square: close to even along the flat sides, whatever the exponent.
        u, v = np.sin(np.pi / 2 - s), np.sin(s)  # exactly 0 where the curve meets its axes
        r = np.hypot(u, v) if exponent == 2 else (u**exponent + v**exponent) ** (-1 / exponent)
        u, v = u * r, v * r
        along_x, along_y = -(v ** (exponent - 1)) / b, u ** (exponent - 1) / a
        return _z(a * u, b * v), _z(along_x, along_y) / np.hypot(along_x, along_y)

    z, bulge = _biarcs(quadrant, [0.0, np.pi / 4, np.pi / 2], tolerance)
    back = z[::-1].conj()
    around = np.concatenate([z[:-1], -back[:-1], -z[:-1], back[:-1]]) + complex(*centre)
    return _path(around, np.concatenate([bulge, bulge[::-1]] * 2))


def spline(points: Sequence[Point], tolerance: float = 0.05) -> Path:
    """Return the smooth closed curve through `points` as tangent arcs.

    The true curve is the periodic cubic spline whose parameter grows by the square root of the distance
    between points (centripetal; E. T. Y. Lee, Computer-Aided Design 21, 1989, from memory).
    """
    _positive(tolerance=tolerance)
    z = np.array([complex(*p) for p in points])
    if len(z) < 3:
        raise DesignError(f"a closed spline needs 3 points or more, got {len(z)}", key="points")
    z = np.append(z, z[0])
    if np.any(np.abs(np.diff(z)) < SHORTEST):
        raise DesignError("neighbouring points of a spline coincide; drop one", key="points")
    knots = np.concatenate([[0.0], np.cumsum(np.sqrt(np.abs(np.diff(z))))])
    cubic = CubicSpline(knots, np.column_stack([z.real, z.imag]), bc_type="periodic")

    def curve(s: _Real) -> tuple[_Complex, _Complex]:
        p, dp = cubic(s), cubic(s, 1)
        speed = np.hypot(dp[:, 0], dp[:, 1])
        if np.any(speed < 1e-9 * knots[-1]):
            raise DesignError("the spline has a cusp; spread its points", key="points")
        return _z(p[:, 0], p[:, 1]), _z(dp[:, 0], dp[:, 1]) / speed

    nodes, bulge = _biarcs(curve, knots, tolerance)
    return _path(nodes[:-1], bulge)


# --- relations between paths ----------------------------------------------------------------------------------------


def clearance(a: Path, b: Path) -> float:
    """Return the least distance between two enclosed areas, in mm.

    Negative when they overlap: minus the diameter of the largest circle within the part they share.
    """
    pa, pb = a.polygon(FINE), b.polygon(FINE)
    if not pa.intersects(pb):
        return _gap(a, b)
    shared = pa.intersection(pb)
    return -2 * _inscribed(shared) if shared.area > 0 else 0.0


def web(outer: Path, inner: Path) -> float:
    """Return the least wood left between a cut-out and the outline around it, in mm.

    Negative when the cut-out reaches outside: minus the farthest it does.
    """
    po, pi = outer.polygon(FINE), inner.polygon(FINE)
    if po.covers(pi):
        return _gap(outer, inner)
    outside = shapely.get_coordinates(pi.difference(po))
    return -float(shapely.distance(shapely.points(outside), po).max()) if len(outside) else 0.0


def contains(outer: Path, inner: Path) -> bool:
    """Whether `inner` lies within `outer`; touching from inside counts (to 0.002 mm)."""
    return web(outer, inner) >= -2 * FINE


def overlaps(a: Path, b: Path) -> bool:
    """Whether two enclosed areas share more than a touch (0.002 mm)."""
    return clearance(a, b) < -2 * FINE


def offset(path: Path, distance: float, tolerance: float = 0.005) -> Path:
    """Return the curve at `distance` mm outside (> 0) or inside (< 0) the path, running the same way round.

    Exact lines and arcs where every segment survives and corners only need rounding; otherwise a polygon
    within `tolerance` mm (it then has no arcs).

    Raises
    ------
    DesignError
        Nothing is left, or the offset falls into several pieces.
    """
    if distance == 0:
        return path
    # A quarter each of the tolerance for the path's chords, the buffer's chords and the thinning at the end.
    n = math.ceil(math.pi / 2 / math.sqrt(2 * min(1.0, tolerance / abs(distance))))
    area = path.polygon(tolerance / 4).buffer(distance, quad_segs=n)
    if area.is_empty or area.geom_type != "Polygon" or area.interiors:
        what = "leaves nothing" if area.is_empty else "falls into pieces or closes a neck"
        raise DesignError(f"an offset of {distance:g} {what}; use a smaller one", key="distance")
    exact = _exact_offset(path.oriented(), distance)
    # The area tells a curve that has folded over from the true offset.
    if exact is not None and abs(exact.area - area.area) <= tolerance * exact.perimeter:
        return exact.oriented(path.is_ccw)
    corners = area.simplify(tolerance / 4).exterior.coords[:-1]
    return polygon(corners).oriented(path.is_ccw)


# --- inside ---------------------------------------------------------------------------------------------------------


def _positive(**values: float) -> None:
    for key, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise DesignError(f"must be a positive length in mm, got {value}", key=key)


def _path(z: Iterable[complex], bulge: Iterable[float]) -> Path:
    return Path(vertices=tuple((p.real, p.imag, float(b)) for p, b in zip(z, bulge, strict=True)))


def _z(x: _Real, y: _Real) -> _Complex:
    return np.asarray(x + 1j * y, dtype=np.complex128)


def _xy(z: _Complex) -> _Real:
    return np.column_stack([z.real, z.imag])


@lru_cache(maxsize=4096)
def _arrays(path: Path) -> tuple[_Complex, _Complex, _Real]:
    """Start points, chords and signed sweeps of the segments."""
    v = np.asarray(path.vertices)
    z = _z(v[:, 0], v[:, 1])
    return z, np.roll(z, -1) - z, 4 * np.arctan(v[:, 2])


def _pick(path: Path, k: Any) -> tuple[_Complex, _Complex, _Real]:
    z0, chord, theta = _arrays(path)
    return z0[k], chord[k], theta[k]


def _at(z0: _Complex, chord: _Complex, theta: _Real, t: ArrayLike) -> _Complex:
    """Points at the fraction t of each segment."""
    t = np.asarray(t)
    ratio = t * np.sinc(t * theta / (2 * np.pi)) / np.sinc(theta / (2 * np.pi))
    return np.asarray(z0 + chord * ratio * np.exp(0.5j * (t - 1) * theta))


def _lengths(path: Path) -> _Real:
    _, chord, theta = _arrays(path)
    lengths: _Real = np.abs(chord) / np.sinc(theta / (2 * np.pi))
    return lengths


def _circles(z0: _Complex, chord: _Complex, theta: _Real) -> tuple[_Complex, _Real]:
    """Centres and radii of arcs (theta != 0)."""
    half = theta / 2
    return z0 + chord / 2 * (1 + 1j / np.tan(half)), np.abs(chord / (2 * np.sin(half)))


def _turns(path: Path) -> _Real:
    """Signed turn of the heading at the start of each segment, > 0 to the left."""
    _, chord, theta = _arrays(path)
    into = np.roll(chord * np.exp(0.5j * theta), 1)
    return np.asarray(np.angle(chord * np.exp(-0.5j * theta) / into), dtype=float)


@lru_cache(maxsize=4096)
def _green(path: Path) -> tuple[float, Point, Moments]:
    """Signed area, centroid and second moments by Green's theorem."""
    z0, chord, theta = _pick(path, (slice(None), None))
    base = complex(z0.mean())  # keeps digits far from the origin
    z = _at(z0 - base, chord, theta, _GAUSS_T)
    dz = chord / np.sinc(theta / (2 * np.pi)) * np.exp(1j * (_GAUSS_T - 0.5) * theta) * _GAUSS_W
    x, y, dx, dy = z.real, z.imag, dz.real, dz.imag
    area = float(np.sum(x * dy - y * dx)) / 2
    if area == 0:
        return 0.0, (base.real, base.imag), Moments(0.0, 0.0, 0.0)
    cx, cy = float(np.sum(x * x * dy)) / (2 * area), -float(np.sum(y * y * dx)) / (2 * area)
    sign = math.copysign(1.0, area)
    xx = -sign * float(np.sum(y**3 * dx)) / 3 - abs(area) * cy * cy
    yy = sign * float(np.sum(x**3 * dy)) / 3 - abs(area) * cx * cx
    xy = sign * float(np.sum(x * x * y * dy)) / 2 - abs(area) * cx * cy
    return area, (base.real + cx, base.imag + cy), Moments(xx, yy, xy)


def _divided(path: Path, counts: _Real) -> _Complex:
    """Points that divide each segment into the given number of equal parts, starts included."""
    n = np.maximum(counts, 1).astype(int)
    k = np.repeat(np.arange(len(n)), n)
    t = (np.arange(len(k)) - np.repeat(np.cumsum(n) - n, n)) / n[k]
    return _at(*_pick(path, k), t)


@lru_cache(maxsize=4096)
def _polygon(path: Path, tolerance: float) -> Any:
    _, chord, theta = _arrays(path)
    with np.errstate(divide="ignore"):
        radius = np.abs(chord) / np.abs(2 * np.sin(theta / 2))
    step = np.minimum(2 * np.arccos(np.maximum(1 - tolerance / radius, -1)), np.pi / 4)
    counts = np.divide(np.abs(theta), step, out=np.ones_like(theta), where=(theta != 0) & (step > 0))
    return shapely.Polygon(_xy(_divided(path, np.ceil(counts))))


def _nearest(z0: _Complex, chord: _Complex, theta: _Real, points: _Complex) -> _Complex:
    """Nearest point of the segments to each of the points."""
    p = points[:, None]
    t = np.clip(((p - z0) * chord.conj()).real / np.abs(chord) ** 2, 0, 1)
    on = z0 + t * chord
    if np.any(bent := theta != 0):
        start, c, sweep = z0[bent], chord[bent], theta[bent]
        centre, _ = _circles(start, c, sweep)
        middle = _at(start, c, sweep, 0.5) - centre
        angle = np.angle((p - centre) / middle)
        inside = np.abs(angle) <= np.abs(sweep) / 2
        end = np.where(np.abs(p - start) < np.abs(p - start - c), start, start + c)
        on[:, bent] = np.where(inside, centre + middle * np.exp(1j * angle), end)
    return np.asarray(on[np.arange(len(points)), np.argmin(np.abs(on - p), axis=1)])


def _gap(a: Path, b: Path) -> float:
    """Distance between two curves: found on polygons, then exact by projecting to and fro."""
    line = shapely.shortest_line(a.polygon(FINE).exterior, b.polygon(FINE).exterior)
    p = np.array([complex(*line.coords[0])])
    gap = math.inf
    for _ in range(100):
        q = _nearest(*_arrays(b), p)
        p = _nearest(*_arrays(a), q)
        last, gap = gap, float(np.abs(p - q)[0])
        if last - gap < 1e-10:
            break
    return gap


def _inscribed(area: Any) -> float:
    """Radius of the largest circle within a shapely area."""
    parts = [g for g in getattr(area, "geoms", [area]) if g.area > 0]
    return max(float(shapely.maximum_inscribed_circle(g, tolerance=FINE).length) for g in parts)


def _exact_offset(path: Path, distance: float) -> Path | None:
    """Offset of a counter-clockwise path segment by segment, or None where segments would need trimming."""
    z0, chord, theta = _arrays(path)
    ahead = chord / np.abs(chord)
    half = np.exp(0.5j * theta)
    start, end = z0 - 1j * distance * ahead / half, z0 + chord - 1j * distance * ahead * half
    with np.errstate(divide="ignore"):
        radius = np.abs(chord) / np.abs(2 * np.sin(theta / 2)) + distance * np.sign(theta)
    turn = _turns(path)
    corner = np.abs(turn) > 1e-6
    if np.any(radius < SHORTEST) or np.any(turn[corner] * distance < 0):
        return None
    out: list[tuple[complex, float]] = []
    for k in range(len(z0)):
        if corner[k]:
            out.append((end[k - 1], math.tan(turn[k] / 4)))
        out.append((start[k], path.vertices[k][2]))
    try:
        return _path([p for p, _ in out], [b for _, b in out])
    except DesignError:
        return None


def _biarc(z: _Complex, tangent: _Complex) -> tuple[complex, float, float]:
    """Two tangent arcs from z[0] to z[-1] with the given end headings: where they join, and their bulges.

    Where the curve bends one way the join's heading is the chord's, so both arcs bend that way too (the join is the
    incentre of chord and tangents); otherwise it is midway between the tips of equal tangents at both ends.
    """
    chord, t0, t1 = complex(z[-1] - z[0]), complex(tangent[0]), complex(tangent[-1])
    alpha, beta = cmath.phase(chord / t0), cmath.phase(t1 / chord)
    if alpha * beta > 1e-3 * max(alpha, beta, key=abs) ** 2:  # next to an inflection an arc of no length would be left
        reach = math.sin(beta / 2) / math.sin((alpha + beta) / 2)
        join = complex(z[0]) + chord * reach * cmath.exp(-0.5j * alpha)
        return join, math.tan(alpha / 4), math.tan(beta / 4)
    along = (chord * (t0 + t1).conjugate()).real
    root = math.sqrt(along**2 + 2 * abs(chord) ** 2 * max(0.0, 1 - (t0 * t1.conjugate()).real))
    join = complex(z[0] + z[-1]) / 2 + abs(chord) ** 2 / (along + root) * (t0 - t1) / 2
    # An arc's chord is half its sweep off either tangent.
    first, second = cmath.phase((join - complex(z[0])) / t0), cmath.phase(t1 / (complex(z[-1]) - join))
    return join, math.tan(first / 2), math.tan(second / 2)


def _biarcs(
    curve: Callable[[_Real], tuple[_Complex, _Complex]], breaks: ArrayLike, tolerance: float
) -> tuple[_Complex, _Real]:
    """Fit tangent arcs to a smooth curve: nodes (n + 1) and bulges (n).

    `curve` gives points and unit tangents. An interval is halved until 33 of its points lie within 0.9 of the
    tolerance of its two arcs; an interval turning less than a quarter keeps both ways of measuring equal.
    """
    edges = [float(s) for s in np.asarray(breaks)]
    todo = list(pairwise(edges))[::-1]
    nodes: list[complex] = []
    bulges: list[float] = []
    end = 0j
    while todo:
        s0, s1 = todo.pop()
        z, tangent = curve(np.linspace(s0, s1, 33))
        if np.abs(np.angle(tangent[1:] / tangent[:-1])).sum() < 1.6:
            join, *pair = _biarc(z, tangent)
            pair = [0.0 if abs(b) < 1e-7 else b for b in pair]
            start = np.array([z[0], join])
            arcs = start, np.array([join, z[-1]]) - start, 4 * np.arctan(pair)
            if np.max(np.abs(_nearest(*arcs, z) - z)) <= 0.9 * tolerance:
                nodes += [complex(z[0]), join]
                bulges += pair
                end = complex(z[-1])
                continue
        if abs(z[-1] - z[0]) < 2000 * SHORTEST:
            raise DesignError("the curve turns too sharply to be made of arcs; spread its points", key="points")
        todo += [((s0 + s1) / 2, s1), (s0, (s0 + s1) / 2)]
    return np.array([*nodes, end]), np.array(bulges)
