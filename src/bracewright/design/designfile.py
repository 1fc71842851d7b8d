"""The design file: TOML, ``format = 1``, both ways."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path as FilePath
from typing import Any, TypeVar

from bracewright.boards import Board
from bracewright.design import joinery, tuning
from bracewright.design.cabinet import (
    JOINT_KINDS,
    PANELS,
    Brace,
    Cabinet,
    Damping,
    Driver,
    JointSpec,
    Opening,
    Panel,
    Supports,
)
from bracewright.design.checks import choice, known_keys, table, tables, text
from bracewright.design.pockets import Pocket, shape_from_table
from bracewright.errors import DesignError, FileError
from bracewright.files import write_file

T = TypeVar("T")
FORMAT = 1
MAX_BYTES = 4_000_000
DRIVER_KEYS = ("opening", "mass_kg", "moving_mass_g", "piston_area_cm2", "volume_l", "depth", "frame")
FIXING_KEYS = ("gasket_N_mm", "gasket_loss_factor", "rear_brace", "rear_N_mm")
DAMPING_KEYS = (
    *("part", "thickness", "E_GPa", "density_kg_m3", "loss_factor"),
    *("poisson", "centre", "size", "cover_thickness", "cover_E_GPa", "cover_density_kg_m3"),
)
BRACE_KEYS = ("name", "normal", "at", "board", "within", "tilt_deg", "tilt_about", "grain_deg", "mesh", "pockets")
SPRING_KEYS = ("translation_N_mm2", "rotation_N_rad")
JOINT_KEYS = ("kind", "form", "tongue", "depth", "glue_E_GPa", "glue_thickness", "contact_N_mm3", "loss_factor")
SUPPORT_KEYS = ("kind", "points", "stiffness_N_mm", "lateral_N_mm", "bed_N_mm3", "edges")


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
    try:
        if p.stat().st_size > MAX_BYTES:
            raise FileError(f"{p}: larger than {MAX_BYTES // 1_000_000} MB, which no design needs; give a design file")
        raw = p.read_bytes()
    except FileError:
        raise
    except OSError as e:
        raise FileError(f"{p}: cannot be read ({e.strerror}); check the name and the folder") from e
    try:
        content = raw.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise FileError(f"{p}: not a text file (byte {e.start}); a design file is TOML in UTF-8") from e
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
        if not (folder / mesh).is_file():
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


def from_table(data: Mapping[str, object]) -> Cabinet:
    """Build a cabinet from the plain tables of a design file.

    Raises
    ------
    DesignError
        If a key is unknown or missing or a value cannot be used.
    """
    _refuse_huge(data, "")
    parts = ("openings", "drivers", "braces", "damping", "stuffing")
    top = ("format", "name", "cabinet", "boards", "joints", "joinery", "supports", "tune", *parts)
    known_keys(data, top, required=("format", "cabinet", "boards"))
    if data["format"] != FORMAT or isinstance(data["format"], bool):
        raise DesignError(f"got {data['format']!r}; this version reads format {FORMAT}", key="format")
    box = table(data["cabinet"], "cabinet")
    try:
        known_keys(box, ("width", "depth", "height", "board", "panels"), required=("width", "depth", "height"))
        panels = _panels(box)
    except DesignError as e:
        raise e.within("cabinet") from None
    joint, brace_joint, overrides = _joints(data)
    return Cabinet(
        name=text(data.get("name", "cabinet"), "name"),
        width=box["width"],  # type: ignore[arg-type]  # the record checks it
        depth=box["depth"],  # type: ignore[arg-type]
        height=box["height"],  # type: ignore[arg-type]
        boards=_boards(data),
        panels=panels,
        openings=tuple(_named(data, "openings", _opening)),
        drivers=tuple(_named(data, "drivers", _driver)),
        braces=tuple(_named(data, "braces", _brace)),
        joint=joint,
        joint_overrides=overrides,
        supports=_supports(data.get("supports", {})),
        brace_joint=brace_joint,
        joinery=_joinery(data.get("joinery", {})),
        damping=tuple(_named(data, "damping", _damping)),
        stuffing_loss_factor=_stuffing(data.get("stuffing", {})),
        tune=_tune(data.get("tune", {})),
    )


def _refuse_huge(value: object, key: str) -> None:
    """Refuse whole numbers that are too large to be any quantity, before they overflow."""
    if isinstance(value, Mapping):
        for k, v in value.items():
            _refuse_huge(v, f"{key}.{k}" if key else str(k))
    elif isinstance(value, list | tuple):
        for i, v in enumerate(value):
            _refuse_huge(v, f"{key}[{i}]")
    elif isinstance(value, int) and abs(value) > 10**15:
        raise DesignError("got a whole number beyond 10^15; correct the value", key=key)


def _named(data: Mapping[str, object], key: str, build: Callable[[Mapping[str, object]], T]) -> Iterator[T]:
    """Build each entry of a list of tables; an error is keyed by the entry's name."""
    for i, entry in enumerate(tables(data.get(key, []), key)):
        label = entry.get("name", entry.get("opening", entry.get("part")))
        try:
            yield build(entry)
        except DesignError as e:
            plain = isinstance(label, str) and label.strip() and label.isprintable() and "." not in label
            raise e.within(f"{key}.{label}" if plain else f"{key}[{i}]") from None


def _boards(data: Mapping[str, object]) -> tuple[Board, ...]:
    out = []
    for name, value in table(data["boards"], "boards").items():
        try:
            out.append(replace(Board.from_table(table(value, "")), name=text(name, "name")))
        except DesignError as e:
            raise e.within(f"boards.{name}") from None
    if not out:
        raise DesignError("no board is given; add [boards.NAME]", key="boards")
    return tuple(out)


def _panels(box: Mapping[str, object]) -> tuple[Panel, ...]:
    given = table(box.get("panels", {}), "panels")
    for side in given:
        choice(side, "panels", PANELS)
    out = []
    for side in PANELS:
        t = dict(table(given.get(side, {}), f"panels.{side}"))
        try:
            known_keys(t, ("board", "grain_deg", "mesh"))
            if "board" not in t and "board" not in box:
                raise DesignError("no board is named; add `board` here or in [cabinet]", key="board")
            t.setdefault("board", box.get("board"))
            out.append(Panel(side=side, **t))  # type: ignore[arg-type]
        except DesignError as e:
            raise e.within(f"panels.{side}") from None
    return tuple(out)


def _joint(value: object, key: str) -> JointSpec:
    if isinstance(value, str):
        return JointSpec(kind=choice(value, key, JOINT_KINDS))
    if not isinstance(value, Mapping):
        kinds = ", ".join(JOINT_KINDS)
        raise DesignError(
            f"got {value!r}; name one of {kinds}, or give a table with {' and '.join(JOINT_KEYS)}", key=key
        )
    t = table(value, key)
    try:
        if any(k in t for k in SPRING_KEYS):
            known_keys(t, (*SPRING_KEYS, "loss_factor"), required=SPRING_KEYS)
            return JointSpec(kind="springs", **t)  # type: ignore[arg-type]
        known_keys(t, JOINT_KEYS)
        choice(t.get("kind", "glued"), "kind", JOINT_KINDS)
        return JointSpec(**t)  # type: ignore[arg-type]
    except DesignError as e:
        raise e.within(key) from None


def _joinery(value: object) -> joinery.Joinery:
    try:
        return joinery.from_table(value)
    except DesignError as e:
        raise e.within("joinery") from None


def _tune(value: object) -> tuning.Tuning:
    try:
        return tuning.from_table(value)
    except DesignError as e:
        raise e.within("tune") from None


def _joints(data: Mapping[str, object]) -> tuple[JointSpec, JointSpec | None, tuple[tuple[str, JointSpec], ...]]:
    t = table(data.get("joints", {}), "joints")
    known_keys(t, ("default", "braces", "edges"))
    parts = [*PANELS, *(str(b.get("name")) for b in tables(data.get("braces", []), "braces"))]
    pairs = [f"{a}-{b}" for a in parts for b in parts if a != b]
    edges = table(t.get("edges", {}), "joints.edges")
    for key in edges:
        choice(key, "joints.edges", pairs)
    overrides = tuple((k, _joint(v, f"joints.edges.{k}")) for k, v in edges.items())
    of_braces = _joint(t["braces"], "joints.braces") if "braces" in t else None
    return _joint(t.get("default", "glued"), "joints.default"), of_braces, overrides


def _opening(t: Mapping[str, object]) -> Opening:
    known_keys({k: v for k, v in t.items() if k in ("name", "panel")}, ("name", "panel"), required=("name", "panel"))
    rest = {k: v for k, v in t.items() if k not in ("name", "panel", "rebate")}
    rebate = _rebate(t["rebate"]) if "rebate" in t else None
    return Opening(name=t["name"], panel=t["panel"], shape=shape_from_table(rest), rebate=rebate)  # type: ignore[arg-type]


def _rebate(value: object) -> joinery.Rebate:
    try:
        return joinery.Rebate.from_table(value)
    except DesignError as e:
        raise e.within("rebate") from None


def _driver(t: Mapping[str, object]) -> Driver:
    known_keys(t, (*DRIVER_KEYS, *FIXING_KEYS), required=("opening", "mass_kg"))
    return Driver(**t)  # type: ignore[arg-type]


def _damping(t: Mapping[str, object]) -> Damping:
    known_keys(t, DAMPING_KEYS, required=DAMPING_KEYS[:5])
    pairs: dict[str, Any] = {}
    for key in ("centre", "size"):
        pair: Any = t.get(key)
        if pair is not None:
            if not isinstance(pair, list | tuple) or len(pair) != 2:
                raise DesignError(f"got {pair!r}; give two numbers", key=key)
            pairs[key] = (pair[0], pair[1])
    return Damping(**{**t, **pairs})


def _stuffing(value: object) -> float:
    t = table(value, "stuffing")
    try:
        known_keys(t, ("loss_factor",), required=("loss_factor",) if t else ())
    except DesignError as e:
        raise e.within("stuffing") from None
    return t.get("loss_factor", 0.01)  # type: ignore[return-value]  # the record checks it


def _brace(t: Mapping[str, object]) -> Brace:
    known_keys(t, BRACE_KEYS, required=("name", "normal", "at", "board"))
    rest = {k: v for k, v in t.items() if k not in ("pockets", "within")}
    within = []
    for axis, ends in table(t.get("within", {}), "within").items():
        if not isinstance(ends, list | tuple) or len(ends) != 2 or not all(isinstance(e, str) for e in ends):
            raise DesignError(f'got {ends!r}; give two part names, such as ["front", "back"]', key=f"within.{axis}")
        within.append((axis, (ends[0], ends[1])))
    pockets = []
    for i, p in enumerate(tables(t.get("pockets", []), "pockets")):
        try:
            pockets.append(Pocket.from_table(p))
        except DesignError as e:
            raise e.within(f"pockets[{i}]") from None
    return Brace(**rest, pockets=tuple(pockets), within=tuple(within))  # type: ignore[arg-type]


def to_table(cabinet: Cabinet) -> dict[str, object]:
    """Return the plain tables of a design; the inverse of `from_table`."""
    out: dict[str, object] = {"format": FORMAT, "name": cabinet.name}
    common = max((p.board for p in cabinet.panels), key=[p.board for p in cabinet.panels].count)
    box: dict[str, object] = {
        "width": cabinet.width,
        "depth": cabinet.depth,
        "height": cabinet.height,
        "board": common,
    }
    special = {}
    for p in cabinet.panels:
        t = _without_defaults(
            {"board": p.board, "grain_deg": p.grain_deg, "mesh": p.mesh}, board=common, grain_deg=0.0, mesh=None
        )
        if t:
            special[p.side] = t
    if special:
        box["panels"] = special
    out["cabinet"] = box
    out["boards"] = {b.name: b.to_table() for b in cabinet.boards}
    joints: dict[str, object] = {"default": _joint_table(cabinet.joint)}
    if cabinet.brace_joint is not None:
        joints["braces"] = _joint_table(cabinet.brace_joint)
    if cabinet.joint_overrides:
        joints["edges"] = {k: _joint_table(s) for k, s in cabinet.joint_overrides}
    out["joints"] = joints
    workshop = joinery.to_table(cabinet.joinery)
    if workshop:
        out["joinery"] = workshop
    supports = _changed(cabinet.supports, SUPPORT_KEYS, Supports())
    if supports:
        out["supports"] = supports
    out["openings"] = [
        {"name": o.name, "panel": o.panel, **o.shape.to_table()} | ({"rebate": o.rebate.to_table()} if o.rebate else {})
        for o in cabinet.openings
    ]
    out["drivers"] = [
        _without_defaults(
            {k: getattr(d, k) for k in DRIVER_KEYS},
            moving_mass_g=0.0,
            piston_area_cm2=0.0,
            volume_l=0.0,
            depth=0.0,
            frame="free",
        )
        | _changed(d, FIXING_KEYS, Driver(opening=d.opening, mass_kg=d.mass_kg))
        for d in cabinet.drivers
    ]
    out["braces"] = [_brace_table(b) for b in cabinet.braces]
    bare = Damping(part="x", thickness=1, E_GPa=1, density_kg_m3=1000, loss_factor=0)
    out["damping"] = [
        {k: getattr(d, k) for k in DAMPING_KEYS[:5]} | _changed(d, DAMPING_KEYS[5:], bare) for d in cabinet.damping
    ]
    if cabinet.stuffing_loss_factor != 0.01:
        out["stuffing"] = {"loss_factor": cabinet.stuffing_loss_factor}
    wishes = tuning.to_table(cabinet.tune)
    if wishes:
        out["tune"] = wishes
    return {k: v for k, v in out.items() if v != []}


def _without_defaults(t: dict[str, object], **defaults: object) -> dict[str, object]:
    return {k: v for k, v in t.items() if k not in defaults or v != defaults[k]}


def _joint_table(spec: JointSpec) -> object:
    if spec.kind == "springs":
        return {k: getattr(spec, k) for k in SPRING_KEYS} | _changed(spec, ("loss_factor",), JointSpec())
    changed = _changed(spec, JOINT_KEYS, JointSpec(kind=spec.kind))
    return {"kind": spec.kind, **changed} if changed else spec.kind


def _changed(record: object, keys: tuple[str, ...], default: object) -> dict[str, object]:
    """Values of a record that differ from a default one."""
    pairs = {k: getattr(record, k) for k in keys}
    return {k: _listed(v) for k, v in pairs.items() if v != getattr(default, k)}


def _listed(value: object) -> object:
    return [_listed(v) for v in value] if isinstance(value, tuple) else value


def _supports(value: object) -> Supports:
    t = dict(table(value, "supports"))
    try:
        known_keys(t, SUPPORT_KEYS)
        points: Any = t.get("points", ())
        if not (isinstance(points, list | tuple) and all(isinstance(p, list | tuple) and len(p) == 2 for p in points)):
            raise DesignError(f"got {points!r}; give a list of points, such as [[30, 30], [190, 30]]", key="points")
        edges: Any = t.get("edges", ())
        if not isinstance(edges, list | tuple):
            raise DesignError(f'got {edges!r}; give a list, such as ["back-bottom"]', key="edges")
        t["points"] = tuple((p[0], p[1]) for p in points)
        t["edges"] = tuple(edges)
        return Supports(**t)  # type: ignore[arg-type]
    except DesignError as e:
        raise e.within("supports") from None


def _brace_table(b: Brace) -> dict[str, object]:
    t: dict[str, object] = {"name": b.name, "normal": b.normal, "at": b.at, "board": b.board}
    if b.within:
        t["within"] = {axis: list(ends) for axis, ends in b.within}
    t |= _without_defaults(
        {"tilt_deg": b.tilt_deg, "tilt_about": b.tilt_about, "grain_deg": b.grain_deg, "mesh": b.mesh},
        tilt_deg=0.0,
        tilt_about=None,
        grain_deg=0.0,
        mesh=None,
    )
    if b.pockets:
        t["pockets"] = [p.to_table() for p in b.pockets]
    return t


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
