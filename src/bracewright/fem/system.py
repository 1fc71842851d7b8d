"""Assembly of a cabinet: parts, joints and driver masses to K and M."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import PANELS, Cabinet, Driver, JointSpec
from bracewright.errors import DesignError
from bracewright.fem.joints import Line, energy, line, motion, rows, turn
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, flat_part
from bracewright.fem.plate import FIELDS, part_matrices

Array = NDArray[np.float64]
DEFAULT_SIZE = 30.0  # mm
RIGID_FACTOR = 1000.0
GLUE_E_PA = 1.0e9  # PVA line; common practice, no source
GLUE_THICKNESS = 1.0e-4  # m; middle of 0.05-0.15 mm, common practice, no source
DRY_FACE_PA_M = 2.0e10  # contact stiffness of a dry fit per area, N/m3: judgement, to be fitted to taps


@dataclass(frozen=True)
class JointRow:
    """What a joint line rests on: a report for the account."""

    meeting: lay.Meeting
    length: float
    supported: float


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
    e1, e2, e3 = part.rotation
    out = np.zeros((len(xyz), FIELDS, 6))
    for k in range(3):
        axis = np.eye(3)[k]
        out[:, :3, k] = part.rotation @ axis
        out[:, :3, 3 + k] = np.cross(axis, xyz) @ part.rotation.T
        out[:, 3, 3 + k] = e2[k]
        out[:, 4, 3 + k] = -e1[k]
    return out.reshape(-1, 6)


def build(cabinet: Cabinet, *, size: float = DEFAULT_SIZE, joints: str = "plain") -> Model:
    """Build K and M of a cabinet.

    Parameters
    ----------
    cabinet : Cabinet
    size : float
        Element side, mm.
    joints : {"plain"}
        ``plain``: mid-surfaces meet at lines; the joint's thickness is ignored.

    Raises
    ------
    MeshError
        A part cannot be meshed.
    """
    t0 = time.perf_counter()
    parts = {name: flat_part(cabinet, name, size, "mid") for name in (*PANELS, *(b.name for b in cabinet.braces))}
    t1 = time.perf_counter()
    first, total = {}, 0
    for name, p in parts.items():
        first[name] = total
        total += FIELDS * len(p.mesh.points)
    matrices = {name: part_matrices(p.mesh, p.laminate) for name, p in parts.items()}
    K = sp.block_diag([k for k, _ in matrices.values()], format="csr")
    M = sp.block_diag([m for _, m in matrices.values()], format="csr")
    table = []
    for m in lay.meetings(cabinet, "mid"):
        added, row = plain_joint(m, parts, first, total, cabinet.joint_between(m.a, m.b), size * MM)
        table.append(row)
        if added is not None:
            K = K + added
    for d in cabinet.drivers:
        k, mass = driver_matrices(cabinet, d, parts, first, total)
        M = M + mass
        if k is not None:
            K = K + k
    t2 = time.perf_counter()
    return Model(
        cabinet=cabinet,
        parts=parts,
        first=first,
        K=sp.csr_array(K),
        M=sp.csr_array(M),
        part_K={name: k for name, (k, _) in matrices.items()},
        joints=tuple(table),
        seconds={"mesh": t1 - t0, "assemble": t2 - t1},
    )


def line_stiffness(spec: JointSpec, a: FlatPart, b: FlatPart) -> tuple[float, float]:
    """Translation (N/m2) and rotation (N/rad) stiffness of a joint per metre of line."""
    t = min(a.thickness, b.thickness)
    if spec.kind == "springs":
        return spec.translation_N_mm2 * 1e6, spec.rotation_N_rad
    if spec.kind == "rigid":
        e = max(float(p.laminate.A.max()) / p.thickness for p in (a, b))
        return RIGID_FACTOR * e, RIGID_FACTOR * e * t**2
    face = GLUE_E_PA / GLUE_THICKNESS if spec.kind == "glued" else DRY_FACE_PA_M
    return face * t, face * t**3 / 12


def plain_joint(
    m: lay.Meeting, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int, spec: JointSpec, step: float
) -> tuple[Any, JointRow]:
    """Tie two mid-surfaces along a line: three displacements and the rotation about the line."""
    a, b = parts[m.a], parts[m.b]
    whole = line(m.start * MM, m.end * MM, step)
    kept = supported(whole, a, b)
    row = JointRow(m, float(whole.weight.sum()) / MM, float(kept.weight.sum()) / MM)
    if not len(kept.points):
        return None, row
    e: Any = 0
    for part, sign in ((a, 1.0), (b, -1.0)):
        value, dx, dy = motion(part, np.zeros(3), kept.along)
        value = np.vstack([value, turn(part, kept.along)])
        dx, dy = np.vstack([dx, np.zeros(FIELDS)]), np.vstack([dy, np.zeros(FIELDS)])
        trace = part.mesh.trace(part.to_plane(kept.points))
        e = e + rows(trace, sign * value, sign * dx, sign * dy, first[part.name], total)
    kt, kr = line_stiffness(spec, a, b)
    return energy(e, kept.weight, np.diag([kt, kt, kt, kr])), row


def supported(whole: Line, a: FlatPart, b: FlatPart) -> Line:
    """Drop the points of a line where either part has no wood."""
    mask = a.has_wood(a.to_plane(whole.points)) & b.has_wood(b.to_plane(whole.points))
    return whole.keep(mask)


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
