"""Segments as arrays of complex numbers x + iy, in mm: the arithmetic of lines and arcs."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complexfloating[Any, Any]]


class Pieces(NamedTuple):
    """Lines and arcs, one to an entry of each array.

    Every one, straight or not, is the same formula in its start z0, its chord c and its signed sweep theta::

        z(t) = z0 + c sin(t theta/2)/sin(theta/2) exp(i (t - 1) theta/2),   0 <= t <= 1
    """

    start: Complex
    chord: Complex
    sweep: Real

    def pick(self, which: Any) -> Pieces:
        """Return the pieces of an index, a mask or a slice."""
        return Pieces(self.start[which], self.chord[which], self.sweep[which])

    def at(self, t: ArrayLike) -> Complex:
        """Return the points at the fraction t of each piece."""
        t = np.asarray(t)
        ratio = t * np.sinc(t * self.sweep / (2 * np.pi)) / np.sinc(self.sweep / (2 * np.pi))
        return np.asarray(self.start + self.chord * ratio * np.exp(0.5j * (t - 1) * self.sweep))

    @property
    def lengths(self) -> Real:
        """Lengths along the pieces."""
        lengths: Real = np.abs(self.chord) / np.sinc(self.sweep / (2 * np.pi))
        return lengths

    @property
    def radii(self) -> Real:
        """Radii, infinite for a line."""
        none = np.full_like(self.chord, np.inf)
        radii: Real = np.abs(np.divide(self.chord, 2 * np.sin(self.sweep / 2), out=none, where=self.sweep != 0))
        return radii

    @property
    def centres(self) -> Complex:
        """Centres, of arcs only."""
        return np.asarray(self.start + self.chord / 2 * (1 + 1j / np.tan(self.sweep / 2)))

    @property
    def turns(self) -> Real:
        """Signed turn of the heading at the start of each piece of a closed curve, > 0 to the left."""
        into = np.roll(self.chord * np.exp(0.5j * self.sweep), 1)
        return np.asarray(np.angle(self.chord * np.exp(-0.5j * self.sweep) / into), dtype=float)

    def nearest(self, points: Complex) -> Complex:
        """Return the point of the pieces nearest to each of `points`."""
        p = points[:, None]
        t = np.clip(((p - self.start) * self.chord.conj()).real / np.abs(self.chord) ** 2, 0, 1)
        on = self.start + t * self.chord
        if np.any(bent := self.sweep != 0):
            arcs = self.pick(bent)
            centre = arcs.centres
            middle = arcs.at(0.5) - centre
            angle = np.angle((p - centre) / middle)
            inside = np.abs(angle) <= np.abs(arcs.sweep) / 2
            first = np.abs(p - arcs.start) < np.abs(p - arcs.start - arcs.chord)
            end = np.where(first, arcs.start, arcs.start + arcs.chord)
            on[:, bent] = np.where(inside, centre + middle * np.exp(1j * angle), end)
        return np.asarray(on[np.arange(len(points)), np.argmin(np.abs(on - p), axis=1)])


def complex_of(x: Real, y: Real) -> Complex:
    """Return x + iy."""
    return np.asarray(x + 1j * y, dtype=np.complex128)


def xy_of(z: Complex) -> Real:
    """Return complex numbers as rows (x, y)."""
    return np.column_stack([z.real, z.imag])
