"""Damping sheets stuck to parts: a layer with its own stiffness and mass that stretches with the face it is on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy.sparse as sp
import shapely
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, PANELS, Cabinet, Damping
from bracewright.errors import DesignError
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, outward_sign
from bracewright.fem.plate import FIELDS

Array = NDArray[np.float64]
SHEET_ORDER = 6
GPA = 1e9


def sheet_term(
    cabinet: Cabinet, number: int, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int
) -> tuple[Any, Any, None]:
    """Return (K, M) among all unknowns of one of a cabinet's sheets."""
    sheet = cabinet.damping[number]
    part = parts[sheet.part]
    if sheet.part in PANELS:
        side = -outward_sign(part)
    else:
        side = float(np.sign(part.rotation[2][AXES.index(cabinet.brace(sheet.part).normal)]))
    shape, start = (total, total), first[part.name]
    out = [sp.coo_array(a) for a in sheet_matrices(part, sheet, side, f"damping[{number}]")]
    k, m = (sp.coo_array((a.data, (a.row + start, a.col + start)), shape=shape) for a in out)
    return k, m, None


def sheet_matrices(part: FlatPart, sheet: Damping, side: float, key: str) -> tuple[Any, Any]:
    """Return (K, M) that a sheet adds to a part, on its face towards e3 when `side` is 1, else -1.

    The sheet's own shear through the thickness is left out, as befits a layer without a cover (Oberst's case).
    """
    t = sheet.thickness * MM
    z = side * (part.thickness + t) / 2
    e = sheet.E_GPa * GPA / (1 - sheet.poisson**2)
    q = e * np.array([[1, sheet.poisson, 0], [sheet.poisson, 1, 0], [0, 0, (1 - sheet.poisson) / 2]])
    c = np.block([[q * t, q * t * z], [q * t * z, q * (t * z**2 + t**3 / 12)]])
    m = sheet.density_kg_m3 * t
    inertia = np.diag([m, m, m, m * (z**2 + t**2 / 12), m * (z**2 + t**2 / 12)])
    inertia[0, 3] = inertia[3, 0] = inertia[1, 4] = inertia[4, 1] = m * z
    mesh = part.mesh
    value, dx, dy, weight = mesh.rule(SHEET_ORDER)
    if sheet.centre is not None and sheet.size is not None:
        (x, y), (a, b) = sheet.centre, sheet.size
        covered = part.region.intersection(shapely.box(x - a / 2, y - b / 2, x + a / 2, y + b / 2)).area * MM**2
        xy = np.einsum("neq,enc->eqc", value, mesh.points[mesh.nodes6]) / MM
        weight = weight * (np.abs(xy - sheet.centre) <= np.array(sheet.size) / 2).all(axis=2)
        if not weight.any() or covered <= 0:
            raise DesignError(f"it covers nothing of {part.name!r}; move it or make it larger", key=f"{key}.centre")
        # Points are in or out; what they stand for together is the true area.
        weight = weight * (covered / weight.sum())
    # Strain rows u,x  v,y  u,y+v,x  bx,x  by,y  bx,y+by,x for the 30 unknowns of each triangle.
    s = np.zeros((6, *weight.shape, 6, FIELDS))
    gx, gy = dx.transpose(1, 2, 0), dy.transpose(1, 2, 0)
    s[0, ..., 0] = s[2, ..., 1] = s[3, ..., 3] = s[5, ..., 4] = gx
    s[1, ..., 1] = s[2, ..., 0] = s[4, ..., 4] = s[5, ..., 3] = gy
    s = s.reshape(6, *weight.shape, 30)
    k = np.einsum("ieqa,ij,jeqb,eq->eab", s, c, s, weight, optimize=True)
    scalar = np.einsum("aeq,beq,eq->eab", value, value, weight, optimize=True)
    mass = np.einsum("eab,fg->eafbg", scalar, inertia).reshape(k.shape)
    dofs = (FIELDS * mesh.nodes6[:, :, None] + np.arange(FIELDS)).reshape(len(k), -1)
    row, col = np.broadcast_arrays(dofs[:, :, None], dofs[:, None, :])
    shape = (FIELDS * len(mesh.points),) * 2
    return tuple(sp.coo_array((x.ravel(), (row.ravel(), col.ravel())), shape=shape).tocsr() for x in (k, mass))
