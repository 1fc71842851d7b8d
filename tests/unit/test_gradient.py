"""Derivatives of modes against central differences of whole solutions, and following a design."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from cabinets import box, pocket, shelf

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, Driver, JointSpec, Opening, Pocket, Supports
from bracewright.design.pockets import Circle, Superellipse
from bracewright.errors import BracewrightError, MeshError
from bracewright.fem.gradient import Change, Sensitivity, check_gradient
from bracewright.fem.modes import Modes, solve
from bracewright.fem.moves import follow
from bracewright.fem.system import Model, build

AGREEMENT = 1e-4  # relative to a variable's largest derivative; differences of whole solutions are good to 1e-6
COUNT = 20


def thin(E: float = 3.0, thickness: float = 18.0, rho: float = 700.0) -> Board:
    return Board.isotropic(thickness, E, 0.25, rho, name="thin")


def design() -> Cabinet:
    plain = box(joint=JointSpec(kind="glued"))
    return replace(
        plain,
        boards=(*plain.boards, thin()),
        braces=(
            shelf(at=230.7),
            Brace(
                name="keel",
                normal="x",
                at=100.3,
                board="thin",
                within=(("z", ("bottom", "shelf")),),
                pockets=(Pocket(shape=Circle(centre=(150, 110), diameter=90)),),
            ),
            Brace(
                name="wall",
                normal="y",
                at=171.2,
                board="thin",
                within=(("z", ("shelf", "top")),),
                pockets=(Pocket(shape=Superellipse(centre=(110, 310), size=(90, 70), exponent=3)),),
                tilt_deg=4,
                tilt_about="x",
            ),
        ),
        openings=(Opening(name="woofer", panel="front", shape=Circle(centre=(110, 310), diameter=120)),),
        drivers=(Driver(opening="woofer", mass_kg=1.9),),
    )


def brace(c: Cabinet, name: str, **more: object) -> Cabinet:
    return replace(c, braces=tuple(replace(b, **more) if b.name == name else b for b in c.braces))


def reshaped(c: Cabinet, name: str, **more: object) -> Cabinet:
    p = c.brace(name).pockets[0]
    return brace(c, name, pockets=(replace(p, shape=replace(p.shape, **more)),))


def board(c: Cabinet, new: Board) -> Cabinet:
    return replace(c, boards=tuple(new if b.name == new.name else b for b in c.boards))


def opened(c: Cabinet, diameter: float) -> Cabinet:
    o = c.openings[0]
    return replace(c, openings=(replace(o, shape=replace(o.shape, diameter=diameter)),))


VARIABLES: dict[str, tuple[Callable[[Cabinet, float], Cabinet], float]] = {
    "shelf at": (lambda c, d: brace(c, "shelf", at=230.7 + d), 0.002),
    "keel at": (lambda c, d: brace(c, "keel", at=100.3 + d), 0.002),
    "wall at": (lambda c, d: brace(c, "wall", at=171.2 + d), 0.002),
    "wall tilt": (lambda c, d: brace(c, "wall", tilt_deg=4 + d), 0.002),
    "pocket width": (lambda c, d: reshaped(c, "shelf", size=(110 + d, 160)), 0.01),
    "pocket place": (lambda c, d: reshaped(c, "shelf", centre=(110 + d, 150)), 0.01),
    "pocket corners": (lambda c, d: reshaped(c, "shelf", corner_radius=20 + d), 0.01),
    "round pocket": (lambda c, d: reshaped(c, "keel", diameter=90 + d), 0.01),
    "superellipse": (lambda c, d: reshaped(c, "wall", exponent=3 + d), 0.001),
    "modulus": (lambda c, d: board(c, thin(E=3.0 + d)), 0.002),
    "density": (lambda c, d: board(c, thin(rho=700 + d)), 0.2),
    "thickness": (lambda c, d: board(c, thin(thickness=18 + d)), 0.002),
    "glue": (lambda c, d: replace(c, joint=replace(c.joint, glue_E_GPa=1 + d)), 0.01),
    "driver mass": (lambda c, d: replace(c, drivers=(replace(c.drivers[0], mass_kg=1.9 + d),)), 0.002),
    "opening": (lambda c, d: opened(c, 120 + d), 0.01),
}


def change(name: str) -> Change:
    make, width = VARIABLES[name]
    return Change(make(design(), -width / 2), make(design(), width / 2), width)


@pytest.fixture(scope="module")
def model() -> Model:
    return build(design(), size=45)


@pytest.fixture(scope="module")
def modes(model: Model) -> Modes:
    return solve(model, COUNT)


@pytest.mark.slow
@pytest.mark.parametrize("name", VARIABLES)
def test_derivative_is_the_difference(name: str, model: Model) -> None:
    assert check_gradient(model, COUNT, [change(name)]).max() < AGREEMENT


@pytest.mark.parametrize(
    "name", ["shelf at", "keel at", "wall at", "wall tilt", "pocket place", "superellipse", "opening"]
)
def test_from_the_design_itself(name: str, model: Model, modes: Modes) -> None:
    """A step from today's design agrees with the difference about it, which is checked above."""
    make, _ = VARIABLES[name]
    step = 1e-6
    found = Sensitivity(model, modes).frequencies([change(name), Change(model.cabinet, make(design(), step), step)])
    assert found[1] == pytest.approx(found[0], abs=AGREEMENT * np.abs(found[0]).max())


def test_doubling_all_stiffness_and_mass(model: Model, modes: Modes) -> None:
    """Frequencies go as the square root of E and of 1/rho when every board changes alike (dimensional analysis)."""
    c = box(joint=JointSpec(kind="rigid"))
    m = build(c, size=60)
    found = solve(m, 6)

    def scaled(factor: float, heavier: float) -> Cabinet:
        return board(c, Board.isotropic(22, 3.5 * factor, 0.25, 740 * heavier, name="b"))

    w = 1e-4
    changes = [
        Change(scaled(1 - w, 1), scaled(1 + w, 1), 2 * w),
        Change(scaled(1, 1 - w), scaled(1, 1 + w), 2 * w),
    ]
    d = Sensitivity(m, found).frequencies(changes)
    assert d[0] == pytest.approx(found.frequency_Hz / 2, rel=1e-5)
    assert d[1] == pytest.approx(-found.frequency_Hz / 2, rel=1e-5)


HUNG = {
    "openings": (Opening(name="woofer", panel="front", shape=Circle(centre=(110, 250), diameter=120)),),
    "drivers": (Driver(opening="woofer", mass_kg=1.9, frame="rigid"),),
}
STANDING: dict[str, dict[str, object]] = {
    "feet": {"supports": Supports(kind="feet")},
    "stand": {"supports": Supports(kind="stand")},
    "clamped": {"supports": Supports(kind="clamped", edges=("back-bottom",))},
    "driver": HUNG,
}


@pytest.mark.parametrize("name", STANDING)
def test_supports_and_drivers_change_with_the_boards_they_are_on(name: str) -> None:
    """A foot's arm, a bed's height, a clamp's stiffness, the turning of a driver's mass and its rigid frame."""
    c = box(**STANDING[name])  # type: ignore[arg-type]

    def wall(E: float, thickness: float) -> Cabinet:
        return board(c, Board.isotropic(thickness, E, 0.25, 740, name="b"))

    w = 1e-3
    changes = [
        Change(wall(3.5, 22 - w), wall(3.5, 22 + w), 2 * w),
        Change(wall(3.5 - w, 22), wall(3.5 + w, 22), 2 * w),
    ]
    assert check_gradient(build(c, size=60), 8, changes).max() < 1e-6


def test_a_stand_s_bed_widens_with_the_box() -> None:
    c = box(supports=Supports(kind="stand"))
    w = 2e-3
    wider = Change(replace(c, width=220 - w), replace(c, width=220 + w), 2 * w)
    assert check_gradient(build(c, size=60), 8, [wider]).max() < 1e-3


def test_following_agrees_with_building(model: Model, modes: Modes) -> None:
    """A followed model is the built one up to the mesh."""
    moved = reshaped(brace(design(), "shelf", at=236.0), "shelf", size=(116, 150))
    near = solve(follow(build(design(), size=30), moved), COUNT)
    fresh = solve(build(moved, size=30), COUNT)
    assert near.missed_modes == 0
    assert near.frequency_Hz[:10] == pytest.approx(fresh.frequency_Hz[:10], rel=3e-3)
    back = solve(follow(follow(model, moved), design()), COUNT)
    assert back.frequency_Hz == pytest.approx(modes.frequency_Hz, rel=1e-3)


def test_following_redoes_only_what_changed(model: Model) -> None:
    moved = reshaped(design(), "shelf", size=(112, 160))
    near = follow(model, moved)
    same = {key for key in model.terms if near.terms[key] is model.terms[key]}
    assert ("part", "shelf") not in same
    assert all(("part", p) in same for p in ("front", "left", "top", "keel", "wall"))
    corners = [key for key in model.terms if key[0] == "joint" and key[3] == "corner"]
    assert all(key in same for key in corners)
    assert near.mass_kg == pytest.approx(build(moved, size=45).mass_kg, rel=1e-5)


def test_a_warm_start_gives_the_same_modes(model: Model, modes: Modes) -> None:
    again = solve(model, COUNT, start=modes.shapes)
    assert again.frequency_Hz == pytest.approx(modes.frequency_Hz, rel=1e-9)


def test_what_cannot_be_followed_is_said() -> None:
    c = box(braces=(shelf(pockets=(pocket((110, 150), (60, 60)),)),))
    m = build(c, size=60)
    with pytest.raises(BracewrightError, match="afresh"):
        follow(m, replace(c, braces=()))
    with pytest.raises(MeshError, match="squeezed"):
        follow(m, reshaped(c, "shelf", centre=(140, 210), size=(30, 22), corner_radius=5))


def test_repeated_modes_sum_smoothly() -> None:
    """A cube's modes come in threes; the sum over a cluster has the derivative of its trace."""
    c = box(width=300, depth=300, height=300)
    m = build(c, size=75)
    found = solve(m, 6)
    w = 1e-3
    grown = Change(
        board(c, Board.isotropic(22, 3.5 - w, 0.25, 740, name="b")),
        board(c, Board.isotropic(22, 3.5 + w, 0.25, 740, name="b")),
        2 * w,
    )
    d = Sensitivity(m, found).eigenvalues([grown])[0]
    assert d.sum() == pytest.approx(((2 * np.pi * found.frequency_Hz) ** 2).sum() / 3.5, rel=1e-4)
