"""Joint sections: what the block between two boards adds to plates that end at its faces."""

from __future__ import annotations

import numpy as np
import pytest

from bracewright.fem.arms import ARMS, Strip, port_rigid, through_stiffness
from bracewright.fem.section import joint_section

WHOLE = {2: np.full((2, 4), np.inf), 3: np.full((3, 4), np.inf), 4: np.full((4, 4), np.inf)}
ARM_SETS = [("+a", "+b"), ("+a", "-a", "+b"), ("+a", "-a", "+b", "-b")]


def strip(thickness: float = 1.0, E: float = 1.0, nu: float = 0.25) -> Strip:
    G = E / (2 * (1 + nu))
    return Strip(thickness, E, E, E, nu, nu, nu, G, G, G)


@pytest.mark.parametrize("arms", ARM_SETS)
def test_rigid_motion_of_a_section_costs_nothing(arms: tuple[str, ...]) -> None:
    s = joint_section((strip(),), (strip(0.7),), strip(), arms)
    plane, slip, hold = s.stiffness(WHOLE[len(arms)])
    rigid = port_rigid(arms, 0.7, 1.0)
    assert np.abs(plane @ rigid).max() < 1e-9 * np.abs(plane).max()
    assert np.abs(slip.sum(axis=1)).max() < 1e-9 * np.abs(slip).max()
    assert hold == pytest.approx(1.0)
    assert np.linalg.eigvalsh(plane)[3] > 0
    assert np.linalg.eigvalsh(s.plane).min() > 0
    assert s.torsion > 0


def test_corner_scales_with_thickness_and_modulus() -> None:
    one = joint_section((strip(),), (strip(),), strip(), ARM_SETS[0])
    t, E = 0.022, 3.5e9
    real = joint_section((strip(t, E),), (strip(t, E),), strip(t, E), ARM_SETS[0])
    a, b = one.stiffness(WHOLE[2]), real.stiffness(WHOLE[2])
    length = np.tile([1.0, 1.0, t], 2)  # rotations come with a thickness
    assert b[0] == pytest.approx(E * a[0] * length[:, None] * length, rel=1e-5, abs=1e-9 * E * t**2)
    assert b[1] == pytest.approx(E * a[1], rel=1e-6)
    assert real.torsion == pytest.approx(E * t**4 * one.torsion, rel=1e-6)


def test_layers_of_one_material_are_one_board() -> None:
    third = (strip(1 / 3),) * 3
    whole = joint_section((strip(),), (strip(),), strip(), ARM_SETS[1]).stiffness(WHOLE[3])
    layers = joint_section(third, third, strip(), ARM_SETS[1]).stiffness(WHOLE[3])
    assert layers[0] == pytest.approx(whole[0], rel=2e-3, abs=2e-3 * np.abs(whole[0]).max())
    assert layers[1] == pytest.approx(whole[1], rel=2e-3)


def test_a_tee_is_stiffer_than_the_plate_that_runs_through_it() -> None:
    s = joint_section((strip(),), (strip(),), strip(), ARM_SETS[1])
    plane, slip, _ = s.stiffness(WHOLE[3])
    own, shear, torsion = through_stiffness((strip(),), 1.0)
    plane[:6, :6] -= own
    slip[:2, :2] -= shear
    assert np.linalg.eigvalsh(plane).min() > -1e-9
    assert np.linalg.eigvalsh(slip).min() > -1e-9
    assert s.torsion > torsion


def test_through_stiffness_is_that_of_a_beam() -> None:
    """Cantilever tip under a force: L^3/3D + L/S, plane strain (Timoshenko beam, any textbook)."""
    length, E, nu = 2.0, 1.0, 0.25
    plane, _, _ = through_stiffness((strip(),), length)
    D, S = E / (12 * (1 - nu**2)), 5 / 6 * E / (2 * (1 + nu))
    tip = plane[:3, :3]  # the other port held
    assert np.linalg.inv(tip)[1, 1] == pytest.approx(length**3 / (3 * D) + length / S, rel=1e-9)
    assert np.linalg.inv(tip)[0, 0] == pytest.approx(length * (1 - nu**2) / E, rel=1e-9)


def test_soft_faces_take_the_whole_gap() -> None:
    """A face a thousand times softer than the wood leaves its own stiffness in the joint."""
    s = joint_section((strip(),), (strip(),), strip(), ARM_SETS[0])
    faces = WHOLE[2].copy()
    faces[1] = 1e-3
    plane, slip, hold = s.stiffness(faces)
    assert slip[0, 0] == pytest.approx(1e-3, rel=5e-3)
    assert hold < 1e-3 * 2
    rotation = np.linalg.eigvalsh(plane)
    assert rotation.max() < 5e-3


def test_arms_are_right_handed() -> None:
    for n, z in ARMS.values():
        assert n[0] * z[1] - n[1] * z[0] == 1
