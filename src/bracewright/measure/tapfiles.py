"""From files to tap records.

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

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bracewright.design.checks import known_keys, table, tables
from bracewright.errors import DesignError, FileError
from bracewright.files import read_text
from bracewright.measure import formats
from bracewright.measure.records import MAX_SECONDS, OF_KIND, Channel, Place, Record, make_record

Array = NDArray[np.float64]
#: Data type of a UFF record -> what it is of, and its SI unit.
UFF_TYPES: Mapping[int, tuple[str, str]] = {
    9: ("hammer", "N"),
    13: ("hammer", "N"),
    12: ("accelerometer", "m/s2"),
    15: ("microphone", "Pa"),
}
MAX_SHEET_BYTES = 1_000_000
CHANNEL_KEYS = ("kind", "unit", "scale", "part", "at", "direction", "mass_g", "range", "name")


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
        sheet = p / "taps.toml" if os.path.isdir(p) else p
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
    described = tuple(channels) if channels is not None else _described(p)
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


def _described(p: Path) -> tuple[Channel, ...]:
    """Return what the tap sheets beside a file say of its channels; empty where there is none."""
    own, shared = p.with_suffix(".toml"), p.parent / "taps.toml"
    sheet = _sheet(shared) if os.path.isfile(shared) else {}
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
    return _channels(own, _sheet(own), channels) if os.path.isfile(own) else channels


def _sheet(p: Path) -> dict[str, Any]:
    return _parsed(p, read_text(p, MAX_SHEET_BYTES, "a tap sheet (TOML)"))


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
