"""Quality check: a cabinet against its reference, left against right, records by serial number in plain files."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bracewright.design.checks import number, text
from bracewright.errors import BracewrightError, DesignError, FileError
from bracewright.files import write_file
from bracewright.measure.identify import MeasuredModes
from bracewright.measure.pair import Pairing, pair
from bracewright.measure.records import Place

MAX_BYTES = 20_000_000
FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a cabinet may differ by. Common practice, no source.

    Parameters
    ----------
    frequency : float
        Relative difference of each mode.
    loss_ratio : float
        Factor between loss factors, either way.
    mac : float
        Least likeness of shapes, where they were measured at the same places.
    missing : int
        Modes that may be missing or extra.
    """

    frequency: float = 0.03
    loss_ratio: float = 1.6
    mac: float = 0.8
    missing: int = 0

    def __post_init__(self) -> None:
        number(self.frequency, "frequency", low=1e-4, high=0.5, hint="a fraction: 3 % is 0.03")
        number(self.loss_ratio, "loss_ratio", low=1.0, high=100.0)
        number(self.mac, "mac", low=0.0, high=1.0)
        number(self.missing, "missing", low=0, high=1000)


@dataclass(frozen=True, kw_only=True, eq=False)
class Check:
    """A cabinet against another.

    Attributes
    ----------
    passed : bool
    faults : tuple of str
        What is out of its limits.
    pairing : Pairing
        The reference stands as computed, the new cabinet as measured.
    worst_frequency : float
        Largest relative difference.
    """

    passed: bool
    faults: tuple[str, ...]
    pairing: Pairing
    worst_frequency: float

    def text(self) -> str:
        """Return the verdict and the modes side by side."""
        table = self.pairing.text().replace("computed", "reference").replace("in the model", "in the reference")
        verdict = "passed" if self.passed else "failed: " + "; ".join(self.faults)
        return f"{verdict}\n{table}"


def compare(reference: MeasuredModes, new: MeasuredModes, limits: Limits | None = None) -> Check:
    """Check a cabinet's modes against a reference's.

    Shapes are compared where both were measured at the same places.
    """
    own = limits or Limits()
    same = reference.places == new.places and len(reference.places) > 0
    p = pair(reference, reference.shapes if same else None, new, window=max(0.1, 3 * own.frequency), min_mac=0.3)
    faults = []
    worst = 0.0
    for c, m in p.pairs:
        f, g = reference.frequency_Hz[c], new.frequency_Hz[m]
        shift = float(g / f - 1)
        worst = max(worst, abs(shift))
        # A shift within the noise of the records is no fault.
        if abs(shift) > own.frequency + 2 * (_sd(reference, c) + _sd(new, m)):
            faults.append(f"the mode at {f:.1f} Hz has moved by {100 * shift:+.1f} %, over {100 * own.frequency:g} %")
        ratio = float(new.loss_factor[m] / reference.loss_factor[c])
        if max(ratio, 1 / ratio) > own.loss_ratio:
            faults.append(f"the mode at {f:.1f} Hz has {ratio:.2f} times the loss factor")
        if p.by_shape and p.mac[c, m] < own.mac:
            faults.append(f"the mode at {f:.1f} Hz has another shape (MAC {p.mac[c, m]:.2f})")
    lost = [f"{reference.frequency_Hz[k]:.1f} Hz is missing" for k in p.missing]
    lost += [f"{new.frequency_Hz[k]:.1f} Hz is extra" for k in p.extra]
    if len(lost) > own.missing:
        faults += lost
    if not p.pairs:
        faults.append("no mode is common to both")
    return Check(passed=not faults, faults=tuple(faults), pairing=p, worst_frequency=worst)


def _sd(m: MeasuredModes, k: int) -> float:
    return float(m.frequency_sd_Hz[k] / m.frequency_Hz[k]) if len(m.frequency_sd_Hz) else 0.0


def match(left: MeasuredModes, right: MeasuredModes, *, within: float = 0.03) -> Check:
    """Check that two cabinets make a pair: frequencies within 2-3 % (common practice, no source)."""
    return compare(left, right, Limits(frequency=within, mac=0.0))


# --- files ----------------------------------------------------------------------------------------------------------


def to_table(modes: MeasuredModes) -> dict[str, object]:
    """Return measured modes as plain numbers."""
    return {
        "format": FORMAT,
        "modes": [
            {"frequency_Hz": float(f), "frequency_sd_Hz": float(s), "loss_factor": float(n), "loss_factor_sd": float(t)}
            for f, s, n, t in zip(
                modes.frequency_Hz, modes.frequency_sd_Hz, modes.loss_factor, modes.loss_factor_sd, strict=True
            )
        ],
        "places": [{"part": p.part, "at": list(p.at), "direction": p.direction} for p in modes.places],
        "shapes_real": modes.complex_shapes.real.tolist(),
        "shapes_imaginary": modes.complex_shapes.imag.tolist(),
        "scaled": modes.scaled,
        "sensors": [
            {"part": p.part, "at": list(p.at), "direction": p.direction, "mass_g": 1000 * m}
            for p, m in modes.sensor_mass_kg.items()
        ],
    }


def from_table(data: Mapping[str, Any]) -> MeasuredModes:
    """Return measured modes of a table; raises DesignError where it is not one."""
    try:
        if data["format"] != FORMAT:
            raise DesignError(f"got {data['format']!r}; this version reads format {FORMAT}", key="format")
        rows = data["modes"]
        columns = [
            np.array([float(r[k]) for r in rows])
            for k in ("frequency_Hz", "loss_factor", "frequency_sd_Hz", "loss_factor_sd")
        ]
        places = tuple(Place(part=p["part"], at=tuple(p["at"]), direction=p["direction"]) for p in data["places"])
        shape = (len(places), len(rows))
        z = np.array(data["shapes_real"], float).reshape(shape) + 1j * np.array(
            data["shapes_imaginary"], float
        ).reshape(shape)
        masses = {
            Place(part=s["part"], at=tuple(s["at"]), direction=s["direction"]): float(s["mass_g"]) / 1000
            for s in data["sensors"]
        }
        if not (np.isfinite(columns).all() and np.isfinite(z).all() and (columns[0] > 0).all()):
            raise DesignError("holds values that are not finite", key="modes")
    except BracewrightError:
        raise
    except (KeyError, TypeError, ValueError) as e:
        raise DesignError(f"is no record of modes ({type(e).__name__}: {e})") from e
    return MeasuredModes(
        frequency_Hz=columns[0],
        loss_factor=columns[1],
        shapes=z.real.copy(),
        places=places,
        complex_shapes=z,
        frequency_sd_Hz=columns[2],
        loss_factor_sd=columns[3],
        scaled=bool(data.get("scaled", False)),
        sensor_mass_kg=masses,
    )


def save_modes(folder: str | os.PathLike[str], serial: str, modes: MeasuredModes, *, note: str = "") -> Path:
    """Keep modes under a serial number: ``FOLDER/SERIAL/modes-1.json``, then ``modes-2.json`` and so on.

    Nothing is written over. Raises FileError if the folder cannot be written, DesignError for a bad serial number.
    """
    name = text(serial, "serial")
    if name.strip(" .") != name:
        raise DesignError(f"got {serial!r}; it becomes a folder, so no dots or blanks at its ends", key="serial")
    root = Path(folder) / name
    try:
        root.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"{root}: the folder cannot be made ({e.strerror}); check the name and the rights") from e
    number_ = 1
    while (root / f"modes-{number_}.json").exists():
        number_ += 1
    path = root / f"modes-{number_}.json"
    table = {"serial": name, "note": note, **to_table(modes)}
    write_file(path, json.dumps(table, indent=1, allow_nan=False, ensure_ascii=False) + "\n")
    return path


def load_modes(path: str | os.PathLike[str]) -> MeasuredModes:
    """Read modes that were kept; a serial number's folder stands for the latest in it.

    Raises
    ------
    FileError
        Missing, too large, or no such record.
    """
    p = Path(path)
    if p.is_dir():
        kept = sorted(p.glob("modes-*.json"), key=lambda q: (len(q.name), q.name))
        if not kept:
            raise FileError(f"{p}: holds no modes-1.json; keep a tap test there first")
        p = kept[-1]
    try:
        if p.stat().st_size > MAX_BYTES:
            raise FileError(f"{p}: larger than {MAX_BYTES // 1_000_000} MB, which no record of modes needs")
        return from_table(json.loads(p.read_text("utf-8")))
    except FileError:
        raise
    except OSError as e:
        raise FileError(f"{p}: cannot be read ({e.strerror}); check the name and the folder") from e
    except (ValueError, RecursionError) as e:
        raise FileError(f"{p}: {e}; give a file that save_modes wrote") from e
