"""What is chosen from a list: a brace's plane, whether it is there, a board's thickness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product
from typing import Any, cast

import numpy as np

from bracewright.boards import Board
from bracewright.design import layout
from bracewright.design.cabinet import AXES, PANELS, Brace, Cabinet, in_plane
from bracewright.design.pockets import Pocket
from bracewright.design.tuning import Choice
from bracewright.errors import DesignError
from bracewright.tune.pockets import parameters, reshaped

MOST = 256  # combinations


def options(cabinet: Cabinet) -> tuple[dict[str, Cabinet], dict[str, DesignError]]:
    """Return every cabinet that the choices of the design's ``[tune]`` table leave, by what was chosen.

    The design as it is comes first. Beside them, why others cannot be built.

    Raises
    ------
    DesignError
        Too many combinations, or none that has few enough braces and can be built.
    """
    wishes = cabinet.tune
    settled = replace(cabinet, tune=replace(wishes, choices=(), most_braces=None))
    lists = [list(_settings(cabinet, c)) for c in wishes.choices]
    count = int(np.prod([len(x) for x in lists])) if lists else 1
    if count > MOST:
        raise DesignError(f"{count} combinations of choices; leave at most {MOST}", key="tune.choices")
    out: dict[str, Cabinet] = {}
    refused: dict[str, DesignError] = {}
    for combination in product(*lists):
        said = ", ".join(_said(c, v) for c, v in combination) or "as it is"
        try:
            found = settled
            for choice, value in combination:
                found = _with(found, choice, value)
        except DesignError as e:
            refused[said] = e
            continue
        if wishes.most_braces is None or len(found.braces) <= wishes.most_braces:
            out[said] = found
    if not out:
        why = f" ({next(iter(refused.values()))})" if refused else ""
        raise DesignError(
            f"no combination of the choices can be built with so few braces{why}; allow more or make some optional",
            key="tune.choices",
        )
    return out, refused


def _settings(cabinet: Cabinet, choice: Choice) -> Iterator[tuple[Choice, object]]:
    """What is there now, then the rest."""
    if choice.board:
        now = cabinet.board(choice.board).thickness
        yield choice, now
        yield from ((choice, t) for t in choice.thickness if t != now)
        return
    axis = cabinet.brace(choice.brace).normal
    yield choice, axis
    yield from ((choice, a) for a in choice.planes if a != axis)
    if choice.optional:
        yield choice, None


def _said(choice: Choice, value: object) -> str:
    if choice.board:
        return f"{choice.board} {value:g} mm"
    return f"no {choice.brace}" if value is None else f"{choice.brace} across {value}"


def _with(cabinet: Cabinet, choice: Choice, value: object) -> Cabinet:
    if choice.board:
        now = cabinet.board(choice.board)
        if value == now.thickness:
            return cabinet
        boards = tuple(thicker(b, float(str(value))) if b is now else b for b in cabinet.boards)
        return replace(cabinet, boards=boards)
    if value is None:
        return with_braces(cabinet, [b for b in cabinet.braces if b.name != choice.brace])
    brace = cabinet.brace(choice.brace)
    if value == brace.normal:
        return cabinet
    return with_braces(cabinet, [turned(cabinet, b, str(value)) if b is brace else b for b in cabinet.braces])


def with_braces(cabinet: Cabinet, braces: Sequence[Brace]) -> Cabinet:
    """Return the design with other braces; what was said of one that is gone, or of a joint there is no more, goes too.

    Raises
    ------
    DesignError
        It cannot be built: another brace ends at one that is gone, for one.
    """
    there = {*PANELS, *(b.name for b in braces)}
    bare = replace(
        cabinet,
        braces=tuple(braces),
        joint_overrides=(),
        damping=tuple(d for d in cabinet.damping if d.part in there),
        drivers=tuple(
            replace(d, rear_brace="", rear_N_mm=0.0) if d.rear_brace and d.rear_brace not in there else d
            for d in cabinet.drivers
        ),
    )
    met = {key for m in layout.meetings(bare) for key in (f"{m.a}-{m.b}", f"{m.b}-{m.a}")}
    return replace(bare, joint_overrides=tuple((key, spec) for key, spec in cabinet.joint_overrides if key in met))


def thicker(board: Board, thickness: float) -> Board:
    """Return a board of another thickness: the library's, or with its layers in the same proportions."""
    if board.material is not None:
        other = Board.of(board.material, thickness, **cast(Any, dict(board.overrides)))
        return replace(other, name=board.name, cost_per_m2=board.cost_per_m2)
    scale = thickness / board.thickness
    layers = tuple(replace(k, thickness=k.thickness * scale) for k in board.layers)
    return replace(board, layers=layers)


def turned(cabinet: Cabinet, brace: Brace, normal: str) -> Brace:
    """Return a brace that stands across another axis, in the middle, its pockets at the same shares of its size."""
    ends = {a: [layout.inner_face(cabinet, s) for s in layout.sides(a)] for a in AXES}
    before, after = in_plane(brace.normal), in_plane(normal)
    pockets = []
    for pocket in brace.pockets:
        now = parameters(pocket.shape)
        changes: list[tuple[str, int | None, float]] = []
        for i, (a, b) in enumerate(zip(before, after, strict=True)):
            share = (float(now["centre"][i]) - ends[a][0]) / (ends[a][1] - ends[a][0])
            changes.append(("centre", i, ends[b][0] + share * (ends[b][1] - ends[b][0])))
        scale = [(ends[b][1] - ends[b][0]) / (ends[a][1] - ends[a][0]) for a, b in zip(before, after, strict=True)]
        for field in ("size", "semi_axes"):
            if field in now:
                changes += [(field, i, float(now[field][i]) * scale[i]) for i in range(2)]
        if "diameter" in now:
            changes.append(("diameter", None, float(now["diameter"]) * min(scale)))
        pockets.append(Pocket(name=pocket.name, shape=reshaped(pocket.shape, changes)))
    within = tuple((a, w) for a, w in brace.within if a in after)
    return replace(
        brace,
        normal=normal,
        at=float(np.round(sum(ends[normal]) / 2)),
        pockets=tuple(pockets),
        within=within,
        tilt_deg=0.0,
        tilt_about=None,
    )
