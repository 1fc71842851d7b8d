"""Near designs solved from a known one's factor and modes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cabinets import box, shelf

from bracewright.errors import BracewrightError, MeshError, SolveError
from bracewright.examples import example
from bracewright.fem.modes import solve
from bracewright.fem.moves import carried, follow
from bracewright.fem.near import Anchor
from bracewright.fem.system import build

COUNT = 20


@pytest.fixture(scope="module")
def anchor() -> Anchor:
    return Anchor.of(box(braces=(shelf(),)), COUNT, size=45)


def moved(by: float):
    return box(braces=(shelf(at=230.0 + by),))


def cut(by: float):
    p = shelf().pockets[0]
    return box(braces=(shelf(pockets=(replace(p, shape=replace(p.shape, size=(110 + by, 160 - by))),)),))


@pytest.mark.parametrize("design", [moved(0.5), moved(4.0), moved(-8.0), cut(1.0), cut(8.0)])
@pytest.mark.parametrize("tolerance", [4e-4, 1e-6])
def test_what_is_found_is_within_the_tolerance_of_a_full_solution(anchor: Anchor, design, tolerance: float) -> None:
    model, modes = anchor.solve(design, tolerance=tolerance)
    exact = solve(follow(anchor.model, design), COUNT)
    assert model.cabinet == design
    # The estimate may be a little off; the promise to users is the tolerance, so none is added here.
    assert np.abs(modes.frequency_Hz / exact.frequency_Hz - 1).max() < tolerance
    assert (modes.frequency_Hz >= exact.frequency_Hz * (1 - 1e-9)).all()  # Ritz values are bounds from above
    gram = modes.shapes.T @ (model.M @ modes.shapes)
    np.testing.assert_allclose(gram, np.eye(COUNT), atol=1e-6)


@pytest.mark.parametrize(("narrower", "reached"), [(40.0, True), (56.0, False)])
def test_a_joint_is_followed_as_far_as_its_triangles_reach_or_refused(narrower: float, reached: bool) -> None:
    """Beyond that its points were taken elsewhere, in silence: turning the whole cabinet took energy, 7 and 24 Hz."""
    start = example("stand-mount")
    own = start.brace("shelf")
    window = own.pockets[0]
    size = (window.shape.size[0] - narrower, window.shape.size[1])
    other = replace(own, pockets=(replace(window, shape=replace(window.shape, size=size)),))
    design = replace(start, braces=tuple(other if b is own else b for b in start.braces))
    near = Anchor.of(start, 12, size=60)
    if not reached:
        with pytest.raises(MeshError, match="too far from the triangle it was in"):
            near.solve(design, tolerance=4e-4)
        return
    model, modes = near.solve(design, tolerance=4e-4)
    assert modes.rigid_modes == 6
    assert np.abs(model.rigid.T @ (model.K @ model.rigid)).max() < 1e-3  # 2e5 where it went wrong
    assert modes.frequency_Hz == pytest.approx(solve(model, 12).frequency_Hz, rel=4e-4)


def test_the_anchor_itself_costs_one_look(anchor: Anchor) -> None:
    _, modes = anchor.solve(anchor.model.cabinet)
    np.testing.assert_allclose(modes.frequency_Hz, anchor.modes.frequency_Hz, rtol=1e-8)


def test_a_material_far_off_is_still_found_or_refused(anchor: Anchor) -> None:
    heavy = anchor.model.cabinet
    heavy = replace(
        heavy,
        boards=tuple(replace(b, layers=tuple(replace(y, density_kg_m3=900.0) for y in b.layers)) for b in heavy.boards),
    )
    _, modes = anchor.solve(heavy)
    exact = solve(follow(anchor.model, heavy), COUNT)
    np.testing.assert_allclose(modes.frequency_Hz, exact.frequency_Hz, rtol=1e-4)


def test_too_far_a_design_is_refused(anchor: Anchor) -> None:
    with pytest.raises(BracewrightError):
        anchor.solve(moved(120.0), tolerance=1e-9)


def test_another_number_of_parts_is_refused(anchor: Anchor) -> None:
    with pytest.raises(SolveError, match="afresh"):
        anchor.solve(box())


@pytest.mark.parametrize("tolerance", [4e-4, 1e-4])
def test_a_joint_point_that_leaves_its_triangle_makes_no_jump(tolerance: float) -> None:
    """Points of joints stay in their triangles as braces move; else a loose one slips by the error's estimate."""
    cabinet = example("stand-mount")
    start = Anchor.of(cabinet, 12, size=40)
    for at in (249.0, 246.0, 242.0):
        braces = tuple(replace(b, at=at) if b.name == "shelf" else b for b in cabinet.braces)
        model, modes = start.solve(replace(cabinet, braces=braces), tolerance=tolerance)
        exact = solve(model, 12, prove=False)
        assert np.abs(modes.frequency_Hz / exact.frequency_Hz - 1).max() < tolerance
        # The model itself is that of a fresh mesh to what meshes differ by.
        fresh = solve(build(replace(cabinet, braces=braces), size=40), 12, prove=False)
        assert exact.frequency_Hz == pytest.approx(fresh.frequency_Hz, rel=6e-3)


def test_shapes_go_with_a_brace_that_moves() -> None:
    """What a brace held still stays held where it goes: the start's Rayleigh quotients are ten times nearer."""
    old = build(moved(0.0), size=40)
    shapes = solve(old, 8, prove=False).shapes
    new = follow(old, moved(4.0))
    exact = solve(new, 8, prove=False).frequency_Hz

    def worst(x: np.ndarray) -> float:
        k, m = (np.einsum("im,im->m", x, a @ x) for a in (new.K, new.M))
        return float(np.abs(np.sqrt(k / m) / (2 * np.pi) / exact - 1).max())

    assert worst(carried(old, new, shapes)) < 0.1 * worst(shapes)
    np.testing.assert_array_equal(carried(old, old, shapes), shapes)
