"""Lines along which parts are joined, without matching meshes.

At Gauss points along a line the traces of both parts are interpolated; a few strain measures e of
the joint are linear in them, and the line adds the energy 1/2 int e' C e ds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.fem.mesh import Trace
from bracewright.fem.parts import FlatPart
from bracewright.fem.plate import FIELDS

Array = NDArray[np.float64]
GAUSS = np.array([-1.0, 1.0]) / np.sqrt(3.0)


@dataclass(frozen=True)
class Line:
    """Gauss points on a straight line in space.

    Attributes
    ----------
    points : (p, 3) array, m
    weight : (p,) array, m
    along : (3,) array
        Unit vector.
    """

    points: Array
    weight: Array
    along: Array

    def keep(self, mask: NDArray[np.bool_]) -> Line:
        """Return the line with only some of its points."""
        return Line(self.points[mask], self.weight[mask], self.along)

    def moved(self, by: Array) -> Line:
        """Return the line shifted by a vector (3,), m."""
        return Line(self.points + by, self.weight, self.along)


def line(start: Array, end: Array, step: float) -> Line:
    """Divide a line into equal intervals of about `step` m with two Gauss points each.

    Two points an interval tie as many displacements as a six-node side has unknowns; more would lock
    the finer of two meshes that do not match.
    """
    d = end - start
    length = float(np.linalg.norm(d))
    n = max(1, int(np.ceil(length / step - 1e-6)))
    middle = (np.arange(n) + 0.5) / n
    s = (middle[:, None] + GAUSS / (2 * n)).ravel()
    return Line(start + s[:, None] * d, np.full(2 * n, length / (2 * n)), d / length)


def rows(trace: Trace, value: Array, dx: Array, dy: Array, first: int, size: int) -> Any:
    """Sparse rows (p k, size) of k measures at p points.

    Parameters
    ----------
    trace : Trace
    value, dx, dy : (k, 5) arrays
        How each measure takes the five fields and their in-plane derivatives.
    first : int
        Number of the part's first unknown.
    size : int
        Number of all unknowns.
    """
    data = (
        np.einsum("pn,kf->pknf", trace.value, value)
        + np.einsum("pn,kf->pknf", trace.dx, dx)
        + np.einsum("pn,kf->pknf", trace.dy, dy)
    )
    p, k = data.shape[:2]
    cols = first + FIELDS * trace.nodes[:, :, None] + np.arange(FIELDS)
    cols = np.broadcast_to(cols[:, None], data.shape)
    indptr = np.arange(0, data.size + 1, data.shape[2] * data.shape[3])
    return sp.csr_array((data.ravel(), cols.ravel(), indptr), shape=(p * k, size))


def energy(e: Any, weight: Array, c: Array) -> Any:
    """Return the matrix of int e' C e ds for measure rows `e` (p k, n), weights (p,) and C (k, k)."""
    w = sp.csr_array(sp.kron(sp.diags_array(weight), c))
    return e.T @ (w @ e)


def motion(part: FlatPart, arm: Array, along: Array) -> tuple[Array, Array, Array]:
    """Displacement in space, (3, 5) coefficients, at the end of a rigid arm from a point of the part.

    Parameters
    ----------
    part : FlatPart
    arm : (3,) array
        From the part's mid-plane to the point wanted, m.
    along : (3,) array
        Direction of the joint line, in the part's plane. The turn about the part's normal is taken
        from the change along the line of the displacement across it: exact in rigid motion.
    """
    r = part.rotation
    value = np.zeros((3, FIELDS))
    value[:, 0], value[:, 1], value[:, 2] = r[0], r[1], r[2]
    value[:, 3] = np.cross(r[1], arm)  # bx turns about e2, by about -e1
    value[:, 4] = -np.cross(r[0], arm)
    s = r[:2] @ along
    n = np.array([-s[1], s[0]])  # in-plane direction across the line, turned from `along` about e3
    # Turn about e3 of the line element: w3 = d(u . n)/ds.
    lift = np.cross(r[2], arm)
    dx, dy = np.zeros((3, FIELDS)), np.zeros((3, FIELDS))
    for f in range(2):
        dx[:, f] = lift * n[f] * s[0]
        dy[:, f] = lift * n[f] * s[1]
    return value, dx, dy


def turn(part: FlatPart, axis: Array) -> Array:
    """(5,) coefficients of the rotation about an in-plane space axis."""
    c = np.zeros(FIELDS)
    c[3], c[4] = part.rotation[1] @ axis, -part.rotation[0] @ axis
    return c
