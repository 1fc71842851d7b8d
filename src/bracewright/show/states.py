"""A design with its modes, and two of them side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from bracewright.design.cabinet import Cabinet
from bracewright.fem.modes import Modes
from bracewright.fem.system import Model


@dataclass(frozen=True)
class State:
    """A design with its modes.

    Attributes
    ----------
    cabinet : Cabinet
    model : Model
    modes : Modes
    afresh : bool
        Whether it was solved from nothing, not from a near design.
    seconds : float
    """

    cabinet: Cabinet
    model: Model
    modes: Modes
    afresh: bool
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A mode now and its like in the pinned state: numbers from 1, Hz, and how alike the two shapes are (MAC)."""

    number: int
    frequency_Hz: float
    pinned_number: int
    pinned_Hz: float
    mac: float | None

    @property
    def change_percent(self) -> float:
        """Change against the pinned one."""
        return 100 * (self.frequency_Hz / self.pinned_Hz - 1)


def paired(then: State, now: State) -> tuple[Pair, ...]:
    """Return the modes now beside those then, by the likeness of their shapes, or in order where meshes differ."""
    a, b = then.modes, now.modes
    if a.shapes.shape[0] == b.shapes.shape[0] and _same_meshes(then.model, now.model):
        mac = (a.shapes.T @ (now.model.M @ b.shapes)) ** 2
        mac = mac / np.einsum("im,im->m", a.shapes, now.model.M @ a.shapes)[:, None]
        old, new = linear_sum_assignment(-mac)
        like: dict[int, tuple[int, float | None]] = {
            int(n): (int(o), float(mac[o, n])) for o, n in zip(old, new, strict=True)
        }
    else:
        like = {k: (k, None) for k in range(len(b))}
    return tuple(
        Pair(
            number=n + 1,
            frequency_Hz=float(b.frequency_Hz[n]),
            pinned_number=o + 1,
            pinned_Hz=float(a.frequency_Hz[o]),
            mac=m,
        )
        for n, (o, m) in sorted(like.items())
    )


def _same_meshes(a: Model, b: Model) -> bool:
    """Whether two models have the same triangles, so that their unknowns mean the same."""
    return all(np.array_equal(p.mesh.triangles, b.parts[n].mesh.triangles) for n, p in a.parts.items())
