"""Drawings, cut list and export: what the parts add up to, and where they lie."""

from __future__ import annotations

import csv
import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, HalfspaceIntersection
from shapely.geometry import Point, Polygon

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, Opening, Panel, Pocket
from bracewright.design.cabinet import AXES, PANEL_NORMAL, PANELS
from bracewright.design.layout import frame_of, inner_face, sides
from bracewright.design.pockets import Circle, Ellipse, Rectangle, Stadium
from bracewright.errors import DesignError, FileError
from bracewright.geometry import Path, circle, rectangle
from bracewright.make import (
    CAUTIONS,
    Bevel,
    Operation,
    PartDrawing,
    board_totals,
    cut_list,
    drawings,
    export,
    file_stems,
)
from bracewright.make.parts import layer_name

SIZE = {"x": 220.0, "y": 300.0, "z": 400.0}


def cabinet(braces=(), openings=(), thick=(22.0,) * 6, grain=(0.0,) * 6) -> Cabinet:
    boards = [Board.isotropic(t, 3.5, 0.25, 700, name=side) for side, t in zip(PANELS, thick, strict=True)]
    boards += [Board.isotropic(18, 3.5, 0.25, 800, name="thin"), Board.isotropic(25, 3.5, 0.25, 600, name="thick")]
    return Cabinet(
        name="box",
        width=SIZE["x"],
        depth=SIZE["y"],
        height=SIZE["z"],
        boards=tuple(boards),
        panels=tuple(Panel(side=s, board=s, grain_deg=g) for s, g in zip(PANELS, grain, strict=True)),
        openings=tuple(openings),
        braces=tuple(braces),
    )


def named(parts) -> dict[str, PartDrawing]:
    return {p.name: p for p in parts}


WOOFER = Opening(name="woofer", panel="front", shape=Circle(centre=(110, 309.5), diameter=120))
SLOT = Opening(name="slot", panel="left", shape=Stadium(centre=(150, 90), size=(80, 30), rotation_deg=30))
HOLE = Pocket(shape=Ellipse(centre=(110, 150), semi_axes=(40, 60)))


# --- panels ---------------------------------------------------------------------------------------------------------


def test_front_and_back_run_over_the_sides_and_these_over_bottom_and_top():
    box = cabinet(thick=(20, 21, 22, 23, 24, 25))
    parts = named(drawings(box))
    assert {name: p.datum for name, p in parts.items()} == {
        **dict.fromkeys(("front", "back"), (0, 0)),
        **dict.fromkeys(("left", "right"), (20, 0)),
        **dict.fromkeys(("bottom", "top"), (22, 20)),
    }
    assert {name: p.size for name, p in parts.items()} == {
        **dict.fromkeys(("front", "back"), (220, 400)),
        **dict.fromkeys(("left", "right"), (259, 400)),
        **dict.fromkeys(("bottom", "top"), (175, 259)),
    }
    assert {name: p.near for name, p in parts.items()} == {
        s: {"x": "right", "y": "front", "z": "top"}[PANEL_NORMAL[s]] for s in PANELS
    }
    outer = {n for n, p in parts.items() if "outer face" in p.notes[0]}
    assert outer == {"front", "right", "top"}


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(6, 29), min_size=6, max_size=6))
def test_panels_fill_the_walls_once(thick: list[float]):
    """Their boxes are apart, and with the openings they add up to outer box minus inner void.

    Outlines are rounded to 1e-9 mm: 24 edges of up to 400 x 29 mm make 2e-4 mm^3.
    """
    box = cabinet(thick=tuple(thick), openings=[WOOFER, SLOT])
    parts = drawings(box)
    spans = []
    for p in parts:
        normal = AXES.index(PANEL_NORMAL[p.name])
        span = np.zeros((3, 2))
        faces = sorted(
            (inner_face(box, p.name), 0.0 if p.name in ("front", "left", "bottom") else box.size(AXES[normal]))
        )
        span[normal] = faces
        for k, axis in enumerate(p.axes):
            span[AXES.index(axis)] = p.datum[k], p.datum[k] + p.size[k]
        spans.append(span)
    for a, b in itertools.combinations(spans, 2):
        overlap = np.minimum(a[:, 1], b[:, 1]) - np.maximum(a[:, 0], b[:, 0])
        assert overlap.min() < 1e-8
    inner = math.prod(inner_face(box, high) - inner_face(box, low) for low, high in map(sides, AXES))
    cut = math.pi * 60**2 * thick[0] + (50 * 30 + math.pi * 15**2) * thick[2]
    assert sum(p.volume for p in parts) == pytest.approx(math.prod(SIZE.values()) - inner - cut, abs=2e-4)


def test_openings_keep_their_place_in_the_cabinet():
    parts = named(drawings(cabinet(openings=[WOOFER, SLOT])))
    for opening in (WOOFER, SLOT):
        part = parts[opening.panel]
        (cut,) = part.operations[1:]
        assert (cut.name, cut.kind, cut.depth, cut.side) == (opening.name, "opening", 22, "through")
        assert np.add(cut.path.centroid, part.datum) == pytest.approx(opening.shape.outline().centroid, abs=1e-9)
    assert parts["left"].datum == (22, 0)
    assert parts["left"].axes == ("y", "z")


# --- braces ---------------------------------------------------------------------------------------------------------


def solid(box: Cabinet, name: str):
    """The brace as a convex body, from half-spaces alone: its two faces, the walls and the parts it stops at."""
    brace, frame = box.brace(name), frame_of(box, name)
    half = box.part_board(name).thickness / 2
    rows = [(*frame.e3, -(frame.e3 @ frame.origin) - half), (*-frame.e3, frame.e3 @ frame.origin - half)]
    for k, axis in enumerate(AXES):
        for side, sign in zip(sides(axis), (-1, 1), strict=True):
            rows.append((*(sign * np.eye(3)[k]), -sign * inner_face(box, side)))
        for part, sign in zip(dict(brace.within).get(axis, ()), (-1, 1), strict=False):
            if part not in PANELS:
                other = frame_of(box, part)
                n = sign * other.e3 * np.sign(other.e3[k])
                rows.append((*n, -(n @ other.origin) + box.part_board(part).thickness / 2))
    middle = frame.to_space(np.array([next(p for p in drawings(box) if p.name == name).outline.centroid]))
    middle = middle + sum(
        d * e for d, e in zip(next(p for p in drawings(box) if p.name == name).datum, (frame.e1, frame.e2), strict=True)
    )
    return ConvexHull(HalfspaceIntersection(np.array(rows), middle[0]).intersections), frame


SHELF = Brace(name="shelf", normal="z", at=230, board="thick")
TILTED = Brace(name="tilted", normal="z", at=200, board="thin", tilt_deg=8, tilt_about="y")
CASES = {
    "plain": [SHELF],
    "tilted about y": [TILTED],
    "tilted about x": [replace(TILTED, tilt_about="x", tilt_deg=-25)],
    "across x, tilted": [Brace(name="t", normal="x", at=110, board="thick", tilt_deg=15, tilt_about="z")],
    "across y, tilted": [Brace(name="t", normal="y", at=140, board="thick", tilt_deg=-12, tilt_about="x")],
    "up to a tilted one": [
        TILTED,
        Brace(name="t", normal="x", at=100, board="thin", within=(("z", ("bottom", "tilted")),)),
    ],
    "under a slope": [TILTED, Brace(name="t", normal="y", at=140, board="thin", within=(("z", ("tilted", "top")),))],
    "bevels on neighbouring edges": [
        TILTED,
        Brace(
            name="t", normal="y", at=140, board="thick", tilt_deg=20, tilt_about="z", within=(("z", ("tilted", "top")),)
        ),
    ],
}


@pytest.mark.parametrize("case", CASES)
def test_brace_is_the_solid_between_its_neighbours(case: str):
    box = cabinet(CASES[case], thick=(20, 21, 22, 23, 24, 25))
    name = CASES[case][-1].name
    part = named(drawings(box))[name]
    body, frame = solid(box, name)
    assert part.volume == pytest.approx(body.volume, rel=1e-9)
    # Both faces fit in the blank: no corner outside, and every side touched.
    flat = frame.to_plane(body.points) - part.datum
    blank = Polygon([v[:2] for v in part.outline.vertices])
    assert all(blank.distance(Point(p)) < 1e-6 for p in flat)
    for side in part.outline.segments():
        along = np.subtract(side.end, side.start) / math.dist(side.start, side.end)
        assert np.min(np.abs((flat - side.start) @ [along[1], -along[0]])) < 1e-6
    assert blank.bounds[:2] == pytest.approx((0, 0), abs=1e-9)
    assert part.size == pytest.approx(blank.bounds[2:], abs=1e-9)
    # A tilted part's bevels: each lies flat on the part it meets.
    assert bool(part.bevels) == (case not in ("plain", "under a slope"))
    half = part.thickness / 2
    for b in part.bevels:
        along = np.subtract(b.end, b.start) / math.dist(b.start, b.end)
        outward = np.array([along[1], -along[0]])
        face = frame_of(box, b.meets)
        gap = box.part_board(b.meets).thickness / 2
        for height in (-half, half):
            p = np.add(b.start, part.datum) - height * math.tan(math.radians(b.angle_deg)) * outward
            space = frame.to_space(p)[0] + height * frame.e3
            assert abs((space - face.origin) @ face.e3) == pytest.approx(gap, abs=1e-6)


def test_bevel_by_hand():
    """8 degrees about y: each end of the mid-plane is 176 / cos 8 apart, and the blank 18 tan 8 longer."""
    part = named(drawings(cabinet([TILTED])))["tilted"]
    middle = 176 / math.cos(math.radians(8))
    more = 18 * math.tan(math.radians(8))
    assert part.size == pytest.approx((middle + more, 256), abs=1e-8)
    assert [(b.meets, round(b.angle_deg, 9)) for b in part.bevels] == [("right", 8), ("left", -8)]
    reference = part.operations[-1]
    assert (reference.kind, reference.layer) == ("reference", "REFERENCE_NOT_CUT")
    assert reference.path.bounds == pytest.approx((more / 2, 0, more / 2 + middle, 256), abs=1e-8)
    # The right end is the lower one: there the upper face, which is the near one, meets the upright wall first.
    bevels = [n for n in part.notes if n.startswith("bevel of 8 degrees")]
    assert [("right" in n, "far face is the longer" in n) for n in bevels] == [(True, True), (False, False)]
    assert not any("reaches" in n for n in part.notes)


def test_a_corner_that_fouls_a_panel_is_told():
    """At its lower end the middle is 88 tan 8 below `at`, and the far face 9 / cos 8 below the middle."""
    clear = 22 + 88 * math.tan(math.radians(8)) + 9 / math.cos(math.radians(8))
    part = named(drawings(cabinet([replace(TILTED, at=clear)])))["tilted"]
    assert not any("reaches" in n for n in part.notes)
    part = named(drawings(cabinet([replace(TILTED, at=clear - 5)])))["tilted"]
    (note,) = [n for n in part.notes if "reaches" in n]
    assert "reaches 5 into bottom" in note


def test_braces_cross_and_stand_where_the_notes_say():
    spine = Brace(
        name="spine", normal="x", at=100, board="thin", pockets=(Pocket(shape=Circle(centre=(150, 320), diameter=60)),)
    )
    parts = named(drawings(cabinet([replace(SHELF, pockets=(HOLE,)), spine])))
    assert "lapped: spine (18 thick) crosses on the line (78, 0) to (78, 256)" in parts["shelf"].notes
    assert any("lapped: shelf (25 thick) crosses" in n and ", 208)" in n for n in parts["spine"].notes)
    assert any(n.startswith("shelf (25 thick) stands on the line") and "230" in n for n in parts["front"].notes)
    assert not any("spine" in n for n in parts["left"].notes)
    pocket, slot = parts["shelf"].operations[1:]
    assert (pocket.kind, pocket.name, slot.kind, slot.name) == ("pocket", "pocket 1", "slot", "spine")
    assert np.add(pocket.path.centroid, parts["shelf"].datum) == pytest.approx((110, 150), abs=1e-9)
    # The slot is open at the back and 18.15 wide; it ends a cutter's radius of 3 before the middle, corners round.
    slot_area = 18.15 * (128 + 3) - (4 - math.pi) * 3**2 / 2
    pocket_area = math.pi * 40 * 60
    wood = Polygon([(0, 0), (176, 0), (176, 256), (0, 256)])
    taken = slot.path.polygon(1e-3).intersection(wood)
    assert taken.area == pytest.approx(slot_area, abs=0.05)
    both = taken.intersection(pocket.path.polygon(1e-3)).area
    assert parts["shelf"].volume == pytest.approx((176 * 256 - pocket_area - slot_area + both) * 25, rel=1e-4)


def test_a_pocket_name_that_cannot_be_drawn_names_the_part():
    bad = replace(SHELF, pockets=(replace(HOLE, name="a\nb"),))
    with pytest.raises(DesignError, match="printable") as e:
        drawings(cabinet([bad]))
    assert e.value.key == "braces.shelf.name"


# --- records --------------------------------------------------------------------------------------------------------


def test_layer_names_are_plain_words():
    assert layer_name("outline", 22, "through") == "CUT_OUTSIDE_THROUGH_22MM"
    assert layer_name("pocket", 21.8, "through") == "CUT_INSIDE_THROUGH_21_8MM"
    assert layer_name("mark", 0.3, "far") == "MARK_0_3MM_DEEP_FAR_FACE"
    assert layer_name("reference", 0, "near") == "REFERENCE_NOT_CUT"
    assert len(layer_name("outline", 123.456, "through")) <= 31  # the limit of R12


GOOD = Operation(kind="outline", path=rectangle((50, 50), (100, 100)), depth=22, side="through", layer="CUT")
INNER = Operation(kind="pocket", path=circle((50, 50), 20), depth=22, side="through", layer="IN")


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"kind": "nibble"}, "kind"),
        ({"side": "inside"}, "side"),
        ({"depth": 0}, "depth"),
        ({"depth": -1.0}, "depth"),
        ({"depth": math.nan}, "depth"),
        ({"kind": "reference"}, "depth"),
        ({"layer": "cut it"}, "layer"),
        ({"layer": "A" * 32}, "layer"),
        ({"layer": ""}, "layer"),
        ({"name": "a\tb"}, "name"),
    ],
)
def test_operation_refuses(change: dict[str, object], key: str):
    with pytest.raises(DesignError) as e:
        replace(GOOD, **change)
    assert e.value.key == key


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"operations": ()}, "operations"),
        ({"operations": (INNER, GOOD)}, "operations"),
        ({"operations": (GOOD, replace(GOOD, path=circle((50, 50), 10)))}, "operations"),
        ({"operations": (GOOD, INNER, replace(INNER, path=INNER.path.reversed(), name="again"))}, "operations"),
        ({"thickness": 21.0}, "operations"),
        ({"bevels": (Bevel(start=(0, 0), end=(100, 0), angle_deg=8, meets="left"),)}, "bevels"),
        ({"name": "a\nb"}, "name"),
        ({"board": ""}, "name"),
    ],
)
def test_part_refuses(change: dict[str, object], key: str):
    part = PartDrawing(
        name="p",
        board="b",
        thickness=22,
        size=(100, 100),
        operations=(GOOD, INNER),
        axes=("x", "y"),
        datum=(0, 0),
        near="top",
    )
    assert part.volume == pytest.approx((100**2 - math.pi * 100) * 22)
    with pytest.raises(DesignError) as e:
        replace(part, **change)
    assert e.value.key == key


# --- cut list and export --------------------------------------------------------------------------------------------


def test_cut_list():
    box = cabinet([replace(SHELF, grain_deg=90)], [WOOFER], grain=(90, 0, 30, 0, 0, 0))
    rows = {r.part: r for r in cut_list(box)}
    assert (rows["front"].length, rows["front"].width) == (400, 220)  # along the grain first
    assert (rows["back"].length, rows["back"].width) == (220, 400)
    c, s = math.cos(math.radians(30)), 0.5
    assert (rows["left"].length, rows["left"].width) == pytest.approx((256 * c + 400 * s, 256 * s + 400 * c), abs=1e-5)
    assert (rows["shelf"].length, rows["shelf"].width) == (256, 176)
    assert rows["shelf"].area_m2 == pytest.approx(0.256 * 0.176)
    assert rows["shelf"].mass_kg == pytest.approx(0.256 * 0.176 * 0.025 * 600)
    assert rows["front"].mass_kg == pytest.approx((0.22 * 0.4 - math.pi * 0.06**2) * 0.022 * 700)
    totals = {t.board: t for t in board_totals(cut_list(box))}
    assert sum(t.quantity for t in totals.values()) == 7
    assert totals["thick"].mass_kg == rows["shelf"].mass_kg


def test_grain_turns_the_right_way():
    """Of a board cut askew the blank along +30 degrees is not that along -30."""
    slope = replace(CASES["under a slope"][1], grain_deg=30)
    box = cabinet([TILTED, slope])
    (row,) = (r for r in cut_list(box) if r.part == "t")
    corners = np.array([v[:2] for v in named(drawings(box))["t"].outline.vertices])
    grain = np.array([math.cos(math.radians(30)), 0.5])
    assert row.length == pytest.approx(np.ptp(corners @ grain), abs=1e-5)
    assert row.width == pytest.approx(np.ptp(corners @ [-grain[1], grain[0]]), abs=1e-5)
    assert abs(row.length - np.ptp(corners @ [grain[0], -grain[1]])) > 5


def test_totals_add_up():
    plain = cabinet()
    one = replace(plain, panels=tuple(replace(p, board="front") for p in plain.panels))
    (total,) = board_totals(cut_list(one))
    assert (total.board, total.thickness, total.quantity) == ("front", 22, 6)
    assert total.mass_kg == pytest.approx((220 * 300 * 400 - 176 * 256 * 356) * 1e-9 * 700)
    assert total.area_m2 == pytest.approx(2 * (0.22 * 0.4 + 0.256 * 0.4 + 0.176 * 0.256))


def test_export_writes_all_and_says_what(tmp_path):
    box = cabinet([replace(SHELF, name="=Front", pockets=(HOLE,)), replace(TILTED, name="Front", at=130)], [WOOFER])
    folder = tmp_path / "deep" / "er"
    files = export(box, folder)
    names = [f.relative_to(folder).as_posix() for f in files]
    stems = [*PANELS, "=Front", "Front-2"]  # front.dxf on a file system that ignores case
    assert names == [
        *(f"{s}.dxf" for s in stems),
        "coordinates.csv",
        "coordinates.json",
        "cut-list.csv",
        "build-sheet.html",
        "build-sheet.pdf",
        *(f"sheets/sheet 1 {board}.dxf" for board in (*PANELS, "thick", "thin")),
        *(name for s in stems for name in (f"svg/{s}.svg", f"full-size/{s}.pdf")),
        *(name for s in ("front", "=Front") for name in (f"templates/template {s}.dxf", f"templates/template {s}.pdf")),
        "templates/coordinates.csv",
        "templates/coordinates.json",
        "read-me-first.txt",
        "files.json",
    ]
    assert sorted(names) == sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    text = (folder / "read-me-first.txt").read_text("utf-8")
    assert text.startswith(CAUTIONS)
    assert all(name in text for name in names if name != "read-me-first.txt")
    rows = list(csv.DictReader((folder / "cut-list.csv").open(encoding="utf-8", newline="")))
    assert [r["part"] for r in rows if r["row"] == "part"] == [*PANELS, "'=Front", "Front"]
    assert {r["board"] for r in rows if r["row"] == "total"} == {*PANELS, "thick", "thin"}
    assert float(rows[0]["length"]) == 220
    before = {p: p.read_bytes() for p in files}
    assert export(box, folder) == files
    assert {p: p.read_bytes() for p in files} == before


def test_export_that_fails_writes_nothing(tmp_path):
    bad = cabinet([replace(SHELF, pockets=(replace(HOLE, name="a\nb"),))])
    with pytest.raises(DesignError):
        export(bad, tmp_path / "out")
    with pytest.raises(DesignError):
        export(cabinet(), tmp_path / "out", dxf_version="R9")
    assert not (tmp_path / "out").exists()
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="folder"):
        export(cabinet(), tmp_path / "file")


def test_cautions_name_what_hurts():
    for word in (
        "IARC",
        "group 1",
        "formaldehyde",
        "MDF",
        "P3",
        "FFP3",
        "extractor",
        "Router",
        "Clamps",
        "lift",
        "licensed",
    ):
        assert word in CAUTIONS
    assert max(map(len, CAUTIONS.splitlines())) <= 120


@pytest.mark.parametrize(
    ("names", "stems"),
    [
        (["a", "A", "a-2"], ["a", "A-2", "a-2-2"]),
        (["nul", "COM1.x", "con ", "console"], ["_nul", "_COM1.x", "_con", "console"]),
        (["..", ".", "x.", " y "], ["part", "part-2", "x", "y"]),
        (["e\u0301", "\u00e9"], ["\u00e9", "\u00e9-2"]),
        (["../up", "a:b"], ["_up", "a_b"]),
        (["\U0001f600" * 80], ["\U0001f600" * 30]),
    ],
)
def test_file_stems(names: list[str], stems: list[str]):
    assert list(file_stems(names).values()) == stems


def test_paths_stay_exact():
    """A rounded pocket is four lines and four arcs in the drawing too, never a mesh."""
    pocket = Pocket(shape=Rectangle(centre=(110, 150), size=(100, 80), corner_radius=15))
    part = named(drawings(cabinet([replace(SHELF, pockets=(pocket,))])))["shelf"]
    path: Path = part.operations[1].path
    assert len(path.vertices) == 8
    assert {round(a.radius, 12) for a in path.arcs()} == {15.0}
