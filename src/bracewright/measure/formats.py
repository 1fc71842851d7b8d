"""Files of samples: WAV, CSV and UFF type 58, read strictly. No meaning is given to the numbers here."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bracewright.errors import FileError, MissingExtraError
from bracewright.files import read_file, read_text

Array = NDArray[np.float64]
MAX_BYTES = 200_000_000
MAX_LINES = 2_000_000
WANTED = "a record of a few taps"
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Columns of numbers: `data` (c, n), full scale 1 in a WAV file; 0 where there is none."""

    data: Array
    sample_rate_Hz: float
    full_scale: float


def read_wav(p: Path, max_seconds: float) -> Samples:
    """Read a RIFF WAV file of 16, 24 or 32-bit integers or 32 or 64-bit floats, any number of channels.

    Raises
    ------
    FileError
        Not a WAV file, cut short, of another coding, or longer than `max_seconds`.
    """
    raw = read_file(p, MAX_BYTES, WANTED)
    if len(raw) < 12 or raw[:4] != b"RIFF" or raw[8:12] != b"WAVE":
        raise FileError(f"{p}: not a WAV file; record as WAV (PCM or float)")
    fmt, data = b"", None
    at = 12
    while at + 8 <= len(raw):
        name, size = raw[at : at + 4], struct.unpack_from("<I", raw, at + 4)[0]
        body = raw[at + 8 : at + 8 + size]
        if name == b"fmt ":
            fmt = body
        elif name == b"data":
            if len(body) < size:
                raise FileError(f"{p}: cut short, {len(body)} of {size} bytes of sound are there; copy it again")
            data = body
        at += 8 + size + size % 2
    if len(fmt) < 16 or data is None:
        raise FileError(f"{p}: holds no sound (a damaged or empty WAV file); record it again")
    code, channels, rate, _, block, bits = struct.unpack_from("<HHIIHH", fmt)
    if code == _EXTENSIBLE and len(fmt) >= 26:
        code = struct.unpack_from("<H", fmt, 24)[0]
    if (code, bits) not in ((_PCM, 16), (_PCM, 24), (_PCM, 32), (_FLOAT, 32), (_FLOAT, 64)):
        raise FileError(f"{p}: coding {code} with {bits} bits is not read; save as WAV, 16, 24 or 32 bits")
    if rate == 0 or channels == 0 or block != channels * bits // 8:
        raise FileError(f"{p}: its header says {channels} channels at {rate} Hz; the file is damaged")
    if len(data) % block:
        raise FileError(f"{p}: its last sample is cut short; copy it again")
    if len(data) // block > max_seconds * rate:
        seconds = len(data) / block / rate
        raise FileError(f"{p}: lasts {seconds:.0f} s, over {max_seconds:g} s; cut it into records of a few taps")
    return Samples(data=_samples(data, code, bits).reshape(-1, channels).T, sample_rate_Hz=rate, full_scale=1.0)


def _samples(data: bytes, code: int, bits: int) -> Array:
    if code == _FLOAT:
        return np.frombuffer(data, f"<f{bits // 8}").astype(float)
    if bits == 24:
        wide = np.zeros((len(data) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        return np.asarray(wide.view("<i4")[:, 0] / 2.0**31)
    return np.asarray(np.frombuffer(data, f"<i{bits // 8}") / 2.0 ** (bits - 1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CsvText:
    """Columns `data` (c, n), the leading comment lines without their ``#``, and the rate of a time column or 0."""

    data: Array
    header: str
    rate_Hz: float


def read_csv(p: Path) -> CsvText:
    """Read comma, semicolon or tab separated columns: ``#`` lines, one line of names, numbers.

    A first column named ``time`` (s) gives the sampling rate.

    Raises
    ------
    FileError
        A line with another number of columns, or a value that is no finite number; the message names line and column.
    """
    lines = read_text(p, MAX_BYTES, WANTED).splitlines()
    if len(lines) > MAX_LINES:
        raise FileError(f"{p}: holds {len(lines)} lines, over {MAX_LINES}; cut it into records of a few taps")
    first = next((i for i, s in enumerate(lines) if s.strip() and not s.lstrip().startswith("#")), len(lines))
    header = "\n".join(s.lstrip().removeprefix("#").strip() for s in lines[:first])
    body = [(i + 1, s) for i, s in enumerate(lines) if i >= first and s.strip()]
    if len(body) < 2:
        raise FileError(f"{p}: holds no numbers; after the # lines it needs a line of names, then the samples")
    mark = max(",;\t", key=body[0][1].count)
    if mark == ";" or mark == "\t":  # decimal commas go with these
        body = [(n, s.replace(",", ".")) for n, s in body]
    names = [s.strip().strip('"').lower() for s in body[0][1].split(mark)]
    rows = body[1:] if not all(_is_number(s) for s in names) else body
    data = _columns(p, rows, mark, len(names))
    if not names[0].startswith("time"):
        return CsvText(data=data, header=header, rate_Hz=0.0)
    steps = np.diff(data[0])
    step = float(np.median(steps)) if len(steps) else 0.0
    if step <= 0:
        raise FileError(f"{p}: the time column does not rise; it is in seconds, one step a sample")
    if np.abs(steps - step).max() > 0.02 * step + 1e-9:
        k = int(np.abs(steps - step).argmax())
        raise FileError(f"{p}: line {rows[k + 1][0]}: the time steps are unequal; samples are missing")
    return CsvText(data=data[1:], header=header, rate_Hz=float((len(steps)) / (data[0, -1] - data[0, 0])))


def _is_number(s: str) -> bool:
    try:
        float(s)
    except ValueError:
        return False
    return True


def _columns(p: Path, rows: list[tuple[int, str]], mark: str, width: int) -> Array:
    for n, s in rows:
        if s.count(mark) != width - 1:
            raise FileError(
                f"{p}: line {n} has {s.count(mark) + 1} columns, the first has {width}; the file is damaged"
            )
    try:
        data = np.loadtxt(io.StringIO("\n".join(s for _, s in rows)), delimiter=mark, ndmin=2)
        if np.isfinite(data).all():
            return np.ascontiguousarray(data.T)
    except ValueError:
        pass
    for n, s in rows:
        for k, cell in enumerate(s.split(mark), 1):
            if not _is_number(cell) or not np.isfinite(float(cell)):
                raise FileError(f"{p}: line {n}, column {k}: {cell.strip()[:40]!r} is not a number; record it again")
    raise FileError(f"{p}: cannot be read as columns of numbers")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UffSignal:
    """A type-58 time record."""

    data: Array
    rate_Hz: float
    data_type: int
    unit: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UffFrf:
    """A type-58 frequency response: complex `data` (n,) on `frequency_Hz`, response over reference."""

    frequency_Hz: Array
    data: NDArray[np.complex128]
    response: tuple[int, int]
    reference: tuple[int, int]
    data_type: int
    name: str


def _uff_sets(p: Path) -> list[dict[str, Any]]:
    try:
        import pyuff
    except ImportError as e:
        raise MissingExtraError("UFF files need pyuff; install it with: pip install 'bracewright[measure]'") from e
    read_file(p, MAX_BYTES, WANTED)  # the reader has no limit
    try:
        u = pyuff.UFF(str(p))
        which = [int(i) for i in np.flatnonzero(np.asarray(u.get_set_types()) == 58)]
        sets = [u.read_sets(i) for i in which]
        for s in sets:
            s["data"] = np.asarray(s["data"], dtype=complex if np.iscomplexobj(s["data"]) else float)
            s["x"] = np.asarray(s["x"], dtype=float)
    except Exception as e:  # the reader raises its own kinds on damaged files
        raise FileError(f"{p}: cannot be read as UFF ({e}); export it again as type 58") from e
    if not sets:
        raise FileError(f"{p}: holds no function (type 58); export time records or FRFs")
    for s in sets:
        data, count = s["data"], int(s.get("num_pts", -1))
        if data.ndim != 1 or len(data) != count:
            raise FileError(f"{p}: a record holds {data.size} of {count} values; the file is cut short")
        if not np.isfinite(data).all():
            raise FileError(f"{p}: a record holds values that are not numbers; export it again")
    return sets


def read_uff(p: Path) -> list[list[UffSignal]]:
    """Read the time records of a UFF file; each force begins a new run of channels.

    Raises FileError (damaged, or unequal lengths or rates within a run) and MissingExtraError (no pyuff).
    """
    runs: list[list[UffSignal]] = []
    for s in _uff_sets(p):
        if s.get("func_type") != 1:
            continue
        even = s.get("abscissa_spacing") == 1
        step = float(s.get("abscissa_inc", 0.0)) if even else float(np.median(np.diff(s["x"])))
        if not step > 0:
            raise FileError(f"{p}: the time step is {step:g} s; export it again with even spacing")
        signal = UffSignal(
            data=np.asarray(s["data"]).real.astype(float),
            rate_Hz=1.0 / step,
            data_type=int(s.get("ordinate_spec_data_type", 0)),
            unit=str(s.get("ordinate_axis_units_lab", "")),
            name=str(s.get("id1", "")).strip(),
        )
        if not runs or signal.data_type in (9, 13) or signal.unit.strip() in ("N", "lbf"):
            runs.append([])
        runs[-1].append(signal)
    if not runs:
        raise FileError(f"{p}: holds no time record; read its FRFs with read_frfs, or export time records")
    for run in runs:
        if len({(len(s.data), round(s.rate_Hz, 3)) for s in run}) > 1:
            lengths = ", ".join(f"{len(s.data)} at {s.rate_Hz:g} Hz" for s in run)
            raise FileError(f"{p}: channels of one tap differ in length or rate ({lengths}); export them alike")
    return runs


def read_uff_frfs(p: Path) -> list[UffFrf]:
    """Read the frequency responses (function type 4) of a UFF file; raises as `read_uff` does."""
    out = [
        UffFrf(
            frequency_Hz=np.asarray(s["x"], dtype=float),
            data=np.asarray(s["data"], dtype=complex),
            response=(int(s.get("rsp_node", 0)), int(s.get("rsp_dir", 0))),
            reference=(int(s.get("ref_node", 0)), int(s.get("ref_dir", 0))),
            data_type=int(s.get("ordinate_spec_data_type", 0)),
            name=str(s.get("id1", "")).strip(),
        )
        for s in _uff_sets(p)
        if s.get("func_type") == 4
    ]
    if not out:
        raise FileError(f"{p}: holds no frequency response (type 58, function type 4)")
    if any(
        f.frequency_Hz.shape != out[0].frequency_Hz.shape or (f.frequency_Hz != out[0].frequency_Hz).any() for f in out
    ):
        raise FileError(f"{p}: its FRFs have different frequency lines; export them alike")
    return out
