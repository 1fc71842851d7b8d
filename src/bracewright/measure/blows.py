"""Taps in records: where each begins, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bracewright.measure.records import Record

Array = NDArray[np.float64]

KEPT_OF_NOISE = 8.0  # a pulse stands this far above the noise
KEPT_OF_PEAK = 0.03  # and above this part of the strongest
DOUBLE = 0.05  # of the first pulse; common practice, no source
ONE_PULSE_S = 0.002  # ringing of the hammer this long is still one blow
QUIET = 0.1  # of the answer's peak may still ring before a blow
CLIPPED = 3  # samples at one and the same peak
DECAYED = 0.03  # of the answer's peak may be left at the end of a block without a window
FREE_S = 0.008  # after the onset of a ringing answer the hammer has surely left
BURST = 3.0  # times what was just before: a decay that departs so far from its own prediction was hit again
PREDICT_HZ = 8192.0  # about the rate at which decays are predicted
PREDICT_FROM = 60  # samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Blow:
    """A tap found in a record.

    Attributes
    ----------
    record : str
    start : int
        Sample at which it begins.
    pulse : int
        Samples of contact; 0 without a hammer.
    faults : tuple of str
        Why it cannot be used; empty when it can.
    """

    record: str
    start: int
    pulse: int
    faults: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.record}, sample {self.start}: {'; '.join(self.faults) or 'good'}"


def find_blows(
    record: Record, *, block_s: float = 1.0, pre_s: float = 0.005, window_s: float | None = None
) -> list[Blow]:
    """Find the taps of a record and say what is wrong with each.

    Parameters
    ----------
    record : Record
    block_s : float
        Length that is analysed after a tap, s.
    pre_s : float
        Length before it.
    window_s : float, optional
        Time constant of the exponential window to come: with it, an answer may still ring at the end of the block.
    """
    rate = record.sample_rate_Hz
    trigger = record.hammer if record.hammer is not None else record.answers[0]
    x = np.abs(record.signals[trigger] - np.median(record.signals[trigger]))
    level = max(KEPT_OF_NOISE * 1.4826 * float(np.median(x)), KEPT_OF_PEAK * float(x.max()))
    if record.hammer is None:
        starts = [(s, 0) for s in _onsets(x, rate)]
    else:
        starts = _pulses(x, level, max(1, round(ONE_PULSE_S * rate)))
    block, pre = round(block_s * rate), round(pre_s * rate)
    out, busy = [], -1
    for k, (start, length) in enumerate(starts):
        if start < busy:
            continue
        busy = start + block
        later = [p for p in starts[k + 1 :] if p[0] < busy]
        faults = _hit_faults(record, trigger, x, (start, length), later, block)
        faults += _answer_faults(record, start, pre, block, window_s)
        out.append(Blow(record=record.name, start=start, pulse=length, faults=tuple(faults)))
    return out


def _pulses(x: Array, level: float, gap: int) -> list[tuple[int, int]]:
    """Runs above a level, joined over short gaps: (start, length)."""
    above = np.flatnonzero(x > level)
    if not len(above):
        return []
    cut = np.flatnonzero(np.diff(above) > gap) + 1
    return [(int(g[0]), int(g[-1] - g[0] + 1)) for g in np.split(above, cut)]


def _onsets(x: Array, rate: float) -> list[int]:
    """Samples at which a ringing answer jumps up."""
    width = max(4, round(0.004 * rate))
    count = len(x) // width
    rms = np.sqrt((x[: count * width].reshape(count, width) ** 2).mean(axis=1))
    floor = max(KEPT_OF_NOISE * float(np.quantile(rms, 0.1)), 0.05 * float(rms.max()))
    # Compare with the loudest of the last 20 ms, so that beating is no new onset.
    recent = np.array([rms[max(0, i - 5) : i].max(initial=0.0) for i in range(count)])
    jumps = np.flatnonzero((rms > floor) & (rms > 2.5 * recent))
    out: list[int] = []
    for j in jumps:
        if not out or j * width - out[-1] > 3 * width:
            out.append(int(j * width))
    return out


def _hit_again(x: Array, rate: float, start: int, block: int) -> int:
    """Sample at which a decay departs from what its own past predicts, 0 where it does not.

    A sum of decaying sines is predicted by its last samples, which a second blow upsets (linear prediction: Makhoul,
    Proc. IEEE 63, 1975). Blows within 15 ms of the first are not seen.
    """
    stride = max(1, round(rate / PREDICT_HZ))
    begin = start + round(FREE_S * rate)
    y = x[begin : start + block]
    y = y[: len(y) // stride * stride].reshape(-1, stride).mean(axis=1)
    if len(y) < 4 * PREDICT_FROM:
        return 0
    past = np.lib.stride_tricks.sliding_window_view(y, PREDICT_FROM + 1)
    error = past[:, -1] - past[:, :-1] @ np.linalg.lstsq(past[:, :-1], past[:, -1], rcond=1e-4)[0]
    width = max(4, round(0.002 * rate / stride))
    count = len(error) // width
    rms = np.sqrt((error[: count * width].reshape(count, width) ** 2).mean(axis=1))
    before = np.array([rms[max(0, i - 3) : i].max(initial=rms[0]) for i in range(count)])
    over = rms / (np.maximum(before, np.median(rms)) + 1e-300)
    return begin + (PREDICT_FROM + int(over.argmax()) * width) * stride if over.max() > BURST else 0


def _hit_faults(
    record: Record, trigger: int, x: Array, pulse: tuple[int, int], later: Sequence[tuple[int, int]], block: int
) -> list[str]:
    rate = record.sample_rate_Hz
    start, length = pulse
    peak = float(x[start : start + max(length, 1)].max())
    faults = []
    if record.hammer is None:
        again = later[0][0] if later else _hit_again(record.signals[trigger], rate, start, block)
        if again:
            faults.append(f"double hit: a second blow {1e3 * (again - start) / rate:.0f} ms after the first")
        return faults
    for s, n in later:
        second = float(x[s : s + n].max())
        if second > DOUBLE * peak:
            part, wait = 100 * second / peak, 1e3 * (s - start) / rate
            faults.append(f"double hit: a second blow of {part:.0f} % after {wait:.0f} ms")
            break
    if length > 0.02 * rate:
        faults.append(f"a push of {1e3 * length / rate:.0f} ms, not a tap")
    return faults


def _answer_faults(record: Record, start: int, pre: int, block: int, window_s: float | None) -> list[str]:
    faults = []
    begin, end = start - pre, start + block
    seen = record.signals[:, max(begin, 0) : end]
    for c, row, limit in zip(record.channels, seen, record.limits, strict=True):
        over = int((np.abs(row) >= 0.999 * limit).sum())
        flat = _at_peak(row)
        if over:
            faults.append(f"the {c.kind} is overloaded: {over} samples at its limit")
        elif flat >= CLIPPED:
            faults.append(f"the {c.kind} is clipped: {flat} equal samples at its peak")
    if begin < 0:
        faults.append("it begins before the record; start recording earlier")
    if end > record.signals.shape[1]:
        missing = (end - record.signals.shape[1]) / record.sample_rate_Hz
        faults.append(f"the record ends {missing:.2f} s too early")
        return faults
    for i in record.answers:
        row = record.signals[i, max(begin, 0) : end] - rest_of(record, start, pre)[i]
        peak = float(np.abs(row).max())
        noise = 1.4826 * float(np.median(np.abs(row[-max(8, block // 20) :])))
        if pre > 8 and begin >= 0 and float(row[: pre - pre // 4].std()) > QUIET * peak:
            faults.append(f"the {record.channels[i].kind} still rings from before; wait longer between taps")
        if window_s is None and noise > DECAYED * peak:
            faults.append(
                f"the {record.channels[i].kind} has not died away when the block ends; use a longer block or a window"
            )
        if peak < 5 * noise:
            faults.append(f"the {record.channels[i].kind} hardly answers; hit harder or move the sensor")
    return faults


def rest_of(record: Record, start: int, pre: int) -> Array:
    """Return what each channel (c,) shows at rest: its mean before the tap, its median where that is too short."""
    before = record.signals[:, max(start - pre, 0) : max(start - round(0.001 * record.sample_rate_Hz), 0)]
    return np.asarray(before.mean(axis=1) if before.shape[1] > 8 else np.median(record.signals, axis=1))


def _at_peak(row: Array) -> int:
    """Samples that reach the very same largest magnitude: a few of them are no ringing, but a limit."""
    size = np.abs(row)
    return int((size >= size.max() * (1 - 1e-9)).sum())
