"""The quick estimate: each side of the box as if in an endless baffle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bracewright.sound.medium import DENSITY, SPEED
from bracewright.sound.surface import PER_WAVE, BoxSurface

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Baffled:
    """The quick estimate: each side of the box as if in an endless baffle (Rayleigh's integral).

    A point hears only the sides it lies in front of, and the air loads nothing. Drivers are taken alike, so that levels
    relative to them stay of the right size in front; sound round the corners is missing.

    Attributes
    ----------
    surface : BoxSurface
    highest_Hz : float
    """

    surface: BoxSurface
    highest_Hz: float

    def at(self, frequency_Hz: float) -> BaffledField:
        """Return the estimate at one frequency."""
        return BaffledField(self.surface, frequency_Hz)

    def loads(self, shapes: Array) -> None:
        """No load: the estimate is one-way."""


@dataclass(frozen=True)
class BaffledField:
    """As `Field`, by Rayleigh's integral over the sides that face the listener."""

    surface: BoxSurface
    frequency_Hz: float

    def transfer(self, points: ArrayLike) -> Complex:
        """Return the pressure (p, panels) at points (p, 3), cabinet coordinates in m, per velocity of a panel."""
        p = self.surface.panels
        d = np.atleast_2d(np.asarray(points, dtype=float))[:, None] - (p.all_centres + self.surface.middle)
        r = np.linalg.norm(d, axis=2)
        k = 2 * np.pi * self.frequency_Hz / SPEED
        faced = np.einsum("pec,ec->pe", d, p.all_outward) > 0
        return np.asarray(1j * k * SPEED * DENSITY / (2 * np.pi) * np.exp(-1j * k * r) / r * p.all_area * faced)

    def far(self, directions: Array) -> Complex:
        """Return p r exp(j k r) (d, panels) far off in unit directions (d, 3), Pa m."""
        p = self.surface.panels
        k = 2 * np.pi * self.frequency_Hz / SPEED
        wave = np.exp(1j * k * directions @ p.all_centres.T) * (directions @ p.all_outward.T > 0)
        return np.asarray(1j * k * SPEED * DENSITY / (2 * np.pi) * wave * p.all_area)

    def power(self, velocity: NDArray[Any]) -> NDArray[np.float64]:
        """Radiated power (...), W, for peak velocities: the sides' own powers, added."""
        p, total = self.surface.panels, 0.0
        for numbers in self.surface.faces.values():
            v = velocity[numbers]
            r = radiation_resistance(p.all_centres[numbers], p.all_area[numbers], self.frequency_Hz)
            total = total + 0.5 * np.real((v.conj() * (r @ v)).sum(axis=0))
        return np.asarray(total)


def baffled(size: tuple[float, float, float], highest_Hz: float = 2000.0) -> Baffled:
    """Return the quick estimate of a box of outer sizes (width, depth, height), mm."""
    metres = (size[0] / 1e3, size[1] / 1e3, size[2] / 1e3)
    return Baffled(BoxSurface.of(metres, SPEED / highest_Hz / PER_WAVE), highest_Hz)


def radiation_resistance(sources: Array, area: Array, frequency_Hz: float) -> Array:
    """Return R (s, s), N s/m: a baffled plane radiates v^H R v / 2.

    From the mutual resistance of small pistons, w^2 rho A_i A_j / (2 pi c) sin(k r)/(k r) (Elliott and Johnson 1993,
    J. Acoust. Soc. Am. 94, 2194-2204).
    """
    w = 2 * np.pi * frequency_Hz
    r = np.linalg.norm(sources[:, None] - sources[None], axis=2)
    return np.asarray(w**2 * DENSITY / (2 * np.pi * SPEED) * np.outer(area, area) * np.sinc(w / SPEED * r / np.pi))
