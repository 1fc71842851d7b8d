"""From records to frequency responses: finding the taps, refusing the bad ones, averaging the good ones."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bracewright.errors import DesignError, FileError
from bracewright.measure.formats import read_uff_frfs
from bracewright.measure.records import Place, Record

Array = NDArray[np.float64]
CArray = NDArray[np.complex128]

KEPT_OF_NOISE = 8.0  # a pulse stands this far above the noise
KEPT_OF_PEAK = 0.03  # and above this part of the strongest
DOUBLE = 0.05  # of the first pulse; common practice, no source
ONE_PULSE_S = 0.002  # ringing of the hammer this long is still one blow
QUIET = 0.1  # of the answer's peak may still ring before a blow
CLIPPED = 3  # samples at one and the same peak
DECAYED = 0.03  # of the answer's peak may be left at the end of a block without a window


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Frfs:
    """Frequency responses, one row for each pair of a tap and a sensor.

    Attributes
    ----------
    frequency_Hz : (f,) array
    H : (k, f) complex array
        ``accelerance`` (m/s2/N); for ``decay`` the transform of a free decay; for ``pressure`` Pa/N.
    coherence : (k, f) array
        Not a number where one tap stands alone.
    taps, sensors : tuple of (Place or None)
    kind : {"accelerance", "decay", "pressure"}
    averages : tuple of int
        Taps averaged in each row.
    groups : tuple of int
        Rows of one free decay have one number: between different ones strength and phase are not known.
    decay_per_s : float
        What the exponential window added to every mode's decay.
    sensor_mass_kg : mapping of Place to float
        Masses fixed to the cabinet while it was measured.
    blows : tuple of Blow
        Every tap found, the refused ones with their faults.
    """

    frequency_Hz: Array
    H: CArray
    coherence: Array
    taps: tuple[Place | None, ...]
    sensors: tuple[Place | None, ...]
    kind: str = "accelerance"
    averages: tuple[int, ...] = ()
    groups: tuple[int, ...] = ()
    decay_per_s: float = 0.0
    sensor_mass_kg: Mapping[Place, float] = field(default_factory=dict)
    blows: tuple[Blow, ...] = ()

    @property
    def refused(self) -> tuple[Blow, ...]:
        """Taps that were left out."""
        return tuple(b for b in self.blows if b.faults)

    def band(self, low_Hz: float, high_Hz: float) -> Frfs:
        """Return the lines within a band."""
        keep = (self.frequency_Hz >= low_Hz) & (self.frequency_Hz <= high_Hz)
        return replace(self, frequency_Hz=self.frequency_Hz[keep], H=self.H[:, keep], coherence=self.coherence[:, keep])


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
        starts = [(s, 0) for s in _onsets(x, rate, block_s)]
    else:
        starts = _pulses(x, level, max(1, round(ONE_PULSE_S * rate)))
    block, pre = round(block_s * rate), round(pre_s * rate)
    out, busy = [], -1
    for k, (start, length) in enumerate(starts):
        if start < busy:
            continue
        busy = start + block
        later = [p for p in starts[k + 1 :] if p[0] < busy]
        faults = _hit_faults(record, trigger, x, (start, length), later)
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


def _onsets(x: Array, rate: float, block_s: float) -> list[int]:
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


def _hit_faults(
    record: Record, trigger: int, x: Array, pulse: tuple[int, int], later: Sequence[tuple[int, int]]
) -> list[str]:
    rate = record.sample_rate_Hz
    start, length = pulse
    peak = float(x[start : start + max(length, 1)].max())
    faults = []
    if record.hammer is None:
        if later:
            faults.append(f"double hit: a second blow {1e3 * (later[0][0] - start) / rate:.0f} ms after the first")
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
        row = record.signals[i, max(begin, 0) : end]
        peak = float(np.abs(row - row.mean()).max())
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


def _at_peak(row: Array) -> int:
    """Samples that reach the very same largest magnitude: a few of them are no ringing, but a limit."""
    size = np.abs(row)
    return int((size >= size.max() * (1 - 1e-9)).sum())


def frfs(
    records: Sequence[Record],
    *,
    estimator: str = "H1",
    block_s: float = 1.0,
    pre_s: float = 0.005,
    window_s: float | None = None,
    max_Hz: float | None = None,
) -> Frfs:
    """Average the good taps of records to frequency responses, a row for each tap place and sensor.

    Force and answer are both weighted by exp(-t/window_s) from the blow on: the response is then exactly that of a
    cabinet with 1/window_s more decay, which `identify` takes off again. The force is kept during contact only.

    Parameters
    ----------
    records : sequence of Record
        All with a hammer, or all without one; sampled at the same rate.
    estimator : {"H1", "H2"}
        H1 is for noise on the answer, H2 for noise on the force.
    block_s, pre_s : float
        Length analysed after and before each tap, s.
    window_s : float, optional
        Time constant of the exponential window, s.
    max_Hz : float, optional
        Highest line; 0.45 of the sampling rate unless given.

    Raises
    ------
    FileError
        No good tap is left, or the records do not belong together; the message gives the faults.
    DesignError
        An unknown estimator or a length out of range.
    """
    if estimator not in ("H1", "H2"):
        raise DesignError(f"got {estimator!r}; known are H1 and H2", key="estimator")
    if not records:
        raise FileError("no record is given; name at least one file")
    if not (0.02 <= block_s <= 60.0 and 0.0 <= pre_s <= block_s and (window_s is None or window_s > 0.005)):
        raise DesignError("block_s is 0.02..60 s, pre_s less, window_s over 0.005 s", key="block_s")
    rates = sorted({r.sample_rate_Hz for r in records})
    if len(rates) > 1:
        raise FileError(f"{records[0].name}: records are sampled at {rates[0]:g} and {rates[-1]:g} Hz; use one rate")
    kinds = {r.hammer is None for r in records}
    if len(kinds) > 1:
        raise FileError(f"{records[0].name}: some records have a hammer and some have none; analyse them apart")
    blows = [(r, b) for r in records for b in find_blows(r, block_s=block_s, pre_s=pre_s, window_s=window_s)]
    good = [(r, b) for r, b in blows if not b.faults]
    if not good:
        faults = "; ".join(str(b) for _, b in blows[:5]) or "no tap was found"
        raise FileError(f"{records[0].name}: no tap can be used ({faults})")
    return _averaged(records, good, tuple(b for _, b in blows), estimator, (block_s, pre_s, window_s, max_Hz))


def _averaged(
    records: Sequence[Record],
    good: Sequence[tuple[Record, Blow]],
    blows: tuple[Blow, ...],
    estimator: str,
    lengths: tuple[float, float, float | None, float | None],
) -> Frfs:
    block_s, pre_s, window_s, max_Hz = lengths
    rate = records[0].sample_rate_Hz
    n, pre = round((block_s + pre_s) * rate), round(pre_s * rate)
    frequency: Array = np.fft.rfftfreq(n, 1 / rate).astype(float)
    keep = (frequency > 0) & (frequency <= (max_Hz or 0.45 * rate))
    sums: dict[tuple[Place | None, Place | None, int, int], list[CArray]] = {}
    alone = 0
    for r, b in good:
        force, answers = _spectra(r, b, n, pre, window_s)
        tap = r.channels[r.hammer].place if r.hammer is not None else None
        if force is None:
            # Free decays differ in strength and phase: each is a row of its own.
            alone += 1
        for i, x in zip(r.answers, answers, strict=True):
            key = (tap, r.channels[i].place, alone, i)
            sums.setdefault(key, []).append(np.stack([x if force is None else force, x])[:, keep])
    rows = [_estimate(np.stack(v), estimator, free=good[0][0].hammer is None) for v in sums.values()]
    masses = {c.place: c.mass_g / 1000.0 for r in records for c in r.channels if c.place is not None and c.mass_g > 0}
    microphones = all(r.channels[i].kind == "microphone" for r, _ in good for i in r.answers)
    with_hammer = good[0][0].hammer is not None
    return Frfs(
        frequency_Hz=frequency[keep],
        H=np.stack([h for h, _ in rows]),
        coherence=np.stack([c for _, c in rows]),
        taps=tuple(k[0] for k in sums),
        sensors=tuple(k[1] for k in sums),
        kind="decay" if not with_hammer else "pressure" if microphones else "accelerance",
        averages=tuple(len(v) for v in sums.values()),
        groups=tuple(k[2] for k in sums),
        decay_per_s=0.0 if window_s is None else 1.0 / window_s,
        sensor_mass_kg=masses,
        blows=blows,
    )


def _spectra(r: Record, b: Blow, n: int, pre: int, window_s: float | None) -> tuple[CArray | None, list[CArray]]:
    """Transforms of the force (None without a hammer) and the answers of one tap."""
    rate = r.sample_rate_Hz
    begin = b.start - pre if r.hammer is not None else b.start
    cut = r.signals[:, begin : begin + n]
    if cut.shape[1] < n:  # a decay has no time before it
        cut = np.pad(cut, ((0, 0), (0, n - cut.shape[1])))
    t = np.arange(n) / rate
    weight = np.ones(n) if window_s is None else np.exp(-t / window_s)
    if r.hammer is None:
        # Leave the contact out: what follows is free.
        skip = round(0.004 * rate)
        free = cut[:, skip:] * weight[: n - skip]
        return None, list(np.fft.rfft(free[r.answers], n))
    rest = cut[:, : max(pre - round(0.001 * rate), 1)].mean(axis=1, keepdims=True) if pre > 1 else 0.0
    cut = cut - rest
    contact = np.zeros(n)
    contact[max(pre - round(0.001 * rate), 0) : pre + b.pulse + round(0.002 * rate)] = 1.0
    force = np.fft.rfft(cut[r.hammer] * contact * weight)
    return force, list(np.fft.rfft(cut[r.answers] * weight))


def _estimate(pairs: CArray, estimator: str, *, free: bool) -> tuple[CArray, Array]:
    """FRF and coherence of (taps, 2, f) transforms of force and answer."""
    f, x = pairs[:, 0], pairs[:, 1]
    lines = pairs.shape[2]
    if free:
        return np.asarray(x[0]), np.full(lines, np.nan)
    ff, xx, xf = (np.abs(f) ** 2).sum(0), (np.abs(x) ** 2).sum(0), (x * f.conj()).sum(0)
    tiny = 1e-30
    h = xf / (ff + tiny) if estimator == "H1" else xx / np.where(np.abs(xf) > tiny, xf.conj(), tiny)
    coherence = np.abs(xf) ** 2 / (ff * xx + tiny) if len(pairs) > 1 else np.full(lines, np.nan)
    return np.asarray(h), np.asarray(coherence)


def joined(sets: Sequence[Frfs]) -> Frfs:
    """Put rows measured with the same sensors and lengths together; raises FileError where lines differ."""
    first = sets[0]
    for s in sets[1:]:
        same = s.frequency_Hz.shape == first.frequency_Hz.shape and np.allclose(s.frequency_Hz, first.frequency_Hz)
        if not same or s.decay_per_s != first.decay_per_s or s.kind != first.kind:
            raise FileError("these FRFs differ in their lines, window or kind; measure them alike")
    return replace(
        first,
        H=np.concatenate([s.H for s in sets]),
        coherence=np.concatenate([s.coherence for s in sets]),
        taps=tuple(t for s in sets for t in s.taps),
        sensors=tuple(p for s in sets for p in s.sensors),
        averages=tuple(a for s in sets for a in s.averages),
        groups=tuple(g + 1000 * k for k, s in enumerate(sets) for g in s.groups),
        sensor_mass_kg={k: v for s in sets for k, v in s.sensor_mass_kg.items()},
        blows=tuple(b for s in sets for b in s.blows),
    )


def read_frfs(path: str | os.PathLike[str], places: Mapping[int, Place] | None = None) -> Frfs:
    """Read the frequency responses of a UFF file.

    Parameters
    ----------
    path : path
    places : mapping of node number to Place, optional

    Raises
    ------
    FileError
        Damaged, or without FRFs.
    MissingExtraError
        pyuff is not installed.
    """
    found = read_uff_frfs(Path(path))
    at = dict(places or {})
    f = found[0].frequency_Hz
    keep = f > 0
    w = 2j * np.pi * f[keep]
    # Receptance and mobility become accelerance.
    powers = {8: 2, 11: 1, 12: 0}
    H = np.stack([s.data[keep] * w ** powers.get(s.data_type, 0) for s in found])
    return Frfs(
        frequency_Hz=f[keep],
        H=H,
        coherence=np.full(H.shape, np.nan),
        taps=tuple(at.get(s.reference[0]) for s in found),
        sensors=tuple(at.get(s.response[0]) for s in found),
        averages=(1,) * len(found),
        groups=(0,) * len(found),
    )
