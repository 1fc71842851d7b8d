"""Optional keys for sound in the design file: damping sheets, fixings of drivers, losses of joints, stuffing."""

from __future__ import annotations

import jsonschema
import pytest

from bracewright.design import dumps, loads, schema, to_table
from bracewright.errors import DesignError
from bracewright.examples import example_text

EXTRA = """
[[damping]]
part = "left"
thickness = 3
E_GPa = 0.4
density_kg_m3 = 1700
loss_factor = 0.3

[[damping]]
part = "shelf"
thickness = 2.5
E_GPa = 0.4
density_kg_m3 = 1700
loss_factor = 0.3
poisson = 0.45
centre = [60, 60]
size = [80, 90]

[stuffing]
loss_factor = 0.2
"""
TEXT = (
    example_text("stand-mount")
    .replace(
        'frame = "rigid"',
        'frame = "rigid"\ngasket_N_mm = 900\ngasket_loss_factor = 0.2\nrear_brace = "bulkhead"\nrear_N_mm = 400',
    )
    .replace('default = { form = "tongue" }', 'default = { kind = "glued", loss_factor = 0.05 }')
    # Wood behind the woofer.
    .replace("size = [108, 122]\ncorner_radius = 22", "size = [108, 36]\ncorner_radius = 8")
    + EXTRA
)


def test_they_load_save_and_validate():
    c = loads(TEXT)
    assert c.damping[1].size == (80, 90)
    assert c.stuffing_loss_factor == 0.2
    assert c.joint.loss_factor == 0.05
    assert c.drivers[0].rear_brace == "bulkhead"
    assert loads(dumps(c)) == c
    jsonschema.validate(to_table(c), schema())


def test_files_without_them_stay_as_they_were():
    table = to_table(loads(example_text("stand-mount")))
    assert "damping" not in table
    assert "stuffing" not in table
    assert all("gasket_N_mm" not in d for d in table["drivers"])


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('part = "shelf"', 'part = "shlf"', "did you mean 'shelf'"),
        ("size = [80, 90]", "", "centre and size together"),
        ("size = [80, 90]", "size = [80]", "two numbers"),
        ("E_GPa = 0.4", "E_GPa = 4e5", "GPa"),
        ("loss_factor = 0.2\n", "loss_facto = 0.2\n", "did you mean 'loss_factor'"),
        ('rear_brace = "bulkhead"', 'rear_brace = "shelf"', "does not stand across"),
        ("rear_N_mm = 400", "", "together"),
        ("size = [108, 36]", "size = [108, 122]", "drivers.woofer.rear_brace: brace 'bulkhead' has no wood"),
        ("centre = [60, 60]", "centre = [960, 60]", r"damping\[1\].centre: it covers nothing of 'shelf'"),
    ],
)
def test_mistakes_are_named(old, new, message):
    assert old in TEXT
    head, _, tail = TEXT.rpartition(old)
    with pytest.raises(DesignError, match=message):
        loads(head + new + tail)
