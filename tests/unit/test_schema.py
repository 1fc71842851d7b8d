"""The JSON Schema of the design file agrees with the reader."""

from __future__ import annotations

import copy
import tomllib

import jsonschema
import pytest
from designs import cabinets
from hypothesis import HealthCheck, given, settings

from bracewright.boards import library
from bracewright.design import loads, schema, to_table
from bracewright.design.pockets import SHAPES
from bracewright.errors import BracewrightError
from bracewright.examples import NAMES, example, example_text

VALIDATOR = jsonschema.Draft202012Validator(schema())
TEXT = example_text("floorstander")


def errors(table: object) -> list[str]:
    return [e.message for e in VALIDATOR.iter_errors(table)]


def test_it_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("name", NAMES)
def test_examples_validate_as_written_and_as_saved(name):
    assert errors(tomllib.loads(example_text(name))) == []
    assert errors(to_table(example(name))) == []


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(cabinets())
def test_whatever_can_be_saved_validates(cabinet):
    assert errors(to_table(cabinet)) == []


# Mistakes that need no geometry to see: schema and reader refuse both.
BROKEN = {
    "unknown key": ("depth = 340", "deph = 340"),
    "unknown key of a brace": ("at = 330", "at = 330\nthickness = 3"),
    "unknown key of a pocket": ("exponent = 3", "exponant = 3"),
    "unknown table": ("[joints]", "[joint]"),
    "missing key": ("mass_kg = 0.5\n", ""),
    "wrong type": ("width = 240", 'width = "240"'),
    "a boolean": ("width = 240", "width = true"),
    "a point of three": ("centre = [120, 928]", "centre = [120, 928, 3]"),
    "another material": ('"mdf"', '"mfd"'),
    "a key of another material": ('"mdf"', '"mdf"\nE1_GPa = 3'),
    "negative size": ("width = 240", "width = -240"),
    "metres": ("width = 240", "width = 0.24"),
    "a board in metres": ("thickness = 22", "thickness = 0.022"),
    "a diameter in metres": ("diameter = 76", "diameter = 0.076"),
    "a key of another shape": ("corner_radius = 8", "exponent = 8"),
    "another shape": ('shape = "stadium"', 'shape = "slot"'),
    "another panel": ('panel = "back"', 'panel = "rear"'),
    "another joint": ('"glued"', '"welded"'),
    "a joint of half its numbers": ('default = "glued"', "default = { translation_N_mm2 = 3 }"),
    "another format": ("format = 1", "format = 2"),
    "a brace named as a panel": ('name = "floor" ', 'name = "top" '),
    "three ends": ('["floor", "low shelf"]', '["floor", "low shelf", "top"]'),
    "two corners": (
        "[[70, 220], [130, 165], [220, 170], [280, 225], [215, 270], [125, 275]]",
        "[[70, 220], [130, 165]]",
    ),
    "too steep": ("tilt_deg = 9", "tilt_deg = 75"),
    "no board": ("[boards.carcass]", "[board.carcass]"),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_broken_files_fail_in_both(kind):
    old, new = BROKEN[kind]
    assert old in TEXT
    text = TEXT.replace(old, new, 1)
    assert errors(tomllib.loads(text))
    with pytest.raises(BracewrightError):
        loads(text)


def test_every_material_and_shape_is_in_it_and_no_other():
    boards = [kind["properties"] for kind in schema()["$defs"]["board"]["oneOf"]]
    named = {m: set(p) for p in boards if "material" in p for m in p["material"]["enum"]}
    assert set(named) == set(library())
    for name, material in library().items():
        assert named[name] == {"material", "thickness", "cost_per_m2", *material.keys}
    for kind in ("pocket", "opening"):
        shapes = [one["properties"]["shape"]["const"] for one in schema()["$defs"][kind]["oneOf"]]
        assert sorted(shapes) == sorted(SHAPES)


def test_optional_keys_are_optional():
    table = copy.deepcopy(tomllib.loads(TEXT))
    for key in ("name", "joints", "openings", "drivers", "braces"):
        del table[key]
    assert errors(table) == []
    box = 'width = 200\ndepth = 200\nheight = 200\nboard = "b"'
    assert loads(f'format = 1\n[cabinet]\n{box}\n[boards.b]\nmaterial = "mdf"\nthickness = 18\n').name == "cabinet"
