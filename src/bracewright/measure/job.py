"""The whole job from files: records in, a fitted design or a verdict on a cabinet out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError, FileError, SolveError
from bracewright.fem.modes import bounces, solve, wall_modes
from bracewright.fem.system import build
from bracewright.measure.fit import fit
from bracewright.measure.fitted import FitResult
from bracewright.measure.frf import Frfs, frfs
from bracewright.measure.identify import MeasuredModes, at_places, identify
from bracewright.measure.loose import JointVerdict, joint_model, loose_joint
from bracewright.measure.parameters import Parameter
from bracewright.measure.quality import Check, Limits, compare
from bracewright.measure.records import Record, check_places
from bracewright.measure.tapfiles import read_records

MARGIN = 0.35  # below and above the modes of the design, the band that is searched
BAND_MODES = 12  # of the design's modes, the band covers
BESIDE_REFERENCE = 0.12  # beyond the modes of a reference, in which a new cabinet's are looked for
JOINT_SIZE = 80.0  # mm, elements of the model that tells joints apart

Paths = Sequence[str | os.PathLike[str]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Taps:
    """What a set of records holds.

    Attributes
    ----------
    records : tuple of Record
    responses : Frfs
        With the taps that were refused, and why.
    measured : MeasuredModes
    """

    records: tuple[Record, ...]
    responses: Frfs
    measured: MeasuredModes

    def text(self) -> str:
        """Return the account of the records."""
        taps, refused = len(self.responses.blows), self.responses.refused
        lines = [f"{taps} taps in {len(self.records)} records, {len(refused)} refused; {len(self.measured)} modes"]
        return "\n".join([*lines, *(f"  refused: {b}" for b in refused)]) + "\n"

    def to_table(self) -> dict[str, object]:
        """Return plain numbers."""
        m = self.measured
        return {
            "taps": len(self.responses.blows),
            "refused": [str(b) for b in self.responses.refused],
            "measured": [
                {"frequency_Hz": float(f), "frequency_sd_Hz": float(s), "loss_factor": float(n)}
                for f, s, n in zip(m.frequency_Hz, m.frequency_sd_Hz, m.loss_factor, strict=True)
            ],
        }


@dataclass(frozen=True, kw_only=True, eq=False)
class FilesFit(Taps):
    """What came of a set of records: `fit` is the corrected design."""

    fit: FitResult

    def text(self) -> str:
        """Return the account of the records and of the fit."""
        return Taps.text(self) + "\n" + self.fit.text()

    def to_table(self) -> dict[str, object]:
        """Return plain numbers."""
        return {**Taps.to_table(self), **self.fit.to_table()}


@dataclass(frozen=True, kw_only=True, eq=False)
class FilesCheck(Taps):
    """A cabinet against its reference.

    Attributes
    ----------
    check : Check
    joints : JointVerdict or None
        Which joint is likeliest loose, where the check failed and the design can tell; else `note` says why not.
    """

    check: Check
    joints: JointVerdict | None = None
    note: str = ""

    def text(self) -> str:
        """Return the verdict."""
        last = self.joints.text() if self.joints else f"{self.note}\n" if self.note else ""
        return "\n".join([Taps.text(self), self.check.text(), last]).rstrip() + "\n"

    def to_table(self) -> dict[str, object]:
        """Return plain numbers."""
        return {
            **Taps.to_table(self),
            **self.check.to_table(),
            "joints": self.joints.to_table() if self.joints else None,
            "note": self.note,
        }


def identify_files(
    cabinet: Cabinet,
    records: Paths,
    *,
    low_Hz: float | None = None,
    high_Hz: float | None = None,
    block_s: float = 1.0,
    window_s: float | None = None,
) -> Taps:
    """Read tap records and identify the modes.

    Parameters
    ----------
    cabinet : Cabinet
        On which the places lie, and by whose modes the band is chosen.
    records : sequence of path
        WAV, CSV or UFF files, folders, or tap sheets.
    low_Hz, high_Hz : float, optional
        Band; by default from below the design's first mode to above its twelfth.
    block_s, window_s : float
        Length analysed after a tap and the exponential window's time constant, s.

    Raises
    ------
    FileError
        A record cannot be read or used.
    DesignError
        A place is off the cabinet, or a band cannot be used.
    SolveError
        No modes are found.
    """
    read = read_records(records)
    if not read:
        raise FileError("no record is given; name at least one file")
    check_places(cabinet, read)
    responses = frfs(read, block_s=block_s, window_s=window_s)
    low, high = low_Hz, high_Hz
    if low is None or high is None:
        model = build(cabinet, size=60.0)
        every = solve(model, BAND_MODES + bounces(cabinet), prove=False)
        f = every.frequency_Hz[wall_modes(model, every)]
        top = float(responses.frequency_Hz[-1])
        low = (1 - MARGIN) * float(f[0]) if low is None else low
        high = min((1 + MARGIN / 2) * float(f[-1]), top) if high is None else high
    return Taps(records=read, responses=responses, measured=identify(responses, low, high))


def fit_files(
    cabinet: Cabinet,
    records: Paths,
    *,
    parameters: Sequence[Parameter] | None = None,
    mass_kg: float | None = None,
    size: float = 40.0,
    low_Hz: float | None = None,
    high_Hz: float | None = None,
    block_s: float = 1.0,
    window_s: float | None = None,
) -> FilesFit:
    """Fit a design to tap records.

    Parameters
    ----------
    cabinet, records, low_Hz, high_Hz, block_s, window_s
        As in `identify_files`, whose errors are raised too.
    parameters : sequence of Parameter, optional
        What may change; boards' moduli and densities and the default joint unless given.
    mass_kg : float, optional
        Of the cabinet on a scale.
    size : float
        Element side, mm.

    Raises
    ------
    SolveError
        No mode pairs with the design's.
    """
    t = identify_files(cabinet, records, low_Hz=low_Hz, high_Hz=high_Hz, block_s=block_s, window_s=window_s)
    result = fit(cabinet, t.measured, parameters, mass_kg=mass_kg, size=size)
    return FilesFit(records=t.records, responses=t.responses, measured=t.measured, fit=result)


def check_files(
    cabinet: Cabinet,
    records: Paths,
    reference: MeasuredModes,
    *,
    limits: Limits | None = None,
    size: float = JOINT_SIZE,
    low_Hz: float | None = None,
    high_Hz: float | None = None,
    block_s: float = 1.0,
    window_s: float | None = None,
) -> FilesCheck:
    """Check a cabinet by its tap records against a reference.

    Parameters
    ----------
    cabinet, records, block_s, window_s
        As in `identify_files`, whose errors are raised too; a fitted design tells joints apart best.
    reference : MeasuredModes
        Of a cabinet known to be good, such as `load_modes` reads.
    limits : Limits, optional
    size : float
        Element side of the model that tells joints apart, mm.
    low_Hz, high_Hz : float, optional
        Band; around the reference's modes unless given.
    """
    low = reference.frequency_Hz.min() * (1 - BESIDE_REFERENCE) if low_Hz is None else low_Hz
    high = reference.frequency_Hz.max() * (1 + BESIDE_REFERENCE) if high_Hz is None else high_Hz
    t = identify_files(cabinet, records, low_Hz=float(low), high_Hz=float(high), block_s=block_s, window_s=window_s)
    check = compare(reference, t.measured, limits)
    joints, note = None, ""
    if not check.passed:
        try:
            joints = likely_loose(cabinet, reference, t.measured, size=size)
        except (DesignError, SolveError) as e:
            note = f"no joint can be named: {e}"
    return FilesCheck(
        records=t.records, responses=t.responses, measured=t.measured, check=check, joints=joints, note=note
    )


def likely_loose(
    cabinet: Cabinet, reference: MeasuredModes, new: MeasuredModes, *, size: float = JOINT_SIZE
) -> JointVerdict:
    """Name the joint of a brace whose loosening best explains a change, by the places that both tests share."""
    places = tuple(p for p in reference.places if p in new.places)
    model = joint_model(cabinet, places, count=len(reference) + 6, size=size)
    return loose_joint(model, at_places(reference, places), at_places(new, places))
