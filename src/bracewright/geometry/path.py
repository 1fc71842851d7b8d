"""The record of a curve and what can be asked of it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import shapely

from bracewright.errors import DesignError
from bracewright.geometry.pieces import Complex, Pieces, Real, complex_of, xy_of

Point = tuple[float, float]
Vertex = tuple[float, float, float]

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
        if np.any(short := np.abs(self.pieces().chord) < SHORTEST):
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
        return float(self.pieces().lengths.sum())

    @property
    def centroid(self) -> Point:
        """Centroid of the enclosed area."""
        return _green(self)[1]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Smallest and largest coordinates (xmin, ymin, xmax, ymax), arcs included."""
        z0, chord, theta = pieces = self.pieces()
        heading = np.angle(chord) - theta / 2  # of the tangent, at the start
        # An arc is extreme in x or y where its tangent passes a quarter turn; at most five of them in a sweep < 2 pi.
        first = np.where(theta > 0, np.ceil(heading / (np.pi / 2)), np.floor(heading / (np.pi / 2)))
        turns = (first + np.sign(theta) * np.arange(5)[:, None]) * (np.pi / 2)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (turns - heading) / theta
        i, j = np.nonzero((t > 0) & (t < 1))
        z = np.concatenate([z0, pieces.pick(j).at(t[i, j])])
        return float(z.real.min()), float(z.imag.min()), float(z.real.max()), float(z.imag.max())

    def pieces(self) -> Pieces:
        """Return the segments as arrays, for arithmetic."""
        return _pieces(self)

    def segments(self) -> list[Segment]:
        """Return the segments in order, the closing one last."""
        v = self.vertices
        return [Segment(a[:2], b[:2], a[2]) for a, b in zip(v, v[1:] + v[:1], strict=True)]

    def arcs(self) -> list[Arc]:
        """Return the arcs in order, straight lines left out."""
        pieces = self.pieces()
        bent = pieces.pick(pieces.sweep != 0)
        centre = bent.centres
        start, sweep = np.degrees(np.angle(bent.start - centre)), np.degrees(bent.sweep)
        rows = zip(centre, bent.radii, start, sweep, strict=True)
        return [Arc((float(c.real), float(c.imag)), float(r), float(a), float(s)) for c, r, a, s in rows]

    def smallest_inside_radius(self) -> float:
        """Return the radius of the tightest corner seen from inside; 0 with a sharp one.

        A round tool cutting the path out from inside must not be larger. Narrow necks are not looked for
        (`offset` finds them). On a curve made of fitted arcs this is a radius of those arcs.
        """
        path = self.oriented()
        if np.any(path.pieces().turns > CORNER):
            return 0.0
        return min(arc.radius for arc in path.arcs() if arc.sweep_deg > 0)

    def polygon(self, tolerance: float = 0.01) -> Any:
        """Return a shapely Polygon with its corners on the path and no chord farther off than `tolerance` mm."""
        return _polygon(self, float(tolerance))

    def points(self, max_step: float) -> Real:
        """Return points along the path, shape (n, 2): every vertex, and no step longer than `max_step` mm."""
        if not max_step > 0:
            raise DesignError(f"a step must be positive, got {max_step}", key="max_step")
        return xy_of(_divided(self, np.ceil(self.pieces().lengths / max_step - 1e-9)))

    def sample(self, n: int) -> Real:
        """Return `n` points evenly spaced along the path, shape (n, 2), the first vertex first."""
        pieces = self.pieces()
        lengths = pieces.lengths
        ends = np.cumsum(lengths)
        s = np.arange(n) * (ends[-1] / n)
        k = np.minimum(np.searchsorted(ends, s, side="right"), len(ends) - 1)
        return xy_of(pieces.pick(k).at((s - ends[k] + lengths[k]) / lengths[k]))

    def nearest(self, point: Point) -> Point:
        """Return the point of the path nearest to `point`."""
        x, y = self.nearest_points(np.array([point]))[0]
        return float(x), float(y)

    def nearest_points(self, points: Real) -> Real:
        """Return the points of the path nearest to each of `points`, shape (n, 2)."""
        return xy_of(self.pieces().nearest(complex_of(points[:, 0], points[:, 1])))

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

    def mirrored_x(self, at: float = 0.0) -> Path:
        """Return the mirror image in the line x = `at`, running the same way round as before."""
        return Path(vertices=tuple((2 * at - x, y, -b) for x, y, b in self.vertices)).reversed()

    def _mapped(self, times: complex, plus: complex) -> Path:
        return path_through(self.pieces().start * times + plus, [v[2] for v in self.vertices])


def path_through(z: Iterable[complex], bulge: Iterable[float]) -> Path:
    """Return the path of vertices x + iy and their bulges."""
    return Path(vertices=tuple((p.real, p.imag, float(b)) for p, b in zip(z, bulge, strict=True)))


@lru_cache(maxsize=512)
def _pieces(path: Path) -> Pieces:
    # Here and below a function, as a record with slots has no place to keep a result.
    v = np.asarray(path.vertices)
    z = complex_of(v[:, 0], v[:, 1])
    pieces = Pieces(z, np.roll(z, -1) - z, 4 * np.arctan(v[:, 2]))
    for array in pieces:
        array.setflags(write=False)  # shared by whoever asks
    return pieces


@lru_cache(maxsize=512)
def _green(path: Path) -> tuple[float, Point]:
    """Signed area and centroid by Green's theorem."""
    z0, chord, theta = path.pieces().pick(np.s_[:, None])
    base = complex(z0.mean())  # keeps digits far from the origin
    z = Pieces(z0 - base, chord, theta).at(_GAUSS_T)
    dz = chord / np.sinc(theta / (2 * np.pi)) * np.exp(1j * (_GAUSS_T - 0.5) * theta) * _GAUSS_W
    x, y, dx, dy = z.real, z.imag, dz.real, dz.imag
    area = float(np.sum(x * dy - y * dx)) / 2
    if area == 0:
        return 0.0, (base.real, base.imag)
    cx, cy = float(np.sum(x * x * dy)) / (2 * area), -float(np.sum(y * y * dx)) / (2 * area)
    return area, (base.real + cx, base.imag + cy)


def _divided(path: Path, counts: Real) -> Complex:
    """Points that divide each segment into the given number of equal parts, starts included."""
    n = np.maximum(counts, 1).astype(int)
    k = np.repeat(np.arange(len(n)), n)
    t = (np.arange(len(k)) - np.repeat(np.cumsum(n) - n, n)) / n[k]
    return path.pieces().pick(k).at(t)


@lru_cache(maxsize=512)
def _polygon(path: Path, tolerance: float) -> Any:
    pieces = path.pieces()
    theta = pieces.sweep
    step = np.minimum(2 * np.arccos(np.maximum(1 - tolerance / pieces.radii, -1)), np.pi / 4)
    counts = np.divide(np.abs(theta), step, out=np.ones_like(theta), where=(theta != 0) & (step > 0))
    return shapely.Polygon(xy_of(_divided(path, np.ceil(counts))))
