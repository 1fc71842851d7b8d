"""The design layer: frozen, validated records and the design file."""

from bracewright.design.cabinet import Brace, Cabinet, JointSpec, Opening, Panel, Supports
from bracewright.design.designfile import dumps, load, loads, save, schema
from bracewright.design.mounted import Driver
from bracewright.design.pockets import Pocket
from bracewright.design.tables import from_table, to_table

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
