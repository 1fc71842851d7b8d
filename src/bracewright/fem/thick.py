"""Thick joints: plates that end at the faces of a block of wood, and the block's own stiffness and mass.

Panels end at the inner faces of their neighbours. Along each joint line the block between them adds
its stiffness, taken from the joint's cross-section (`fem.section`), and its mass. A panel that runs
through under a brace keeps its own plate there; the block adds what the plate lacks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, PANEL_NORMAL, Cabinet, JointSpec
from bracewright.design.layout import Meeting, inner_face, panel_mid, sides
from bracewright.fem.arms import port_rigid, through_stiffness
from bracewright.fem.blocks import MOTIONS, Block, Port, make_block, port_rows
from bracewright.fem.joints import JointRow, energy, face_stiffness, kept_triangles, motion, rows, wood_along
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, cross, part_board
from bracewright.fem.plate import FIELDS

Array = NDArray[np.float64]
FIRMEST = 10.0  # times E t2: a grip this firm is as good as rigid
SHARED_ORDER = 8  # of the rule that finds the wood two braces share


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
        Length of the intervals of integration at the most, m.
    like : JointRow, optional
        Of a near design on the same triangles: its divisions and the triangles of its points are kept, so that the
        matrices change smoothly from the one to the other.
    """
    block = make_block(m, cabinet, parts, step, divisions=() if like is None else like.divisions)
    supported = float(block.line.weight.sum()) / MM
    row = JointRow(m, float(np.linalg.norm(m.end - m.start)), supported, block.divisions)
    if not len(block.line.points):
        return None, None, row
    e, triangles = port_rows(block, first, total, kept_triangles(like, len(block.line.points), len(block.ports)))
    row = replace(row, triangles=triangles)
    stiffness, inertia = block_forms(block, m, cabinet)
    K = energy(e, block.line.weight, stiffness) if stiffness.any() else None
    M = None if inertia is None else energy(e, block.line.weight, inertia)
    return K, M, row


def block_forms(block: Block, m: Meeting, cabinet: Cabinet) -> tuple[Array, Array | None]:
    """Stiffness and, of a corner, inertia per metre of line on the motions of a block's ports."""
    stiffness, hold = block_stiffness(block, cabinet.joint_between(m.a, m.b))
    if m.kind != "corner":
        return stiffness, None
    density = sum(part_board(cabinet, p.part.name).density_kg_m3 for p in block.ports) / len(block.ports)
    return stiffness, block_mass(block, density, hold)


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


def block_stiffness(block: Block, spec: JointSpec) -> tuple[Array, float]:
    """Stiffness per metre between the ports, with the joint's glue or dry faces in series.

    Returns
    -------
    stiffness : (10 m, 10 m) array
        On the motions of `port_rows`.
    hold : float
        How much of the whole wood's grip is left, 0..1; a loose block belongs to the first part alone.
    """
    ports, section, count = block.ports, block.section, len(block.ports)
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
    plane, slip, torsion = _beside_plates(block, plane, slip)
    f.add([f.motion(i, k) for i in range(count) for k in range(3)], on_geometry(plane, block))
    # A twist of the block warps it, so that its ports slip.
    turn_rate = -sum(f.motion(i, 2, change=True) for i in range(count)) / count
    f.add([_centre_slip(f, i, p) - float(section.warping[i]) * turn_rate for i, p in enumerate(ports)], slip)
    _add_torsion(f, block, torsion, hold)
    return f.matrix, hold


def _beside_plates(block: Block, plane: Array, slip: Array) -> tuple[Array, Array, float]:
    """Take off a block's stiffness, in its plane, in slip and in torsion, what the plates that run through it have."""
    count, torsion = len(block.ports), block.section.torsion
    plane, slip = plane.copy(), slip.copy()
    through = [(0, block.ports[0].slab, block.width), (2, block.ports[-1].slab, block.height)][: max(0, count - 2)]
    for start, board, length in through:
        own, shear, twist = through_stiffness(board, length)
        k = slice(3 * start, 3 * start + 6)
        plane[k, k] -= own
        slip[start : start + 2, start : start + 2] -= shear
        torsion -= twist
    plane = without_negative(plane, np.tile([1.0, 1.0, 1 / block.height], count))
    return plane, without_negative(slip, np.ones(count)), torsion


def _add_torsion(f: Measures, block: Block, torsion: float, hold: float) -> None:
    """A block twists with the plates that end at it, whose cross-sections it grips; else with all."""
    section, count = block.section, len(block.ports)
    ending = {2: [0, 1], 3: [2], 4: []}[count]
    twisting = ending or range(count)
    for i in twisting:
        f.add([f.motion(i, 2, change=True)], np.array([[hold * torsion / len(twisting)]]))
    for i in ending:
        firm = hold * min(float(section.grip[i]), FIRMEST * block.material.E_s * float(section.size[i]) ** 2)
        f.add([f.motion(i, 4) + f.motion(i, 1, change=True)], np.array([[firm]]))


def _centre_slip(f: Measures, i: int, p: Port) -> Array:
    """Motion along the line at the block's centre: a turn of the line carries it by the port's offset."""
    by_n, by_z = float(p.offset @ p.n), float(p.offset @ p.z)
    return f.motion(i, 3) + by_n * f.motion(i, 0, change=True) + by_z * f.motion(i, 1, change=True)


def _add_beam(f: Measures, block: Block, hold: float) -> None:
    """A corner block stretches and bends along its line, as the two edges it belongs to do."""
    width, height = block.width, block.height
    ea = np.array([[block.material.E_s * width * height]])
    bend_a, bend_b = f.motion(0, 4, change=True), f.motion(1, 4, change=True)
    f.add([bend_a], ea * height**2 / 12)
    f.add([bend_b], ea * hold * width**2 / 12)
    f.add([f.motion(0, 3, change=True) + hold * width / 2 * bend_b], ea * (1 - hold / 2))
    f.add([f.motion(1, 3, change=True) - height / 2 * bend_a], ea * hold / 2)


def block_mass(block: Block, density: float, hold: float) -> Array:
    """(10 m, 10 m) inertia per metre of a corner's block, half on each port; all on the first when loose."""
    width, height = block.width, block.height
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
    square = port_rigid(block.section.arms, block.width, block.height)
    free = np.eye(len(rigid)) - rigid @ np.linalg.solve(square.T @ rigid, square.T)
    return np.asarray(free.T @ plane @ free)


def without_negative(stiffness: Array, scale: Array) -> Array:
    """Drop the directions in which a stiffness is negative; motions free of energy stay free.

    A block lacks stiffness beside the two plates that cross in it only in its own shear; a coarse mesh
    does not hold the energy there that could be taken away.
    """
    value, vector = np.linalg.eigh(stiffness * scale[:, None] * scale)
    kept = (vector * np.maximum(value, 0.0)) @ vector.T
    return np.asarray(kept / scale[:, None] / scale)


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
