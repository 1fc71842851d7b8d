"""From a design to its sound: loads, answer, radiation, losses, report."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from closed_forms import sphere_rule

from bracewright.boards import Board
from bracewright.design.account import account
from bracewright.design.cabinet import PANELS, Brace, Cabinet, JointSpec, Opening, Panel, Supports
from bracewright.design.mounted import Damping, Driver
from bracewright.design.pockets import Circle, Pocket, Rectangle
from bracewright.errors import DesignError
from bracewright.fem.modes import Modes, solve
from bracewright.fem.moves import follow
from bracewright.fem.sheets import SheetForms
from bracewright.fem.system import build
from bracewright.sound.air import air_modes
from bracewright.sound.baffled import baffled
from bracewright.sound.damping import damped
from bracewright.sound.drive import axial_row, drive
from bracewright.sound.force import forced
from bracewright.sound.medium import DENSITY, SPEED
from bracewright.sound.radiate import cache_folder, outside
from bracewright.sound.report import GUIDANCE, report
from bracewright.sound.response import direct, modes_up_to, power_in, reduce
from bracewright.sound.run import radiation_efficiency, set_up, sound, spectrum
from bracewright.sound.surface import BoxSurface, piston, point_rows, wall_rows

SIZE = 60.0
BAND = np.geomspace(40, 700, 40)


def cabinet(**changes) -> Cabinet:
    """A small box with a driver and a windowed brace; walls of two boards."""
    base = Cabinet(
        name="box",
        width=200,
        depth=260,
        height=340,
        boards=(Board.of("mdf", 15, name="b"), Board.isotropic(19, 3.5, 0.25, 740, loss_factor=0.05, name="f")),
        panels=tuple(Panel(side=s, board="f" if s == "front" else "b") for s in PANELS),
        openings=(Opening(name="woofer", panel="front", shape=Circle(centre=(96, 110), diameter=110)),),
        drivers=(Driver(opening="woofer", mass_kg=1.5, moving_mass_g=12, piston_area_cm2=85, volume_l=0.3),),
        braces=(
            Brace(
                name="shelf",
                normal="z",
                at=205,
                board="b",
                pockets=(Pocket(shape=Rectangle(centre=(100, 130), size=(90, 120))),),
            ),
        ),
    )
    return replace(base, **changes)


@pytest.fixture(scope="module")
def model():
    return build(cabinet(), size=SIZE)


@pytest.fixture(scope="module")
def heard(model):
    return sound(cabinet(), BAND, size=SIZE, model=model, cache=False)


@pytest.fixture(autouse=True)
def own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("BRACEWRIGHT_CACHE", str(tmp_path / "cache"))


# --- surface --------------------------------------------------------------------------------------------------------


def test_a_rigid_motion_moves_the_whole_outside(model):
    surface = BoxSurface.of((0.2, 0.26, 0.34), 0.04)
    got = wall_rows(model, surface) @ model.rigid
    c, n = surface.panels.all_centres + surface.middle, surface.panels.all_outward
    assert got == pytest.approx(np.hstack([n, np.cross(c, n)]), abs=1e-12)
    # No net volume is moved.
    assert surface.panels.all_area @ got == pytest.approx(np.zeros(6), abs=1e-12)


def test_a_rigid_push_is_the_rigid_oscillating_box(model):
    """Well below the first mode a force in the driver's axis moves the box as one body."""
    operator = outside((200, 260, 340), 300, cache=False)
    point = np.array([[0.1, -1.0, 0.11]])
    structure = damped(model)
    row = axial_row(model, "woofer")[:, None]
    reduced = reduce(structure, solve(model, 8), row)
    f = 10.0
    v = (
        2j
        * np.pi
        * f
        * (wall_rows(model, operator.surface) @ (reduced.basis @ reduced.solve(reduced.basis.T @ row, f)))
    )
    rigid = np.linalg.solve(-((2 * np.pi * f) ** 2) * model.mass_matrix, model.rigid.T @ row)
    c = operator.surface.panels.all_centres + operator.surface.middle
    n = operator.surface.panels.all_outward
    exact = 2j * np.pi * f * (np.hstack([n, np.cross(c, n)]) @ rigid)
    field = operator.at(f)
    assert abs((field.transfer(point) @ v / (field.transfer(point) @ exact))[0, 0] - 1) < 0.02


def test_volume_velocity_of_a_swelling_panel(model):
    """The outside moves the volume the clear span does, and the corners' wood turns back by the arm times the slope."""
    surface = BoxSurface.of((0.2, 0.26, 0.34), 0.02)
    part = model.parts["left"]
    xy = part.mesh.points
    low, high = xy.min(axis=0), xy.max(axis=0)
    span, s = high - low, np.sin(np.pi * (xy - low) / (high - low))
    u = np.zeros((model.dofs // 5, 5))
    at = slice(model.first["left"] // 5, model.first["left"] // 5 + len(xy))
    u[at, 2] = s[:, 0] * s[:, 1]
    rows = wall_rows(model, surface)
    moved = abs(surface.panels.all_area @ (rows @ u.ravel()))
    assert moved == pytest.approx(span[0] * span[1] * 4 / np.pi**2, rel=0.03)
    # With the sections turning as in pure bending, the rim of width t swings the other way: t^2/2 times the slope.
    u[at, 3] = -np.pi / span[0] * np.cos(np.pi * (xy[:, 0] - low[0]) / span[0]) * s[:, 1]
    t = np.array([part.to_space(low[None])[0][1], 0.26 - part.to_space(high[None])[0][1]])
    swung = (t**2 / 2).sum() * np.pi / span[0] * span[1] * 2 / np.pi
    assert moved - abs(surface.panels.all_area @ (rows @ u.ravel())) == pytest.approx(swung, rel=0.1)


def test_piston_moves_its_area(model):
    surface = BoxSurface.of((0.2, 0.26, 0.34), 0.03)
    v = piston(cabinet(), surface, "woofer", 0.0085)
    assert surface.panels.all_area @ v == pytest.approx(0.0085, rel=1e-12)
    assert set(np.flatnonzero(v)) <= set(surface.faces["front"])


# --- answer ---------------------------------------------------------------------------------------------------------


def test_superposition_agrees_with_a_direct_solve_at_twenty_frequencies(model):
    structure = damped(model)
    ready = set_up(cabinet(), 700.0, size=SIZE, model=model, cache=False)
    points = [point_rows(model, *p) for p in (("left", (140, 90)), ("back", (90, 250)), ("shelf", (30, 40)))]
    loads = np.column_stack([axial_row(model, "woofer"), *(r.toarray()[0] for r in points)])
    reduced = reduce(structure, ready.reduced.modes, loads)
    walls = wall_rows(model, ready.outside.surface)
    for f in np.geomspace(30, 700, 20):
        whole = np.column_stack([loads, ready.drive.load(f)])
        exact = direct(structure, whole, f)
        # Mobilities between four points, and the pressure of the driven cabinet at 1 m.
        q = reduced.solve(reduced.basis.T @ loads, f)
        level = 20 * np.log10(np.abs(loads.T @ (reduced.basis @ q)) / np.abs(loads.T @ exact[:, :-1]))
        assert np.abs(level).max() < 0.1, f
        to_point = ready.outside.at(f).transfer([[0.1, -1.0, 0.11]])[0]
        q = ready.reduced.solve(ready.force.sum(axis=1) + ready.push @ ready.drive.pressure(f), f)
        ratio = (to_point @ (ready.walls @ q)) / (to_point @ (walls @ exact[:, -1]))
        assert abs(20 * np.log10(abs(ratio))) < 0.1, f


def test_reciprocity(model):
    structure = damped(model)
    a, b = point_rows(model, "left", (140, 90)), point_rows(model, "top", (70, 200))
    reduced = reduce(structure, solve(model, 12), np.vstack([a.toarray(), b.toarray()]).T)
    for f in (55.0, 301.0, 640.0):
        there, back = reduced.mobility(a, b, [f])[0, 0, 0], reduced.mobility(b, a, [f])[0, 0, 0]
        assert abs(there / back - 1) < 1e-6
        assert reduced.mobility(a, a, [f])[0, 0, 0].real > 0
        assert reduced.accelerance(a, b, [f])[0, 0, 0] == pytest.approx(2j * np.pi * f * there)


def test_power_in_is_dissipated_and_radiated(heard):
    """Losses from each part's strain energy, radiation from the far field: neither uses the equation solved."""
    directions, weight = sphere_rule(12)
    ready = heard.setup
    for k, f in enumerate(heard.frequency_Hz):
        q = heard.displacement[k]
        lost = sum(ready.reduced.dissipated(q, f).values())
        far = ready.outside.at(f).far(directions) @ (ready.walls @ (2j * np.pi * f * q))
        radiated = float(weight @ np.abs(far) ** 2) / (2 * DENSITY * SPEED)
        assert lost + radiated == pytest.approx(heard.power_in_W[k], rel=0.01)
        assert lost == pytest.approx(heard.dissipated_W[k], rel=1e-6)


def test_driving_point_power(model):
    structure = damped(model)
    row = axial_row(model, "woofer")[:, None]
    reduced = reduce(structure, solve(model, 12), row)
    load = reduced.basis.T @ row[:, 0]
    q = reduced.solve(load, 333.0)
    mobility = reduced.mobility(row.T, row.T, [333.0])[0, 0, 0]
    assert power_in(load, q, 333.0) == pytest.approx(0.5 * mobility.real)
    assert sum(reduced.dissipated(q, 333.0).values()) == pytest.approx(0.5 * mobility.real, rel=1e-8)


# --- loads ----------------------------------------------------------------------------------------------------------


def test_uniform_pressure_has_no_net_force_and_is_the_adiabatic_one(model):
    air = air_modes(cabinet(), 700)
    driving = drive(model, air)
    uniform = driving.push[:, 0]
    assert model.rigid.T @ uniform == pytest.approx(
        np.zeros(6), abs=1e-3 * np.abs(model.rigid[:, :3].T @ np.abs(uniform)).max()
    )
    # p = rho c^2 S x / V at a frequency where the air is a spring.
    f = 4.0
    w = 2 * np.pi * f
    net = air.mesh.volume[0] - 0.3e-3
    p = driving.pressure(f)[0] * air.shapes[0, 0]
    assert p == pytest.approx(DENSITY * SPEED**2 * 0.0085 / w**2 / net, rel=2e-3)


def test_reaction_pushes_back_with_the_moving_mass(model):
    driving = drive(model, air_modes(cabinet(), 300))
    total = model.rigid.T @ driving.load(100.0, pressure=False)
    assert total[:3].real == pytest.approx([0, 0.012, 0], abs=1e-12)  # a cone moving out (-y) pushes the box back


def test_doubling_the_moving_mass_raises_the_reaction_by_6_dB(heard, model):
    heavy = cabinet(drivers=(replace(cabinet().drivers[0], moving_mass_g=24),))
    other = sound(heavy, BAND, size=SIZE, model=replace(model, cabinet=heavy), cache=False)
    change = 20 * np.log10(np.abs(other.cause_Pa["force"]) / np.abs(heard.cause_Pa["force"]))
    assert change == pytest.approx(np.full(len(BAND), 20 * np.log10(2)), abs=1e-6)
    assert other.drivers_Pa == pytest.approx(heard.drivers_Pa)


def test_a_heavier_board_lowers_the_cabinet_below_its_modes(heard):
    heavy = cabinet(
        boards=(
            Board.isotropic(15, 3.0, 0.25, 1500, name="b"),
            Board.isotropic(19, 3.5, 0.25, 1500, loss_factor=0.05, name="f"),
        )
    )
    f = np.array([50.0, 80.0, 120.0])
    plain = sound(cabinet(), f, size=SIZE, cache=False)
    other = sound(heavy, f, size=SIZE, cache=False)
    before, after = np.abs(plain.cause_Pa["force"]), np.abs(other.cause_Pa["force"])
    assert (20 * np.log10(after / before) < -3).all()


def test_parts_add_up(heard):
    assert sum(heard.side_Pa.values()) == pytest.approx(heard.cabinet_Pa)
    assert sum(heard.cause_Pa.values()) == pytest.approx(heard.cabinet_Pa)
    far, cones = heard.directivity(5, np.array([[0.0, -1.0, 0.0]]))
    assert abs(far[0]) > 0
    assert abs(cones[0]) > 0


def test_two_way_coupling_hardly_moves_a_stiff_box(heard):
    again = spectrum(heard.setup, BAND, two_way=True)
    apart = np.abs(again.level_dB - heard.level_dB)
    assert apart.max() > 0
    assert np.median(apart) < 0.5


def test_a_force_of_one_newton(heard, model):
    f = np.array([5.0, 90.0, 260.0, 430.0])
    got = forced(cabinet(), f, air_load=True, model=model, cache=False)
    # Below all modes the cabinet is a mass; the edge of the hole turns with it.
    row = axial_row(model, "woofer")
    rigid = model.rigid.T @ row
    assert got.mobility[0] == pytest.approx(rigid @ np.linalg.solve(model.mass_matrix, rigid) / (10j * np.pi), rel=0.01)
    assert (got.mobility.real > 0).all()
    # The reaction of a cone is moving mass times acceleration, outward for an inward one.
    driven = spectrum(heard.setup, f)
    assert driven.cause_Pa["force"] == pytest.approx(0.012 * got.pressure_Pa, rel=0.02)
    assert set(got.volume_velocity) == set(PANELS)
    with pytest.raises(DesignError, match="no driver"):
        forced(cabinet(drivers=()), f)


def test_volume_velocity_of_a_moved_box_is_its_faces(model):
    """Well below the first mode front and back move as much air, one in and one out."""
    got = forced(cabinet(), np.array([8.0]), model=model, cache=False)
    front, back, left, right = (got.volume_velocity[s][0] for s in ("front", "back", "left", "right"))
    assert front == pytest.approx(-got.mobility[0] * 0.2 * 0.34, rel=0.3)  # 1 N pushes it inward; the box also turns
    assert abs(front + back) < 0.01 * abs(front)
    assert abs(left + right) < 0.01 * abs(front)


def test_the_quick_estimate_agrees_where_panels_are_large(model):
    """At high frequency a box is a baffle; at any, the power of the sides is of the right size."""
    f = np.geomspace(300, 1900, 12)
    full = outside((200, 260, 340), 1900, cache=False)
    rough = baffled((200, 260, 340), 1900)
    v = np.zeros(len(rough.surface.panels.all_area))
    v[rough.surface.faces["front"]] = 1.0
    w = np.zeros(len(full.surface.panels.all_area))
    w[full.surface.faces["front"]] = 1.0
    ratio = [10 * np.log10(rough.at(x).power(v) / full.at(x).power(w)) for x in f]
    assert abs(ratio[-1]) < 1.0
    assert max(map(abs, ratio)) < 3.1  # twice the space to radiate into below
    behind = rough.at(500.0).transfer([[0.1, 1.5, 0.1]])[0]
    assert not behind[rough.surface.faces["front"]].any()
    directions, weight = sphere_rule(24)
    far = rough.at(1200.0).far(directions) @ v
    assert float(weight @ np.abs(far) ** 2) / (2 * DENSITY * SPEED) == pytest.approx(
        rough.at(1200.0).power(v), rel=0.02
    )
    s = sound(cabinet(), np.geomspace(100, 600, 9), size=SIZE, model=model, quick=True)
    assert np.isfinite(s.level_dB).all()
    assert np.isfinite(s.power_level_dB).all()


# --- losses and fixings ---------------------------------------------------------------------------------------------


def loss_factors(c: Cabinet, modes: Modes) -> np.ndarray:
    reduced = reduce(damped(build(c, size=SIZE)), modes, np.zeros((len(modes.shapes), 0)))
    return reduced.loss_factor


def test_one_loss_factor_everywhere_is_every_modes():
    c = cabinet(
        boards=(Board.of("mdf", 15, name="b", loss_factor=0.03), Board.of("mdf", 19, name="f", loss_factor=0.03))
    )
    c = replace(c, joint=JointSpec(loss_factor=0.03), drivers=())
    modes = solve(build(c, size=SIZE), 8)
    assert loss_factors(c, modes) == pytest.approx(np.full(8, 0.03), rel=1e-6)
    assert modes.loss_factor == pytest.approx(np.full(8, 0.03), rel=1e-6)
    # One piece of wood loses as wood everywhere, in the blocks of its corners too.
    whole = replace(c, joint=JointSpec(kind="rigid"))
    assert loss_factors(whole, solve(build(whole, size=SIZE), 8)) == pytest.approx(np.full(8, 0.03), rel=1e-6)


def test_a_joint_loses_by_the_strain_in_its_faces():
    """The losses of glue and wood follow from how frequencies change with either's stiffness."""
    c = replace(cabinet(), joint=JointSpec(kind="dry", contact_N_mm3=15.0), drivers=())
    modes = solve(build(c, size=SIZE), 6)
    step = 1e-3
    f = [
        solve(build(replace(c, joint=replace(c.joint, contact_N_mm3=15.0 * x)), size=SIZE), 6).frequency_Hz
        for x in (1 - step, 1 + step)
    ]
    share = (f[1] ** 2 - f[0] ** 2) / (2 * step) / modes.frequency_Hz**2  # of the strain energy
    assert (share > 0.02).all()
    lossy = replace(c, joint=replace(c.joint, loss_factor=0.4))
    gained = loss_factors(lossy, modes) - loss_factors(c, modes)
    assert gained == pytest.approx(0.4 * share, rel=0.02)


def test_a_damping_sheet_adds_its_mass_and_loss(model):
    sheet = Damping(part="left", thickness=4, E_GPa=0.5, density_kg_m3=1600, loss_factor=0.4)
    c = cabinet(damping=(sheet,))
    coated = build(c, size=SIZE)
    assert coated.mass_kg - model.mass_kg == pytest.approx(1600 * 0.004 * model.parts["left"].mesh.area, rel=1e-9)
    modes = solve(coated, 6)
    assert modes.rigid_modes == 6
    gained = loss_factors(c, modes) - loss_factors(cabinet(), modes)
    assert (gained > 0).all()
    stiffer = loss_factors(cabinet(damping=(replace(sheet, E_GPa=1.0),)), modes) - loss_factors(cabinet(), modes)
    assert stiffer == pytest.approx(2 * gained, rel=1e-6)
    small = replace(sheet, centre=(100.0, 100.0), size=(5.0, 6.0))  # far smaller than a triangle
    coated = build(cabinet(damping=(small,)), size=SIZE)
    assert coated.mass_kg - model.mass_kg == pytest.approx(1600 * 0.004 * 30e-6, rel=1e-3)
    with pytest.raises(DesignError, match="covers nothing"):
        cabinet(damping=(replace(sheet, centre=(900.0, 900.0), size=(100.0, 100.0)),))


@pytest.mark.parametrize("part", ["left", "shelf"])
@pytest.mark.parametrize("patch", [{}, {"centre": (96.0, 100.0), "size": (110.0, 90.0)}])
def test_the_account_and_the_model_weigh_a_sheet_alike(model, part, patch):
    c = cabinet(damping=(Damping(part=part, thickness=4, E_GPa=0.5, density_kg_m3=1600, loss_factor=0.4, **patch),))
    (sheet,) = account(c).sheets
    assert build(c, size=SIZE).mass_kg - model.mass_kg == pytest.approx(sheet.mass_kg, rel=2e-3)


def test_a_sheet_bends_as_a_composite_beam_says(model):
    """A whole-panel sheet raises a strip's stiffness and loss as the textbook's two-layer beam (Oberst) has it."""
    part = model.parts["left"]
    sheet = Damping(part="left", thickness=5, E_GPa=2.0, density_kg_m3=1200, loss_factor=0.3, poisson=0.0)
    k = SheetForms(part, sheet, 1.0).stiffness()
    x = part.mesh.points[:, 0]
    u = np.zeros((len(x), 5))
    u[:, 3] = x  # unit curvature about the mid-plane
    z, t = (0.015 + 0.005) / 2, 0.005
    wanted = 2e9 * (t * z**2 + t**3 / 12) * part.mesh.area
    assert u.ravel() @ (k @ u.ravel()) == pytest.approx(wanted, rel=1e-9)


FOIL = {"cover_thickness": 0.5, "cover_E_GPa": 70.0, "cover_density_kg_m3": 2700.0}
BUTYL = Damping(part="left", thickness=2, E_GPa=3e-3, density_kg_m3=1400, loss_factor=0.8)


def test_a_cover_makes_a_soft_sheet_lose(model):
    gained = []
    for patch in ({}, {"centre": (96.0, 170.0), "size": (110.0, 180.0)}):
        bare, covered = (cabinet(damping=(replace(BUTYL, **patch, **more),)) for more in ({}, FOIL))
        modes, plain = (solve(build(c, size=SIZE), 8) for c in (covered, bare))
        assert (modes.rigid_modes, modes.missed_modes) == (6, 0)
        assert build(covered, size=SIZE).mass_kg - model.mass_kg == pytest.approx(
            account(covered).sheets[0].mass_kg, rel=2e-3
        )
        gained.append((modes.loss_factor - plain.loss_factor).mean())
    whole, part = gained
    assert whole > 4e-3
    assert 0 < part < 0.6 * whole


def test_half_a_cover_is_refused():
    with pytest.raises(DesignError, match="together, or none"):
        replace(BUTYL, cover_thickness=0.5)


def test_a_stiff_core_makes_the_cover_one_with_the_part(model):
    """A core much stiffer than the foil: the foil then stretches as the outside of a composite plate."""
    stiff = replace(BUTYL, thickness=0.1, E_GPa=1.0, poisson=0.3, loss_factor=0.0)
    whole = Damping(part="left", thickness=0.5, E_GPa=70.0, poisson=0.3, density_kg_m3=2700, loss_factor=0.0)
    f, wanted = (
        solve(build(cabinet(damping=(d,)), size=SIZE), 8).frequency_Hz for d in (replace(stiff, **FOIL), whole)
    )
    bare = solve(model, 8).frequency_Hz
    assert np.abs(wanted / bare - 1).max() > 0.02
    assert f == pytest.approx(wanted, rel=2e-3)


@pytest.mark.parametrize("cover", [{}, FOIL])
def test_a_followed_design_keeps_its_sheets(cover):
    sheet = Damping(part="shelf", thickness=4, E_GPa=0.5, density_kg_m3=1600, loss_factor=0.4, **cover)
    c = cabinet(damping=(sheet,))
    moved = replace(c, braces=(replace(c.braces[0], at=208.0),))
    heavier = replace(moved, damping=(replace(sheet, density_kg_m3=1800),))
    near = follow(build(c, size=SIZE), heavier)
    assert near.mass_kg == pytest.approx(build(heavier, size=SIZE).mass_kg, rel=1e-9)
    afresh = solve(build(heavier, size=SIZE), 4).frequency_Hz
    assert solve(follow(build(moved, size=SIZE), heavier), 4).frequency_Hz == pytest.approx(afresh, rel=1e-6)
    # A brace that moved keeps its joints' points in their triangles, which is another discretisation.
    assert solve(near, 4).frequency_Hz == pytest.approx(afresh, rel=2e-3)


def test_a_soft_gasket_isolates_above_its_resonance(heard, model):
    soft = cabinet(drivers=(replace(cabinet().drivers[0], gasket_N_mm=150.0),))  # 1.5 kg: 50 Hz
    other = sound(soft, BAND, size=SIZE, model=replace(model, cabinet=soft), cache=False)
    change = 20 * np.log10(np.abs(other.cause_Pa["force"]) / np.abs(heard.cause_Pa["force"]))
    high = (BAND > 200) & (BAND < 350)
    assert (change[high] < -10).all()
    hard = cabinet(drivers=(replace(cabinet().drivers[0], gasket_N_mm=5e6),))
    same = sound(hard, BAND, size=SIZE, model=replace(model, cabinet=hard), cache=False)
    low = BAND < 350
    assert same.level_dB[low] == pytest.approx(heard.level_dB[low], abs=0.2)


def test_a_rear_contact_ties_the_driver_to_its_brace():
    wall = Brace(name="wall", normal="y", at=120, board="b", within=(("z", ("bottom", "shelf")),))
    base = cabinet(braces=(*cabinet().braces, wall))
    model = build(base, size=SIZE)
    free = sound(base, BAND, size=SIZE, model=model, cache=False)
    touching = replace(base, drivers=(replace(base.drivers[0], rear_brace="wall", rear_N_mm=2e4),))
    tied = sound(touching, BAND, size=SIZE, model=replace(model, cabinet=touching), cache=False)
    assert np.abs(tied.level_dB - free.level_dB).max() > 0.5
    with pytest.raises(DesignError, match="does not stand across"):
        replace(base, drivers=(replace(base.drivers[0], rear_brace="shelf", rear_N_mm=100),))
    with pytest.raises(DesignError, match="together"):
        Driver(opening="woofer", mass_kg=1, rear_brace="wall")
    open_wall = replace(wall, pockets=(Pocket(shape=Rectangle(centre=(96, 110), size=(60, 60))),))
    with pytest.raises(DesignError, match="no wood behind the driver"):
        replace(touching, braces=(*cabinet().braces, open_wall))


def test_soft_feet_leave_the_sound_of_the_walls(heard):
    standing = sound(cabinet(supports=Supports(kind="feet")), BAND, size=SIZE, cache=False)
    above = BAND > 150  # the bounce on the feet
    assert standing.level_dB[above] == pytest.approx(heard.level_dB[above], abs=0.3)
    assert np.abs(standing.level_dB - heard.level_dB).max() > 1.0


@pytest.mark.parametrize("kind", ["free", "feet", "spikes", "stand"])
def test_no_mode_of_the_band_is_left_out_on_any_support(kind):
    """On feet nothing is rigid: taking six off the count left out the six highest modes, up to 8 dB of the level."""
    model = build(cabinet(supports=Supports(kind=kind)), size=SIZE)
    found = modes_up_to(damped(model), 900.0).frequency_Hz
    every = solve(model, len(found) + 12).frequency_Hz
    assert len(found) == (every < 900.0).sum()
    assert found == pytest.approx(every[: len(found)], rel=1e-6)


# --- operator on disk -----------------------------------------------------------------------------------------------


def test_the_operator_is_kept_and_a_damaged_copy_is_replaced():
    said: list[str] = []
    first = outside((90, 100, 120), 300, progress=said.append)
    assert said
    files = list(cache_folder().glob("*.npz"))
    assert len(files) == 1
    said.clear()
    again = outside((90, 100, 120), 300, progress=said.append)
    assert not said
    assert (again.kept == first.kept).all()
    files[0].write_bytes(files[0].read_bytes()[:500])
    assert (outside((90, 100, 120), 300, progress=said.append).kept == first.kept).all()
    assert said
    assert not list(cache_folder().glob("*.part"))


def test_interpolation_between_kept_frequencies():
    coarse = outside((200, 260, 340), 900, cache=False, panel=60)
    from bracewright.sound import bem
    from bracewright.sound.radiate import INSIDE_POINTS

    p = coarse.surface.panels
    kernels = bem.Kernels(p, np.vstack([p.centre, bem.inside_points(coarse.surface.middle, INSIDE_POINTS)]), own=True)
    for f in (33.0, 410.0, 877.0):
        ay = p.area[:, None] * bem.solved(p, *kernels.at_wavenumber(2 * np.pi * f / SPEED))
        exact = (ay + ay.transpose(0, 2, 1)) / 2
        assert np.linalg.norm(coarse.at(f).area_y - exact) < 2e-4 * np.linalg.norm(exact)
    with pytest.raises(DesignError, match="reaches"):
        coarse.at(5000.0)
    with pytest.raises(DesignError, match="lengths are in mm"):
        coarse.at(300.0).transfer([[0.1, -0.001, 0.1]])


# --- report ---------------------------------------------------------------------------------------------------------


def test_report(heard):
    r = report(heard)
    table = json.loads(json.dumps(r.to_table(), allow_nan=False))
    assert table["frequency_Hz"] == pytest.approx(BAND.tolist())
    assert sum(r.panels.values()) == pytest.approx(1.0)
    assert r.humps
    loud = r.humps[0]
    assert loud.level_dB == max(h.level_dB for h in r.humps)
    assert loud.panel in PANELS
    assert all(abs(a / f - 1) <= 0.05 for a, _, f in r.pairs)
    text = r.text()
    assert f"{loud.frequency_Hz:.0f}" in text
    assert "third octave" in text
    assert all(ord(c) < 0x2000 for c in text)
    for b, level, _ in r.bands:
        inside = np.abs(np.log2(BAND / b)) < 1 / 6
        assert heard.level_dB[inside].min() - 1 < level < heard.level_dB[inside].max() + 1


def test_guidance_names_sources_and_gives_no_threshold():
    assert "dB" not in GUIDANCE
    assert "1988" in GUIDANCE
    assert "No number is given" in GUIDANCE


def test_radiation_efficiency_is_positive_and_low_below_coincidence(heard):
    e = radiation_efficiency(heard.setup, 4)
    assert (e > 0).all()
    assert (e < 1.5).all()


def test_a_design_without_a_moving_driver_is_refused():
    still = cabinet(drivers=(Driver(opening="woofer", mass_kg=1.5),))
    with pytest.raises(DesignError, match="moving_mass_g"):
        sound(still, BAND, size=SIZE, cache=False)


def test_pictures(heard):
    from matplotlib.figure import Figure

    from bracewright.show import plots, sound_plots

    r = report(heard)
    for draw in (sound_plots.levels, sound_plots.third_octaves, sound_plots.mode_pairs):
        artists = draw(r)
        assert artists
        assert isinstance(plots.figure_of(artists), Figure)
        assert "Hz" in artists[0].axes.get_xlabel()
    for side, line in zip(PANELS, sound_plots.sides(heard), strict=True):
        assert line.get_label() == side
        np.testing.assert_allclose(10 ** (line.get_ydata() / 20), np.abs(heard.side_Pa[side] / heard.drivers_Pa))
    humps = r.humps[:5]
    curve, dashed, *marks, names = sound_plots.levels(r, r)
    np.testing.assert_array_equal(curve.get_ydata(), heard.level_dB)
    assert (curve.get_linestyle(), dashed.get_linestyle()) == ("-", "--")
    assert [(m.get_text(), m.xy) for m in marks] == [
        (str(k), (h.frequency_Hz, h.level_dB)) for k, h in enumerate(humps, 1)
    ]
    for h, words in zip(humps, names.get_text().splitlines(), strict=True):
        assert f"{h.frequency_Hz:.0f} Hz, mode {h.mode}, {h.panel}" in words
    assert curve.axes.get_ylabel().endswith("dB")
    wall, air, *_ = sound_plots.mode_pairs(r)
    shown = [segment[0][0] for segment in air.get_segments()]
    found = heard.setup.drive.air.frequency_Hz
    assert shown == pytest.approx(found[found <= heard.frequency_Hz[-1]])
    assert len(wall.get_segments()) > 0
    (steps, *_) = sound_plots.third_octaves(r)
    assert list(steps.get_xdata()) == [b[0] for b in r.bands]


def test_the_command(tmp_path, capsys):
    from bracewright.cli import main
    from bracewright.design import save

    save(cabinet(), tmp_path / "box.toml")
    out = tmp_path / "out"
    line = ["sound", str(tmp_path / "box.toml"), "--high", "400", "--count", "30", "--size", "60"]
    assert main([*line, "--json", "--out", str(out)]) == 0
    table = json.loads(capsys.readouterr().out)
    assert len(table["frequency_Hz"]) == 30
    assert sorted(p.name for p in out.iterdir()) == sorted(p.rsplit("/", 1)[-1] for p in table["files"])
    assert main(line) == 0
    assert "third octave" in capsys.readouterr().out
    save(cabinet(name="other", depth=280), tmp_path / "other.toml")
    both = tmp_path / "both"
    assert main([*line, "--quick", "--json", "--beside", str(tmp_path / "other.toml"), "--out", str(both)]) == 0
    table = json.loads(capsys.readouterr().out)
    assert table["quick"]
    assert table["beside"]["name"] == "other"
    assert sum(p.suffix == ".wav" for p in both.iterdir()) == 6
    save(cabinet(drivers=()), tmp_path / "still.toml")
    assert main(["sound", str(tmp_path / "still.toml")]) == 2
    assert "moving_mass_g" in capsys.readouterr().err
