"""Losses: boards, joints and damping sheets, as one matrix of loss stiffness."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import scipy.sparse as sp

from bracewright.design import layout as lay
from bracewright.design.cabinet import JointSpec
from bracewright.fem.joints import JointRow
from bracewright.fem.mesh import MM
from bracewright.fem.system import Model, added
from bracewright.fem.thick import block_stiffness, line_matrix, make_block, port_rows

SOFTER = 1e-3  # relative change of a joint's faces by which their share of the stiffness is found
FACES = {"glued": ("glue_E_GPa",), "dry": ("contact_N_mm3",), "springs": ("translation_N_mm2", "rotation_N_rad")}


@dataclass(frozen=True)
class Damped:
    """A model and what it loses.

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


def damped(model: Model) -> Damped:
    """Gather the losses of a model."""
    losses = tuple(_losses(model))
    return Damped(model, losses or (("nothing", sp.csr_array((model.dofs, model.dofs))),))


def _losses(model: Model) -> Iterator[tuple[str, Any]]:
    cabinet = model.cabinet
    lines = lay.meetings(cabinet, "inner" if model.joint_model == "computed" else "mid")
    for key, (k, _, row) in model.terms.items():
        if k is None:
            continue
        if key[0] == "part" and cabinet.part_board(key[1]).loss_factor > 0:
            yield key[1], k * cabinet.part_board(key[1]).loss_factor
        elif key[0] == "joint" and row is not None:
            loss = _joint_loss(model, lines[int(key[4])], k, row)
            if loss is not None:
                yield f"joint {key[1]}-{key[2]}", loss
        elif key[0] == "damping" and cabinet.damping[int(key[2])].loss_factor > 0:
            yield f"damping on {key[1]}", k * cabinet.damping[int(key[2])].loss_factor


def _joint_loss(model: Model, m: lay.Meeting, k: Any, row: JointRow) -> Any | None:
    """Loss stiffness of a joint: its wood loses as the boards do on average, its glue or dry faces as the joint does.

    A joint's stiffness is of first degree in the wood's moduli and the faces' stiffness together, so that either's
    part of the strain energy is its own derivative.
    """
    cabinet = model.cabinet
    spec = cabinet.joint_between(m.a, m.b)
    wood = (cabinet.part_board(m.a).loss_factor + cabinet.part_board(m.b).loss_factor) / 2
    if model.joint_model == "plain":
        return k * spec.loss_factor if spec.loss_factor > 0 else None
    if spec.kind not in FACES or wood == spec.loss_factor:
        return k * wood if wood > 0 else None
    block = make_block(m, cabinet, model.parts, model.size * MM, intervals=row.intervals)
    whole, softer = (block_stiffness(block, j)[0] for j in (spec, _softer(spec)))
    loss = wood * whole + (spec.loss_factor - wood) * (whole - softer) / SOFTER
    e, _ = port_rows(block, model.first, model.dofs, row.triangles)
    return line_matrix(e, block.line.weight, loss)


def _softer(spec: JointSpec) -> JointSpec:
    return replace(spec, **{name: getattr(spec, name) * (1 - SOFTER) for name in FACES[spec.kind]})
