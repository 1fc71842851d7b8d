"""Where a little more wood, a batten or a damping sheet would help a goal most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bracewright.design.checks import choice
from bracewright.errors import DesignError
from bracewright.fem.mesh import PlanarMesh
from bracewright.fem.modes import Modes
from bracewright.fem.near import Anchor
from bracewright.fem.plate import FIELDS, MASS_ORDER, STIFF_ORDER, constitutive
from bracewright.fem.system import Model
from bracewright.tune.looks import Look

Array = NDArray[np.float64]
#: Measure -> what its fields are in.
UNITS = {
    "batten": "score per N m of plate stiffness and m2",
    "mass": "score per kg",
    "damping": "score per unit of loss factor and m2",
    "thickness": "score per mm of board and m2",
}
POISSON = 0.3  # of what is added


@dataclass(frozen=True)
class SensitivityMap:
    """Gain of a goal by a measure taken at a point.

    Attributes
    ----------
    measure : {"batten", "mass", "damping", "thickness"}
    unit : str
        What the fields are in.
    fields : dict of (nodes,) arrays
        By part, at the nodes of its mesh.
    parts : dict of PlanarMesh
    """

    measure: str
    unit: str
    fields: Mapping[str, Array]
    parts: Mapping[str, PlanarMesh]

    def best(self) -> tuple[str, tuple[float, float], float]:
        """Return part, place (mm, in-plane coordinates) and value where the gain is largest."""
        part = max(self.fields, key=lambda name: float(self.fields[name].max()))
        node = int(self.fields[part].argmax())
        x, y = (self.parts[part].points[node] * 1e3).tolist()
        return part, (x, y), float(self.fields[part][node])


def sensitivity_map(look: Look, anchor: Anchor, measure: str = "batten") -> SensitivityMap:
    """Return how much a goal gains by a small measure at every place of every part.

    Parameters
    ----------
    look : Look
        As `Look.at` prepares it.
    anchor : Anchor
        The design, solved with `look.count` modes on elements of `look.size`.
    measure : {"batten", "mass", "damping", "thickness"}
        A batten adds plate stiffness about the part's own middle plane and no mass; mass adds kilograms only; damping
        raises the part's loss factor (it needs a goal of levels); thickness adds to the board's both sides.

    Raises
    ------
    DesignError
        An unknown measure, or damping without a goal of levels.
    """
    choice(measure, "measure", tuple(UNITS))
    model, modes = anchor.model, anchor.modes
    answer, by_f, by_level = look.goal_slopes(model, modes)
    lam = (2 * np.pi * modes.frequency_Hz) ** 2
    # A frequency's slope is that of its eigenvalue over 8 pi^2 f.
    weight = by_f / (8 * np.pi**2 * modes.frequency_Hz)
    shapes, stiff, inert = modes.shapes, weight, weight * lam
    if measure == "damping":
        if answer is None or not by_level.any():
            raise DesignError("damping moves no mode; give a goal of levels (quiet or peak)", key="measure")
        shapes, stiff = answer.loss_forms(by_level)
        inert = np.zeros_like(stiff)
    elif answer is not None and by_level.any():
        more = answer.forms(by_level)
        shapes = np.hstack([shapes, more[0]])
        stiff, inert = np.concatenate([stiff, more[1]]), np.concatenate([inert, more[2]])
    fields = {}
    for name, part in model.parts.items():
        x = shapes[model.of_part(name)].reshape(-1, FIELDS, shapes.shape[1])
        bend, kinetic = _densities(part.mesh, x, constitutive(part.laminate), stiff, inert)
        fields[name] = {
            "batten": bend["unit"],
            "mass": -kinetic,
            "damping": bend["own"],
            # Plate stiffness goes with the cube of the thickness, mass with the thickness.
            "thickness": (3 * bend["own"] / part.thickness - kinetic * part.laminate.mass / part.thickness) / 1e3,
        }[measure]
    return SensitivityMap(measure, UNITS[measure], fields, {n: p.mesh for n, p in model.parts.items()})


def added_mass(model: Model, modes: Modes, number: int = 1) -> dict[str, Array]:
    """Return how a mode's frequency changes per mass stuck on at each node of each part, Hz per kg.

    Exact for a small point mass: d f / d m = -f u'u / 2 with the motion u of a mode of unit modal mass.

    Raises
    ------
    DesignError
        There is no such mode.
    """
    if not 1 <= number <= len(modes):
        raise DesignError(f"got {number}; modes are 1 to {len(modes)}", key="number")
    f = float(modes.frequency_Hz[number - 1])
    out = {}
    for name in model.parts:
        u = modes.shapes[model.of_part(name), number - 1].reshape(-1, FIELDS)[:, :3]
        out[name] = -0.5 * f * (u**2).sum(axis=1)
    return out


def _densities(mesh: PlanarMesh, x: Array, c: Array, stiff: Array, inert: Array) -> tuple[dict[str, Array], Array]:
    """Weighted bending energy (of a unit plate and of the board's own) and square motion per area, at the nodes."""
    _, dx, dy, weight = mesh.rule(STIFF_ORDER)
    local = x[mesh.nodes6]
    slope_x, slope_y = (np.einsum("neq,enfm->eqfm", s, local) for s in (dx, dy))
    kappa = np.stack([slope_x[:, :, 3], slope_y[:, :, 4], slope_y[:, :, 3] + slope_x[:, :, 4]], axis=2)  # (e, q, 3, m)
    unit = np.array([[1.0, POISSON, 0.0], [POISSON, 1.0, 0.0], [0.0, 0.0, (1 - POISSON) / 2]])
    bend = {
        k: np.einsum("eqim,ij,eqjm,m->eq", kappa, d, kappa, stiff, optimize=True)
        for k, d in (("unit", unit), ("own", c[3:6, 3:6]))
    }
    nodal = {k: _at_nodes(mesh, v, weight) for k, v in bend.items()}
    value, _, _, weight = mesh.rule(MASS_ORDER)
    motion = np.einsum("neq,enfm->eqfm", value, local[:, :, :3])
    square = np.einsum("eqfm,eqfm,m->eq", motion, motion, inert, optimize=True)
    return nodal, _at_nodes(mesh, square, weight)


def _at_nodes(mesh: PlanarMesh, field: Array, weight: Array) -> Array:
    """Mean of a field (e, q) over the triangles about each node, by area."""
    area = weight.sum(axis=1)
    mean = (field * weight).sum(axis=1)
    n = len(mesh.points)
    total, share = (np.bincount(mesh.nodes6.ravel(), weights=np.repeat(v, 6), minlength=n) for v in (mean, area))
    return np.asarray(total / share)
