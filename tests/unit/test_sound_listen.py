"""Hearing the result: impulse response, levels true to each other, sound files; pictures."""

from __future__ import annotations

import wave
from types import SimpleNamespace

import numpy as np
import pytest

from bracewright.errors import DesignError, FileError
from bracewright.sound import listen


def fake(ratio, f=None):
    """A sound whose cabinet is `ratio(f)` times its drivers."""
    f = listen.fine_frequencies(2000) if f is None else f
    drivers = np.exp(-2j * np.pi * f * 3e-3) * f
    return SimpleNamespace(frequency_Hz=f, drivers_Pa=drivers, cabinet_Pa=ratio(f) * drivers)


def test_a_resonance_rings_at_its_frequency_and_decays_as_its_loss_factor_says():
    f0, eta = 300.0, 0.04
    h = listen.impulse_response(fake(lambda f: 0.1 / (1 - (f / f0) ** 2 + 1j * eta)))
    spectrum = np.abs(np.fft.rfft(h, 1 << 18))
    assert np.fft.rfftfreq(1 << 18, 1 / listen.RATE)[spectrum.argmax()] == pytest.approx(f0, rel=5e-3)
    # Amplitude falls as exp(-eta w t / 2).
    t = np.arange(len(h)) / listen.RATE
    early, late = (np.abs(h[(t > a) & (t < a + 0.01)]).max() for a in (0.02, 0.08))
    assert late / early == pytest.approx(np.exp(-0.5 * eta * 2 * np.pi * f0 * 0.06), rel=0.05)


def test_a_steady_tone_comes_out_at_the_level_computed():
    sound = fake(lambda f: 0.05 + 0 * f)
    t = np.arange(listen.RATE) / listen.RATE
    heard = listen.play(sound, np.sin(2 * np.pi * 500 * t))
    middle = slice(20_000, 30_000)
    assert np.std(heard.cabinet[middle]) / np.std(heard.drivers[middle]) == pytest.approx(0.05, rel=1e-3)
    assert heard.both == pytest.approx(heard.cabinet + heard.drivers)


def test_files_keep_their_levels(tmp_path):
    t = np.arange(listen.RATE // 2) / listen.RATE
    tone = 3.0 * np.sin(2 * np.pi * 400 * t)
    heard = {
        "before": listen.play(fake(lambda f: 0.1 + 0 * f), tone),
        "after": listen.play(fake(lambda f: 0.02 + 0 * f), tone),
    }
    files, note = listen.write_files(heard, tmp_path, boost_dB=20)
    assert len(files) == 6
    assert "20 dB" in note
    level = {f.name: np.std(listen.read_wav(f)[9000:14000]) for f in files}
    assert level["before, drivers alone.wav"] == pytest.approx(level["after, drivers alone.wav"], rel=1e-3)
    assert level["before, cabinet alone, +20 dB.wav"] / level["before, drivers alone.wav"] == pytest.approx(
        1.0, rel=5e-3
    )
    assert level["after, cabinet alone, +20 dB.wav"] / level["after, drivers alone.wav"] == pytest.approx(0.2, rel=5e-3)
    assert max(np.abs(listen.read_wav(f)).max() for f in files) <= listen.PEAK + 1e-3


def test_the_phrase_is_the_same_every_time_and_holds_its_notes():
    x = listen.phrase()
    assert x == pytest.approx(listen.phrase())
    assert np.abs(x).max() == pytest.approx(1.0)
    start = int(0.2 * listen.RATE)
    spectrum = np.abs(
        np.fft.rfft(x[start : start + int(0.3 * listen.RATE)] * np.hanning(int(0.3 * listen.RATE)), 1 << 17)
    )
    f = np.fft.rfftfreq(1 << 17, 1 / listen.RATE)
    near = (f > 70) & (f < 95)
    assert f[near][spectrum[near].argmax()] == pytest.approx(82.41, rel=0.03)


@pytest.mark.parametrize(
    ("width", "channels", "rate"), [(1, 1, 22_050), (2, 2, 48_000), (3, 1, 44_100), (4, 2, 44_100)]
)
def test_any_plain_wav_is_read(tmp_path, width, channels, rate):
    t = np.arange(rate // 4) / rate
    x = np.repeat(0.5 * np.sin(2 * np.pi * 440 * t)[:, None], channels, axis=1)
    whole = np.round(x * (2 ** (8 * width - 1) - 1)).astype("<i8")
    raw = (
        (whole + 128).astype("u1").tobytes()
        if width == 1
        else whole.astype("<i8").view("u1").reshape(-1, 8)[:, :width].tobytes()
    )
    with wave.open(str(tmp_path / "a.wav"), "wb") as w:
        w.setnchannels(channels)
        w.setsampwidth(width)
        w.setframerate(rate)
        w.writeframes(raw)
    got = listen.read_wav(tmp_path / "a.wav")
    assert got.shape == (listen.RATE // 4, channels) or abs(len(got) - listen.RATE // 4) <= 1
    assert np.std(got[2000:9000]) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


def test_wrong_files_and_signals_are_refused(tmp_path):
    (tmp_path / "b.wav").write_bytes(b"RIFF....nothing")
    with pytest.raises(FileError, match="PCM"):
        listen.read_wav(tmp_path / "b.wav")
    with pytest.raises(FileError, match="cannot be read"):
        listen.read_wav(tmp_path / "none.wav")
    with pytest.raises(DesignError, match="full scale"):
        listen.write_wav(tmp_path / "c.wav", np.array([0.0, 1.5]), 44_100)
    with pytest.raises(DesignError, match="frequencies"):
        listen.impulse_response(fake(lambda f: 0 * f, np.array([100.0, 200.0])))
