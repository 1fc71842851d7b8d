"""Losses: boards, joints and damping sheets, as one matrix of loss stiffness; sheets add mass and stiffness too."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import PANELS, Damping
from bracewright.errors import DesignError
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model, added, shifted
from bracewright.fem.thick import joint_matrices
from bracewright.sound.surface import outward_sign

Array = NDArray[np.float64]
SHEET_ORDER = 6
GPA = 1e9


@dataclass(frozen=True)
class Damped:
    """A model with its damping sheets on, and what it loses.

    Attributes
    ----------
    model : Model
    losses : tuple of (str, sparse array)
        What loses, and its loss factor times its stiffness: strain energy there is lost at that rate.
    """

    model: Model
    losses: tuple[tuple[str, Any], ...]

    @property
    def matrix(self) -> Any:
        """Loss stiffness (n, n): K (1 + j eta) is K + j times this."""
        return added([m for _, m in self.losses])


def damped(model: Model, *, size: float = 30.0) -> Damped:
    """Stick the design's damping sheets on and gather the losses.

    Parameters
    ----------
    model : Model
        As built, with the computed joints.
    size : float
        Element side the model was built with, mm; joints with a loss factor are integrated anew.
    """
    cabinet, n = model.cabinet, model.dofs
    losses = [
        (name, shifted(k, model.first[name], n) * cabinet.part_board(name).loss_factor)
        for name, k in model.part_K.items()
        if cabinet.part_board(name).loss_factor > 0
    ]
    for m in lay.meetings(cabinet, "inner"):
        spec = cabinet.joint_between(m.a, m.b)
        if spec.loss_factor > 0:
            k, _, _ = joint_matrices(m, cabinet, model.parts, model.first, n, size * MM)
            if k is not None:
                losses.append((f"joint {m.a}-{m.b}", k * spec.loss_factor))
    K, M = [model.K], [model.M]
    for number, sheet in enumerate(cabinet.damping):
        part = model.parts[sheet.part]
        k, mass = sheet_matrices(part, sheet, f"damping[{number}]")
        K.append(shifted(k, model.first[part.name], n))
        M.append(shifted(mass, model.first[part.name], n))
        losses.append((f"damping on {sheet.part}", K[-1] * sheet.loss_factor))
    if not losses:
        losses = [("nothing", sp.csr_array((n, n)))]
    if cabinet.damping:
        model = replace(model, K=added(K), M=added(M))
    return Damped(model, tuple(losses))


def sheet_matrices(part: FlatPart, sheet: Damping, key: str) -> tuple[Any, Any]:
    """Return (K, M) that a sheet adds to a part.

    The sheet stretches with the face it is stuck to; its own shear through the thickness is left out, as befits a
    layer without a cover.
    """
    t = sheet.thickness * MM
    inside = -outward_sign(part) if part.name in PANELS else float(np.sign(part.rotation[2].sum()) or 1.0)
    z = inside * (part.thickness + t) / 2
    e = sheet.E_GPa * GPA / (1 - sheet.poisson**2)
    q = e * np.array([[1, sheet.poisson, 0], [sheet.poisson, 1, 0], [0, 0, (1 - sheet.poisson) / 2]])
    c = np.block([[q * t, q * t * z], [q * t * z, q * (t * z**2 + t**3 / 12)]])
    m = sheet.density_kg_m3 * t
    inertia = np.diag([m, m, m, m * (z**2 + t**2 / 12), m * (z**2 + t**2 / 12)])
    inertia[0, 3] = inertia[3, 0] = inertia[1, 4] = inertia[4, 1] = m * z
    mesh = part.mesh
    value, dx, dy, weight = mesh.rule(SHEET_ORDER)
    if sheet.centre is not None and sheet.size is not None:
        xy = np.einsum("neq,enc->eqc", value, mesh.points[mesh.nodes6]) / MM
        covered = (np.abs(xy - sheet.centre) <= np.array(sheet.size) / 2).all(axis=2)
        if not covered.any():
            raise DesignError(f"it covers nothing of {part.name!r}; move it or make it larger", key=f"{key}.centre")
        weight = weight * covered
    # Strain rows u,x  v,y  u,y+v,x  bx,x  by,y  bx,y+by,x for the 30 unknowns of each triangle.
    b = np.zeros((6, *weight.shape, 6, FIELDS))
    gx, gy = dx.transpose(1, 2, 0), dy.transpose(1, 2, 0)
    b[0, ..., 0] = b[2, ..., 1] = b[3, ..., 3] = b[5, ..., 4] = gx
    b[1, ..., 1] = b[2, ..., 0] = b[4, ..., 4] = b[5, ..., 3] = gy
    b = b.reshape(6, *weight.shape, 30)
    k = np.einsum("ieqa,ij,jeqb,eq->eab", b, c, b, weight, optimize=True)
    scalar = np.einsum("aeq,beq,eq->eab", value, value, weight, optimize=True)
    mass = np.einsum("eab,fg->eafbg", scalar, inertia).reshape(k.shape)
    dofs = (FIELDS * mesh.nodes6[:, :, None] + np.arange(FIELDS)).reshape(len(k), -1)
    row, col = np.broadcast_arrays(dofs[:, :, None], dofs[:, None, :])
    shape = (FIELDS * len(mesh.points),) * 2
    return tuple(sp.coo_array((x.ravel(), (row.ravel(), col.ravel())), shape=shape).tocsr() for x in (k, mass))
