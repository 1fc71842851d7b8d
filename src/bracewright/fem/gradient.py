"""Derivatives of eigenvalues by anything in the design.

For M-normalised modes, d lambda = phi' (dK - lambda dM) phi. Material enters each part's matrices
linearly, so its derivative is a product with the part's strain energies. A moving outline moves
nodes: the part's energy gives a force on every node once per mode, and any outline's derivative is
a product of those with the nodes' velocities (`fem.energies`). Joint lines are differenced
(`fem.joint_energies`). Mesh topology stays fixed.

A change of design is given by two designs, a little to either side; what differs between them is
what moves. Repeated modes have no derivative of their own: use sums over clusters, or responses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import PANELS, Cabinet
from bracewright.fem.energies import Energies
from bracewright.fem.joint_energies import JointEnergies
from bracewright.fem.mesh import MM
from bracewright.fem.modes import Modes, solve
from bracewright.fem.moves import Touched, follow, moved_part, node_motion, touched
from bracewright.fem.parts import FlatPart
from bracewright.fem.sheets import sheet_terms
from bracewright.fem.supports import support_stiffness
from bracewright.fem.system import Model, Term, driver_matrices
from bracewright.fem.thick import cube_masses

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Change:
    """A design variable's direction: designs a little below and above, and how far apart they are in its unit.

    `below` may be the model's own design, which halves the work; `width` then wants to be small, 1e-6 mm, for
    the energy of a joint that opens is quadratic.
    """

    below: Cabinet
    above: Cabinet
    width: float


class Sensitivity:
    """Eigenvalue derivatives of a model at given modes.

    Parameters
    ----------
    model : Model
        Built with computed joints.
    modes : Modes
        Its modes, M-normalised, as `solve` returns them.
    """

    def __init__(self, model: Model, modes: Modes) -> None:
        lam = (2 * np.pi * modes.frequency_Hz) ** 2
        self._begin(model, modes.shapes, np.ones_like(lam), lam)

    @classmethod
    def of_response(cls, model: Model, shapes: Array, stiff: Array, inert: Array) -> Sensitivity:
        """Derivatives of any response that depends on K and M through stiff x' K x - inert x' M x.

        Parameters
        ----------
        model : Model
        shapes : (n, m) array
            Motions x.
        stiff, inert : (m,) arrays
            Weights of their strain and kinetic forms; `eigenvalues` then gives the derivative of each form.
        """
        self = cls.__new__(cls)
        self._begin(model, shapes, stiff, inert)
        return self

    def _begin(self, model: Model, shapes: Array, stiff: Array, inert: Array) -> None:
        self.model, self.stiff, self.lam = model, stiff, inert
        self._parts = Energies(model, shapes, stiff, inert)
        self._joints = JointEnergies(self._parts)

    def frequencies(self, changes: Sequence[Change]) -> Array:
        """Return d frequency / d variable, (variables, modes), Hz per the variable's unit."""
        f = np.sqrt(self.lam) / (2 * np.pi)
        return self.eigenvalues(changes) / (8 * np.pi**2 * f)

    def eigenvalues(self, changes: Sequence[Change]) -> Array:
        """Return d lambda / d variable, (variables, modes)."""
        return np.array([self._one(c) for c in changes]).reshape(len(changes), len(self.lam))

    def _one(self, change: Change) -> Array:
        below, above = change.below, change.above
        today = below is self.model.cabinet
        way = (0.0, 1.0) if today else (-0.5, 0.5)  # from today's nodes to those of the two designs
        moved = touched(self.model.cabinet, below, above)
        total = self._parts.zero()
        velocity: dict[str, Array] = {}
        for name in moved.parts:
            total += self._parts.of_material(name, below, above)
            v = node_motion(self.model.parts[name].mesh, name, below, above, -way[0])
            if v is not None:
                velocity[name] = v
                total += np.einsum("nc,ncm->m", v, self._parts.node_force(name))
        ends = [
            {
                name: moved_part(part, c, velocity.get(name), share) if share and name in moved.parts else part
                for name, part in self.model.parts.items()
            }
            for c, share in zip((below, above), way, strict=True)
        ]
        for k, (m0, m1) in enumerate(self._lines(moved, below, above)):
            if not moved.joint(m0, below, above):
                continue
            if moved.still:
                total += self._joints.still(m0, below, above, k)
            else:
                total += self._joints.of(m1, above, ends[1], k)
                total -= self._joints.today(k) if today else self._joints.of(m0, below, ends[0], k)
            if m0.kind == "cross":
                total += self._parts.of_shared_wood(m1, ends[1]) - self._parts.of_shared_wood(m0, ends[0])
        total += self._rest(moved, below, above, ends)
        return total / change.width

    def _lines(self, moved: Touched, below: Cabinet, above: Cabinet) -> list[tuple[lay.Meeting, lay.Meeting]]:
        """Joint lines below and above that may have changed: all or none, as they are numbered."""
        now = self._joints.meetings
        if moved.placed and not moved.still:
            before = now if below is self.model.cabinet else lay.meetings(below)
            return list(zip(before, lay.meetings(above), strict=True))
        return list(zip(now, now, strict=True)) if moved.joints or moved.parts else []

    def _rest(self, moved: Touched, below: Cabinet, above: Cabinet, ends: Sequence[Mapping[str, FlatPart]]) -> Array:
        """Driver masses, corner cubes, sheets and supports, evaluated whole where they or what they are on differ."""
        total = self._parts.zero()
        model = self.model
        n = model.dofs
        boards = below.panels != above.panels or any(below.part_board(p) != above.part_board(p) for p in PANELS)
        walls = bool(set(PANELS) & set(moved.placed))
        for c, parts, sign in ((below, ends[0], -1.0), (above, ends[1], 1.0)):
            terms: list[Term] = []
            if boards:
                terms.append(cube_masses(c, parts, model.first, n))
            if below.supports != above.supports or walls:
                terms.append(support_stiffness(c, parts, model.first, n, model.size * MM))
            if below.drivers != above.drivers or below.openings != above.openings or boards:
                terms += [driver_matrices(c, d, parts, model.first, n) for d in c.drivers]
            for key, make, number in sheet_terms(c):
                if below.damping != above.damping or key[1] in moved.parts:
                    terms.append(make(c, number, parts, model.first, n))
            for k, m, _ in terms:
                total += 0.0 if k is None else sign * self.stiff * self._quadratic(k)
                total -= 0.0 if m is None else sign * self.lam * self._quadratic(m)
        return total

    def _quadratic(self, a: object) -> Array:
        return np.asarray(np.einsum("im,im->m", self._parts.shapes, sp.csr_array(a) @ self._parts.shapes))


def check_gradient(model: Model, count: int, changes: Sequence[Change]) -> Array:
    """Compare analytic derivatives with central differences of whole solutions on moved meshes.

    Parameters
    ----------
    model : Model
    count : int
        Modes to compare.
    changes : sequence of Change

    Returns
    -------
    (variables, modes) array
        Difference of each derivative, relative to the largest of its variable.
    """
    modes = solve(model, count, prove=False)
    exact = Sensitivity(model, modes).frequencies(changes)
    rough = []
    for c in changes:
        ends = (solve(follow(model, d), count, prove=False, start=modes.shapes) for d in (c.below, c.above))
        low, high = (e.frequency_Hz for e in ends)
        rough.append((high - low) / c.width)
    scale = np.abs(rough).max(axis=1, keepdims=True)
    return np.asarray(np.abs(exact - rough) / np.where(scale > 0, scale, 1.0))
