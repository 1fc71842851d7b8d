"""Exact results of acoustics that sound is checked by, and the rule that adds up what goes in all directions."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import j1, struve

from bracewright.sound.baffled import radiation_resistance
from bracewright.sound.medium import DENSITY, SPEED

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def rayleigh(points: Array, sources: Array, area: Array, velocity: NDArray[Any], frequency_Hz: float) -> Complex:
    """Return the pressure (p, ...) at points (p, 3), m, in front of a baffled plane (Rayleigh's integral).

    Parameters
    ----------
    sources : (s, 3) array, m
    area : (s,) array, m2
    velocity : (s, ...) array
        Normal to the plane, m/s. Keep six or more sources to a wavelength.
    """
    r = np.linalg.norm(points[:, None] - sources[None], axis=2)
    k = 2 * np.pi * frequency_Hz / SPEED
    return np.asarray((1j * k * SPEED * DENSITY / (2 * np.pi)) * (np.exp(-1j * k * r) / r * area) @ velocity)


def efficiency(sources: Array, area: Array, velocity: NDArray[Any], frequency_Hz: float) -> float:
    """Radiation efficiency of a baffled plane: its power over rho c times area times the mean square velocity."""
    power = 0.5 * np.real(velocity.conj() @ radiation_resistance(sources, area, frequency_Hz) @ velocity)
    return float(power / (0.5 * DENSITY * SPEED * np.sum(area * np.abs(velocity) ** 2)))


def piston_impedance(ka: ArrayLike) -> Complex:
    """Radiation impedance of a baffled circular piston over rho c times its area: R1 + j X1."""
    x = 2 * np.asarray(ka, dtype=float)
    return np.asarray(1 - 2 * j1(x) / x + 2j * struve(1, x) / x)


def piston_on_axis(radius: float, distance: ArrayLike, frequency_Hz: float) -> Array:
    """Pressure magnitude on the axis of a baffled circular piston at 1 m/s, Pa; sizes in m."""
    r, k = np.asarray(distance, dtype=float), 2 * np.pi * frequency_Hz / SPEED
    return np.asarray(2 * DENSITY * SPEED * np.abs(np.sin(k / 2 * (np.sqrt(r**2 + radius**2) - r))))


def monopole(volume_velocity: complex, distance: float, frequency_Hz: float, *, half_space: bool = False) -> complex:
    """Pressure at a distance, m, of a small source of that volume velocity, m3/s."""
    k = 2 * np.pi * frequency_Hz / SPEED
    open_angle = 2 * np.pi if half_space else 4 * np.pi
    return complex(1j * k * SPEED * DENSITY * volume_velocity * np.exp(-1j * k * distance) / (open_angle * distance))


def critical_frequency(mass_kg_m2: float, bending_Nm: float) -> float:
    """Frequency, Hz, at which bending waves of a board run as fast as sound.

    Parameters
    ----------
    mass_kg_m2 : float
        Mass per area.
    bending_Nm : float
        Bending stiffness D.
    """
    return float(SPEED**2 / (2 * np.pi) * np.sqrt(mass_kg_m2 / bending_Nm))


def helmholtz_frequency(area: float, length: float, volumes: tuple[float, float]) -> float:
    """Frequency, Hz, at which the air in a neck swings between two volumes.

    Parameters
    ----------
    area : float
        Of the neck, m2.
    length : float
        With its end corrections, m; a thin round hole of radius a has about 1.7 a, less what close walls take away.
    volumes : (float, float)
        m3; the second may be infinite.
    """
    return float(SPEED / (2 * np.pi) * np.sqrt(area / length * sum(1 / v for v in volumes)))


def sphere_rule(order: int) -> tuple[Array, Array]:
    """Directions (d, 3) and weights (d,) that integrate spherical harmonics below degree 2 `order` over the sphere."""
    z, w = np.polynomial.legendre.leggauss(order)
    turn = 2 * np.pi * np.arange(2 * order) / (2 * order)
    rim = np.sqrt(1 - z**2)
    xyz = np.stack(
        [np.outer(rim, np.cos(turn)), np.outer(rim, np.sin(turn)), np.outer(z, np.ones_like(turn))], axis=2
    ).reshape(-1, 3)
    return xyz, np.repeat(w * np.pi / order, 2 * order)
