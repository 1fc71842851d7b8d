"""Finite elements on a joint's section: the block's compliance in its plane and out of it, with the arms taken off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp
from numpy.typing import NDArray
from skfem import Basis, ElementQuad2, ElementVector, MeshQuad

from bracewright.fem.arms import (
    ARMS,
    Slab,
    Strip,
    arm_compliance,
    faces,
    layer_at,
    plate,
    port_rigid,
    stretch,
    twist_stiffness,
)
from bracewright.fem.factor import factor

Array = NDArray[np.float64]
ARM_LENGTH = 4.0  # in thicknesses
# Elements across a thickness, graded towards the faces, where the re-entrant corners are.
GRADING = np.array([0.004, 0.012, 0.03, 0.064, 0.12, 0.13, 0.14, 0.14, 0.13, 0.12, 0.064, 0.03, 0.012, 0.004])


class SectionMesh:
    """Graded rectangles over block and arms, with the material of each."""

    def __init__(self, horizontal: Slab, vertical: Slab, block: Strip, arms: tuple[str, ...]) -> None:
        self.horizontal, self.vertical, self.arms = horizontal, vertical, arms
        self.height = height = sum(s.thickness for s in horizontal)
        self.width = width = sum(s.thickness for s in vertical)
        self.length = {a: ARM_LENGTH * self.thickness(a) for a in arms}
        xs = _lines(vertical, width, self.length.get("-a", 0.0), self.length.get("+a", 0.0), height)
        ys = _lines(horizontal, height, self.length.get("-b", 0.0), self.length.get("+b", 0.0), width)
        full = MeshQuad.init_tensor(xs, ys)
        c = full.p[:, full.t].mean(axis=1)
        in_a, in_b = np.abs(c[1]) < height / 2, np.abs(c[0]) < width / 2
        self.mesh = full.restrict(np.flatnonzero(in_a | in_b))
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

    def thickness(self, arm: str) -> float:
        """Thickness of an arm."""
        return self.height if arm[1] == "a" else self.width

    def port(self, arm: str) -> float:
        """From the block's centre to where an arm starts."""
        return (self.width if arm[1] == "a" else self.height) / 2

    def across(self, basis: Any, arm: str, away: float) -> tuple[Any, Array]:
        """Basis on a cut across an arm `away` from the block's centre, and its points' heights in the arm."""
        n, z = ARMS[arm]

        def on_cut(x: Array) -> NDArray[np.bool_]:
            at, height = (np.tensordot(d, x, 1) for d in (n, z))
            return (np.abs(at - away) < 1e-9 * away) & (np.abs(height) < self.thickness(arm) / 2)

        edge = basis.boundary(self.mesh.facets_satisfying(on_cut))
        return edge, np.einsum("d,deq->eq", z, edge.global_coordinates())

    def slab(self, arm: str) -> Slab:
        """Layers of an arm from its lower to its upper face along its own normal z."""
        s = self.horizontal if arm[1] == "a" else self.vertical
        return s if arm in ("+a", "-b") else s[::-1]


def _lines(across: Slab, size: float, low: float, high: float, reference: float) -> Array:
    """Grid lines along one axis: across the block (layer faces included) and out along the arms."""
    inner = np.concatenate([[0.0], np.cumsum(GRADING)]) * size - size / 2
    for f in faces(across)[1:-1]:
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


def in_plane(m: SectionMesh) -> tuple[Array, Array]:
    """Port forces in equilibrium and the block's compliance to them, in the plane of the section."""
    basis = Basis(m.mesh, ElementVector(ElementQuad2()), intorder=4)
    grads = [b[0].grad for b in basis.basis]  # (2, 2, e, q): component, derivative
    strain = np.stack([np.stack([g[0, 0], g[1, 1], g[0, 1] + g[1, 0]]) for g in grads])
    local = np.einsum("ikeq,ekl,jleq,eq->eij", strain, m.stiff, strain, basis.dx, optimize=True)
    K = _assemble(local, basis)
    rigid = port_rigid(m.arms, m.width, m.height)
    free = sl.null_space(rigid.T)  # port forces in equilibrium
    ends = [_end_loads(basis, m, arm) for arm in m.arms]
    loads = np.zeros((K.shape[0], 3 * len(m.arms)))
    arms = np.zeros((3 * len(m.arms),) * 2)
    for i, arm in enumerate(m.arms):
        length = m.length[arm]
        move = np.eye(3)
        # Forces (N, Q, M) at the port come from N, Q and M + Q length at the far end, as M,n = Q.
        move[2, 1] = length
        loads[:, 3 * i : 3 * i + 3] = ends[i] @ move
        arms[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = arm_compliance(m.slab(arm), length)
    loads = loads @ free
    gap = m.mesh.p - m.mesh.p[:, :1]
    far = int(np.hypot(*gap).argmax())
    across = int(abs(gap[0, far]) > abs(gap[1, far]))  # the component that a turn about the first node moves
    pins = [*basis.nodal_dofs[:, 0], basis.nodal_dofs[across, far]]
    own = loads.T @ _pinned(K, pins)(loads) - free.T @ arms @ free
    return free, np.asarray((own + own.T) / 2)


def out_of_plane(m: SectionMesh) -> tuple[Array, Array, Array, float, Array]:
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
    ends = np.column_stack([_slip_load(basis, m, arm) for arm in m.arms])
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
        twist, layer = twist_stiffness(m.slab(a))
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


def _port_turn(basis: Any, m: SectionMesh, arm: str, warped: Array) -> float:
    """Turn b_s + w,s of an arm's cross-section at its port under a unit twist, from its warping there."""
    port, slab = m.port(arm), m.slab(arm)
    edge, zz = m.across(basis, arm, port)
    g = np.array([s.G_ns for s in slab])[layer_at(slab, zz)]
    u = np.asarray(edge.interpolate(warped))
    mean = float((g * u * edge.dx).sum() / (g * edge.dx).sum())
    middle = float((g * zz * edge.dx).sum() / (g * edge.dx).sum())
    slope = float((g * (zz - middle) * (u - mean) * edge.dx).sum() / (g * (zz - middle) ** 2 * edge.dx).sum())
    return slope + port


def _slip_load(basis: Any, m: SectionMesh, arm: str) -> Array:
    """Consistent nodal loads of a unit force along the line on an arm's far end."""
    slab = m.slab(arm)
    edge, zz = m.across(basis, arm, m.port(arm) + m.length[arm])
    g = np.array([s.G_ns for s in slab])
    f = g[layer_at(slab, zz)] / float((g * np.diff(faces(slab))).sum())
    local = np.stack([np.einsum("eq,eq,eq->e", f, np.asarray(b[0]), edge.dx) for b in edge.basis], axis=1)
    return _vector(local, edge)


def _end_loads(basis: Any, m: SectionMesh, arm: str) -> Array:
    """Consistent nodal loads (n, 3) of unit resultants N, Q and M on an arm's far end."""
    n, z = ARMS[arm]
    slab = m.slab(arm)
    edge, zz = m.across(basis, arm, m.port(arm) + m.length[arm])
    layer, face, q = layer_at(slab, zz), faces(slab), stretch(slab)
    a, b_, d, _ = plate(slab)
    flex = np.linalg.inv(np.array([[a, b_], [b_, d]]))
    shift = b_ / a
    start = np.concatenate([[0.0], np.cumsum(q * ((face[1:] - shift) ** 2 - (face[:-1] - shift) ** 2) / 2)])[:-1]
    flow = start[layer] + q[layer] * ((zz - shift) ** 2 - (face[layer] - shift) ** 2) / 2
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


def _assemble(local: Array, basis: Any) -> Any:
    dofs = basis.element_dofs  # (nb, e)
    n = dofs.shape[0]
    rows = np.repeat(dofs.T[:, :, None], n, axis=2)
    cols = np.repeat(dofs.T[:, None, :], n, axis=1)
    return sp.csc_array(sp.coo_array((local.ravel(), (rows.ravel(), cols.ravel())), shape=(basis.N, basis.N)))


def _vector(local: Array, basis: Any) -> Array:
    return np.bincount(basis.element_dofs.T.ravel(), weights=local.ravel(), minlength=basis.N).astype(float)


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
