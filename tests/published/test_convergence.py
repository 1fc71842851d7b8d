"""How fast errors fall with the mesh, against closed forms and converged Ritz values.

Six-node triangles give eigenvalues an error of order h^4 as long as the mesh resolves the thickness; where it is much
coarser the reduced shear rule keeps plates usable at a lower order.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plates import grid, held, isotropic, of_mesh, omega, plate, rectangle
from test_rectangular_plates import mindlin_ssss

from bracewright import geometry
from bracewright.fem.mesh import mesh_region

SIDE = 1000.0


def order(size, error):
    """Slope of log error over log size."""
    return np.polyfit(np.log(size), np.log(np.abs(error)), 1)[0]


def ssss_error(p):
    exact = mindlin_ssss(p.board, 1.0, 1.0, 1, 1)
    return (omega(p, held(p, "SSSS"), 1)[0] / exact) ** 2 - 1


def test_thick_plate_on_regular_meshes():
    """h/a = 0.1, SSSS, first eigenvalue: fourth order."""
    divisions = np.array([8, 12, 16, 24])
    error = [ssss_error(of_mesh(grid(SIDE, SIDE, n, n), isotropic(100))) for n in divisions]
    assert_allclose(order(1 / divisions, error), 4, atol=0.15)
    assert abs(error[-1]) < 5e-5


def test_thick_plate_on_free_meshes():
    sizes = np.array([125, 83, 62, 42])
    error = [ssss_error(plate(rectangle(SIDE, SIDE), isotropic(100), size)) for size in sizes]
    assert order(sizes, error) > 3.8
    assert abs(error[-1]) < 2e-5


def test_clamped_plate_on_free_meshes():
    """400 x 250 x 22 mm, nu = 0.25; first four eigenvalues against Mindlin's plate (Legendre-Ritz, 14 x 14 terms)."""
    exact = np.array([900.1228, 1307.4732, 1979.0994, 2116.2537])
    board = isotropic(22, nu=0.25, E_GPa=3.5, rho=740)
    sizes = np.array([60, 45, 30, 20])
    error = []
    for size in sizes:
        p = plate(rectangle(400, 250), board, size)
        error.append((omega(p, held(p, "CCCC"), 4) / (2 * np.pi * exact)) ** 2 - 1)
    for mode in range(4):
        assert order(sizes, np.array(error)[:, mode]) > 3.5


@pytest.mark.parametrize(("h", "lowest"), [(20, 3.4), (5, 2.8)])
def test_thin_plate_on_regular_meshes(h, lowest):
    """h/a = 0.02 and 0.005, SSSS: meshes coarser than the thickness; no locking, but less than fourth order."""
    divisions = np.array([12, 16, 24, 32])
    error = [ssss_error(of_mesh(grid(SIDE, SIDE, n, n), isotropic(h))) for n in divisions]
    assert lowest < order(1 / divisions, error) < 4.1
    assert (np.diff(np.abs(error)) < 0).all()
    assert abs(error[0]) < 0.05


def test_area_around_a_circle():
    """Sides that follow the arc by their middle nodes: third order is expected, fourth is met by symmetry."""
    exact = 1 - np.pi * 0.25**2
    hole = geometry.circle((500, 500), 500)
    sizes = np.array([100, 70, 50, 35, 25])
    error = [mesh_region(rectangle(SIDE, SIDE), [hole], size).area - exact for size in sizes]
    assert order(sizes, error) > 3
    assert abs(error[-1]) < 1e-7
