"""The shape family of pockets and openings: outlines, tables, refusals."""

from __future__ import annotations

import math
import tomllib
from dataclasses import FrozenInstanceError, fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bracewright.design.pockets import (
    SHAPES,
    Circle,
    Ellipse,
    Pocket,
    Polygon,
    Rectangle,
    Spline,
    Stadium,
    Superellipse,
    shape_from_table,
)
from bracewright.errors import DesignError

CORNERS = ((0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 50.0))
EXAMPLES = [
    Circle(centre=(110, 309.5), diameter=120),
    Ellipse(centre=(110, 150), semi_axes=(80, 50), rotation_deg=30),
    Rectangle(centre=(110, 150), size=(110, 160), corner_radius=20),
    Stadium(centre=(110, 150), size=(110, 60), rotation_deg=-45),
    Superellipse(centre=(110, 150), size=(110, 160), exponent=3.5),
    Polygon(points=CORNERS, corner_radius=5),
    Spline(points=CORNERS),
]


def test_every_kind_has_an_example_here():
    assert [s.kind for s in EXAMPLES] == list(SHAPES)


@pytest.mark.parametrize("shape", EXAMPLES, ids=lambda s: s.kind)
def test_tables_go_out_and_come_back(shape):
    table = shape.to_table()
    assert table["shape"] == shape.kind
    assert shape_from_table(table) == shape
    assert type(shape).from_table(table) == shape
    assert type(shape).from_table({k: v for k, v in table.items() if k != "shape"}) == shape
    assert not any(isinstance(v, tuple) for v in table.values())
    pocket = Pocket(name="upper", shape=shape)
    assert Pocket.from_table(pocket.to_table()) == pocket
    assert pocket.outline() is shape.outline()


@pytest.mark.parametrize("shape", EXAMPLES, ids=lambda s: s.kind)
def test_moving_a_shape_moves_its_outline(shape):
    moved = shape.moved(12.5, -30)
    assert type(moved) is type(shape)
    expected = shape.outline().translated(12.5, -30)
    assert np.allclose(moved.outline().vertices, expected.vertices, atol=1e-8)


@pytest.mark.parametrize("shape", EXAMPLES, ids=lambda s: s.kind)
def test_shapes_are_frozen_hashable_and_their_outlines_kept(shape):
    assert shape.outline() is replace(shape).outline()
    assert shape.outline().is_ccw
    assert hash(shape) == hash(replace(shape))
    for field in fields(shape):
        with pytest.raises(FrozenInstanceError):
            setattr(shape, field.name, getattr(shape, field.name))


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        (EXAMPLES[0], math.pi * 60**2),
        (EXAMPLES[1], math.pi * 80 * 50),
        (EXAMPLES[2], 110 * 160 - (4 - math.pi) * 20**2),
        (EXAMPLES[3], math.pi * 30**2 + 50 * 60),
        (EXAMPLES[4], 110 * 160 * math.gamma(1 + 1 / 3.5) ** 2 / math.gamma(1 + 2 / 3.5)),
        (Polygon(points=CORNERS), 60 * 45),
    ],
    ids=lambda x: getattr(x, "kind", ""),
)
def test_areas_are_the_closed_formulas(shape, area):
    fitted = shape.kind in ("ellipse", "superellipse")
    path = shape.outline()
    assert abs(path.area - area) <= (0.05 * path.perimeter if fitted else 1e-9 * area)
    fine = shape.outline(0.001)
    assert abs(fine.area - area) <= (0.001 * fine.perimeter if fitted else 1e-9 * area)


def test_rotation_is_counter_clockwise_about_the_centre():
    shape = Rectangle(centre=(100, 50), size=(80, 20), rotation_deg=90)
    assert shape.outline().bounds == pytest.approx((90, 10, 110, 90))
    corner = Rectangle(centre=(100, 50), size=(80, 20), rotation_deg=30).outline()
    tip = complex(100, 50) + complex(40, 10) * complex(math.cos(math.pi / 6), math.sin(math.pi / 6))
    assert min(math.hypot(x - tip.real, y - tip.imag) for x, y, _ in corner.vertices) < 1e-9


def test_points_listed_clockwise_give_a_counter_clockwise_outline():
    for cls in (Polygon, Spline):
        assert cls(points=CORNERS[::-1]).outline().is_ccw
        assert cls(points=CORNERS[::-1]).points == CORNERS[::-1]


@settings(max_examples=40, deadline=None)
@given(
    w=st.floats(10, 400),
    h=st.floats(10, 400),
    n=st.floats(1.2, 30),
    angle=st.floats(-360, 360),
    centre=st.tuples(st.floats(-1000, 1000), st.floats(-1000, 1000)),
)
def test_rotating_keeps_area_and_centroid(w, h, n, angle, centre):
    plain = Superellipse(centre=centre, size=(w, h), exponent=n)
    turned = replace(plain, rotation_deg=angle)
    assert turned.outline().area == pytest.approx(plain.outline().area, rel=1e-9)
    assert turned.outline().centroid == pytest.approx(centre, abs=1e-6)


def test_numbers_come_in_many_kinds_and_are_kept_as_floats():
    r = Rectangle(centre=[np.int64(110), 150], size=np.array([110.0, 160.0]), corner_radius=20)  # type: ignore[arg-type]
    assert r == EXAMPLES[2]
    assert [type(v) for v in (*r.centre, *r.size, r.corner_radius)] == [float] * 5
    assert Polygon(points=np.array(CORNERS)).points == CORNERS  # type: ignore[arg-type]


def test_a_pocket_reads_from_toml_as_the_format_shows_it():
    text = 'shape = "rectangle"\ncentre = [110, 150]\nsize = [110, 160]\ncorner_radius = 20\n'
    pocket = Pocket.from_table(tomllib.loads(text))
    assert pocket == Pocket(shape=EXAMPLES[2])
    assert pocket.to_table() == {
        "shape": "rectangle",
        "centre": [110.0, 150.0],
        "size": [110.0, 160.0],
        "corner_radius": 20.0,
    }
    assert list(Pocket(name="a", shape=EXAMPLES[0]).to_table()) == ["name", "shape", "centre", "diameter"]


def test_keys_of_the_caller_are_left_alone_and_offered_as_corrections():
    table = {"name": "woofer", "panel": "front", **EXAMPLES[0].to_table()}
    assert shape_from_table(table, also=("name", "panel")) == EXAMPLES[0]
    with pytest.raises(DesignError, match="did you mean 'panel'"):
        shape_from_table({"pannel": "front", **EXAMPLES[0].to_table()}, also=("name", "panel"))


@pytest.mark.parametrize(
    ("table", "key", "words"),
    [
        ({"centre": [0, 0], "diameter": 50}, "shape", "missing; one of circle, ellipse"),
        ({"shap": "circle", "centre": [0, 0], "diameter": 50}, "shape", "by 'shap'"),
        ({"shape": "elipse", "centre": [0, 0]}, "shape", "unknown shape 'elipse'; did you mean 'ellipse'"),
        ({"shape": "zzz"}, "shape", "known are circle"),
        ({"shape": 3}, "shape", "unknown shape 3"),
        ({"shape": "circle", "centre": [0, 0], "diametre": 50}, "diametre", "unknown key.*did you mean 'diameter'"),
        ({"shape": "circle", "centre": [0, 0], "q": 50}, "q", "known are centre, diameter"),
        ({"shape": "circle", "centre": [0, 0]}, "diameter", "missing; a circle needs centre, diameter"),
        ({"shape": "spline", "points": CORNERS, "rotation_deg": 3}, "rotation_deg", "unknown key of a spline"),
        ({"shape": "circle", "centre": [0, 0], "diameter": 50, "name": 7}, "name", "must be text, got 7"),
        ({"shape": "circle", "centre": [0, 0], "diameter": 50, "nmae": "a"}, "nmae", "did you mean 'name'"),
    ],
)
def test_tables_are_refused_with_the_key_and_the_remedy(table, key, words):
    with pytest.raises(DesignError, match=words) as caught:
        Pocket.from_table(table)
    assert caught.value.key == key


def test_the_table_of_another_shape_is_refused():
    with pytest.raises(DesignError, match="expected shape 'ellipse', got 'circle'"):
        Ellipse.from_table(EXAMPLES[0].to_table())


C = (100.0, 100.0)


@pytest.mark.parametrize(
    ("make", "key", "words"),
    [
        (lambda: Circle(centre=C, diameter=0), "diameter", "positive"),
        (lambda: Circle(centre=C, diameter=-5), "diameter", "positive, got -5"),
        (lambda: Circle(centre=C, diameter=0.12), "diameter", "lengths are in mm"),
        (lambda: Circle(centre=C, diameter=20_000), "diameter", "beyond 10 m; lengths are in mm"),
        (lambda: Circle(centre=C, diameter=True), "diameter", "must be a number, got True"),
        (lambda: Circle(centre=C, diameter="50"), "diameter", "must be a number, got '50'"),
        (lambda: Circle(centre=C, diameter=math.nan), "diameter", "finite"),
        (lambda: Circle(centre=(0, math.inf), diameter=5), "centre", "finite"),
        (lambda: Circle(centre=(0, 10_001), diameter=5), "centre", "beyond 10 m"),
        (lambda: Circle(centre=(0,), diameter=5), "centre", "two numbers"),
        (lambda: Circle(centre="ab", diameter=5), "centre", "two numbers"),
        (lambda: Circle(centre=7, diameter=5), "centre", "two numbers, got 7"),
        (lambda: Circle(centre=(0, "1"), diameter=5), "centre", "must be a number"),
        (lambda: Circle(centre=C, diameter=50, rotation_deg=math.nan), "rotation_deg", "finite"),
        (lambda: Ellipse(centre=C, semi_axes=(0.08, 0.05)), "semi_axes", "lengths are in mm"),
        (lambda: Ellipse(centre=C, semi_axes=(80, -50)), "semi_axes", "positive"),
        (lambda: Ellipse(centre=C, semi_axes=(80, 50), rotation_deg="x"), "rotation_deg", "number"),
        (lambda: Rectangle(centre=C, size=(110, 0)), "size", "positive"),
        (lambda: Rectangle(centre=C, size=(110, 0.16)), "size", "lengths are in mm"),
        (lambda: Rectangle(centre=C, size=110), "size", "two numbers"),
        (lambda: Rectangle(centre=C, size=(110, 60), corner_radius=-1), "corner_radius", "negative"),
        (lambda: Rectangle(centre=C, size=(110, 60), corner_radius=30.5), "corner_radius", "at most 30 fits"),
        (lambda: Rectangle(centre=C, size=(9, 9), rotation_deg=None), "rotation_deg", "number"),
        (lambda: Stadium(centre=C, size=(110, math.nan)), "size", "finite"),
        (lambda: Stadium(centre=C, size=(110, 60), rotation_deg=math.inf), "rotation_deg", "finite"),
        (lambda: Superellipse(centre=C, size=(110, 60), exponent=1), "exponent", "1.1 to 100, got 1"),
        (lambda: Superellipse(centre=C, size=(110, 60), exponent=101), "exponent", "1.1 to 100"),
        (lambda: Superellipse(centre=C, size=(110, 60), exponent=False), "exponent", "number"),
        (lambda: Polygon(points=CORNERS[:2]), "points", "3 points or more, got 2"),
        (lambda: Polygon(points="abc"), "points", "list of points"),
        (lambda: Polygon(points=5), "points", "list of points"),
        (lambda: Polygon(points=[(0, 0), (1, 0, 0), (0, 1)]), "points", "two numbers"),
        (lambda: Polygon(points=[(0, 0), (0.1, 0), (0, 0.2)]), "points", "lengths are in mm"),
        (lambda: Polygon(points=[(0, 0), (50, 0), (50, 0), (0, 50)]), "points", "without length"),
        (lambda: Polygon(points=[(0, 0), (50, 50), (50, 0), (0, 50)]), "points", "crosses"),
        (lambda: Polygon(points=CORNERS, corner_radius=40), "corner_radius", "does not fit on the edge"),
        (lambda: Polygon(points=CORNERS, corner_radius=-4), "corner_radius", "negative"),
        (lambda: Spline(points=CORNERS[:2]), "points", "3 points"),
        (lambda: Spline(points=[(0, 0), (0, 0), (50, 0), (0, 50)]), "points", "coincide"),
        (lambda: Spline(points=[(0, 0), (100, 100), (100, 0), (0, 100)]), "points", "crosses"),
        (lambda: Pocket(shape="circle"), "shape", "must be a shape"),
        (lambda: Pocket(shape=EXAMPLES[0], name=3), "name", "must be text"),
    ],
)
def test_values_are_refused_with_their_field(make, key, words):
    with pytest.raises(DesignError, match=words) as caught:
        make()
    assert caught.value.key == key
