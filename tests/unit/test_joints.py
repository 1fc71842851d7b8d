"""Assembled joints: rigid motion is free, mass is right, loose joints let go."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp
from cabinets import RIGID, box, pocket, shelf

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, Driver, JointSpec, Opening, Supports
from bracewright.design.pockets import Rectangle
from bracewright.errors import DesignError, SolveError
from bracewright.fem.joints import face_stiffness
from bracewright.fem.modes import solve
from bracewright.fem.parts import flat_part
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model, build, driver_matrices

BOX_VOLUME = 220 * 300 * 400 - 176 * 256 * 356  # mm3
DENSITY = 740e-9  # kg/mm3

upright = Brace(name="upright", normal="x", at=110, board="b", pockets=(pocket((150, 200), (150, 240)),))
leaning = Brace(name="leaning", normal="z", at=200, board="b", tilt_deg=10, tilt_about="x")
short = Brace(name="short", normal="y", at=150, board="b", within=(("z", ("bottom", "shelf")),))
CASES: dict[str, Cabinet] = {
    "plain": box(),
    "shelf": box(braces=(shelf(),)),
    "crossing": box(braces=(shelf(at=200), upright)),
    "leaning": box(braces=(leaning,)),
    "leaning and crossing": box(braces=(shelf(at=200, pockets=()), replace(upright, tilt_deg=12, tilt_about="y"))),
    "short": box(braces=(shelf(), short)),
    "glued": box(braces=(shelf(),), joint=JointSpec(kind="glued", form="tongue")),
    "dry": box(braces=(shelf(),), joint=JointSpec(kind="dry", form="housed")),
    "springs": box(braces=(shelf(),), joint=JointSpec(kind="springs", translation_N_mm2=500, rotation_N_rad=4e4)),
}


def rigid_energy(model: Model) -> float:
    """Largest energy of a rigid motion, relative to what its nodal forces would be if they did not cancel."""
    force = abs(model.K) @ np.abs(model.rigid)
    energy = np.einsum("ij,ij->j", model.rigid, model.K @ model.rigid)
    return float((np.abs(energy) / np.einsum("ij,ij->j", np.abs(model.rigid), force)).max())


@pytest.mark.parametrize("joints", ["computed", "plain"])
@pytest.mark.parametrize("name", CASES)
def test_rigid_motion_is_free_and_matrices_are_symmetric(name: str, joints: str) -> None:
    model = build(CASES[name], size=60, joints=joints)
    assert rigid_energy(model) < 1e-9
    assert abs(model.K - model.K.T).max() <= 1e-12 * abs(model.K).max()
    assert np.linalg.eigvalsh(model.mass_matrix).min() > 0


@pytest.mark.parametrize("name", CASES)
def test_six_rigid_modes_and_none_missed(name: str) -> None:
    modes = solve(build(CASES[name], size=60), 10)
    assert modes.rigid_modes == 6
    assert modes.missed_modes == 0
    assert modes.residual < 1e-6
    assert np.all(np.diff(modes.frequency_Hz) >= 0)


def solid_mass(cabinet: Cabinet) -> float:
    volume = BOX_VOLUME
    if cabinet.braces and cabinet.braces[0].name == "shelf":
        holes = sum(p.outline().area for p in cabinet.braces[0].pockets)
        volume += 22 * (176 * 256 - holes)
    return volume * DENSITY


@pytest.mark.parametrize("name", ["plain", "shelf", "glued", "dry"])
def test_mass_is_the_solid_s(name: str) -> None:
    assert build(CASES[name]).mass_kg == pytest.approx(solid_mass(CASES[name]), rel=1e-4)


def test_wood_shared_by_crossing_braces_counts_once() -> None:
    full = box(braces=(shelf(at=200, pockets=()), replace(upright, pockets=())))
    volume = BOX_VOLUME + 22 * (176 * 256 + 256 * 356) - 22 * 22 * 256
    assert build(full).mass_kg == pytest.approx(volume * DENSITY, rel=1e-4)


def test_leaning_brace_has_its_own_area() -> None:
    volume = BOX_VOLUME + 22 * 176 * 256 / np.cos(np.radians(10))
    assert build(CASES["leaning"]).mass_kg == pytest.approx(volume * DENSITY, rel=1e-4)


@pytest.mark.slow
def test_loosening_lowers_modes_down_to_free_panels() -> None:
    """From whole wood to glue, a dry fit and nothing, modes fall; dry by 5-25 % (common practice: 5-20 %)."""
    first = []
    for joint in (RIGID, JointSpec(kind="glued"), JointSpec(kind="dry"), JointSpec(kind="dry", contact_N_mm3=0.4)):
        first.append(solve(build(box(braces=(shelf(),), joint=joint)), 5, prove=False).frequency_Hz)
    rigid, glued, dry, loose = first
    assert np.all(glued < rigid)
    assert np.all(glued > 0.99 * rigid)
    assert np.all((dry < 0.95 * glued) & (dry > 0.75 * glued))
    assert np.all(loose < 0.7 * dry)
    nothing = JointSpec(kind="springs", translation_N_mm2=0.0, rotation_N_rad=0.0)
    cabinet = box(braces=(shelf(pockets=()),), joint=nothing)
    free = solve(build(cabinet), 4)
    assert free.rigid_modes == 42  # seven boards, each free six ways
    assert free.missed_modes == 0
    alone = solve(build(box(width=1000, depth=1000, height=1000, joint=nothing)), 1, prove=False)
    assert alone.rigid_modes == 36


def test_stiffer_springs_approach_one_piece() -> None:
    whole = solve(build(box()), 4, prove=False).frequency_Hz
    stiff = JointSpec(kind="springs", translation_N_mm2=1e8, rotation_N_rad=1e11)
    assert solve(build(box(joint=stiff)), 4, prove=False).frequency_Hz == pytest.approx(whole, rel=1e-4)


def test_springs_soft_beyond_use_still_solve() -> None:
    """Boards that hang together by next to nothing move as bodies on springs: frequencies go with the root."""
    first = []
    for k in (1e-2, 1e-4, 1e-6):
        soft = JointSpec(kind="springs", translation_N_mm2=k, rotation_N_rad=100 * k)
        modes = solve(build(box(braces=(shelf(),), joint=soft), size=60), 8)
        assert (modes.rigid_modes, modes.missed_modes) == (6, 0)
        first.append(modes.frequency_Hz)
    assert first[1] == pytest.approx(first[0] / 10, rel=2e-3)  # the boards themselves give a little
    # A millionth of a newton: what the solver settles at is near rounding.
    assert first[2] == pytest.approx(first[0] / 100, rel=0.02)


def test_one_dry_edge_lowers_only_a_little_what_hardly_works_it() -> None:
    good = box(braces=(shelf(),), joint=JointSpec(kind="glued"))
    bad = replace(good, joint_overrides=(("shelf-left", JointSpec(kind="dry")),))
    a, b = (solve(build(c), 8, prove=False).frequency_Hz for c in (good, bad))
    drop = 1 - b / a
    assert drop.max() > 0.005
    assert drop.min() > -1e-6
    assert drop.max() < 0.12


@pytest.mark.parametrize("form", ["butt", "mitre", "rebate", "tongue", "housed"])
def test_forms_only_add_face(form: str) -> None:
    butt = face_stiffness(JointSpec(kind="dry"), 0.022)
    other = face_stiffness(JointSpec(kind="dry", form=form), 0.022)
    assert np.all(other >= butt * (1 - 1e-12))


def test_butt_face_stiffness_by_hand() -> None:
    """PVA 1 GPa, 0.1 mm thick, on a 22 mm edge: E/t x width, and width^3/12 about the line."""
    press, slide, about, along = face_stiffness(JointSpec(kind="glued"), 0.022)
    assert press == pytest.approx(1e9 / 1e-4 * 0.022)
    assert slide == along == pytest.approx(0.4 * press)
    assert about == pytest.approx(1e13 * 0.022**3 / 12)


def test_layered_and_oblique_boards_stay_free_in_rigid_motion() -> None:
    ply = Board.of("birch_plywood", 18, name="b")
    cabinet = replace(box(braces=(replace(shelf(), grain_deg=30),)), boards=(ply,))
    model = build(cabinet, size=60)
    assert rigid_energy(model) < 1e-9
    assert solve(model, 6).missed_modes == 0


def test_bounce_on_feet() -> None:
    """Four feet of 40 N/mm under a rigid 7.67 kg box: sqrt(k/m) = 23.0 Hz upright."""
    model = build(box(supports=Supports(kind="feet")))
    modes = solve(model, 6)
    assert modes.rigid_modes == 0
    assert modes.missed_modes == 0
    bounce = np.sqrt(4 * 4.0e4 / model.mass_kg) / (2 * np.pi)
    assert np.abs(modes.frequency_Hz / bounce - 1).min() < 0.01
    # As soft as feet can be wished, they are still no free space.
    soft = solve(build(box(supports=Supports(kind="feet", stiffness_N_mm=1.0, lateral_N_mm=1.0))), 8)
    assert (soft.rigid_modes, soft.missed_modes) == (0, 0)
    assert np.abs(soft.frequency_Hz / (bounce / np.sqrt(40)) - 1).min() < 0.01
    assert soft.frequency_Hz[6] > 100 * soft.frequency_Hz[0]


def test_a_clamped_edge_holds_the_cabinet() -> None:
    free = solve(build(box()), 1, prove=False)
    held = solve(build(box(supports=Supports(kind="clamped", edges=("back-bottom", "back-top", "back-left")))), 1)
    assert held.rigid_modes == 0
    assert held.missed_modes == 0
    assert held.frequency_Hz[0] < free.frequency_Hz[0]


def test_stand_is_a_bed_of_springs() -> None:
    model = build(box(supports=Supports(kind="stand", bed_N_mm3=0.001)))
    k = 0.001e9 * 0.176 * 0.256
    bounce = np.sqrt(k / model.mass_kg) / (2 * np.pi)
    assert np.abs(solve(model, 6).frequency_Hz / bounce - 1).min() < 0.02


def test_fine_triangles_at_a_joint_are_tied_as_firmly_as_coarse_ones() -> None:
    """Beside a loaded opening near an edge; with the joint's points as far apart as elsewhere it was 4 % low."""
    hole = Opening(name="h", panel="back", shape=Rectangle(centre=(122, 200), size=(45, 36), corner_radius=5))
    c = box(width=160, height=335, thickness=8, openings=(hole,), drivers=(Driver(opening="h", mass_kg=3.9),))
    coarse, fine = (solve(build(c, size=size), 7).frequency_Hz for size in (30, 15))
    assert coarse == pytest.approx(fine, rel=8e-3)
    # Displacements that fit together come down to the answer.
    assert (coarse > 0.999 * fine).all()


def test_a_drivers_mass_is_an_integral_along_its_edge() -> None:
    """By hand: along a straight side of length L the middle node's function has the square integral 8 L / 15.

    Summed over points evenly spaced all round, the mass of a fine mesh lay unevenly, another way in the mirror.
    """
    hole = Opening(name="h", panel="back", shape=Rectangle(centre=(118, 200), size=(90, 88)))
    driver = Driver(opening="h", mass_kg=2.0)
    c = box(openings=(hole,), drivers=(driver,))
    part = flat_part(c, "back", 6.0)
    points, share = part.edge(hole.shape.outline())
    assert share.sum() == pytest.approx(1.0)
    assert share @ points == pytest.approx([0.118, 0.2], abs=1e-12)
    _, mass, _ = driver_matrices(c, driver, {"back": part}, {"back": 0}, FIELDS * len(part.mesh.points))
    sides = part.mesh.boundary_sides
    ends = part.mesh.points[part.mesh.sides[sides]]
    own = (np.abs(ends - [0.118, 0.2]) < [0.0451, 0.0441]).all(axis=(1, 2))
    length = np.linalg.norm(ends[own, 1] - ends[own, 0], axis=1)
    assert length.sum() == pytest.approx(0.356)
    along = mass.diagonal()[FIELDS * (part.mesh.corners + sides[own]) + 2]
    assert along == pytest.approx(2.0 / 0.356 * 8 / 15 * length, rel=1e-9)


def test_unknown_joint_model_and_silly_size_are_refused() -> None:
    with pytest.raises(DesignError, match="did you mean 'computed'"):
        build(box(), joints="compute")
    with pytest.raises(DesignError, match="element side"):
        build(box(), size=0.03)
    with pytest.raises(DesignError, match=r"size: got 2 mm, which makes about 2\.\d million unknowns; take 4 or more"):
        build(box(), size=2.0)


def test_a_joint_between_parts_that_do_not_touch_is_refused() -> None:
    with pytest.raises(DesignError, match="do not touch"):
        replace(box(braces=(shelf(), short)), joint_overrides=(("short-top", RIGID),))


def test_a_joint_given_twice_is_refused() -> None:
    with pytest.raises(DesignError, match=r"left-front: the same joint is given as 'front-left'"):
        replace(box(), joint_overrides=(("front-left", RIGID), ("left-front", JointSpec())))


def test_a_joint_that_two_pairs_of_parts_can_mean_is_refused() -> None:
    # Four braces in a row of two crossings: "a" with "b-c" and "a-b" with "c" have one key.
    upright = [Brace(name=n, normal="x", at=x, board="b") for n, x in (("a", 70.0), ("a-b", 150.0))]
    lying = [Brace(name=n, normal="z", at=z, board="b") for n, z in (("b-c", 130.0), ("c", 270.0))]
    with pytest.raises(DesignError, match=r"a-b-c: it can be the joint of 'a' with 'b-c' and of 'a-b' with 'c'"):
        replace(box(braces=(*upright, *lying)), joint_overrides=(("a-b-c", RIGID),))


def test_a_tongue_too_thick_is_refused() -> None:
    with pytest.raises(DesignError, match="tongue"):
        box(joint=JointSpec(form="tongue", tongue=20))


def test_both_factorisations_agree() -> None:
    from bracewright.fem.factor import factor

    pytest.importorskip("cholespy")
    model = build(box(), size=60)
    a = model.K + 1e7 * model.M
    b = np.sin(np.arange(model.dofs))
    x, y = (factor(a, method=m).solve(b) for m in (None, "superlu"))
    assert x == pytest.approx(y, rel=1e-8, abs=1e-8 * np.abs(y).max())


def test_a_cholesky_that_fails_is_not_taken_for_a_matrix_that_is_not_definite(monkeypatch) -> None:
    from bracewright.fem import factor as module

    def none(*_: object, **__: object) -> None:
        raise MemoryError

    if module._sparse_cholesky() is None:
        pytest.skip("needs the `fast` extra")
    a = sp.csc_array(sp.diags_array([-1.0, 2.5, -1.0], offsets=[-1, 0, 1], shape=(50, 50)))
    assert module.factor(a).method == "cholesky"
    with pytest.raises(SolveError, match="not positive definite"):
        module.factor(a - sp.eye_array(50))
    with monkeypatch.context() as m:  # as when memory runs out in the library, which does not say so
        m.setattr(module, "_cholesky", lambda library, a: None)
        found = module.factor(a)
        assert found.method == "superlu"
        assert a @ found.solve(np.ones(50)) == pytest.approx(np.ones(50), rel=1e-12)
        m.setattr(module, "splu", none)
        with pytest.raises(MemoryError):
            module.factor(a)


@pytest.mark.skipif(sys.platform != "linux", reason="reads the process's memory from /proc")
def test_factors_that_are_dropped_give_their_memory_back() -> None:
    """Found by 10,000 designs: the Cholesky library kept the last solution of every factor for ever."""
    from bracewright.fem.factor import factor

    n, columns, times = 20_000, 40, 30
    a = sp.csc_array(sp.diags_array([-1.0, 2.5, -1.0], offsets=[-1, 0, 1], shape=(n, n)))
    b = np.ones((n, columns))

    def resident() -> int:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")

    factor(a).solve(b)
    before = resident()
    for _ in range(times):
        factor(a).solve(b)
    assert resident() - before < times * b.nbytes / 4


def test_nested_dissection_changes_the_work_and_not_the_answer(monkeypatch) -> None:
    from bracewright.fem import factor as module

    pytest.importorskip("pymetis")
    model = build(box(braces=(shelf(),)), size=60)
    a = model.K - (2 * np.pi * 1600) ** 2 * model.M
    b = np.sin(np.arange(2 * model.dofs)).reshape(-1, 2)
    lu, solver = module._superlu(a)
    count, x, size = module.negative_pivots(a), solver(b), lu.nnz
    assert np.abs(a @ x - b).max() < 1e-12 * abs(a).max() * np.abs(x).max()
    monkeypatch.setattr(module, "_dissection", lambda a: None)
    lu, solver = module._superlu(a)
    assert size < 0.7 * lu.nnz
    assert count == module.negative_pivots(a) > 6
    assert x == pytest.approx(solver(b), rel=1e-6, abs=1e-8 * np.abs(x).max())


def test_a_zero_on_one_side_of_the_diagonal_does_not_hang_the_ordering(monkeypatch) -> None:
    """Found by growing designs: METIS never ends on a graph that is not symmetric."""
    from bracewright.fem import factor as module

    pymetis = pytest.importorskip("pymetis")
    ordering, seen = pymetis.nested_dissection, []

    def symmetric_only(graph: pymetis.CSRAdjacency) -> object:
        rows = [set(graph.adjacent[a:b]) for a, b in pairwise(graph.adj_starts)]
        assert all(i in rows[j] for i, row in enumerate(rows) for j in row)
        seen.append(len(rows))
        return ordering(graph)

    monkeypatch.setattr(pymetis, "nested_dissection", symmetric_only)
    model = build(box(braces=(shelf(),)), size=150)
    a = sp.lil_matrix(model.K + 1e7 * model.M)
    i = a.shape[0] // 2
    j = max(a.rows[i])
    assert j > i
    a[i, j] = 0.0
    found = module.factor(a.tocsc(), method="superlu")
    assert seen
    b = np.ones(model.dofs)
    assert a @ found.solve(b) == pytest.approx(b, abs=1e-3)
