"""How paths lie to each other: distances, and curves at a distance."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from bracewright.errors import DesignError
from bracewright.geometry.path import FINE, SHORTEST, Path, path_through
from bracewright.geometry.shapes import polygon


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


def _gap(a: Path, b: Path) -> float:
    """Distance between two curves: found on polygons, then exact by projecting to and fro."""
    line = shapely.shortest_line(a.polygon(FINE).exterior, b.polygon(FINE).exterior)
    p = np.array([complex(*line.coords[0])])
    gap = math.inf
    here, there = a.pieces(), b.pieces()
    for _ in range(100):
        q = there.nearest(p)
        p = here.nearest(q)
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
    z0, chord, theta = pieces = path.pieces()
    ahead = chord / np.abs(chord)
    half = np.exp(0.5j * theta)
    start, end = z0 - 1j * distance * ahead / half, z0 + chord - 1j * distance * ahead * half
    radius = pieces.radii + distance * np.sign(theta)
    turn = pieces.turns
    corner = np.abs(turn) > 1e-6
    if np.any(radius < SHORTEST) or np.any(turn[corner] * distance < 0):
        return None
    out: list[tuple[complex, float]] = []
    for k in range(len(z0)):
        if corner[k]:
            out.append((end[k - 1], math.tan(turn[k] / 4)))
        out.append((start[k], path.vertices[k][2]))
    try:
        return path_through([p for p, _ in out], [b for _, b in out])
    except DesignError:
        return None
