"""The block of wood where thick plates meet: its ports, its line and its section, and the ports' motions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design.cabinet import Cabinet
from bracewright.design.layout import Meeting
from bracewright.fem.arms import Slab, Strip
from bracewright.fem.joints import Divisions, Line, divided, pieces, wood_along
from bracewright.fem.mesh import MM, IntArray, Trace
from bracewright.fem.parts import FlatPart, cross
from bracewright.fem.plate import FIELDS
from bracewright.fem.section import JointSection, joint_section
from bracewright.fem.slabs import halved, homogenised, part_slab

Array = NDArray[np.float64]
MOTIONS = 10  # of a port: (u, w, b, u_s, b_s) and their changes along the line


@dataclass(frozen=True)
class Port:
    """Where a part meets the block.

    Attributes
    ----------
    part : FlatPart
    slab : tuple of Strip
        The part's layers as the section sees them, lower face first along `z`.
    n, z : (3,) arrays
        Direction away from the block in the part's plane, and the part's normal: z = s x n.
    offset : (3,) array
        From the block's centre to the port, m.
    """

    part: FlatPart
    slab: Slab
    n: Array
    z: Array
    offset: Array


@dataclass(frozen=True)
class Block:
    """A joint line with its section: `line` runs through the block's centre, in pieces so divided."""

    ports: tuple[Port, ...]
    section: JointSection
    material: Strip
    line: Line
    kind: str
    divisions: Divisions

    @property
    def width(self) -> float:
        """Side of the block's section along a, m."""
        return float(self.section.size[self.section.arms.index("+b")])

    @property
    def height(self) -> float:
        """Side of the block's section along b, m."""
        return float(self.section.size[0])


class _Layout(NamedTuple):
    """Where a joint's line runs and what meets there: each arm's part, its direction n, and its port's offset."""

    start: Array
    end: Array
    along: Array
    arms: tuple[str, ...]
    placed: list[tuple[FlatPart, Array, Array]]


def make_block(
    m: Meeting,
    cabinet: Cabinet,
    parts: Mapping[str, FlatPart],
    step: float,
    like: Block | None = None,
    divisions: Divisions = (),
) -> Block:
    """Lay out the ports of a joint around its block, and its line where all of them find wood.

    With `like`, the line is divided as in that block, or as `divisions` say.
    """
    start, end, along, arms, placed = _laid_out(m, parts[m.a], parts[m.b])
    turned = [(n, cross(along, n)) for _, n, _ in placed]
    # A section costs more than all the rest; where boards and their directions stay, so does it.
    if like is not None and m.kind != "corner" and _same_slabs(like, [q[0] for q in placed], turned):
        slabs, known = [p.slab for p in like.ports], (like.section, like.material)
    else:
        slabs, known = [part_slab(cabinet, q[0], *d) for q, d in zip(placed, turned, strict=True)], None
    ports = [Port(part, flat, *d, offset) for (part, _, offset), flat, d in zip(placed, slabs, turned, strict=True)]
    section, material = known or _section_of(ports, arms, m, cabinet)
    found = wood_along([p.part for p in ports], start, end, [p.offset for p in ports])
    known_cuts = divisions if like is None else like.divisions
    cuts = divided(found, step, start, along, [(p.part, p.offset) for p in ports], known_cuts)
    return Block(tuple(ports), section, material, pieces(start, end, found, cuts), m.kind, cuts)


def _laid_out(m: Meeting, a: FlatPart, b: FlatPart) -> _Layout:
    start, end = m.start * MM, m.end * MM
    along = pieces(start, end, [], ()).along
    if m.kind == "corner":
        na = _towards(b.rotation[2], a, start)
        nb = _towards(a.rotation[2], b, start)
        if cross(na, nb) @ along < 0:
            start, end, along = end, start, -along
        placed = [(a, na, na * b.thickness / 2), (b, nb, nb * a.thickness / 2)]
        return _Layout(start, end, along, ("+a", "+b"), placed)
    if m.kind == "tee":
        up = _towards(b.rotation[2], a, start)  # normal of the panel, towards the brace
        nb = cross(a.rotation[2], along)
        nb *= np.sign(nb @ up)
        across = cross(up, along)
        foot = across * a.thickness / 2 / abs(float(nb @ up))
        drop = up * b.thickness / 2
        placed = [(b, across, foot), (b, -across, -foot), (a, nb, drop)]
        return _Layout(start - drop, end - drop, along, ("+a", "-a", "+b"), placed)
    nb = cross(b.rotation[2], along)
    na = cross(a.rotation[2], along)
    if cross(na, nb) @ along < 0:
        nb = -nb
    skew = abs(float(np.linalg.norm(cross(a.rotation[2], b.rotation[2]))))
    half_a, half_b = na * b.thickness / 2 / skew, nb * a.thickness / 2 / skew
    placed = [(a, na, half_a), (a, -na, -half_a), (b, nb, half_b), (b, -nb, -half_b)]
    return _Layout(start, end, along, ("+a", "-a", "+b", "-b"), placed)


def _same_slabs(like: Block, parts: Sequence[FlatPart], turned: Sequence[tuple[Array, Array]]) -> bool:
    """Whether a block's ports have the layers of these parts along these directions."""
    return all(
        port.part.laminate is part.laminate
        and np.array_equal(port.part.rotation, part.rotation)
        and np.abs(port.n - n).max() < 1e-14
        and np.abs(port.z - z).max() < 1e-14
        for port, part, (n, z) in zip(like.ports, parts, turned, strict=True)
    )


def _section_of(
    ports: Sequence[Port], arms: tuple[str, ...], m: Meeting, cabinet: Cabinet
) -> tuple[JointSection, Strip]:
    flat = next(p.slab for p, arm in zip(ports, arms, strict=True) if arm == "+a")
    upright = next(p.slab for p, arm in zip(ports, arms, strict=True) if arm == "+b")
    material = homogenised(flat)  # the board that runs through, or whose edge the other stands on
    if m.kind == "cross" or (m.kind == "corner" and cabinet.joint_between(m.a, m.b).form == "mitre"):
        material = halved(material, homogenised(upright))
    # The section keeps a vertical slab's layers along +a, against its arm's normal.
    return joint_section(flat, upright[::-1], material, arms), material


def of_other_boards(block: Block, m: Meeting, cabinet: Cabinet) -> Block:
    """Return a block as it is in a design that differs in its boards' material alone."""
    ports = tuple(replace(p, slab=part_slab(cabinet, p.part, p.n, p.z)) for p in block.ports)
    section, material = _section_of(ports, block.section.arms, m, cabinet)
    return replace(block, ports=ports, section=section, material=material)


def _towards(normal: Array, part: FlatPart, point: Array) -> Array:
    """Turn a plane's normal to the side of a point of it on which a part lies."""
    middle = part.to_space(part.mesh.points.mean(axis=0)[None])[0] - point
    return np.asarray(normal * np.sign(middle @ normal))


def port_motion(port: Port, at: Line, element: IntArray | None = None) -> tuple[Array, Trace]:
    """Coefficients (p, 10, 30) of a port's motions by the fields at the six nodes about each point.

    Given the elements, the trace continues them beyond their sides.
    """
    s = at.along
    e1, e2, e3 = port.part.rotation
    side = float(np.sign(port.z @ e3))
    value = np.zeros((5, FIELDS))
    for i, d in enumerate((port.n, port.z)):
        value[i, :3] = d @ e1, d @ e2, d @ e3
    value[2, 3:] = side * (port.n @ e1), side * (port.n @ e2)
    value[3, :3] = s @ e1, s @ e2, 0.0
    value[4, 3:] = side * (s @ e1), side * (s @ e2)
    trace = port.part.mesh.trace(port.part.to_plane(at.points + port.offset), element)
    along = trace.dx * (s @ e1) + trace.dy * (s @ e2)
    both = np.stack([trace.value, along], axis=1)  # (p, 2, 6)
    # An outer product, point by point: motions by (node, field).
    spread = (both[:, :, None, :, None] * value[None, None, :, None, :]).reshape(len(along), MOTIONS, 6 * FIELDS)
    return spread, trace


def port_rows(
    block: Block, first: Mapping[str, int], total: int, triangles: Sequence[IntArray | None]
) -> tuple[Any, tuple[IntArray, ...]]:
    """Rows (p 10 m, total) of every port's motions, point by point, port by port, and the triangles of the points."""
    data, cols, inside = [], [], []
    for port, known in zip(block.ports, triangles, strict=True):
        entries, trace = port_motion(port, block.line, known)
        inside.append(trace.element)
        unknowns = first[port.part.name] + FIELDS * trace.nodes[:, :, None] + np.arange(FIELDS)
        data.append(entries)
        cols.append(np.broadcast_to(unknowns.reshape(len(entries), 1, -1), entries.shape))
    values, where = np.concatenate(data, axis=1), np.concatenate(cols, axis=1)
    indptr = np.arange(0, values.size + 1, values.shape[2])
    shape = (values.shape[0] * values.shape[1], total)
    return sp.csr_array((values.ravel(), where.ravel(), indptr), shape=shape), tuple(inside)
