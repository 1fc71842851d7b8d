"""Smooth curves as tangent arcs within a tolerance."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Iterable
from itertools import pairwise

import numpy as np

from bracewright.errors import DesignError
from bracewright.geometry.pieces import Complex, Pieces, Real

SAMPLES = 33  # of the curve, held against each pair of arcs
NEAR = 0.9  # part of the tolerance that the samples must keep, as they may miss the worst point
SHARPEST = 2e-3  # mm; a curve that needs shorter arcs has a cusp


def biarcs(
    curve: Callable[[Real], tuple[Complex, Complex]], breaks: Iterable[float], tolerance: float
) -> tuple[Complex, Real]:
    """Fit tangent arcs to a smooth curve: nodes (n + 1) and bulges (n).

    `curve` gives points and unit tangents. An interval is halved until its samples lie near enough to its two arcs;
    an interval turning less than a quarter keeps both ways of measuring equal.

    Raises
    ------
    DesignError
        The curve has a cusp.
    """
    todo = list(pairwise(float(s) for s in breaks))[::-1]
    nodes: list[complex] = []
    bulges: list[float] = []
    end = 0j
    while todo:
        s0, s1 = todo.pop()
        z, tangent = curve(np.linspace(s0, s1, SAMPLES))
        if np.abs(np.angle(tangent[1:] / tangent[:-1])).sum() < 1.6:
            join, *pair = _biarc(z, tangent)
            pair = [0.0 if abs(b) < 1e-7 else b for b in pair]
            start = np.array([z[0], join])
            arcs = Pieces(start, np.array([join, z[-1]]) - start, 4 * np.arctan(pair))
            if np.max(np.abs(arcs.nearest(z) - z)) <= NEAR * tolerance:
                nodes += [complex(z[0]), join]
                bulges += pair
                end = complex(z[-1])
                continue
        if abs(z[-1] - z[0]) < SHARPEST:
            raise DesignError("the curve turns too sharply to be made of arcs; spread its points", key="points")
        todo += [((s0 + s1) / 2, s1), (s0, (s0 + s1) / 2)]
    return np.array([*nodes, end]), np.array(bulges)


def _biarc(z: Complex, tangent: Complex) -> tuple[complex, float, float]:
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
