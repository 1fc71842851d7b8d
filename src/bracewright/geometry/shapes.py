"""The shapes that are cut: circles, rectangles, slots, polygons, ellipses, superellipses and splines."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.interpolate import CubicSpline

from bracewright.errors import DesignError
from bracewright.geometry.biarcs import biarcs
from bracewright.geometry.path import SHORTEST, Path, Point, path_through
from bracewright.geometry.pieces import Complex, Real, complex_of, xy_of


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
    sharp = path_through(np.array([complex(*p) for p in points]), np.zeros(len(points)))
    if corner_radius < 0:
        raise DesignError(f"a corner radius cannot be negative, got {corner_radius:g}", key="corner_radius")
    pieces = sharp.pieces()
    z, chord, turn = pieces.start, pieces.chord, pieces.turns
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
    return path_through([p for p, _ in kept], [b for _, b in kept])


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

    def quadrant(s: Real) -> tuple[Complex, Complex]:
        # Polar angle in the unit square: close to even along the flat sides, whatever the exponent.
        u, v = np.sin(np.pi / 2 - s), np.sin(s)  # exactly 0 where the curve meets its axes
        r = np.hypot(u, v) if exponent == 2 else (u**exponent + v**exponent) ** (-1 / exponent)
        u, v = u * r, v * r
        along_x, along_y = -(v ** (exponent - 1)) / b, u ** (exponent - 1) / a
        return complex_of(a * u, b * v), complex_of(along_x, along_y) / np.hypot(along_x, along_y)

    z, bulge = biarcs(quadrant, [0.0, np.pi / 4, np.pi / 2], tolerance)
    back = z[::-1].conj()
    around = np.concatenate([z[:-1], -back[:-1], -z[:-1], back[:-1]]) + complex(*centre)
    return path_through(around, np.concatenate([bulge, bulge[::-1]] * 2))


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
    cubic = CubicSpline(knots, xy_of(z), bc_type="periodic")

    def curve(s: Real) -> tuple[Complex, Complex]:
        p, dp = cubic(s), cubic(s, 1)
        speed = np.hypot(dp[:, 0], dp[:, 1])
        if np.any(speed < 1e-9 * knots[-1]):
            raise DesignError("the spline has a cusp; spread its points", key="points")
        return complex_of(p[:, 0], p[:, 1]), complex_of(dp[:, 0], dp[:, 1]) / speed

    nodes, bulge = biarcs(curve, knots, tolerance)
    return path_through(nodes[:-1], bulge)


def _positive(**values: float) -> None:
    for key, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise DesignError(f"must be a positive length in mm, got {value}", key=key)
