"""Cabinets drawn at random: moving one as a whole costs nothing, and it weighs what its parts weigh."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, Driver, JointSpec, Opening, Panel, Pocket
from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, PANELS, in_plane
from bracewright.design.pockets import Circle, Rectangle, Stadium
from bracewright.errors import DesignError
from bracewright.fem.system import build

BOARDS = (
    Board.isotropic(22, 3.5, 0.25, 740, name="carcass"),
    Board.of("birch_plywood", 18, name="ply"),
    Board(layers=Board.isotropic(12, 9, 0.3, 700).layers + Board.isotropic(6, 2, 0.2, 900).layers, name="faced"),
)
NAMES = [b.name for b in BOARDS]
KINDS = ("rigid", "glued", "dry")


def random_brace(rng, name, size):
    normal = AXES[rng.integers(3)]
    at = dict(zip(AXES, size, strict=True))[normal] * rng.uniform(0.3, 0.7)
    a, b = in_plane(normal)
    centre = [dict(zip(AXES, size, strict=True))[axis] / 2 + rng.uniform(-8, 8) for axis in (a, b)]
    shapes = (
        Circle(centre=centre, diameter=rng.uniform(40, 80)),
        Rectangle(centre=centre, size=(60, 90), corner_radius=rng.uniform(5, 25)),
        Stadium(centre=centre, size=(50, 100)),
    )
    tilt = {"tilt_deg": rng.uniform(-9, 9), "tilt_about": (a, b)[rng.integers(2)]} if rng.random() < 0.5 else {}
    pockets = (Pocket(shape=shapes[rng.integers(3)]),) if rng.random() < 0.8 else ()
    board, grain = NAMES[rng.integers(3)], rng.uniform(-90, 90)
    return Brace(name=name, normal=normal, at=at, board=board, pockets=pockets, grain_deg=grain, **tilt)


def random_cabinet(rng):
    size = rng.uniform((200, 240, 320), (280, 360, 520))
    centre = (size[0] / 2, size[2] * rng.uniform(0.3, 0.7))
    return Cabinet(
        name="random",
        width=size[0],
        depth=size[1],
        height=size[2],
        boards=BOARDS,
        panels=tuple(Panel(side=s, board=NAMES[rng.integers(3)], grain_deg=rng.uniform(-90, 90)) for s in PANELS),
        openings=(Opening(name="woofer", panel="front", shape=Circle(centre=centre, diameter=rng.uniform(60, 110))),),
        drivers=(Driver(opening="woofer", mass_kg=1.9, frame=("free", "rigid")[rng.integers(2)]),),
        braces=tuple(random_brace(rng, f"brace {k}", size) for k in range(rng.integers(1, 4))),
        joint=JointSpec(kind=KINDS[rng.integers(3)]),
    )


@pytest.fixture(scope="module", params=range(6))
def model(request):
    rng = np.random.default_rng(request.param)
    for _ in range(50):
        try:
            return build(random_cabinet(rng), size=60, joints="plain")
        except DesignError:  # braces that lie in each other
            continue
    raise AssertionError("no cabinet was drawn")


def test_moving_as_a_whole_costs_no_energy(model):
    """Shifts and turns about the cabinet's middle, against the sum of the magnitudes that cancel."""
    middle = model.mass_matrix[:3, 3:] / model.mass_kg
    motions = model.rigid.copy()
    motions[:, 3:] -= motions[:, :3] @ middle
    energy = np.einsum("im,im->m", motions, model.K @ motions)
    scale = np.einsum("im,im->m", np.abs(motions), abs(model.K) @ np.abs(motions))
    assert (np.abs(energy) < 1e-9 * scale).all()
    force = np.abs(model.K @ motions).max(axis=0)
    assert (force < 1e-9 * (abs(model.K) @ np.abs(motions)).max(axis=0)).all()


def test_mass_against_exact_volume(model):
    """Areas of the exact curves on mid-surfaces times what the boards weigh, and the drivers.

    Straight parts are exact; eight six-node sides to a full turn take 0.08 % off a circle's area.
    """
    c = model.cabinet
    wanted = sum(d.mass_kg for d in c.drivers)
    for name, part in model.parts.items():
        p = lay.part_layout(c, name, "mid")
        cut = sum(abs(path.area) for _, path in p.cuts)
        area = p.outline().area - cut
        assert_allclose(part.mesh.area * 1e6, area, rtol=1e-12, atol=8e-4 * cut)
        wanted += area * 1e-6 * c.part_board(name).mass_kg_m2
    assert_allclose(model.mass_kg, wanted, rtol=2e-5)
    assert_allclose(model.mass_matrix[:3, :3], model.mass_kg * np.eye(3), rtol=1e-12, atol=1e-12)


def test_inertia_of_a_plain_box():
    """Six boards, no holes: mass, centre and moments of inertia in closed form."""
    panels = tuple(Panel(side=s, board="carcass") for s in PANELS)
    cabinet = Cabinet(name="box", width=220, depth=300, height=400, boards=BOARDS[:1], panels=panels)
    model = build(cabinet, size=60, joints="plain")
    t, rho = 0.022, 740.0
    size = np.array([0.220, 0.300, 0.400])
    span = size - t
    mass, second = 0.0, np.zeros(3)
    for axis in range(3):
        inside = span.copy()
        inside[axis] = t
        m = 2 * rho * inside.prod()
        mass += m
        second += m * (inside**2 / 12 + np.where(np.arange(3) == axis, (span / 2) ** 2, 0))
    middle = size / 2
    turning = np.diag(second.sum() - second) + mass * (middle @ middle * np.eye(3) - np.outer(middle, middle))
    assert_allclose(model.mass_kg, mass, rtol=1e-12)
    assert_allclose(model.mass_matrix[3:, 3:], turning, rtol=1e-12, atol=1e-14)
    across = np.array([[0, middle[2], -middle[1]], [-middle[2], 0, middle[0]], [middle[1], -middle[0], 0]])
    assert_allclose(model.mass_matrix[:3, 3:], mass * across, rtol=1e-12, atol=1e-14)


def test_a_part_left_loose_can_move():
    """A joint of no stiffness at one panel leaves its own motions free, so the check above can fail."""
    panels = tuple(Panel(side=s, board="carcass") for s in PANELS)
    cabinet = Cabinet(
        name="box", width=220, depth=300, height=400, boards=BOARDS[:1], panels=panels, joint=JointSpec(kind="rigid")
    )
    loose = JointSpec(kind="springs")
    others = ("left", "right", "bottom", "top")
    free = replace(cabinet, joint_overrides=tuple((f"front-{p}", loose) for p in others))
    for c, costs in ((cabinet, True), (free, False)):
        model = build(c, size=60, joints="plain")
        alone = np.zeros((model.dofs, 6))
        alone[model.of_part("front")] = model.rigid[model.of_part("front")]
        energy = np.einsum("im,im->m", alone, model.K @ alone)
        scale = np.einsum("im,im->m", np.abs(alone), abs(model.K) @ np.abs(alone))
        assert ((energy > 1e-9 * scale) == costs).all()
