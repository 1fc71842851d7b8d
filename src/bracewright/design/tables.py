"""A design as the plain tables of its file, both ways: records from tables, tables from records."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, replace
from typing import Any, TypeVar

from bracewright.boards import Board
from bracewright.design import joinery, tuning
from bracewright.design.cabinet import (
    JOINT_KINDS,
    PANELS,
    UNSTUFFED,
    Brace,
    Cabinet,
    JointSpec,
    Opening,
    Panel,
    Supports,
)
from bracewright.design.checks import changed, choice, known_keys, table, tables, text
from bracewright.design.mounted import Damping, Driver
from bracewright.design.pockets import Pocket, shape_from_table
from bracewright.errors import DesignError

T = TypeVar("T")
FORMAT = 1
# Keys in the order in which they are written; those of a brace in which they read best.
PANEL_KEYS = ("board", "grain_deg", "mesh")
DRIVER_KEYS = tuple(f.name for f in fields(Driver))
DAMPING_KEYS = tuple(f.name for f in fields(Damping))
SUPPORT_KEYS = tuple(f.name for f in fields(Supports))
SPRING_KEYS = ("translation_N_mm2", "rotation_N_rad")
JOINT_KEYS = tuple(f.name for f in fields(JointSpec) if f.name not in SPRING_KEYS)
BRACE_EXTRAS = ("tilt_deg", "tilt_about", "grain_deg", "mesh")
BRACE_KEYS = ("name", "normal", "at", "board", "within", *BRACE_EXTRAS, "pockets")


# --- reading --------------------------------------------------------------------------------------------------------


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
            known_keys(t, PANEL_KEYS)
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
    known_keys(t, DRIVER_KEYS, required=DRIVER_KEYS[:2])
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


def _stuffing(value: object) -> float:
    t = table(value, "stuffing")
    try:
        known_keys(t, ("loss_factor",), required=("loss_factor",) if t else ())
    except DesignError as e:
        raise e.within("stuffing") from None
    return t.get("loss_factor", UNSTUFFED)  # type: ignore[return-value]  # the record checks it


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


# --- writing --------------------------------------------------------------------------------------------------------


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
        t = changed(p, PANEL_KEYS, Panel(side=p.side, board=common))
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
    supports = changed(cabinet.supports, SUPPORT_KEYS, Supports())
    if supports:
        out["supports"] = supports
    out["openings"] = [
        {"name": o.name, "panel": o.panel, **o.shape.to_table()} | ({"rebate": o.rebate.to_table()} if o.rebate else {})
        for o in cabinet.openings
    ]
    out["drivers"] = [
        {"opening": d.opening, "mass_kg": d.mass_kg}
        | changed(d, DRIVER_KEYS[2:], Driver(opening=d.opening, mass_kg=d.mass_kg))
        for d in cabinet.drivers
    ]
    out["braces"] = [_brace_table(b) for b in cabinet.braces]
    bare = Damping(part="x", thickness=1, E_GPa=1, density_kg_m3=1000, loss_factor=0)
    out["damping"] = [
        {k: getattr(d, k) for k in DAMPING_KEYS[:5]} | changed(d, DAMPING_KEYS[5:], bare) for d in cabinet.damping
    ]
    if cabinet.stuffing_loss_factor != UNSTUFFED:
        out["stuffing"] = {"loss_factor": cabinet.stuffing_loss_factor}
    wishes = tuning.to_table(cabinet.tune)
    if wishes:
        out["tune"] = wishes
    return {k: v for k, v in out.items() if v != []}


def _joint_table(spec: JointSpec) -> object:
    if spec.kind == "springs":
        return {k: getattr(spec, k) for k in SPRING_KEYS} | changed(spec, ("loss_factor",), JointSpec())
    own = changed(spec, JOINT_KEYS, JointSpec(kind=spec.kind))
    return {"kind": spec.kind, **own} if own else spec.kind


def _brace_table(b: Brace) -> dict[str, object]:
    t: dict[str, object] = {"name": b.name, "normal": b.normal, "at": b.at, "board": b.board}
    if b.within:
        t["within"] = {axis: list(ends) for axis, ends in b.within}
    t |= changed(b, BRACE_EXTRAS, Brace(name=b.name, normal=b.normal, at=b.at, board=b.board))
    if b.pockets:
        t["pockets"] = [p.to_table() for p in b.pockets]
    return t
