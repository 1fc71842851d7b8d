"""Numbers: none that is not finite leaves on any way to a result, and any number of processes gives the same."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pytest
from cabinets import box, plain_board, shelf

from bracewright.boards import Board
from bracewright.design.cabinet import Cabinet, JointSpec, Opening
from bracewright.design.mounted import Driver
from bracewright.design.pockets import Circle
from bracewright.design.tuning import Tuning
from bracewright.errors import DesignError, FileError, SolveError
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.measure.frf import Frfs, frfs
from bracewright.measure.identify import identify
from bracewright.measure.records import Channel, Place, Record
from bracewright.sound import radiated, report, spectrum
from bracewright.sound.run import Setup
from bracewright.tune import Goal, Look, search
from bracewright.tune.levels import Ear
from bracewright.tune.looks import look_at_all
from bracewright.tune.robust import variants

SIZE = 100.0  # mm
LOSSLESS = replace(plain_board(), loss_factor=0.0)


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory):
    with pytest.MonkeyPatch.context() as m:
        m.setenv("BRACEWRIGHT_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


def speaker(**more: object) -> Cabinet:
    given: dict[str, object] = {
        "braces": (shelf(),),
        "openings": (Opening(name="woofer", panel="front", shape=Circle(centre=(110, 110), diameter=110)),),
        "drivers": (Driver(opening="woofer", mass_kg=1.5, moving_mass_g=12, piston_area_cm2=85),),
    }
    return box(**(given | more))  # type: ignore[arg-type]


def finite(*values: object) -> bool:
    return all(np.isfinite(np.asarray(v)).all() for v in values)


# --- modes ------------------------------------------------------------------------------------------------------------


def test_joints_that_let_parts_slide_are_refused():
    """Found by extreme values: turning held and sliding free leaves more rigid motions than parts can count."""
    slide = JointSpec(kind="springs", rotation_N_rad=1e9)
    with pytest.raises(SolveError, match="give the joints"):
        solve(build(box(braces=(shelf(),), joint=slide), size=120.0), 8)


@pytest.mark.parametrize(
    "joint",
    [
        *(JointSpec(kind="springs", translation_N_mm2=v) for v in (1e-9, 1e-3, 1.0, 1e9)),
        *(JointSpec(kind="springs", translation_N_mm2=1e3, rotation_N_rad=v) for v in (1e-9, 1e12)),
        *(JointSpec(kind="dry", contact_N_mm3=v) for v in (1e-9, 1e-2, 1e6)),
        *(JointSpec(kind="glued", glue_E_GPa=v, glue_thickness=t) for v, t in ((1e-4, 5.0), (100.0, 0.005))),
    ],
    ids=str,
)
def test_joints_however_soft_or_stiff_solve_or_are_refused(joint):
    try:
        m = solve(build(box(braces=(shelf(),), joint=joint), size=120.0), 8)
    except SolveError:
        assert max(joint.translation_N_mm2, joint.contact_N_mm3 * (joint.kind == "dry")) < 1e-2
        return
    assert finite(m.frequency_Hz, m.loss_factor, m.shapes, m.residual)
    assert (m.rigid_modes, m.missed_modes) == (6, 0)
    assert m.residual < 1e-5


@pytest.mark.parametrize("density", [1.0, 20_000.0])
@pytest.mark.parametrize("modulus", [0.001, 500.0])
@pytest.mark.parametrize("thickness", [0.1, 20.0])
def test_boards_at_the_ends_of_what_is_allowed_solve(thickness, modulus, density):
    """A plate's frequency goes as thickness and wave speed; the solver must not mind where on that scale it works."""
    m = solve(
        build(replace(box(), boards=(Board.isotropic(thickness, modulus, 0.25, density, name="b"),)), size=SIZE), 6
    )
    assert finite(m.frequency_Hz, m.loss_factor, m.shapes)
    assert (m.rigid_modes, m.missed_modes) == (6, 0)
    like = solve(build(replace(box(), boards=(plain_board(thickness),)), size=SIZE), 6)
    scale = np.sqrt(modulus / density / (3.5 / 740.0))
    np.testing.assert_allclose(m.frequency_Hz, like.frequency_Hz * scale, rtol=1e-6)


# --- sound ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [[0.0, 100.0], [np.nan, 100.0], [-5.0, 100.0], [], [np.inf], [[100.0, 200.0]], [1e5]])
def test_frequencies_that_cannot_be_computed_at_are_refused(bad):
    with pytest.raises(DesignError, match="frequency_Hz: give a row of frequencies above 0"):
        radiated(speaker(), np.array(bad), size=SIZE, quick=True)


@pytest.fixture(scope="module")
def lossless() -> Setup:
    f = np.geomspace(200.0, 800.0, 5)
    return radiated(replace(speaker(), boards=(LOSSLESS,)), f, size=SIZE, quick=True, air_load=False).setup


def test_without_losses_at_a_resonance_the_sound_is_finite_or_refused(lossless):
    wall = lossless.reduced.modes.frequency_Hz
    air = lossless.drive.air.frequency_Hz
    f = np.sort(np.concatenate([wall[wall < 900.0], air[(air > 1.0) & (air < 900.0)]]))
    assert len(f) > 2
    for two_way in (False, True):
        try:
            s = spectrum(lossless, f, air_load=False, two_way=two_way)
        except SolveError:
            continue
        assert finite(s.level_dB, s.power_level_dB, s.cabinet_Pa, s.displacement, s.power_in_W, s.dissipated_W)
        assert finite(*(b[1:] for b in report(s).bands), list(report(s).panels.values()))


def test_silent_drivers_are_refused(lossless):
    """Levels are beside the drivers: nothing over nothing."""
    for still in (0.0, 1e-300):
        with pytest.raises(SolveError, match="the drivers are silent"):
            spectrum(replace(lossless, pistons=still * lossless.pistons), np.array([100.0]), air_load=False)


@pytest.mark.parametrize("change", [{"moving_mass_g": 0.0}, {"piston_area_cm2": 0.0}])
def test_drivers_of_no_mass_or_area_are_refused(change):
    still = tuple(replace(d, **change) for d in speaker().drivers)
    with pytest.raises(DesignError, match="moving_mass_g and piston_area_cm2"):
        radiated(speaker(drivers=still), np.array([100.0]), size=SIZE, quick=True)


# --- the search -------------------------------------------------------------------------------------------------------


def test_a_level_that_is_not_finite_is_a_reason_not_a_number():
    """No losses, and a line of the ear exactly at a mode: the response has no size there."""
    c = replace(speaker(), boards=(LOSSLESS,))
    model = build(c, size=SIZE)
    modes = solve(model, 12, prove=False)
    ear = Ear.of(c, (200.0, 260.0))
    at = replace(
        ear,
        frequency_Hz=np.array([modes.frequency_Hz[0]]),
        transfer=ear.transfer[:1],
        drivers_Pa=ear.drivers_Pa[:1],
    )
    look = Look(Goal(quiet=1.0), SIZE, 12, at)
    assert "not finite; give boards and joints losses" in str(look.record(c)["reason"])
    assert "reason" not in replace(look, ear=replace(at, frequency_Hz=at.frequency_Hz * 1.001)).record(c)


# --- records ----------------------------------------------------------------------------------------------------------

PLACES = tuple(Place(part="front", at=(20.0 + 10 * k, 50.0)) for k in range(4))
LINES = np.arange(1.0, 801.0)


def responses() -> Frfs:
    """Two modes at four places."""
    w = 2j * np.pi * LINES
    size = np.random.default_rng(0).standard_normal((2, 4))
    poles = [2 * np.pi * f * (-0.01 + 1j) for f in (150.0, 300.0)]
    H = sum(r[:, None] * w**2 / ((w - p) * (w - p.conjugate())) for r, p in zip(size, poles, strict=True))
    return Frfs(
        frequency_Hz=LINES,
        H=np.asarray(H),
        coherence=np.full((4, len(LINES)), np.nan),
        taps=(PLACES[0],) * 4,
        sensors=PLACES,
        averages=(1,) * 4,
        groups=(0,) * 4,
    )


@pytest.mark.parametrize("value", [0.0, 1e-300, 1e300, np.nan, np.inf])
def test_a_dead_channel_is_named(value):
    whole = responses()
    np.testing.assert_allclose(identify(whole, 80.0, 500.0).frequency_Hz, [150.0, 300.0], rtol=1e-3)
    H = whole.H.copy()
    H[2] = value
    with pytest.raises(FileError, match=r"response 3 is zero or not finite in .* Hz; leave that channel out"):
        identify(replace(whole, H=H), 80.0, 500.0)


@pytest.mark.parametrize("hammer", [True, False])
@pytest.mark.parametrize("value", [0.0, 1.0, 1e-300])
def test_records_of_nothing_are_refused(hammer, value):
    kinds = ("hammer", "accelerometer") if hammer else ("accelerometer",)
    r = Record(
        signals=np.full((len(kinds), 8000), value),
        sample_rate_Hz=4000.0,
        channels=tuple(Channel(kind=k, place=PLACES[0]) for k in kinds),
        limits=np.full(len(kinds), np.inf),
    )
    with pytest.raises(FileError, match="no tap can be used"):
        frfs([r])


# --- processes --------------------------------------------------------------------------------------------------------


def pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


@pytest.fixture(scope="module")
def many() -> tuple[Look, list[Cabinet], Cabinet]:
    return Look(Goal(modes=4), 150.0, 6), list(variants(box(), 3)), box()


@pytest.mark.slow
def test_designs_are_the_same_through_none_one_and_two_processes(many):
    """A design that is followed from another depends on it by a hair: in every process it must be the same one."""
    look, designs, middle = many
    alone = look_at_all(look, designs, None, middle)
    assert all("reason" not in r for r in alone)
    assert alone != look_at_all(look, designs)
    for workers in (1, 2):
        with pool(workers) as p:
            assert look_at_all(look, designs, p, middle) == alone


@pytest.mark.slow
def test_a_search_is_the_same_in_two_processes_and_again():
    wished = box(braces=(shelf(110.0),), tune=Tuning(move=("*.at",), goal=(("raise", 1.0),), robust=1.0))
    alone = search(wished, size=SIZE, evaluations=3)
    with pool(2) as p:
        shared = search(wished, size=SIZE, evaluations=3, executor=p)
    for found in (shared, search(wished, size=SIZE, evaluations=3)):
        assert found.cabinet == alone.cabinet
        assert found.history == alone.history
        assert found.after == alone.after
