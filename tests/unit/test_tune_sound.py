"""Quick levels, their slopes, robustness, trade-offs and where a measure helps."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple, replace

import numpy as np
import pytest
import scipy.sparse as sp
from cabinets import box, shelf

from bracewright.design import Cabinet, Driver, Opening
from bracewright.design.pockets import Circle
from bracewright.design.tuning import Tuning
from bracewright.errors import DesignError
from bracewright.fem.modes import solve
from bracewright.fem.moves import follow
from bracewright.fem.near import Anchor
from bracewright.fem.system import build
from bracewright.sound.drive import axial_row
from bracewright.sound.run import sound
from bracewright.tune import Goal, Look, Scatter, Space, bands, search, trade_off
from bracewright.tune.goals import spread, spread_slope
from bracewright.tune.levels import Ear, peak_level, peak_slope
from bracewright.tune.looks import look_at_all
from bracewright.tune.robust import variants
from bracewright.tune.sensitivity import sensitivity_map

SIZE = 60.0
BAND = (150.0, 1500.0)
LOUD = Goal(raise_=0.0, spread=0.0, quiet=1.0, peak=1.0, band_Hz=BAND, harm=0.0)


def thin(at: float = 230.0, **more: object) -> Cabinet:
    return box(
        thickness=12.0,
        braces=(shelf(at),),
        openings=(Opening(name="woofer", panel="front", shape=Circle(centre=(110, 310), diameter=120)),),
        drivers=(Driver(opening="woofer", mass_kg=1.9, moving_mass_g=14, piston_area_cm2=95),),
        **more,
    )


@pytest.fixture(scope="module", autouse=True)
def cache(tmp_path_factory) -> None:
    with pytest.MonkeyPatch.context() as m:
        m.setenv("BRACEWRIGHT_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def look() -> Look:
    return Look.at(LOUD, thin(), size=SIZE)


@pytest.fixture(scope="module")
def anchor(look: Look) -> Anchor:
    return Anchor.of(thin(), look.count, size=SIZE)


def test_quick_levels_follow_the_whole_computation(look: Look, anchor: Anchor) -> None:
    """The coarse air shifts a hump of the air by a frequency or two; elsewhere the two are one line."""
    quick = look.ear.answer(anchor.model, anchor.modes)
    whole = sound(thin(), quick.frequency_Hz, size=SIZE, model=build(thin(), size=SIZE), air_load=False)
    apart = np.abs(quick.level_dB - whole.level_dB)
    assert np.median(apart) < 0.3
    assert np.percentile(apart, 90) < 1.5
    assert np.corrcoef(quick.level_dB, whole.level_dB)[0, 1] > 0.98


def test_mobility_of_a_rigid_cabinet_is_that_of_its_mass(look: Look) -> None:
    moduli = {"E1_GPa": 150.0, "E2_GPa": 150.0, "G12_GPa": 60.0, "G13_GPa": 60.0, "G23_GPa": 60.0}
    hard = tuple(replace(b, layers=tuple(replace(k, **moduli) for k in b.layers)) for b in thin().boards)
    stiff = replace(thin(), boards=hard)
    ear = Ear.of(stiff, (50.0, 100.0))
    model = build(stiff, size=SIZE)
    answer = ear.answer(model, solve(model, 12, prove=False))
    # Below every mode the whole body moves: mass and the turn that an off-centre push gives.
    row = model.rigid.T
    push = row @ axial_row(model, "woofer")
    y = push @ np.linalg.solve(model.mass_matrix, push) / (2 * np.pi * ear.frequency_Hz)
    np.testing.assert_allclose(answer.mobility_dB, 20 * np.log10(y), atol=0.2)


def test_slopes_of_the_smooth_numbers() -> None:
    rng = np.random.default_rng(1)
    f, w = np.sort(rng.uniform(200, 900, 9)), rng.uniform(0.2, 1, 9)
    level = rng.uniform(-40, -5, 30)
    for value, slope, x in (
        (lambda v: spread(v, w), lambda v: spread_slope(v, w), f),
        (peak_level, peak_slope, level),
    ):
        found, h = slope(x), 1e-5
        for k in range(len(x)):
            step = np.zeros(len(x))
            step[k] = h
            assert found[k] == pytest.approx((value(x + step) - value(x - step)) / (2 * h), rel=1e-5, abs=1e-9)


def test_the_slope_of_a_score_by_frequencies(anchor: Anchor) -> None:
    goal = Goal(harm=40.0)
    eye = Look(goal, SIZE, 16)
    here = Anchor.of(anchor.model, 16)
    space = Space.of(thin())
    x = space.start()
    before = eye.numbers(eye.of(thin(), here.model, here.modes))
    found = eye.slope(space, x, here, before)

    def score(y: np.ndarray) -> float:
        cabinet = space.apply(y)
        model = follow(here.model, cabinet)
        modes = solve(model, 16, prove=False, start=here.modes.shapes)
        return goal.score(eye.numbers(eye.of(cabinet, model, modes)), before)

    for k in range(len(x)):
        step = np.zeros(len(x))
        step[k] = 0.02
        assert found[k] == pytest.approx((score(x + step) - score(x - step)) / 0.04, rel=5e-3, abs=2e-6)


def test_the_forms_of_a_level_have_its_derivative(look: Look, anchor: Anchor) -> None:
    """By the board's density and stiffness, which change K and M everywhere: exact but for the modes left out."""
    answer = look.ear.answer(anchor.model, anchor.modes)
    weights = np.exp(-(((answer.frequency_Hz - 500) / 150) ** 2))
    shapes, stiff, inert = answer.forms(weights)
    model = anchor.model
    k, m = (np.einsum("im,im->m", shapes, a @ shapes) for a in (model.K, model.M))
    # d sum / d ln E = x' K x; d sum / d ln rho = -x' M x.
    by_k, by_m = float(stiff @ k), -float(inert @ m)

    def changed(stiffer: float, heavier: float) -> float:
        other = replace(answer, lam=answer.lam * stiffer / heavier, shapes=answer.shapes)
        scaled = replace(other, loads=answer.loads / np.sqrt(heavier), heard=answer.heard / np.sqrt(heavier))
        return float(weights @ scaled.level_dB)

    h = 1e-5
    assert by_k == pytest.approx((changed(1 + h, 1) - changed(1 - h, 1)) / (2 * h), rel=2e-3)
    assert by_m == pytest.approx((changed(1, 1 + h) - changed(1, 1 - h)) / (2 * h), rel=2e-3)


def test_more_loss_quietens_as_the_map_says(look: Look, anchor: Anchor) -> None:
    found = sensitivity_map(look, anchor, "damping")
    answer = look.ear.answer(anchor.model, anchor.modes)
    shapes, weight = answer.loss_forms(np.full(len(answer.frequency_Hz), -0.1 / len(answer.frequency_Hz)))
    whole = float(np.einsum("im,im,m->", shapes, anchor.model.K @ shapes, weight))
    h = 1e-5

    def mean(extra: float) -> float:
        return float(replace(answer, loss_factor=answer.loss_factor + extra * (answer.lam > 0)).level_dB.mean()) / -10

    assert whole == pytest.approx((mean(h) - mean(-h)) / (2 * h), rel=1e-6)
    assert whole > 0
    part, (x, z), value = found.best()
    assert value > 0
    assert part in anchor.model.parts
    assert all(np.isfinite(f).all() for f in found.fields.values())
    assert 0 <= x <= 400
    assert 0 <= z <= 400


def test_a_map_foretells_what_mass_does() -> None:
    """A kilogram spread over a panel, by the map's field and by solving again."""
    goal = Goal(spread=0.0, modes=8)
    eye = Look(goal, SIZE, 12)
    here = Anchor.of(thin(), 12, size=SIZE)
    found = sensitivity_map(eye, here, "mass").fields["top"]
    part = here.model.parts["top"]
    value, _, _, weight = part.mesh.rule(2)
    mean = float(np.einsum("neq,eq,en->", value, weight, found[part.mesh.nodes6]))  # score per kg/m2
    before = goal.numbers(here.modes.frequency_Hz)

    def score(extra: float) -> float:
        local = extra * np.einsum("neq,meq,eq->enm", value, value, weight)
        first = here.model.of_part("top").start + 5 * part.mesh.nodes6
        M = here.model.M
        for f in range(3):
            row, col = np.broadcast_arrays(first[:, :, None] + f, first[:, None, :] + f)
            M = M + sp.coo_array((local.ravel(), (row.ravel(), col.ravel())), shape=M.shape)
        model = replace(here.model, M=sp.csr_array(M))
        return goal.score(goal.numbers(solve(model, 12, prove=False).frequency_Hz), before)

    h = 1e-3
    assert mean == pytest.approx((score(h) - score(-h)) / (2 * h), rel=0.05)


def test_cabinets_as_they_turn_out_are_the_same_for_a_seed() -> None:
    one, two = (variants(thin(), 16, seed=3) for _ in range(2))
    assert one == two
    assert variants(thin(), 16, seed=4) != one
    at = np.array([c.brace("shelf").at for c in one])
    E = np.array([c.boards[0].layers[0].E1_GPa for c in one]) / thin().boards[0].layers[0].E1_GPa
    assert np.std(at) == pytest.approx(0.6, rel=0.4)
    assert np.std(E) == pytest.approx(0.1, rel=0.4)
    still = variants(thin(), 8, scatter=Scatter(stiffness=0, density=0, thickness=0, glue=0, place=0))
    assert all(c.braces == thin().braces for c in still)


def test_bands_hold_the_design_and_grow_with_the_scatter(look: Look) -> None:
    eye = Look(Goal(modes=6), SIZE, 8)
    narrow = bands(
        eye, thin(), 16, scatter=Scatter(stiffness=0.02, density=0.005, thickness=0.02, glue=0.05, place=0.1)
    )
    wide = bands(eye, thin(), 16)
    nominal = eye.numbers(eye.record(thin()))
    for found in (narrow, wide):
        assert found["first_Hz"].low < nominal["first_Hz"] < found["first_Hz"].high
    assert wide["first_Hz"].high - wide["first_Hz"].low > 3 * (narrow["first_Hz"].high - narrow["first_Hz"].low)
    with ThreadPoolExecutor(2) as pool:
        again = bands(eye, thin(), 16, executor=pool)
    # Threads share the linear algebra's own threads, which rounds otherwise.
    for name, found in again.items():
        assert astuple(found) == pytest.approx(astuple(wide[name]), rel=1e-9)
    with pytest.raises(DesignError, match="8 or more"):
        bands(eye, thin(), 4)


def test_a_lost_worker_costs_only_time() -> None:
    class Fragile(ThreadPoolExecutor):
        count = 0

        def submit(self, fn, *args):  # type: ignore[no-untyped-def]
            self.count += 1
            if self.count == 2:
                return super().submit(lambda: (_ for _ in ()).throw(RuntimeError("worker died")))
            return super().submit(fn, *args)

    eye = Look(Goal(modes=4), SIZE, 6)
    designs = [thin(at) for at in (180.0, 200.0, 220.0)]
    with Fragile(1) as pool:
        assert look_at_all(eye, designs, pool) == look_at_all(eye, designs)


@pytest.mark.slow
def test_quiet_is_found_and_a_robust_goal_is_judged_by_scatter() -> None:
    found = search(thin(140.0), goal=replace(LOUD, harm=40.0), size=70.0, evaluations=10)
    assert found.after["peak_dB"] < found.before["peak_dB"] - 1.0
    wished = thin(180.0, tune=Tuning(move=("*.at",), goal=(("raise", 1.0),), robust=1.0))
    sure = search(wished, size=70.0, evaluations=5)
    plain = search(replace(wished, tune=replace(wished.tune, robust=0.0)), size=70.0, evaluations=5)
    assert sure.before["raise_Hz"] == plain.before["raise_Hz"]
    assert sure.history[0].score < 0 == plain.history[0].score


@pytest.mark.slow
def test_a_trade_off_has_no_point_beaten_by_another(tmp_path) -> None:
    points = trade_off(thin(150.0), "raise_", "spread", points=3, evaluations=8, size=70.0, resume=tmp_path / "a.jsonl")
    assert points
    first = [p.first for p in points]
    assert first == sorted(first)
    second = [p.second for p in points]
    assert second == sorted(second, reverse=True)
    with pytest.raises(DesignError, match="two different"):
        trade_off(thin(), "raise_", "raise_")
