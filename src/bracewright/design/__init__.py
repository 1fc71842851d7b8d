"""The design layer: frozen, validated records and the design file."""

from bracewright.design.cabinet import Brace, Cabinet, Driver, JointSpec, Opening, Panel, Supports
from bracewright.design.designfile import dumps, from_table, load, loads, save, schema, to_table
from bracewright.design.pockets import Pocket

__all__ = [
    "Brace",
    "Cabinet",
    "Driver",
    "JointSpec",
    "Opening",
    "Panel",
    "Pocket",
    "Supports",
    "dumps",
    "from_table",
    "load",
    "loads",
    "save",
    "schema",
    "to_table",
]
