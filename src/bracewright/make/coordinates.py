"""Coordinate tables of the drawings: CSV for people and spreadsheets, JSON with everything, and back again.

Numbers are written so that they read back to the last bit. Lengths are in mm.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
from collections.abc import Callable, Iterable, Mapping
from importlib import resources
from itertools import groupby
from typing import Any, NoReturn

from bracewright.design.checks import nearest
from bracewright.errors import DesignError, FileError
from bracewright.files import read_text
from bracewright.geometry import Path
from bracewright.make.parts import Bevel, Operation, PartDrawing

FORMAT = 1
COLUMNS = ("part", "operation", "kind", "name", "layer", "side", "depth", "closed", "vertex", "x", "y", "bulge")
MAX_BYTES = 16_000_000
MAX_VERTICES = 20_000  # of one path
FARTHEST = 10_000.0  # mm
LONGEST = 100_000.0  # mm of one path; bounds the work of checking it
_NUMBER = re.compile(r"-?\d{1,30}(\.\d{1,30})?([eE][-+]?\d{1,3})?")


def schema() -> dict[str, Any]:
    """Return the JSON Schema of the coordinate file."""
    text = resources.files("bracewright.make").joinpath("coordinates.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


# --- writing --------------------------------------------------------------------------------------------------------


def to_json(parts: Iterable[PartDrawing], *, cabinet: str = "") -> str:
    """Return the drawings as JSON text, a vertex a line."""
    table = {"format": FORMAT, "units": "mm", "cabinet": cabinet, "parts": [_part_table(p) for p in parts]}
    text = json.dumps(table, indent=1, ensure_ascii=False, allow_nan=False)
    # Short lists of numbers read better on one line; no line break is part of a name.
    return re.sub(r"\[\n\s*(-?\d[^\[\]{}\"]*?)\n\s*\]", lambda m: f"[{' '.join(m[1].split())}]", text) + "\n"


def to_csv(parts: Iterable[PartDrawing]) -> str:
    """Return the operations of the drawings as CSV text: a row per vertex, counted from 1."""
    stream = io.StringIO()
    out = csv.writer(stream, lineterminator="\n")
    out.writerow(COLUMNS)
    for part in parts:
        for k, o in enumerate(part.operations, 1):
            same = (guarded(part.name), k, o.kind, guarded(o.name), o.layer, o.side, repr(o.depth), "true")
            for n, vertex in enumerate(o.path.vertices, 1):
                out.writerow((*same, n, *(repr(c) for c in vertex)))
    return stream.getvalue()


def guarded(name: str) -> str:
    """Return a name that a spreadsheet will not take for a formula: with a quote before = + - @ or a quote."""
    return f"'{name}" if name[:1] in ("=", "+", "-", "@", "'") else name


def _unguarded(name: str) -> str:
    return name[1:] if name[:1] == "'" else name


def _part_table(p: PartDrawing) -> dict[str, object]:
    return {
        "name": p.name,
        "board": p.board,
        "thickness": p.thickness,
        "size": list(p.size),
        "axes": list(p.axes),
        "datum": list(p.datum),
        "near": p.near,
        "grain_deg": p.grain_deg,
        "quantity": p.quantity,
        "notes": list(p.notes),
        "bevels": [
            {"start": list(b.start), "end": list(b.end), "angle_deg": b.angle_deg, "meets": b.meets} for b in p.bevels
        ],
        "operations": [
            {
                "kind": o.kind,
                "name": o.name,
                "layer": o.layer,
                "side": o.side,
                "depth": o.depth,
                "closed": True,
                "vertices": [list(v) for v in o.path.vertices],
            }
            for o in p.operations
        ],
    }


# --- reading --------------------------------------------------------------------------------------------------------


def read_json(path: str | os.PathLike[str]) -> tuple[PartDrawing, ...]:
    """Read drawings back.

    Raises
    ------
    FileError
        The file cannot be read, is too large, or anything in it is not as `schema` says.
    """
    text = read_text(path, MAX_BYTES, "a coordinate file")
    try:
        data = json.loads(text, object_pairs_hook=_once, parse_constant=_not_a_number)
        return _from_table(data)
    except json.JSONDecodeError as e:
        raise FileError(f"{path}: not JSON ({e.msg}, line {e.lineno}); export it again") from e
    except RecursionError as e:
        raise FileError(f"{path}: nested too deeply; a coordinate file is a few levels deep") from e
    except (ValueError, OverflowError) as e:  # DesignError is one
        raise FileError(f"{path}: {e}") from e


def read_csv(path: str | os.PathLike[str]) -> dict[str, tuple[Operation, ...]]:
    """Read the operations of each part back.

    Raises
    ------
    FileError
        The file cannot be read, is too large, or a row of it is wrong; the message names the line.
    """
    lines = csv.reader(io.StringIO(read_text(path, MAX_BYTES, "a coordinate file"), newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        for row in lines:
            rows.append((lines.line_num, row))
    except csv.Error as e:
        raise FileError(f"{path}, line {lines.line_num}: not CSV ({e}); export it again") from e
    if not rows or tuple(rows[0][1]) != COLUMNS:
        raise FileError(f"{path}: the first line must be {','.join(COLUMNS)} (commas, UTF-8); export it again")
    parts: dict[str, list[Operation]] = {}
    for line, row in rows[1:]:
        if len(row) != len(COLUMNS):
            raise FileError(f"{path}, line {line}: {len(row)} fields where {len(COLUMNS)} belong")
    # An operation is a run of rows that agree in everything but the vertex.
    for same, group in groupby(rows[1:], key=lambda r: r[1][:8]):
        run = list(group)
        try:
            name = _unguarded(same[0])
            found = parts.setdefault(name, [])
            if same[1] != str(len(found) + 1):
                raise ValueError(f"operation {same[1]!r} of part {name!r} where {len(found) + 1} belongs")
            found.append(_operation_of_rows(same, [r for _, r in run]))
        except (ValueError, OverflowError) as e:
            raise FileError(f"{path}, lines {run[0][0]}..{run[-1][0]}: {e}") from e
    return {name: tuple(operations) for name, operations in parts.items()}


def _operation_of_rows(same: list[str], rows: list[list[str]]) -> Operation:
    if same[7] != "true":
        raise ValueError(f"closed is {same[7]!r}; every curve here is closed: true")
    if any(row[8] != str(n) for n, row in enumerate(rows, 1)):
        raise ValueError("the vertices are not counted 1, 2, 3, ...")
    path = _path([[_decimal(v) for v in row[9:]] for row in rows])
    _, _, kind, name, layer, side, depth, _ = same
    return Operation(kind=kind, path=path, depth=_decimal(depth), side=side, layer=layer, name=_unguarded(name))


def _decimal(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is not a number (with a decimal point)")
    return _finite(float(text), "value")


def _finite(value: object, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise DesignError(f"got {str(value)[:40]}; give a finite number", key=key)
    return float(value)


def _path(rows: list[list[float]]) -> Path:
    """Build a path after refusing sizes that no part has."""
    if len(rows) > MAX_VERTICES:
        raise DesignError(f"{len(rows)} vertices; a path has at most {MAX_VERTICES}", key="vertices")
    length = 0.0
    for (x, y, bulge), end in zip(rows, rows[1:] + rows[:1], strict=True):
        if max(abs(x), abs(y)) > FARTHEST or abs(bulge) > 1e3:
            raise DesignError(f"({x:g}, {y:g}, {bulge:g}) is beyond {FARTHEST:g} mm or a full turn", key="vertices")
        # No less than the length: an arc of bulge b is at most (1 + b) pi/2 times its chord.
        length += math.dist((x, y), end[:2]) * (1.6 * (1 + abs(bulge)) if bulge else 1.0)
    if length > LONGEST:
        raise DesignError(f"a path longer than {LONGEST:g} mm; lengths are in mm", key="vertices")
    return Path(vertices=tuple((x, y, b) for x, y, b in rows))


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    table = dict(pairs)
    if len(table) < len(pairs):
        keys = [k for k, _ in pairs]
        raise DesignError("the key appears twice", key=next(k for k in keys if keys.count(k) > 1)[:40])
    return table


def _not_a_number(text: str) -> NoReturn:
    raise DesignError(f"got {text}; give a finite number")


def _text(value: object, key: str) -> str:
    if not isinstance(value, str) or len(value) > 1000 or not value.isprintable():
        raise DesignError(f"got {str(value)[:40]!r}; give up to 1000 printable characters", key=key)
    return value


def _list(value: object, key: str) -> list[Any]:
    if not isinstance(value, list):
        raise DesignError(f"got {str(value)[:40]!r}; give a list", key=key)
    return value


def _pair(value: object, key: str) -> tuple[float, float]:
    pair = _list(value, key)
    if len(pair) != 2:
        raise DesignError(f"{len(pair)} numbers; give two", key=key)
    return _finite(pair[0], key), _finite(pair[1], key)


def _fields(value: object, readers: Mapping[str, Callable[[object, str], Any]]) -> dict[str, Any]:
    """Read a table that has exactly the given keys."""
    if not isinstance(value, dict):
        raise DesignError(f"got {str(value)[:40]!r}; give a table of {', '.join(readers)}")
    for key in value:
        if key not in readers:
            raise DesignError(f"unknown key{nearest(key, readers)}; rename or remove it", key=key[:40])
    for key in readers:
        if key not in value:
            raise DesignError("this key is missing; add it", key=key)
    return {key: read(value[key], key) for key, read in readers.items()}


def _each(read: Callable[[object], Any]) -> Callable[[object, str], tuple[Any, ...]]:
    def entries(value: object, key: str) -> tuple[Any, ...]:
        out = []
        for i, entry in enumerate(_list(value, key)):
            try:
                out.append(read(entry))
            except DesignError as e:
                raise e.within(f"{key}[{i}]") from None
        return tuple(out)

    return entries


def _from_table(data: object) -> tuple[PartDrawing, ...]:
    top = _fields(data, {"format": _exactly(FORMAT), "units": _exactly("mm"), "cabinet": _text, "parts": _each(_part)})
    parts: tuple[PartDrawing, ...] = top["parts"]
    return parts


def _exactly(wanted: object) -> Callable[[object, str], object]:
    def read(value: object, key: str) -> object:
        if value != wanted or type(value) is not type(wanted):
            raise DesignError(f"got {str(value)[:40]!r}; this version reads {wanted!r}", key=key)
        return value

    return read


def _one_of(*known: str) -> Callable[[object, str], str]:
    def read(value: object, key: str) -> str:
        if value not in known:
            raise DesignError(f"got {str(value)[:40]!r}; known are {', '.join(known)}", key=key)
        return str(value)

    return read


def _thickness(value: object, key: str) -> float:
    if not 0 < _finite(value, key) <= 300:
        raise DesignError(f"got {value}; lengths are in mm", key=key)
    return _finite(value, key)


def _quantity(value: object, key: str) -> int:
    if type(value) is not int or not 1 <= value <= 1000:
        raise DesignError(f"got {str(value)[:40]}; give a whole number from 1", key=key)
    return value


def _vertices(value: object, key: str) -> Path:
    rows = []
    for vertex in _list(value, key):
        if len(_list(vertex, key)) != 3:
            raise DesignError(f"a vertex of {len(vertex)} numbers; give x, y, bulge", key=key)
        rows.append([_finite(c, key) for c in vertex])
    return _path(rows)


def _operation(value: object) -> Operation:
    readers = {"kind": _text, "name": _text, "layer": _text, "side": _text, "depth": _finite}
    t = _fields(value, {**readers, "closed": _exactly(True), "vertices": _vertices})
    return Operation(path=t["vertices"], **{k: t[k] for k in readers})


def _bevel(value: object) -> Bevel:
    return Bevel(**_fields(value, {"start": _pair, "end": _pair, "angle_deg": _finite, "meets": _text}))


_AXIS = _one_of("x", "y", "z")


def _axes(value: object, key: str) -> tuple[str, str]:
    a, b = (_AXIS(v, key) for v in _list(value, key)[:2]) if len(_list(value, key)) == 2 else ("", "")
    if not a < b:
        raise DesignError("give two axes in alphabetical order", key=key)
    return a, b


def _part(value: object) -> PartDrawing:
    table = _fields(
        value,
        {
            "name": _text,
            "board": _text,
            "thickness": _thickness,
            "size": _pair,
            "axes": _axes,
            "datum": _pair,
            "near": _one_of("right", "front", "top"),
            "grain_deg": _finite,
            "quantity": _quantity,
            "notes": _each(lambda v: _text(v, "")),
            "bevels": _each(_bevel),
            "operations": _each(_operation),
        },
    )
    return PartDrawing(**table)
