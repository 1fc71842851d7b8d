"""Boundary elements for the sound outside a closed surface, by collocation with interior points.

Flat panels of constant pressure and velocity. At a panel's centre p/2 - K p = j w rho S v; at points inside the body
-K p = j w rho S v, which settles the frequencies at which the first set alone has no unique answer (Schenck 1968,
J. Acoust. Soc. Am. 44, 41-58). Surfaces with three mirror planes fall into eight independent problems of an eighth of
the size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bracewright.errors import SolveError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
FAR_POINTS = 2  # Gauss points each way on a panel
NEAR_POINTS = 10
NEAR = 2.0  # panel diameters between centres
RIM_POINTS = 12  # on each edge of a panel, for its effect on itself
MIRRORS = np.array(list(product((1.0, -1.0), repeat=3)))
# Row: class of symmetry; column: mirror image. Each class is even or odd about each of the three planes.
CHARACTERS = np.array(
    [[np.prod(np.where(np.array(odd) == 1, m, 1.0)) for m in MIRRORS] for odd in product((0, 1), repeat=3)]
)


def _gauss(n: int) -> tuple[Array, Array]:
    x, w = np.polynomial.legendre.leggauss(n)
    return (x + 1) / 2, w / 2


@dataclass(frozen=True)
class Panels:
    """Flat panels, an eighth of a surface with three mirror planes through the origin, or a whole surface.

    Attributes
    ----------
    corners : (n, 4, 3) array
        In order around each panel, m; a triangle repeats its last corner. The order does not matter for the normal.
    outward : (n, 3) array
        Unit normals into the air.
    mirrored : bool
        Whether the other seven eighths follow by mirroring.
    """

    corners: Array
    outward: Array
    mirrored: bool

    @property
    def mirrors(self) -> Array:
        """(g, 3) signs of the images."""
        return MIRRORS if self.mirrored else MIRRORS[:1]

    @property
    def characters(self) -> Array:
        """(g, g) orthogonal transform between images and classes, rows of +-1."""
        return CHARACTERS if self.mirrored else CHARACTERS[:1, :1]

    def points(self, n: int) -> tuple[Array, Array]:
        """Gauss points (panels, n * n, 3) and weights times area (panels, n * n)."""
        x, w = _gauss(n)
        s, t = (a.ravel() for a in np.meshgrid(x, x, indexing="ij"))
        shape = np.stack([(1 - s) * (1 - t), s * (1 - t), s * t, (1 - s) * t])
        ds = np.stack([t - 1, 1 - t, t, -t])
        dt = np.stack([s - 1, -s, s, 1 - s])
        xyz = np.einsum("kq,ekc->eqc", shape, self.corners)
        across = np.cross(np.einsum("kq,ekc->eqc", ds, self.corners), np.einsum("kq,ekc->eqc", dt, self.corners))
        return xyz, np.linalg.norm(across, axis=2) * np.outer(w, w).ravel()

    @cached_property
    def area(self) -> Array:
        """(n,) panel areas, m2."""
        return np.asarray(self.points(2)[1].sum(axis=1))

    @cached_property
    def centre(self) -> Array:
        """(n, 3) centroids, m."""
        xyz, w = self.points(2)
        return np.asarray(np.einsum("eqc,eq->ec", xyz, w) / self.area[:, None])

    @cached_property
    def all_centres(self) -> Array:
        """(g n, 3) centroids, image after image."""
        return np.asarray((self.mirrors[:, None] * self.centre).reshape(-1, 3))

    @cached_property
    def all_outward(self) -> Array:
        """(g n, 3) normals, image after image."""
        return np.asarray((self.mirrors[:, None] * self.outward).reshape(-1, 3))

    @cached_property
    def all_area(self) -> Array:
        """(g n,) areas, image after image."""
        return np.tile(self.area, len(self.mirrors))

    def to_classes(self, values: NDArray[Any]) -> NDArray[Any]:
        """Turn values (g n, ...) on the panels into their parts (g, n, ...) by class of symmetry."""
        g = len(self.mirrors)
        parts = values.reshape(g, len(self.corners), *values.shape[1:])
        return np.asarray(np.tensordot(self.characters, parts, axes=1) / np.sqrt(g))

    def from_classes(self, parts: NDArray[Any]) -> NDArray[Any]:
        """Inverse of `to_classes`."""
        g = len(self.mirrors)
        out = np.tensordot(self.characters.T, parts, axes=1) / np.sqrt(g)
        return np.asarray(out.reshape(g * parts.shape[1], *parts.shape[2:]))


class Kernels:
    """Integrals of the two layers over every panel, seen from given points, frequency after frequency.

    Parameters
    ----------
    panels : Panels
    at : (m, 3) array
        Where the field is wanted; the first n are the panels' own centres when `own` is true.
    own : bool
        Whether to put in the panels' effect on themselves.
    """

    def __init__(self, panels: Panels, at: Array, *, own: bool) -> None:
        self.panels, self.own = panels, own
        n, m, g = len(panels.corners), len(at), len(panels.mirrors)
        xyz, w = panels.points(FAR_POINTS)
        fine, fine_w = panels.points(NEAR_POINTS)
        size = np.linalg.norm(np.ptp(panels.corners, axis=1), axis=1)
        sources = panels.mirrors[:, None, None] * xyz
        self.r = np.linalg.norm(at[None, :, None, None] - sources[:, None], axis=4)
        self.weight = np.broadcast_to(w / (4 * np.pi), self.r.shape)
        centres, normals = panels.mirrors[:, None] * panels.centre, panels.mirrors[:, None] * panels.outward
        offset = centres[:, None] - at[:, None]
        self.depth = np.einsum("gmnc,gnc->gmn", offset, normals)
        near = np.linalg.norm(offset, axis=3) < NEAR * size
        if own:
            near[0, np.arange(n), np.arange(n)] = False
        self.near = np.nonzero(near)
        k, i, j = self.near
        self.near_r = np.linalg.norm(at[i, None] - panels.mirrors[k][:, None] * fine[j], axis=2)
        self.near_w = fine_w[j] / (4 * np.pi)
        self.shape = (g, m, n)
        self._rim = self._edges() if own else None

    def _edges(self) -> tuple[Array, Array]:
        """Distance from a panel's centre to its rim and the angle each rim point stands for."""
        p = self.panels
        x, w = _gauss(RIM_POINTS)
        a, b = p.corners - p.centre[:, None], np.roll(p.corners, -1, axis=1) - p.centre[:, None]
        rim = a[:, :, None] + (b - a)[:, :, None] * x[:, None]
        r = np.linalg.norm(rim, axis=3)
        swept = np.abs(np.einsum("ec,ekc->ek", p.outward, np.cross(a, b)))
        return r.reshape(len(a), -1), (swept[:, :, None] * w / r**2).reshape(len(a), -1)

    def at_wavenumber(self, k: float, wave: Complex | None = None) -> tuple[Complex, Complex]:
        """Return single and double layer (g, m, n) of each image's panels.

        `wave` may hold exp(-j k r) on the far points, when it is known already.
        """
        if wave is None:
            wave = np.exp(-1j * k * self.r)
        e = wave * self.weight / self.r
        s = e.sum(axis=3)
        d = -self.depth * ((1 + 1j * k * self.r) / self.r**2 * e).sum(axis=3)
        e = np.exp(-1j * k * self.near_r) * self.near_w / self.near_r
        s[self.near] = e.sum(axis=1)
        d[self.near] = -self.depth[self.near] * ((1 + 1j * k * self.near_r) / self.near_r**2 * e).sum(axis=1)
        if self._rim is not None:
            r, angle = self._rim
            i = np.arange(len(r))
            # Integral of exp(-j k r)/r over a flat panel about its own centre, in polar coordinates.
            radial = r.astype(complex) if k == 0 else (1 - np.exp(-1j * k * r)) / (1j * k)
            s[0, i, i] = (radial * angle).sum(axis=1) / (4 * np.pi)
            d[0, i, i] = 0.0
        return s, d

    def sweep(self, step: float, count: int) -> Iterator[tuple[Complex, Complex]]:
        """Both layers at the wavenumbers 0, step, 2 step, ...: a product in place of each exponential."""
        turn = np.exp(-1j * step * self.r)
        wave = np.ones_like(turn)
        for number in range(count):
            yield self.at_wavenumber(number * step, wave)
            wave *= turn


def classes(panels: Panels, layer: Complex) -> Complex:
    """Turn a layer (g, m, n) by image into one (g, m, n) by class of symmetry."""
    return np.asarray(np.tensordot(panels.characters, layer, axes=1))


def solved(panels: Panels, single: Complex, double: Complex) -> Complex:
    """Return Y (g, n, n) by class of symmetry, m: surface pressure = j w rho Y times outward velocity.

    Parameters
    ----------
    panels : Panels
    single, double : (g, m, n) arrays
        Layers at the panels' centres followed by interior points.

    Raises
    ------
    SolveError
        When the answer is not finite.
    """
    n = len(panels.corners)
    left, right = -classes(panels, double), classes(panels, single)
    i = np.arange(n)
    left[:, i, i] += 0.5
    # Least squares by normal equations: the interior points keep the system far from singular.
    turned = left.conj().transpose(0, 2, 1)
    y = np.linalg.solve(turned @ left, turned @ right)
    if not np.isfinite(y).all():
        raise SolveError("the boundary-element system has no finite answer; choose another panel size")
    return np.asarray(y)


def inside_points(half: Array, count: int) -> Array:
    """Points (count, 3) scattered in the positive eighth of a box of half sizes (3,): a fixed low-discrepancy set."""
    # Roots of x^4 = x + 1 give the three-dimensional golden sequence.
    g = 1.2207440846057596
    share = (0.5 + np.arange(1, count + 1)[:, None] * g ** -np.array([1.0, 2.0, 3.0])) % 1.0
    return np.asarray(half * (0.06 + 0.8 * share))


def field(panels: Panels, at: Array, k: float) -> tuple[Complex, Complex]:
    """Return single and double layer (points, g n) at points outside: p = j w rho S v + D p on the surface."""
    s, d = Kernels(panels, at, own=False).at_wavenumber(k)
    flat: Sequence[Complex] = [a.transpose(1, 0, 2).reshape(len(at), -1) for a in (s, d)]
    return flat[0], flat[1]
