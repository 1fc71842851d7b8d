"""The board library: what is in ``boards.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

from bracewright.boards.checks import SHEET_KEYS, nearest
from bracewright.boards.layer import LAYER_KEYS
from bracewright.errors import DesignError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Material:
    """An entry of the library: typical values, where each comes from, how far boards stray from them.

    `spread` is a relative standard deviation; `unsourced` names the values for which no source gave the number.
    """

    name: str
    description: str
    kind: Literal["sheet", "veneers", "solid"]
    values: Mapping[str, float]
    spread: Mapping[str, float]
    sources: Mapping[str, str]
    unsourced: frozenset[str]

    @property
    def keys(self) -> tuple[str, ...]:
        """The numbers a design may give in place of the library's."""
        own = {
            "sheet": SHEET_KEYS,
            "veneers": ("ply_thickness", "face_ply_ratio", *LAYER_KEYS),
            "solid": LAYER_KEYS,
        }[self.kind]
        return tuple(dict.fromkeys((*own, "loss_factor")))


@cache
def library() -> Mapping[str, Material]:
    """Return the sourced board library by name; it cannot be changed."""
    data = tomllib.loads(files("bracewright").joinpath("boards.toml").read_text(encoding="utf-8"))
    sources = data.pop("sources")
    entries = {}
    for name, entry in data.items():
        kind, description = entry.pop("kind"), entry.pop("description")
        text = {k: "; ".join(filter(None, (sources[v["source"]], v.get("note")))) for k, v in entry.items()}
        entries[name] = Material(
            name=name,
            description=description,
            kind=kind,
            values=MappingProxyType({k: float(v["value"]) for k, v in entry.items()}),
            spread=MappingProxyType({k: float(v["spread"]) for k, v in entry.items()}),
            sources=MappingProxyType(text),
            unsourced=frozenset(k for k, v in entry.items() if not v.get("sourced", True)),
        )
    return MappingProxyType(entries)


def material_named(name: object) -> Material:
    """Return an entry of the library; raises DesignError naming the nearest."""
    if not isinstance(name, str):
        raise DesignError(f"material must be a name of the library, got {name!r}", key="material")
    entry = library().get(name)
    if entry is None:
        raise DesignError(f"unknown material {name!r}; {nearest(name, library())}", key="material")
    return entry
