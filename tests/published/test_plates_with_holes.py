"""Thin square plates with a free-edged hole in the middle, nu = 0.3, lambda = omega a^2 sqrt(rho h / D).

All values computed independently (Legendre-Ritz with the hole's energy removed: upper bounds). They stand in for
P. Paramasivam, J. Sound Vib. 30 (1973) 173-178, G. Aksu, R. Ali, J. Sound Vib. 44 (1976) 147-158 and M. K. Kwak,
S. Han, J. Sound Vib. 300 (2007) 122-135, who treat the same plates.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plates import held, isotropic, omega, parameter, plate, rectangle

from bracewright import geometry

SIDE = 1000.0
MIDDLE = (SIDE / 2, SIDE / 2)

# hole's side / a: lambda 1, 2 = 3, 4 with 28 x 28 terms (20 x 20 at 0.6). The corners make the series converge slowly:
# only lambda 1 is good to 0.5 %.
SQUARE_HOLES = {
    0.2: {"SSSS": (19.22, 48.15, 76.56), "CCCC": (36.82, 70.79, 104.4)},
    0.3: {"SSSS": (19.52, 44.91, 74.02), "CCCC": (40.83, 66.45, 100.9)},
    0.4: {"SSSS": (20.82, 41.75, 71.71), "CCCC": (49.38, 66.81, 99.9)},
    0.5: {"SSSS": (23.52, 40.77, 71.56), "CCCC": (65.42, 76.85, 105.3)},
    0.6: {"SSSS": (28.49, 43.50, 72.30), "CCCC": (96.40, 104.0, 121.9)},
}
# lambda 2 = 3 and 4 of the same series, from 24, 28 and 32 terms carried to infinity by a power law.
SQUARE_HOLES_LIMIT = {
    0.2: {"SSSS": (47.90, 76.46), "CCCC": (70.20, 104.15)},
    0.3: {"SSSS": (44.49, 73.85), "CCCC": (65.67, 100.54)},
    0.4: {"SSSS": (41.27, 71.48), "CCCC": (66.10, 99.55)},
    0.5: {"SSSS": (40.30, 71.32), "CCCC": (76.28, 102.40)},
    0.6: {"SSSS": (42.70, 69.04), "CCCC": (103.40, 119.21)},
}
# diameter / a; converged from 0.4 on.
CIRCLES = {
    0.4: {"SSSS": (20.436, 43.94, 73.24), "CCCC": (45.464, 67.29, 99.53)},
    0.5: {"SSSS": (22.447, 42.66, 70.78), "CCCC": (56.432, 72.08, 98.16)},
    0.6: {"SSSS": (26.031, 43.64, 69.45), "CCCC": (75.361, 85.83, 102.74)},
}
FREE_CIRCLES = {
    0.4: (12.053, 17.034, 22.140, 33.384),
    0.5: (11.350, 15.872, 22.303, 32.114),
    0.6: (10.558, 14.640, 22.787, 30.588),
}
# Here more terms still bring values down, by up to 0.8 %.
SMALL_CIRCLES = {
    0.2: {"SSSS": (19.29, 48.59, 77.22), "CCCC": (36.47, 71.64, 105.5)},
    0.3: {"SSSS": (19.48, 46.38, 75.49), "CCCC": (39.35, 68.29, 102.7)},
}
FREE_SMALL_CIRCLES = {0.2: (13.09, 18.89, 23.2, 34.73), 0.3: (12.65, 18.06, 22.40, 34.29)}


@cache
def solved(kind, ratio, edges):
    """First four values; each mesh serves every support."""
    size = ratio * SIDE
    hole = geometry.circle(MIDDLE, size) if kind == "circle" else geometry.rectangle(MIDDLE, (size, size))
    p = pierced(hole)
    return parameter(p, omega(p, held(p, edges), 4, skip=3 if edges == "FFFF" else 0))


@cache
def pierced(hole):
    return plate(rectangle(SIDE, SIDE), isotropic(5), 30, [hole] if hole else [])


def with_pair(values):
    first, pair, fourth = values
    return np.array([first, pair, pair, fourth])


@pytest.mark.parametrize("edges", ["SSSS", "CCCC"])
@pytest.mark.parametrize("ratio", SQUARE_HOLES)
def test_square_hole(ratio, edges):
    got, bound = solved("square", ratio, edges), with_pair(SQUARE_HOLES[ratio][edges])
    assert_allclose(got[0], bound[0], rtol=0.01)
    assert (got < 1.005 * bound).all()
    assert_allclose(got[[1, 3]], SQUARE_HOLES_LIMIT[ratio][edges], rtol=0.01)
    assert_allclose(got[1], got[2], rtol=1e-3)


@pytest.mark.parametrize("edges", ["SSSS", "CCCC"])
@pytest.mark.parametrize("ratio", CIRCLES)
def test_circular_hole(ratio, edges):
    assert_allclose(solved("circle", ratio, edges), with_pair(CIRCLES[ratio][edges]), rtol=0.005)


@pytest.mark.parametrize("edges", ["SSSS", "CCCC"])
@pytest.mark.parametrize("ratio", SMALL_CIRCLES)
def test_small_circular_hole(ratio, edges):
    assert_allclose(solved("circle", ratio, edges), with_pair(SMALL_CIRCLES[ratio][edges]), rtol=0.01)


@pytest.mark.parametrize("ratio", FREE_CIRCLES)
def test_free_plate_with_circular_hole(ratio):
    assert_allclose(solved("circle", ratio, "FFFF"), FREE_CIRCLES[ratio], rtol=0.005)


@pytest.mark.parametrize("ratio", FREE_SMALL_CIRCLES)
def test_free_plate_with_small_circular_hole(ratio):
    assert_allclose(solved("circle", ratio, "FFFF"), FREE_SMALL_CIRCLES[ratio], rtol=0.01)


def solid(edges):
    return parameter(pierced(None), omega(pierced(None), held(pierced(None), edges), 2))


@pytest.mark.slow
def test_a_small_hole_lowers_then_raises():
    """SSSS: lambda 1 has its minimum near d = 0.2 a."""
    first = [solid("SSSS")[0], *(solved("circle", d, "SSSS")[0] for d in (0.1, 0.2, 0.3, 0.4, 0.5, 0.6))]
    assert np.argmin(first) == 2
    assert (np.diff(first[:3]) < 0).all()
    assert (np.diff(first[2:]) > 0).all()


@pytest.mark.parametrize("edges", ["SSSS", "CCCC"])
def test_the_second_mode_falls_and_then_rises(edges):
    second = [solid(edges)[1], *(solved("circle", d, edges)[1] for d in (0.2, 0.3, 0.4))]
    assert (np.diff(second) < 0).all()
    assert solved("circle", 0.6, edges)[1] > solved("circle", 0.5, edges)[1]


def test_a_clamped_plate_hardly_feels_a_hole_of_a_tenth():
    """CCCC: lambda 1 stays within half a per cent up to d = 0.1 a, then rises steeply."""
    first = [solved("circle", d, "CCCC")[0] for d in (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)]
    assert_allclose(first[0], solid("CCCC")[0], rtol=0.005)
    assert (np.diff(first) > 0).all()
    assert first[-1] > 2 * first[0]
