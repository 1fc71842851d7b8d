"""Energies of a model's joint lines in given motions, today and in near designs.

A joint's energy is small to evaluate, and is differenced with its points kept in the triangles they
are in today, where it is smooth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import Cabinet
from bracewright.errors import SolveError
from bracewright.fem.blocks import Block, make_block, of_other_boards, port_motion
from bracewright.fem.energies import Energies, products
from bracewright.fem.mesh import MM, IntArray
from bracewright.fem.parts import FlatPart
from bracewright.fem.thick import block_forms

Array = NDArray[np.float64]
Forms = tuple[Array, Array | None]


class JointEnergies:
    """Weighed energies stiff x' K x - inert x' M x of joint lines, each known by its number in `meetings`.

    Parameters
    ----------
    motions : Energies
        The motions and their weights.
    """

    def __init__(self, motions: Energies) -> None:
        self.motions, self.model = motions, motions.model
        self.meetings = lay.meetings(self.model.cabinet)
        # Of today's lines: the block with the triangles its points are in, what its ports do, and its forms.
        self._blocks: dict[int, tuple[Block, list[IntArray]]] = {}
        self._moved: dict[int, Array] = {}
        self._forms: dict[int, Forms] = {}

    def of(self, m: lay.Meeting, cabinet: Cabinet, parts: Mapping[str, FlatPart], number: int) -> Array:
        """Energy of a line in a near design, points kept in the triangles they are in today."""
        like, elements = self._block(number)
        block = self._shifted(m, parts, number) or make_block(m, cabinet, parts, self.model.size * MM, like)
        if len(block.line.points) != len(like.line.points):
            raise SolveError(
                f"the joint of {m.a!r} and {m.b!r} gains or loses wood just here; take a slightly different design"
            )
        if not len(block.line.points):
            return self.motions.zero()
        spec = cabinet.joint_between(m.a, m.b)
        if spec == self.model.cabinet.joint_between(m.a, m.b) and _alike(block, like):
            forms = self._forms_today(number)
        else:
            forms = block_forms(block, m, cabinet)
        return self._energy(forms, self._products(block, elements))

    def today(self, number: int) -> Array:
        """Energy of a line as it is."""
        if not len(self._block(number)[0].line.points):
            return self.motions.zero()
        return self._energy(self._forms_today(number), self._products_today(number))

    def still(self, m: lay.Meeting, below: Cabinet, above: Cabinet, number: int) -> Array:
        """Change of a line's energy between designs where nothing moves: its motions are today's."""
        block, _ = self._block(number)
        if not len(block.line.points):
            return self.motions.zero()
        moved = self._products_today(number)
        low, high = (self._energy(block_forms(of_other_boards(block, m, c), m, c), moved) for c in (below, above))
        return high - low

    def _block(self, number: int) -> tuple[Block, list[IntArray]]:
        """A line of today's design and the triangles its points are in."""
        if number not in self._blocks:
            here = self.meetings[number]
            row = self.model.terms["joint", here.a, here.b, here.kind, str(number)][2]
            cuts = row.divisions if row is not None else ()
            block = make_block(here, self.model.cabinet, self.model.parts, self.model.size * MM, divisions=cuts)
            elements = list(row.triangles) if row is not None else []
            self._blocks[number] = block, elements
        return self._blocks[number]

    def _shifted(self, m: lay.Meeting, parts: Mapping[str, FlatPart], number: int) -> Block | None:
        """Today's line on parts whose nodes alone have moved, well clear of their cut-outs; else None."""
        like, _ = self._block(number)
        if m is not self.meetings[number] or not len(like.line.points):
            return None
        ends = like.line.points[[0, -1]]
        for p in like.ports:
            new = parts[p.part.name]
            if new.laminate is not p.part.laminate or not new.clear_of_cuts(new.to_plane(ends + p.offset)):
                return None
        return replace(like, ports=tuple(replace(p, part=parts[p.part.name]) for p in like.ports))

    def _forms_today(self, number: int) -> Forms:
        if number not in self._forms:
            self._forms[number] = block_forms(self._block(number)[0], self.meetings[number], self.model.cabinet)
        return self._forms[number]

    def _products_today(self, number: int) -> Array:
        if number not in self._moved:
            self._moved[number] = self._products(*self._block(number))
        return self._moved[number]

    def _products(self, block: Block, elements: list[IntArray]) -> Array:
        """(10 ports, 10 ports, m) integrals along a block's line of the products of its ports' motions."""
        moved = []
        for port, element in zip(block.ports, elements, strict=True):
            coefficient, trace = port_motion(port, block.line, element)
            local = self.motions.fields(port.part.name)[trace.nodes].reshape(len(element), -1, len(self.motions.inert))
            moved.append(coefficient @ local)
        e = np.concatenate(moved, axis=1)
        return products(e[:, None], block.line.weight)

    def _energy(self, forms: Forms, moved: Array) -> Array:
        stiffness, mass = forms
        out = self.motions.stiff * np.tensordot(stiffness, moved)
        return np.asarray(out if mass is None else out - self.motions.inert * np.tensordot(mass, moved))


def _alike(block: Block, like: Block) -> bool:
    """Whether two blocks differ at most in where they are along their parts."""
    return block.material == like.material and all(
        p.slab == q.slab
        and np.array_equal(p.n, q.n)
        and np.array_equal(p.z, q.z)
        and np.abs(p.offset - q.offset).max() < 1e-14
        for p, q in zip(block.ports, like.ports, strict=True)
    )
