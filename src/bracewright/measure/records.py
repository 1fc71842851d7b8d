"""Tap records: what was hit, what was listened to, and the signals in SI."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, PANELS, Cabinet
from bracewright.design.checks import choice, number, text
from bracewright.design.layout import part_layout
from bracewright.errors import DesignError, FileError

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
    choice(place.part, "part", [p.side for p in cabinet.panels] + [b.name for b in cabinet.braces])
    if max(np.abs(place.at)) < CORNER:
        raise DesignError(f"got {place.at}, in the very corner of {place.part!r}; lengths are in mm", key="at")
    point = shapely.Point(place.at)
    layout = part_layout(cabinet, place.part, "outer" if place.part in PANELS else "inner")
    if not layout.outline().buffer(0.5).contains(point):
        a, b = place.at
        raise DesignError(f"got ({a:g}, {b:g}), which is off {place.part!r}; in-plane coordinates in mm", key="at")
    for label, cut in layout.cuts:
        if cut.polygon(0.1).contains(point):
            raise DesignError(f"got {place.at}, which lies in the opening {label!r}; move it to wood", key="at")
