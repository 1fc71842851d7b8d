"""From taps on a cabinet to a corrected model.

``fit_files`` does the whole job; its steps are ``read_records`` (records), ``frfs`` (taps to frequency responses),
``identify`` (modes), ``pair`` (which is which) and ``fit`` (board and joint values).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from bracewright.design.cabinet import Cabinet
from bracewright.errors import FileError
from bracewright.measure.fit import FitResult, fit
from bracewright.measure.frf import Frfs, find_blows, frfs, read_frfs
from bracewright.measure.identify import MeasuredModes, identify, peaks, stabilisation
from bracewright.measure.loose import joint_model, loose_joint
from bracewright.measure.offcut import Strip, en310, panel_constants, strip_constants
from bracewright.measure.pair import mac, pair
from bracewright.measure.parameters import Parameter, default_parameters
from bracewright.measure.plan import plan_taps
from bracewright.measure.quality import Limits, compare, load_modes, match, save_modes
from bracewright.measure.records import Channel, Place, Record, check_places, make_record, read_record, read_records

__all__ = [
    "Channel",
    "FilesFit",
    "FitResult",
    "Frfs",
    "Limits",
    "MeasuredModes",
    "Parameter",
    "Place",
    "Record",
    "Strip",
    "check_places",
    "compare",
    "default_parameters",
    "en310",
    "find_blows",
    "fit",
    "fit_files",
    "frfs",
    "identify",
    "joint_model",
    "load_modes",
    "loose_joint",
    "mac",
    "make_record",
    "match",
    "pair",
    "panel_constants",
    "peaks",
    "plan_taps",
    "read_frfs",
    "read_record",
    "read_records",
    "save_modes",
    "stabilisation",
    "strip_constants",
]

MARGIN = 0.35  # below and above the modes of the design, the band that is searched
BAND_MODES = 12  # of the design's modes, the band covers


@dataclass(frozen=True, kw_only=True, eq=False)
class FilesFit:
    """What came of a set of records.

    Attributes
    ----------
    records : tuple of Record
    responses : Frfs
        With the taps that were refused, and why.
    measured : MeasuredModes
    fit : FitResult
    """

    records: tuple[Record, ...]
    responses: Frfs
    measured: MeasuredModes
    fit: FitResult

    def text(self) -> str:
        """Return the account of the records and of the fit."""
        taps, refused = len(self.responses.blows), self.responses.refused
        lines = [f"{taps} taps in {len(self.records)} records, {len(refused)} refused; {len(self.measured)} modes"]
        lines += [f"  refused: {b}" for b in refused]
        return "\n".join([*lines, "", self.fit.text()])

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
            **self.fit.to_table(),
        }


def fit_files(
    cabinet: Cabinet,
    records: Sequence[str | os.PathLike[str]],
    *,
    parameters: Sequence[Parameter] | None = None,
    low_Hz: float | None = None,
    high_Hz: float | None = None,
    block_s: float = 1.0,
    window_s: float | None = None,
    mass_kg: float | None = None,
    size: float = 40.0,
) -> FilesFit:
    """Fit a design to tap records.

    Parameters
    ----------
    cabinet : Cabinet
    records : sequence of path
        WAV, CSV or UFF files, folders, or tap sheets.
    parameters : sequence of Parameter, optional
        What may change; boards' moduli and densities and the default joint unless given.
    low_Hz, high_Hz : float, optional
        Band; by default from below the design's first mode to above its twelfth.
    block_s, window_s : float
        Length analysed after a tap and the exponential window's time constant, s.
    mass_kg : float, optional
        Of the cabinet on a scale.
    size : float
        Element side, mm.

    Raises
    ------
    FileError
        A record cannot be read or used.
    DesignError
        A place is off the cabinet, or a band cannot be used.
    SolveError
        No modes are found, or none pairs with the design's.
    """
    read = read_records(records)
    if not read:
        raise FileError("no record is given; name at least one file")
    check_places(cabinet, read)
    responses = frfs(read, block_s=block_s, window_s=window_s)
    low, high = low_Hz, high_Hz
    if low is None or high is None:
        from bracewright.fem.modes import solve
        from bracewright.fem.system import build

        f = solve(build(cabinet, size=max(size, 60.0)), BAND_MODES, prove=False).frequency_Hz
        top = float(responses.frequency_Hz[-1])
        low = (1 - MARGIN) * float(f[0]) if low is None else low
        high = min((1 + MARGIN / 2) * float(f[-1]), top) if high is None else high
    measured = identify(responses, low, high)
    result = fit(cabinet, measured, parameters, mass_kg=mass_kg, size=size)
    return FilesFit(records=read, responses=responses, measured=measured, fit=result)
