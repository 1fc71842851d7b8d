"""Thick joints: plates that end at the faces of a block of wood, and the block's own stiffness and mass.

Panels end at the inner faces of their neighbours. Along each joint line the block between them adds
its stiffness, taken from the joint's cross-section (`fem.section`), and its mass. A panel that runs
through under a brace keeps its own plate there; the block adds what the plate lacks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import product
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.boards import Board
from bracewright.design.cabinet import AXES, PANEL_NORMAL, PANELS, Cabinet, JointSpec
from bracewright.design.layout import Meeting, inner_face, panel_mid, sides
from bracewright.fem.joints import (
    JointRow,
    Line,
    energy,
    face_stiffness,
    kept_counts,
    kept_triangles,
    motion,
    pieces,
    rows,
    wood_along,
)
from bracewright.fem.mesh import MM, IntArray, Trace
from bracewright.fem.parts import FlatPart, cross, part_board
from bracewright.fem.plate import FIELDS
from bracewright.fem.section import JointSection, Slab, Strip, joint_section, port_rigid, through_stiffness

Array = NDArray[np.float64]
GRAINED_RATIO = 4.0
FIRMEST = 10.0  # times E t2: a grip this firm is as good as rigid


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
    """A joint line with its section: `line` runs through the block's centre, in pieces of so many intervals."""

    ports: tuple[Port, ...]
    section: JointSection
    material: Strip
    line: Line
    kind: str
    intervals: tuple[int, ...]


def slab(board: Board, grain_deg: float, direction_deg: float, *, flip: bool) -> Slab:
    """Layers of a board as a section sees them, along a direction turned `direction_deg` from the part's first axis."""
    out = []
    for k in board.layers:
        turn = np.radians(k.angle_deg + grain_deg - direction_deg)
        c, s = np.cos(turn) ** 2, np.sin(turn) ** 2
        compliance = np.diag([1 / k.E1_GPa, 1 / k.E2_GPa])
        compliance[0, 1] = compliance[1, 0] = -k.poisson12 / k.E1_GPa
        g = 1 / k.G12_GPa
        # In-plane compliance turned; the coupling of shear and stretch of oblique grain is left out.
        sn = compliance[0, 0] * c * c + compliance[1, 1] * s * s + (2 * compliance[0, 1] + g) * c * s
        ss = compliance[0, 0] * s * s + compliance[1, 1] * c * c + (2 * compliance[0, 1] + g) * c * s
        sns = compliance[0, 1] * (c * c + s * s) + (compliance[0, 0] + compliance[1, 1] - g) * c * s
        gns = 1 / (g * (c - s) ** 2 + 4 * c * s * (compliance[0, 0] + compliance[1, 1] - 2 * compliance[0, 1]))
        G1, G2 = k.G13_GPa * c + k.G23_GPa * s, k.G13_GPa * s + k.G23_GPa * c
        isotropic = abs(k.E1_GPa / k.E2_GPa - 1) < 1e-9
        # Layers give no modulus through the thickness. Take what an isotropic layer of that shear modulus has,
        # and for grained wood the larger ratio of radial stiffness to rolling shear (common practice, no source).
        ratio = 2 * (1 + k.poisson12) if isotropic else GRAINED_RATIO
        ez = min(ratio * np.sqrt(k.G13_GPa * k.G23_GPa), k.E1_GPa, k.E2_GPa)
        nu_z = k.poisson12 * ez / k.E1_GPa if isotropic else 0.0
        out.append(
            Strip(
                thickness=k.thickness * MM,
                E_n=1e9 / sn,
                E_z=1e9 * ez,
                E_s=1e9 / ss,
                nu_ns=-sns / sn,
                nu_nz=nu_z,
                nu_sz=nu_z,
                G_nz=1e9 * G1,
                G_ns=1e9 * gns,
                G_sz=1e9 * G2,
            )
        )
    return tuple(out[::-1] if flip else out)


def homogenised(flat: Slab) -> Strip:
    """Return the mean of a board's layers, in the section's axes: its n along a, its z along b."""
    t = sum(k.thickness for k in flat)

    def mean(name: str) -> float:
        return float(sum(getattr(k, name) * k.thickness for k in flat) / t)

    return Strip(t, *(mean(f.name) for f in fields(Strip) if f.name != "thickness"))


def halved(flat: Strip, upright: Strip) -> Strip:
    """Return the mean of two boards' materials where a mitre or a lap gives half the block to each."""

    def both(first: str, second: str) -> float:
        return float((getattr(flat, first) + getattr(upright, second)) / 2)

    return Strip(
        thickness=flat.thickness,
        E_n=both("E_n", "E_z"),
        E_z=both("E_z", "E_n"),
        E_s=both("E_s", "E_s"),
        nu_ns=both("nu_ns", "nu_sz"),
        nu_nz=both("nu_nz", "nu_nz"),
        nu_sz=both("nu_sz", "nu_ns"),
        G_nz=both("G_nz", "G_nz"),
        G_ns=both("G_ns", "G_sz"),
        G_sz=both("G_sz", "G_ns"),
    )


SHARED_ORDER = 8
MOTIONS = 10  # of a port: (u, w, b, u_s, b_s) and their changes along the line


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


def line_matrix(e: Any, weight: Array, h: Array) -> Any:
    """Matrix of int e' H e ds for rows `e` of a point's motions."""
    k, p = len(h), len(weight)
    blocks = sp.bsr_array((weight[:, None, None] * h, np.arange(p), np.arange(p + 1)), shape=(p * k, p * k))
    return e.T @ (sp.csr_array(blocks) @ e)


class Measures:
    """Quadratic forms in the motions of a block's ports, gathered in one matrix."""

    def __init__(self, ports: int) -> None:
        self.matrix = np.zeros((MOTIONS * ports,) * 2)

    def motion(self, port: int, which: int, *, change: bool = False) -> Array:
        """Row that picks one motion (u, w, b, u_s, b_s) of a port, or its change along the line."""
        row = np.zeros(len(self.matrix))
        row[MOTIONS * port + which + 5 * change] = 1.0
        return row

    def add(self, rows_: list[Array], c: Array) -> None:
        """Add the form e' C e of measures given as rows."""
        g = np.stack(rows_)
        self.matrix += g.T @ np.atleast_2d(c) @ g


def joint_matrices(
    m: Meeting,
    cabinet: Cabinet,
    parts: Mapping[str, FlatPart],
    first: Mapping[str, int],
    total: int,
    step: float,
    like: JointRow | None = None,
) -> tuple[Any | None, Any | None, JointRow]:
    """Return (K, M) that a joint adds, None where it finds no wood on both sides, and a report of its support.

    Parameters
    ----------
    step : float
        Length of the intervals of integration, m.
    like : JointRow, optional
        Of a near design on the same triangles: its intervals and the triangles of its points are kept, so that the
        matrices change smoothly from the one to the other.
    """
    block = make_block(m, cabinet, parts, step, intervals=() if like is None else like.intervals)
    supported = float(block.line.weight.sum()) / MM
    row = JointRow(m, float(np.linalg.norm(m.end - m.start)), supported, block.intervals)
    if not len(block.line.points):
        return None, None, row
    e, triangles = port_rows(block, first, total, kept_triangles(like, len(block.line.points), len(block.ports)))
    row = replace(row, triangles=triangles)
    stiffness, hold = block_stiffness(block, cabinet.joint_between(m.a, m.b))
    K = line_matrix(e, block.line.weight, stiffness) if stiffness.any() else None
    M = None
    if m.kind == "corner":
        density = sum(part_board(cabinet, p.part.name).density_kg_m3 for p in block.ports) / len(block.ports)
        M = line_matrix(e, block.line.weight, block_mass(block, density, hold))
    return K, M, row


def shared_wood(m: Meeting, parts: Mapping[str, FlatPart], step: float) -> dict[str, Array]:
    """Mass factors (e, q), at the points of rule SHARED_ORDER, of two braces that pass through each other.

    Both are whole plates in the model, but the wood they share is there once: each gives half, from a
    band about the line that tapers off so that the mass changes smoothly as a brace moves.
    """
    a, b = parts[m.a], parts[m.b]
    start, end = m.start * MM, m.end * MM
    along = (end - start) / np.linalg.norm(end - start)
    found = wood_along((a, b), start, end, (np.zeros(3), np.zeros(3)))
    skew = float(np.linalg.norm(cross(a.rotation[2], b.rotation[2])))
    out = {}
    for part, other in ((a, b), (b, a)):
        value, _, _, weight = part.mesh.rule(SHARED_ORDER)
        at = part.to_space(np.einsum("neq,enc->eqc", value, part.mesh.points[part.mesh.nodes6]).reshape(-1, 2)) - start
        s = at @ along
        distance = np.linalg.norm(at - s[:, None] * along, axis=1)
        band = max(1.2 * other.thickness / skew, 0.8 * step)
        taper = np.zeros(len(s))
        for low, high in found:
            beyond = np.maximum(np.maximum(low - s, s - high), 0.0)
            taper += np.maximum(1 - (distance**2 + beyond**2) / band**2, 0.0) ** 2
        wanted = 0.5 * sum(high - low for low, high in found) * other.thickness / skew
        covered = float(weight.ravel() @ taper)
        give = wanted / covered if covered > 0 else 0.0
        out[part.name] = (1.0 - np.minimum(give * taper, 0.9)).reshape(weight.shape)
    return out


def without_negative(stiffness: Array, scale: Array) -> Array:
    """Drop the directions in which a stiffness is negative; motions free of energy stay free.

    A block lacks stiffness beside the two plates that cross in it only in its own shear; a coarse mesh
    does not hold the energy there that could be taken away.
    """
    value, vector = np.linalg.eigh(stiffness * scale[:, None] * scale)
    kept = (vector * np.maximum(value, 0.0)) @ vector.T
    return np.asarray(kept / scale[:, None] / scale)


def make_block(
    m: Meeting,
    cabinet: Cabinet,
    parts: Mapping[str, FlatPart],
    step: float,
    like: Block | None = None,
    intervals: tuple[int, ...] = (),
) -> Block:
    """Lay out the ports of a joint around its block, and its line where all of them find wood.

    With `like`, the line is divided as in that block, or by `intervals`.
    """
    a, b = parts[m.a], parts[m.b]
    start, end = m.start * MM, m.end * MM
    at = pieces(start, end, [], [])
    if m.kind == "corner":
        na = _towards(b.rotation[2], a, start)
        nb = _towards(a.rotation[2], b, start)
        if cross(na, nb) @ at.along < 0:
            start, end = end, start
            at = pieces(start, end, [], [])
        arms: tuple[str, ...] = ("+a", "+b")
        placed = [(a, na, na * b.thickness / 2), (b, nb, nb * a.thickness / 2)]
    elif m.kind == "tee":
        up = _towards(b.rotation[2], a, start)  # normal of the panel, towards the brace
        nb = cross(a.rotation[2], at.along)
        nb *= np.sign(nb @ up)
        across = cross(up, at.along)
        foot = across * a.thickness / 2 / abs(float(nb @ up))
        start, end = start - up * b.thickness / 2, end - up * b.thickness / 2
        arms = ("+a", "-a", "+b")
        placed = [(b, across, foot), (b, -across, -foot), (a, nb, up * b.thickness / 2)]
    else:
        nb = cross(b.rotation[2], at.along)
        na = cross(at.along, a.rotation[2]) * -1.0
        if cross(na, nb) @ at.along < 0:
            nb = -nb
        skew = abs(float(np.linalg.norm(cross(a.rotation[2], b.rotation[2]))))
        arms = ("+a", "-a", "+b", "-b")
        half_a, half_b = na * b.thickness / 2 / skew, nb * a.thickness / 2 / skew
        placed = [(a, na, half_a), (a, -na, -half_a), (b, nb, half_b), (b, -nb, -half_b)]
    s = at.along
    turned = [(n, cross(s, n)) for _, n, _ in placed]
    # A section costs more than all the rest; where boards and their directions stay, so does it.
    if like is not None and m.kind != "corner" and _same_slabs(like, [q[0] for q in placed], turned):
        slabs, known = [p.slab for p in like.ports], (like.section, like.material)
    else:
        slabs, known = [part_slab(cabinet, q[0], *d) for q, d in zip(placed, turned, strict=True)], None
    ports = [Port(part, flat, *d, offset) for (part, _, offset), flat, d in zip(placed, slabs, turned, strict=True)]
    section, material = known or _section_of(ports, arms, m, cabinet)
    found = wood_along([p.part for p in ports], start, end, [p.offset for p in ports])
    number = kept_counts(found, step, intervals if like is None else like.intervals)
    return Block(tuple(ports), section, material, pieces(start, end, found, number), m.kind, tuple(number))


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


def part_slab(cabinet: Cabinet, part: FlatPart, n: Array, z: Array) -> Slab:
    """Layers of a part along the in-plane direction `n`, lower face first along `z`."""
    board = part_board(cabinet, part.name)
    grain = (cabinet.panel(part.name) if part.name in PANELS else cabinet.brace(part.name)).grain_deg
    e1, e2, e3 = part.rotation
    angle = float(np.degrees(np.arctan2(n @ e2, n @ e1)))
    return slab(board, grain, angle, flip=bool(z @ e3 < 0))


def on_geometry(plane: Array, block: Block) -> Array:
    """Carry a right-angled section's stiffness to ports that may lean: it stays free of energy in rigid motion."""
    ports, s = block.ports, block.line.along
    a = ports[0].n
    b = cross(s, a)
    rigid = np.zeros((3 * len(ports), 3))
    for i, p in enumerate(ports):
        spin = cross(s, p.offset)
        rigid[3 * i] = p.n @ a, p.n @ b, p.n @ spin
        rigid[3 * i + 1] = p.z @ a, p.z @ b, p.z @ spin
        rigid[3 * i + 2, 2] = -1.0
    square = port_rigid(block.section.arms, *_block_size(block))
    free = np.eye(len(rigid)) - rigid @ np.linalg.solve(square.T @ rigid, square.T)
    return np.asarray(free.T @ plane @ free)


def _block_size(block: Block) -> tuple[float, float]:
    """Width along a and height along b."""
    return float(block.section.size[block.section.arms.index("+b")]), float(block.section.size[0])


def block_stiffness(block: Block, spec: JointSpec) -> tuple[Array, float]:
    """Stiffness per metre between the ports, with the joint's glue or dry faces in series.

    Returns
    -------
    stiffness : (10 m, 10 m) array
        On the motions of `port_rows`.
    hold : float
        How much of the whole wood's grip is left, 0..1; a loose block belongs to the first part alone.
    """
    ports, section = block.ports, block.section
    width, height = _block_size(block)
    count = len(ports)
    f = Measures(count)
    faces = np.full((count, 4), np.inf)
    # The face that is glued: where the second board of a corner, or a brace's edge, meets the other board.
    glued = section.arms.index("+b")
    faces[glued] = face_stiffness(spec, float(section.size[glued]))
    if block.kind == "cross":  # the second board ends at the first on both of its sides
        faces[section.arms.index("-b")] = faces[glued]
    plane, slip, hold = section.stiffness(faces)
    if not faces[glued].any():
        hold = 0.0
        if count > 2:
            return f.matrix, hold
    if block.kind == "corner":
        _add_beam(f, block, hold)
    if hold == 0.0:
        return f.matrix, hold
    torsion = section.torsion
    through = [(0, ports[0].slab, width), (2, ports[-1].slab, height)][: max(0, count - 2)]
    for start, board, length in through:
        own, shear, twist = through_stiffness(board, length)
        k = slice(3 * start, 3 * start + 6)
        plane[k, k] -= own
        slip[start : start + 2, start : start + 2] -= shear
        torsion -= twist
    plane = without_negative(plane, np.tile([1.0, 1.0, 1 / height], count))
    slip = without_negative(slip, np.ones(count))
    f.add([f.motion(i, k) for i in range(count) for k in range(3)], on_geometry(plane, block))
    # A twist of the block warps it, so that its ports slip.
    turn_rate = -sum(f.motion(i, 2, change=True) for i in range(count)) / count
    f.add([_centre_slip(f, i, p) - float(section.warping[i]) * turn_rate for i, p in enumerate(ports)], slip)
    ending = {2: [0, 1], 3: [2], 4: []}[count]
    twisting = ending or range(count)
    for i in twisting:
        f.add([f.motion(i, 2, change=True)], np.array([[hold * torsion / len(twisting)]]))
    for i in ending:
        firm = hold * min(float(section.grip[i]), FIRMEST * block.material.E_s * float(section.size[i]) ** 2)
        f.add([f.motion(i, 4) + f.motion(i, 1, change=True)], np.array([[firm]]))
    return f.matrix, hold


def _centre_slip(f: Measures, i: int, p: Port) -> Array:
    """Motion along the line at the block's centre: a turn of the line carries it by the port's offset."""
    by_n, by_z = float(p.offset @ p.n), float(p.offset @ p.z)
    return f.motion(i, 3) + by_n * f.motion(i, 0, change=True) + by_z * f.motion(i, 1, change=True)


def _add_beam(f: Measures, block: Block, hold: float) -> None:
    """A corner block stretches and bends along its line, as the two edges it belongs to do."""
    width, height = _block_size(block)
    ea = np.array([[block.material.E_s * width * height]])
    bend_a, bend_b = f.motion(0, 4, change=True), f.motion(1, 4, change=True)
    f.add([bend_a], ea * height**2 / 12)
    f.add([bend_b], ea * hold * width**2 / 12)
    f.add([f.motion(0, 3, change=True) + hold * width / 2 * bend_b], ea * (1 - hold / 2))
    f.add([f.motion(1, 3, change=True) - height / 2 * bend_a], ea * hold / 2)


def block_mass(block: Block, density: float, hold: float) -> Array:
    """(10 m, 10 m) inertia per metre of a corner's block, half on each port; all on the first when loose."""
    width, height = _block_size(block)
    f = Measures(len(block.ports))
    for i, p in enumerate(block.ports):
        per_metre = density * width * height * (1 - hold / 2 if i == 0 else hold / 2)
        turned = f.motion(i, 2)
        centre = [
            f.motion(i, 0) - float(p.offset @ p.z) * turned,
            f.motion(i, 1) + float(p.offset @ p.n) * turned,
            _centre_slip(f, i, p),
        ]
        f.add(centre, per_metre * np.eye(3))
        f.add([turned], np.array([[per_metre * (width**2 + height**2) / 12]]))
    return f.matrix


def cube_masses(
    cabinet: Cabinet, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int
) -> tuple[None, Any, None]:
    """Mass of the eight cubes where three panels meet, a third carried by each panel's corner."""
    measures, masses = [], []
    for corner in product(*(sides(axis) for axis in AXES)):
        centre = np.array([panel_mid(cabinet, s) for s in corner]) * MM
        inner = np.array([inner_face(cabinet, s) for s in corner]) * MM
        volume = float(np.prod([parts[s].thickness for s in corner]))
        density = sum(part_board(cabinet, s).density_kg_m3 for s in corner) / 3
        for side in corner:
            part = parts[side]
            at = inner.copy()
            axis = AXES.index(PANEL_NORMAL[side])
            at[axis] = centre[axis]
            arm = centre - at
            value, _, _ = motion(part, arm, part.rotation[0])
            # At a point the turn about the normal is the mean of both edges'.
            lift = cross(part.rotation[2], arm) / 2
            dx, dy = np.zeros((3, FIELDS)), np.zeros((3, FIELDS))
            dx[:, 1], dy[:, 0] = lift, -lift
            measures.append(rows(part.mesh.trace(part.to_plane(at[None])), value, dx, dy, first[side], total))
            masses.append(density * volume / 3)
    return None, energy(sp.vstack(measures, format="csr"), np.array(masses), np.eye(3)), None
