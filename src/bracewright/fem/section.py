"""The cross-section of a joint: what the wood where two thick boards meet adds to plates that end there.

Two-dimensional elasticity on the joint's own section: the block where the boards overlap, and on
each board an arm long enough for the stresses to become a plate's. Unit self-equilibrated loads on
the arms' ends give a compliance; taking off the arms as shear-flexible plates leaves the joint's
own, measured at the faces of the block (its ports). Nothing is fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bracewright.fem.arms import Slab, Strip
from bracewright.fem.section_solve import SectionMesh, in_plane, out_of_plane

Array = NDArray[np.float64]
NO_STIFFNESS = 1e-6  # SI, per metre of line: stands for a face that holds nothing


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


@lru_cache(maxsize=256)
def _unit_section(horizontal: Slab, vertical: Slab, block: Strip, arms: tuple[str, ...]) -> JointSection:
    mesh = SectionMesh(horizontal, vertical, block, arms)
    plane_basis, plane = in_plane(mesh)
    slip_basis, slip, warping, torsion, grip = out_of_plane(mesh)
    size = np.array([mesh.thickness(a) for a in arms])
    return JointSection(arms, size, plane_basis, plane, slip_basis, slip, torsion, grip, warping)
