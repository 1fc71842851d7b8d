"""Assembly of a cabinet: parts, joints and driver masses to K and M."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import PANELS, Cabinet, Driver
from bracewright.design.checks import choice, number
from bracewright.errors import DesignError
from bracewright.fem.joints import JointRow, energy, plain_joint, rows
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, flat_part
from bracewright.fem.plate import FIELDS, part_matrices, weighted_mass
from bracewright.fem.supports import support_stiffness
from bracewright.fem.thick import SHARED_ORDER, cube_masses, joint_matrices, shared_wood

Array = NDArray[np.float64]
DEFAULT_SIZE = 30.0  # mm
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
    part_K : dict of sparse arrays
        Each part's own stiffness, for sharing out strain energy.
    joints : tuple of JointRow
    seconds : dict of float
        Time spent meshing and assembling.
    """

    cabinet: Cabinet
    parts: Mapping[str, FlatPart]
    first: Mapping[str, int]
    K: Any
    M: Any
    part_K: Mapping[str, Any]
    joints: tuple[JointRow, ...]
    seconds: Mapping[str, float]

    @property
    def dofs(self) -> int:
        """Number of unknowns."""
        return int(self.K.shape[0])

    def of_part(self, name: str) -> slice:
        """Return the unknowns of one part."""
        start = self.first[name]
        return slice(start, start + FIELDS * len(self.parts[name].mesh.points))

    @cached_property
    def rigid(self) -> Array:
        """(n, 6) motions: three unit shifts (m) and three unit turns (rad) about the origin."""
        return np.vstack([rigid_motion(p) for p in self.parts.values()])

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
        An unknown joint model, or an element size that no part can use.
    MeshError
        A part cannot be meshed.
    """
    choice(joints, "joints", JOINT_MODELS)
    number(size, "size", low=2.0, high=500.0, hint="element side in mm")
    t0 = time.perf_counter()
    names = (*PANELS, *(b.name for b in cabinet.braces))
    reach = "inner" if joints == "computed" else "mid"
    parts = {name: flat_part(cabinet, name, size, reach) for name in names}
    t1 = time.perf_counter()
    first, total = {}, 0
    for name, p in parts.items():
        first[name] = total
        total += FIELDS * len(p.mesh.points)
    lines = lay.meetings(cabinet, reach)
    shared: dict[str, Array] = {}
    for m in lines:
        if joints == "computed" and m.kind == "cross":
            for name, factor in shared_wood(m, parts, size * MM).items():
                shared[name] = shared.get(name, 1.0) * factor
    matrices = {}
    for name, p in parts.items():
        mass = weighted_mass(p.mesh, shared[name], SHARED_ORDER) if name in shared else None
        matrices[name] = part_matrices(p.mesh, p.laminate, mass)
    K = [shifted(k, first[name], total) for name, (k, _) in matrices.items()]
    M = [shifted(m, first[name], total) for name, (_, m) in matrices.items()]
    table = []
    for m in lines:
        if joints == "computed":
            k_add, m_add, row = joint_matrices(m, cabinet, parts, first, total, size * MM)
        else:
            k_add, row = plain_joint(m, parts, first, total, cabinet.joint_between(m.a, m.b), size * MM)
            m_add = None
        table.append(row)
        K.append(k_add)
        M.append(m_add)
    if joints == "computed":
        M.append(cube_masses(cabinet, parts, first, total))
    for d in cabinet.drivers:
        k_add, m_add = driver_matrices(cabinet, d, parts, first, total)
        K.append(k_add)
        M.append(m_add)
    K.append(support_stiffness(cabinet, parts, first, total, size * MM))
    stiffness, mass = added(K), added(M)
    t2 = time.perf_counter()
    return Model(
        cabinet=cabinet,
        parts=parts,
        first=first,
        K=stiffness,
        M=mass,
        part_K={name: k for name, (k, _) in matrices.items()},
        joints=tuple(table),
        seconds={"mesh": t1 - t0, "assemble": t2 - t1},
    )


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


def driver_matrices(
    cabinet: Cabinet, d: Driver, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int
) -> tuple[Any | None, Any]:
    """Spread a driver's mass along its opening's edge; a rigid frame also holds the ring in shape."""
    o = cabinet.opening(d.opening)
    part = parts[o.panel]
    ring = o.shape.outline().sample(48) * MM
    if not part.has_wood(ring, 1e-4).any():
        raise DesignError(f"its edge lies off panel {o.panel!r}; move it", key=f"openings.{o.name}")
    trace = part.mesh.trace(ring)
    value = np.zeros((3, FIELDS))
    value[[0, 1, 2], [0, 1, 2]] = 1.0
    zero = np.zeros_like(value)
    e = rows(trace, value, zero, zero, first[part.name], total)
    share = np.full(len(ring), 1.0 / len(ring))
    mass = energy(e, share * d.mass_kg, np.eye(3))
    if d.frame != "rigid":
        return None, mass
    c = ring - ring.mean(axis=0)
    basis = np.zeros((len(ring), 3, 6))
    basis[:, 0, 0] = basis[:, 1, 1] = basis[:, 2, 2] = 1.0
    basis[:, 2, 3], basis[:, 2, 4] = c[:, 1], -c[:, 0]
    basis[:, 0, 5], basis[:, 1, 5] = -c[:, 1], c[:, 0]
    q, _ = np.linalg.qr(basis.reshape(-1, 6))
    free = sp.csr_array(np.eye(len(q)) - q @ q.T)
    stiff = 10.0 * float(part.laminate.A[0, 0]) / len(ring)
    bent = free @ e
    return stiff * (bent.T @ bent), mass
