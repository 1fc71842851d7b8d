"""Coordinate tables: identical on the way back, and nothing but FileError for what is not one."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bracewright.errors import FileError
from bracewright.geometry import rectangle
from bracewright.make import Operation, PartDrawing, read_csv, read_json
from bracewright.make.coordinates import COLUMNS, MAX_BYTES, schema, to_csv, to_json

FUZZ = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def written(folder: Path, name: str, text: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def with_mark(part: PartDrawing) -> PartDrawing:
    """The part with a shallow operation and the traps a name may set."""
    mark = Operation(
        kind="mark",
        path=rectangle((100.5, 90.25), (60, 40.125), 7.7),
        depth=0.3,
        side="far",
        layer="MARK_0_3MM_DEEP_FAR_FACE",
        name='\'-2+3, "x" [ 4 ]',
    )
    return replace(part, name="@ [ 1 ]", operations=(*part.operations, mark))


def test_json_comes_back_identical(parts: tuple[PartDrawing, ...], tmp_path: Path):
    parts = (*parts, with_mark(parts[0]))
    path = written(tmp_path, "c.json", to_json(parts, cabinet="stand-mount"))
    assert read_json(path) == parts
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(json.loads(path.read_text("utf-8")), schema())


def test_csv_comes_back_identical(parts: tuple[PartDrawing, ...], tmp_path: Path):
    parts = (*parts, with_mark(parts[0]))
    path = written(tmp_path, "c.csv", to_csv(parts))
    assert read_csv(path) == {p.name: p.operations for p in parts}
    # A spreadsheet must not take a name for a formula.
    rows = list(csv.reader(path.open(encoding="utf-8", newline="")))
    assert rows[0] == list(COLUMNS)
    assert {row[k][:1] for row in rows for k in (0, 3)}.isdisjoint("=+-@")
    assert any(row[3] == "'=1+1" for row in rows)
    # As a spreadsheet may save it: with a byte-order mark and Windows line ends.
    again = written(tmp_path, "d.csv", b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert read_csv(again) == read_csv(path)


def changed(parts: tuple[PartDrawing, ...], keys: tuple[object, ...], value: object) -> str:
    """The JSON of the first part with the value at `keys` replaced (deleted where it is `...`)."""
    table = json.loads(to_json(parts[:1]))
    at = table
    for key in keys[:-1]:
        at = at[key]
    if value is ...:
        del at[keys[-1]]
    else:
        at[keys[-1]] = value
    return json.dumps(table)


PART = ("parts", 0)
CUT = (*PART, "operations", 1)


@pytest.mark.parametrize(
    ("keys", "value", "says"),
    [
        (("format",), 2, "format"),
        (("format",), True, "format"),
        (("units",), "inch", "units"),
        (("colour",), "red", "unknown key"),
        (("parts",), {}, "parts"),
        (("parts",), ..., "missing"),
        ((*PART, "name"), 3, "name"),
        ((*PART, "name"), "a\nb", "printable"),
        ((*PART, "thickness"), 0.0, "thickness"),
        ((*PART, "thickness"), "22", "thickness"),
        ((*PART, "axes"), ["z", "x"], "axes"),
        ((*PART, "near"), "inside", "near"),
        ((*PART, "quantity"), 0, "quantity"),
        ((*PART, "quantity"), True, "quantity"),
        ((*PART, "size"), [1.0], "size"),
        ((*PART, "operations"), [], "outline"),
        ((*PART, "bevels"), [{"start": [0, 0], "end": [1, 0], "angle_deg": 8, "meets": "left"}], "bevel"),
        ((*CUT, "closed"), False, "closed"),
        ((*CUT, "kind"), "nibble", "kind"),
        ((*CUT, "kind"), "outline", "outline"),
        ((*CUT, "depth"), 500.0, "deep"),
        ((*CUT, "depth"), 30.0, "deeper than the board"),
        ((*CUT, "layer"), "cut here", "layer"),
        ((*CUT, "side"), "inside", "side"),
        ((*CUT, "vertices"), [[0, 0, 0], [1, 1, 0]], "vertices"),
        ((*CUT, "vertices"), [[0, 0, 0], [9, 9, 0], [9, 0, 0], [0, 9, 0]], "crosses"),
        ((*CUT, "vertices"), [[0, 0], [9, 0], [9, 9]], "bulge"),
        ((*CUT, "vertices"), [[0, 0, 0], [9, None, 0], [9, 9, 0]], "finite"),
        ((*CUT, "vertices"), [[0, 0, 0], [1e5, 0, 0], [9, 9, 0]], "beyond"),
        ((*CUT, "vertices"), [[0, 0, 0], [9, 0, 2e3], [9, 9, 0]], "beyond"),
        ((*CUT, "vertices"), [[0, 0, 0], [10**400, 0, 0], [9, 9, 0]], "too large"),
        ((*CUT, "vertices"), [[float(i % 2) * 9999, i, 0] for i in range(5000)], "longer"),
        ((*CUT, "vertices"), [[0, 0, 0]] * 20_001, "vertices"),
    ],
)
def test_bad_json(parts: tuple[PartDrawing, ...], tmp_path: Path, keys, value, says: str):
    with pytest.raises(FileError, match=says) as e:
        read_json(written(tmp_path, "bad.json", changed(parts, keys, value)))
    assert "bad.json" in str(e.value)
    assert len(str(e.value)) < 500


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not JSON"),
        (b"[]", "table"),
        (b"{", "line 1"),
        (b"\xff\xfe", "text file"),
        (b'{"format": 1, "format": 1}', "twice"),
        (b'{"format": NaN}', "NaN"),
        (b'{"format": Infinity}', "Infinity"),
        (b'{"format": ' + b"9" * 5000 + b"}", "digits"),
        (b'{"format":' + b"[" * 100_000, "nested"),
    ],
)
def test_not_our_json(tmp_path: Path, content: bytes, says: str):
    with pytest.raises(FileError, match=says):
        read_json(written(tmp_path, "bad.json", content))


def test_a_number_too_large_for_a_float(parts: tuple[PartDrawing, ...], tmp_path: Path):
    text = to_json(parts[:1]).replace("269.5", "1e999", 1)
    assert "1e999" in text
    with pytest.raises(FileError, match="finite"):
        read_json(written(tmp_path, "bad.json", text))


GOOD = "front,1,outline,,CUT_OUTSIDE_THROUGH_22MM,through,22.0,true"
TRIANGLE = [f"{GOOD},1,0.0,0.0,0.0", f"{GOOD},2,9.0,0.0,0.0", f"{GOOD},3,9.0,9.0,0.0"]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([f"{GOOD},1,0,0,0", f"{GOOD},2,9,0,0"], "vertices"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace(",3,", ",4,")], "1, 2, 3"),
        ([*TRIANGLE[:2], TRIANGLE[2] + ",0"], "13 fields"),
        ([*TRIANGLE[:2], TRIANGLE[2][:-4]], "11 fields"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("9.0,9.0", "9.0,nan")], "not a number"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("9.0,9.0", "9.0,inf")], "not a number"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("9.0,9.0", "9.0,9_0")], "not a number"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("9.0,9.0", "9.0,1e400")], "finite"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("9.0,9.0", "9.0,")], "not a number"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("9.0,9.0", "9.0,99999")], "beyond"),
        ([*TRIANGLE[:2], TRIANGLE[2].replace("22.0", "21.0")], "vertices"),
        ([r.replace("true", "false") for r in TRIANGLE], "closed"),
        ([r.replace(",1,outline", ",2,outline") for r in TRIANGLE], "where 1 belongs"),
        ([r.replace("outline", "nibble") for r in TRIANGLE], "kind"),
        ([r.replace("through", "inside") for r in TRIANGLE], "side"),
        ([r.replace("22.0", "-1") for r in TRIANGLE], "deep"),
        ([r.replace("CUT_", "cut ") for r in TRIANGLE], "layer"),
        (['"front'], "not CSV"),
        (["x" * 200_000], "not CSV"),
    ],
)
def test_bad_csv(tmp_path: Path, rows: list[str], says: str):
    good = written(tmp_path, "good.csv", "\n".join([",".join(COLUMNS), *TRIANGLE]))
    assert read_csv(good)["front"][0].path.area == 40.5
    with pytest.raises(FileError, match=says) as e:
        read_csv(written(tmp_path, "bad.csv", "\n".join([",".join(COLUMNS), *rows])))
    assert "bad.csv, line" in str(e.value)


@pytest.mark.parametrize("content", [b"", b"a;b;c\n", b"\x00\xff", b"part,x,y\nfront,0,0\n"])
def test_not_our_csv(tmp_path: Path, content: bytes):
    with pytest.raises(FileError):
        read_csv(written(tmp_path, "bad.csv", content))


@pytest.mark.parametrize("read", [read_csv, read_json])
def test_files_that_cannot_be_read(tmp_path: Path, read):
    with pytest.raises(FileError, match="cannot be read"):
        read(tmp_path / "none")
    with pytest.raises(FileError, match="cannot be read"):
        read(tmp_path)
    large = tmp_path / "large"
    with large.open("wb") as f:
        f.truncate(MAX_BYTES + 1)
    with pytest.raises(FileError, match="larger than"):
        read(large)


@FUZZ
@given(data=st.data())
def test_damaged_files_raise_nothing_else(parts: tuple[PartDrawing, ...], tmp_path: Path, data: st.DataObject):
    """Whatever a damaged file turns into, it is read or refused."""
    is_json = data.draw(st.booleans())
    raw = bytearray((to_json if is_json else to_csv)(parts[:2]).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 2))
        end = min(len(raw), at + data.draw(st.sampled_from([0, 1, 1, 5, 40])))
        raw[at:end] = data.draw(st.sampled_from([b"", b"0", b"9e9", b"-", b'"', b"[", b"}", b"\n", b"null", b"\xc3"]))
    path = written(tmp_path, "damaged", bytes(raw))
    try:
        result = (read_json if is_json else read_csv)(path)
    except FileError:
        return
    assert isinstance(result, tuple | dict)
