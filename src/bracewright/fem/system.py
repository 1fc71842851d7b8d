"""Assembly of a cabinet: parts, joints and driver masses to K and M."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, cast

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import Cabinet
from bracewright.design.checks import choice, number
from bracewright.design.mounted import Driver
from bracewright.errors import DesignError
from bracewright.fem.joints import JointRow, energy, plain_joint, rows
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, flat_part
from bracewright.fem.plate import FIELDS, part_matrices, weighted_mass
from bracewright.fem.sheets import cover_key, cover_motion, sheet_terms
from bracewright.fem.supports import support_stiffness
from bracewright.fem.thick import SHARED_ORDER, cube_masses, joint_matrices, shared_wood

Array = NDArray[np.float64]
DEFAULT_SIZE = 30.0  # mm
LONG = 4.0  # thicknesses; triangles longer than that make a plain pine box's first modes over 0.3 % high
MOST = 1_000_000  # unknowns, about; growth as measured up to 96,000 makes that some 20 GB
ROUNDING = 1e-15  # of a matrix entry beside its diagonal
Term = tuple[Any | None, Any | None, JointRow | None]
JOINT_MODELS = ("computed", "plain")


@dataclass(frozen=True)
class Model:
    """A cabinet as K and M.

    Attributes
    ----------
    cabinet : Cabinet
    parts : dict of FlatPart by name
    first : dict of int
        Number of each part's first unknown; fields u, v, w, bx, by follow node by node.
    K, M : sparse arrays, (n, n)
        SI.
    terms : dict of (K, M, report)
        What each part, joint, driver, damping sheet and support adds, None where nothing.
    joints : tuple of JointRow
    size : float
        Element side, mm.
    joint_model : {"computed", "plain"}
    seconds : dict of float
        Time spent meshing and assembling.
    """

    cabinet: Cabinet
    parts: Mapping[str, FlatPart]
    first: Mapping[str, int]
    K: Any
    M: Any
    terms: Mapping[tuple[str, ...], Term]
    joints: tuple[JointRow, ...]
    size: float
    joint_model: str
    seconds: Mapping[str, float]

    @property
    def dofs(self) -> int:
        """Number of unknowns."""
        return int(self.K.shape[0])

    @property
    def coarse(self) -> tuple[str, ...]:
        """Parts that come out too stiff, as their triangles are long for their thickness."""
        return tuple(n for n, p in self.parts.items() if self.size * MM > LONG * p.laminate.thickness_m)

    def of_part(self, name: str) -> slice:
        """Return the unknowns of one part."""
        start = self.first[name]
        return slice(start, start + FIELDS * len(self.parts[name].mesh.points))

    def loss_of(self, key: tuple[str, ...]) -> float:
        """Loss factor of the stiffness that a term adds: its boards', the wood's in a joint, its sheet's; else 0.

        A joint's glue or dry faces lose besides; `sound` knows by how much.
        """
        c = self.cabinet
        if key[0] == "part":
            return c.part_board(key[1]).loss_factor
        if key[0] == "damping":
            return c.damping[int(key[2])].loss_factor
        if key[0] != "joint":
            return 0.0
        if self.joint_model == "plain":
            return c.joint_between(key[1], key[2]).loss_factor
        return (c.part_board(key[1]).loss_factor + c.part_board(key[2]).loss_factor) / 2

    @cached_property
    def part_K(self) -> Mapping[str, Any]:
        """Each part's own stiffness on its own unknowns, for sharing out strain energy."""
        out = {}
        for name in self.parts:
            k, at = cast(Any, self.terms["part", name][0]), self.of_part(name)
            n = at.stop - at.start
            out[name] = sp.csr_array((k.data, (k.row - at.start, k.col - at.start)), shape=(n, n))
        return out

    @cached_property
    def rigid(self) -> Array:
        """(n, 6) motions: three unit shifts (m) and three unit turns (rad) about the origin."""
        moved = {name: rigid_motion(p) for name, p in self.parts.items()}
        return np.vstack([*moved.values(), *cover_motion(self.cabinet, self.parts, moved)])

    @cached_property
    def mass_matrix(self) -> Array:
        """(6, 6) rigid-body mass matrix about the origin."""
        return np.asarray(self.rigid.T @ (self.M @ self.rigid))

    @property
    def mass_kg(self) -> float:
        """Mass of the model."""
        return float(self.mass_matrix[0, 0])


def rigid_motion(part: FlatPart) -> Array:
    """(5 n, 6) fields of a part in the six rigid motions of space."""
    xyz = part.to_space(part.mesh.points)
    e1, e2 = part.rotation[:2]
    out = np.zeros((len(xyz), FIELDS, 6))
    for k in range(3):
        axis = np.eye(3)[k]
        out[:, :3, k] = part.rotation @ axis
        out[:, :3, 3 + k] = np.cross(axis, xyz) @ part.rotation.T
        out[:, 3, 3 + k] = e2[k]
        out[:, 4, 3 + k] = -e1[k]
    return out.reshape(-1, 6)


def build(cabinet: Cabinet, *, size: float = DEFAULT_SIZE, joints: str = "computed") -> Model:
    """Build K and M of a cabinet.

    Parameters
    ----------
    cabinet : Cabinet
    size : float
        Element side, mm.
    joints : {"computed", "plain"}
        ``computed`` gives each joint the stiffness and mass of its own cross-section; ``plain`` lets
        mid-surfaces meet at lines and ignores the joints' thickness, several per cent low on thick boards.

    Raises
    ------
    DesignError
        An unknown joint model, an element size that no part can use, or one that makes too many unknowns.
    MeshError
        A part cannot be meshed.
    """
    choice(joints, "joints", JOINT_MODELS)
    number(size, "size", low=2.0, high=500.0, hint="element side in mm")
    _check_count(cabinet, size, _reach(joints))
    t0 = time.perf_counter()
    parts = {name: flat_part(cabinet, name, size, _reach(joints)) for name in cabinet.parts}
    t1 = time.perf_counter()
    model = assemble(cabinet, parts, size=size, joints=joints)
    return replace(model, seconds={**model.seconds, "mesh": t1 - t0})


def _check_count(cabinet: Cabinet, size: float, reach: str) -> None:
    """Refuse elements so small that the memory would not do, before the long work."""
    area = 0.0
    for p in lay.layouts(cabinet, reach).values():
        x, y = p.corners.T
        area += abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2
    # Triangles of equal sides, two nodes to each.
    unknowns = 2 * FIELDS * area / (np.sqrt(3) / 4 * size**2)
    if unknowns > MOST:
        enough = np.ceil(size * np.sqrt(unknowns / MOST))
        raise DesignError(
            f"got {size:g} mm, which makes about {unknowns / 1e6:.1f} million unknowns; take {enough:.0f} or more",
            key="size",
        )


def assemble(
    cabinet: Cabinet,
    parts: Mapping[str, FlatPart],
    *,
    size: float,
    joints: str,
    known: Mapping[tuple[str, ...], Term] | None = None,
    near: Mapping[tuple[str, ...], Term] | None = None,
) -> Model:
    """Assemble meshed parts to a model, taking over terms already known.

    Parameters
    ----------
    cabinet : Cabinet
    parts : dict of FlatPart by name
    size, joints
        As in `build`.
    known : mapping, optional
        Terms of a model on the same triangles that this design does not change.
    near : mapping, optional
        All terms of that model: joint lines keep its divisions and triangles, so that the matrices change smoothly.
    """
    t0 = time.perf_counter()
    known, near = known or {}, near or {}
    step = size * MM
    first, total = {}, 0
    for name, p in parts.items():
        first[name] = total
        total += FIELDS * len(p.mesh.points)
    for k, sheet in enumerate(cabinet.damping):
        if sheet.cover_thickness:
            first[cover_key(k)] = total
            total += 2 * len(parts[sheet.part].mesh.points)
    lines = lay.meetings(cabinet, _reach(joints))
    crossings = [m for m in lines if m.kind == "cross"] if joints == "computed" else []
    terms: dict[tuple[str, ...], Term] = {}

    def term(key: tuple[str, ...], make: Callable[..., Term], *given: Any) -> None:
        if key in known:
            terms[key] = known[key]
        else:
            k, m, row = make(*given)
            terms[key] = trimmed(k), trimmed(m), row

    for name in parts:
        term(("part", name), _part_term, name, parts, crossings, step, first[name], total)
    for k, m in enumerate(lines):
        key = ("joint", m.a, m.b, m.kind, str(k))
        like = near[key][2] if key in near else None
        if joints == "computed":
            term(key, joint_matrices, m, cabinet, parts, first, total, step, like)
        else:
            term(key, plain_joint, m, parts, first, total, cabinet.joint_between(m.a, m.b), step, like)
    if joints == "computed":
        term(("cubes",), cube_masses, cabinet, parts, first, total)
    for d in cabinet.drivers:
        term(("driver", d.opening), driver_matrices, cabinet, d, parts, first, total)
    for what, make, k in sheet_terms(cabinet):
        term(what, make, cabinet, k, parts, first, total)
    term(("supports",), support_stiffness, cabinet, parts, first, total, step)
    K, M = added([k for k, _, _ in terms.values()]), added([m for _, m, _ in terms.values()])
    return Model(
        cabinet=cabinet,
        parts=parts,
        first=first,
        K=K,
        M=M,
        terms=terms,
        joints=tuple(row for _, _, row in terms.values() if row is not None),
        size=size,
        joint_model=joints,
        seconds={"mesh": 0.0, "assemble": time.perf_counter() - t0},
    )


def _reach(joints: str) -> str:
    return "inner" if joints == "computed" else "mid"


def _part_term(
    name: str, parts: Mapping[str, FlatPart], crossings: Sequence[lay.Meeting], step: float, first: int, total: int
) -> Term:
    p = parts[name]
    mass = None
    for m in crossings:
        if name in (m.a, m.b):
            lighter = shared_wood(m, parts, step)[name]
            mass = lighter if mass is None else mass * lighter
    k, m_ = part_matrices(p.mesh, p.laminate, None if mass is None else weighted_mass(p.mesh, mass, SHARED_ORDER))
    return shifted(k, first, total), shifted(m_, first, total), None


def shifted(a: Any, first: int, total: int) -> Any:
    """Place a part's matrix among all unknowns."""
    c = sp.coo_array(a)
    return sp.coo_array((c.data, (c.row + first, c.col + first)), shape=(total, total))


def added(terms: Sequence[Any | None]) -> Any:
    """Sum sparse arrays in one pass; None counts as nothing."""
    parts = [sp.coo_array(t) for t in terms if t is not None]
    data = np.concatenate([t.data for t in parts])
    row = np.concatenate([t.row for t in parts])
    col = np.concatenate([t.col for t in parts])
    return sp.csr_array((data, (row, col)), shape=parts[0].shape)


def trimmed(a: Any | None) -> Any | None:
    """Drop what is below rounding in a symmetric positive semi-definite matrix.

    A turned part's cosines and a board's missing couplings leave zeros that would fill the factor.
    """
    if a is None:
        return None
    c = sp.coo_array(a)
    size = np.sqrt(np.abs(c.diagonal()))
    keep = np.abs(c.data) > ROUNDING * size[c.row] * size[c.col]
    return sp.coo_array((c.data[keep], (c.row[keep], c.col[keep])), shape=c.shape)


def driver_matrices(
    cabinet: Cabinet, d: Driver, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int
) -> Term:
    """Spread a driver's mass along its opening's edge, evenly over its height; a rigid frame also holds its shape."""
    o = cabinet.opening(d.opening)
    part = parts[o.panel]
    ring, share = part.edge(o.shape.outline())
    trace = part.mesh.trace(ring)
    value = np.zeros((3, FIELDS))
    value[[0, 1, 2], [0, 1, 2]] = 1.0
    zero = np.zeros_like(value)
    e = rows(trace, value, zero, zero, first[part.name], total)
    # Spread over the height of the opening's wall, the mass also resists the turning of the edge.
    whole = np.eye(FIELDS)
    spread = rows(trace, whole, 0 * whole, 0 * whole, first[part.name], total)
    mass = energy(spread, share * d.mass_kg, np.diag([1.0, 1.0, 1.0, *[part.thickness**2 / 12] * 2]))
    if d.frame != "rigid":
        return None, mass, None
    c = ring - share @ ring
    basis = np.zeros((len(ring), 3, 6))
    basis[:, 0, 0] = basis[:, 1, 1] = basis[:, 2, 2] = 1.0
    basis[:, 2, 3], basis[:, 2, 4] = c[:, 1], -c[:, 0]
    basis[:, 0, 5], basis[:, 1, 5] = -c[:, 1], c[:, 0]
    root = np.repeat(np.sqrt(share), 3)
    q, _ = np.linalg.qr(root[:, None] * basis.reshape(-1, 6))
    free = sp.csr_array((np.eye(len(q)) - q @ q.T) * root)
    stiff = 10.0 * float(part.laminate.A[0, 0])
    bent = free @ e
    return stiff * (bent.T @ bent), mass, None
