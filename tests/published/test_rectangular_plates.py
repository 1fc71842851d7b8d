"""Rectangular plates without cut-outs: thin, thick, and of a size met in cabinets.

"Computed independently (Legendre-Ritz)" means a global Ritz solution in Legendre polynomials, of Kirchhoff's or
Mindlin's plate. Tables in the literature made with beam functions lie up to 1 % above the exact thin plate where an
edge is free; the exact values are used here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plates import held, hertz, isotropic, omega, parameter, plate, rectangle

SIDE = 1000.0

# lambda = omega a^2 sqrt(rho h / D), nu = 0.3, edges in the order x=0, x=a, y=0, y=b. Cases and orders of
# A. W. Leissa, J. Sound Vib. 31 (1973) 257-293 (from memory); values computed independently (Legendre-Ritz).
SQUARE = {
    "SSSS": (19.7392, 49.3480, 49.3480, 78.9568, 98.6960, 98.6960),
    "CCCC": (35.9852, 73.3938, 73.3938, 108.2165, 131.5808, 132.2048),
    "FFFF": (13.4682, 19.5961, 24.2702, 34.8009, 34.8009, 61.0932),
    "CFFF": (3.4710, 8.5065, 21.284, 27.199, 30.955, 54.186),
    "SSCC": (28.9509, 54.7431, 69.3270, 94.5853, 102.2162, 129.0955),
    "CSSS": (23.6463, 51.6743, 58.6464, 86.1345, 100.2698, 113.2281),
    "SSCF": (12.6874, 33.0651, 41.7019, 63.0148, 72.3976, 90.6114),
    "SSSF": (11.6845, 27.7563, 41.1967, 59.0655, 61.8606, 90.2941),
    "SSFF": (9.6314, 16.1348, 36.7256, 38.9450, 46.7381, 70.7401),
    "CCCS": (31.8260, 63.3308, 71.0763, 100.7921, 116.3571, 130.3511),
    "CSCS": (27.0541, 60.5385, 60.7861, 92.8362, 114.5563, 114.7038),
    "CCCF": (23.919, 39.997, 63.218, 76.709, 80.569, 116.65),
    "CFCF": (6.919, 23.903, 26.585, 47.652, 62.706, 65.534),
    "SFSF": (3.367, 17.316, 19.293, 38.211, 51.035, 53.487),
    "SFFF": (6.644, 14.902, 25.376, 26.001, 48.450, 50.579),
}
RIGID_MODES = {"FFFF": 3, "SFFF": 1}
PAIRS = {"SSSS": ((1, 2), (4, 5)), "CCCC": ((1, 2),), "FFFF": ((3, 4),)}


@pytest.fixture(scope="module")
def thin_square():
    return plate(rectangle(SIDE, SIDE), isotropic(5), 40)


@pytest.mark.parametrize("edges", SQUARE)
def test_thin_square(thin_square, edges):
    got = parameter(thin_square, omega(thin_square, held(thin_square, edges), 6, skip=RIGID_MODES.get(edges, 0)))
    assert_allclose(got[:4], SQUARE[edges][:4], rtol=0.003)
    assert_allclose(got[4:], SQUARE[edges][4:], rtol=0.006)
    for i, j in PAIRS.get(edges, ()):
        assert_allclose(got[i], got[j], rtol=1e-3)


# lambda with a along x, by a/b: computed independently (Legendre-Ritz); the CCCC column agrees with Blevins' table.
RECTANGLES = {
    0.4: {
        "CCCC": (23.644, 27.807, 35.417, 46.671),
        "SSSS": (11.449, 16.186, 24.082, 35.136),
        "FFFF": (3.433, 5.278, 9.541, 11.329),
    },
    2 / 3: {
        "CCCC": (27.005, 41.704, 66.124, 66.522),
        "SSSS": (14.256, 27.416, 43.865, 49.348),
        "FFFF": (8.931, 9.517, 20.599, 22.182),
    },
    1.5: {
        "CCCC": (60.761, 93.834, 148.78, 149.67),
        "SSSS": (32.076, 61.685, 98.696, 111.033),
        "FFFF": (20.096, 21.413, 46.347, 49.910),
    },
    2.0: {
        "CCCC": (98.311, 127.304, 179.079, 253.32),
        "SSSS": (49.348, 78.957, 128.305, 167.783),
        "FFFF": (21.463, 26.575, 58.482, 59.606),
    },
    2.5: {
        "CCCC": (147.774, 173.79, 221.36, 291.70),
        "SSSS": (71.555, 101.163, 150.512, 219.60),
        "FFFF": (21.454, 32.989, 59.629, 70.803),
    },
}


@pytest.mark.parametrize("ratio", RECTANGLES)
def test_thin_rectangle(ratio):
    short = SIDE * min(ratio, 1 / ratio)
    p = plate(rectangle(*((SIDE, short) if ratio > 1 else (short, SIDE))), isotropic(0.005 * short), short / 24)
    for edges, wanted in RECTANGLES[ratio].items():
        got = parameter(p, omega(p, held(p, edges), 4, skip=RIGID_MODES.get(edges, 0)))
        assert_allclose(got, wanted, rtol=0.003, err_msg=edges)


# (omega b^2 / pi^2) sqrt(rho h / D), kappa = 5/6: K. M. Liew, Y. Xiang, S. Kitipornchai, J. Sound Vib. 168 (1993) 39-69
# (from memory, and recomputed to all digits); FFFF, CFFF and SSCC computed independently (Legendre-Ritz).
THICK = {
    (0.1, "SSSS"): (1.9317, 4.6084, 4.6084, 7.0716, 8.6162, 8.6162),
    (0.2, "SSSS"): (1.7679, 3.8656, 3.8656, 5.5879, 6.6006, 6.6006),
    (0.1, "CCCC"): (3.2954, 6.2858, 6.2858, 8.8098, 10.3788, 10.4778),
    (0.2, "CCCC"): (2.6875, 4.6907, 4.6907, 6.2985, 7.1767, 7.2759),
    (0.1, "FFFF"): (1.2887, 1.9194, 2.3633, 3.2344, 3.2344, 5.6082),
    (0.2, "FFFF"): (1.1856, 1.7630, 2.1474, 2.7938, 2.7938, 4.5700),
    (0.1, "CFFF"): (0.3476, 0.8167, 2.0355, 2.5836, 2.8618, 4.8161),
    (0.2, "CFFF"): (0.3384, 0.7445, 1.7805, 2.2765, 2.4204, 3.8850),
    (0.1, "SSCC"): (2.7021, 4.9762, 5.9992, 7.9854, 8.7991, 10.2711),
}


@pytest.mark.parametrize(("ratio", "edges"), THICK)
def test_thick_square(ratio, edges):
    p = plate(rectangle(SIDE, SIDE), isotropic(ratio * SIDE), 60)
    got = parameter(p, omega(p, held(p, edges), 6, skip=RIGID_MODES.get(edges, 0))) / np.pi**2
    assert_allclose(got, THICK[ratio, edges], rtol=0.005 if edges == "CFFF" else 0.003)


# omega a sqrt(rho / G): D. J. Dawe, O. L. Roufaeil, J. Sound Vib. 69 (1980) 345-359 (from memory), the SSSS rows
# exact; all computed independently (Legendre-Ritz). Their own Ritz values for CCCC lie 0.1-0.5 % above.
DAWE_ROUFAEIL = {
    ("SSSS", 0.1, 5 / 6): (0.9303, 2.2193, 2.2193, 3.4056, 4.1494, 4.1494, 5.2056),
    ("SSSS", 0.01, 5 / 6): (0.0963, 0.2406, 0.2406, 0.3847, 0.4807, 0.4807, 0.6246),
    ("CCCC", 0.1, 0.8601): (1.5910, 3.0389, 3.0389, 4.2625, 5.0247, 5.0723),
    ("CCCC", 0.01, 0.8601): (0.1754, 0.3574, 0.3574, 0.5265, 0.6399, 0.6430),
}


@pytest.mark.parametrize(("edges", "ratio", "kappa"), DAWE_ROUFAEIL)
def test_thick_square_of_dawe_and_roufaeil(edges, ratio, kappa):
    board = isotropic(ratio * SIDE, kappa=kappa)
    p = plate(rectangle(SIDE, SIDE), board, 60 if ratio == 0.1 else 40)
    wanted = DAWE_ROUFAEIL[edges, ratio, kappa]
    shear = board.A[2, 2] / board.thickness_m
    density = board.mass / board.thickness_m
    got = omega(p, held(p, edges), len(wanted)) * p.span * np.sqrt(density / shear)
    assert_allclose(got, wanted, rtol=0.003)


def mindlin_ssss(board, a, b, m, n):
    """Lowest frequency of a hard simply supported Mindlin plate with m by n half waves: closed form, 3 x 3."""
    x, y = m * np.pi / a, n * np.pi / b
    d, s = board.D, board.S
    stiffness = np.array(
        [
            [s[0, 0] * x**2 + s[1, 1] * y**2, s[0, 0] * x, s[1, 1] * y],
            [s[0, 0] * x, d[0, 0] * x**2 + d[2, 2] * y**2 + s[0, 0], (d[0, 1] + d[2, 2]) * x * y],
            [s[1, 1] * y, (d[0, 1] + d[2, 2]) * x * y, d[2, 2] * x**2 + d[1, 1] * y**2 + s[1, 1]],
        ]
    )
    inertia = 1 / np.sqrt([board.mass, board.rotary, board.rotary])
    return np.sqrt(np.linalg.eigvalsh(stiffness * np.outer(inertia, inertia))[0])


@pytest.mark.parametrize("kappa", [0.05, np.pi**2 / 12, 5 / 6])
@pytest.mark.parametrize("ratio", [0.02, 0.15])
def test_thick_rectangle_against_closed_form(ratio, kappa):
    """Hard simply supported, nu = 0.25, any shear stiffness: sines satisfy Mindlin's equations exactly."""
    board = isotropic(ratio * SIDE, nu=0.25, kappa=kappa)
    p = plate(rectangle(SIDE, 700), board, 60)
    wanted = sorted(mindlin_ssss(board, 1.0, 0.7, m, n) for m in range(1, 6) for n in range(1, 6))[:5]
    assert_allclose(omega(p, held(p, "SSSS"), 5), wanted, rtol=0.003)


# 400 x 300 x 22 mm, E = 3.5 GPa, nu = 0.25, 740 kg/m3, Hz: computed independently (Legendre-Ritz).
MDF = {
    "thin": {
        "SSSS": (389.01, 809.14, 1135.91, 1509.36),
        "CCCC": (723.99, 1214.84, 1703.68, 2022.80),
        "FFFF": (262.38, 307.26, 562.99, 616.62, 752.97),
    },
    1.4: {
        "SSSS": (383.51, 786.00, 1091.24, 1432.27),
        "CCCC": (692.21, 1138.20, 1561.83, 1841.23),
        "FFFF": (254.14, 303.81, 551.98, 590.76, 721.49),
    },
    0.2: {
        "SSSS": (361.06, 700.85, 938.16, 1186.78),
        "CCCC": (576.02, 898.29, 1156.83, 1356.25),
        "FFFF": (239.23, 295.80, 525.67, 537.80, 658.37),
    },
}


@pytest.mark.parametrize("G", MDF)
def test_board_of_cabinet_size(G):
    """With G through the board of 1.4 and 0.2 GPa, and made thin: shear and rotary inertia a hundredth at equal D."""
    board = isotropic(22, nu=0.25, E_GPa=3.5, rho=740)
    if G == "thin":
        board = replace(board, S=board.S * 100, rotary=board.rotary / 100)
    else:
        board = replace(board, S=board.S * G / 1.4)
    p = plate(rectangle(400, 300), board, 14 if G == "thin" else 20)
    for edges, wanted in MDF[G].items():
        got = hertz(omega(p, held(p, edges), len(wanted), skip=RIGID_MODES.get(edges, 0)))
        assert_allclose(got, wanted, rtol=0.005, err_msg=edges)
