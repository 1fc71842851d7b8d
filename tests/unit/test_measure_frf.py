"""Taps found and refused; FRFs and modes of records made from known modes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import taps

from bracewright.errors import DesignError, FileError, SolveError
from bracewright.measure.blows import find_blows
from bracewright.measure.frf import _estimate, frfs
from bracewright.measure.identify import candidates, identify, peaks
from bracewright.measure.poles import clusters, stabilisation
from bracewright.measure.records import Channel, Place, make_record

F = np.array([120, 180, 250, 253, 330, 410, 470, 560.0])
LOSS = np.full(8, 0.02)
PLACES = [Place(part="left", at=(50 * i + 20, 100)) for i in range(8)]


def shapes(seed=1):
    rng = np.random.default_rng(seed)
    return rng.choice([-1, 1], (8, 8)) * rng.uniform(0.3, 1, (8, 8))


def session(phi, *, taps_each=3, noise=0.01, seed=0, **more):
    rng = np.random.default_rng(seed)
    return [
        taps.tap_record(F, LOSS, phi[i], phi[2], tap=PLACES[i], sensor=PLACES[2], rng=rng, noise=noise, **more)
        for i in range(8)
        for _ in range(taps_each)
    ]


def one(**more):
    phi = shapes()
    return taps.tap_record(F, LOSS, phi[0], phi[2], rng=np.random.default_rng(2), noise=0.01, **more)


@pytest.mark.parametrize("estimator", ["H1", "H2"])
def test_frf_of_a_clean_record_is_the_true_one(estimator):
    phi = shapes()
    H = frfs(session(phi, taps_each=1, noise=0.0, seconds=2.5), block_s=2.2, estimator=estimator).band(100, 600)
    for i in range(8):
        true = taps.accelerance(H.frequency_Hz, F, LOSS, phi[i], phi[2])
        assert np.abs(H.H[i] - true).max() < 2e-3 * np.abs(true).max()


@pytest.mark.parametrize("window_s", [None, 0.3, 0.1])
def test_window_damping_is_taken_off(window_s):
    found = identify(frfs(session(shapes()), window_s=window_s), 80, 620)
    assert found.frequency_Hz == pytest.approx(F, abs=0.1)
    assert found.loss_factor == pytest.approx(LOSS, rel=0.03)


def test_shapes_have_unit_modal_mass_where_the_sensor_was_tapped():
    phi = shapes()
    found = identify(frfs(session(phi)), 80, 620)
    true = phi * np.sign(phi[np.abs(phi).argmax(axis=0), np.arange(8)])
    assert found.scaled
    assert found.places == tuple(PLACES)
    assert np.abs(found.shapes - true).max() < 0.05


def test_coherence_falls_with_noise_and_needs_two_taps():
    phi = shapes()
    quiet, loud = (frfs(session(phi, noise=n)).band(100, 600).coherence.mean() for n in (0.001, 0.3))
    assert quiet > 0.99
    assert loud < quiet - 0.05
    assert np.isnan(frfs(session(phi, taps_each=1)).coherence).all()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"double": True}, "double hit: a second blow of 4[0-9] % after 25 ms"),
        ({"clip": 0.6}, "clipped"),
        ({"seconds": 0.7}, "the record ends 0.40 s too early"),
    ],
)
def test_bad_taps_are_refused(more, words):
    import re

    (blow,) = find_blows(one(**more))
    assert re.search(words, str(blow))
    with pytest.raises(FileError, match="no tap can be used"):
        frfs([one(**more)])


def test_overload_by_the_sensors_range():
    r = one()
    channels = [r.channels[0], Channel(kind="accelerometer", unit="m/s2", range=0.5 * np.abs(r.signals[1]).max())]
    (blow,) = find_blows(make_record(r.signals, r.sample_rate_Hz, channels))
    assert "overloaded" in str(blow)


def test_a_long_ring_needs_a_window():
    phi = shapes()
    r = taps.tap_record(F[:1], [0.004], phi[0, :1], phi[2, :1], seconds=0.8)
    (blow,) = find_blows(r, block_s=0.6)
    assert "has not died away" in str(blow)
    (blow,) = find_blows(r, block_s=0.6, window_s=0.1)
    assert not blow.faults


def test_good_taps_are_kept_beside_bad_ones():
    phi = shapes()
    found = frfs([*session(phi), one(double=True), one(clip=0.5)])
    assert len(found.refused) == 2
    assert sum(found.averages) == 24


def test_several_taps_in_one_record():
    r = one(seconds=1.3)
    three = make_record(np.hstack([r.signals] * 3), r.sample_rate_Hz, r.channels)
    blows = find_blows(three)
    assert [b.start for b in blows] == pytest.approx([820, 820 + 10650, 820 + 2 * 10650], abs=3)
    assert not any(b.faults for b in blows)


def test_free_decay_gives_frequencies_and_damping():
    found = identify(frfs([one(hammer=False)]), 80, 620)
    assert found.frequency_Hz == pytest.approx(F, abs=0.3)
    assert found.loss_factor == pytest.approx(LOSS, rel=0.05)


def test_free_decay_with_a_stronger_second_blow_is_refused():
    a, b = one(hammer=False), one(hammer=False)
    x = a.signals.copy()
    x[:, 1500:] += 4 * b.signals[:, :-1500]
    (blow,) = find_blows(make_record(x, a.sample_rate_Hz, a.channels))
    assert "double hit" in str(blow)


def test_microphone_alone():
    r = one(hammer=False)
    sound = make_record(1e-3 * r.signals, r.sample_rate_Hz, [Channel(kind="microphone", unit="Pa")])
    assert identify(frfs([sound]), 80, 620).frequency_Hz == pytest.approx(F, abs=0.3)


def test_peaks_of_a_single_tap():
    found = peaks(frfs([one(seconds=2.5)], block_s=2.2), 80, 620)
    for f, loss, sd in zip(found.frequency_Hz, found.loss_factor, found.frequency_sd_Hz, strict=True):
        k = np.abs(F - f).argmin()
        if k not in (2, 3):  # the close pair is one peak
            assert abs(f - F[k]) < 2 * max(sd, 0.5)
            assert loss == pytest.approx(0.02, rel=0.2)
    assert len(found) >= 5


@pytest.mark.slow
def test_hand_selection():
    H = frfs(session(shapes()))
    offered = candidates(H, 80, 620)
    assert len(offered.poles) >= 8
    numbers = [int(np.abs(offered.frequency_Hz - f).argmin()) + 1 for f in F[[0, 2, 3, 6]]]
    found = offered.select(numbers)
    assert found.frequency_Hz == pytest.approx(F[[0, 2, 3, 6]], abs=1)
    whole = offered.select([int(np.abs(offered.frequency_Hz - f).argmin()) + 1 for f in F])
    assert whole.frequency_Hz == pytest.approx(identify(H, 80, 620).frequency_Hz, abs=0.01)
    assert offered.text().splitlines()[numbers[0]].split()[0] == str(numbers[0])
    for bad in ([], [0], [1, 1], [len(offered.poles) + 1]):
        with pytest.raises(DesignError, match="each once"):
            offered.select(bad)
    s = stabilisation(H, 80, 620)
    assert s.stable.mean() > 0.3
    assert len(clusters(s)) >= 8


def test_what_cannot_be_identified_is_said():
    H = frfs([one()])
    with pytest.raises(DesignError, match="holds"):
        identify(H, 100, 105)
    with pytest.raises(DesignError, match="orders 2"):
        identify(H, 100, 600, max_order=1000)
    rng = np.random.default_rng(0)
    noise = type(H)(**{**{k: getattr(H, k) for k in H.__dataclass_fields__}, "H": rng.standard_normal(H.H.shape) + 0j})
    with pytest.raises(SolveError):
        identify(noise, 100, 400)
    with pytest.raises(DesignError, match="H1 and H2"):
        frfs([one()], estimator="H3")
    with pytest.raises(FileError, match="one rate"):
        frfs([one(), one(rate=4096.0)])


@pytest.mark.parametrize("where", [0, 1])
def test_h1_is_blind_to_noise_of_the_answer_and_h2_to_that_of_the_force(where):
    # Noise of half the signal's power: H1 falls to 1 / 1.5 by it in the force, H2 rises to 1.5 by it in the answer.
    rng = np.random.default_rng(3)
    force, noise = (rng.standard_normal((4000, 50)) + 1j * rng.standard_normal((4000, 50)) for _ in range(2))
    true = rng.standard_normal(50) + 1j * rng.standard_normal(50)
    pairs = np.stack([force, true * force], axis=1)
    pairs[:, where] += np.sqrt(0.5) * noise * (1 if where == 0 else true)
    h1, coherence = _estimate(pairs, "H1", free=False)
    h2, _ = _estimate(pairs, "H2", free=False)
    for h, off in ((h1, (1 / 1.5, 1)), (h2, (1, 1.5))):
        assert h / true == pytest.approx(np.full(50, off[where]), abs=0.06)
        assert np.mean(h / true) == pytest.approx(off[where], abs=0.01)
    assert coherence.mean() == pytest.approx(1 / 1.5, abs=0.01)


@pytest.mark.parametrize("window_s", [None, 0.05])
def test_shapes_keep_their_scale_under_a_strong_window(window_s):
    phi = shapes()
    # The window adds 20 per second, which must not turn or scale a residue.
    rng = np.random.default_rng(0)
    f, loss = F[[0, 1, 4, 6]], np.full(4, 0.02)
    records = [
        taps.tap_record(f, loss, phi[i, :4], phi[2, :4], tap=PLACES[i], sensor=PLACES[2], rng=rng, seconds=2.5)
        for i in range(8)
    ]
    found = identify(frfs(records, block_s=2.2, window_s=window_s), 80, 560)
    true = phi[:, :4] * np.sign(phi[np.abs(phi[:, :4]).argmax(axis=0), np.arange(4)])
    assert np.abs(found.complex_shapes - true).max() < 0.005


def test_a_sensor_that_moved_weighs_at_each_place_its_share_of_the_taps():
    phi = shapes()
    records = [
        taps.tap_record(F, LOSS, phi[2], phi[i], tap=PLACES[2], sensor=PLACES[i], mass_g=8, name=str(i))
        for i in range(4)
    ]
    H = frfs(records)
    assert H.sensor_mass_kg == {p: pytest.approx(0.002) for p in PLACES[:4]}
    assert identify(H, 80, 620).places == tuple(PLACES[:4])
    fixed = frfs(
        [taps.tap_record(F, LOSS, phi[i], phi[2], tap=PLACES[i], sensor=PLACES[2], mass_g=8) for i in range(4)]
    )
    assert fixed.sensor_mass_kg == {PLACES[2]: pytest.approx(0.008)}


def test_taps_at_unknown_places_are_not_averaged_with_one_another():
    phi = shapes()
    records = [taps.tap_record(F, LOSS, phi[i], phi[2], noise=0.01, name=str(i)) for i in range(8)]
    H = frfs(records)
    assert len(H.H) == 8
    found = identify(H, 80, 620)
    assert found.frequency_Hz == pytest.approx(F, abs=0.2)
    assert found.places == ()


def test_uncalibrated_channels_give_no_scale():
    phi = shapes()
    plain = [make_record(r.signals, r.sample_rate_Hz, [replace(c, unit="1") for c in r.channels]) for r in session(phi)]
    found = identify(frfs(plain), 80, 620)
    assert not found.scaled
    assert np.abs(found.shapes).max(axis=0) == pytest.approx(1)


def test_a_microphone_beside_an_accelerometer_is_left_out():
    r = one()
    sound = Channel(kind="microphone", unit="Pa")
    both = make_record(np.vstack([r.signals, 1e-3 * r.signals[1]]), r.sample_rate_Hz, [*r.channels, sound])
    H = frfs([both])
    assert H.kind == "accelerance"
    assert len(H.H) == 1
    alone = frfs([make_record(both.signals[[0, 2]], r.sample_rate_Hz, [r.channels[0], sound])])
    assert alone.kind == "pressure"
    assert identify(alone, 80, 620).frequency_Hz == pytest.approx(F, abs=0.3)


def test_a_constant_offset_changes_nothing():
    r = one(hammer=False)
    moved = make_record(r.signals + 0.1 * np.abs(r.signals).max(), r.sample_rate_Hz, r.channels)
    assert not find_blows(moved)[0].faults
    a, b = (identify(frfs([x]), 80, 620) for x in (r, moved))
    assert b.frequency_Hz == pytest.approx(a.frequency_Hz, abs=0.02)
    assert b.loss_factor == pytest.approx(a.loss_factor, rel=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_free_decay_with_a_weaker_second_blow_is_refused(seed):
    # 40 % after 25 ms, far below what still rings.
    rng = np.random.default_rng(seed)
    phi = rng.choice([-1, 1], (2, 8)) * rng.uniform(0.3, 1, (2, 8))
    for double in (False, True):
        r = taps.tap_record(F, LOSS, *phi, rng=np.random.default_rng(seed), noise=0.005, hammer=False, double=double)
        (blow,) = find_blows(r)
        assert ("after the first" in str(blow)) == double
        if double:
            assert 18 < float(str(blow).split("second blow ")[1].split(" ms")[0]) < 32


def test_a_band_that_ends_between_modes_keeps_those_within():
    # Modes just above the band leak into it; they must not cost the ones inside.
    H = frfs(session(shapes()))
    for low, high, inside in ((80, 371, 5), (215, 440, 4), (150, 335, 4)):
        found = identify(H, low, high)
        within = F[(low < F) & (high > F)]
        assert len(within) == inside
        assert found.frequency_Hz == pytest.approx(within, abs=0.2)
        assert found.loss_factor == pytest.approx(0.02, rel=0.1)
