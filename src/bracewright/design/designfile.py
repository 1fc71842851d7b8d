"""The design file: TOML, both ways; what its tables say is in `tables`."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path as FilePath
from typing import Any

from bracewright.design.cabinet import Cabinet
from bracewright.design.tables import from_table, to_table
from bracewright.errors import DesignError, FileError
from bracewright.files import read_text, write_file

MAX_BYTES = 4_000_000


def load(path: str | os.PathLike[str]) -> Cabinet:
    """Read a design file.

    Raises
    ------
    FileError
        The file cannot be read, is empty or is not TOML.
    DesignError
        A value in it is wrong; ``key`` says which.
    """
    p = FilePath(path)
    content = read_text(p, MAX_BYTES, "a design file (TOML)")
    try:
        return _beside(loads(content), p.absolute().parent)
    except tomllib.TOMLDecodeError as e:
        raise FileError(f"{p}: not TOML: {e}; mend that line") from e
    except DesignError:
        raise
    except ValueError as e:
        raise FileError(f"{p}: not TOML: it holds a number of thousands of digits; correct that number") from e
    except RecursionError as e:
        raise FileError(f"{p}: nested too deeply; a design file is a few levels deep") from e
    except FileError as e:
        raise FileError(f"{p}: {e}") from e


def _beside(cabinet: Cabinet, folder: FilePath) -> Cabinet:
    """Take mesh files that are named by relative paths from the design file's own folder."""
    if not any(m.mesh for m in cabinet.panels) and not any(b.mesh for b in cabinet.braces):
        return cabinet

    def found(mesh: str, key: str) -> str:
        if not os.path.isfile(folder / mesh):  # False also for a name that no file can have
            raise DesignError(
                f"got {mesh!r}, but there is no such file in {folder}; correct the name", key=f"{key}.mesh"
            )
        return str(folder / mesh)

    panels = tuple(replace(p, mesh=found(p.mesh, f"cabinet.panels.{p.side}")) if p.mesh else p for p in cabinet.panels)
    braces = tuple(replace(b, mesh=found(b.mesh, f"braces.{b.name}")) if b.mesh else b for b in cabinet.braces)
    return replace(cabinet, panels=panels, braces=braces)


def loads(content: str) -> Cabinet:
    """Read a design from TOML text."""
    data = tomllib.loads(content)
    if not data:
        raise FileError("the file is empty; start with `format = 1` and a [cabinet] table")
    return from_table(data)


def dumps(cabinet: Cabinet) -> str:
    """Return a design as TOML text that loads back to the same design."""
    lines: list[str] = []
    _write_table(to_table(cabinet), (), lines)
    return "\n".join(lines).lstrip("\n") + "\n"


def _value(v: object) -> str:
    if isinstance(v, bool):
        return "true" if v else "false"
    if isinstance(v, str):
        return json.dumps(v, ensure_ascii=False)
    if isinstance(v, int | float):
        f = float(v)
        return str(int(f)) if f.is_integer() and abs(f) < 1e15 else repr(f)
    if isinstance(v, list | tuple):
        return "[" + ", ".join(_value(x) for x in v) + "]"
    if isinstance(v, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(x)}" for k, x in v.items()) + " }"
    raise TypeError(f"cannot write {v!r} as TOML")


def _key(k: str) -> str:
    return k if k and all(c.isascii() and (c.isalnum() or c in "-_") for c in k) else json.dumps(k, ensure_ascii=False)


def _write_table(t: Mapping[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    """Write plain values first, then sub-tables, then lists of tables."""
    inline = {"within", "default", "rebate", "goal"}
    nested: list[tuple[str, Any]] = []
    for k, v in t.items():
        is_list = isinstance(v, list) and bool(v) and isinstance(v[0], Mapping)
        if (isinstance(v, Mapping) and k not in inline) or is_list:
            nested.append((k, v))
        else:
            lines.append(f"{_key(k)} = {_value(v)}")
    for k, v in nested:
        name = ".".join(_key(p) for p in (*path, k))
        for entry in v if isinstance(v, list) else [v]:
            lines.append("")
            lines.append(f"[[{name}]]" if isinstance(v, list) else f"[{name}]")
            _write_table(entry, (*path, k), lines)


def save(cabinet: Cabinet, path: str | os.PathLike[str]) -> None:
    """Write a design file; an existing file is replaced only once the new one is complete."""
    write_file(path, dumps(cabinet))


@cache
def _schema_text() -> str:
    return resources.files("bracewright.design").joinpath("design.schema.json").read_text("utf-8")


def schema() -> dict[str, object]:
    """Return the JSON Schema of the design file."""
    loaded = json.loads(_schema_text())
    assert isinstance(loaded, dict)
    return loaded
