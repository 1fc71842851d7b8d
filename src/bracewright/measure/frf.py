"""From records to frequency responses: finding the taps, refusing the bad ones, averaging the good ones."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bracewright.errors import DesignError, FileError
from bracewright.measure.blows import FREE_S, Blow, find_blows, rest_of
from bracewright.measure.formats import read_uff_frfs
from bracewright.measure.records import Place, Record

Array = NDArray[np.float64]
CArray = NDArray[np.complex128]

SENSOR = "accelerometer"


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
        Masses fixed to the cabinet while it was measured; of a sensor that moved, at each place the part of its mass
        that the place has of all taps, which on average shifts frequencies as the sensor did.
    calibrated : bool
        Whether force and answer have units, so that shapes get their scale.
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
    calibrated: bool = True
    blows: tuple[Blow, ...] = ()

    @property
    def refused(self) -> tuple[Blow, ...]:
        """Taps that were left out."""
        return tuple(b for b in self.blows if b.faults)

    def band(self, low_Hz: float, high_Hz: float) -> Frfs:
        """Return the lines within a band."""
        keep = (self.frequency_Hz >= low_Hz) & (self.frequency_Hz <= high_Hz)
        return replace(self, frequency_Hz=self.frequency_Hz[keep], H=self.H[:, keep], coherence=self.coherence[:, keep])


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
    with_hammer = good[0][0].hammer is not None
    # A microphone beside accelerometers adds nothing that they do not tell better.
    heard = "microphone" if all(r.channels[i].kind == "microphone" for r, _ in good for i in r.answers) else SENSOR
    sums: dict[tuple[Place | None, Place | None, int, int], list[CArray]] = {}
    masses: dict[Place, float] = {}
    for number, (r, b) in enumerate(good):
        force, answers = _spectra(r, b, n, pre, window_s)
        tap = r.channels[r.hammer].place if r.hammer is not None else None
        # Free decays differ in strength and phase, taps at places unknown in place: each is a row of its own.
        group = number if force is None else records.index(r) if tap is None else -1
        for i, x in zip(r.answers, answers, strict=True):
            c = r.channels[i]
            if c.kind == heard:
                key = (tap, c.place, group, i)
                sums.setdefault(key, []).append(np.stack([x if force is None else force, x])[:, keep])
            if c.kind == SENSOR and c.place is not None and c.mass_g > 0:
                masses[c.place] = masses.get(c.place, 0.0) + c.mass_g / 1000.0 / len(good)
    rows = [_estimate(np.stack(v), estimator, free=not with_hammer) for v in sums.values()]
    return Frfs(
        frequency_Hz=frequency[keep],
        H=np.stack([h for h, _ in rows]),
        coherence=np.stack([c for _, c in rows]),
        taps=tuple(k[0] for k in sums),
        sensors=tuple(k[1] for k in sums),
        kind="decay" if not with_hammer else "pressure" if heard != SENSOR else "accelerance",
        averages=tuple(len(v) for v in sums.values()),
        groups=tuple(k[2] for k in sums),
        decay_per_s=0.0 if window_s is None else 1.0 / window_s,
        sensor_mass_kg=masses,
        calibrated=with_hammer and all(c.unit != "1" for r, _ in good for c in r.channels),
        blows=blows,
    )


def _spectra(r: Record, b: Blow, n: int, pre: int, window_s: float | None) -> tuple[CArray | None, list[CArray]]:
    """Transforms of the force (None without a hammer) and the answers of one tap."""
    rate = r.sample_rate_Hz
    begin = b.start - pre if r.hammer is not None else b.start
    cut = r.signals[:, begin : begin + n]
    if cut.shape[1] < n:  # a decay has no time before it
        cut = np.pad(cut, ((0, 0), (0, n - cut.shape[1])))
    cut = cut - rest_of(r, b.start, pre)[:, None]
    t = np.arange(n) / rate
    weight = np.ones(n) if window_s is None else np.exp(-t / window_s)
    if r.hammer is None:
        # Leave the contact out: what follows is free.
        skip = round(FREE_S * rate)
        free = cut[:, skip:] * weight[: n - skip]
        return None, list(np.fft.rfft(free[r.answers], n))
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
