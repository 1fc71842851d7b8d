"""Wishes of a design file: ties, choices, free-form pockets, limits of the whole, and what a search makes of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from cabinets import box, pocket, shelf

from bracewright.boards import Board
from bracewright.design import Driver, JointSpec, Opening, Pocket
from bracewright.design.cabinet import Supports
from bracewright.design.designfile import dumps, loads
from bracewright.design.mounted import Damping
from bracewright.design.pockets import Circle, Rectangle, Spline
from bracewright.design.tuning import LIMITS, Choice, Tie, Tuning
from bracewright.errors import DesignError
from bracewright.fem.near import Anchor
from bracewright.tune import Goal, Limits, Look, Space, search
from bracewright.tune.choices import options, thicker
from bracewright.tune.constraints import Rules, amounts
from bracewright.tune.pockets import check_free, free_form, with_free_pockets
from bracewright.tune.variables import known, with_own_wishes

COARSE = 70.0


def two_shelves(**tune):
    return box(
        height=700,
        braces=(shelf(240.0, name="low"), shelf(450.0, name="high")),
        tune=Tuning(**tune),
    )


def test_a_saved_wish_loads_back():
    cabinet = two_shelves(
        move=("*.at",),
        hold=("low.*",),
        free=("high.*",),
        points=7,
        goal=(("raise", 1.0), ("quiet", 0.5)),
        band_Hz=(100.0, 900.0),
        limits=(("web_wall", 25.0), ("mass_high_kg", 30.0)),
        ties=(Tie(leader="low.at", followers=("high.at",), total=700.0),),
        choices=(Choice(brace="low", planes=("x",), optional=True), Choice(board="b", thickness=(18.0, 25.0))),
        most_braces=1,
        robust=0.5,
    )
    assert loads(dumps(cabinet)) == cabinet
    assert loads(dumps(two_shelves())).tune == Tuning()


def test_the_limits_of_a_file_are_those_of_a_search():
    assert set(LIMITS) == set(Limits.__dataclass_fields__)
    assert Limits.of(two_shelves(limits=(("web_wall", 12.0),))).web_wall == 12.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mvoe = ['*']", "tune.mvoe.*did you mean 'move'"),
        ("goal = { rise = 1 }", "tune.goal.rise.*did you mean 'raise'"),
        ("goal = { raise = 0 }", "tune.goal.*all weights are 0"),
        ("limits = { web = 3 }", "tune.limits.web"),
        ("points = 3", "tune.points.*from 6 to 12"),
        ("band_Hz = [900, 100]", "tune.band_Hz"),
        ("ties = [{ leader = 'low.at', followers = ['low.at'] }]", r"tune.ties\[0\]"),
        ("choices = [{ brace = 'low' }]", r"tune.choices\[0\].planes"),
        ("choices = [{ brace = 'lwo', optional = true }]", r"tune.choices\[0\].brace.*did you mean 'low'"),
        ("choices = [{ board = 'c', thickness = [18] }]", r"tune.choices\[0\].board"),
        ("robust = -1", "tune.robust"),
    ],
)
def test_a_wrong_wish_is_refused_by_name(text, words):
    with pytest.raises(DesignError, match=words):
        loads(dumps(two_shelves()) + "\n[tune]\n" + text + "\n")


def test_tied_variables_move_as_one():
    mirrored = two_shelves(ties=(Tie(leader="low.at", followers=("high.at",), total=700.0),))
    space = Space.of(mirrored)
    assert "high.at" not in space.names
    x = space.start()
    x[space.names.index("low.at")] = 255.0
    moved = space.apply(x)
    assert (moved.brace("low").at, moved.brace("high").at) == (255.0, 445.0)
    equal = two_shelves(ties=(Tie(leader="low.pocket 1.width", followers=("high.pocket 1.width",)),))
    space = Space.of(equal)
    x = space.start()
    x[space.names.index("low.pocket 1.width")] = 101.0
    assert [b.pockets[0].shape.size[0] for b in space.apply(x).braces] == [101.0, 101.0]
    with pytest.raises(DesignError, match=r"no variable.*did you mean 'high.at'"):
        Space.of(two_shelves(ties=(Tie(leader="low.at", followers=("hihg.at",)),)))
    with pytest.raises(DesignError, match="change the total"):
        Space.of(two_shelves(ties=(Tie(leader="low.at", followers=("high.at",), total=5000.0),)))


def test_a_start_that_breaks_its_limits_only_by_its_ties_is_mended():
    one = box(braces=(shelf(180.0, pockets=(pocket((110, 150), (90, 120)),)),))
    tie = Tie(leader="shelf.pocket 1.width", followers=("shelf.pocket 1.height",))
    assert not Rules.of(one).broken(one)
    found = search(replace(one, tune=Tuning(ties=(tie,))), size=100, evaluations=4)
    assert found.message.startswith("the start with its ties broke open_area.shelf.least by")
    assert len(set(found.cabinet.brace("shelf").pockets[0].shape.size)) == 1
    assert not Rules.of(one).broken(found.cabinet)


def test_the_file_says_what_moves():
    assert set(Space.of(two_shelves(move=("*.at",))).names) == {"low.at", "high.at"}
    assert set(Space.of(two_shelves(move=("*.at",), hold=("low.*",))).names) == {"high.at"}
    # What is moved only when asked for.
    assert "low.pocket 1.corner" in Space.of(two_shelves(move=("low.pocket 1.*",))).names
    assert "low.pocket 1.corner" not in Space.of(two_shelves()).names


def test_a_wish_for_what_is_not_there_is_refused():
    """A misspelt `hold` would otherwise let move what was to stay."""
    with pytest.raises(DesignError, match=r"tune\.hold: 'lwo\.at' matches no variable; did you mean 'low\.at'"):
        Space.of(two_shelves(hold=("lwo.at",)))
    with pytest.raises(DesignError, match=r"tune\.move: 'lwo\.at' matches no variable"):
        search(two_shelves(move=("lwo.at",), most_braces=2), size=COARSE, evaluations=2)
    with pytest.raises(DesignError, match=r"tune\.hold: 'lwo\.at' matches no variable"):
        search(two_shelves(hold=("lwo.at",), most_braces=2), size=COARSE, evaluations=2)
    with pytest.raises(DesignError, match=r"tune\.free: 'mid\.\*' is no pocket"):
        search(two_shelves(free=("mid.*",)), size=COARSE, evaluations=2)
    with pytest.raises(DesignError, match=r"move: got \[\]"):
        loads(dumps(two_shelves()) + "\n[tune]\nmove = []\n")


def test_wishes_for_a_brace_do_not_keep_it_from_being_left_out():
    """A pattern of the brace left out matched nothing, so that this choice was never looked at."""
    cabinet = two_shelves(
        move=("low.at", "high.at"),
        hold=("high.pocket*",),
        free=("high.*",),
        ties=(Tie(leader="low.at", followers=("high.at",), total=690.0),),
        choices=(Choice(brace="high", optional=True),),
        goal=(("raise", 1.0),),
    )
    bare = options(cabinet)[0]["no high"]
    assert with_own_wishes(bare).tune == replace(bare.tune, move=("low.at",), hold=(), ties=())
    assert Space.of(with_own_wishes(bare)).names == ("low.at",)
    nothing = with_own_wishes(replace(bare, tune=replace(bare.tune, move=("high.at",))))
    assert Space.of(nothing).names == ()
    found = search(cabinet, size=COARSE, evaluations=8)
    assert "could not be searched" not in found.message
    assert len({t.score for t in found.history}) > 2


def test_a_brace_with_an_axis_can_be_turned():
    leaning = replace(shelf(240.0, name="low"), tilt_deg=4.0, tilt_about="x")
    space = Space.of(box(height=700, braces=(leaning,)))
    x = space.start()
    assert x[space.names.index("low.tilt")] == 4.0
    x[space.names.index("low.tilt")] = 6.0
    assert space.apply(x).brace("low").tilt_deg == 6.0


def test_a_pocket_set_free_keeps_its_outline_and_moves_by_its_radii():
    rectangle = Rectangle(centre=(110, 150), size=(110, 160), corner_radius=20)
    free = free_form(rectangle, 12)
    assert len(free.points) == 12
    a, b = rectangle.outline().polygon(0.01), free.outline().polygon(0.01)
    assert a.symmetric_difference(b).area < 0.06 * a.area
    for x, y in free.points:
        assert a.exterior.distance(shapely.Point(x, y)) < 1e-6
    cabinet = with_free_pockets(two_shelves(free=("low.*",), points=8))
    assert isinstance(cabinet.brace("low").pockets[0].shape, Spline)
    assert isinstance(cabinet.brace("high").pockets[0].shape, Rectangle)
    space = Space.of(cabinet)
    radii = [n for n in space.names if n.startswith("low.pocket 1.radius")]
    assert len(radii) == 8
    x = space.start()
    x[space.names.index(radii[0])] += 5.0
    before, after = (np.array(c.brace("low").pockets[0].shape.points) for c in (cabinet, space.apply(x)))
    np.testing.assert_allclose(after[0] - before[0], [5.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(after[1:], before[1:], atol=1e-9)
    with pytest.raises(DesignError, match=r"no pocket; known are low\.pocket 1, high\.pocket 1"):
        check_free(two_shelves(free=("mid.*",)))


def test_every_combination_of_choices_that_can_be_built():
    cabinet = two_shelves(
        choices=(Choice(brace="high", planes=("x",), optional=True), Choice(board="b", thickness=(18.0,)))
    )
    found, refused = options(cabinet)
    assert not refused
    assert next(iter(found)) == "high across z, b 22 mm"
    assert set(found) == {
        f"{first}, b {t} mm" for first in ("high across z", "high across x", "no high") for t in (22, 18)
    }
    across = found["high across x, b 22 mm"].brace("high")
    assert (across.normal, across.at) == ("x", 110.0)
    assert len(across.pockets) == 1
    assert [b.name for b in found["no high, b 18 mm"].braces] == ["low"]
    assert found["no high, b 18 mm"].board("b").thickness == 18
    few, _ = options(replace(cabinet, tune=replace(cabinet.tune, most_braces=1)))
    assert all(len(c.braces) == 1 for c in few.values())
    with pytest.raises(DesignError, match="no combination"):
        options(replace(cabinet, tune=replace(cabinet.tune, most_braces=0)))


def test_a_brace_without_room_stays_and_does_not_stop_the_search():
    """A wall's spacing on both sides left it none: naming its variable refused the whole design."""
    keel = replace(shelf(60.0, name="keel", pockets=()), normal="x")
    cabinet = box(width=120, braces=(shelf(200.0, name="low", pockets=()), keel))
    assert known(cabinet) == ["low.at", "keel.at"]
    assert Space.of(cabinet, include=["*"]).names == ("low.at",)


def test_a_steep_brace_starts_within_its_bounds():
    steep = replace(shelf(240.0, name="low"), tilt_deg=50.0, tilt_about="x", pockets=())
    space = Space.of(box(height=900, braces=(steep,)), include=["*"])
    (tilt,) = (v for v in space.variables if v.name == "low.tilt")
    assert (tilt.low, tilt.high) == (35.0, 50.0)


def test_on_feet_a_search_looks_at_the_walls():
    """The bounce on the feet came first, so that a search raised it and looked at six modes of the walls fewer."""
    free = driven()
    standing = replace(free, supports=Supports(kind="feet"))
    goal = Goal(modes=8)
    looks = [Look.at(goal, c, size=COARSE) for c in (free, standing)]
    records = [look.record(c) for look, c in zip(looks, (free, standing), strict=True)]
    a, b = (np.array(r["frequency_Hz"]) for r in records)
    assert len(a) == len(b) == 8
    assert b == pytest.approx(a, rel=0.02)
    anchors = [Anchor.of(c, look.count, size=COARSE) for look, c in zip(looks, (free, standing), strict=True)]
    slopes = []
    for look, anchor, record in zip(looks, anchors, records, strict=True):
        space = Space.of(anchor.model.cabinet)
        slopes.append(look.slope(space, space.start(), anchor, look.numbers(record)))
    assert slopes[1] == pytest.approx(slopes[0], abs=0.05 * np.abs(slopes[0]).max())


def test_what_was_said_of_a_brace_goes_with_it():
    """A joint, a sheet or a rear contact of a brace kept every choice without it from being looked at, silently."""
    high = replace(shelf(240.0, name="high"), normal="y", at=160.0, pockets=())
    sheet = Damping(part="high", thickness=3.0, E_GPa=0.05, density_kg_m3=1500, loss_factor=0.4)
    c = replace(
        driven(),
        braces=(shelf(100.0, name="low"), high),
        joint_overrides=(("high-left", JointSpec(kind="dry")), ("low-left", JointSpec(kind="dry"))),
        damping=(sheet, replace(sheet, part="back")),
    )
    c = replace(c, drivers=tuple(replace(d, rear_brace="high", rear_N_mm=50.0) for d in c.drivers))
    c = replace(c, tune=Tuning(choices=(Choice(brace="high", planes=("x",), optional=True),)))
    found, refused = options(c)
    bare = found["no high"]
    assert [k for k, _ in bare.joint_overrides] == ["low-left"]
    assert [d.part for d in bare.damping] == ["back"]
    assert {d.rear_brace for d in bare.drivers} == {""}
    # Turned, it stands no more across the driver's axis, which is said.
    assert "does not stand across" in str(refused["high across x"])
    loose = replace(c, drivers=tuple(replace(d, rear_brace="", rear_N_mm=0.0) for d in c.drivers))
    across = options(loose)[0]["high across x"]
    assert [k for k, _ in across.joint_overrides] == ["low-left"]


def test_a_thicker_board_keeps_its_make():
    ply = Board.of("birch_plywood", 18)
    assert thicker(ply, 12).layers == Board.of("birch_plywood", 12).layers
    own = Board.isotropic(18, 3.0, 0.25, 700)
    assert thicker(own, 25).thickness == pytest.approx(25)


def driven(**tune):
    return box(
        braces=(shelf(180.0),),
        openings=(Opening(name="woofer", panel="front", shape=Circle(centre=(110, 300), diameter=120)),),
        drivers=(Driver(opening="woofer", mass_kg=1.9, moving_mass_g=14, piston_area_cm2=95),),
        tune=Tuning(**tune),
    )


@pytest.mark.parametrize(
    ("limit", "rule", "inside"),
    [
        ({"volume_low_l": 1.0}, "volume.least", True),
        ({"volume_low_l": 40.0}, "volume.least", False),
        ({"volume_high_l": 40.0}, "volume.most", True),
        ({"volume_high_l": 4.0}, "volume.most", False),
        ({"mass_high_kg": 60.0}, "mass.most", True),
        ({"mass_high_kg": 2.0}, "mass.most", False),
        ({"series_area_low_cm2": 50.0}, "series.z", True),
        ({"series_area_low_cm2": 900.0}, "series.z", False),
    ],
)
def test_limits_of_the_whole_cabinet(limit, rule, inside):
    cabinet = driven()
    margins = Rules.of(cabinet, Limits(**limit)).margins(cabinet)
    assert (margins[rule] >= 0) is inside


def test_pockets_over_each_other_count_as_one_passage():
    one = amounts(box(height=700, braces=(shelf(240.0),)), ())["series.z"]
    two = amounts(box(height=700, braces=(shelf(240.0), shelf(450.0, name="high"))), ())["series.z"]
    assert two == pytest.approx(one / np.sqrt(2))


def test_a_groove_leaves_wood():
    housed = replace(driven(), brace_joint=JointSpec(form="housed", depth=8.0))
    found = amounts(housed, ())
    assert found["groove.shelf.left"] == 14.0
    rules = Rules.of(housed, Limits(groove_left=10.0))
    assert rules.margins(housed)["groove.shelf.left"] == 4.0
    deeper = replace(housed, brace_joint=JointSpec(form="housed", depth=13.0))
    assert rules.broken(deeper)["groove.shelf.left"] == 1.0


def test_a_search_follows_the_file_and_chooses():
    cabinet = driven(
        move=("*.at",),
        goal=(("raise", 1.0),),
        choices=(Choice(brace="shelf", planes=("x",)),),
    )
    found = search(cabinet, size=COARSE, evaluations=10)
    assert "chosen: shelf across" in found.message
    assert found.evaluations <= 10
    assert found.after["score"] > 0
    assert not Rules.of(found.cabinet).broken(found.cabinet)
    # Judged beside the design as it came.
    alone = search(replace(cabinet, tune=replace(cabinet.tune, choices=())), size=COARSE, evaluations=2)
    assert found.before["raise_Hz"] == pytest.approx(alone.before["raise_Hz"], rel=1e-9)


def test_conflicting_wishes_are_told_with_how_much():
    with pytest.raises(DesignError, match=r"volume\.least by .* l"):
        search(driven(limits=(("volume_low_l", 60.0),)), size=COARSE, evaluations=4)


def test_a_free_pocket_is_searched():
    start = driven(move=("shelf.pocket 1.radius*",), free=("shelf.*",), goal=(("raise", 1.0),))
    found = search(start, size=COARSE, evaluations=6)
    shape = found.cabinet.brace("shelf").pockets[0].shape
    assert isinstance(shape, Spline)
    assert found.after["raise_Hz"] >= found.before["raise_Hz"]
    assert Pocket(shape=shape).outline().area > 0
