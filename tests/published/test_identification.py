"""Poles found again on systems whose poles are known, by our estimator and by sdypy-EMA's."""

from __future__ import annotations

import importlib.util
import sys

import numpy as np
import pytest

from bracewright.measure.frf import Frfs
from bracewright.measure.identify import MeasuredModes, identify

# Measured beam of the sdypy-EMA test set (github.com/sdypy/sdypy-EMA, tests/test_data.py, commit a1f3c3d).
BEAM_HZ = [176.07333, 476.46344, 932.28540, 1534.78952, 2286.31990, 3162.15866, 4181.71710]


def frfs_of(f_Hz, zeta, residues, lines, *, noise=0.0, rng=None):
    """FRFs of modes with receptance residues (rows, modes), noise relative to each row's root mean square."""
    w, z = 2 * np.pi * np.asarray(f_Hz), np.asarray(zeta)
    p = -z * w + 1j * w * np.sqrt(1 - z**2)
    s = 2j * np.pi * lines[:, None]
    H = (residues[:, None] / (s - p) + residues.conj()[:, None] / (s - p.conj())).sum(axis=2)
    H = H * s[:, 0] ** 2
    if noise:
        rms = np.sqrt((np.abs(H) ** 2).mean(axis=1, keepdims=True))
        H = H + noise * rms * (rng.standard_normal(H.shape) + 1j * rng.standard_normal(H.shape)) / np.sqrt(2)
    k = len(H)
    none = (None,) * k
    return Frfs(frequency_Hz=lines, H=H, coherence=np.full(H.shape, np.nan), taps=none, sensors=none, groups=(0,) * k)


def residues_of(shapes, f_Hz, drive=0):
    """Receptance residues phi phi_drive / (2 j w) of shapes (rows, modes) with unit modal mass."""
    return shapes * shapes[drive] / (2j * 2 * np.pi * np.asarray(f_Hz))


def beam_shapes(points):
    """Free-free beam shapes at points in 0..1; roots of cosh cos = 1, Blevins 1979."""
    x = np.asarray(points)[:, None]
    beta = np.array([4.73004, 7.85320, 10.99561, 14.13717, 17.27876, 20.42035, 23.56194])
    sigma = (np.cosh(beta) - np.cos(beta)) / (np.sinh(beta) - np.sin(beta))
    return np.cosh(beta * x) + np.cos(beta * x) - sigma * (np.sinh(beta * x) + np.sin(beta * x))


def test_chain_of_three_masses():
    # Fixed-free chain, m = k = 1: w_j = 2 sin((2j - 1) pi / 14), exact; scaled so that w = 1 is 100 Hz.
    w = 2 * np.sin((2 * np.arange(1, 4) - 1) * np.pi / 14)
    K = np.array([[2.0, -1, 0], [-1, 2, -1], [0, -1, 1]])
    lam, phi = np.linalg.eigh(K)
    assert np.sqrt(lam) == pytest.approx(w, rel=1e-12)
    f = 100 * w
    found = identify(frfs_of(f, [0.01] * 3, residues_of(phi, f), np.arange(20, 220, 0.5)), 20, 220)
    assert found.frequency_Hz == pytest.approx(f, rel=1e-6)
    assert found.loss_factor == pytest.approx(0.02, rel=1e-5)


def three_masses():
    """Test system of pyFRF (github.com/ladisk/pyFRF, tests/test_pyFRF.py, commit cde333e)."""
    M = np.diag([1.0, 2.0, 3.0])
    K = 150000.0 * np.array([[2.0, -1, 0], [-1, 2, -1], [0, -1, 2]])
    s = 1 / np.sqrt(np.diag(M))
    lam, y = np.linalg.eigh(s[:, None] * K * s)
    w = np.sqrt(lam)
    return w / (2 * np.pi), 60.0 / 150000.0 * w / 2, y * s[:, None]


def test_three_mass_system_itself():
    f, zeta, _ = three_masses()
    assert f == pytest.approx([32.5728, 61.6404, 95.2425], rel=1e-5)
    assert zeta == pytest.approx([0.0409, 0.0775, 0.1197], abs=5e-5)


@pytest.mark.parametrize("seed", range(5))
def test_three_mass_system_with_noise(seed):
    f, zeta, phi = three_masses()
    rng = np.random.default_rng(seed)
    found = identify(frfs_of(f, zeta, residues_of(phi, f), np.arange(5, 150, 0.25), noise=0.01, rng=rng), 5, 150)
    assert found.frequency_Hz == pytest.approx(f, rel=0.005)
    assert found.loss_factor / 2 == pytest.approx(zeta, rel=0.05)


@pytest.mark.parametrize("seed", range(20))
def test_close_pair(seed):
    # 3 Hz apart at 250 Hz, 1 % damping (each mode 5 Hz wide), 1 % noise, 1 Hz lines.
    f = np.array([180.0, 250.0, 253.0, 340.0])
    rng = np.random.default_rng(seed)
    shapes = rng.choice([-1, 1], (6, 4)) * rng.uniform(0.3, 1, (6, 4))
    found = identify(
        frfs_of(f, [0.01] * 4, residues_of(shapes, f), np.arange(120, 420, 1.0), noise=0.01, rng=rng), 120, 420
    )
    assert len(found) == 4
    assert np.abs(found.frequency_Hz - f).max() < 0.2
    assert found.loss_factor == pytest.approx(0.02, rel=0.1)


def test_stated_spread_is_the_true_one():
    f = np.array([180.0, 250.0, 253.0, 340.0])
    z = []
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        shapes = rng.choice([-1, 1], (6, 4)) * rng.uniform(0.3, 1, (6, 4))
        H = frfs_of(f, [0.01] * 4, residues_of(shapes, f), np.arange(120, 420, 1.0), noise=0.02, rng=rng)
        found = identify(H, 120, 420, max_order=30)
        z.append((found.frequency_Hz - f) / found.frequency_sd_Hz)
    # 240 values: their standard deviation is known to about 5 %.
    assert 0.85 < np.std(z) < 1.15


def beam_frfs(rng):
    shapes = beam_shapes(np.linspace(0.02, 0.93, 6))
    return frfs_of(
        BEAM_HZ, [0.003] * 7, residues_of(shapes, BEAM_HZ), np.arange(50.0, 5000.0, 1.0), noise=0.01, rng=rng
    )


@pytest.mark.slow
def test_beam_frequencies_of_a_measured_set():
    # The set's recorded responses are not at hand: its published frequencies, on shapes of a free-free beam.
    H = beam_frfs(np.random.default_rng(3))
    found = identify(H, 60, 4900)
    near = [int(np.abs(found.frequency_Hz - f).argmin()) for f in BEAM_HZ]
    assert len(found) == 7
    # The package's own criterion is 1 Hz or 2 %.
    assert found.frequency_Hz[near] == pytest.approx(BEAM_HZ, abs=0.2)


@pytest.mark.skipif(
    importlib.util.find_spec("sdypy") is None, reason="sdypy-EMA is not installed (pip install sdypy-EMA)"
)
@pytest.mark.parametrize("system", ["three masses", "beam"])
def test_agrees_with_sdypy_ema(system, monkeypatch):
    monkeypatch.setenv("MPLBACKEND", "agg")
    for name in [m for m in sys.modules if m.startswith("sdypy")]:
        monkeypatch.delitem(sys.modules, name)
    EMA = pytest.importorskip("sdypy.EMA")
    rng = np.random.default_rng(11)
    if system == "beam":
        H = beam_frfs(rng)
        f, low, high, window = np.array(BEAM_HZ), 60, 4890, 5
    else:
        f, zeta, phi = three_masses()
        H = frfs_of(f, zeta, residues_of(phi, f), np.arange(5, 150, 0.25), noise=0.001, rng=rng)
        low, high, window = 5, 148, 3
    theirs = EMA.Model(H.H, H.frequency_Hz, lower=low, upper=high, pol_order_high=30, frf_form="accelerance")
    theirs.get_poles(method="lscf", show_progress=False)
    theirs.select_closest_poles(list(f), f_window=window)
    ours: MeasuredModes = identify(H, low, high)
    their_f, their_zeta = np.array(theirs.nat_freq), np.array(theirs.nat_xi)
    their_off, our_off = (np.abs(g / f - 1).max() for g in (their_f, ours.frequency_Hz))
    assert their_off < 0.005
    assert our_off < min(0.001, their_off)
    assert ours.loss_factor / 2 == pytest.approx(their_zeta, rel=0.1)
