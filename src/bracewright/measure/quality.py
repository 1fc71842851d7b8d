"""Quality check: a cabinet against its reference, left against right, records by serial number in plain files."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bracewright.design.checks import number, text
from bracewright.errors import BracewrightError, DesignError, FileError
from bracewright.files import make_folder, read_text, write_file
from bracewright.measure.identify import MeasuredModes, at_places
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
    limits : Limits
    faults : tuple of str
        What is out of its limits.
    pairing : Pairing
        The reference stands as computed, the new cabinet as measured.
    worst_frequency : float
        Largest relative difference.
    """

    passed: bool
    limits: Limits
    faults: tuple[str, ...]
    pairing: Pairing
    worst_frequency: float

    def text(self) -> str:
        """Return the verdict and the modes side by side."""
        table = self.pairing.text().replace("computed", "reference").replace("in the model", "in the reference")
        verdict = "passed" if self.passed else "\n  ".join(["failed:", *self.faults])
        k = self.limits
        shape = f", MAC {k.mac:g}" if self.pairing.by_shape and k.mac > 0 else ""
        limits = f"limits: {100 * k.frequency:g} % in frequency, {k.loss_ratio:g} times in loss factor{shape}"
        return f"{verdict}\n{limits}, {k.missing} modes missing or extra\n{table}"

    def to_table(self) -> dict[str, object]:
        """Return plain numbers."""
        p = self.pairing
        return {
            "passed": self.passed,
            "faults": list(self.faults),
            "limits": asdict(self.limits),
            "worst_frequency": self.worst_frequency,
            "pairs": [
                {"reference_Hz": float(p.computed_Hz[c]), "new_Hz": float(p.measured_Hz[m]), "mac": float(p.mac[c, m])}
                for c, m in p.pairs
            ],
        }


def compare(
    reference: MeasuredModes, new: MeasuredModes, limits: Limits | None = None, *, by_shape: bool = True
) -> Check:
    """Check a cabinet's modes against a reference's.

    Shapes are compared at the places that both share, where `by_shape`; modes beyond the reference's are no fault.
    """
    own = limits or Limits()
    shared = [q for q in reference.places if q in new.places] if by_shape else []
    at = at_places(reference, shared).complex_shapes if shared else None
    window = max(0.1, 3 * own.frequency)
    p = pair(reference, at, at_places(new, shared), window=window, min_mac=0.3)
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
        noise = 2 * sum(q.loss_factor_sd[k] / q.loss_factor[k] for q, k in ((reference, c), (new, m)))
        if abs(np.log(ratio)) > np.log(own.loss_ratio) + noise:
            faults.append(f"the mode at {f:.1f} Hz has {ratio:.2f} times the loss factor")
        if p.by_shape and p.mac[c, m] < own.mac:
            faults.append(f"the mode at {f:.1f} Hz has another shape (MAC {p.mac[c, m]:.2f})")
    lost = [f"{reference.frequency_Hz[k]:.1f} Hz is missing" for k in p.missing]
    edge = 1 + own.frequency
    low, high = reference.frequency_Hz.min() / edge, reference.frequency_Hz.max() * edge
    lost += [f"{new.frequency_Hz[k]:.1f} Hz is extra" for k in p.extra if low < new.frequency_Hz[k] < high]
    if len(lost) > own.missing:
        faults += lost
    if not p.pairs:
        faults.append("no mode is common to both")
    return Check(passed=not faults, limits=own, faults=tuple(faults), pairing=p, worst_frequency=worst)


def _sd(m: MeasuredModes, k: int) -> float:
    return float(m.frequency_sd_Hz[k] / m.frequency_Hz[k]) if len(m.frequency_sd_Hz) else 0.0


def match(left: MeasuredModes, right: MeasuredModes, *, within: float = 0.03) -> Check:
    """Check that two cabinets make a pair: frequencies within 2-3 % (common practice, no source).

    Shapes are left out: the two of a pair may be mirrored.
    """
    return compare(left, right, Limits(frequency=within), by_shape=False)


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
        finite = all(np.isfinite(v).all() for v in (columns, z, list(masses.values())))
        if not (finite and (columns[0] > 0).all()):
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


def serial_number(serial: str) -> str:
    """Return a serial number that can be a folder's name; raises DesignError for another."""
    name = text(serial, "serial")
    if name.strip(" .") != name:
        raise DesignError(f"got {serial!r}; it becomes a folder, so no dots or blanks at its ends", key="serial")
    return name


def save_modes(folder: str | os.PathLike[str], serial: str, modes: MeasuredModes, *, note: str = "") -> Path:
    """Keep modes under a serial number: ``FOLDER/SERIAL/modes-1.json``, then ``modes-2.json`` and so on.

    Nothing is written over. Raises FileError if the folder cannot be written, DesignError for a bad serial number.
    """
    name = serial_number(serial)
    root = make_folder(Path(folder) / name)
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
    if os.path.isdir(p):
        kept = sorted(p.glob("modes-*.json"), key=lambda q: (len(q.name), q.name))
        if not kept:
            raise FileError(f"{p}: holds no modes-1.json; keep a tap test there first")
        p = kept[-1]
    try:
        return from_table(json.loads(read_text(p, MAX_BYTES, "modes that were kept")))
    except FileError:
        raise
    except (ValueError, RecursionError) as e:
        raise FileError(f"{p}: {e}; give a file that save_modes wrote") from e
