"""The design file: what is written loads back to the same design, and only what can be built loads."""

from __future__ import annotations

import copy
import datetime
import os
import tomllib

import pytest
from designs import cabinets
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bracewright.design import dumps, from_table, load, loads, save, to_table
from bracewright.errors import BracewrightError, DesignError, FileError
from bracewright.examples import NAMES, example, example_text

JUNK = [
    *(None, True, -1, 0, 0.001, 5000, 1e308, float("nan"), float("inf"), 10**400, "", "x", "\n", "front", "shelf"),
    *([], [1], [[1]], [{}], [None], {}, {"a": 1}, datetime.date(2020, 1, 1), ["front", "back"], ["shelf", "shelf"]),
    *([1e9, 1e9], [0, 0], [[0, 0], [0, 0], [0, 0]], [[0, 0], [1, 1], [2, 2]]),
]


@pytest.mark.parametrize("name", NAMES)
def test_examples_round_trip(name, tmp_path):
    cabinet = example(name)
    assert loads(dumps(cabinet)) == cabinet
    assert from_table(to_table(cabinet)) == cabinet
    save(cabinet, tmp_path / "a.toml")
    assert load(tmp_path / "a.toml") == cabinet
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(cabinets())
def test_random_designs_round_trip(cabinet):
    text = dumps(cabinet)
    assert loads(text) == cabinet
    assert dumps(loads(text)) == text


def paths(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    below = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(p for key, v in below for p in paths(v, (*path, key)))]


BASE = tomllib.loads(example_text("floorstander"))
SPOTS = [p for p in paths(BASE) if p]


@settings(max_examples=400, deadline=None)
@given(spot=st.sampled_from(SPOTS), junk=st.sampled_from(JUNK), drop=st.booleans())
def test_no_value_anywhere_brings_it_down(spot, junk, drop):
    data = copy.deepcopy(BASE)
    owner = data
    for key in spot[:-1]:
        owner = owner[key]
    if drop:
        del owner[spot[-1]]
    else:
        owner[spot[-1]] = junk
    refused = None
    try:
        cabinet = from_table(data)
    except BracewrightError as e:
        refused = e
    if refused is None:
        assert loads(dumps(cabinet)) == cabinet
    else:
        assert str(refused)
        assert not isinstance(refused, DesignError) or refused.key


def test_an_old_file_stays_valid():
    # The file of the format's first description, kept as it was.
    text = """
format = 1
name = "stand-mount example"

[cabinet]
width = 220            # outer sizes
depth = 300
height = 400
board = "carcass"
[cabinet.panels.front]
board = "baffle"

[boards.carcass]
material = "mdf"
thickness = 22
[boards.baffle]
thickness = 22
E_GPa = 3.5
poisson = 0.25
density_kg_m3 = 740
loss_factor = 0.02

[joints]
default = "glued"

[[openings]]
name = "woofer"
panel = "front"
shape = "circle"
centre = [110, 309.5]
diameter = 120

[[drivers]]
opening = "woofer"
mass_kg = 1.9
moving_mass_g = 14
piston_area_cm2 = 95

[[braces]]
name = "shelf"
normal = "z"
at = 230
board = "carcass"
[[braces.pockets]]
shape = "rectangle"
centre = [110, 150]
size = [110, 160]
corner_radius = 20
"""
    cabinet = loads(text)
    assert cabinet.brace("shelf").pockets[0].shape.corner_radius == 20
    assert cabinet.part_board("front").name == "baffle"
    assert loads(dumps(cabinet)) == cabinet


def test_a_mesh_is_looked_for_beside_the_design_file(tmp_path, monkeypatch):
    folder = tmp_path / "designs"
    folder.mkdir()
    (folder / "shelf.vtu").write_text("not read on loading")
    text = example_text("stand-mount").replace("at = 250", 'at = 250\nmesh = "shelf.vtu"')
    (folder / "design.toml").write_text(text)
    monkeypatch.chdir(tmp_path)
    cabinet = load("designs/design.toml")
    assert cabinet.brace("shelf").mesh == str(folder / "shelf.vtu")
    # Saved elsewhere it still points to the same file.
    save(cabinet, tmp_path / "moved.toml")
    assert load(tmp_path / "moved.toml") == cabinet


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    path = tmp_path / "design.toml"
    path.write_bytes(b"\xef\xbb\xbf" + example_text("stand-mount").replace("\n", "\r\n").encode())
    assert load(path) == example("stand-mount")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs a folder that refuses")
def test_a_folder_that_refuses_keeps_the_old_file(tmp_path):
    path = tmp_path / "a.toml"
    save(example(), path)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(FileError, match="cannot be written"):
            save(example("floorstander"), path)
    finally:
        tmp_path.chmod(0o700)
    assert load(path) == example()


def test_a_missing_folder_is_an_error_of_the_file(tmp_path):
    with pytest.raises(FileError, match="cannot be written"):
        save(example(), tmp_path / "no" / "a.toml")


def test_an_unknown_example_is_refused():
    with pytest.raises(DesignError, match="did you mean 'stand-mount'"):
        example("standmount")


@pytest.mark.parametrize("what", ["board", "panel", "brace", "opening"])
def test_a_record_that_is_not_there_is_an_error_of_the_family(what):
    with pytest.raises(DesignError, match="got 'wofer'; known are "):
        getattr(example(), what)("wofer")
