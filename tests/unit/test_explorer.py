"""The explorer without a browser: handles, limits, warm solving, undo, comparing, files, and what the page is sent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from cabinets import box, pocket, shelf

from bracewright.design import Cabinet, load
from bracewright.design.pockets import Circle, Ellipse, Pocket, Polygon, Rectangle, Spline, Stadium, Superellipse
from bracewright.errors import DesignError
from bracewright.fem.modes import solve
from bracewright.fem.moves import follow
from bracewright.show.explorer import TOLERANCE, Explorer
from bracewright.show.explorer_widget import Session, allowed
from bracewright.show.handles import dragged, handles
from bracewright.tune.constraints import Limits

WIDE = Limits(open_area_low_percent=5.0)
SIZE = 60.0
BLOB = ((80.0, 100.0), (140.0, 95.0), (150.0, 160.0), (120.0, 210.0), (75.0, 190.0), (65.0, 140.0))
SHAPES = [
    Circle(centre=(110, 150), diameter=80, rotation_deg=20),
    Ellipse(centre=(110, 150), semi_axes=(40, 60), rotation_deg=30),
    Rectangle(centre=(110, 150), size=(90, 130), corner_radius=20, rotation_deg=10),
    Stadium(centre=(110, 150), size=(80, 140)),
    Superellipse(centre=(110, 150), size=(90, 130), exponent=3, rotation_deg=-15),
    Polygon(points=((70, 90), (150, 100), (120, 200)), corner_radius=10),
    Spline(points=BLOB),
]


def design() -> Cabinet:
    return box(braces=(shelf(), shelf(at=330.0, name="upper", pockets=(pocket((110, 150), (90, 120)),))))


@pytest.fixture(scope="module")
def kept() -> Explorer:
    return Explorer(design(), SIZE, count=6, limits=WIDE)


@pytest.fixture
def explorer(kept) -> Explorer:
    """As new, with the first solution used again."""
    fresh = Explorer.__new__(Explorer)
    fresh.__dict__.update(kept.__dict__)
    fresh._undo, fresh._redo = [], []
    return fresh


# --- handles --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.kind)
def test_a_handle_follows_where_it_is_dragged(shape):
    for h in handles(shape):
        # Sizes keep to their arm: drag along it.
        centre = np.array(handles(shape)[0].at)
        way = np.array(h.at) - centre
        to = np.array(h.at) + (way * 0.1 if way.any() else [3.0, -4.0])
        moved = dragged(shape, h.name, tuple(to))
        assert type(moved) is type(shape)
        again = {g.name: g.at for g in handles(moved)}[h.name]
        assert again == pytest.approx(tuple(to))


@pytest.mark.parametrize("shape", SHAPES[:5], ids=lambda s: s.kind)
def test_size_handles_lie_on_the_outline(shape):
    rim = shape.outline(0.01).polygon(0.001).exterior
    for h in handles(shape)[1:]:
        assert rim.distance(shapely.Point(h.at)) < 0.03
        assert handles(dragged(shape, h.name, h.at))[0].at == handles(shape)[0].at


def test_only_the_point_dragged_moves_and_the_centre_moves_all():
    blob = SHAPES[-1]
    bent = dragged(blob, "point 2", (145.0, 90.0))
    assert bent.points == (BLOB[0], (145.0, 90.0), *BLOB[2:])
    middle = handles(blob)[0].at
    moved = dragged(blob, "centre", (middle[0] + 5, middle[1]))
    assert np.array(moved.points) == pytest.approx(np.array(BLOB) + [5, 0])


def test_handles_that_cannot_be_are_refused():
    with pytest.raises(DesignError, match="handles are centre, diameter"):
        dragged(SHAPES[0], "width", (0, 0))
    with pytest.raises(DesignError, match="through the centre"):
        dragged(SHAPES[3], "width", (100.0, 150.0))
    smaller = dragged(SHAPES[2], "width", tuple(np.array([110, 150]) + 15 * np.array([0.98480775, 0.17364818])))
    assert smaller.corner_radius == pytest.approx(15.0)


# --- limits ---------------------------------------------------------------------------------------------------------


def test_a_drag_within_the_limits_gets_there(explorer):
    step = explorer.drag("width", (167.0, 150.0))
    assert step.stopped_by == ()
    assert step.reached == pytest.approx((167.0, 150.0))
    assert explorer.brace.pockets[0].shape.size == pytest.approx((114.0, 160.0))
    assert explorer.cabinet.brace("upper") == design().brace("upper")


def test_a_drag_beyond_a_limit_stops_at_it_and_says_which(explorer):
    step = explorer.drag("width", (400.0, 150.0))
    assert set(step.stopped_by) == {"web.shelf.pocket 1.left", "web.shelf.pocket 1.right"}
    # 176 mm between the walls, 30 mm of wood wanted on either side.
    assert step.reached[0] == pytest.approx(198 - 30, abs=0.6)
    assert explorer.margins()["web.shelf.pocket 1.right"] == pytest.approx(0.0, abs=0.6)
    assert min(explorer.margins().values()) >= -1e-6


def test_a_drag_slides_along_a_limit(explorer):
    step = explorer.drag("centre", (300.0, 160.0))
    assert "web.shelf.pocket 1.right" in step.stopped_by
    assert step.reached[0] == pytest.approx(198 - 30 - 55, abs=0.6)
    assert step.reached[1] == pytest.approx(160.0, abs=0.3)


def test_a_brace_keeps_clear_of_its_neighbour(explorer):
    low, high = explorer.travel()
    step = explorer.move(320.0)
    assert step.reached[0] == pytest.approx(330 - 22 - 40, abs=0.3)
    assert low <= step.reached[0] <= high
    assert step.stopped_by
    assert explorer.move(10.0).reached[0] == pytest.approx(22 + 40 + 11, abs=0.3)


def test_soft_limits_are_reported_and_do_not_stop():
    x = Explorer(design(), SIZE, count=4, limits=Limits(open_area_low_percent=20.0))
    step = x.drag("width", (135.0, 150.0))
    assert step.stopped_by == ()
    assert "open_area.shelf.least" in x.short()


def test_the_dashed_line_is_where_the_pocket_must_stay(explorer):
    room = shapely.Polygon(allowed(explorer))
    assert room.bounds == pytest.approx((52.0, 52.0, 168.0, 248.0))
    explorer.drag("width", (400.0, 150.0))
    cut = explorer.brace.pockets[0].outline().polygon()
    assert room.buffer(1e-3).contains(cut)
    partition = Explorer(box(braces=(shelf(pockets=()),)), SIZE, count=4)
    assert partition.handles() == ()
    assert allowed(partition) == []


# --- solving --------------------------------------------------------------------------------------------------------


def test_warm_modes_are_those_of_a_full_solution(explorer):
    explorer.drag("height", (110.0, 238.0))
    explorer.move(236.0)
    assert not explorer.state.afresh
    exact = solve(follow(explorer._anchor.model, explorer.cabinet), 6)
    assert explorer.state.modes.frequency_Hz == pytest.approx(exact.frequency_Hz, rel=TOLERANCE)


def test_a_change_too_large_to_follow_is_solved_afresh(explorer):
    explorer.move(80.0)
    explorer.drag("width", (130.0, 150.0))
    explorer.drag("height", (110.0, 175.0))
    fresh = Explorer(explorer.cabinet, SIZE, count=6, limits=WIDE).state.modes.frequency_Hz
    assert explorer.state.modes.frequency_Hz == pytest.approx(fresh, rel=0.02)


def test_release_takes_a_new_anchor_only_when_far(explorer):
    first = explorer._anchor
    explorer.drag("width", (165.2, 150.0))
    explorer.release()
    assert explorer._anchor is first
    explorer.move(190.0)
    explorer.release()
    assert explorer._anchor is not first
    assert explorer._anchor.model.cabinet == explorer.cabinet


# --- undo, pin, files -----------------------------------------------------------------------------------------------


def test_one_drag_is_one_step_back(explorer):
    start = explorer.cabinet
    assert not explorer.undo()
    for x in (166.0, 167.0, 168.0):
        explorer.drag("width", (x, 150.0))
    explorer.release()
    wide = explorer.cabinet
    explorer.drag("width", (160.0, 150.0))
    assert explorer.undo()
    assert explorer.cabinet == wide
    assert explorer.undo()
    assert explorer.cabinet == start
    assert not explorer.can_undo
    assert explorer.redo()
    assert explorer.cabinet == wide
    explorer.move(234.0)
    assert not explorer.can_redo
    assert not explorer.redo()


def test_a_pinned_state_is_compared_by_shape(explorer):
    explorer.pin()
    assert all(p.change_percent == pytest.approx(0, abs=1e-6) and p.mac > 0.999 for p in explorer.comparison())
    explorer.move(240.0)
    pairs = explorer.comparison()
    assert [p.frequency_Hz for p in pairs] == pytest.approx(explorer.state.modes.frequency_Hz)
    assert sorted(p.pinned_number for p in pairs) == list(range(1, 7))
    assert all(p.pinned_Hz == pytest.approx(explorer.pinned.modes.frequency_Hz[p.pinned_number - 1]) for p in pairs)
    assert pairs[0].mac > 0.8
    explorer.reset(explorer.pinned.cabinet)
    assert explorer.cabinet == explorer.pinned.cabinet


def test_a_saved_design_loads_back_and_is_cut(explorer, tmp_path):
    explorer.drag("centre", (112.0, 148.0))
    explorer.save(tmp_path / "new.toml")
    assert load(tmp_path / "new.toml") == explorer.cabinet
    files = explorer.export(tmp_path / "cut")
    assert "shelf.dxf" in {f.name for f in files}


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda x: x.drag("corner", (0, 0)), "handles are centre"),
        (lambda x: x.drag("width", (np.nan, 0)), "two numbers"),
        (lambda x: x.move(np.inf), "give a number"),
        (lambda x: x.pick("shelf", 3), "counted from 0"),
        (lambda x: x.pick("shlf"), "did you mean 'shelf'"),
        (lambda x: Explorer(box(), SIZE), "no brace"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(explorer, call, said):
    before = explorer.cabinet
    with pytest.raises(DesignError, match=said):
        call(explorer)
    assert explorer.cabinet == before


def test_no_driver_no_level(explorer):
    assert explorer.level() is None


# --- what the page is sent ------------------------------------------------------------------------------------------


def test_the_page_gets_what_it_draws(explorer):
    import json

    session = Session(explorer)
    session.do({"do": "drag", "handle": "width", "to": [168.0, 150.0], "serial": 7, "release": True})
    scene = json.loads(json.dumps(session.scene()))
    assert scene["serial"] == 7
    assert scene["handles"][1] == {"name": "width", "at": [pytest.approx(168.0, abs=0.2), 150.0]}
    assert [m[0] for m in scene["modes"]] == pytest.approx(explorer.state.modes.frequency_Hz)
    assert scene["can_undo"]
    assert "lowest mode" in session.said
    nodes, triangles, lines = scene["picture"]["counts"]
    data = session.picture()
    assert len(data) == 12 * nodes + 12 * triangles + 8 * lines
    assert nodes == sum(len(p.mesh.points) for p in explorer.state.model.parts.values())
    values = np.frombuffer(data, "<f4", nodes, 8 * nodes)
    assert np.abs(values).max() == pytest.approx(1.0)
    faces = np.frombuffer(data, "<u4", 3 * triangles, 12 * nodes)
    assert faces.max() == nodes - 1
    assert len(scene["picture"]["lively"]) == triangles
    assert len(set(scene["picture"]["colours"])) == 16


def test_the_page_can_ask_for_everything(explorer, tmp_path):
    session = Session(explorer)
    start = explorer.cabinet
    asked = [
        ({"do": "pin"}, "pinned"),
        ({"do": "move", "at": 236.0, "release": True}, "at 236.0"),
        ({"do": "undo"}, "undone"),
        ({"do": "redo"}, "done again"),
        ({"do": "redo"}, "nothing to redo"),
        ({"do": "mode", "mode": 3}, "mode 3"),
        ({"do": "pick", "brace": "upper", "pocket": 0}, "picked upper"),
        ({"do": "save", "path": str(tmp_path / "a.toml")}, "saved to"),
        ({"do": "export", "path": str(tmp_path / "cut")}, "files written"),
        ({"do": "save", "path": str(tmp_path / "no" / "a.toml")}, "cannot be written"),
        ({"do": "dance"}, "'dance'"),
        ({"do": "drag", "handle": "width"}, "not understood"),
        ({}, "not understood"),
    ]
    for message, said in asked:
        session.do(message)
        assert said in session.said, message
    assert load(tmp_path / "a.toml").brace("shelf").at == pytest.approx(236.0)
    scene = session.scene()
    assert scene["brace"] == "upper"
    assert scene["has_pin"]
    assert len(scene["pinned_cuts"]) == 1
    assert start.brace("shelf").at == 230.0


def test_the_widget_answers_a_message(kept):
    pytest.importorskip("anywidget", reason="the notebook extra is not installed")
    from bracewright.show.explorer_widget import explore

    page = explore(kept)
    assert page.scene["brace"] == "shelf"
    before = page.picture
    page._asked(page, {"do": "mode", "mode": 2, "serial": 1}, [])
    assert page.scene["mode"] == 2
    assert page.scene["serial"] == 1
    assert page.picture != before
    assert page.explorer is kept


def test_two_pockets_keep_wood_between_them():
    two = tuple(Pocket(shape=Circle(centre=(110, y), diameter=70)) for y in (95, 205))
    x = Explorer(box(braces=(shelf(pockets=two),)), SIZE, count=4, limits=WIDE)
    x.pick("shelf", 1)
    step = x.drag("centre", (110.0, 100.0))
    assert any(name.startswith("between.shelf") for name in step.stopped_by)
    assert step.reached[1] == pytest.approx(95 + 70 + 25, abs=0.5)
    assert replace(x.cabinet.braces[0], pockets=two) == shelf(pockets=two)
