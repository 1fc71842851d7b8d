"""DXF files read back by two readers that know nothing of this library."""

from __future__ import annotations

import io
import json
import logging
import math
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from shapely.geometry import Polygon

from bracewright.design import Cabinet, save
from bracewright.errors import DesignError, FileError
from bracewright.make import PartDrawing, drawings, dxf, file_stems, to_dxf

ezdxf = pytest.importorskip("ezdxf")
recover = pytest.importorskip("ezdxf.recover")
bulge_center, bulge_radius = ezdxf.math.bulge_center, ezdxf.math.bulge_radius

NOT_CUT = "REFERENCE_NOT_CUT"
UM = 1e-3  # mm
VERSIONS = ["R2010", "R12"]
Rows = list[tuple[float, float, float]]


def contours(content: bytes) -> list[tuple[str, Rows]]:
    """Layer and vertices of every closed polyline, in the order of the file."""
    doc, audit = recover.read(io.BytesIO(content))
    assert not audit.has_errors
    assert not audit.has_fixes
    found = []
    for e in doc.modelspace().query("LWPOLYLINE POLYLINE"):
        assert e.is_closed
        if e.dxftype() == "LWPOLYLINE":
            rows = [tuple(p) for p in e.get_points("xyb")]
        else:
            rows = [(v.dxf.location.x, v.dxf.location.y, v.dxf.get("bulge", 0.0)) for v in e.vertices]
        found.append((e.dxf.layer, rows))
    return found


def segments(rows: Rows):
    return zip(rows, rows[1:] + rows[:1], strict=True)


def area(rows: Rows) -> float:
    """Shoelace of the chords plus the circular segments, r^2 (theta - sin theta) / 2."""
    total = 0.0
    for (x0, y0, b), (x1, y1, _) in segments(rows):
        total += (x0 * y1 - x1 * y0) / 2
        if b:
            theta = 4 * math.atan(b)
            total += bulge_radius((x0, y0), (x1, y1), b) ** 2 * (theta - math.sin(theta)) / 2
    return total


def perimeter(rows: Rows) -> float:
    return sum(
        bulge_radius(p[:2], q[:2], p[2]) * abs(4 * math.atan(p[2])) if p[2] else math.dist(p[:2], q[:2])
        for p, q in segments(rows)
    )


def design_cuts(cabinet: Cabinet, part: str):
    """Openings or pockets of a part straight from the design, cabinet coordinates."""
    if part in {b.name for b in cabinet.braces}:
        return [p.shape.outline() for p in cabinet.brace(part).pockets]
    return [o.shape.outline() for o in cabinet.openings if o.panel == part]


@pytest.mark.parametrize("version", VERSIONS)
def test_cuts_are_those_of_the_design(cabinet: Cabinet, parts: tuple[PartDrawing, ...], version: str):
    arcs = 0
    for part in parts:
        cuts = [rows for layer, rows in contours(to_dxf(part, version=version)) if layer.startswith("CUT_INSIDE")]
        wanted = design_cuts(cabinet, part.name)
        assert len(cuts) == len(wanted)
        u, v = part.datum
        for rows, path in zip(cuts, wanted, strict=True):
            assert area(rows) == pytest.approx(path.area, rel=1e-9)
            assert perimeter(rows) == pytest.approx(path.perimeter, rel=1e-9)
            bent = [(p[:2], q[:2], p[2]) for p, q in segments(rows) if p[2]]
            assert len(bent) == len(path.arcs())
            for (p, q, b), arc in zip(bent, path.arcs(), strict=True):
                c = bulge_center(p, q, b)
                assert math.dist((c.x + u, c.y + v), arc.centre) < UM
                assert abs(bulge_radius(p, q, b) - arc.radius) < UM
                assert math.degrees(4 * math.atan(b)) == pytest.approx(arc.sweep_deg, abs=1e-9)
                arcs += 1
    assert arcs > 100


@pytest.mark.parametrize("version", VERSIONS)
def test_vertices_come_back_to_the_last_bit(parts: tuple[PartDrawing, ...], version: str):
    for part in parts:
        found = contours(to_dxf(part, version=version))
        wanted = [(o.layer, list(o.path.vertices)) for o in part.operations]
        assert found[: len(wanted)] == wanted
        (layer, square) = found[-1]
        assert len(found) == len(wanted) + 1
        assert layer == NOT_CUT
        assert area(square) == 100.0**2
        assert perimeter(square) == 400.0
        assert max(y for _, y, _ in square) < 0  # clear of the part


@pytest.mark.parametrize("version", VERSIONS)
def test_no_contour_twice_and_the_file_is_sound(parts: tuple[PartDrawing, ...], version: str):
    for part in parts:
        content = to_dxf(part, version=version)
        seen = [frozenset((round(x, 4), round(y, 4)) for x, y, _ in rows) for _, rows in contours(content)]
        assert len(set(seen)) == len(seen)
        doc, _ = recover.read(io.BytesIO(content))
        assert doc.dxfversion == {"R2010": "AC1024", "R12": "AC1009"}[version]
        if version == "R2010":
            assert doc.header["$INSUNITS"] == 4
            assert doc.header["$MEASUREMENT"] == 1
        texts = [t.dxf.text for t in doc.modelspace().query("TEXT") if t.dxf.layer == NOT_CUT]
        assert "100 x 100 mm" in texts
        assert any(t.startswith(f"{part.name}: {part.board}") for t in texts)
        # Everything but cut contours is on the layer that is not cut.
        assert {e.dxf.layer for e in doc.modelspace() if not e.dxf.layer.startswith("CUT_")} == {NOT_CUT}


def test_layers_tell_operation_and_depth(parts: tuple[PartDrawing, ...]):
    by_name = {p.name: {layer for layer, _ in contours(to_dxf(p))} for p in parts}
    assert by_name["front"] == {"CUT_OUTSIDE_THROUGH_21_8MM", "CUT_INSIDE_THROUGH_21_8MM", NOT_CUT}
    assert by_name["top"] == {"CUT_OUTSIDE_THROUGH_22MM", NOT_CUT}
    through = {f"CUT_{what}_THROUGH_18MM" for what in ("OUTSIDE", "INSIDE", "SLOT")}
    assert by_name["spine"] == {*through, NOT_CUT}


def test_same_part_same_bytes(parts: tuple[PartDrawing, ...], cabinet: Cabinet, tmp_path: Path):
    """Even in processes that order sets differently."""
    design = tmp_path / "design.toml"
    save(cabinet, design)
    code = (
        "import sys; from bracewright.design import load; from bracewright.make import export; "
        "export(load(sys.argv[1]), sys.argv[2])"
    )
    files = []
    for seed in ("0", "4"):  # these two order the library's classes differently
        folder = tmp_path / seed
        env = {**os.environ, "PYTHONHASHSEED": seed}
        subprocess.run([sys.executable, "-c", code, str(design), str(folder)], check=True, env=env)
        files.append({p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()})
    assert files[0] == files[1]
    assert files[0]["front.dxf"] == to_dxf(parts[0])


def test_the_library_is_left_as_it_was(parts: tuple[PartDrawing, ...], caplog: pytest.LogCaptureFixture):
    before = ezdxf.options.write_fixed_meta_data_for_testing
    to_dxf(parts[0], version="R12")
    assert not caplog.records
    assert ezdxf.options.write_fixed_meta_data_for_testing == before
    assert not logging.getLogger("ezdxf").disabled


@pytest.mark.parametrize("version", VERSIONS)
def test_any_name_is_safe_in_the_label(parts: tuple[PartDrawing, ...], version: str):
    part = replace(parts[0], name="é 50%%d ^J \\P 棚 \U0001f600")
    content = to_dxf(part, version=version)
    doc, audit = recover.read(io.BytesIO(content))
    assert not audit.has_errors
    texts = [t.dxf.text for t in doc.modelspace().query("TEXT")]
    assert any(t.startswith("é 50% %d ^ J /P 棚 ?: ") for t in texts)


def test_an_unknown_version_is_refused(parts: tuple[PartDrawing, ...]):
    with pytest.raises(DesignError, match="R2010"):
        to_dxf(parts[0], version="R2009")


def test_a_failed_audit_is_refused(parts: tuple[PartDrawing, ...], monkeypatch: pytest.MonkeyPatch):
    """A broken file must not reach the router."""
    show = dxf._show

    def broken(doc, part, bottom):
        show(doc, part, bottom)
        doc.modelspace().add_line((0, 0), (1, 1), dxfattribs={"linetype": "MISSING"})

    monkeypatch.setattr(dxf, "_show", broken)
    with pytest.raises(FileError, match="audit"):
        to_dxf(parts[0])


@pytest.mark.skipif(shutil.which("ogr2ogr") is None, reason="GDAL's ogr2ogr is not installed: no second DXF reader")
@pytest.mark.parametrize("version", VERSIONS)
def test_second_reader_sees_the_same_areas(cabinet: Cabinet, tmp_path: Path, version: str):
    """GDAL's chords, here of 0.1 degree, each lose r^2 step^3 / 12 of an arc's area and r step^3 / 24 of its length."""
    step = math.radians(0.1)
    parts = drawings(cabinet)
    stems = file_stems(p.name for p in parts)
    for p in parts:
        (tmp_path / f"{stems[p.name]}.dxf").write_bytes(to_dxf(p, version=version))
    for part in parts:
        run = subprocess.run(
            ["ogr2ogr", "-f", "GeoJSON", "/vsistdout/", str(tmp_path / f"{stems[part.name]}.dxf")]
            + ["--config", "OGR_ARC_STEPSIZE", "0.1", "-lco", "COORDINATE_PRECISION=12"],
            capture_output=True,
            check=True,
        )
        features = json.loads(run.stdout)["features"]
        lines = [f for f in features if f["geometry"]["type"] == "LineString"]
        assert [f["properties"]["Layer"] for f in lines] == [*(o.layer for o in part.operations), NOT_CUT]
        rings = [f["geometry"]["coordinates"] for f in lines]
        assert all(math.dist(r[0][:2], r[-1][:2]) < 1e-9 for r in rings)
        for ring, operation in zip(rings, part.operations, strict=False):
            polygon = Polygon(ring)
            assert polygon.is_valid
            path = operation.path
            swept = [(a.radius, abs(math.radians(a.sweep_deg))) for a in path.arcs()]
            lost_area = step**2 / 12 * sum(r**2 * sweep for r, sweep in swept)
            lost_length = step**2 / 24 * sum(r * sweep for r, sweep in swept)
            assert abs(polygon.area - path.area) < lost_area + 1e-6
            assert -1e-6 < path.perimeter - polygon.length < lost_length + 1e-6
            assert all(math.dist(path.nearest(p[:2]), p[:2]) < UM for p in ring[:: len(ring) // 200 + 1])
        assert Polygon(rings[-1]).area == pytest.approx(1e4, abs=1e-6)
        labels = [f["properties"]["Text"] for f in features if f["geometry"]["type"] == "Point"]
        # GDAL 3.6 reads R2010, which is UTF-8, in the code page of the header.
        assert any(str(t).startswith(f"{part.name}: ") for t in labels) or not part.name.isascii()
