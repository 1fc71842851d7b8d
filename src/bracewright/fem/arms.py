"""Arms of a joint's section: boards as layers that end at the faces of the block, and the plates they are.

In the plane of the section the end of an arm at the block, its port, moves by (u, w, b): along the
arm, along the arm's normal, and the rotation of its cross-section. Out of the plane it slides by u_s
along the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
GAUSS_4, GAUSS_5 = (np.polynomial.legendre.leggauss(n) for n in (4, 5))
ARMS: dict[str, tuple[Array, Array]] = {
    "+a": (np.array([1.0, 0.0]), np.array([0.0, 1.0])),
    "-a": (np.array([-1.0, 0.0]), np.array([0.0, -1.0])),
    "+b": (np.array([0.0, 1.0]), np.array([-1.0, 0.0])),
    "-b": (np.array([0.0, -1.0]), np.array([1.0, 0.0])),
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


def port_rigid(arms: Sequence[str], width: float, height: float) -> Array:
    """(3 m, 3) port motions (u, w, b) of unit shifts along a and b and a unit turn of the block."""
    out = np.zeros((3 * len(arms), 3))
    for i, arm in enumerate(arms):
        n, z = ARMS[arm]
        p = n * (width if arm[1] == "a" else height) / 2
        turned = np.array([-p[1], p[0]])  # velocity of a point p in a unit turn
        out[3 * i] = [n[0], n[1], n @ turned]
        out[3 * i + 1] = [z[0], z[1], z @ turned]
        out[3 * i + 2] = [0, 0, -1.0]  # u_n = u + z b: a counter-clockwise turn moves +z points along -n
    return out


def faces(slab: Slab) -> Array:
    """Heights of the layers' faces over the middle of a slab, lowest first."""
    thickness = [s.thickness for s in slab]
    return np.asarray(-sum(thickness) / 2 + np.concatenate([[0.0], np.cumsum(thickness)]))


def layer_at(slab: Slab, height: Array) -> NDArray[np.int64]:
    """Return which layer is at heights over the middle of a slab."""
    return np.clip(np.searchsorted(faces(slab), height) - 1, 0, len(slab) - 1)


def stretch(slab: Slab) -> Array:
    """Stiffness of each layer along the arm, free across it and held along the line."""
    c = np.array([s.stiffness() for s in slab])
    return np.asarray(c[:, 0, 0] - c[:, 0, 1] ** 2 / c[:, 1, 1])


def plate(slab: Slab) -> tuple[float, float, float, float]:
    """Plane-strain membrane, coupling, bending and shear stiffness of layers about their mid-plane."""
    z, q = faces(slab), stretch(slab)
    a, b, d = (float((q * (z[1:] ** k - z[:-1] ** k) / k).sum()) for k in (1, 2, 3))
    return a, b, d, _shear_stiffness(z, q, [s.G_nz for s in slab], b / a, d - b * b / a)


def arm_compliance(slab: Slab, length: float) -> Array:
    """(3, 3) compliance of an arm as a shear-flexible plate in cylindrical bending to forces (N, Q, M) at its port."""
    a, b, d, s = plate(slab)
    flex = np.linalg.inv(np.array([[a, b], [b, d]]))
    out = np.zeros((3, 3))
    for xi, wi in zip((GAUSS_4[0] + 1) * length / 2, GAUSS_4[1] * length / 2, strict=True):
        t = np.array([[1.0, 0, 0], [0, xi, 1.0]])
        out += wi * t.T @ flex @ t
        out[1, 1] += wi / s
    return out


def twist_stiffness(slab: Slab) -> tuple[float, float]:
    """Torsion stiffness of a plate per metre of its width (N m), and the width lost at an edge free to warp.

    A shear-flexible plate loses its twist over a layer sqrt(D66 / S) wide at such an edge.
    """
    z = faces(slab)
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
    compliance = arm_compliance(slab, length)
    shear = sum(s.G_ns * s.thickness for s in slab) / length
    plane = basis @ np.linalg.inv(compliance) @ basis.T
    return plane, shear * np.array([[1.0, -1.0], [-1.0, 1.0]]), twist_stiffness(slab)[0] * length
