"""Example designs that ship with the package, as design files."""

from __future__ import annotations

from importlib import resources

from bracewright.design.cabinet import Cabinet
from bracewright.design.checks import choice
from bracewright.design.designfile import loads

NAMES = ("stand-mount", "floorstander")


def example_text(name: str) -> str:
    """Return the design file of an example; raises DesignError for a name that is not in `NAMES`."""
    choice(name, "example", NAMES)
    return resources.files("bracewright.examples").joinpath(f"{name}.toml").read_text("utf-8")


def example(name: str = "stand-mount") -> Cabinet:
    """Return an example cabinet; raises DesignError for a name that is not in `NAMES`."""
    return loads(example_text(name))
