"""Lines along which parts are joined, without matching meshes.

At Gauss points along a line the traces of both parts are interpolated; a few strain measures e of
the joint are linear in them, and the line adds the energy 1/2 int e' C e ds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design.cabinet import JointSpec
from bracewright.design.layout import Meeting
from bracewright.fem.mesh import MM, PlanarMesh, Trace
from bracewright.fem.parts import FlatPart, cross
from bracewright.fem.plate import FIELDS

Array = NDArray[np.float64]
RIGID_FACTOR = 1000.0  # of the board's modulus per metre; more only hurts conditioning
SLIDE_TO_PRESS = 0.4  # shear to normal stiffness of a thin isotropic layer, G/E at poisson 0.25
SHORTEST_PIECE = 1e-3  # m; a joint shorter than this holds nothing
SLACK = 1e-5  # m; how far off its outline a joint still finds a part
GAUSS = np.array([-1.0, 1.0]) / np.sqrt(3.0)
CLEARLY = 1.5  # times as many triangles as intervals along a line inside a part; fewer are chance
Divisions = tuple[tuple[float, ...], ...]  # of each piece of a line, 0..1 along it, ends included


@dataclass(frozen=True)
class JointRow:
    """What a joint line rests on; where its pieces are divided, and the triangles its points are in."""

    meeting: Meeting
    length: float
    supported: float
    divisions: Divisions = ()
    triangles: tuple[NDArray[np.int64], ...] = field(default=(), compare=False, repr=False)


@dataclass(frozen=True)
class Line:
    """Gauss points on a straight line in space.

    Attributes
    ----------
    points : (p, 3) array, m
    weight : (p,) array, m
    along : (3,) array
        Unit vector.
    """

    points: Array
    weight: Array
    along: Array

    def moved(self, by: Array) -> Line:
        """Return the line shifted by a vector (3,), m."""
        return Line(self.points + by, self.weight, self.along)


def divided(
    found: Sequence[tuple[float, float]],
    step: float,
    start: Array,
    along: Array,
    ports: Sequence[tuple[FlatPart, Array]],
    like: Divisions = (),
) -> Divisions:
    """Return where each piece of a line is divided: by about `step` m, and closer where a port's triangles are smaller.

    Two Gauss points an interval tie as many displacements as a six-node side has unknowns. Fewer leave a fine mesh
    half untied; more would lock the finer of two meshes that do not match.

    Parameters
    ----------
    found : sequence of (float, float)
        Pieces of the line, from its start, m.
    start, along : (3,) arrays
        Where it starts, m, and its direction.
    ports : sequence of (FlatPart, (3,) array)
        Parts that it ties, and where from the line each is, m.
    like : Divisions, optional
        Of a near design: kept where the pieces are as many, so that nothing jumps.
    """
    if like and len(like) == len(found):
        return like
    densities = [_density(part, start + offset, along, step) for part, offset in ports] if found else []
    out = []
    for a, b in found:
        at = np.unique(np.concatenate([[a, b], *(x[(x > a) & (x < b)] for x, _ in densities)]))
        middle, gap = (at[1:] + at[:-1]) / 2, np.diff(at)
        dense = np.full(len(gap), 1 / step)
        for x, per_metre in densities:
            dense = np.maximum(dense, per_metre[np.searchsorted(x, middle)])
        level = np.concatenate([[0.0], np.cumsum(dense * gap)])
        n = max(1, int(np.ceil(level[-1] - 1e-6)))
        cuts = np.interp(np.arange(1, n) / n * level[-1], level, at)
        out.append((0.0, *((cuts - a) / (b - a)).tolist(), 1.0))
    return tuple(out)


def _density(part: FlatPart, start: Array, along: Array, step: float) -> tuple[Array, Array]:
    """Triangles' sides per metre of a line: (k,) points of division, and (k + 1,) values between them.

    Along the part's edge they are counted side by side; inside, where a line crosses two triangles for every side's
    length, over lengths of `step`, and only where there are clearly more than one.
    """
    mesh = part.mesh
    (origin,), direction = part.to_plane(start[None]), part.rotation[:2] @ along
    off = mesh.points[: mesh.corners] - origin
    s, across = off @ direction, off @ np.array([-direction[1], direction[0]])
    on = np.abs(across) < SLACK
    edge = np.sort(s[on])
    if len(edge) > 1 and _outer(mesh, on):
        return edge, np.concatenate([[0.0], 1 / np.maximum(np.diff(edge), SLACK), [0.0]])
    i, j = mesh.sides.T
    crossing = (across[i] * across[j] < 0) & ~on[i] & ~on[j]
    i, j = i[crossing], j[crossing]
    crossed = np.concatenate([s[i] + (s[j] - s[i]) * across[i] / (across[i] - across[j]), edge])
    if not len(crossed):
        return edge, np.zeros(1)
    cells = np.arange(crossed.min(), crossed.max() + step, step)
    dense = np.histogram(crossed, cells)[0] / 2 / step
    return cells, np.concatenate([[0.0], np.where(dense > CLEARLY / step, dense, 0.0), [0.0]])


def _outer(mesh: PlanarMesh, on: NDArray[np.bool_]) -> bool:
    """Whether sides of the boundary run from one of these corner nodes to another."""
    return bool(on[mesh.sides[mesh.boundary_sides]].all(axis=1).any())


def kept_triangles(like: JointRow | None, points: int, ports: int) -> Sequence[NDArray[np.int64] | None]:
    """Return the triangles of a near design's points for each port, where there are as many; else None for each."""
    if like is None or len(like.triangles) != ports or any(len(t) != points for t in like.triangles):
        return (None,) * ports
    return like.triangles


def pieces(start: Array, end: Array, found: Sequence[tuple[float, float]], divisions: Divisions) -> Line:
    """Return two Gauss points in each interval of the pieces of a line, given from its start, m."""
    along = (end - start) / float(np.linalg.norm(end - start))
    at, weight = [np.zeros(0)], [np.zeros(0)]
    for (a, b), cuts in zip(found, divisions, strict=True):
        edge = a + np.array(cuts) * (b - a)
        half = np.diff(edge)[:, None] / 2
        at.append((edge[:-1, None] + half * (1 + GAUSS)).ravel())
        weight.append(np.broadcast_to(half, (len(half), 2)).ravel())
    s = np.concatenate(at)
    return Line(start + s[:, None] * along, np.concatenate(weight), along)


def wood_along(
    parts: Sequence[FlatPart], start: Array, end: Array, offsets: Sequence[Array]
) -> list[tuple[float, float]]:
    """Return the pieces of a line, from its start, m, along which every part has wood at its own offset.

    Parameters
    ----------
    parts : sequence of FlatPart
    start, end : (3,) arrays, m
    offsets : sequence of (3,) arrays
        From the line to where each part is looked for, m.
    """
    length = float(np.linalg.norm(end - start))
    kept = [(0.0, length)]
    for part, offset in zip(parts, offsets, strict=True):
        ends = part.to_plane(np.stack([start, end]) + offset)
        if part.clear_of_cuts(ends) and part.has_wood(ends, SLACK).all():
            continue
        kept = _overlap(kept, part.wood_on(start + offset, end + offset, SLACK))
    return [(a, b) for a, b in kept if b - a > SHORTEST_PIECE]


def _overlap(first: Sequence[tuple[float, float]], second: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    both = ((max(a, c), min(b, d)) for a, b in first for c, d in second)
    return sorted((a, b) for a, b in both if b > a)


def rows(trace: Trace, value: Array, dx: Array, dy: Array, first: int, size: int) -> Any:
    """Sparse rows (p k, size) of k measures at p points.

    Parameters
    ----------
    trace : Trace
    value, dx, dy : (k, 5) arrays
        How each measure takes the five fields and their in-plane derivatives.
    first : int
        Number of the part's first unknown.
    size : int
        Number of all unknowns.
    """
    data = (
        np.einsum("pn,kf->pknf", trace.value, value)
        + np.einsum("pn,kf->pknf", trace.dx, dx)
        + np.einsum("pn,kf->pknf", trace.dy, dy)
    )
    p, k = data.shape[:2]
    cols = first + FIELDS * trace.nodes[:, :, None] + np.arange(FIELDS)
    cols = np.broadcast_to(cols[:, None], data.shape)
    indptr = np.arange(0, data.size + 1, data.shape[2] * data.shape[3])
    return sp.csr_array((data.ravel(), cols.ravel(), indptr), shape=(p * k, size))


def energy(e: Any, weight: Array, c: Array) -> Any:
    """Return the matrix of int e' C e ds for measure rows `e` (p k, n), weights (p,) and C (k, k)."""
    w = sp.csr_array(sp.kron(sp.diags_array(weight), c))
    return e.T @ (w @ e)


def motion(part: FlatPart, arm: Array, along: Array) -> tuple[Array, Array, Array]:
    """Displacement in space, (3, 5) coefficients, at the end of a rigid arm from a point of the part.

    Parameters
    ----------
    part : FlatPart
    arm : (3,) array
        From the part's mid-plane to the point wanted, m.
    along : (3,) array
        Direction of the joint line, in the part's plane. The turn about the part's normal is taken
        from the change along the line of the displacement across it: exact in rigid motion.
    """
    r = part.rotation
    value = np.zeros((3, FIELDS))
    value[:, 0], value[:, 1], value[:, 2] = r[0], r[1], r[2]
    value[:, 3] = cross(r[1], arm)  # bx turns about e2, by about -e1
    value[:, 4] = -cross(r[0], arm)
    s = r[:2] @ along
    n = np.array([-s[1], s[0]])  # in-plane direction across the line, turned from `along` about e3
    # Turn about e3 of the line element: w3 = d(u . n)/ds.
    lift = cross(r[2], arm)
    dx, dy = np.zeros((3, FIELDS)), np.zeros((3, FIELDS))
    for f in range(2):
        dx[:, f] = lift * n[f] * s[0]
        dy[:, f] = lift * n[f] * s[1]
    return value, dx, dy


def turn(part: FlatPart, axis: Array) -> Array:
    """(5,) coefficients of the rotation about an in-plane space axis."""
    c = np.zeros(FIELDS)
    c[3], c[4] = part.rotation[1] @ axis, -part.rotation[0] @ axis
    return c


def face_stiffness(spec: JointSpec, thickness: float) -> Array:
    """Stiffness per metre of line of the faces where a board's edge meets another part.

    Faces press with their normal stiffness and slide with their shear stiffness. A tongue's or a
    housing's cheeks, and a rebate's shoulder, stand across the edge: they press where the edge slides.

    Parameters
    ----------
    spec : JointSpec
    thickness : float
        Of the board whose edge it is, m.

    Returns
    -------
    (4,) array
        Along the board and across it (N/m2), about the line (N/rad), and along the line (N/m2);
        infinite for a rigid joint.
    """
    if spec.kind == "springs":
        k = spec.translation_N_mm2 * 1e6
        return np.array([k, k, spec.rotation_N_rad, k])
    if spec.kind == "rigid":
        return np.full(4, np.inf)
    if spec.kind == "glued":
        press = spec.glue_E_GPa * 1e9 / (spec.glue_thickness * MM)
    else:
        press = spec.contact_N_mm3 * 1e9
    slide = press * SLIDE_TO_PRESS
    depth = spec.depth * MM or thickness / 3
    width = thickness * (np.sqrt(2.0) if spec.form == "mitre" else 1.0)
    cheeks = depth * {"tongue": 2.0, "housed": 2.0, "rebate": 1.0}.get(spec.form, 0.0)
    apart = {"tongue": spec.tongue * MM or thickness / 3, "housed": thickness}.get(spec.form, 0.0)
    turn_face = press * width**3 / 12
    # Cheeks resist turning by pressing along their depth and by sliding a tongue's thickness apart.
    turn_cheeks = press * cheeks * depth**2 / 12 + slide * cheeks * apart**2 / 4
    return np.array(
        [
            press * width + slide * cheeks,
            slide * width + press * cheeks,
            turn_face + turn_cheeks,
            slide * (width + cheeks),
        ]
    )


def plain_joint(
    m: Meeting,
    parts: Mapping[str, FlatPart],
    first: Mapping[str, int],
    total: int,
    spec: JointSpec,
    step: float,
    like: JointRow | None = None,
) -> tuple[Any | None, None, JointRow]:
    """Tie two mid-surfaces along a line: three displacements and the rotation about the line."""
    a, b = parts[m.a], parts[m.b]
    start, end = m.start * MM, m.end * MM
    here = np.zeros(3)
    found = wood_along((a, b), start, end, (here, here))
    along = (end - start) / np.linalg.norm(end - start)
    divisions = divided(found, step, start, along, ((a, here), (b, here)), () if like is None else like.divisions)
    kept = pieces(start, end, found, divisions)
    row = JointRow(m, float(np.linalg.norm(end - start)) / MM, float(kept.weight.sum()) / MM, divisions)
    if not found:
        return None, None, row
    e: Any = 0
    inside = kept_triangles(like, len(kept.points), 2)
    triangles = []
    for part, sign, known in ((a, 1.0, inside[0]), (b, -1.0, inside[1])):
        value, dx, dy = motion(part, np.zeros(3), kept.along)
        value = np.vstack([value, turn(part, kept.along)])
        dx, dy = np.vstack([dx, np.zeros(FIELDS)]), np.vstack([dy, np.zeros(FIELDS)])
        trace = part.mesh.trace(part.to_plane(kept.points), known)
        triangles.append(trace.element)
        e = e + rows(trace, sign * value, sign * dx, sign * dy, first[part.name], total)
    t = min(a.thickness, b.thickness)
    stiffest = RIGID_FACTOR * max(float(p.laminate.A.max()) / p.thickness for p in (a, b))
    limit = stiffest * np.array([1.0, 1.0, t**2, 1.0])
    out_of, across, about, slip = np.minimum(face_stiffness(spec, t), limit)
    # Along the edge's board, across it and along the line, in space.
    n = cross(a.rotation[2], kept.along)
    frame = np.stack([n, a.rotation[2], kept.along])
    c = np.zeros((4, 4))
    c[:3, :3] = frame.T @ np.diag([out_of, across, slip]) @ frame
    c[3, 3] = about
    return energy(e, kept.weight, c), None, row
