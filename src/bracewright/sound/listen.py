"""Hearing it: impulse responses of cabinet and drivers, and any sound played through them.

The drivers are taken to give a flat level at the listening point, so "drivers alone" is the signal itself and the
cabinet's part is the signal filtered by the ratio of the two pressures.
"""

from __future__ import annotations

import io
import os
import wave
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, resample_poly

from bracewright.errors import DesignError, FileError
from bracewright.files import write_file
from bracewright.sound.run import Sound

Array = NDArray[np.float64]
RATE = 44_100
PEAK = 0.89  # of full scale
MAX_SECONDS = 600


@dataclass(frozen=True)
class Heard:
    """Three signals of equal scale.

    Attributes
    ----------
    rate_Hz : int
    cabinet, drivers, both : (n, channels) arrays
    """

    rate_Hz: int
    cabinet: Array
    drivers: Array
    both: Array


def impulse_response(sound: Sound, rate_Hz: int = RATE, seconds: float = 0.5) -> Array:
    """Return the cabinet's pressure (n,) after an impulse at which the drivers alone give 1.

    Frequencies outside those computed are faded out, so the response holds the computed band only. It is shifted by
    what the drivers' sound takes to arrive; what little comes before zero wraps to the end.

    Raises
    ------
    DesignError
        The frequencies are too coarse to hold the response: spaced wider than the narrowest mode's bandwidth allows.
    """
    n = round(rate_Hz * seconds)
    f = np.fft.rfftfreq(n, 1 / rate_Hz)
    ratio = sound.cabinet_Pa / sound.drivers_Pa
    own = sound.frequency_Hz
    if len(own) < 8 or rate_Hz < 2 * own[-1]:
        raise DesignError(
            f"{len(own)} frequencies at {rate_Hz} samples a second; compute 200 or more", key="frequency_Hz"
        )
    h = np.interp(f, own, ratio.real) + 1j * np.interp(f, own, ratio.imag)
    fade = np.clip((f - own[0] / 2) / (own[0] / 2), 0, 1) * np.clip((own[-1] * 1.12 - f) / (own[-1] * 0.12), 0, 1)
    return np.asarray(np.fft.irfft(h * (0.5 - 0.5 * np.cos(np.pi * fade)), n))


def fine_frequencies(highest_Hz: float = 2000.0, step_Hz: float = 2.0) -> Array:
    """Evenly spaced frequencies, as listening wants them: the response lasts 1/step."""
    return np.arange(20.0, highest_Hz + step_Hz / 2, step_Hz)


def play(sound: Sound, signal: Array, rate_Hz: int = RATE) -> Heard:
    """Send a signal (n,) or (n, channels) through drivers and cabinet."""
    x = np.asarray(signal, dtype=float)
    x = x[:, None] if x.ndim == 1 else x
    h = impulse_response(sound, rate_Hz)
    # What the band limit puts before zero stands at the end: play it ahead, where it belongs.
    lead = len(h) // 8
    cabinet = fftconvolve(x, np.roll(h, lead)[:, None], axes=0)[lead:]
    drivers = np.vstack([x, np.zeros((len(cabinet) - len(x), x.shape[1]))])
    return Heard(rate_Hz, cabinet, drivers, cabinet + drivers)


def phrase(seed: int = 7, rate_Hz: int = RATE) -> Array:
    """Return a phrase of plucked notes and a burst of pink noise of our own, (n,), peak 1.

    Notes are strings after Karplus and Strong 1983, Computer Music Journal 7(2), 43-55.
    """
    rng = np.random.default_rng(seed)
    out = np.zeros(int(7.2 * rate_Hz))
    for k, note in enumerate((82.41, 110.0, 130.81, 164.81, 196.0, 220.0, 261.63, 329.63)):
        start = int((0.1 + 0.45 * k) * rate_Hz)
        tone = _plucked(note, int(1.6 * rate_Hz), rng, rate_Hz)
        out[start : start + len(tone)] += 0.6 * tone
    noise = _pink(int(1.5 * rate_Hz), rng)
    edge = np.minimum(1.0, np.minimum(np.arange(len(noise)), np.arange(len(noise))[::-1]) / (0.02 * rate_Hz))
    start = int(5.4 * rate_Hz)
    out[start : start + len(noise)] += 0.35 * noise * edge
    return np.asarray(out / np.abs(out).max())


def _plucked(frequency_Hz: float, count: int, rng: np.random.Generator, rate_Hz: int) -> Array:
    """A string as a delay line with a two-point mean, one period at a time."""
    period = max(2, round(rate_Hz / frequency_Hz - 0.5))
    line = rng.uniform(-1, 1, period)
    line -= line.mean()
    out = np.empty(count + period)
    last = 0.0
    for start in range(0, count, period):
        out[start : start + period] = line[: len(out[start : start + period])]
        shifted = np.concatenate([[last], line[:-1]])
        last = float(line[-1])
        line = 0.4985 * (line + shifted)
    return np.asarray(out[:count] / np.abs(out[:count]).max())


def _pink(count: int, rng: np.random.Generator) -> Array:
    spectrum = np.fft.rfft(rng.standard_normal(count))
    f = np.arange(len(spectrum))
    spectrum /= np.sqrt(np.maximum(f, 30))
    x = np.fft.irfft(spectrum, count)
    return np.asarray(x / np.abs(x).max())


def write_files(
    heard: Mapping[str, Heard], folder: str | os.PathLike[str], *, boost_dB: float = 0.0
) -> tuple[list[Path], str]:
    """Write each heard design as three WAV files at one common scale, and say what was done to the levels.

    Parameters
    ----------
    heard : mapping of name to Heard
        Such as ``{"before": ..., "after": ...}``.
    folder : path
    boost_dB : float
        Added to the files of the cabinet alone, and told in their names.

    Returns
    -------
    files : list of Path
    note : str
    """
    gain = 10 ** (boost_dB / 20)
    loudest = max(
        max(np.abs(h.both).max(), np.abs(h.drivers).max(), gain * np.abs(h.cabinet).max()) for h in heard.values()
    )
    scale = PEAK / float(loudest or 1.0)
    files = []
    label = f"cabinet alone, {boost_dB:+g} dB" if boost_dB else "cabinet alone"
    for name, h in heard.items():
        for what, signal in ((label, gain * h.cabinet), ("drivers alone", h.drivers), ("both", h.both)):
            path = Path(folder) / f"{name}, {what}.wav"
            write_wav(path, scale * signal, h.rate_Hz)
            files.append(path)
    note = "All files are at one scale, so their levels are true to each other"
    note += f"; the cabinet alone is raised by {boost_dB:g} dB." if boost_dB else "."
    return files, note


def write_wav(path: str | os.PathLike[str], signal: Array, rate_Hz: int) -> None:
    """Write samples (n,) or (n, channels) in -1..1 as a 16-bit WAV file.

    Raises
    ------
    DesignError
        Samples beyond full scale.
    FileError
        The file cannot be written.
    """
    x = signal[:, None] if signal.ndim == 1 else signal
    if not np.isfinite(x).all() or np.abs(x).max(initial=0.0) > 1.0:
        raise DesignError("samples are beyond full scale; scale them into -1..1", key="signal")
    content = io.BytesIO()
    with wave.open(content, "wb") as w:
        w.setnchannels(x.shape[1])
        w.setsampwidth(2)
        w.setframerate(rate_Hz)
        w.writeframes(np.round(x * 32767).astype("<i2").tobytes())
    write_file(path, content.getvalue())


def read_wav(path: str | os.PathLike[str], rate_Hz: int = RATE) -> Array:
    """Return the samples (n, channels) of a PCM WAV file in -1..1, brought to a sample rate.

    Raises
    ------
    FileError
        The file cannot be read, is not PCM WAV, or is longer than ten minutes.
    """
    try:
        with wave.open(os.fspath(path), "rb") as w:
            channels, width, own, count = w.getnchannels(), w.getsampwidth(), w.getframerate(), w.getnframes()
            if not 1000 <= own <= 400_000 or count > MAX_SECONDS * own:
                raise FileError(f"{path}: {count} samples at {own} Hz; give at most ten minutes of sound")
            if width > 4:
                raise wave.Error(f"{8 * width} bits a sample")
            raw = w.readframes(count)
    except (wave.Error, EOFError, RuntimeError) as e:  # a chunk longer than the file is the last
        raise FileError(f"{path}: not a plain WAV file ({e}); save it as PCM WAV") from e
    except FileError:
        raise
    except OSError as e:
        raise FileError(f"{path}: cannot be read ({e.strerror}); check the name") from e
    raw = raw[: len(raw) // (width * channels) * width * channels]
    if width == 3:
        b = np.frombuffer(raw, dtype=np.uint8).reshape(-1, 3).astype(np.int32)
        x = ((b[:, 0] << 8 | b[:, 1] << 16 | b[:, 2] << 24) >> 8) / 2.0**23
    elif width == 1:
        x = np.frombuffer(raw, dtype=np.uint8) / 128.0 - 1.0
    else:
        x = np.frombuffer(raw, dtype=f"<i{width}") / 2.0 ** (8 * width - 1)
    if not len(x):
        raise FileError(f"{path}: holds no samples; give another file")
    x = x.reshape(-1, channels)
    common = int(np.gcd(own, rate_Hz))
    return np.asarray(resample_poly(x, rate_Hz // common, own // common, axis=0) if own != rate_Hz else x)
