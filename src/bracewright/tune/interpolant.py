"""A cubic radial basis function with a linear tail through scores that are known.

Regis and Shoemaker, INFORMS J. Comput. 19, 2007: from memory. Its points are not ordered and need no derivative, so
small noise of a mesh does not mislead it the way it does finite differences.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Interpolant:
    """Cubic radial basis functions and a linear tail; the flattest plane while there are too few points."""

    @classmethod
    def near(cls, tried: Sequence[Array], scores: Sequence[float | None], centre: Array, radius: float) -> Interpolant:
        """Fit the scores near a point (n,); distances count in radii so that it keeps its condition."""
        known = [(u, s) for u, s in zip(tried, scores, strict=True) if s is not None]
        x, y = np.array([u for u, _ in known]), np.array([s for _, s in known])
        # A few very low scores would bend the interpolant where it matters.
        y = np.maximum(y, np.median(y) - 3 * np.std(y))
        far = np.linalg.norm(x - centre, axis=1)
        count = max(len(centre) + 2, int((far < 5 * radius * len(centre) ** 0.5).sum()))
        near = np.argsort(far, kind="stable")[:count]
        return cls((x[near] - centre) / radius, y[near], centre, radius)

    def __init__(self, x: Array, y: Array, centre: Array, scale: float) -> None:
        self.x, self.centre, self.scale = x, centre, scale
        m, n = x.shape
        plane = np.hstack([np.ones((m, 1)), x])
        if m <= n + 1:
            flat = np.hstack([np.zeros((n, 1)), 1e-3 * np.eye(n)])
            self.plane = np.linalg.lstsq(np.vstack([plane, flat]), np.r_[y, np.zeros(n)], rcond=None)[0]
            self.weight = np.zeros(m)
            return
        r = np.linalg.norm(x[:, None] - x, axis=2)
        a = np.block([[r**3 + 1e-6 * np.eye(m), plane], [plane.T, np.zeros((n + 1, n + 1))]])
        solved = np.linalg.lstsq(a, np.r_[y, np.zeros(n + 1)], rcond=None)[0]
        self.weight, self.plane = solved[:m], solved[m:]

    def __call__(self, u: Array) -> tuple[float, Array]:
        """Return value and gradient at u."""
        z = (u - self.centre) / self.scale
        d = z - self.x
        r = np.linalg.norm(d, axis=1)
        value = self.weight @ r**3 + self.plane[0] + self.plane[1:] @ z
        return float(value), ((3 * self.weight * r) @ d + self.plane[1:]) / self.scale
