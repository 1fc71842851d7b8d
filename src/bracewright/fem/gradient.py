"""Derivatives of eigenvalues by anything in the design.

For M-normalised modes, d lambda = phi' (dK - lambda dM) phi. Material enters each part's matrices
linearly, so its derivative is a product with the part's strain energies. A moving outline moves
nodes: the part's energy gives a force on every node once per mode, and any outline's derivative is
a product of those with the nodes' velocities. A joint's energy is small to evaluate, and is
differenced with its points kept in their triangles, where it is smooth. Mesh topology stays fixed.

A change of design is given by two designs, a little to either side; what differs between them is
what moves. Repeated modes have no derivative of their own: use sums over clusters, or responses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import PANELS, Cabinet
from bracewright.errors import SolveError
from bracewright.fem.mesh import MM, PlanarMesh
from bracewright.fem.modes import Modes, solve
from bracewright.fem.moves import follow, moved_part, node_motion, touched
from bracewright.fem.parts import FlatPart, part_board, part_laminate
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
from bracewright.fem.sheets import sheet_terms
from bracewright.fem.supports import support_stiffness
from bracewright.fem.system import Model, Term, driver_matrices
from bracewright.fem.thick import (
    SHARED_ORDER,
    Block,
    block_mass,
    block_stiffness,
    cube_masses,
    make_block,
    of_other_boards,
    port_motion,
    shared_wood,
)

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
        self.model = model
        self.stiff, self.lam = stiff, inert
        self.phi = np.ascontiguousarray(shapes)
        self._nodal: dict[str, Array] = {}
        self._energy: dict[str, tuple[Array, Array]] = {}
        self._force: dict[str, Array] = {}
        self._meetings = lay.meetings(model.cabinet)
        self._blocks: dict[int, tuple[Block, list[NDArray[np.int64]]]] = {}
        self._still: dict[int, Array] = {}
        self._held: dict[int, tuple[Array, Array | None]] = {}

    def frequencies(self, changes: Sequence[Change]) -> Array:
        """Return d frequency / d variable, (variables, modes), Hz per the variable's unit."""
        f = np.sqrt(self.lam) / (2 * np.pi)
        return self.eigenvalues(changes) / (8 * np.pi**2 * f)

    def eigenvalues(self, changes: Sequence[Change]) -> Array:
        """Return d lambda / d variable, (variables, modes)."""
        return np.array([self._one(c) for c in changes]).reshape(len(changes), len(self.lam))

    # ------------------------------------------------------------------ one variable

    def _one(self, change: Change) -> Array:
        below, above = change.below, change.above
        today = below is self.model.cabinet
        way = (0.0, 1.0) if today else (-0.5, 0.5)  # from today's nodes to those of the two designs
        moved = touched(self.model.cabinet, below, above)
        total = np.zeros_like(self.lam)
        velocity: dict[str, Array] = {}
        for name in moved.parts:
            total += self._material(name, below, above)
            v = node_motion(self.model.parts[name].mesh, name, below, above, -way[0])
            if v is not None:
                velocity[name] = v
                total += np.einsum("nc,ncm->m", v, self._node_force(name))
        ends = [
            {
                name: moved_part(part, c, velocity.get(name), share) if share and name in moved.parts else part
                for name, part in self.model.parts.items()
            }
            for c, share in zip((below, above), way, strict=True)
        ]
        if moved.placed and not moved.still:
            lines = [self._meetings if today else lay.meetings(below), lay.meetings(above)]
        else:
            lines = [self._meetings] * 2 if moved.joints or moved.parts else [[], []]
        for k, (m0, m1) in enumerate(zip(*lines, strict=True)):
            if not moved.joint(m0, below, above):
                continue
            if moved.still:
                total += self._still_joint(m0, below, above, k)
            else:
                total += self._joint(m1, above, ends[1], k)
                total -= self._today(k) if today else self._joint(m0, below, ends[0], k)
            if m0.kind == "cross":
                total += self._shared(m1, ends[1]) - self._shared(m0, ends[0])
        total += self._rest(below, above, ends)
        return total / change.width

    def _fields(self, name: str) -> Array:
        """(nodes, 5, m) modes of a part."""
        if name not in self._nodal:
            self._nodal[name] = self.phi[self.model.of_part(name)].reshape(-1, FIELDS, self.phi.shape[1])
        return self._nodal[name]

    def _at_points(self, name: str, order: int) -> tuple[Array, Array, Array, Array]:
        """Fields and their derivatives (e, q, 5, m) at a rule's points, and its weights."""
        mesh = self.model.parts[name].mesh
        value, dx, dy, weight = mesh.rule(order)
        local = self._fields(name)[mesh.nodes6]
        flat = local.reshape(*local.shape[:2], -1)
        shape = (*weight.shape, *local.shape[2:])
        f, fx, fy = ((s.transpose(1, 2, 0) @ flat).reshape(shape) for s in (value, dx, dy))
        return f, fx, fy, weight

    def _strain(self, name: str) -> tuple[Array, Array, Array, Array]:
        """Strains (e, q, 8, m), the fields' slopes, and weights at the stiffness rule."""
        f, fx, fy, weight = self._at_points(name, STIFF_ORDER)
        return STRAIN_X @ fx + STRAIN_Y @ fy + STRAIN_0 @ f, fx, fy, weight

    # ------------------------------------------------------------------ material

    def _material(self, name: str, below: Cabinet, above: Cabinet) -> Array:
        if part_laminate(below, name) is part_laminate(above, name):
            return np.zeros_like(self.lam)
        if name not in self._energy:
            e, _, _, weight = self._strain(name)
            g, _, _, fine = self._at_points(name, MASS_ORDER)
            self._energy[name] = _products(e, weight), _products(g, fine)
        strain, motion = self._energy[name]
        dc = constitutive(part_laminate(above, name)) - constitutive(part_laminate(below, name))
        di = inertia(part_laminate(above, name)) - inertia(part_laminate(below, name))
        return np.asarray(
            self.stiff * np.einsum("ij,ijm->m", dc, strain) - self.lam * np.einsum("ij,ijm->m", di, motion)
        )

    # ------------------------------------------------------------------ shape

    def _node_force(self, name: str) -> Array:
        """(nodes, 2, m) derivative of a part's phi' (K - lambda M) phi by its node positions.

        With a velocity v, d(f,a) = -v_b,a f,b and d(dA) = div v dA.
        """
        if name in self._force:
            return self._force[name]
        part = self.model.parts[name]
        e, fx, fy, weight = self._strain(name)
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
        mesh = part.mesh
        _, dx, dy, _ = mesh.rule(STIFF_ORDER)
        force = self._gathered(mesh, flux, (dx, dy), weight)
        g, _, _, fine = self._at_points(name, MASS_ORDER)
        kinetic = np.einsum("eqfm,eqfm->eqm", g, inertia(part.laminate) @ g) * self.lam
        _, dx, dy, _ = mesh.rule(MASS_ORDER)
        flux = np.zeros((2, 2, *kinetic.shape))
        flux[0, 0] = flux[1, 1] = -kinetic
        self._force[name] = force + self._gathered(mesh, flux, (dx, dy), fine)
        return self._force[name]

    @staticmethod
    def _gathered(mesh: PlanarMesh, flux: Array, slopes: tuple[Array, Array], weight: Array) -> Array:
        local: Array | float = 0.0
        for a, slope in enumerate(slopes):
            f = flux[a].transpose(1, 2, 0, 3)  # (e, q, b, m)
            local = local + (slope * weight).transpose(1, 0, 2) @ f.reshape(*f.shape[:2], -1)
        local = np.asarray(local).reshape(len(mesh.nodes6), 6, 2, -1)
        out = np.zeros((len(mesh.points), 2, local.shape[-1]))
        np.add.at(out, mesh.nodes6, local)
        return out

    # ------------------------------------------------------------------ joints and the rest

    def _joint(self, m: lay.Meeting, cabinet: Cabinet, parts: Mapping[str, FlatPart], number: int) -> Array:
        """phi' (K - lambda M) phi of one joint line, points kept in the triangles they are in today."""
        like, elements = self._block(number)
        block = self._shifted(m, parts, number) or make_block(m, cabinet, parts, self.model.size * MM, like)
        if len(block.line.points) != len(like.line.points):
            raise SolveError(
                f"the joint of {m.a!r} and {m.b!r} gains or loses wood just here; take a slightly different design"
            )
        if not len(block.line.points):
            return np.zeros_like(self.lam)
        spec = cabinet.joint_between(m.a, m.b)
        if spec == self.model.cabinet.joint_between(m.a, m.b) and _alike(block, like):
            forms = self._forms_today(number)
        else:
            forms = self._line_forms(m, cabinet, block)
        return self._line_energy(forms, self._motions(block, elements))

    def _today(self, number: int) -> Array:
        """phi' (K - lambda M) phi of one joint line as it is."""
        if not len(self._block(number)[0].line.points):
            return np.zeros_like(self.lam)
        return self._line_energy(self._forms_today(number), self._motions_today(number))

    def _forms_today(self, number: int) -> tuple[Array, Array | None]:
        if number not in self._held:
            self._held[number] = self._line_forms(self._meetings[number], self.model.cabinet, self._block(number)[0])
        return self._held[number]

    def _motions_today(self, number: int) -> Array:
        if number not in self._still:
            self._still[number] = self._motions(*self._block(number))
        return self._still[number]

    def _shifted(self, m: lay.Meeting, parts: Mapping[str, FlatPart], number: int) -> Block | None:
        """Today's joint line on parts whose nodes alone have moved, well clear of their cut-outs; else None."""
        like, _ = self._block(number)
        if m is not self._meetings[number] or not len(like.line.points):
            return None
        ends = like.line.points[[0, -1]]
        for p in like.ports:
            new = parts[p.part.name]
            if new.laminate is not p.part.laminate or not new.clear_of_cuts(new.to_plane(ends + p.offset)):
                return None
        return replace(like, ports=tuple(replace(p, part=parts[p.part.name]) for p in like.ports))

    def _block(self, number: int) -> tuple[Block, list[NDArray[np.int64]]]:
        """A joint line of today's design and the triangles its points are in."""
        if number not in self._blocks:
            here = self._meetings[number]
            row = self.model.terms["joint", here.a, here.b, here.kind, str(number)][2]
            intervals = row.intervals if row is not None else ()
            block = make_block(here, self.model.cabinet, self.model.parts, self.model.size * MM, intervals=intervals)
            elements = list(row.triangles) if row is not None else []
            self._blocks[number] = block, elements
        return self._blocks[number]

    def _motions(self, block: Block, elements: list[NDArray[np.int64]]) -> Array:
        """(10 ports, 10 ports, m) integrals along a block's line of the products of its ports' motions."""
        motions = []
        for port, element in zip(block.ports, elements, strict=True):
            coefficient, trace = port_motion(port, block.line, element)
            local = self._fields(port.part.name)[trace.nodes].reshape(len(element), -1, len(self.lam))
            motions.append(coefficient @ local)
        e = np.concatenate(motions, axis=1)
        return _products(e[:, None], block.line.weight)

    def _line_forms(self, m: lay.Meeting, cabinet: Cabinet, block: Block) -> tuple[Array, Array | None]:
        """Stiffness and, of a corner, inertia per metre on the ports' motions."""
        h, hold = block_stiffness(block, cabinet.joint_between(m.a, m.b))
        if m.kind != "corner":
            return h, None
        density = sum(part_board(cabinet, p.part.name).density_kg_m3 for p in block.ports) / len(block.ports)
        return h, block_mass(block, density, hold)

    def _line_energy(self, forms: tuple[Array, Array | None], products: Array) -> Array:
        stiffness, mass = forms
        out = self.stiff * np.tensordot(stiffness, products)
        return np.asarray(out if mass is None else out - self.lam * np.tensordot(mass, products))

    def _still_joint(self, m: lay.Meeting, below: Cabinet, above: Cabinet, number: int) -> Array:
        """Change of a joint's energy where nothing moves: its motions are today's."""
        block, _ = self._block(number)
        if not len(block.line.points):
            return np.zeros_like(self.lam)
        motions = self._motions_today(number)
        low, high = (
            self._line_energy(self._line_forms(m, c, of_other_boards(block, m, c)), motions) for c in (below, above)
        )
        return high - low

    def _shared(self, m: lay.Meeting, parts: Mapping[str, FlatPart]) -> Array:
        """What wood shared by two braces takes off -lambda phi' M phi."""
        out = np.zeros_like(self.lam)
        for name, factor_ in shared_wood(m, parts, self.model.size * MM).items():
            f, _, _, weight = self._at_points(name, SHARED_ORDER)
            motion = np.einsum("eqfm,fg,eqgm->eqm", f, inertia(parts[name].laminate), f, optimize=True)
            out -= self.lam * np.einsum("eq,eqm->m", weight * (factor_ - 1), motion)
        return out

    def _rest(self, below: Cabinet, above: Cabinet, ends: Sequence[Mapping[str, FlatPart]]) -> Array:
        """Driver masses, corner cubes, sheets and supports, evaluated whole where their records or boards differ."""
        total = np.zeros_like(self.lam)
        model = self.model
        n = model.dofs
        boards = any(below.part_board(p) != above.part_board(p) for p in PANELS)
        for c, parts, sign in ((below, ends[0], -1.0), (above, ends[1], 1.0)):
            terms: list[Term] = []
            if boards:
                terms.append(cube_masses(c, parts, model.first, n))
            if below.supports != above.supports:
                terms.append(support_stiffness(c, parts, model.first, n, model.size * MM))
            if below.drivers != above.drivers or below.openings != above.openings:
                terms += [driver_matrices(c, d, parts, model.first, n) for d in c.drivers]
            terms += [make(c, k, parts, model.first, n) for _, make, k in sheet_terms(c)]
            for k, m, _ in terms:
                total += 0.0 if k is None else sign * self.stiff * self._quadratic(k)
                total -= 0.0 if m is None else sign * self.lam * self._quadratic(m)
        return total

    def _quadratic(self, a: object) -> Array:
        return np.asarray(np.einsum("im,im->m", self.phi, sp.csr_array(a) @ self.phi))


def _alike(block: Block, like: Block) -> bool:
    """Whether two blocks differ at most in where they are along their parts."""
    return block.material == like.material and all(
        p.slab == q.slab
        and np.array_equal(p.n, q.n)
        and np.array_equal(p.z, q.z)
        and np.abs(p.offset - q.offset).max() < 1e-14
        for p, q in zip(block.ports, like.ports, strict=True)
    )


def _products(e: Array, weight: Array) -> Array:
    """(k, k, m) integrals of e_i e_j for fields (e, q, k, m)."""
    x = e.reshape(-1, *e.shape[2:]).transpose(2, 1, 0)
    return np.asarray((x * weight.ravel()) @ x.transpose(0, 2, 1)).transpose(1, 2, 0)


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
