"""An order in which the parts can be put together, or the parts that lock each other.

Taking apart is looked for instead, since it runs the same way backwards: along one straight direction a group of
parts comes off if nothing of the rest is in its way. Which part is in whose way is a directed graph for each
direction; a group that nothing holds back is a part of that graph that no arrow leaves (R. H. Wilson, On geometric
assembly planning, 1992, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet, in_plane
from bracewright.design.layout import inner_face, layouts
from bracewright.design.panels import butt_bounds, outward
from bracewright.design.solid import Cell, box, slabs
from bracewright.make.joinery import as_measured, joints
from bracewright.make.joint import Joint

Vec = NDArray[np.float64]
SKIN = 0.05  # mm taken off every body, so that faces that touch do not count as in the way
SQUARE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Put `parts`, already joined, onto `onto`, already joined, moving along `direction` (unit vector, words)."""

    parts: tuple[str, ...]
    onto: tuple[str, ...]
    direction: tuple[float, float, float]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """The steps in order, and groups of parts that cannot be put together by straight moves."""

    steps: tuple[Step, ...]
    conflicts: tuple[tuple[str, ...], ...]


@lru_cache(maxsize=32)
def assembly(cabinet: Cabinet) -> Assembly:
    """Find an order of assembly.

    Parameters
    ----------
    cabinet : Cabinet

    Returns
    -------
    Assembly
        Steps from single parts to the whole; the conflicts are empty if it can be built.
    """
    found = joints(cabinet)
    cabinet = as_measured(cabinet)
    names = list(cabinet.parts)
    directions = _directions(found)
    blocked = [_blocking(cabinet, found, names, v) for v in directions]
    across = [p.frame.e3 for p in layouts(cabinet, "inner").values()]
    square = [{i for i, n in enumerate(across) if abs(n @ v) > 1 - SQUARE} for v in directions]
    touching = np.zeros((len(names), len(names)), dtype=bool)
    for j in found:
        touching[names.index(j.a), names.index(j.b)] = True
    steps: list[Step] = []
    conflicts: list[tuple[str, ...]] = []
    todo = [list(range(len(names)))]
    while todo:
        group = todo.pop()
        if len(group) == 1:
            continue
        cut = _loose(group, blocked, square, touching)
        if cut is None:
            conflicts.append(tuple(names[k] for k in group))
            continue
        off, k = cut
        rest = [p for p in group if p not in off]
        into = -directions[k] + 0.0
        steps.append(
            Step(
                parts=tuple(names[p] for p in off),
                onto=tuple(names[p] for p in rest),
                direction=(float(into[0]), float(into[1]), float(into[2])),
                words=_words(into),
            )
        )
        todo += [off, rest]
    return Assembly(steps=tuple(reversed(steps)), conflicts=tuple(conflicts))


def _loose(
    group: list[int], blocked: Sequence[NDArray[np.bool_]], square: Sequence[set[int]], touching: NDArray[np.bool_]
) -> tuple[list[int], int] | None:
    """Return the smallest set of parts that comes off the group in one direction, and the number of the direction.

    `square` tells for each direction the parts that stand across it, `touching` who touches whom.
    """
    best: tuple[list[int], int] | None = None
    least = (True, len(group), True)
    for k, whole in enumerate(blocked):
        graph = whole[np.ix_(group, group)]
        count, label = connected_components(csr_array(graph), directed=True, connection="strong")
        if count < 2:
            continue
        for c in range(count):
            inside = label == c
            if not graph[np.ix_(inside, ~inside)].any():  # nothing outside is in its way
                off = [p for p, i in zip(group, inside, strict=True) if i]
                # Both halves had better hold together, and a single board come off square to its face.
                rest = [p for p, i in zip(group, inside, strict=True) if not i]
                apart = not (_hang(off, touching) and _hang(rest, touching))
                rank = (apart, len(off), len(off) > 1 or off[0] not in square[k])
                if best is None or rank < least:
                    best, least = (off, k), rank
    return best


def _hang(parts: list[int], touching: NDArray[np.bool_]) -> bool:
    """Whether parts hang together by their joints."""
    return bool(connected_components(csr_array(touching[np.ix_(parts, parts)]), directed=False)[0] == 1)


def _directions(found: Sequence[Joint]) -> list[Vec]:
    """Return the cabinet's axes both ways, outer panels first to come off, and every direction a joint asks for."""
    wanted = [s * np.eye(3)[k] for k in (1, 0, 2) for s in (-1.0, 1.0)]
    for j in found:
        if j.form in ("tongue", "housed", "lap"):
            into = j.into / np.linalg.norm(j.into)
            wanted += [-into, into]
    kept: list[Vec] = []
    for v in wanted:
        if all(np.linalg.norm(v - u) > 1e-6 for u in kept):
            kept.append(v)
    return kept


def _blocking(cabinet: Cabinet, found: Sequence[Joint], names: list[str], v: Vec) -> NDArray[np.bool_]:
    """Return whether part i, moving along v without end, meets part k."""
    n = len(names)
    out = np.zeros((n, n), dtype=bool)
    laps = {frozenset((j.a, j.b)) for j in found if j.form == "lap"}
    cells = _bodies(cabinet)
    for i in range(n):
        for k in range(i + 1, n):
            if frozenset((names[i], names[k])) not in laps:
                out[i, k] = _meets(cells[names[i]], cells[names[k]], v)
                out[k, i] = _meets(cells[names[i]], cells[names[k]], -v)
    for j in found:
        a, b = names.index(j.a), names.index(j.b)
        out[a, b] |= _holds(j, v)
        out[b, a] |= _holds(j, -v)
    return out


def _holds(j: Joint, v: Vec) -> bool:
    """Whether the joint keeps `a` from moving along v."""
    if j.form == "mitre":  # the face runs from the inner to the outer corner
        return bool(v @ (outward(j.a) / j.widths[0] - j.into / j.widths[1]) < -1e-9)
    if j.form == "rebate" and v @ outward(j.a) < -1e-9:  # the shoulder
        return True
    if j.form in ("tongue", "housed", "lap"):
        into = j.into / np.linalg.norm(j.into)
        if np.linalg.norm(v + into) < 1e-9:
            return False
        # A groove open at both ends, or at the end ahead, lets the tongue slide out sideways.
        ahead = v @ j.along
        if j.form != "lap" and abs(abs(ahead) - 1) < 1e-9 and len(j.grooves) == 1:
            lo, hi = j.grooves[0]
            return bool(hi < j.length if ahead > 0 else lo > 0)
        return True
    return bool(v @ j.into > 1e-9)


@lru_cache(maxsize=8)
def _bodies(cabinet: Cabinet) -> dict[str, Cell]:
    """Return each part as a convex body, without what stands into others; mitred panels without their corners."""
    out: dict[str, Cell] = {}
    mitred = {p for j in joints(cabinet) if j.form == "mitre" for p in (j.a, j.b)}
    for side in PANELS:
        normal = PANEL_NORMAL[side]
        face, outside = inner_face(cabinet, side), 0.0 if side in LOWER_PANELS else cabinet.size(normal)
        a0, a1, b0, b1 = butt_bounds(cabinet, side)
        if side in mitred:
            (a0, b0), (a1, b1) = (getattr(layouts(cabinet, "inner")[side].corners, m)(axis=0) for m in ("min", "max"))
        span = {normal: sorted((face, outside)), **dict(zip(in_plane(normal), ((a0, a1), (b0, b1)), strict=True))}
        out[side] = box([float(span[x][0]) for x in AXES], [float(span[x][1]) for x in AXES])
    return out | {s.name: s.cell for s in slabs(cabinet)}


def _meets(a: Cell, b: Cell, v: Vec) -> bool:
    """Whether body `a`, moving along v without end, meets body `b`; both convex, both thinned by a skin."""
    pa, pb = (np.concatenate([f.corners for f in c.faces]) for c in (a, b))
    # First along directions across v, which most pairs do not share.
    for n in np.eye(3):
        drift = float(n @ v)
        gap_up, gap_down = (pb @ n).max() - (pa @ n).min() - 2 * SKIN, (pa @ n).max() - (pb @ n).min() - 2 * SKIN
        if (drift >= -SQUARE and gap_up <= 0) or (drift <= SQUARE and gap_down <= 0):
            return False
    if _upright(a) and _upright(b) and np.abs(v).max() > 1 - SQUARE:
        return True  # three intervals that overlap are all there is to boxes
    rows = [[*-n, 0.0] for n, _ in b.halfspaces] + [[*-n, float(n @ v)] for n, _ in a.halfspaces]
    limits = [-d - SKIN for _, d in (*b.halfspaces, *a.halfspaces)]
    found = linprog(np.zeros(4), A_ub=rows, b_ub=limits, bounds=[(None, None)] * 3 + [(0.0, None)], method="highs")
    return bool(found.status == 0)


def _upright(c: Cell) -> bool:
    return len(c.faces) == 6 and all(np.abs(f.normal).max() > 1 - SQUARE for f in c.faces)


def _words(v: Vec) -> str:
    names = {0: ("to the left", "to the right"), 1: ("forwards", "backwards"), 2: ("downwards", "upwards")}
    k = int(np.argmax(np.abs(v)))
    word = names[k][int(v[k] > 0)]
    return word if abs(v[k]) > 1 - 1e-6 else f"{word}, at a slant along ({', '.join(f'{c:.3f}' for c in v)})"
