"""Free vibration of flat plates after F. Abbassian, D. J. Dawswell, N. C. Knowles, Selected Benchmarks for Natural
Frequency Analysis, NAFEMS R0015, 1987.

E = 200 GPa, nu = 0.3, 8000 kg/m3, Hz. The targets of FV12 and FV16 come from beam-function tables, up to 1 % above
the exact plate; the values asserted there were computed independently (Legendre-Ritz). Plates 1 m thick are modelled
at a tenth of their size, where frequencies are ten times as high.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plates import BX, BY, U, V, W, held, hertz, isotropic, omega, plate, rectangle, rim

from bracewright.geometry import polygon

SIDE = 10_000.0


def steel(h, kappa=5 / 6):
    return isotropic(h, nu=0.3, E_GPa=200, rho=8000, kappa=kappa)


def rhombus(side, h, size):
    """Side `side`, acute angles of 45 degrees (the angle from memory), clamped all round."""
    s = side / np.sqrt(2)
    p = plate(polygon(((0, 0), (side, 0), (side + s, s), (s, s))), steel(h), size)
    fixed = p.mask(U, V)
    fixed[rim(p)] = True
    return p, fixed


@pytest.fixture(scope="module")
def thin():
    return plate(rectangle(SIDE, SIDE), steel(50), 400)


def test_fv12_free_thin_square(thin):
    """Target 1.622 2.360 2.922 4.233 4.233 7.416."""
    got = hertz(omega(thin, held(thin, "FFFF"), 7, skip=3))
    assert_allclose(got, (1.6208, 2.3593, 2.9219, 4.1876, 4.1876, 7.3538, 7.3538), rtol=0.005)


def test_fv13_simply_supported_thin_square(thin):
    """The target, which is exact."""
    got = hertz(omega(thin, held(thin, "SSSS"), 8))
    assert_allclose(got, (2.377, 5.942, 5.942, 9.507, 11.884, 11.884, 15.449, 15.449), rtol=0.003)


def test_fv15_clamped_thin_rhombus():
    """The target, and the converged plate: computed independently (Legendre-Ritz in oblique coordinates)."""
    p, fixed = rhombus(SIDE, 50, 300)
    got = hertz(omega(p, fixed, 6))
    assert_allclose(got, (7.938, 12.835, 17.941, 19.133, 24.009, 27.922), rtol=0.02)
    assert_allclose(got, (7.899, 12.812, 17.838, 18.911, 23.660, 27.590), rtol=0.005)


def test_fv16_cantilever_thin_square(thin):
    """Target 0.421 1.029 2.582 3.306 3.753 6.555."""
    got = hertz(omega(thin, held(thin, "CFFF"), 6))
    assert_allclose(got, (0.4179, 1.0237, 2.5623, 3.2737, 3.7249, 6.519), rtol=0.005)


THICK = {
    # shear correction, hard support: the first row is the target (from memory), Mindlin's plate with his dynamic kappa
    (np.pi**2 / 12, True): (45.897, 109.44, 109.44, 167.89, 204.51, 204.51, 256.50, 256.50),
    (5 / 6, True): (45.911, 109.528, 109.528, 168.07, 204.78, 204.78, 256.91, 256.91),
    (5 / 6, False): (44.111, 106.98, 106.98, 162.34, 202.20, 202.55, 250.15),
}


@pytest.mark.parametrize(("kappa", "hard"), THICK)
def test_fv21_simply_supported_thick_square(kappa, hard):
    p = plate(rectangle(SIDE / 10, SIDE / 10), steel(100, kappa), 50)
    wanted = THICK[kappa, hard]
    got = hertz(omega(p, held(p, "SSSS", hard=hard), len(wanted))) / 10
    assert_allclose(got, wanted, rtol=0.003)


def test_fv22_clamped_thick_rhombus():
    """The target, and the converged plate: computed independently (Legendre-Ritz in oblique coordinates).

    The 386.62 Hz quoted for a sixth mode is a coarse mesh's, 2 % high.
    """
    p, fixed = rhombus(SIDE / 10, 100, 50)
    got = hertz(omega(p, fixed, 6)) / 10
    assert_allclose(got[:5], (133.95, 201.41, 265.81, 283.68, 334.45), rtol=0.02)
    assert_allclose(got, (133.403, 201.912, 266.919, 280.795, 336.118, 378.328), rtol=0.003)


def test_fv32_tapered_membrane():
    """5 m to 1 m over 10 m (the length from memory), fixed at the wide edge, moving in its plane."""
    p = plate(polygon(((0, -2500), (10_000, -500), (10_000, 500), (0, 2500))), steel(50), 500)
    fixed = p.mask(W, BX, BY)
    fixed[p.mesh.points[:, 0] < 1e-9] = True
    got = hertz(omega(p, fixed, 6))
    assert_allclose(got[:3], (44.623, 130.03, 162.70), rtol=0.01)
    assert_allclose(got[3:], (246.05, 379.90, 391.44), rtol=0.02)


def test_fv52_modes_in_the_plane():
    """The first three elastic modes of the free square in its plane; values computed independently (Ritz)."""
    p = plate(rectangle(SIDE / 10, SIDE / 10), steel(100), 80)
    got = hertz(omega(p, p.mask(W, BX, BY), 3, skip=3)) / 10
    assert_allclose(got, (193.584, 206.182, 206.182), rtol=0.005)
