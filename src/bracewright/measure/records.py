"""Tap records: what was hit, what was listened to, and the signals in SI.

A WAV file says nothing of its channels, so a tap sheet (TOML) stands beside it: ``NAME.toml`` for one record or
``taps.toml`` for a folder. A CSV file carries the same tables in its leading ``#`` lines, and a UFF file
(type 58) its own units, to which a sheet adds the positions::

    [[channels]]              # in the order of the file's columns
    kind = "hammer"           # hammer | accelerometer | microphone
    unit = "N"
    scale = 500               # units at full scale of a WAV file; a factor on the numbers elsewhere
    [[channels]]
    kind = "accelerometer"
    unit = "g"
    scale = 50
    part = "left"
    at = [150, 210]           # in-plane cabinet coordinates, mm
    mass_g = 5
    [[taps]]                  # only in taps.toml: where the hammer hit
    file = "tap-01.wav"
    part = "left"
    at = [100, 300]
"""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, PANELS, Cabinet
from bracewright.design.checks import choice, known_keys, number, table, tables, text
from bracewright.design.layout import part_layout
from bracewright.errors import DesignError, FileError
from bracewright.measure import formats

Array = NDArray[np.float64]

KINDS = ("hammer", "accelerometer", "microphone")
DIRECTIONS = ("out", "in", *AXES, *(f"-{a}" for a in AXES))
#: Unit -> (factor to SI, the largest value that is not a slip of the unit). "1" is uncalibrated.
UNITS: Mapping[str, tuple[float, float]] = {
    "N": (1.0, 2.0e4),
    "lbf": (4.4482216, 2.0e4),
    "m/s2": (1.0, 1.0e5),
    "g": (9.80665, 1.0e5),
    "Pa": (1.0, 1.0e4),
    "1": (1.0, 1.0e12),
}
OF_KIND: Mapping[str, tuple[str, ...]] = {
    "hammer": ("N", "lbf", "1"),
    "accelerometer": ("m/s2", "g", "1"),
    "microphone": ("Pa", "1"),
}
MAX_SECONDS = 120.0
RATES_HZ = (200.0, 1.0e6)
MIN_SAMPLES = 64
MAX_CHANNELS = 64
LIGHTEST_G = 0.1
CORNER = 5.0  # mm: nearer to the corner of a part in both directions nobody taps
#: Data type of a UFF record -> what it is of, and its SI unit.
UFF_TYPES: Mapping[int, tuple[str, str]] = {
    9: ("hammer", "N"),
    13: ("hammer", "N"),
    12: ("accelerometer", "m/s2"),
    15: ("microphone", "Pa"),
}
CHANNEL_KEYS = ("kind", "unit", "scale", "part", "at", "direction", "mass_g", "range", "name")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A point on a part.

    Parameters
    ----------
    part : str
        A panel's side or a brace's name.
    at : (float, float)
        In-plane cabinet coordinates in alphabetical order, mm.
    direction : {"out", "in", "x", "y", "z", "-x", "-y", "-z"}
        Of the blow or the sensor; ``out`` is the outward normal of a panel, along the axis on a brace.
    """

    part: str
    at: tuple[float, float]
    direction: str = "out"

    def __post_init__(self) -> None:
        text(self.part, "part")
        if not isinstance(self.at, list | tuple) or len(self.at) != 2:
            raise DesignError(f"got {self.at!r}; give two in-plane coordinates in mm, such as [150, 210]", key="at")
        a, b = (number(v, "at", low=-10.0, high=5000.0, hint="mm") for v in self.at)
        object.__setattr__(self, "at", (a, b))
        choice(self.direction, "direction", DIRECTIONS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One column of a record.

    Parameters
    ----------
    kind : {"hammer", "accelerometer", "microphone"}
    unit : {"N", "lbf", "m/s2", "g", "Pa", "1"}
        "1" is uncalibrated: frequencies and damping only.
    scale : float
        Units at full scale of a WAV file; elsewhere a factor on the numbers.
    place : Place, optional
        Where the sensor sits, or the hammer hits.
    mass_g : float
        Of a sensor fixed to the cabinet.
    range : float
        Largest value the sensor can take, in `unit`; 0 where not known.
    """

    kind: str
    unit: str = "1"
    scale: float = 1.0
    place: Place | None = None
    mass_g: float = 0.0
    range: float = 0.0
    name: str = ""

    def __post_init__(self) -> None:
        choice(self.kind, "kind", KINDS)
        choice(self.unit, "unit", OF_KIND[self.kind])
        number(self.scale, "scale", low=-1e9, high=1e9)
        if self.scale == 0:
            raise DesignError("got 0; give the units at full scale", key="scale")
        number(self.mass_g, "mass_g", low=0.0, high=500.0, hint="grams")
        if 0 < self.mass_g < LIGHTEST_G:
            raise DesignError(f"got {self.mass_g:g}; no sensor is so light: masses are in grams", key="mass_g")
        number(self.range, "range", low=0.0, high=1e9)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """Signals of one or more taps at the same places.

    Attributes
    ----------
    signals : (c, n) array
        N, m/s2 or Pa.
    sample_rate_Hz : float
    channels : tuple of Channel
    limits : (c,) array
        Value at which a channel clips; infinite where not known.
    name : str
    """

    signals: Array
    sample_rate_Hz: float
    channels: tuple[Channel, ...]
    limits: Array
    name: str = "record"

    @property
    def seconds(self) -> float:
        """Length of the record."""
        return float(self.signals.shape[1] / self.sample_rate_Hz)

    @property
    def hammer(self) -> int | None:
        """Number of the hammer's channel; None where only the answer was recorded."""
        found = [i for i, c in enumerate(self.channels) if c.kind == "hammer"]
        return found[0] if found else None

    @property
    def answers(self) -> list[int]:
        """Numbers of the other channels."""
        return [i for i, c in enumerate(self.channels) if c.kind != "hammer"]


def make_record(
    signals: Array, sample_rate_Hz: float, channels: Sequence[Channel], *, name: str = "record", full_scale: float = 0.0
) -> Record:
    """Check raw signals (c, n) and carry them to SI.

    `full_scale` is the raw value at which every channel clips; 0 where not known.

    Raises
    ------
    FileError
        Not finite, too short or long, a sampling rate or a value that cannot be.
    """
    raw = np.atleast_2d(np.asarray(signals, dtype=float))
    _check_size(name, sample_rate_Hz, raw.shape[1], raw.shape[0])
    if raw.shape[0] != len(channels):
        raise FileError(
            f"{name}: has {raw.shape[0]} channels but {len(channels)} are described; "
            "give one [[channels]] table for each column"
        )
    if sum(c.kind == "hammer" for c in channels) > 1:
        raise FileError(f"{name}: two channels are hammers; one record has one hammer")
    bad = np.argwhere(~np.isfinite(raw))
    if len(bad):
        c, i = bad[0]
        raise FileError(
            f"{name}: channel {c + 1} is not a number at sample {i + 1} ({len(bad)} in all); record it again"
        )
    factor = np.array([c.scale * UNITS[c.unit][0] for c in channels])
    out = raw * factor[:, None]
    for c, row in zip(channels, out, strict=True):
        peak, most = float(np.abs(row).max()), UNITS[c.unit][1]
        if peak > most:
            raise FileError(f"{name}: the {c.kind} reaches {peak:.3g} in SI, over {most:g}; check its unit and scale")
        if peak == 0.0 or np.ptp(row) == 0.0:
            raise FileError(f"{name}: the {c.kind} is silent; check its cable and channel")
    ranges = np.array([c.range * UNITS[c.unit][0] if c.range else np.inf for c in channels])
    clips = np.abs(factor) * full_scale if full_scale else np.full(len(channels), np.inf)
    return Record(
        signals=out,
        sample_rate_Hz=float(sample_rate_Hz),
        channels=tuple(channels),
        limits=np.minimum(ranges, clips),
        name=name,
    )


def _check_size(name: str, rate_Hz: float, samples: int, columns: int) -> None:
    low, high = RATES_HZ
    if not (math.isfinite(rate_Hz) and low <= rate_Hz <= high):
        raise FileError(f"{name}: the sampling rate is {rate_Hz:g} Hz, outside {low:g}..{high:g}; correct it")
    if samples < MIN_SAMPLES:
        raise FileError(f"{name}: holds {samples} samples; a tap needs {MIN_SAMPLES} at least")
    if samples > MAX_SECONDS * rate_Hz:
        raise FileError(
            f"{name}: lasts {samples / rate_Hz:.0f} s, over {MAX_SECONDS:g} s; cut it into records of a few taps"
        )
    if not 1 <= columns <= MAX_CHANNELS:
        raise FileError(f"{name}: has {columns} channels; 1..{MAX_CHANNELS} can be read")


def check_places(cabinet: Cabinet, records: Sequence[Record]) -> None:
    """Refuse records whose places are not on wood of the cabinet; raises DesignError naming the record."""
    for r in records:
        for c in r.channels:
            if c.place is not None:
                try:
                    check_place(cabinet, c.place)
                except DesignError as e:
                    raise e.within(r.name) from None


def check_place(cabinet: Cabinet, place: Place) -> None:
    """Refuse a place that is not on wood of the cabinet."""
    from shapely.geometry import Point

    choice(place.part, "part", [p.side for p in cabinet.panels] + [b.name for b in cabinet.braces])
    if max(np.abs(place.at)) < CORNER:
        raise DesignError(f"got {place.at}, in the very corner of {place.part!r}; lengths are in mm", key="at")
    layout = part_layout(cabinet, place.part, "outer" if place.part in PANELS else "inner")
    if not layout.outline().buffer(0.5).contains(Point(place.at)):
        a, b = place.at
        raise DesignError(f"got ({a:g}, {b:g}), which is off {place.part!r}; in-plane coordinates in mm", key="at")
    for label, cut in layout.cuts:
        if cut.polygon(0.1).contains(Point(place.at)):
            raise DesignError(f"got {place.at}, which lies in the opening {label!r}; move it to wood", key="at")


# --- files ----------------------------------------------------------------------------------------------------------


def read_records(paths: Sequence[str | os.PathLike[str]]) -> tuple[Record, ...]:
    """Read WAV, CSV and UFF files; a folder or its ``taps.toml`` stands for all the files its sheet names.

    Raises
    ------
    FileError
        A file cannot be read or understood; the message names it.
    MissingExtraError
        A UFF file is given and pyuff is not installed.
    """
    out: list[Record] = []
    for given in paths:
        p = Path(given)
        sheet = p / "taps.toml" if p.is_dir() else p
        if sheet.suffix.lower() == ".toml":
            names = [str(t.get("file", "")) for t in _sheet(sheet).get("taps", [])]
            if not names:
                raise FileError(f"{sheet}: names no record; add [[taps]] with file, part and at")
            for n in dict.fromkeys(names):
                out += read_record(sheet.parent / n)
        else:
            out += read_record(p)
    return tuple(out)


def read_record(path: str | os.PathLike[str], channels: Sequence[Channel] | None = None) -> tuple[Record, ...]:
    """Read one file; a UFF file may hold several records. `channels` stand in for its tap sheet."""
    p = Path(path)
    ending = p.suffix.lower()
    if ending not in (".wav", ".csv", ".txt", ".uff", ".unv"):
        raise FileError(f"{p}: the ending {ending!r} is not known; give .wav, .csv or .uff")
    described = tuple(channels) if channels is not None else described_channels(p)
    if ending == ".wav":
        sound = formats.read_wav(p, MAX_SECONDS)
        full = sound.full_scale
        return (_named(p, sound.data, sound.sample_rate_Hz, _needed(p, described, len(sound.data)), full),)
    if ending in (".uff", ".unv"):
        return tuple(
            _named(p, np.stack([s.data for s in run]), run[0].rate_Hz, described or [_uff_channel(s) for s in run])
            for run in formats.read_uff(p)
        )
    text = formats.read_csv(p)
    head = _parsed(p, text.header)
    if channels is None and "channels" in head:
        described = _channels(p, head, described)
    rate = head.get("sample_rate_Hz", text.rate_Hz)
    if not isinstance(rate, int | float) or isinstance(rate, bool) or not rate:
        raise FileError(f"{p}: the sampling rate is {rate!r}; add `# sample_rate_Hz = 8000`, or a first column `time`")
    return (_named(p, text.data, float(rate), _needed(p, described, len(text.data))),)


def _needed(p: Path, channels: Sequence[Channel], count: int) -> Sequence[Channel]:
    if not channels:
        raise FileError(
            f"{p}: its {count} channel(s) are not described; "
            f"write {p.stem}.toml or taps.toml beside it with [[channels]]: kind, unit, scale, part, at"
        )
    return channels


def _named(p: Path, data: Array, rate_Hz: float, channels: Sequence[Channel], full_scale: float = 0.0) -> Record:
    try:
        return make_record(data, rate_Hz, channels, name=p.name, full_scale=full_scale)
    except DesignError as e:
        raise FileError(f"{p}: {e}") from e


def described_channels(p: Path) -> tuple[Channel, ...]:
    """Return what the tap sheets beside a file say of its channels; empty where there is none."""
    own, shared = p.with_suffix(".toml"), p.parent / "taps.toml"
    sheet = _sheet(shared) if shared.is_file() else {}
    channels = _channels(shared, sheet, ())
    taps = [t for t in sheet.get("taps", []) if t.get("file") == p.name]
    if len(taps) > 1:
        raise FileError(f"{shared}: names {p.name} twice; a record has one place")
    if taps:
        try:
            known_keys(taps[0], ("file", "part", "at", "direction"), required=("part", "at"))
            place = Place(**{k: v for k, v in taps[0].items() if k != "file"})
        except DesignError as e:
            raise FileError(f"{shared}: {e.within(f'taps.{p.name}')}") from e
        channels = tuple(replace(c, place=place) if c.kind == "hammer" else c for c in channels)
    return _channels(own, _sheet(own), channels) if own.is_file() else channels


def _sheet(p: Path) -> dict[str, Any]:
    try:
        if p.stat().st_size > 1_000_000:
            raise FileError(f"{p}: larger than 1 MB, which no tap sheet needs")
        return _parsed(p, p.read_text("utf-8-sig"))
    except FileError:
        raise
    except OSError as e:
        raise FileError(f"{p}: cannot be read ({e.strerror}); check the name and the folder") from e
    except UnicodeDecodeError as e:
        raise FileError(f"{p}: not a text file; a tap sheet is TOML in UTF-8") from e


def _parsed(p: Path, content: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(content)
        known_keys(data, ("format", "sample_rate_Hz", "channels", "taps"))
        if data.get("format", 1) != 1:
            raise DesignError(f"got {data['format']!r}; this version reads format 1", key="format")
        for key in ("channels", "taps"):
            tables(data.get(key, []), key)
    except (ValueError, RecursionError) as e:  # DesignError and TOML errors are ValueErrors
        raise FileError(f"{p}: {e}") from e
    return data


def _channels(p: Path, sheet: Mapping[str, Any], known: Sequence[Channel]) -> tuple[Channel, ...]:
    """Build the channels of a sheet; keys left out are taken from the channels known before."""
    rows = sheet.get("channels", [])
    if not rows:
        return tuple(known)
    out = []
    for i, row in enumerate(rows):
        try:
            out.append(_channel(row, known[i] if i < len(known) else None))
        except DesignError as e:
            raise FileError(f"{p}: {e.within(f'channels[{i}]')}") from e
    return tuple(out)


def _channel(row: Mapping[str, Any], before: Channel | None) -> Channel:
    known_keys(table(row, ""), CHANNEL_KEYS, required=() if before else ("kind",))
    place = {k: row[k] for k in ("part", "at", "direction") if k in row}
    values: dict[str, Any] = {k: v for k, v in row.items() if k not in place}
    if place:
        if before is None or before.place is None:
            known_keys(place, ("part", "at", "direction"), required=("part", "at"))
            values["place"] = Place(**place)
        else:
            values["place"] = replace(before.place, **place)
    return replace(before, **values) if before else Channel(**values)


def _uff_channel(s: formats.UffSignal) -> Channel:
    # A label takes precedence over the unit that goes with the type.
    label = s.unit.strip().replace("^", "").replace("²", "2").replace("**", "")
    for kind, units in OF_KIND.items():
        if label in units and label != "1":
            return Channel(kind=kind, unit=label, name=s.name)
    kind, unit = UFF_TYPES.get(s.data_type, ("accelerometer", "1"))
    return Channel(kind=kind, unit=unit, name=s.name)
