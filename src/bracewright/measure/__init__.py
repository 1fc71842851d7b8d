"""From taps on a cabinet to a corrected model.

``fit_files`` does the whole job; its steps are ``read_records`` (records), ``frfs`` (taps to frequency responses),
``identify`` (modes), ``pair`` (which is which) and ``fit`` (board and joint values).
"""

from __future__ import annotations

from bracewright.measure.blows import find_blows
from bracewright.measure.fit import fit
from bracewright.measure.fitted import FitResult
from bracewright.measure.frf import Frfs, frfs, read_frfs
from bracewright.measure.identify import Candidates, MeasuredModes, candidates, identify, peaks
from bracewright.measure.job import FilesCheck, FilesFit, Taps, check_files, fit_files, identify_files, likely_loose
from bracewright.measure.loose import joint_model, loose_joint
from bracewright.measure.offcut import Strip, en310, panel_constants, strip_constants
from bracewright.measure.pair import mac, pair, shapes_at
from bracewright.measure.parameters import Parameter, default_parameters
from bracewright.measure.plan import plan_taps
from bracewright.measure.poles import stabilisation
from bracewright.measure.quality import Check, Limits, compare, load_modes, match, save_modes, serial_number
from bracewright.measure.records import Channel, Place, Record, check_places, make_record
from bracewright.measure.tapfiles import read_record, read_records

__all__ = [
    "Candidates",
    "Channel",
    "Check",
    "FilesCheck",
    "FilesFit",
    "FitResult",
    "Frfs",
    "Limits",
    "MeasuredModes",
    "Parameter",
    "Place",
    "Record",
    "Strip",
    "Taps",
    "candidates",
    "check_files",
    "check_places",
    "compare",
    "default_parameters",
    "en310",
    "find_blows",
    "fit",
    "fit_files",
    "frfs",
    "identify",
    "identify_files",
    "joint_model",
    "likely_loose",
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
    "serial_number",
    "shapes_at",
    "stabilisation",
    "strip_constants",
]
