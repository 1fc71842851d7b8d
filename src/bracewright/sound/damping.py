"""Losses: boards, joints and damping sheets, as one matrix of loss stiffness."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import scipy.sparse as sp

from bracewright.design.cabinet import JointSpec
from bracewright.fem.blocks import make_block, port_rows
from bracewright.fem.joints import JointRow, energy
from bracewright.fem.mesh import MM
from bracewright.fem.system import Model, added
from bracewright.fem.thick import block_stiffness

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
    for key, (k, _, row) in model.terms.items():
        if k is None:
            continue
        loss = k * model.loss_of(key) if model.loss_of(key) else None
        if key[0] == "joint" and row is not None:
            loss = _with_faces(model, row, model.loss_of(key), loss)
        if loss is not None:
            yield {"part": key[1], "damping": f"damping on {key[1]}"}.get(key[0], f"joint {'-'.join(key[1:3])}"), loss


def _with_faces(model: Model, row: JointRow, wood: float, loss: Any | None) -> Any | None:
    """Loss stiffness of a joint: its wood loses as the boards do on average, its glue or dry faces as the joint does.

    A joint's stiffness is of first degree in the wood's moduli and the faces' stiffness together, so that either's
    part of the strain energy is its own derivative.
    """
    m = row.meeting
    spec = model.cabinet.joint_between(m.a, m.b)
    if model.joint_model == "plain" or spec.kind not in FACES or wood == spec.loss_factor:
        return loss
    block = make_block(m, model.cabinet, model.parts, model.size * MM, divisions=row.divisions)
    whole, softer = (block_stiffness(block, j)[0] for j in (spec, _softer(spec)))
    lost = wood * whole + (spec.loss_factor - wood) * (whole - softer) / SOFTER
    e, _ = port_rows(block, model.first, model.dofs, row.triangles)
    return energy(e, block.line.weight, lost)


def _softer(spec: JointSpec) -> JointSpec:
    return replace(spec, **{name: getattr(spec, name) * (1 - SOFTER) for name in FACES[spec.kind]})
