"""The cross-section of a joint: what the wood where two thick boards meet adds to plates that end there.

Two-dimensional elasticity on the joint's own section: the block where the boards overlap, and on
each board an arm long enough for the stresses to become a plate's. Unit self-equilibrated loads on
the arms' ends give a compliance; taking off the arms as shear-flexible plates leaves the joint's
own, measured at the faces of the block (its ports). In the plane of the section each port moves by
(u, w, b): along its arm, along the arm's normal, and the rotation of its cross-section. Out of the
plane it slides by u_s along the line. Nothing is fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp
from numpy.typing import NDArray
from skfem import Basis, ElementQuad2, ElementVector, MeshQuad

from bracewright.fem.factor import factor

Array = NDArray[np.float64]
ARM_LENGTH = 4.0  # in thicknesses
GAUSS_4, GAUSS_5 = (np.polynomial.legendre.leggauss(n) for n in (4, 5))
NO_STIFFNESS = 1e-6  # SI, per metre of line: stands for a face that holds nothing
# Elements across a thickness, graded towards the faces, where the re-entrant corners are.
GRADING = np.array([0.004, 0.012, 0.03, 0.064, 0.12, 0.13, 0.14, 0.14, 0.13, 0.12, 0.064, 0.03, 0.012, 0.004])
ARMS: dict[str, tuple[tuple[int, int], tuple[int, int]]] = {
    "+a": ((1, 0), (0, 1)),
    "-a": ((-1, 0), (0, -1)),
    "+b": ((0, 1), (-1, 0)),
    "-b": ((0, -1), (1, 0)),
}  # direction n of an arm and of its normal z, turned a quarter counter-clockwise


@dataclass(frozen=True)
class Strip:
    """A layer as the section sees it: elastic constants (Pa) along the arm n, its normal z and the line s."""

    thickness: float
    E_n: float
    E_z: float
    E_s: float
    nu_ns: float
    nu_nz: float
    nu_sz: float
    G_nz: float
    G_ns: float
    G_sz: float

    def scaled(self, size: float, modulus: float) -> Strip:
        """Return the strip in other units of length and modulus, rounded so that equal proportions compare equal."""
        return Strip(
            round(self.thickness / size, 12),
            *(round(e / modulus, 12) for e in (self.E_n, self.E_z, self.E_s)),
            *(round(n, 12) for n in (self.nu_ns, self.nu_nz, self.nu_sz)),
            *(round(g / modulus, 12) for g in (self.G_nz, self.G_ns, self.G_sz)),
        )

    def stiffness(self) -> Array:
        """(3, 3) plane-strain stiffness of strains (n, z, nz)."""
        c = self.full()
        out = np.zeros((3, 3))
        out[:2, :2] = c[:2, :2]
        out[2, 2] = self.G_nz
        return out

    def full(self) -> Array:
        """(3, 3) stiffness of the direct strains (n, z, s)."""
        s = np.array(
            [
                [1 / self.E_n, -self.nu_nz / self.E_n, -self.nu_ns / self.E_n],
                [-self.nu_nz / self.E_n, 1 / self.E_z, -self.nu_sz / self.E_s],
                [-self.nu_ns / self.E_n, -self.nu_sz / self.E_s, 1 / self.E_s],
            ]
        )
        return np.asarray(np.linalg.inv(s))


Slab = tuple[Strip, ...]  # from the arm's lower face (z < 0) to its upper


@dataclass(frozen=True)
class JointSection:
    """What a joint's section adds per metre of line, at its ports in the order of `arms`.

    Attributes
    ----------
    arms : tuple of str
        Among ``+a, -a, +b, -b``.
    size : (m,) array
        Thickness of each arm, m.
    plane_basis, plane : (3 m, 3 m - 3) and (3 m - 3, 3 m - 3) arrays
        Port forces (N/m, N/m, N) in equilibrium, and the compliance of the block to them.
    slip_basis, slip : (m, m - 1) and (m - 1, m - 1) arrays
        The same for forces along the line; slips are taken at the block's centre.
    torsion : float
        What the block adds to the arms' torsion about the line, N m2.
    grip : (m,) array
        Stiffness with which the block keeps each ending arm's cross-section square to the line, N; infinite
        for an arm that another continues.
    warping : (m,) array
        Slip of each port per unit twist per metre, m2; mean taken off.
    """

    arms: tuple[str, ...]
    size: Array
    plane_basis: Array
    plane: Array
    slip_basis: Array
    slip: Array
    torsion: float
    grip: Array
    warping: Array

    def stiffness(self, faces: Array) -> tuple[Array, Array, float]:
        """Stiffness with an elastic face in series at each port.

        Parameters
        ----------
        faces : (m, 4) array
            At each port: along the arm, across it (N/m2), about the line (N/rad), along the line (N/m2);
            infinite where the wood is whole.

        Returns
        -------
        plane : (3 m, 3 m) array
            On port motions (u, w, b).
        slip : (m, m) array
        hold : float
            Part of the whole block's slip stiffness that is left, 0..1.
        """
        soft = 1 / np.maximum(faces, NO_STIFFNESS)
        plane = self.plane_basis.T @ (soft[:, :3].reshape(-1, 1) * self.plane_basis) + self.plane
        slip = self.slip_basis.T @ (soft[:, 3:] * self.slip_basis) + self.slip
        hold = float(np.trace(self.slip) / np.trace(slip))
        return (
            self.plane_basis @ np.linalg.inv(plane) @ self.plane_basis.T,
            self.slip_basis @ np.linalg.inv(slip) @ self.slip_basis.T,
            hold,
        )


def port_rigid(arms: Sequence[str], width: float, height: float) -> Array:
    """(3 m, 3) port motions (u, w, b) of unit shifts along a and b and a unit turn of the block."""
    out = np.zeros((3 * len(arms), 3))
    for i, arm in enumerate(arms):
        n, z = (np.array(v, dtype=float) for v in ARMS[arm])
        p = n * (width if arm[1] == "a" else height) / 2
        turned = np.array([-p[1], p[0]])  # velocity of a point p in a unit turn
        out[3 * i] = [n[0], n[1], n @ turned]
        out[3 * i + 1] = [z[0], z[1], z @ turned]
        out[3 * i + 2] = [0, 0, -1.0]  # u_n = u + z b: a counter-clockwise turn moves +z points along -n
    return out


def joint_section(horizontal: Slab, vertical: Slab, block: Strip, arms: tuple[str, ...]) -> JointSection:
    """Solve the section of a joint.

    Parameters
    ----------
    horizontal, vertical : tuple of Strip
        Boards of the arms along a and along b.
    block : Strip
        Material where they overlap, its n along a and its z along b.
    arms : tuple of str
        The arms present, among ``+a, -a, +b, -b``.
    """
    # Solved once for all sizes and moduli of the same proportions.
    size, modulus = horizontal[0].thickness, horizontal[0].E_n
    unit = _unit_section(
        tuple(k.scaled(size, modulus) for k in horizontal),
        tuple(k.scaled(size, modulus) for k in vertical),
        block.scaled(size, modulus),
        arms,
    )
    lengths = np.tile([1.0, 1.0, size], len(arms))
    return replace(
        unit,
        size=unit.size * size,
        plane_basis=unit.plane_basis * lengths[:, None],
        plane=unit.plane / modulus,
        slip=unit.slip / modulus,
        torsion=unit.torsion * modulus * size**4,
        grip=unit.grip * modulus * size**2,
        warping=unit.warping * size**2,
    )


@lru_cache(maxsize=2048)
def _unit_section(horizontal: Slab, vertical: Slab, block: Strip, arms: tuple[str, ...]) -> JointSection:
    height = sum(s.thickness for s in horizontal)
    width = sum(s.thickness for s in vertical)
    mesh = _Mesh(horizontal, vertical, block, arms, width, height)
    plane_basis, plane = _plane(mesh)
    slip_basis, slip, warping, torsion, grip = _antiplane(mesh)
    size = np.array([height if a[1] == "a" else width for a in arms])
    return JointSection(arms, size, plane_basis, plane, slip_basis, slip, torsion, grip, warping)


def through_stiffness(slab: Slab, length: float) -> tuple[Array, Array, float]:
    """Stiffness a plate already has between two ports `length` apart, in the order (``+a``, ``-a``).

    Returns
    -------
    plane : (6, 6) array
    slip : (2, 2) array
    torsion : float
    """
    rigid = port_rigid(("+a", "-a"), length, 1.0)
    # Forces at the first port as on the end of an arm that starts at the second.
    flip = np.diag([-1.0, -1.0, 1.0])
    basis = np.zeros((6, 3))
    basis[3:] = flip  # unit (N, Q, M) on the second port, in the axes of an arm from there
    basis[:3] = -np.linalg.solve(rigid[:3].T, rigid[3:].T @ flip)
    compliance = _arm_compliance(slab, length)
    shear = sum(s.G_ns * s.thickness for s in slab) / length
    plane = basis @ np.linalg.inv(compliance) @ basis.T
    return plane, shear * np.array([[1.0, -1.0], [-1.0, 1.0]]), _twist_stiffness(slab)[0] * length


class _Mesh:
    """Graded rectangles over block and arms, with the material of each."""

    def __init__(
        self, horizontal: Slab, vertical: Slab, block: Strip, arms: tuple[str, ...], width: float, height: float
    ) -> None:
        self.horizontal, self.vertical, self.block, self.arms = horizontal, vertical, block, arms
        self.width, self.height = width, height
        self.length = {a: ARM_LENGTH * (height if a[1] == "a" else width) for a in arms}
        xs = _lines(vertical, width, self.length.get("-a", 0.0), self.length.get("+a", 0.0), height)
        ys = _lines(horizontal, height, self.length.get("-b", 0.0), self.length.get("+b", 0.0), width)
        full = MeshQuad.init_tensor(xs, ys)
        c = full.p[:, full.t].mean(axis=1)
        in_a, in_b = np.abs(c[1]) < height / 2, np.abs(c[0]) < width / 2
        keep = (in_a & in_b) | (in_a & ~in_b) | (~in_a & in_b)
        self.mesh = full.restrict(np.flatnonzero(keep))
        c = self.mesh.p[:, self.mesh.t].mean(axis=1)
        self.stiff = np.zeros((c.shape[1], 3, 3))
        self.shear = np.zeros((c.shape[1], 2))  # G for a-s and b-s
        in_a, in_b = np.abs(c[1]) < height / 2, np.abs(c[0]) < width / 2
        self._fill(in_a & in_b, block, turned=False)
        z0 = -height / 2
        for s in horizontal:
            band = in_a & ~in_b & (c[1] > z0) & (c[1] < z0 + s.thickness)
            self._fill(band, s, turned=False)
            z0 += s.thickness
        # The normal of a vertical arm points along -a when the arm points along +b.
        z0 = -width / 2
        for s in vertical:
            self._fill(in_b & ~in_a & (c[0] > z0) & (c[0] < z0 + s.thickness), s, turned=True)
            z0 += s.thickness

    def _fill(self, where: NDArray[np.bool_], s: Strip, *, turned: bool) -> None:
        c = s.stiffness()
        if turned:
            c = c[np.ix_([1, 0, 2], [1, 0, 2])]
        self.stiff[where] = c
        self.shear[where] = (s.G_sz, s.G_ns) if turned else (s.G_ns, s.G_sz)

    def slab(self, arm: str) -> Slab:
        """Layers of an arm from its lower to its upper face along its own normal z."""
        s = self.horizontal if arm[1] == "a" else self.vertical
        return s if arm in ("+a", "-b") else s[::-1]


def _lines(across: Slab, size: float, low: float, high: float, reference: float) -> Array:
    """Grid lines along one axis: across the block (layer faces included) and out along the arms."""
    inner = np.concatenate([[0.0], np.cumsum(GRADING)]) * size - size / 2
    faces = np.cumsum([s.thickness for s in across])[:-1] - size / 2
    for f in faces:
        if np.abs(inner - f).min() > 0.004 * size:
            inner = np.append(inner, f)
        else:
            inner[np.abs(inner - f).argmin()] = f
    inner = np.sort(inner)

    def arm(length: float) -> Array:
        if not length:
            return np.zeros(0)
        steps: list[float] = []
        s = 0.01 * size
        while sum(steps) < length:
            steps.append(s)
            s = min(s * 1.6, 0.5 * reference)
        at = np.cumsum(steps)
        return np.asarray(at * (length / at[-1]))

    return np.concatenate([-size / 2 - arm(low)[::-1], inner, size / 2 + arm(high)])


def _plane(m: _Mesh) -> tuple[Array, Array]:
    """Port forces in equilibrium and the block's compliance to them, in the plane of the section."""
    basis = Basis(m.mesh, ElementVector(ElementQuad2()), intorder=4)
    local = np.zeros((m.mesh.t.shape[1], basis.Nbfun, basis.Nbfun))
    grads = [b[0].grad for b in basis.basis]  # (2, 2, e, q): component, derivative
    strain = np.stack([np.stack([g[0, 0], g[1, 1], g[0, 1] + g[1, 0]]) for g in grads])
    local = np.einsum("ikeq,ekl,jleq,eq->eij", strain, m.stiff, strain, basis.dx, optimize=True)
    K = _assemble(local, basis)
    rigid = port_rigid(m.arms, m.width, m.height)
    free = sl.null_space(rigid.T)  # port forces in equilibrium
    ends = [_end_loads(basis, m, arm, vector=True) for arm in m.arms]
    loads = np.zeros((K.shape[0], 3 * len(m.arms)))
    arms = np.zeros((3 * len(m.arms),) * 2)
    for i, arm in enumerate(m.arms):
        length = m.length[arm]
        move = np.eye(3)
        # Forces (N, Q, M) at the port come from N, Q and M + Q length at the far end, as M,n = Q.
        move[2, 1] = length
        loads[:, 3 * i : 3 * i + 3] = ends[i] @ move
        arms[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = _arm_compliance(m.slab(arm), length)
    loads = loads @ free
    gap = m.mesh.p - m.mesh.p[:, :1]
    far = int(np.hypot(*gap).argmax())
    across = int(abs(gap[0, far]) > abs(gap[1, far]))  # the component that a turn about the first node moves
    pins = [*basis.nodal_dofs[:, 0], basis.nodal_dofs[across, far]]
    own = loads.T @ _pinned(K, pins)(loads) - free.T @ arms @ free
    return free, np.asarray((own + own.T) / 2)


def _arm_compliance(slab: Slab, length: float) -> Array:
    """(3, 3) compliance of an arm as a shear-flexible plate in cylindrical bending to forces (N, Q, M) at its port."""
    a, b, d, s = _plate(slab)
    flex = np.linalg.inv(np.array([[a, b], [b, d]]))
    out = np.zeros((3, 3))
    for xi, wi in zip((GAUSS_4[0] + 1) * length / 2, GAUSS_4[1] * length / 2, strict=True):
        t = np.array([[1.0, 0, 0], [0, xi, 1.0]])
        out += wi * t.T @ flex @ t
        out[1, 1] += wi / s
    return out


def _plate(slab: Slab) -> tuple[float, float, float, float]:
    """Plane-strain membrane, coupling, bending and shear stiffness of layers about their mid-plane."""
    t = sum(s.thickness for s in slab)
    z = -t / 2 + np.concatenate([[0.0], np.cumsum([s.thickness for s in slab])])
    c = np.array([s.stiffness() for s in slab])
    q = c[:, 0, 0] - c[:, 0, 1] ** 2 / c[:, 1, 1]
    a, b, d = (float((q * (z[1:] ** k - z[:-1] ** k) / k).sum()) for k in (1, 2, 3))
    return a, b, d, _shear_stiffness(z, q, [s.G_nz for s in slab], b / a, d - b * b / a)


def _antiplane(m: _Mesh) -> tuple[Array, Array, Array, float, Array]:
    """Slip forces in equilibrium, compliance to them, warping per unit twist, torsion beyond the arms', and grip.

    Under a unit twist an arm's cross-section leaves the normal to the line by b near its end, over a layer
    sqrt(D66 / S). As a plate with its end gripped by a stiffness k, b = -2 D66 / (sqrt(D66 S) + k): the
    section's own b gives k.
    """
    basis = Basis(m.mesh, ElementQuad2(), intorder=4)
    grads = np.stack([b[0].grad for b in basis.basis])  # (i, 2, e, q)
    local = np.einsum("ideq,ed,jdeq,eq->eij", grads, m.shear, grads, basis.dx, optimize=True)
    K = _assemble(local, basis)
    x = basis.global_coordinates()
    spin = np.stack([-x[1], x[0]])  # in-plane velocity of a unit twist
    source = _vector(np.einsum("ideq,ed,deq,eq->ei", grads, m.shear, spin, basis.dx), basis)
    polar = float(np.einsum("ed,deq,deq,eq->", m.shear, spin, spin, basis.dx))
    ends = np.column_stack([_end_loads(basis, m, arm, vector=False)[:, 0] for arm in m.arms])
    count = len(m.arms)
    free = sl.null_space(np.ones((1, count)))
    arms = np.diag([m.length[a] / sum(s.G_ns * s.thickness for s in m.slab(a)) for a in m.arms])
    solve = _pinned(K, [int(basis.nodal_dofs[0, 0])])
    u = solve(np.column_stack([ends @ free, -source]))
    own_slip = (ends @ free).T @ u[:, :-1] - free.T @ arms @ free
    warp = ends.T @ u[:, -1]
    total = polar + float(source @ u[:, -1])
    arms_alone = 0.0
    grip = np.full(count, np.inf)
    for i, a in enumerate(m.arms):
        twist, layer = _twist_stiffness(m.slab(a))
        lost = layer  # at the far end, which is free to warp
        if not _continued(a, m.arms):
            own = twist / 4 / layer  # sqrt(D66 S)
            away = _port_turn(basis, m, a, u[:, -1])
            grip[i] = max(-twist / 2 / away - own, 0.0) if away < 0 else np.inf
            lost += layer * own / (own + grip[i])
        arms_alone += twist * (m.length[a] - lost)
    return free, np.asarray((own_slip + own_slip.T) / 2), np.asarray(warp - warp.mean()), total - arms_alone, grip


def _continued(arm: str, arms: Sequence[str]) -> bool:
    """Whether a board runs through the block from this arm to the one opposite."""
    return ("-" if arm[0] == "+" else "+") + arm[1] in arms


def _port_turn(basis: Any, m: _Mesh, arm: str, warped: Array) -> float:
    """Turn b_s + w,s of an arm's cross-section at its port under a unit twist, from its warping there."""
    n, z = (np.array(v, dtype=float) for v in ARMS[arm])
    port, half = (m.width, m.height / 2) if arm[1] == "a" else (m.height, m.width / 2)
    port /= 2
    facets = m.mesh.facets_satisfying(
        lambda x: (np.abs(n @ x.reshape(2, -1) - port) < 1e-9 * port) & (np.abs(z @ x.reshape(2, -1)) < half)
    )
    edge = basis.boundary(facets)
    zz = np.einsum("d,deq->eq", z, edge.global_coordinates())
    slab = m.slab(arm)
    faces = -sum(s.thickness for s in slab) / 2 + np.concatenate([[0.0], np.cumsum([s.thickness for s in slab])])
    g = np.array([s.G_ns for s in slab])[np.clip(np.searchsorted(faces, zz) - 1, 0, len(slab) - 1)]
    u = np.asarray(edge.interpolate(warped))
    mean = float((g * u * edge.dx).sum() / (g * edge.dx).sum())
    middle = float((g * zz * edge.dx).sum() / (g * edge.dx).sum())
    slope = float((g * (zz - middle) * (u - mean) * edge.dx).sum() / (g * (zz - middle) ** 2 * edge.dx).sum())
    return slope + port


def _twist_stiffness(slab: Slab) -> tuple[float, float]:
    """Torsion stiffness of a plate per metre of its width (N m), and the width lost at an edge free to warp.

    A shear-flexible plate loses its twist over a layer sqrt(D66 / S) wide at such an edge.
    """
    z = -sum(s.thickness for s in slab) / 2 + np.concatenate([[0.0], np.cumsum([s.thickness for s in slab])])
    g = np.array([s.G_ns for s in slab])
    area, first, second = (float((g * (z[1:] ** k - z[:-1] ** k) / k).sum()) for k in (1, 2, 3))
    d66 = second - first**2 / area
    shear = _shear_stiffness(z, g, [s.G_sz for s in slab], first / area, d66)
    return 4 * d66, float(np.sqrt(d66 / shear))


def _shear_stiffness(z: Array, direct: Array, shear: Sequence[float], shift: float, bending: float) -> float:
    """Transverse shear stiffness by the energy of the shear flow that balances bending about `shift`."""
    energy, flow = 0.0, 0.0
    gx, gw = GAUSS_5
    for q, g, lo, hi in zip(direct, shear, z[:-1], z[1:], strict=True):
        zz = (lo + hi) / 2 + gx * (hi - lo) / 2
        tau = flow + q * ((zz - shift) ** 2 - (lo - shift) ** 2) / 2
        energy += float((gw * tau**2).sum() * (hi - lo) / 2 / g)
        flow += q * ((hi - shift) ** 2 - (lo - shift) ** 2) / 2
    return bending**2 / energy


def _assemble(local: Array, basis: Any) -> Any:
    dofs = basis.element_dofs  # (nb, e)
    n = dofs.shape[0]
    rows = np.repeat(dofs.T[:, :, None], n, axis=2)
    cols = np.repeat(dofs.T[:, None, :], n, axis=1)
    return sp.csc_array(sp.coo_array((local.ravel(), (rows.ravel(), cols.ravel())), shape=(basis.N, basis.N)))


def _vector(local: Array, basis: Any) -> Array:
    return np.bincount(basis.element_dofs.T.ravel(), weights=local.ravel(), minlength=basis.N).astype(float)


def _end_loads(basis: Any, m: _Mesh, arm: str, *, vector: bool) -> Array:
    """Consistent nodal loads of unit resultants on an arm's far end: (N, Q, M), or the slip force alone."""
    n, z = (np.array(v, dtype=float) for v in ARMS[arm])
    half = (m.width if arm[1] == "a" else m.height) / 2
    far = half + m.length[arm]
    facets = m.mesh.facets_satisfying(lambda x: np.abs(n[0] * x[0] + n[1] * x[1] - far) < 1e-9 * far)
    edge = basis.boundary(facets)
    zz = np.einsum("d,deq->eq", z, edge.global_coordinates())
    slab = m.slab(arm)
    faces = -sum(s.thickness for s in slab) / 2 + np.concatenate([[0.0], np.cumsum([s.thickness for s in slab])])
    layer = np.clip(np.searchsorted(faces, zz) - 1, 0, len(slab) - 1)
    if not vector:
        g = np.array([s.G_ns for s in slab])
        f = g[layer] / float((g * np.diff(faces)).sum())
        local = np.stack([np.einsum("eq,eq,eq->e", f, np.asarray(b[0]), edge.dx) for b in edge.basis], axis=1)
        return _vector(local, edge)[:, None]
    a, b_, d, _ = _plate(slab)
    c = np.array([s.stiffness() for s in slab])
    q = c[:, 0, 0] - c[:, 0, 1] ** 2 / c[:, 1, 1]
    flex = np.linalg.inv(np.array([[a, b_], [b_, d]]))
    shift = b_ / a
    start = np.concatenate([[0.0], np.cumsum(q * ((faces[1:] - shift) ** 2 - (faces[:-1] - shift) ** 2) / 2)])[:-1]
    flow = start[layer] + q[layer] * ((zz - shift) ** 2 - (faces[layer] - shift) ** 2) / 2
    shear = -flow / (d - b_ * shift)
    out = []
    for direct, along in (
        (q[layer] * (flex[0, 0] + zz * flex[1, 0]), np.zeros_like(zz)),
        (np.zeros_like(zz), shear),
        (q[layer] * (flex[0, 1] + zz * flex[1, 1]), np.zeros_like(zz)),
    ):
        traction = n[:, None, None] * direct + z[:, None, None] * along
        local = np.stack([np.einsum("deq,deq,eq->e", traction, np.asarray(b[0]), edge.dx) for b in edge.basis], axis=1)
        out.append(_vector(local, edge))
    return np.column_stack(out)


def _pinned(K: Any, pins: list[int]) -> Callable[[Array], Array]:
    """Solver of a singular system under loads in equilibrium: the pins carry nothing."""
    n = K.shape[0]
    free = np.setdiff1d(np.arange(n), pins)
    inner = factor(K[free][:, free])

    def solve(f: Array) -> Array:
        u = np.zeros_like(f)
        u[free] = inner.solve(f[free])
        return u

    return solve
