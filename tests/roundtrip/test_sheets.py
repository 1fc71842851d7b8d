"""Sheets: parts laid out, written as DXF and read back; second readers agree on every area."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import subprocess
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon
from shapely.ops import polygonize
from test_dxf import NOT_CUT, area, contours

from bracewright.boards import Board
from bracewright.design import Cabinet, JointSpec
from bracewright.design.joinery import Joinery, Stock
from bracewright.errors import DesignError
from bracewright.examples import example
from bracewright.geometry import Path as Curve
from bracewright.make import PartDrawing, Placement, Sheet, drawings, nest, placed, sheet_dxf, to_dxf

VERSIONS = ["R2010", "R12"]


@pytest.fixture(scope="module")
def jointed() -> Cabinet:
    return replace(example("floorstander"), joint=JointSpec(form="tongue"), brace_joint=JointSpec(form="housed"))


@pytest.fixture(scope="module")
def pieces(jointed: Cabinet) -> tuple[PartDrawing, ...]:
    return drawings(jointed)


def outlines(sheet: Sheet, parts: dict[str, PartDrawing], oversize: float) -> list[tuple[Placement, Polygon]]:
    return [
        (p, next(path for kind, *_, path in placed(parts[p.part], p, oversize) if kind == "outline").polygon(1e-3))
        for p in sheet.placements
    ]


def check(cabinet: Cabinet, parts: tuple[PartDrawing, ...], sheets: tuple[Sheet, ...]) -> None:
    """Every part once, in its blank, a kerf from every other, clear of the trim."""
    joinery, by_name = cabinet.joinery, {p.name: p for p in parts}
    assert sorted(p.part for s in sheets for p in s.placements) == sorted(by_name)
    for s in sheets:
        length, width = s.size
        t = joinery.trim
        room = shapely.box(t, t, length - t, width - t).buffer(1e-6)
        blanks = [shapely.box(*p.at, p.at[0] + p.size[0], p.at[1] + p.size[1]) for p in s.placements]
        for (p, outline), blank in zip(outlines(s, by_name, joinery.oversize), blanks, strict=True):
            assert by_name[p.part].board == s.board
            assert room.covers(blank)
            assert blank.buffer(-joinery.oversize / 2 + 1e-6).covers(outline)
        for k, a in enumerate(blanks):
            assert all(a.distance(b) >= joinery.kerf - 1e-6 for b in blanks[k + 1 :])
        # No cut that runs over the edge of its part reaches another part.
        laid = [[c for c in placed(by_name[p.part], p, joinery.oversize) if c[0] != "reference"] for p in s.placements]
        for cuts in laid:
            reach = shapely.union_all([path.polygon(1e-3) for *_, path in cuts])
            for others in laid:
                assert others is cuts or reach.distance(others[0][-1].polygon(1e-3)) >= joinery.kerf - 1e-3
        used = sum(by_name[p.part].outline.area for p in s.placements) / (length * width)
        assert s.used == pytest.approx(used)


@pytest.mark.parametrize("sheet", [(2440, 1220), (1030, 700), (1030, 420)])
def test_parts_lie_apart_on_their_sheets(jointed: Cabinet, sheet: tuple[float, float]):
    cabinet = replace(jointed, joinery=Joinery(sheet=sheet, kerf=4.0, trim=8.0, oversize=2.0))
    parts = drawings(cabinet)
    sheets = nest(cabinet, parts)
    check(cabinet, parts, sheets)
    assert (len(sheets) > 2) == (sheet[1] < 1000)
    # Large sheets in two: there is one for each board at least.
    assert [s.number for s in sheets if s.board == "carcass"] == [
        *range(1, 1 + sum(s.board == "carcass" for s in sheets))
    ]


def test_grain_runs_along_the_sheet():
    """Direction 1 of every plywood part, turned over or not, lies along x."""
    base = example("floorstander")
    panels = tuple(replace(p, board="brace", grain_deg=30.0 * k) for k, p in enumerate(base.panels))
    cabinet = replace(base, panels=panels, joinery=Joinery(sheet=(3000, 1500)), joint=JointSpec(form="tongue"))
    parts = drawings(cabinet)
    sheets = nest(cabinet, parts)
    check(cabinet, parts, sheets)
    assert {p.turned_over for s in sheets for p in s.placements} == {True, False}
    by_name = {p.name: p for p in parts}
    for p in (p for s in sheets for p in s.placements):
        part = by_name[p.part]
        g = math.radians(part.grain_deg)
        # A thin arrow along the grain travels with the part.
        u, v = np.array([math.cos(g), math.sin(g)]), np.array([-math.sin(g), math.cos(g)])
        arrow = np.array([-100 * u - v, 100 * u - v, 100 * u + v, -100 * u + v])
        mark = replace(
            part.operations[0], kind="reference", depth=0.0, path=Curve(vertices=tuple((*q, 0.0) for q in arrow))
        )
        moved = placed(replace(part, operations=(*part.operations, mark), bevels=()), p, 0.0)[-1][-1]
        x0, y0, x1, y1 = moved.bounds
        assert x1 - x0 == pytest.approx(200, abs=1e-6)
        assert y1 - y0 == pytest.approx(2, abs=1e-6)


def test_boards_without_grain_may_turn():
    base = replace(example("stand-mount"), joint=JointSpec(), joint_overrides=())
    mdf = replace(base, joinery=Joinery(sheet=(425, 330), trim=5, kerf=0, oversize=0))
    sheets = nest(mdf, drawings(mdf))
    check(mdf, drawings(mdf), sheets)
    # The sides of 280 x 400 fit upright only.
    assert {p.turn_deg % 180 for s in sheets for p in s.placements if p.part in ("left", "right")} == {90}


def test_a_part_larger_than_the_sheet_is_refused(jointed: Cabinet):
    small = replace(jointed, joinery=Joinery(stocks=(Stock(board="carcass", sheet=(1000, 600)),)))
    with pytest.raises(DesignError, match="does not fit on a sheet of 1000 x 600") as e:
        nest(small, drawings(small))
    assert e.value.key == "front"
    # Plywood may not be turned: the same part fits the other way round only.
    base = replace(example("stand-mount"), joint=JointSpec(), joint_overrides=())
    ply = tuple(replace(p, board="brace") for p in base.panels)
    narrow = replace(base, panels=ply, joinery=Joinery(stocks=(Stock(board="brace", sheet=(300, 1000)),)))
    with pytest.raises(DesignError, match="across the grain"):
        nest(narrow, drawings(narrow))


def test_cost_is_the_sheets_or_the_boards():
    base = replace(example("stand-mount"), joint=JointSpec(), joint_overrides=())
    boards = tuple(replace(b, cost_per_m2=20.0) if b.name == "brace" else b for b in base.boards)
    joinery = Joinery(stocks=(Stock(board="carcass", cost=48.5), Stock(board="brace", sheet=(2000, 1000))))
    cabinet = replace(base, boards=boards, joinery=joinery)
    cost = {s.board: s.cost for s in nest(cabinet, drawings(cabinet))}
    assert cost == {"baffle": 0.0, "carcass": 48.5, "brace": pytest.approx(40.0)}
    assert isinstance(boards[0], Board)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_sheet_comes_back_with_every_cut(jointed: Cabinet, pieces: tuple[PartDrawing, ...], version: str):
    by_name = {p.name: p for p in pieces}
    for sheet in nest(jointed, pieces):
        found = contours(sheet_dxf(sheet, pieces, oversize=3.0, version=version))
        wanted = [o for p in sheet.placements for o in by_name[p.part].operations]
        cuts = found[: len(wanted)]
        for (layer, rows), o in zip(cuts, wanted, strict=True):
            assert abs(area(rows)) == pytest.approx(o.path.area, rel=1e-9)
            assert layer.split("_")[0] == o.layer.split("_")[0]
            assert ("THROUGH" in layer) == (o.side == "through") or o.kind == "reference"
        assert [layer for layer, _ in found[len(wanted) :]] == [NOT_CUT, NOT_CUT]  # the sheet and the check square
        seen = [frozenset((round(x, 4), round(y, 4)) for x, y, _ in rows) for _, rows in found]
        layers = {(layer, s) for s, (layer, _) in zip(seen, found, strict=True)}
        assert len(layers) == len(found)
        assert max(len(layer) for layer, _ in found) <= 31


def test_what_is_cut_blind_lies_up_where_it_can(jointed: Cabinet, pieces: tuple[PartDrawing, ...]):
    by_name = {p.name: p for p in pieces}
    for sheet in nest(jointed, pieces):
        for p in sheet.placements:
            faces = {face for _, _, face, _, _ in placed(by_name[p.part], p, 0.0)} - {"through"}
            sides = {o.side for o in by_name[p.part].operations if o.kind in ("groove", "rebate")}
            if len(sides) == 1:
                assert "under" not in faces - ({"under"} if by_name[p.part].bevels else set())


# --- second readers -------------------------------------------------------------------------------------------------


def files(jointed: Cabinet, pieces: tuple[PartDrawing, ...], folder: Path, version: str) -> dict[str, list[Curve]]:
    """Write parts and sheets; return the contours each file ought to have."""
    wanted: dict[str, list[Curve]] = {}
    by_name = {p.name: p for p in pieces}
    for p in pieces:
        (folder / f"{p.name}.dxf").write_bytes(to_dxf(p, version=version))
        wanted[p.name] = [o.path for o in p.operations]
    for s in nest(jointed, pieces):
        (folder / f"{s.title}.dxf").write_bytes(sheet_dxf(s, pieces, oversize=3.0, version=version))
        wanted[s.title] = [path for p in s.placements for *_, path in placed(by_name[p.part], p, 3.0)]
    return wanted


@pytest.mark.skipif(shutil.which("ogr2ogr") is None, reason="GDAL's ogr2ogr is not installed: no second DXF reader")
@pytest.mark.parametrize("version", VERSIONS)
def test_gdal_sees_the_same_areas(jointed: Cabinet, pieces: tuple[PartDrawing, ...], tmp_path: Path, version: str):
    step = math.radians(0.1)
    for name, wanted in files(jointed, pieces, tmp_path, version).items():
        run = subprocess.run(
            ["ogr2ogr", "-f", "GeoJSON", "/vsistdout/", str(tmp_path / f"{name}.dxf")]
            + ["--config", "OGR_ARC_STEPSIZE", "0.1", "-lco", "COORDINATE_PRECISION=12"],
            capture_output=True,
            check=True,
            text=True,
        )
        assert "ERROR" not in run.stderr
        lines = [f for f in json.loads(run.stdout)["features"] if f["geometry"]["type"] == "LineString"]
        for feature, path in zip(lines, wanted, strict=False):
            lost = step**2 / 12 * sum(a.radius**2 * abs(math.radians(a.sweep_deg)) for a in path.arcs())
            assert Polygon(feature["geometry"]["coordinates"]).area == pytest.approx(path.area, abs=lost + 1e-6)
        assert len(lines) >= len(wanted) + 1


@pytest.mark.skipif(shutil.which("librecad") is None, reason="LibreCAD is not installed: no third DXF reader")
@pytest.mark.parametrize("version", VERSIONS)
def test_librecad_draws_the_same_areas(jointed: Cabinet, pieces: tuple[PartDrawing, ...], tmp_path: Path, version: str):
    """It prints on A3 in steps of 1/1200 inch: an area is off by no more than such a step along its perimeter."""
    wanted = files(jointed, pieces, tmp_path, version)
    home = tmp_path / "home"
    home.mkdir(mode=0o700)
    env = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "HOME": str(home), "XDG_RUNTIME_DIR": str(home)}
    compared = 0
    for name, scale in {"slant": 1.0, "spine": 1.0, "bottom": 0.5, "front": 0.25, "sheet 1 brace": 0.15}.items():
        paths, step = wanted[name], 25.4 / 1200 / scale
        command = ["librecad", "dxf2pdf", "-s", str(scale), f"{name}.dxf"]
        subprocess.run(command, cwd=tmp_path, env=env, check=True, capture_output=True, timeout=120)
        lines = printed_lines(tmp_path / f"{name}.pdf")
        # Its page is a whole number of points and stretches all by some 0.03 %: take that out by the height.
        top = 1220.0 if name.startswith("sheet") else max(p.bounds[3] for p in paths)
        stretch = top / max(line.bounds[3] for line in lines)
        assert abs(stretch * scale - 1) < 1e-3
        tree = shapely.STRtree([shapely.transform(line, lambda xy, k=stretch: xy * k) for line in lines])
        for path in paths:
            near = path.polygon(0.005).exterior.buffer(2 * step)
            own = tree.geometries[tree.query(near, predicate="contains")]
            cell = max(polygonize(shapely.union_all(own)), key=lambda c: c.area)
            assert Polygon(cell.exterior).area == pytest.approx(path.area, abs=step * path.perimeter)
            compared += 1
    assert compared > 40


def printed_lines(pdf: Path) -> list[shapely.LineString]:
    """Straight pieces on the page, mm from its lower left corner, which is the drawing's origin."""
    lines = []
    for m in re.finditer(rb"stream\r?\n(.*?)endstream", pdf.read_bytes(), re.S):
        try:
            text = zlib.decompress(m[1].strip(b"\r\n"))
        except zlib.error:
            continue
        place = re.search(rb"([\d.]+) 0 0 -[\d.]+ 0 ([\d.]+) cm", text)
        if place is None:
            continue
        mm, top = float(place[1]) * 25.4 / 72, float(place[2]) * 25.4 / 72
        _, _, text = text.partition(b"SCN")  # what comes before is the page's own edge
        at: tuple[float, float] | None = None
        for x, y, what in re.findall(rb"(-?[\d.]+) (-?[\d.]+) ([ml])\b", text):
            point = (float(x) * mm, top - float(y) * mm)
            if what == b"l" and at is not None and at != point:
                lines.append(shapely.LineString([at, point]))
            at = point
    return lines
