"""Damping sheets stuck to parts.

A bare sheet stretches with the face it is on. Under a cover it shears between the two, and the cover's in-plane motion
(two unknowns a node of the part) is its own; base and cover share deflection and rotation (Mead and Markus, J. Sound
Vib. 10, 1969, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, PANELS, Cabinet
from bracewright.design.layout import covered
from bracewright.design.mounted import Damping
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, outward_sign
from bracewright.fem.plate import FIELDS

Array = NDArray[np.float64]
Rows = tuple[Any, Any, None]
SHEET_ORDER = 6
GPA = 1e9
COVER_POISSON = 0.3
# Where a part has no cover, its unknowns there are tied to the part: shares of the core's stiffness and cover's mass.
FAINT_STIFFNESS, FAINT_MASS = 1e-6, 1e-9
ALL = FIELDS + 2  # fields of a node with the cover's motion in the plane


def cover_key(number: int) -> str:
    """Name under which the unknowns of a sheet's cover start."""
    return f"damping[{number}]"


def sheet_terms(cabinet: Cabinet) -> Iterator[tuple[tuple[str, ...], Callable[..., Rows], int]]:
    """Key, maker and number of all that a cabinet's sheets add: what loses, and the covers, which do not."""
    for k, sheet in enumerate(cabinet.damping):
        yield ("damping", sheet.part, str(k)), sheet_term, k
        if sheet.cover_thickness:
            yield ("cover", sheet.part, str(k)), cover_term, k


def sheet_term(
    cabinet: Cabinet, number: int, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int
) -> Rows:
    """Return (K, M) among all unknowns of one of a cabinet's sheets: its own stiffness, its and its cover's mass."""
    forms = _forms(cabinet, number, parts)
    k, m = (_placed(a, number, forms.part, first, total) for a in (forms.stiffness(), forms.mass()))
    return k, m, None


def cover_term(
    cabinet: Cabinet, number: int, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int
) -> Rows:
    """Return the stiffness among all unknowns of the cover of one of a cabinet's sheets."""
    forms = _forms(cabinet, number, parts)
    return _placed(forms.cover(), number, forms.part, first, total), None, None


def _forms(cabinet: Cabinet, number: int, parts: Mapping[str, FlatPart]) -> SheetForms:
    sheet = cabinet.damping[number]
    part = parts[sheet.part]
    return SheetForms(part, sheet, side_of(cabinet, part))


def cover_motion(cabinet: Cabinet, parts: Mapping[str, FlatPart], moved: Mapping[str, Array]) -> list[Array]:
    """In-plane motions (2 n, k) of the covers that go with motions (5 n, k) of the parts, as if glued fast."""
    out = []
    for sheet in cabinet.damping:
        if sheet.cover_thickness:
            u = moved[sheet.part].reshape(-1, FIELDS, moved[sheet.part].shape[1])
            z = side_of(cabinet, parts[sheet.part]) * cover_height(parts[sheet.part], sheet)
            out.append((u[:, :2] + z * u[:, 3:]).reshape(-1, u.shape[2]))
    return out


def cover_height(part: FlatPart, sheet: Damping) -> float:
    """From a part's middle to that of the cover, m."""
    return part.thickness / 2 + (sheet.thickness + sheet.cover_thickness / 2) * MM


def side_of(cabinet: Cabinet, part: FlatPart) -> float:
    """1 where a sheet lies on the face towards the part's e3, else -1."""
    if part.name in PANELS:
        return -outward_sign(part)
    return float(np.sign(part.rotation[2][AXES.index(cabinet.brace(part.name).normal)]))


def _placed(a: Any, number: int, part: FlatPart, first: Mapping[str, int], total: int) -> Any:
    own = FIELDS * len(part.mesh.points)
    c = sp.coo_array(a)
    cover = first.get(cover_key(number), 0) - own
    row, col = (i + np.where(i < own, first[part.name], cover) for i in (c.row, c.col))
    return sp.coo_array((c.data, (row, col)), shape=(total, total))


class SheetForms:
    """What a sheet adds to a part, as sparse arrays among the part's unknowns and, behind them, its cover's.

    Parameters
    ----------
    part : FlatPart
    sheet : Damping
    side : float
        1 where it lies on the part's face towards e3, else -1.
    """

    def __init__(self, part: FlatPart, sheet: Damping, side: float) -> None:
        self.part, self.sheet, self.side = part, sheet, side
        self.thickness, self.cover_thickness = sheet.thickness * MM, sheet.cover_thickness * MM
        self.value, self.dx, self.dy, self.area = part.mesh.rule(SHEET_ORDER)
        self.weight = _covered(part, sheet, self.value, self.area)
        self.bare = np.where(self.weight > 0, 0.0, self.area)

    def stiffness(self) -> Any:
        """Stiffness of the sheet alone."""
        sheet, t, h, t2 = self.sheet, self.thickness, self.part.thickness, self.cover_thickness
        q = _plane_stress(sheet.E_GPa * GPA, sheet.poisson)
        s = self._stretches()
        if not t2:
            z = self.side * (h + t) / 2
            c = np.block([[q * t, q * t * z], [q * t * z, q * (t * z**2 + t**3 / 12)]])
            return self._assembled(_form(s[:6], c, self.weight))
        # The sheet's shear between faces that turn alike, and the stretch of its middle.
        shear = np.zeros((2, *self.area.shape, 6, ALL))
        shear[0, ..., 2], shear[1, ..., 2] = _by_point(self.dx), _by_point(self.dy)
        f = _by_point(self.value)
        for i in (0, 1):
            shear[i, ..., 5 + i] = self.side * f / t
            shear[i, ..., i] = -self.side * f / t
            shear[i, ..., 3 + i] = -(h + t2) / 2 / t * f
        middle = (s[:3] + s[6:]) / 2 + self.side * (h - t2) / 4 * s[3:6]
        g = self._shear_modulus()
        return self._assembled(_form(shear, g * t * np.eye(2), self.weight) + _form(middle, q * t, self.weight))

    def cover(self) -> Any:
        """Stiffness of the sheet's cover; where there is none, its unknowns are tied to the part."""
        sheet, t2 = self.sheet, self.cover_thickness
        q = _plane_stress(sheet.cover_E_GPa * GPA, COVER_POISSON)
        s = self._stretches()
        stiff = _form(s[6:], q * t2, self.weight) + _form(s[3:6], q * t2**3 / 12, self.weight)
        f = _by_point(self.value)
        tie = np.zeros((2, *self.area.shape, 6, ALL))
        for i in (0, 1):
            tie[i, ..., 5 + i], tie[i, ..., i] = f, -f
            tie[i, ..., 3 + i] = -self.side * cover_height(self.part, sheet) * f
        stiff += _form(tie, FAINT_STIFFNESS * self._shear_modulus() / self.thickness * np.eye(2), self.bare)
        return self._assembled(stiff)

    def mass(self) -> Any:
        """Mass of the sheet and its cover."""
        sheet, t, t2 = self.sheet, self.thickness, self.cover_thickness
        inertia = np.zeros((ALL, ALL))
        inertia[:FIELDS, :FIELDS] = _inertia(sheet.density_kg_m3 * t, self.side * (self.part.thickness + t) / 2, t)
        if not t2:
            return self._assembled(_mass(self.value, inertia, self.weight))
        m2 = sheet.cover_density_kg_m3 * t2
        inertia[2, 2] += m2
        inertia[3, 3] += m2 * t2**2 / 12
        inertia[4, 4] += m2 * t2**2 / 12
        inertia[5, 5] = inertia[6, 6] = m2
        faint = np.diag([0.0] * FIELDS + [FAINT_MASS * m2] * 2)
        return self._assembled(_mass(self.value, inertia, self.weight) + _mass(self.value, faint, self.bare))

    def _shear_modulus(self) -> float:
        return self.sheet.E_GPa * GPA / 2 / (1 + self.sheet.poisson)

    def _stretches(self) -> Array:
        """(9, e, q, 6, 7) strain rows u,x v,y u,y+v,x and the same of (bx, by) and of the cover (cx, cy)."""
        s = np.zeros((9, *self.area.shape, 6, ALL))
        for first, (x, y) in zip((0, 3, 6), ((0, 1), (3, 4), (5, 6)), strict=True):
            s[first, ..., x] = s[first + 2, ..., y] = _by_point(self.dx)
            s[first + 1, ..., y] = s[first + 2, ..., x] = _by_point(self.dy)
        return s

    def _assembled(self, local: Array) -> Any:
        """Sum element matrices (e, 6, 7, 6, 7) over the part: its five fields node by node, then a cover's two."""
        mesh, f = self.part.mesh, ALL if self.cover_thickness else FIELDS
        n = len(mesh.points)
        dofs = np.empty((*mesh.nodes6.shape, f), dtype=np.int64)
        dofs[..., :FIELDS] = FIELDS * mesh.nodes6[:, :, None] + np.arange(FIELDS)
        dofs[..., FIELDS:] = FIELDS * n + 2 * mesh.nodes6[:, :, None] + np.arange(f - FIELDS)
        dofs = dofs.reshape(len(local), -1)
        row, col = np.broadcast_arrays(dofs[:, :, None], dofs[:, None, :])
        data = local[:, :, :f, :, :f]
        return sp.coo_array((data.ravel(), (row.ravel(), col.ravel())), shape=(f * n, f * n)).tocsr()


def _by_point(a: Array) -> Array:
    """(e, q, 6) from (6, e, q)."""
    return a.transpose(1, 2, 0)


def _covered(part: FlatPart, sheet: Damping, value: Array, area: Array) -> Array:
    """Return the weights (e, q) of the points a sheet covers."""
    if sheet.centre is None or sheet.size is None:
        return area
    piece = covered(part.region, sheet)
    xy = np.einsum("neq,enc->eqc", value, part.mesh.points[part.mesh.nodes6]) / MM
    weight = area * (np.abs(xy - sheet.centre) <= np.array(sheet.size) / 2).all(axis=2)
    if not weight.any():  # smaller than a triangle
        off = np.linalg.norm(xy - (piece.centroid.x, piece.centroid.y), axis=2)
        weight = np.where(off == off.min(), area, 0.0)
    # Points are in or out; what they stand for together is the true area.
    return np.asarray(weight * (piece.area * MM**2 / weight.sum()))


def _inertia(m: float, z: float, t: float) -> Array:
    """(5, 5) inertia of the fields per area of a layer of mass m, kg/m2, at height z that moves with the part."""
    out = np.diag([m, m, m, m * (z**2 + t**2 / 12), m * (z**2 + t**2 / 12)])
    out[0, 3] = out[3, 0] = out[1, 4] = out[4, 1] = m * z
    return out


def _plane_stress(e: float, poisson: float) -> Array:
    return e / (1 - poisson**2) * np.array([[1, poisson, 0], [poisson, 1, 0], [0, 0, (1 - poisson) / 2]])


def _form(s: Array, c: Array, weight: Array) -> Array:
    """(e, 6, 7, 6, 7) element matrices of int s' C s."""
    flat = s.reshape(*s.shape[:3], -1)
    out = np.einsum("ieqa,ij,jeqb,eq->eab", flat, c, flat, weight, optimize=True)
    return np.asarray(out.reshape(len(out), *s.shape[3:], *s.shape[3:]))


def _mass(value: Array, inertia: Array, weight: Array) -> Array:
    scalar = np.einsum("aeq,beq,eq->eab", value, value, weight, optimize=True)
    return np.asarray(np.einsum("eab,fg->eafbg", scalar, inertia))
