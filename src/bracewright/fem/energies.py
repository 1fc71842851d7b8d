"""Energies of a model's parts in given motions, and how they change with material and with the nodes' places."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import Cabinet
from bracewright.design.layout import Meeting
from bracewright.fem.mesh import MM, PlanarMesh
from bracewright.fem.parts import FlatPart, part_laminate
from bracewright.fem.plate import (
    FIELDS,
    MASS_ORDER,
    STIFF_ORDER,
    STRAIN_0,
    STRAIN_X,
    STRAIN_Y,
    constitutive,
    inertia,
)
from bracewright.fem.system import Model
from bracewright.fem.thick import SHARED_ORDER, shared_wood

Array = NDArray[np.float64]


class Energies:
    """Weighed energies stiff x' K x - inert x' M x of motions x, part by part.

    Parameters
    ----------
    model : Model
    shapes : (n, m) array
        Motions x.
    stiff, inert : (m,) arrays
        Weights of their strain and kinetic forms.
    """

    def __init__(self, model: Model, shapes: Array, stiff: Array, inert: Array) -> None:
        self.model, self.stiff, self.inert = model, stiff, inert
        self.shapes = np.ascontiguousarray(shapes)
        self._nodal: dict[str, Array] = {}
        self._products: dict[str, tuple[Array, Array]] = {}
        self._force: dict[str, Array] = {}

    def zero(self) -> Array:
        """(m,) zeros to add to."""
        return np.zeros_like(self.inert)

    def fields(self, name: str) -> Array:
        """(nodes, 5, m) motions of a part."""
        if name not in self._nodal:
            self._nodal[name] = self.shapes[self.model.of_part(name)].reshape(-1, FIELDS, self.shapes.shape[1])
        return self._nodal[name]

    def _at_points(self, name: str, order: int) -> tuple[Array, Array, Array, Array]:
        """Fields and their derivatives (e, q, 5, m) at a rule's points, and its weights."""
        mesh = self.model.parts[name].mesh
        value, dx, dy, weight = mesh.rule(order)
        local = self.fields(name)[mesh.nodes6]
        flat = local.reshape(*local.shape[:2], -1)
        shape = (*weight.shape, *local.shape[2:])
        f, fx, fy = ((s.transpose(1, 2, 0) @ flat).reshape(shape) for s in (value, dx, dy))
        return f, fx, fy, weight

    def _strain(self, name: str) -> tuple[Array, Array, Array, Array]:
        """Strains (e, q, 8, m), the fields' slopes, and weights at the stiffness rule."""
        f, fx, fy, weight = self._at_points(name, STIFF_ORDER)
        return STRAIN_X @ fx + STRAIN_Y @ fy + STRAIN_0 @ f, fx, fy, weight

    def of_material(self, name: str, below: Cabinet, above: Cabinet) -> Array:
        """Change of a part's energy from the one design's board to the other's."""
        if part_laminate(below, name) is part_laminate(above, name):
            return self.zero()
        if name not in self._products:
            e, _, _, weight = self._strain(name)
            g, _, _, fine = self._at_points(name, MASS_ORDER)
            self._products[name] = products(e, weight), products(g, fine)
        strain, motion = self._products[name]
        dc = constitutive(part_laminate(above, name)) - constitutive(part_laminate(below, name))
        di = inertia(part_laminate(above, name)) - inertia(part_laminate(below, name))
        return np.asarray(
            self.stiff * np.einsum("ij,ijm->m", dc, strain) - self.inert * np.einsum("ij,ijm->m", di, motion)
        )

    def node_force(self, name: str) -> Array:
        """(nodes, 2, m) derivative of a part's energy by its node positions.

        With a velocity v, d(f,a) = -v_b,a f,b and d(dA) = div v dA.
        """
        if name in self._force:
            return self._force[name]
        part = self.model.parts[name]
        e, fx, fy, _ = self._strain(name)
        stress = constitutive(part.laminate) @ e * self.stiff
        density = np.einsum("eqim,eqim->eqm", stress, e)
        # flux[a][b]: what multiplies dv_b/da.
        pull = [s.T @ stress for s in (STRAIN_X, STRAIN_Y)]
        slope = (fx, fy)
        flux = np.empty((2, 2, *density.shape))
        for a in range(2):
            for b in range(2):
                flux[a, b] = -2 * np.einsum("eqfm,eqfm->eqm", pull[a], slope[b])
            flux[a, a] += density
        force = _gathered(part.mesh, flux, STIFF_ORDER)
        g, _, _, _ = self._at_points(name, MASS_ORDER)
        kinetic = np.einsum("eqfm,eqfm->eqm", g, inertia(part.laminate) @ g) * self.inert
        flux = np.zeros((2, 2, *kinetic.shape))
        flux[0, 0] = flux[1, 1] = -kinetic
        self._force[name] = force + _gathered(part.mesh, flux, MASS_ORDER)
        return self._force[name]

    def of_shared_wood(self, m: Meeting, parts: Mapping[str, FlatPart]) -> Array:
        """What wood shared by two braces takes off -inert x' M x."""
        out = self.zero()
        for name, share in shared_wood(m, parts, self.model.size * MM).items():
            f, _, _, weight = self._at_points(name, SHARED_ORDER)
            motion = np.einsum("eqfm,fg,eqgm->eqm", f, inertia(parts[name].laminate), f, optimize=True)
            out -= self.inert * np.einsum("eq,eqm->m", weight * (share - 1), motion)
        return out


def _gathered(mesh: PlanarMesh, flux: Array, order: int) -> Array:
    """(nodes, 2, m) sums over a rule's points of a flux (2, 2, e, q, m) times dv_b/da of each node's v_b."""
    _, dx, dy, weight = mesh.rule(order)
    local: Array | float = 0.0
    for a, slope in enumerate((dx, dy)):
        f = flux[a].transpose(1, 2, 0, 3)  # (e, q, b, m)
        local = local + (slope * weight).transpose(1, 0, 2) @ f.reshape(*f.shape[:2], -1)
    local = np.asarray(local).reshape(len(mesh.nodes6), 6, 2, -1)
    out = np.zeros((len(mesh.points), 2, local.shape[-1]))
    np.add.at(out, mesh.nodes6, local)
    return out


def products(e: Array, weight: Array) -> Array:
    """(k, k, m) integrals of e_i e_j for fields (e, q, k, m)."""
    x = e.reshape(-1, *e.shape[2:]).transpose(2, 1, 0)
    return np.asarray((x * weight.ravel()) @ x.transpose(0, 2, 1)).transpose(1, 2, 0)
