"""Following a design as it changes: the same triangles on nodes that move with the outlines.

Nodes on an outline go with it and those inside follow by a Laplace equation, so a mesh keeps its
topology from one design to a near one, its modes stay a good start, and derivatives are smooth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, PANELS, Cabinet
from bracewright.errors import DesignError, MeshError, SolveError
from bracewright.fem.factor import Factor, factor
from bracewright.fem.mesh import MM, PlanarMesh
from bracewright.fem.parts import FlatPart, part_laminate
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model, assemble
from bracewright.geometry import Path

Array = NDArray[np.float64]
STILL = 1e-9  # m
WORST_TRIANGLE = 0.2  # least area of a moved triangle, relative to what it was meshed with


@dataclass(frozen=True)
class Touched:
    """What differs between two designs.

    Attributes
    ----------
    parts : tuple of str
        Parts that differ in any way.
    placed : tuple of str
        Those that differ in board, place or outer edge, not only in their cut-outs.
    joints : bool
        Whether any joint does.
    still : bool
        Whether nothing moves: the designs differ in material, joints or masses alone.
    """

    parts: tuple[str, ...]
    placed: tuple[str, ...]
    joints: bool
    still: bool

    def joint(self, m: lay.Meeting, below: Cabinet, above: Cabinet) -> bool:
        """Whether a joint line's matrices differ.

        A cut-out moves no node on its part's own edge, but those inside, on which another part may stand.
        """
        if below.joint_between(m.a, m.b) != above.joint_between(m.a, m.b):
            return True
        if m.a in self.placed or m.b in self.placed:
            return True
        inside = {"corner": (), "tee": (m.b,), "cross": (m.a, m.b)}[m.kind]
        return any(p in self.parts for p in inside)


def touched(cabinet: Cabinet, below: Cabinet, above: Cabinet) -> Touched:
    """Which parts differ between two designs in board, outline or place."""
    parts = cabinet.parts
    named = ("joint", "brace_joint", "joint_overrides")
    joints = any(getattr(below, k) != getattr(above, k) for k in named)
    resized = any(getattr(below, k) != getattr(above, k) for k in ("width", "depth", "height"))
    if resized or any(below.part_board(p).thickness != above.part_board(p).thickness for p in parts):
        return Touched(parts, parts, joints, False)
    others = {p for p in parts if below.part_board(p) != above.part_board(p)}
    placed = {p.side for p, q in zip(below.panels, above.panels, strict=True) if p != q}
    pairs = list(zip(below.braces, above.braces, strict=True))
    placed |= {b.name for b, q in pairs if replace(b, pockets=()) != replace(q, pockets=())}
    for _ in parts:
        placed |= {b.name for b in cabinet.braces if any(e in placed for _, ends in b.within for e in ends)}
    cut = {b.name for b, q in pairs if b.pockets != q.pockets}
    cut |= {o.panel for o, q in zip(below.openings, above.openings, strict=True) if o != q}
    still = not placed and not cut
    placed |= others
    differ = tuple(p for p in parts if p in placed | cut)
    return Touched(differ, tuple(p for p in parts if p in placed), joints, still)


def _rim_motion(
    points: Array,
    rim: NDArray[np.int64],
    edges: NDArray[np.int64],
    middles: NDArray[np.int64],
    flats: Sequence[lay.PartLayout],
    at: float,
) -> Array | None:
    """(nodes, 2) motion of boundary nodes, mm, from one layout to the other; None when nothing moves."""
    corners = [f.corners for f in flats]
    if len(corners[0]) != len(corners[1]) or len(flats[0].cuts) != len(flats[1].cuts):
        raise SolveError("the outline gains or loses a corner just here; take a slightly different design")
    still = np.array_equal(corners[0], corners[1])
    if still and all(a[1] == b[1] for a, b in zip(flats[0].cuts, flats[1].cuts, strict=True)):
        return None
    out = np.zeros_like(points)
    nodes = np.concatenate([rim, middles])
    taken = np.zeros(len(nodes), dtype=bool)
    gone = corners[1] - corners[0]
    here = corners[0] + at * gone
    for i in range(len(here)):
        j = (i + 1) % len(here)
        side = here[j] - here[i]
        t = (points[nodes] - here[i]) @ side / (side @ side)
        off = np.linalg.norm(points[nodes] - here[i] - t[:, None] * side, axis=1)
        on = (off < 0.05) & (t > -1e-6) & (t < 1 + 1e-6)
        out[nodes[on]] = (1 - t[on, None]) * gone[i] + t[on, None] * gone[j]
        taken |= on
    for (_, a), (_, b) in zip(flats[0].cuts, flats[1].cuts, strict=True):
        if a == b:
            continue
        near = nodes[~taken & (cKDTree(a.points(1.0)).query(points[nodes])[0] < 2.0)]
        p = points[near]
        # A node at a corner goes with it; on a smooth curve it moves square to the curve.
        out[near] = b.nearest_points(p) - a.nearest_points(p)
        for q, r in _sharp(a, b):
            held = np.linalg.norm(p - q - at * (r - q), axis=1) <= np.linalg.norm(r - q) / 2 + 1e-6
            out[near[held]] = r - q
    return out


def _stiff_graph(mesh: PlanarMesh) -> sp.csr_array:
    """Laplacian of the corner nodes' graph, sides weighted by how short they are."""
    i, j = mesh.sides.T
    w = 1 / np.linalg.norm(mesh.points[i] - mesh.points[j], axis=1)
    a = sp.coo_array((np.concatenate([w, w]), (np.concatenate([i, j]), np.concatenate([j, i]))))
    a = sp.csr_array(a)
    return sp.csr_array(sp.diags_array(np.asarray(a.sum(axis=1)).ravel()) - a)


def _sharp(a: Path, b: Path) -> list[tuple[Array, Array]]:
    """Corners of a path with where they are on the other, when the two have the same segments."""
    if len(a.vertices) != len(b.vertices):
        return []
    return [
        (np.array(v[:2]), np.array(w[:2]))
        for v, w, t in zip(a.vertices, b.vertices, a.pieces().turns, strict=True)
        if abs(t) > 1e-3
    ]


_PULL: WeakKeyDictionary[PlanarMesh, tuple[NDArray[np.int64], Factor | None, sp.csr_array]] = WeakKeyDictionary()


def node_motion(mesh: PlanarMesh, name: str, below: Cabinet, above: Cabinet, at: float = 0.5) -> Array | None:
    """(nodes, 2) motion of a part's nodes, m, from one design to the other; None when its outline stays.

    `mesh` is that of a design on the way: the first at 0, the middle one at 0.5.
    """
    flats = [lay.part_layout(c, name) for c in (below, above)]
    edge = mesh.sides[mesh.boundary_sides]
    rim = np.unique(edge)
    moved = _rim_motion(mesh.points / MM, rim, edge, mesh.corners + mesh.boundary_sides, flats, at)
    if moved is None:
        return None
    if (below.panel(name) if name in PANELS else below.brace(name)).mesh is not None:
        raise DesignError("a part with a mesh of its own cannot change its outline; remove `mesh`", key=name)
    if mesh not in _PULL:
        inner = np.setdiff1d(np.arange(mesh.corners), rim)
        graph = _stiff_graph(mesh)
        pull = factor(graph[inner][:, inner]) if len(inner) else None
        _PULL[mesh] = inner, pull, sp.csr_array(-graph[inner][:, rim])
    inner, pull, couple = _PULL[mesh]
    v = np.zeros((len(mesh.points), 2))
    v[rim] = moved[rim]
    if pull is not None:
        v[inner] = pull.solve(couple @ moved[rim])
    v[mesh.corners :] = v[mesh.sides].mean(axis=1)
    v[mesh.corners + mesh.boundary_sides] = moved[mesh.corners + mesh.boundary_sides]
    return v * MM


def moved_part(part: FlatPart, cabinet: Cabinet, motion: Array | None, share: float = 1.0) -> FlatPart:
    """Return a part as it stands in another design, its nodes carried by a share of a motion."""
    frame = lay.frame_of(cabinet, part.name)
    mesh = part.mesh if motion is None else part.mesh.with_points(part.mesh.points + share * motion)
    region = part.region if motion is None else lay.region(lay.part_layout(cabinet, part.name))
    return FlatPart(part.name, frame.rotation, frame.origin * MM, mesh, part_laminate(cabinet, part.name), region)


def follow(model: Model, cabinet: Cabinet) -> Model:
    """Return the model of a near design on the same triangles, re-doing only what differs.

    Raises
    ------
    MeshError
        A triangle would be squeezed too far: build afresh.
    SolveError, DesignError
        The change is not one that nodes can follow, such as a part more or less: build afresh.
    """
    old = model.cabinet
    same = [(b.name, len(b.pockets)) for b in old.braces] == [(b.name, len(b.pockets)) for b in cabinet.braces]
    if not same or [o.name for o in old.openings] != [o.name for o in cabinet.openings]:
        raise SolveError("the designs differ in their parts or openings; build the new one afresh")
    moved = touched(cabinet, old, cabinet)
    parts = dict(model.parts)
    for name in moved.parts:
        motion = node_motion(parts[name].mesh, name, old, cabinet, 0.0)
        part = moved_part(parts[name], cabinet, motion)
        if motion is not None and (_areas(part.mesh) / _areas(parts[name].mesh)).min() < WORST_TRIANGLE:
            raise MeshError(f"the mesh of {name!r} is squeezed too far to follow this change; build it afresh")
        parts[name] = part
    known = {key: term for key, term in model.terms.items() if _stays(key, moved, model, cabinet)}
    return assemble(cabinet, parts, size=model.size, joints=model.joint_model, known=known, near=model.terms)


def carried(old: Model, new: Model, shapes: Array) -> Array:
    """Return shapes (n, k) of a model as a start for one that follows it: space is stretched as its braces move.

    Left to the nodes, panels would keep their nodal lines where a brace was, and parts that meet would part.
    """
    grids = [_grid(axis, old.cabinet, new.cabinet) for axis in AXES]
    out = shapes.copy()
    for name, part in new.parts.items():
        here = part.to_space(part.mesh.points)
        before = np.stack([np.interp(here[:, k], *grid) for k, grid in enumerate(grids)], axis=1)
        if np.abs(before - here).max() < STILL:
            continue  # about a pocket that changed, the nodes carry them well
        mesh, at = old.parts[name].mesh, new.of_part(name)
        source = old.parts[name].to_plane(before)
        if np.abs(source - mesh.points).max() > STILL:
            trace = mesh.trace(source, _around(mesh, source))
            fields = shapes[at].reshape(len(source), FIELDS, -1)
            out[at] = np.einsum("pn,pnfk->pfk", trace.value, fields[trace.nodes]).reshape(out[at].shape)
    return out


def _grid(axis: str, old: Cabinet, new: Cabinet) -> tuple[Array, Array]:
    """Places along an axis and what stood there before: the outer faces and every brace square to it."""
    pairs = {0.0: 0.0, new.size(axis): old.size(axis)}
    for b, q in zip(old.braces, new.braces, strict=True):
        if b.normal == q.normal == axis and not b.tilt_deg and not q.tilt_deg:
            pairs[q.at] = b.at
    places = np.array(sorted(pairs))
    return places * MM, np.maximum.accumulate([pairs[p] for p in places]) * MM


def _around(mesh: PlanarMesh, source: Array) -> NDArray[np.int64]:
    """Of the triangles around each node, the one that holds a place beside it, or comes nearest to that."""
    nodes = mesh.nodes6.ravel()
    triangles = np.repeat(np.arange(len(mesh.nodes6)), mesh.nodes6.shape[1])
    local = mesh.locate(source[nodes], triangles)[1]
    inside = np.minimum(local.min(axis=1), 1 - local.sum(axis=1))
    order = np.lexsort((inside, nodes))
    return np.asarray(triangles[order[np.flatnonzero(np.diff(nodes[order], append=-1))]])


def _areas(mesh: PlanarMesh) -> Array:
    """Twice the area of each triangle, negative when it is folded; the least of its corners' where it is curved."""
    p = mesh.points[mesh.nodes6]
    corners = p[:, [0, 3, 1, 4, 2, 5]]  # around the triangle
    before, after = np.roll(corners, 1, axis=1), np.roll(corners, -1, axis=1)
    u, v = after - corners, before - corners
    twice = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    return np.asarray(twice[:, ::2].min(axis=1))


def _stays(key: tuple[str, ...], moved: Touched, model: Model, cabinet: Cabinet) -> bool:
    """Whether a term of the matrices is the same in the new design."""
    old = model.cabinet
    if key[0] == "part":
        crossed = {p for k in model.terms if k[0] == "joint" and k[3] == "cross" for p in k[1:3]}
        return key[1] not in moved.parts and not (key[1] in crossed and crossed & set(moved.parts))
    if key[0] == "joint":
        nothing = np.zeros(3)
        return not moved.joint(lay.Meeting(key[1], key[2], key[3], nothing, nothing), old, cabinet)
    if key[0] == "driver":
        panel = cabinet.opening(key[1]).panel
        return old.drivers == cabinet.drivers and panel not in moved.parts
    if key[0] in ("damping", "cover"):
        return old.damping == cabinet.damping and key[1] not in moved.parts
    if key[0] == "supports":
        return old.supports == cabinet.supports and "bottom" not in moved.parts and not set(PANELS) & set(moved.placed)
    return not set(PANELS) & set(moved.placed)
