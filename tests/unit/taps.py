"""Tap records made from known modes: a hammer's pulse, the answer, and all that goes wrong on a bench."""

from __future__ import annotations

import numpy as np

from bracewright.measure.records import Channel, Place, Record, make_record

RATE = 8192.0


def accelerance(f, f_r, loss, at_tap, at_sensor):
    """Accelerance (f,) of modes of unit modal mass with viscous damping of the same loss at resonance."""
    s2, w = (2 * np.pi * f[:, None]) ** 2, 2 * np.pi * np.asarray(f_r)
    return (-s2 * at_tap * at_sensor / (w**2 - s2 + 1j * np.asarray(loss) * w * 2 * np.pi * f[:, None])).sum(axis=1)


def pulse(n, start, rate=RATE, *, peak=120.0, contact_s=0.0009):
    """A half sine of force."""
    t = np.arange(n) / rate - start
    return peak * np.where((t >= 0) & (t < contact_s), np.sin(np.pi * np.clip(t / contact_s, 0, 1)), 0.0)


def answer(force, f_r, loss, at_tap, at_sensor, rate=RATE):
    """Acceleration after a force, free of wrap-around."""
    n = 4 * len(force)
    f = np.fft.rfftfreq(n, 1 / rate)
    h = accelerance(f, f_r, loss, at_tap, at_sensor)
    return np.fft.irfft(np.fft.rfft(force, n) * h, n)[: len(force)]


def tap_record(
    f_r,
    loss,
    at_tap,
    at_sensor,
    *,
    tap: Place | None = None,
    sensor: Place | None = None,
    rng=None,
    noise=0.0,
    seconds=1.3,
    mass_g=0.0,
    double=False,
    clip=0.0,
    hammer=True,
    rate=RATE,
    name="tap",
) -> Record:
    """One tap; `noise` is relative to each channel's root mean square, `clip` a share of the answer's peak."""
    n = round(seconds * rate)
    rng = rng or np.random.default_rng(0)
    force = pulse(n, 0.1, rate, peak=120 * rng.uniform(0.7, 1.3))
    if double:
        force = force + 0.4 * pulse(n, 0.1 + 0.025, rate)
    a = answer(force, f_r, loss, at_tap, at_sensor, rate)
    rows = np.stack([force, a])
    rms = np.sqrt((rows**2).mean(axis=1, keepdims=True))
    rows = rows + noise * rms * rng.standard_normal(rows.shape)
    if clip:
        limit = clip * np.abs(rows[1]).max()
        rows[1] = np.clip(rows[1], -limit, limit)
    channels = (
        Channel(kind="hammer", unit="N", place=tap),
        Channel(kind="accelerometer", unit="m/s2", place=sensor, mass_g=mass_g),
    )
    keep = slice(0, 2) if hammer else slice(1, 2)
    return make_record(rows[keep], rate, channels[keep], name=name)
