"""What a fit may change: moduli, densities and loss factors of boards, and the stiffness of joints.

A parameter is a factor on what the design says, 1 being the design as it stands; the fit works in its logarithm,
so that a stiffness stays positive and a spread of 0.3 means about 30 % either way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bracewright.boards import Board, library
from bracewright.design import layout as lay
from bracewright.design.cabinet import PANELS, Cabinet, JointSpec
from bracewright.design.checks import choice, number
from bracewright.errors import DesignError

#: Key of a board -> the layer values it scales.
BOARD_KEYS: Mapping[str, tuple[str, ...]] = {
    "E_GPa": ("E1_GPa", "E2_GPa", "G12_GPa", "G13_GPa", "G23_GPa"),
    "E1_GPa": ("E1_GPa",),
    "E2_GPa": ("E2_GPa",),
    "G_GPa": ("G12_GPa",),
    "G_through_GPa": ("G13_GPa", "G23_GPa"),
    "density_kg_m3": ("density_kg_m3",),
    "loss_factor": (),
}
GENERAL_JOINTS = ("joints.default", "joints.braces")
#: Relative standard deviations before measuring. Common practice, no source, where the library gives none.
SPREADS: Mapping[str, float] = {
    "E_GPa": 0.15,
    "E1_GPa": 0.15,
    "E2_GPa": 0.2,
    "G_GPa": 0.2,
    "G_through_GPa": 0.3,
    "density_kg_m3": 0.05,
    "loss_factor": 0.5,
    "joint": 1.5,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One thing to fit.

    Parameters
    ----------
    key : str
        ``boards.NAME.KEY`` (a key of `BOARD_KEYS`), ``joints.default``, ``joints.braces`` where the design gives
        braces a joint of their own, ``joints.A-B`` for the line of two parts, or ``joints.PART`` for all the lines of
        a part.
    spread : float
        Standard deviation of the factor's logarithm before measuring.
    low, high : float
        Bounds of the factor.
    """

    key: str
    spread: float
    low: float = 0.3
    high: float = 3.0

    def __post_init__(self) -> None:
        number(self.spread, self.key, low=1e-4, high=10.0)
        number(self.low, self.key, low=1e-6, high=1.0)
        number(self.high, self.key, low=1.0, high=1e6)


def default_parameters(cabinet: Cabinet) -> tuple[Parameter, ...]:
    """Return each board's modulus and density, and the default joint and that of braces where they are not rigid."""
    out = []
    used = {cabinet.panel(s).board for s in PANELS} | {b.board for b in cabinet.braces}
    for board in cabinet.boards:
        if board.name in used:
            for key in ("E_GPa", "density_kg_m3"):
                out.append(Parameter(key=f"boards.{board.name}.{key}", spread=_spread(board, key)))
    for key, spec in zip(GENERAL_JOINTS, (cabinet.joint, cabinet.brace_joint), strict=True):
        if spec is not None and spec.kind != "rigid":
            out.append(Parameter(key=key, spread=SPREADS["joint"], low=0.003, high=300.0))
    return tuple(out)


def _spread(board: Board, key: str) -> float:
    if board.material is None:
        return SPREADS[key]
    known = library()[board.material].spread
    return float(known.get(key, known.get("E1_GPa", SPREADS[key]) if key == "E_GPa" else SPREADS[key]))


def brace_joints(cabinet: Cabinet) -> tuple[str, ...]:
    """Return the keys ``joints.A-B`` of every line where a brace meets another part."""
    names = [b.name for b in cabinet.braces]
    pairs = [(m.a, m.b) for m in lay.meetings(cabinet) if m.a in names or m.b in names]
    return tuple(dict.fromkeys(f"joints.{a}-{b}" for a, b in pairs))


def changed(cabinet: Cabinet, factors: Mapping[str, float]) -> Cabinet:
    """Return the design with its values multiplied by factors.

    Raises
    ------
    DesignError
        An unknown key, a rigid joint, or a value that leaves its range.
    """
    out = cabinet
    for key, factor in factors.items():
        if factor == 1.0:
            continue
        if key.startswith("boards."):
            name, _, what = key.removeprefix("boards.").rpartition(".")
            choice(name, key, [b.name for b in cabinet.boards])
            choice(what, key, tuple(BOARD_KEYS))
            new = tuple(scaled_board(b, what, factor) if b.name == name else b for b in out.boards)
            out = replace(out, boards=new)
        else:
            out = _with_joint(out, key, factor)
    return out


def scaled_board(board: Board, key: str, factor: float) -> Board:
    """Return a board with one of its values multiplied."""
    if key == "loss_factor":
        return with_loss(board, board.loss_factor * factor)
    if board.material is not None:
        entry = library()[board.material]
        numbers: dict[str, Any] = {**entry.values, **dict(board.overrides)}
        own = [k for k in (*BOARD_KEYS[key], key, *_sheet_keys(key)) if k in entry.keys and k in numbers]
        if own:
            over = {**dict(board.overrides), **{k: numbers[k] * factor for k in own}}
            new = Board.of(
                board.material, round(board.thickness, 9), name=board.name, cost_per_m2=board.cost_per_m2, **over
            )
            if len(new.layers) == len(board.layers):
                return new
    layers = tuple(replace(layer, **{k: getattr(layer, k) * factor for k in BOARD_KEYS[key]}) for layer in board.layers)
    return replace(board, layers=layers, material=None, overrides=())


def with_loss(board: Board, loss_factor: float) -> Board:
    """Return a board with another loss factor."""
    over = {**dict(board.overrides), "loss_factor": loss_factor} if board.material else {}
    return replace(board, loss_factor=loss_factor, overrides=tuple(over.items()))


def _sheet_keys(key: str) -> tuple[str, ...]:
    return ("E_GPa", "G_GPa", "G_through_GPa") if key == "E_GPa" else ()


def _with_joint(cabinet: Cabinet, key: str, factor: float) -> Cabinet:
    target = key.removeprefix("joints.")
    if key == "joints.default":
        return replace(cabinet, joint=scaled_joint(cabinet.joint, factor, key))
    if key == "joints.braces" and cabinet.brace_joint is not None:
        return replace(cabinet, brace_joint=scaled_joint(cabinet.brace_joint, factor, key))
    # Names may have hyphens of their own, so that a key is never taken apart.
    pairs = sorted({(m.a, m.b) for m in lay.meetings(cabinet)})
    mine = [(a, b) for a, b in pairs if target in (f"{a}-{b}", f"{b}-{a}")]
    if not mine:
        choice(target, key, [*(f"{a}-{b}" for a, b in pairs), *cabinet.parts])
        mine = [p for p in pairs if target in p]
    overrides = dict(cabinet.joint_overrides)
    for a, b in mine:
        name = f"{b}-{a}" if f"{b}-{a}" in overrides else f"{a}-{b}"
        overrides[name] = scaled_joint(cabinet.joint_between(a, b), factor, key)
    return replace(cabinet, joint_overrides=tuple(overrides.items()))


def scaled_joint(spec: JointSpec, factor: float, key: str = "joints") -> JointSpec:
    """Return a joint whose faces are `factor` times as stiff; raises DesignError for a rigid one."""
    if spec.kind == "glued":
        return replace(spec, glue_E_GPa=min(max(spec.glue_E_GPa * factor, 1e-4), 100.0))
    if spec.kind == "dry":
        return replace(spec, contact_N_mm3=min(spec.contact_N_mm3 * factor, 1e6))
    if spec.kind == "springs":
        return replace(
            spec,
            translation_N_mm2=spec.translation_N_mm2 * factor,
            rotation_N_rad=spec.rotation_N_rad * factor,
        )
    raise DesignError("a rigid joint has no stiffness to fit; make it glued or dry", key=key)


def value_of(cabinet: Cabinet, key: str) -> tuple[float, str]:
    """Return what a parameter's key stands for in a design, and its unit."""
    if key.startswith("boards."):
        name, _, what = key.removeprefix("boards.").rpartition(".")
        board = cabinet.board(name)
        if what == "density_kg_m3":
            return board.density_kg_m3, "kg/m3"
        if what == "loss_factor":
            return board.loss_factor, ""
        layer = board.layers[len(board.layers) // 2 if len(board.layers) < 3 else 0]
        return float(getattr(layer, BOARD_KEYS[what][0])), "GPa"
    target = key.removeprefix("joints.")
    spec = cabinet.brace_joint if target == "braces" and cabinet.brace_joint is not None else cabinet.joint
    for m in lay.meetings(cabinet):
        if target in (f"{m.a}-{m.b}", f"{m.b}-{m.a}", m.a, m.b):
            spec = cabinet.joint_between(m.a, m.b)
            break
    if spec.kind == "glued":
        return spec.glue_E_GPa, "GPa of glue"
    if spec.kind == "dry":
        return spec.contact_N_mm3, "N/mm3"
    return (spec.translation_N_mm2, "N/mm2") if spec.kind == "springs" else (math.inf, "")


def logs(parameters: Sequence[Parameter]) -> tuple[list[float], list[float]]:
    """Return the bounds of the factors' logarithms."""
    return [math.log(p.low) for p in parameters], [math.log(p.high) for p in parameters]
