"""Thick joints: plates that end at the faces of a block of wood, and the block's own stiffness and mass.

Panels end at the inner faces of their neighbours. Along each joint line the block between them adds
its stiffness, taken from the joint's cross-section (`fem.section`), and its mass. A panel that runs
through under a brace keeps its own plate there; the block adds what the plate lacks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.boards import Board
from bracewright.design.cabinet import AXES, PANEL_NORMAL, PANELS, Cabinet, JointSpec
from bracewright.design.layout import Meeting, inner_face, panel_mid, sides
from bracewright.fem.joints import JointRow, Line, energy, face_stiffness, line, motion, rows, turn
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, part_board
from bracewright.fem.plate import FIELDS
from bracewright.fem.section import JointSection, Slab, Strip, joint_section, port_rigid, through_stiffness

Array = NDArray[np.float64]
HOLD_WARP = 10.0  # times G t2: ties a port's warping to the slope along the line, firmly but well conditioned


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
    """A joint line with its section: `line` runs through the block's centre."""

    ports: tuple[Port, ...]
    section: JointSection
    material: Strip
    line: Line
    kind: str


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
        # Layers give no modulus through the thickness: take what an isotropic layer of that shear modulus has.
        ez = min(2 * (1 + k.poisson12) * np.sqrt(k.G13_GPa * k.G23_GPa), k.E1_GPa, k.E2_GPa)
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


def homogenised(a: Slab, b: Slab) -> Strip:
    """Block material: the two boards' mean in the block's axes, a's n along a."""

    def mean(s: Slab, name: str) -> float:
        t = sum(k.thickness for k in s)
        return float(sum(getattr(k, name) * k.thickness for k in s) / t)

    def both(first: str, second: str) -> float:
        return (mean(a, first) + mean(b, second)) / 2

    return Strip(
        thickness=sum(k.thickness for k in a),
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


def port_rows(port: Port, at: Line, first: int, total: int) -> tuple[list[Any], list[Any]]:
    """Rows (p, total) of a port's motions (u, w, b, u_s, b_s), and of their change along the line (1/m)."""
    s = at.along
    e1, e2, e3 = port.part.rotation
    side = float(np.sign(port.z @ e3))
    value = np.zeros((5, FIELDS))
    for i, d in enumerate((port.n, port.z)):
        value[i, :3] = d @ e1, d @ e2, d @ e3
    value[2, 3:] = side * (port.n @ e1), side * (port.n @ e2)
    value[3, :3] = s @ e1, s @ e2, 0.0
    value[4, 3:] = side * (s @ e1), side * (s @ e2)
    trace = port.part.mesh.trace(port.part.to_plane(at.points + port.offset))
    none = np.zeros_like(value)
    q = rows(trace, value, none, none, first, total)
    dq = rows(trace, none, value * (s @ e1), value * (s @ e2), first, total)
    return [q[i::5] for i in range(5)], [dq[i::5] for i in range(5)]


def form(measures: list[Any], weight: Array, c: Array) -> Any:
    """Matrix of int e' C e ds for measures given one by one, each (p, total)."""
    e = sp.vstack(measures, format="csr")
    w = sp.kron(c, sp.diags_array(weight), format="csr")
    return e.T @ (w @ e)


def joint_matrices(
    m: Meeting, cabinet: Cabinet, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int, step: float
) -> tuple[Any | None, Any | None, JointRow]:
    """Return (K, M) that a joint adds, None where it finds no wood on both sides, and a report of its support.

    Parameters
    ----------
    step : float
        Length of the intervals of integration, m.
    """
    block = make_block(m, cabinet, parts, step)
    whole = block.line
    found = np.ones(len(whole.points), dtype=bool)
    for p in block.ports:
        found &= p.part.has_wood(p.part.to_plane(whole.points + p.offset))
    row = JointRow(m, float(whole.weight.sum()) / MM, float(whole.weight[found].sum()) / MM)
    if not found.any():
        return None, None, row
    block = Block(block.ports, block.section, block.material, whole.keep(found), block.kind)
    K = block_stiffness(block, cabinet.joint_between(m.a, m.b), first, total)
    M = None
    if m.kind != "tee":
        density = sum(part_board(cabinet, p.part.name).density_kg_m3 for p in block.ports) / len(block.ports)
        # Two braces that cross are both whole in the model; the wood they share is there once.
        M = block_mass(block, density if m.kind == "corner" else -density, first, total)
    return K, M, row


def make_block(m: Meeting, cabinet: Cabinet, parts: Mapping[str, FlatPart], step: float) -> Block:
    """Lay out the ports of a joint around its block."""
    a, b = parts[m.a], parts[m.b]
    at = line(m.start * MM, m.end * MM, step)
    if m.kind == "corner":
        na = _towards(b.rotation[2], a, at)
        nb = _towards(a.rotation[2], b, at)
        if np.cross(na, nb) @ at.along < 0:
            at = Line(at.points, at.weight, -at.along)
        arms: tuple[str, ...] = ("+a", "+b")
        placed = [(a, na, na * b.thickness / 2), (b, nb, nb * a.thickness / 2)]
    elif m.kind == "tee":
        up = _towards(b.rotation[2], a, at)  # normal of the panel, towards the brace
        nb = np.cross(a.rotation[2], at.along)
        nb *= np.sign(nb @ up)
        across = np.cross(up, at.along)
        foot = across * a.thickness / 2 / abs(float(nb @ up))
        at = at.moved(-up * b.thickness / 2)
        arms = ("+a", "-a", "+b")
        placed = [(b, across, foot), (b, -across, -foot), (a, nb, up * b.thickness / 2)]
    else:
        nb = np.cross(b.rotation[2], at.along)
        na = np.cross(at.along, a.rotation[2]) * -1.0
        if np.cross(na, nb) @ at.along < 0:
            nb = -nb
        skew = abs(float(np.linalg.norm(np.cross(a.rotation[2], b.rotation[2]))))
        arms = ("+a", "-a", "+b", "-b")
        half_a, half_b = na * b.thickness / 2 / skew, nb * a.thickness / 2 / skew
        placed = [(a, na, half_a), (a, -na, -half_a), (b, nb, half_b), (b, -nb, -half_b)]
    s = at.along
    ports = []
    for part, n, offset in placed:
        z = np.cross(s, n)
        ports.append(Port(part, part_slab(cabinet, part, n, z), n, z, offset))
    flat = next(p.slab for p, arm in zip(ports, arms, strict=True) if arm == "+a")
    upright = next(p.slab for p, arm in zip(ports, arms, strict=True) if arm == "+b")
    material = flat[0] if m.kind == "tee" and len(flat) == 1 else homogenised(flat, upright)
    # The section keeps a vertical slab's layers along +a, against its arm's normal.
    section = joint_section(flat, upright[::-1], material, arms)
    return Block(tuple(ports), section, material, at, m.kind)


def _towards(normal: Array, part: FlatPart, at: Line) -> Array:
    """Turn a plane's normal to the side of it on which a part lies."""
    middle = part.to_space(part.mesh.points.mean(axis=0)[None])[0] - at.points.mean(axis=0)
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
    b = np.cross(s, a)
    rigid = np.zeros((3 * len(ports), 3))
    for i, p in enumerate(ports):
        spin = np.cross(s, p.offset)
        rigid[3 * i] = p.n @ a, p.n @ b, p.n @ spin
        rigid[3 * i + 1] = p.z @ a, p.z @ b, p.z @ spin
        rigid[3 * i + 2, 2] = -1.0
    square = port_rigid(block.section.arms, *_block_size(block))
    free = np.eye(len(rigid)) - rigid @ np.linalg.solve(square.T @ rigid, square.T)
    return np.asarray(free.T @ plane @ free)


def _block_size(block: Block) -> tuple[float, float]:
    """Width along a and height along b."""
    return float(block.section.size[block.section.arms.index("+b")]), float(block.section.size[0])


def block_stiffness(block: Block, spec: JointSpec, first: Mapping[str, int], total: int) -> Any:
    """Stiffness between the ports of a block, with the joint's glue or dry faces in series."""
    ports, at, section = block.ports, block.line, block.section
    width, height = _block_size(block)
    count = len(ports)
    translation, rotation = np.full(count, np.inf), np.full(count, np.inf)
    # The face that is glued: where the second board of a corner, or a brace's edge, meets the other board.
    glued = section.arms.index("+b")
    thin = section.size[glued]
    translation[glued], rotation[glued] = face_stiffness(spec, float(thin))
    plane, slip, hold = section.stiffness(translation, rotation)
    torsion = section.torsion
    through = [(0, (ports[0].slab, width))] if count > 2 else []
    if count > 3:
        through.append((2, (ports[2].slab, height)))
    for start, (board, length) in through:
        own, shear, twist = through_stiffness(board, length)
        k = slice(3 * start, 3 * start + 6)
        plane[k, k] -= own
        slip[start : start + 2, start : start + 2] -= shear
        torsion -= twist
    q, dq = zip(*(port_rows(p, at, first[p.part.name], total) for p in ports), strict=True)
    K = form([q[i][k] for i in range(count) for k in range(3)], at.weight, on_geometry(plane, block))
    # A turn of the line carries the block's centre along it by the port's offset; a twist warps the block.
    twist = sum((-1.0 / count) * d[2] for d in dq)
    slips = [
        q[i][3]
        + float(p.offset @ p.n) * dq[i][0]
        + float(p.offset @ p.z) * dq[i][1]
        - float(section.warping[i]) * twist
        for i, p in enumerate(ports)
    ]
    K = K + form(slips, at.weight, slip)
    ending = [i for i in range(count) if count == 2 or (count == 3 and i == 2)]
    spread = ending or range(count)
    for i in spread:
        K = K + form([dq[i][2]], at.weight, np.eye(1) * hold * torsion / len(list(spread)))
    for i in ending:
        stiff = hold * HOLD_WARP * block.material.G_ns * float(section.size[i]) ** 2
        K = K + form([q[i][4] + dq[i][1]], at.weight, np.eye(1) * stiff)
    if block.kind == "corner":
        K = K + _beam(block, q, dq)
    return K


def _beam(block: Block, q: Any, dq: Any) -> Any:
    """A corner block stretches and bends along its line, as the two edges it belongs to do."""
    width, height = _block_size(block)
    weight, E = block.line.weight, block.material.E_s
    area = width * height
    K = form([dq[0][4]], weight, np.eye(1) * E * area * height**2 / 12)
    K = K + form([dq[1][4]], weight, np.eye(1) * E * area * width**2 / 12)
    for stretch in (dq[0][3] + width / 2 * dq[1][4], dq[1][3] - height / 2 * dq[0][4]):
        K = K + form([stretch], weight, np.eye(1) * E * area / 2)
    return K


def block_mass(block: Block, density: float, first: Mapping[str, int], total: int) -> Any:
    """Inertia of a block, shared by its ports."""
    width, height = _block_size(block)
    at, share = block.line, 1.0 / len(block.ports)
    skew = np.linalg.norm(np.cross(block.ports[0].n, block.ports[-1].n))
    per_metre = density * width * height / float(skew) * share
    M: Any = 0
    for p in block.ports:
        trace = p.part.mesh.trace(p.part.to_plane(at.points + p.offset))
        value, dx, dy = motion(p.part, -p.offset, at.along)
        e = rows(trace, value, dx, dy, first[p.part.name], total)
        M = M + energy(e, at.weight, np.eye(3) * per_metre)
        about = turn(p.part, at.along)[None]
        none = np.zeros_like(about)
        e = rows(trace, about, none, none, first[p.part.name], total)
        M = M + energy(e, at.weight, np.eye(1) * per_metre * (width**2 + height**2) / 12)
    return M


def cube_masses(cabinet: Cabinet, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int) -> Any:
    """Mass of the eight cubes where three panels meet, a third carried by each panel's corner."""
    M: Any = 0
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
            lift = np.cross(part.rotation[2], arm) / 2
            dx, dy = np.zeros((3, FIELDS)), np.zeros((3, FIELDS))
            dx[:, 1], dy[:, 0] = lift, -lift
            e = rows(part.mesh.trace(part.to_plane(at[None])), value, dx, dy, first[side], total)
            M = M + energy(e, np.ones(1), np.eye(3) * density * volume / 3)
    return M
