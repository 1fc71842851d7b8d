"""Laminate stiffness and shear correction against textbook and independently computed values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bracewright.boards import Board, Layer, laminate


def sheet(thickness, E, G, nu=0.25, density=700.0):
    return Board.isotropic(thickness, E, nu, density, G_through_GPa=G).layers[0]


def shear_correction(board):
    """S over the plain sum of G times thickness (layers at 0 or 90 degrees)."""
    plain = np.zeros(2)
    for k in board.layers:
        pair = (k.G13_GPa, k.G23_GPa) if k.angle_deg == 0 else (k.G23_GPa, k.G13_GPa)
        plain += np.array(pair) * 1e9 * k.thickness / 1000
    return np.diag(laminate(board).S) / plain


def test_kaw_example_4_2():
    """[0/30/-45] graphite/epoxy, 5 mm plies: A. K. Kaw, Mechanics of Composite Materials, Ex. 4.2 (from memory;
    the numbers recomputed independently)."""
    ply = {
        "E1_GPa": 181,
        "E2_GPa": 10.3,
        "poisson12": 0.28,
        "G12_GPa": 7.17,
        "G13_GPa": 7.17,
        "G23_GPa": 3.0,
        "density_kg_m3": 1600,
    }
    got = laminate(Board(layers=tuple(Layer(thickness=5, angle_deg=a, **ply) for a in (0, 30, -45))))
    A = [[1.7392e9, 3.8839e8, 5.6634e7], [3.8839e8, 4.5325e8, -1.1406e8], [5.6634e7, -1.1406e8, 4.5248e8]]
    B = [[-3.1288e6, 9.8552e5, -1.0717e6], [9.8552e5, 1.1578e6, -1.0717e6], [-1.0717e6, -1.0717e6, 9.8552e5]]
    D = [[3.3432e4, 6.4610e3, -5.2403e3], [6.4610e3, 9.3198e3, -5.5959e3], [-5.2403e3, -5.5959e3, 7.6628e3]]
    np.testing.assert_allclose(got.A, A, rtol=1e-4)
    np.testing.assert_allclose(got.B, B, rtol=1e-4)
    np.testing.assert_allclose(got.D, D, rtol=1e-4)


def test_homogeneous_shear_correction_is_five_sixths():
    """Exact for a homogeneous board (E. Reissner)."""
    board = Board.isotropic(22, 3.5, 0.25, 740)
    np.testing.assert_allclose(laminate(board).S, np.eye(2) * 5 / 6 * 1.4e9 * 0.022, rtol=1e-12)
    (layer,) = Board.of("solid_pine", 20).layers
    oblique = Board(layers=(replace(layer, angle_deg=30),))
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    rotate = np.array([[c, s], [-s, c]])
    expected = 5 / 6 * 0.02 * rotate.T @ np.diag([0.7e9, 0.1e9]) @ rotate
    np.testing.assert_allclose(laminate(oblique).S, expected, rtol=1e-12)


def test_cross_ply_shear_correction():
    """[0/90/0], E1/E2 = 25, by energy equivalence in cylindrical bending: computed independently."""
    ply = {
        "E1_GPa": 25,
        "E2_GPa": 1,
        "poisson12": 0.25,
        "G12_GPa": 0.5,
        "G13_GPa": 0.5,
        "G23_GPa": 0.2,
        "density_kg_m3": 1000,
    }
    board = Board(layers=tuple(Layer(thickness=5, angle_deg=a, **ply) for a in (0, 90, 0)))
    np.testing.assert_allclose(shear_correction(board), [0.5828, 0.8028], atol=6e-5)


def test_sandwich_shear_correction():
    """Faces a tenth of the thickness, a hundred times stiffer than the core: computed independently."""
    face, core = sheet(2, 100, 40), sheet(16, 1, 0.4)
    np.testing.assert_allclose(shear_correction(Board(layers=(face, core, face))), 0.0489, atol=6e-5)


def test_mdf_with_dense_faces_shear_correction():
    """3.5/15/3.5 mm, E 5/2/5 GPa, G 0.25/0.15/0.25 GPa: computed independently."""
    face, core = sheet(3.5, 5, 0.25), sheet(15, 2, 0.15)
    np.testing.assert_allclose(shear_correction(Board(layers=(face, core, face))), 0.7555, atol=6e-5)


def test_unsymmetric_shear_against_beam_theory():
    """Two sheets of unlike stiffness: shear flow about the neutral plane, integrated on a fine grid (Jourawski)."""
    board = Board(layers=(sheet(12, 9, 1.1), sheet(7, 2, 0.15)))
    z = (np.arange(400_000) + 0.5) * 0.019 / 400_000
    E, G = np.where(z < 0.012, 9e9, 2e9), np.where(z < 0.012, 1.1e9, 0.15e9)
    arm = z - np.sum(E * z) / np.sum(E)
    dz = z[1] - z[0]
    flow = np.cumsum(E * arm) * dz / (np.sum(E * arm**2) * dz)
    expected = 1 / (np.sum(flow**2 / G) * dz)
    np.testing.assert_allclose(np.diag(laminate(board).S), expected, rtol=1e-5)


@pytest.mark.parametrize(("thickness", "plies", "along", "across"), [(18, 13, 10.048, 7.452), (21, 15, 9.858, 7.642)])
def test_birch_plywood_bends_like_the_handbook(thickness, plies, along, across):
    """Mean bending moduli of the Handbook of Finnish Plywood, 2007 (from memory)."""
    board = Board.of("birch_plywood", thickness)
    assert len(board.layers) == plies
    plate = laminate(board)
    flexibility = np.linalg.inv(plate.D)
    E = 12 / plate.thickness_m**3 / np.diag(flexibility)[:2] / 1e9
    np.testing.assert_allclose(E, [along, across], rtol=0.02)
    planar = np.diag(plate.S) / plate.thickness_m * 6 / 5 / 1e9
    np.testing.assert_allclose(planar, 0.2, rtol=0.1)
