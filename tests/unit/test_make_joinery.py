"""Joints that cannot be cut are refused; corners, templates, order of assembly, build sheet, design file."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
import shapely

from bracewright.design import Brace, Cabinet, JointSpec, Opening, Pocket, dumps, from_table, loads, to_table
from bracewright.design.account import account
from bracewright.design.joinery import Joinery, Rebate, Stock
from bracewright.design.pockets import Circle, Rectangle, Superellipse
from bracewright.errors import DesignError
from bracewright.examples import example
from bracewright.geometry import Path
from bracewright.make import (
    assembly,
    check_cutter,
    cut_list,
    drawings,
    export,
    joints,
    nest,
    tap_points,
    templates,
    unreached,
)
from bracewright.make.assembly import _bodies, _meets
from bracewright.make.booklet import booklet_pdf, to_html
from bracewright.make.buildsheet import Figure, Heading, Table, Text, blocks, design_mark
from bracewright.make.details import joint_sketch, lap_sketch, numbered, part_sketch

BOX = replace(example("stand-mount"), joint=JointSpec(), joint_overrides=())


def box(*braces: Brace, corner: str = "butt", brace: str = "butt", edges=None, openings=(), **joinery) -> Cabinet:
    return replace(
        BOX,
        openings=tuple(openings),
        drivers=(),
        braces=braces,
        joint=JointSpec(form=corner),
        brace_joint=JointSpec(form=brace),
        joint_overrides=tuple(
            (k, v if isinstance(v, JointSpec) else JointSpec(form=v)) for k, v in (edges or {}).items()
        ),
        joinery=Joinery(**joinery),
    )


def seated(rebate: Rebate, *more: Opening, **options) -> Cabinet:
    """A box with a woofer that has a rebate."""
    woofer = Opening(name="woofer", panel="front", shape=Circle(centre=(110, 140), diameter=122), rebate=rebate)
    return box(openings=(woofer, *more), **options)


def shelf(name: str, at: float, *holes: Pocket, **more) -> Brace:
    return Brace(name=name, normal="z", at=at, board="brace", pockets=holes, **more)


def upright(name: str, at: float, *holes: Pocket, **more) -> Brace:
    return Brace(name=name, normal="y", at=at, board="brace", pockets=holes, **more)


def hole(x: float, y: float, w: float, h: float, name: str = "window", r: float = 10.0) -> Pocket:
    return Pocket(name=name, shape=Rectangle(centre=(x, y), size=(w, h), corner_radius=r))


# --- refusals -------------------------------------------------------------------------------------------------------

REFUSED = {
    "a tongue too thick for its board": (
        lambda: box(corner="tongue", edges={"front-left": JointSpec(form="tongue", tongue=13)}),
        "joints.edges.front-left.tongue",
        "shoulders of 2.5.*at most 12",
    ),
    "a tongue that leaves no wall outside": (
        lambda: box(edges={"front-left": JointSpec(form="tongue", tongue=11.95)}),
        "joints.edges.front-left.tongue",
        "leaves 2.95 of 'front' outside.*at most 11.8",
    ),
    "a groove too deep": (
        lambda: box(edges={"left-bottom": JointSpec(form="tongue", depth=14.3)}, glue_gap=1.0),
        "joints.edges.left-bottom.depth",
        "15.3 deep .glue gap included. leaves 2.7 of 'left'",
    ),
    "a rebate too deep": (
        lambda: box(
            edges={
                f"{a}-{b}": JointSpec(form="rebate", depth=9.5) for a in ("left", "right") for b in ("bottom", "top")
            },
            stocks=(Stock(board="carcass", thickness=12.0),),
        ),
        "joints.edges.left-bottom.depth",
        "rebate 9.5 deep .* leaves 2.5",
    ),
    "a groove narrower than its cutter": (
        lambda: box(edges={"front-left": JointSpec(form="tongue", tongue=4)}, groove_cutter=6.0),
        "joints.edges.front-left",
        "4.15 wide is narrower than the cutter of 6",
    ),
    "a groove narrower than any cutter": (
        lambda: box(edges={"front-left": JointSpec(form="tongue", tongue=1.5)}),
        "joints.edges.front-left",
        "1.65 wide .* cutter of 2",
    ),
    "grooves that meet": (
        lambda: box(
            shelf("low", 200),
            shelf("high", 219.5),
            upright("wall", 166, within=(("z", ("bottom", "low")),)),
            brace="housed",
        ),
        "joints.edges.front-low",
        "leave 1.35 of wood between them",
    ),
    "grooves from both faces": (
        lambda: box(
            shelf("shelf", 200),
            upright("low", 166, within=(("z", ("bottom", "shelf")),)),
            upright("high", 166, within=(("z", ("shelf", "top")),)),
            brace="housed",
            edges={"low-shelf": JointSpec(form="housed", depth=8), "high-shelf": JointSpec(form="housed", depth=8)},
        ),
        "joints.edges.shelf-low",
        "both faces of 'shelf', leave 1 of wood",
    ),
    "a pocket beside a groove": (
        lambda: box(
            shelf("shelf", 200, hole(110, 200, 100, 44)),
            upright("wall", 166, within=(("z", ("bottom", "shelf")),)),
            brace="housed",
        ),
        "joints.braces",
        "'window' of 'shelf' lies 2.93 from the cut",
    ),
    "a pocket the groove would cut into": (
        lambda: box(
            shelf("shelf", 200, hole(110, 200, 100, 60)),
            upright("wall", 166, within=(("z", ("bottom", "shelf")),)),
            brace="housed",
        ),
        "joints.braces",
        "'window' of 'shelf' lies 0 from the cut where 'wall' and 'shelf' meet; move it to 3",
    ),
    "an opening the groove would cut into": (
        lambda: box(
            shelf("shelf", 200),
            brace="housed",
            openings=[Opening(name="woofer", panel="front", shape=Circle(centre=(110, 140), diameter=122))],
        ),
        "joints.braces",
        "'woofer' of 'front' lies 0 from the cut",
    ),
    "a pocket in the way of a lap": (
        lambda: box(
            shelf("shelf", 200, hole(130, 160, 40, 100)), Brace(name="spine", normal="x", at=112, board="brace")
        ),
        "braces.shelf.pockets",
        "'window' of 'shelf' lies 0 from the cut where 'shelf' and 'spine' meet",
    ),
    "no wood for a joint of its own": (
        lambda: box(
            shelf("shelf", 200, hole(110, 162, 150, 230)),
            upright("wall", 166, within=(("z", ("bottom", "shelf")),)),
            edges={"wall-shelf": "housed"},
        ),
        "joints.edges.wall-shelf.form",
        "leave no wood for a groove",
    ),
    "a mitre on a brace": (
        lambda: box(shelf("shelf", 200), edges={"shelf-left": "mitre"}),
        "joints.edges.shelf-left.form",
        "'mitre', but a brace stands on a face in a butt, housed, tongue",
    ),
    "a rebate as the braces' default": (
        lambda: box(shelf("shelf", 200), brace="rebate"),
        "joints.braces.form",
        "a brace stands",
    ),
    "a housing at a corner": (
        lambda: box(edges={"front-left": "housed"}),
        "joints.edges.front-left.form",
        "two panels meet in a butt, mitre, rebate, tongue",
    ),
    "a groove for a leaning edge": (
        lambda: box(shelf("shelf", 200, tilt_deg=8, tilt_about="y"), edges={"shelf-left": "housed"}),
        "joints.edges.shelf-left.form",
        "stands askew on 'left'",
    ),
    "one mitre alone": (
        lambda: box(edges={"front-bottom": "mitre"}),
        "joints.edges.front-bottom.form",
        "ends at 'left' in an open corner; give bottom-left and front-left",
    ),
    "one rebate alone": (
        lambda: box(edges={"front-bottom": "rebate"}),
        "joints.edges.front-bottom.form",
        "the rebate of 'bottom' and 'front' ends at 'left'",
    ),
    "a driver's rebate as deep as the board": (
        lambda: seated(Rebate(depth=19.5, diameter=150)),
        "openings.woofer.rebate.depth",
        "got 19.5, which leaves 2.5 of 'front', a board 22 thick; leave 3",
    ),
    "a driver's rebate too deep for the board as measured": (
        lambda: seated(Rebate(depth=9, diameter=150), stocks=(Stock(board="baffle", thickness=11.5),)),
        "openings.woofer.rebate.depth",
        "leaves 2.5 of 'front', a board 11.5 thick",
    ),
    "a driver's rebate smaller than its opening": (
        lambda: seated(Rebate(depth=5, diameter=120)),
        "rebate.diameter",
        "got 120, and the opening reaches 1 beyond it; make it more than 122",
    ),
    "a driver's rebate at the edge": (
        lambda: seated(Rebate(depth=5, diameter=216)),
        "openings.woofer.rebate",
        "lies 2 from the edge of 'front'; leave 3",
    ),
    "a driver's rebate over a groove": (
        lambda: seated(Rebate(depth=13, diameter=205), corner="tongue"),
        "openings.woofer.rebate",
        "the rebate for 'woofer' and the groove for 'left', cut from both faces of 'front', leave 2.5 of wood",
    ),
    "a driver's rebate into another opening": (
        lambda: seated(
            Rebate(depth=5, diameter=150),
            Opening(name="tweeter", panel="front", shape=Circle(centre=(110, 250), diameter=68)),
        ),
        "openings.woofer.rebate",
        "within 2 of the opening 'tweeter'",
    ),
    "two drivers' rebates that meet": (
        lambda: seated(
            Rebate(depth=5, diameter=150),
            Opening(
                name="tweeter",
                panel="front",
                shape=Circle(centre=(110, 265), diameter=70),
                rebate=Rebate(depth=4, diameter=98.6),
            ),
        ),
        "openings.woofer.rebate",
        "the rebate for 'woofer' and the rebate for 'tweeter' in 'front' leave 0.70",
    ),
    "rebates of two depths": (
        lambda: box(corner="rebate", edges={"front-left": JointSpec(form="rebate", depth=9)}),
        "joints.edges.front-left.depth",
        "are 9 and 7.3 deep",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_the_reason(case: str):
    build, key, says = REFUSED[case]
    with pytest.raises(DesignError, match=says) as e:
        drawings(build())
    assert e.value.key == key
    assert len(e.value.message) < 300


def test_a_lap_that_cannot_be_pushed_together_is_refused():
    """A plank between two boards passes through a wall, and the wall goes on past both its ends."""
    spars = [Brace(name=f"spar {x}", normal="x", at=x, board="brace") for x in (70, 150)]
    plank = shelf("plank", 200, within=(("x", ("spar 70", "spar 150")),))
    with pytest.raises(DesignError, match=r"cannot be pushed into each other.*`within`") as e:
        drawings(box(upright("wall", 166), *spars, plank))
    assert e.value.key == "braces.plank.within"


def test_slots_that_cut_a_brace_in_two_are_refused():
    """Two slots that meet cut off the corner between them."""
    crossed = box(shelf("shelf", 200), upright("wall", 150), Brace(name="spine", normal="x", at=130, board="brace"))
    with pytest.raises(DesignError, match="slots for wall, spine cut it into 2 pieces") as e:
        drawings(crossed)
    assert e.value.key == "braces.shelf.pockets"


def test_what_the_default_cannot_do_becomes_a_butt_and_says_so():
    found = joints(replace(box(shelf("shelf", 200)), joint=JointSpec(form="mitre"), brace_joint=None))
    tees = [j for j in found if j.kind == "tee"]
    assert {j.form for j in tees} == {"butt"}
    assert all("default is 'mitre'" in j.note for j in tees)
    leaning = joints(box(shelf("shelf", 200, tilt_deg=8, tilt_about="y"), brace="housed"))
    assert {(j.b, j.form) for j in leaning if j.kind == "tee"} == {
        ("left", "butt"),
        ("right", "butt"),
        ("front", "housed"),
        ("back", "housed"),
    }


def test_a_groove_stops_on_both_sides_of_a_window():
    window = hole(110, 162, 100, 230)
    wall = upright("wall", 166, within=(("z", ("bottom", "shelf")),))
    found = {j.title: j for j in joints(box(shelf("shelf", 200, window), wall, brace="housed"))}
    j = found["wall into shelf"]
    # The line runs from 18 to 202 along x, or back; the window from 60 to 160, with 3 of wood at each end.
    (a0, a1), (b0, b1) = j.grooves
    assert (a0, a1, b0, b1) == pytest.approx((4, 39, 145, 180))
    assert j.tongues == (pytest.approx((10, 33)), pytest.approx((151, 174)))


# --- the cutter -----------------------------------------------------------------------------------------------------


def test_wood_in_corners_by_hand():
    """In a square corner r^2 (1 - pi/4) stays; in one of 60 degrees r^2 (tan 60 - pi/3), the turn being 120."""
    sharp = Pocket(name="sharp", shape=Rectangle(centre=(110, 160), size=(80, 60)))
    parts = drawings(box(shelf("shelf", 200, sharp)))
    for diameter in (4.0, 6.0, 12.0):
        corners = unreached(parts, diameter)
        assert len(corners) == 4
        r = diameter / 2
        for c in corners:
            assert c.area == pytest.approx(r**2 * (1 - math.pi / 4), rel=0.01)
            assert c.volume == pytest.approx(c.area * 18)
            assert (c.part, c.kind, c.name) == ("shelf", "pocket", "sharp")
        for x in (70, 150):
            for y in (130, 190):
                assert min(math.dist((c.at[0] + 18, c.at[1] + 22), (x, y)) for c in corners) < r / 2
    from bracewright.design.pockets import Polygon

    three = Polygon(points=((60, 120), (160, 120), (110, 120 + 50 * math.sqrt(3))))
    corners = unreached(drawings(box(shelf("shelf", 200, Pocket(shape=three)))), 6.0)
    assert [c.area for c in corners] == pytest.approx([9 * (math.sqrt(3) - math.pi / 3)] * 3, rel=0.01)


def test_a_rounded_pocket_is_reached_all_over():
    parts = drawings(box(shelf("shelf", 200, hole(110, 160, 80, 60, r=3.0))))
    assert unreached(parts, 6.0) == ()
    assert len(unreached(parts, 6.5)) == 4


def test_feet_of_tongues_are_told_and_do_not_matter():
    parts = drawings(box(corner="tongue"))
    corners = unreached(parts, 6.0)
    assert {c.kind for c in corners} == {"outline"}
    assert len(corners) == 4 * 2 + 8 * 2  # two sides with two tongues each, two lids with four: two feet each
    by_name = {p.name: p for p in parts}
    for j in joints(box(corner="tongue")):
        for (lo, hi), (g0, g1) in zip(j.tongues, j.grooves, strict=True):
            # Beyond the tongue the groove stays straight for the cutter's radius.
            assert lo - g0 - j.rounding >= 3 - 1e-9
            assert g1 - hi - j.rounding >= 3 - 1e-9
    assert by_name["front"].operations


@pytest.mark.parametrize(
    ("shape", "says"),
    [
        (
            Rectangle(centre=(110, 160), size=(80, 60), corner_radius=2.5),
            "inside radius of 2.5 is smaller .* 3; .* of 5 or",
        ),
        (Superellipse(centre=(110, 160), size=(80, 60), exponent=1.3), "smaller than that of the cutter"),
        (Circle(centre=(110, 160), diameter=5.9), "does not fit"),
    ],
)
def test_a_cutter_larger_than_an_inside_radius_is_refused(shape, says: str, tmp_path):
    cabinet = box(shelf("shelf", 200, Pocket(name="window", shape=shape)))
    with pytest.raises(DesignError, match=says) as e:
        check_cutter(drawings(cabinet), cabinet.joinery)
    assert e.value.key == "braces.shelf.pockets.window"
    with pytest.raises(DesignError):
        export(cabinet, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    check_cutter(drawings(cabinet), Joinery(cutter=0.5))


def test_a_template_leads_the_bush():
    cabinet = box(shelf("shelf", 200, hole(110, 160, 80, 60)), guide_bush=20.0, cutter=8.0)
    part = next(p for p in drawings(cabinet) if p.name == "shelf")
    (t,) = templates(part, cabinet.joinery)
    hole_, made = t.operations[1], part.operations[1]
    assert (hole_.kind, hole_.depth, t.thickness, t.board) == ("opening", 9.0, 9.0, "template")
    # 10 - 4 more all round, with true arcs of 10 + 6.
    x0, y0, x1, y1 = made.path.bounds
    assert hole_.path.bounds == pytest.approx((x0 - 6, y0 - 6, x1 + 6, y1 + 6))
    assert {round(a.radius, 9) for a in hole_.path.arcs()} == {16.0}
    # The middle of the bush, rolled inside the template, is the middle of the cutter inside the finished pocket.
    bush = hole_.path.polygon(1e-3).buffer(-10, quad_segs=64)
    cutter = made.path.polygon(1e-3).buffer(-4, quad_segs=64)
    assert bush.symmetric_difference(cutter).area < 0.05
    assert t.operations[-1].path == part.outline
    assert templates(next(p for p in drawings(cabinet) if p.name == "left"), cabinet.joinery) == ()


# --- drivers' rebates -----------------------------------------------------------------------------------------------


def test_a_rebate_is_cut_from_the_outer_face_to_its_depth():
    back = Opening(
        name="plate",
        panel="back",
        shape=Rectangle(centre=(110, 100), size=(90, 60), corner_radius=5),
        rebate=Rebate(depth=3, offset=12),
    )
    cabinet = seated(Rebate(depth=5.5, diameter=150), back, corner="tongue", cutter=6)
    parts = {p.name: p for p in drawings(cabinet)}
    plain = {p.name: p for p in drawings(replace(cabinet, openings=tuple(_plain(o) for o in cabinet.openings)))}
    front, rear = (next(o for o in parts[n].operations if o.kind == "rebate") for n in ("front", "back"))
    assert (front.side, front.depth, front.layer, front.name) == ("near", 5.5, "REBATE_5_5MM_DEEP_NEAR_FACE", "woofer")
    assert (rear.side, rear.depth, rear.layer, rear.name) == ("far", 3, "REBATE_3MM_DEEP_FAR_FACE", "plate")
    assert {round(a.radius, 9) for a in front.path.arcs()} == {75}
    assert all(a.centre == pytest.approx((110, 140)) for a in front.path.arcs())
    assert sorted(a.radius for a in rear.path.arcs()) == pytest.approx([17] * 4)
    ring = math.pi / 4 * (150**2 - 122**2) * 5.5
    assert plain["front"].volume - parts["front"].volume == pytest.approx(ring, rel=1e-4)
    # The account takes the same wood out, exactly, and moves the centre of mass inwards.
    with_, without = (account(c).parts[0] for c in (cabinet, replace(cabinet, openings=(_plain(cabinet.openings[0]),))))
    density = cabinet.part_board("front").density_kg_m3 / 1e9
    assert without.mass_kg - with_.mass_kg == pytest.approx(ring * density, rel=1e-9)
    moment = without.mass_kg * without.centre[1] - with_.mass_kg * with_.centre[1]
    assert moment == pytest.approx(ring * density * 5.5 / 2, rel=1e-9)


def _plain(o: Opening) -> Opening:
    return replace(o, rebate=None)


def test_a_rebate_gets_a_template_of_its_own():
    cabinet = seated(Rebate(depth=5.5, diameter=150), cutter=6, guide_bush=17)
    front = next(p for p in drawings(cabinet) if p.name == "front")
    hole_, ring = templates(front, cabinet.joinery)
    assert (hole_.name, ring.name) == ("template front", "template front rebates")
    assert [o.path.bounds[2] - o.path.bounds[0] for o in (hole_.operations[1], ring.operations[1])] == [133, 161]
    assert "woofer: 5.5 deep" in ring.notes


def test_an_opening_may_be_called_as_a_panel():
    """The rebate for the panel is none for a driver: it has no template, and its number stands on it."""
    opening = Opening(name="left", panel="front", shape=Circle(centre=(110, 140), diameter=100))
    cabinet = box(openings=(replace(opening, rebate=Rebate(depth=4, diameter=120)),), corner="rebate")
    front = next(p for p in drawings(cabinet) if p.name == "front")
    seat, joint = (o for o in front.operations if (o.kind, o.name) == ("rebate", "left"))
    assert (seat.depth, front.seats) == (4, (seat,))
    ring = templates(front, cabinet.joinery)[1]
    assert [o.kind for o in ring.operations] == ["outline", "opening", "reference"]
    assert not any("turned over" in note for note in ring.notes)
    x0, _, x1, _ = joint.path.bounds
    assert next(c.at[0] for c in numbered(front) if c.row[1:4] == ("rebate", "left", "far face")) == (x0 + x1) / 2


def test_a_rebate_too_tight_for_the_cutter_is_refused_by_its_place_in_the_file():
    opening = Opening(name="woofer", panel="front", shape=Rectangle(centre=(110, 140), size=(100, 100)))
    cabinet = box(openings=(replace(opening, rebate=Rebate(depth=4, offset=2)),))
    with pytest.raises(DesignError, match="inside radius of 2 is smaller") as e:
        check_cutter(drawings(cabinet), cabinet.joinery)
    assert e.value.key == "openings.woofer.rebate"


def test_the_file_keeps_rebates():
    cabinet = seated(Rebate(depth=5.5, diameter=150))
    assert "rebate = { depth = 5.5, diameter = 150 }" in dumps(cabinet)
    assert loads(dumps(cabinet)) == cabinet == from_table(to_table(cabinet))
    import jsonschema

    from bracewright.design import schema

    jsonschema.validate(to_table(cabinet), schema())


@pytest.mark.parametrize(
    ("value", "key", "says"),
    [
        ("{ depth = 5 }", "rebate.diameter", "either its diameter or its offset"),
        ("{ depth = 5, diameter = 150, offset = 3 }", "rebate.diameter", "either"),
        ("{ diameter = 150 }", "rebate.depth", "missing"),
        ("{ depth = 5, diametre = 150 }", "rebate.diametre", "did you mean 'diameter'"),
        ("{ depth = 5, diameter = 100 }", "rebate.diameter", "reaches 11 beyond"),
        ("5", "rebate", "table"),
        ("{ depth = 0.005, offset = 0.012 }", "rebate.depth", "lengths are in mm"),
        ("{ depth = 20, diameter = 150 }", "rebate.depth", "leaves 2 of"),
    ],
)
def test_wrong_rebates_name_their_key(value: str, key: str, says: str):
    text = dumps(seated(Rebate(depth=5.5, diameter=150))).replace("{ depth = 5.5, diameter = 150 }", value)
    with pytest.raises(DesignError, match=says) as e:
        loads(text)
    assert e.value.key == f"openings.woofer.{key}"


# --- assembly -------------------------------------------------------------------------------------------------------


def test_steps_put_everything_together_once():
    for corner in ("butt", "mitre", "rebate", "tongue"):
        order = assembly(replace(BOX, joint=JointSpec(form=corner)))
        assert not order.conflicts
        groups = {frozenset([p]) for p in (*(q.side for q in BOX.panels), *(b.name for b in BOX.braces))}
        for s in order.steps:
            parts, onto = frozenset(s.parts), frozenset(s.onto)
            assert {parts, onto} <= groups
            groups = (groups - {parts, onto}) | {parts | onto}
        assert len(groups) == 1


def test_a_tongued_box_is_closed_by_boards_that_move_straight_in():
    order = assembly(box(shelf("shelf", 200), corner="tongue", brace="housed"))
    assert not order.conflicts
    last = order.steps[-1]
    assert last.parts in (("front",), ("back",))
    assert last.words == ("backwards" if last.parts == ("front",) else "forwards")
    # A shelf housed all round cannot be slid in between four walls that stand.
    when = next(k for k, s in enumerate(order.steps) if "shelf" in s.parts or s.onto == ("shelf",))
    assert not {"left", "right", "front", "back"} <= {p for s in order.steps[:when] for p in (*s.parts, *s.onto)}


def test_three_boards_that_cross_lock_and_are_named():
    cabinet = box(
        shelf("shelf", 200),
        upright("wall", 150),
        Brace(name="spine", normal="x", at=90, board="brace"),
    )
    order = assembly(cabinet)
    assert order.conflicts
    (group,) = order.conflicts
    assert set(group) == {"shelf", "wall", "spine"}


def test_an_impossible_order_is_told_first(tmp_path):
    spine = Brace(name="spine", normal="x", at=150, board="brace")
    cabinet = box(shelf("shelf", 260), upright("wall", 130), spine)
    export(cabinet, tmp_path)
    text = (tmp_path / "read-me-first.txt").read_text("utf-8")
    first = text.splitlines()[0]
    assert first.startswith("CANNOT BE ASSEMBLED")
    assert {"shelf", "wall", "spine"} <= set(re.findall(r"\w+", first))
    assert "CANNOT BE ASSEMBLED" in (tmp_path / "build-sheet.html").read_text("utf-8")


def test_a_body_that_leaves_meets_what_is_in_its_way():
    import numpy as np

    cells = _bodies(box(shelf("shelf", 200), shelf("lean", 300, tilt_deg=10, tilt_about="y")))
    up, out = np.array([0.0, 0, 1]), np.array([0.0, -1, 0])
    assert _meets(cells["shelf"], cells["top"], up)
    assert _meets(cells["shelf"], cells["lean"], up)
    assert not _meets(cells["lean"], cells["shelf"], up)
    assert not _meets(cells["front"], cells["shelf"], out)
    assert _meets(cells["shelf"], cells["front"], out)
    assert _meets(cells["lean"], cells["front"], out)


# --- build sheet ----------------------------------------------------------------------------------------------------


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.count: dict[str, int] = {}

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.count[tag] = self.count.get(tag, 0) + 1
        if tag not in ("meta", "path"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag != "path":
            assert self.open.pop() == tag


def test_build_sheet_has_all_it_should():
    cabinet = replace(BOX, joint=JointSpec(form="tongue"), name="Kiste & co")
    parts = drawings(cabinet)
    sheet = blocks(cabinet, parts, nest(cabinet, parts))
    heads = [b.text for b in sheet if isinstance(b, Heading) and b.level < 3]
    assert [b.text for b in sheet if isinstance(b, Heading) and b.level == 3] == [p.name for p in parts]
    assert heads == [
        "Kiste & co",
        "Read this first",
        "Cut list",
        "Sheets",
        "Parts",
        "Joints",
        "Corners the cutter cannot reach",
        "Order of assembly",
        "Dry fit",
        "Glue-up",
        "Tap points",
    ]
    words = " ".join(t for b in sheet if isinstance(b, Text) for t in b.lines)
    for word in ("IARC", "group 1", "respirator", "extractor", "Clamps", "licensed", design_mark(cabinet)):
        assert word in words
    figures = [b.sketch.title for b in sheet if isinstance(b, Figure)]
    assert len([f for f in figures if f.startswith(tuple(p.name for p in parts))]) >= len(parts)
    table = next(b for b in sheet if isinstance(b, Table))
    blank = {r[0]: r[3] for r in table.rows}
    assert blank["front"] == "223 x 403"  # 3 larger than finished
    html = to_html(sheet, cabinet.name)
    tags = Tags()
    tags.feed(html)
    assert not tags.open
    assert tags.count["svg"] == len(figures)
    assert "Kiste &amp; co" in html
    assert "http" not in html.replace("http://www.w3.org/2000/svg", "")
    pdf = booklet_pdf(sheet)
    assert pdf.startswith(b"%PDF")
    assert pdf == booklet_pdf(sheet)
    assert design_mark(replace(cabinet, width=221.0)) != design_mark(cabinet)


def test_the_sheet_numbers_every_cut_and_tells_its_face():
    cabinet = seated(Rebate(depth=5, diameter=150), corner="tongue")
    front, _, left = drawings(cabinet)[:3]
    rows = [c.row for c in numbered(front)]
    assert [r[0] for r in rows] == [str(k) for k in range(1, len(rows) + 1)]
    assert rows[1] == ("2", "opening", "woofer", "through", "22", "diameter 122 about (110, 140)")
    assert rows[2] == ("3", "rebate", "woofer", "near face", "5", "diameter 150 about (110, 140)")
    assert ("groove", "left", "far face", "6.5") in [r[1:5] for r in rows]
    # The shoulders of a tongue, cut from both faces, are one row.
    assert [r[1:5] for r in (c.row for c in numbered(left)) if r[1] == "rebate"] == [
        ("rebate", p, "both faces", "6") for p in ("front", "back")
    ]
    told = " ".join(label.text for label in part_sketch(front, 0.2).labels).split()
    assert {"220", "400", *(r[0] for r in rows)} <= set(told)


def test_a_lap_is_drawn_to_scale():
    """In section the slot is the board and two clearances wide; flat, the slots reach the middle and the radius on."""
    cabinet = box(shelf("shelf", 200), Brace(name="spine", normal="x", at=112, board="brace"), clearance=0.1)
    (j,) = [j for j in joints(cabinet) if j.form == "lap"]
    assert j.slots == pytest.approx((18.2, 18.2))
    a, low, high = (shapely.Polygon([v[:2] for v in s.vertices]) for s in joint_sketch(j).strokes)
    assert (a.bounds[0] - low.bounds[2], high.bounds[0] - a.bounds[2]) == pytest.approx((0.1, 0.1))
    assert a.bounds[2] - a.bounds[0] == pytest.approx(18)
    first, second = (Path(vertices=s.vertices).oriented() for s in lap_sketch(j).strokes)
    for board in (first, second):
        x0, y0, x1, y1 = board.bounds
        assert x1 - x0 == pytest.approx(j.length)
        slot = 18.2 * (j.length / 2 + 3) - (4 - math.pi) * 9 / 2
        assert board.area == pytest.approx((x1 - x0) * (y1 - y0) - slot)
    titles = [b.caption for b in blocks(cabinet, drawings(cabinet), ()) if isinstance(b, Figure)]
    assert any("shelf lapped with spine" in t and "full size" in t for t in titles)
    leaning = box(
        shelf("shelf", 200, tilt_deg=8, tilt_about="y"), Brace(name="spine", normal="x", at=112, board="brace")
    )
    (j,) = [j for j in joints(leaning) if j.form == "lap"]
    a, low, high = (shapely.Polygon([v[:2] for v in s.vertices]) for s in joint_sketch(j).strokes)
    assert a.intersection(low.union(high)).area < 1e-9
    assert a.distance(low) * 2 < 2 * 0.075 + 1e-9


def test_tap_points_lie_on_wood_and_off_the_middle():
    for p in drawings(BOX)[:6]:
        holes = [o.path.polygon() for o in p.operations if o.kind == "opening"]
        points = tap_points(p)
        assert len(points) >= 8
        for x, y in points:
            assert all(h.distance(shapely.Point(x, y)) > 15 for h in holes)
            for at, size in ((x, p.size[0]), (y, p.size[1])):
                assert min(abs(at / size - f) for f in (1 / 2, 1 / 3, 2 / 3)) > 0.02
                assert 0.1 < at / size < 0.9


def test_mass_and_cut_list_follow_the_measured_board():
    thin = replace(BOX, joinery=Joinery(stocks=(Stock(board="brace", thickness=17.0),)))
    rows, before = ({r.part: r for r in cut_list(c)} for c in (thin, BOX))
    assert rows["shelf"].thickness == pytest.approx(17.0)
    assert rows["shelf"].mass_kg == pytest.approx(before["shelf"].mass_kg * 17 / 18)
    assert rows["bulkhead"].length != before["bulkhead"].length or rows["bulkhead"].width != before["bulkhead"].width


# --- the design file ------------------------------------------------------------------------------------------------

WORKSHOP = """
[joints]
default = { form = "tongue" }
braces = { form = "housed", depth = 5 }

[joinery]
clearance = 0.1
glue_gap = 0.8
stopped = false
cutter = 8
groove_cutter = 4
guide_bush = 24
template = 12
sheet = [2800, 2070]
kerf = 4
trim = 15
oversize = 2

[joinery.boards.carcass]
thickness = 17.8
sheet = [2500, 1250]
cost = 48.5
"""


def test_the_file_keeps_the_workshop():
    text = dumps(BOX).replace('[joints]\ndefault = "glued"\n', WORKSHOP)
    cabinet = loads(text)
    assert cabinet.joinery == Joinery(
        clearance=0.1,
        glue_gap=0.8,
        stopped=False,
        cutter=8,
        groove_cutter=4,
        guide_bush=24,
        template=12,
        sheet=(2800, 2070),
        kerf=4,
        trim=15,
        oversize=2,
        stocks=(Stock(board="carcass", thickness=17.8, sheet=(2500, 1250), cost=48.5),),
    )
    assert cabinet.brace_joint == JointSpec(form="housed", depth=5)
    assert cabinet.joint_between("shelf", "left") == cabinet.brace_joint
    assert cabinet.joint_between("front", "left") == cabinet.joint
    assert loads(dumps(cabinet)) == cabinet
    assert from_table(to_table(cabinet)) == cabinet
    assert "joinery" not in dumps(BOX)
    assert "braces" not in to_table(BOX)["joints"]
    import jsonschema

    from bracewright.design import schema

    jsonschema.validate(to_table(cabinet), schema())


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("clearance = 0.1", "clearance = 2", "joinery.clearance"),
        ("clearance = 0.1", "clearence = 0.1", "joinery.clearence"),
        ("stopped = false", "stopped = 1", "joinery.stopped"),
        ("guide_bush = 24", "guide_bush = 8", "joinery.guide_bush"),
        ("sheet = [2800, 2070]", "sheet = [2800]", "joinery.sheet"),
        ("sheet = [2800, 2070]", "sheet = 2800", "joinery.sheet"),
        ("sheet = [2800, 2070]", 'sheet = ["a", 3]', "joinery.sheet"),
        ("sheet = [2500, 1250]", "sheet = [2.5, 1.25]", "joinery.boards.carcass.sheet"),
        ("thickness = 17.8", "thick = 17.8", "joinery.boards.carcass.thick"),
        ("boards.carcass]\nthickness", "boards.carcas]\nthickness", "joinery.boards"),
        ("cost = 48.5", "cost = -1", "joinery.boards.carcass.cost"),
        ('form = "housed", depth = 5', 'form = "housd"', "joints.braces.form"),
        ("kerf = 4", "kerf = nan", "joinery.kerf"),
    ],
)
def test_wrong_values_name_their_key(old: str, new: str, key: str):
    assert WORKSHOP.count(old) == 1
    text = dumps(BOX).replace('[joints]\ndefault = "glued"\n', WORKSHOP.replace(old, new))
    with pytest.raises(DesignError) as e:
        loads(text)
    assert e.value.key == key
