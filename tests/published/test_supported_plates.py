"""Thin plates on lines, points and elastic edges, with a rib, and of boards with a grain.

Lines and points are stiff springs on the plate's trace, so these check what ties parts that share no nodes.
lambda = omega a^2 sqrt(rho h / D), nu = 0.3. Values computed independently (Legendre-Ritz) unless said; where no
tolerance goes with a value it is 0.5 %.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plates import (
    RIGID,
    W,
    grid,
    held,
    isotropic,
    measure,
    of_mesh,
    omega,
    on_line,
    parameter,
    plate,
    rectangle,
    springs,
)
from scipy.optimize import brentq
from scipy.sparse import csr_array, vstack

from bracewright.boards import Board, Layer, laminate
from bracewright.fem.factor import factor
from bracewright.fem.joints import energy
from bracewright.tune.margins import Problem
from bracewright.tune.optimiser import maximise

SIDE = 1000.0
SIZE = 33.0


@pytest.fixture(scope="module")
def square():
    return plate(rectangle(SIDE, SIDE), isotropic(5), SIZE)


@pytest.fixture(scope="module")
def fine_square():
    return plate(rectangle(SIDE, SIDE), isotropic(5), 28)


def line_support(p, start, end):
    trace, weight = on_line(p, start, end, SIZE)
    return springs(p, trace, weight * RIGID * p.board.D[0, 0], measure(w=1))


def point_supports(p, *points):
    trace = p.mesh.trace(np.array(points) / 1000)
    return springs(p, trace, np.full(len(points), RIGID * p.board.D[0, 0]), measure(w=1))


def solved(p, edges, count, **extra):
    return parameter(p, omega(p, held(p, edges), count, **extra))


# Line supports


def test_line_support_at_mid_span(square):
    """SSSS: first the half plates' common mode (2, 1), exactly; then those clamped along the line."""
    got = solved(square, "SSSS", 6, K=line_support(square, (500, 0), (500, 1000)))
    assert_allclose(got, (49.348, 69.423, 78.957, 94.737, 128.305, 140.438), rtol=0.005)


def test_line_support_of_a_clamped_plate(square):
    got = solved(square, "CCCC", 4, K=line_support(square, (500, 0), (500, 1000)))
    assert_allclose(got, (73.394, 98.443, 108.217, 127.489), rtol=0.005)


def test_line_support_is_best_at_mid_span(square):
    at = (300, SIDE / 3, 400, 500)
    got = [solved(square, "SSSS", 1, K=line_support(square, (x, 0), (x, 1000)))[0] for x in at]
    assert_allclose(got, (34.905, 37.156, 42.502, 49.348), rtol=0.005)
    assert (np.diff(got) > 0).all()


def test_line_support_across_an_oblong():
    """a = 1, b = 1.5, SSSS, the line along x."""
    p = plate(rectangle(SIDE, 1500), isotropic(5), 40)
    got = [solved(p, "SSSS", 1, K=line_support(p, (0, y), (1000, y)))[0] for y in (600, 675, 750)]
    assert_allclose(got, (24.078, 26.171, 27.416), rtol=0.005)


def best(score, start, low, high):
    """Where the search puts one movable support, its score and how many designs it asked for."""
    asked = []

    def counted(x):
        asked.append(x)
        return score(float(x[0]))

    problem = Problem(
        score=counted,
        margins=lambda x: np.zeros(0),
        start=np.array([start]),
        low=np.array([low]),
        high=np.array([high]),
    )
    x, top = maximise(problem, evaluations=60, seed=1)
    return float(x[0]), top, len(asked)


def test_the_search_finds_the_best_line_support():
    """At mid-span, where it meets the bound that the second mode of the free span sets (maximum-minimum principle)."""
    p = plate(rectangle(SIDE, SIDE), isotropic(5), 60)

    def score(x):
        return float(np.log(solved(p, "SSSS", 1, K=line_support(p, (x, 0), (x, SIDE)))[0]))

    x, top, asked = best(score, 300.0, 100.0, 900.0)
    assert_allclose(x, SIDE / 2, atol=5)
    assert_allclose(np.exp(top), 49.348, rtol=0.01)
    assert asked <= 60


# Point supports


def test_free_plate_on_its_corners(square):
    """7.111, 15.77, 15.77, 19.60, 38.43, 44.37, 50.38 in D. J. Gorman and C. S. Kim, S. M. Dickinson (from memory)."""
    K = point_supports(square, *product((0, SIDE), repeat=2))
    wanted = (7.1109, 15.7702, 15.7702, 19.5961, 38.4315, 44.3696, 50.3766, 50.3766)
    assert_allclose(solved(square, "FFFF", 8, K=K), wanted, rtol=0.005)


def test_centre_point_of_a_simply_supported_plate(fine_square):
    """The third value is the root of a sum over the unsupported plate's modes; the others vanish at the centre."""
    got = solved(fine_square, "SSSS", 5, K=point_supports(fine_square, (500, 500)))
    odd = np.arange(1, 2001, 2)
    modes = np.pi**4 * (odd[:, None] ** 2 + odd**2) ** 2
    exact = brentq(lambda x: (1 / (modes - x**2)).sum(), 30, 90)
    assert_allclose(exact, 52.6, atol=0.1, rtol=0)
    assert_allclose(got, (49.348, 49.348, exact, 78.957, 98.696), rtol=0.005)
    assert_allclose(got[2], 52.6, atol=0.1, rtol=0)


def test_centre_point_of_a_clamped_plate(fine_square):
    """The third value is about 79, below 79.40."""
    got = solved(fine_square, "CCCC", 4, K=point_supports(fine_square, (500, 500)))
    assert_allclose(got[[0, 1, 3]], (73.394, 73.394, 108.217), rtol=0.005)
    assert 78.5 < got[2] < 79.40


def test_four_points_under_a_free_plate_have_a_plateau(square):
    """Points on the diagonals reach the cap 19.596, the free plate's saddle mode, anywhere from 0.175 a to 0.275 a."""
    first, second = [], []
    at = (125, 175, 225, 275, 325)
    for d in at:
        got = solved(square, "FFFF", 2, K=point_supports(square, *product((d, SIDE - d), repeat=2)))
        first.append(got[0])
        second.append(got[1])
    assert_allclose(first[1:4], 19.596, rtol=0.005)
    assert max(first[0], first[-1]) < 0.99 * 19.596
    assert np.argmax(second) == 2
    assert_allclose(second[2], 24.27, rtol=0.005)


def test_the_search_stops_on_the_plateau_of_four_points():
    """Anywhere from 0.175 a to 0.275 a the score is the same: the search gets there and ends within its budget."""
    p = plate(rectangle(SIDE, SIDE), isotropic(5), 60)

    def score(d):
        return float(np.log(solved(p, "FFFF", 1, K=point_supports(p, *product((d, SIDE - d), repeat=2)))[0]))

    d, top, asked = best(score, 80.0, 40.0, 460.0)
    assert 165 < d < 285
    assert_allclose(np.exp(top), 19.596, rtol=0.01)
    assert asked < 60


# Edges of elastic restraint against turning

ELASTIC = {
    0: (19.7392, 49.3480, 78.9568),
    1: (21.502, 51.191, 80.828),
    10: (28.502, 60.216, 90.814),
    20: (31.081, 64.306, 95.822),
    100: (34.671, 70.781, 104.454),
    1000: (35.843, 73.104, 107.790),
    1e6: (35.9852, 73.3938, 108.2165),
}


@pytest.mark.parametrize("K", ELASTIC)
def test_elastic_edges(square, K):
    """Moment k times turning on all four edges, K = k a / D: lambda 1, 2 and 4 between simply supported and clamped.

    28.50 at K = 10 and 34.67 at K = 100 also in P. A. A. Laura, E. Romanelli and in A. W. Leissa (from memory).
    """
    added = square.K * 0
    corners = ((0, 0), (SIDE, 0), (SIDE, SIDE), (0, SIDE))
    for n, turning in enumerate((measure(by=1), measure(bx=1)) * 2):
        trace, weight = on_line(square, corners[n], corners[(n + 1) % 4], SIZE)
        added = added + springs(square, trace, weight * K * square.board.D[0, 0], turning)
    got = solved(square, "SSSS", 4, K=added)
    assert_allclose(got[[0, 1, 3]], ELASTIC[K], rtol=0.005)


# Boards with a grain: D1 = 10, D2 = 1, D12 = 0.25, D66 = 0.5

GRAINED = Board(
    layers=(
        Layer(
            thickness=5,
            E1_GPa=10,
            E2_GPa=1,
            poisson12=0.25,
            G12_GPa=0.5 / (1 - 0.25 * 0.025),
            G13_GPa=2,
            G23_GPa=0.5,
            density_kg_m3=500,
        ),
    )
)


@pytest.fixture(scope="module")
def grained():
    return plate(rectangle(SIDE, SIDE), laminate(GRAINED), SIZE)


def test_board_has_the_wanted_ratios():
    D = laminate(GRAINED).D
    assert_allclose(D / D[1, 1], [[10, 0.25, 0], [0.25, 1, 0], [0, 0, 0.5]], rtol=1e-12, atol=1e-12)


def test_orthotropic_closed_form(grained):
    """SSSS: omega = pi^2 / sqrt(rho h) sqrt(D1 (m/a)^4 + 2 (D12 + 2 D66) (m n / a b)^2 + D2 (n/b)^4)."""
    waves = product(range(1, 7), repeat=2)
    wanted = sorted(np.pi**2 * np.sqrt(10 * m**4 + 2 * 1.25 * (m * n) ** 2 + n**4) for m, n in waves)[:6]
    assert_allclose(solved(grained, "SSSS", 6), wanted, rtol=0.005)


ORTHOTROPIC = {
    "CCCC": (76.663, 101.025, 150.392, 199.717, 216.850, 223.845),
    "FFFF": (16.261, 22.308, 39.965, 61.451, 70.688, 77.935),
    "CFFF": (11.112, 14.962, 31.641, 68.226, 69.635),
}


@pytest.mark.parametrize("edges", ORTHOTROPIC)
def test_orthotropic(grained, edges):
    got = solved(grained, edges, len(ORTHOTROPIC[edges]), skip=3 if edges == "FFFF" else 0)
    assert_allclose(got, ORTHOTROPIC[edges], rtol=0.005)


@pytest.mark.parametrize("grain", [90, -90])
def test_turned_grain(grained, grain):
    """Clamped along y instead of x with the grain turned too: the same plate."""
    a = plate(rectangle(SIDE, 800), laminate(GRAINED), 60)
    b = plate(rectangle(800, SIDE), laminate(GRAINED, grain), 60)
    got = omega(b, held(b, "FFCF"), 5)
    assert_allclose(got, omega(a, held(a, "CFFF"), 5), rtol=0.003)


# A rib on the mid-line


def rib(p, at, EI, mass):
    """Matrices of a concentric beam along y = `at` m, free to twist: the plate's deflection and the beam's own turning.

    Shear is made negligible and integrated at two points a side, which keeps a three-node beam free of locking.
    """
    on = np.flatnonzero(np.abs(p.mesh.points[:, 1] - at) < 1e-9)
    on = on[np.argsort(p.mesh.points[on, 0])]
    side = p.mesh.points[on[2], 0] - p.mesh.points[on[0], 0]
    first, count = p.K.shape[0], len(on)
    measures, weight = [], []
    for k in range(0, count - 2, 2):
        for s in (-np.sqrt(1 / 3), np.sqrt(1 / 3)):
            shape = np.array([s * (s - 1) / 2, 1 - s**2, s * (s + 1) / 2])
            slope = np.array([s - 0.5, -2 * s, s + 0.5]) * 2 / side
            w, turn = 5 * on[k : k + 3] + W, first + k + np.arange(3)
            row = np.zeros((3, first + count))
            row[0, turn], row[1, w], row[1, turn], row[2, w] = slope, slope, shape, shape
            measures.append(csr_array(row))
            weight.append(side / 2)
    e = vstack(measures)
    return (energy(e, np.array(weight), np.diag(d)) for d in ((EI, 1e5 * EI, 0), (0, 0, mass)))


@pytest.fixture(scope="module")
def regular():
    """A mesh with sides along the mid-line."""
    return of_mesh(grid(SIDE, SIDE, 30, 30), isotropic(5))


def with_rib(p, EI, mass, count=4):
    """SSSS; EI in units of D a, mass per length in units of rho h a."""
    K, M = rib(p, 0.5, EI * p.board.D[0, 0], mass * p.board.mass)
    return solved(p, "SSSS", count, K=K, M=M)


RIBS = {
    (5, 0.1): (32.820, 49.348, 78.957, 86.202),
    (10, 0.1): (41.156, 49.348, 78.957, 90.540),
    (10, 0.2): (38.934, 49.348, 78.957, 90.299),
}


@pytest.mark.parametrize(("EI", "mass"), RIBS)
def test_rib(regular, EI, mass):
    got = with_rib(regular, EI, mass)
    assert_allclose(got, RIBS[EI, mass], rtol=0.005)
    one_term = np.sqrt((4 + 2 * EI) * np.pi**4 / (1 + 2 * mass))  # of a sine series: an upper bound
    assert got[0] < 1.0005 * one_term


def test_a_stiffer_rib_gains_nothing_past_its_nodal_line(regular):
    """The second mode's nodal line is the rib, so lambda 1 is capped at 49.348 however stiff it is."""
    got = np.array([with_rib(regular, EI, 0.1, count=2) for EI in (5, 10, 20, 1000)])
    assert (np.diff(got[:3, 0]) > 0).all()
    assert_allclose(got[:, 1].min(), 49.348, rtol=0.003)
    assert_allclose(got[2:, 0], 49.348, rtol=0.003)


# Statics


@pytest.mark.parametrize(("edges", "wanted"), [("CCCC", 0.00126), ("SSSS", 0.00406)])
def test_deflection_under_even_pressure(square, edges, wanted):
    """Middle, over q a^4 / D: Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, tables 35 and 8."""
    keep = np.flatnonzero(~held(square, edges).ravel())
    even = square.mask(W).ravel().astype(float)
    load = (square.M @ even) / square.board.mass
    w = np.zeros(len(even))
    w[keep] = factor(square.K[keep][:, keep]).solve(load[keep])
    trace = square.mesh.trace(np.array([[0.5, 0.5]]))
    middle = trace.value[0] @ w[5 * trace.nodes[0] + W]
    assert_allclose(middle * square.board.D[0, 0], wanted, rtol=0.005)
