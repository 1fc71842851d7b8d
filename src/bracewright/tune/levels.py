"""How loud the walls are beside the drivers, quickly: what a search asks of every design.

The outside of the box and the drivers do not change in a search, so the way from a wall's velocity
to the listening point is computed once for all designs.
A design then costs its modes, those of the air inside on a coarse mesh, and a product. It leaves out
what `bracewright.sound` has: static corrections, the air's load on the walls, gaskets and rear contacts of drivers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError
from bracewright.fem.modes import Modes
from bracewright.fem.system import Model
from bracewright.sound.air import air_mesh, air_modes
from bracewright.sound.drive import axial_row, drive, playing, source_rows
from bracewright.sound.radiate import outside
from bracewright.sound.run import DISTANCE, listening_point
from bracewright.sound.surface import BoxSurface, piston, wall_rows

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
AIR_BEYOND = 1.1  # air modes up to this much above the band
AIR_SIZE = 65.0  # mm; side of an element of the inside air
STEP = 0.015  # between neighbouring frequencies, of their height: less than the width of a hump
PEAK = 2.0  # how sharply the smooth loudest level favours the loudest; per 10 dB a factor of 10^PEAK


@dataclass(frozen=True)
class Ear:
    """A listening point in front of a box of one outer size with its drivers.

    Attributes
    ----------
    frequency_Hz : (f,) array
    surface : BoxSurface
    transfer : (f, panels) complex array
        Pressure at the point, Pa, per velocity of the surface, m/s.
    drivers_Pa : (f,) complex array
        Pressure of the drivers at 1 m/s2 of cone acceleration.
    """

    frequency_Hz: Array
    surface: BoxSurface
    transfer: Complex
    drivers_Pa: Complex

    @classmethod
    def of(
        cls, cabinet: Cabinet, band_Hz: tuple[float, float], *, progress: Callable[[str], None] | None = None
    ) -> Ear:
        """Compute what all designs of a search share.

        Parameters
        ----------
        cabinet : Cabinet
            Only its outer size, openings and drivers matter.
        band_Hz : (low, high)

        Raises
        ------
        DesignError
            No driver has a moving mass and a piston area, or the band is none.
        """
        low, high = band_Hz
        if not 20 <= low < high <= 4000:
            raise DesignError(f"got {low:g}..{high:g}; give a band within 20..4000 Hz", key="band_Hz")
        drivers = playing(cabinet)
        f = np.geomspace(low, high, int(np.log(high / low) / STEP) + 2)
        operator = outside((cabinet.width, cabinet.depth, cabinet.height), high, progress=progress)
        first = cabinet.opening(drivers[0].opening)
        middle = first.shape.outline().polygon(0.05).centroid
        point = np.array(listening_point(cabinet, first.panel, (middle.x, middle.y), DISTANCE)) / 1e3
        cones = np.sum([piston(cabinet, operator.surface, d.opening, d.piston_area_cm2 / 1e4) for d in drivers], axis=0)
        transfer = np.empty((len(f), len(cones)), dtype=complex)
        for k, hz in enumerate(f):
            if progress and k % 10 == 0:
                progress(f"from the walls to the listening point: {k} of {len(f)} frequencies")
            transfer[k] = operator.at(float(hz)).transfer(point)[0]
        return cls(f, operator.surface, transfer, transfer @ cones / (2j * np.pi * f))

    def answer(self, model: Model, modes: Modes) -> Answer:
        """Return the response of a design whose outside is the ear's.

        Parameters
        ----------
        model : Model
        modes : Modes
            Up to somewhat beyond the band.
        """
        rigid = model.rigid @ np.linalg.inv(np.linalg.cholesky(model.mass_matrix)).T
        if modes.rigid_modes < 6:  # what supports leave free: nothing but for feet in one line
            rigid = rigid @ np.linalg.eigh(rigid.T @ (model.K @ rigid))[1][:, : modes.rigid_modes]
        shapes = np.hstack([rigid, modes.shapes])
        free = np.zeros(rigid.shape[1])
        lam = np.concatenate([free, (2 * np.pi * modes.frequency_Hz) ** 2])
        eta = np.concatenate([free, modes.loss_factor])
        drivers = playing(model.cabinet)
        mesh = air_mesh(model.cabinet, size=AIR_SIZE)
        names = [d.opening for d in drivers]
        top = AIR_BEYOND * float(self.frequency_Hz[-1])
        air = air_modes(model.cabinet, top, sources=source_rows(model, mesh, names), mesh=mesh)
        driving = drive(model, air, names)
        pressure = np.stack([driving.pressure(float(f)) for f in self.frequency_Hz], axis=1)
        loads = (shapes.T @ driving.force.sum(axis=1))[:, None] + (shapes.T @ driving.push) @ pressure
        walls = wall_rows(model, self.surface) @ shapes
        heard = 2j * np.pi * self.frequency_Hz * (self.transfer @ walls).T
        return Answer(
            frequency_Hz=self.frequency_Hz,
            drivers_Pa=self.drivers_Pa,
            shapes=shapes,
            lam=lam,
            loss_factor=eta,
            loads=loads,
            heard=heard,
            fixings=np.stack([shapes.T @ axial_row(model, d.opening) for d in drivers]),
        )


@dataclass(frozen=True)
class Answer:
    """Modal response of a design to its drivers.

    Attributes
    ----------
    frequency_Hz, drivers_Pa : (f,) arrays
    shapes : (n, m) array
    lam, loss_factor : (m,) arrays
    loads, heard : (m, f) arrays
        What drives each mode, N, and the pressure a unit of it gives, Pa per m.
    fixings : (drivers, m) array
        Axial motion of each driver's edge.
    """

    frequency_Hz: Array
    drivers_Pa: Complex
    shapes: Array
    lam: Array
    loss_factor: Array
    loads: Complex
    heard: Complex
    fixings: Array

    @property
    def flexibility(self) -> Complex:
        """(m, f) displacement of each mode per unit load."""
        w2 = (2 * np.pi * self.frequency_Hz) ** 2
        return np.asarray(1 / (self.lam[:, None] * (1 + 1j * self.loss_factor[:, None]) - w2))

    @property
    def pressure_Pa(self) -> Complex:
        """(f,) pressure of the cabinet at the point."""
        return np.asarray((self.heard * self.flexibility * self.loads).sum(axis=0))

    @property
    def level_dB(self) -> Array:
        """(f,) cabinet over drivers."""
        return np.asarray(20 * np.log10(np.abs(self.pressure_Pa) / np.abs(self.drivers_Pa)))

    @property
    def mobility_dB(self) -> Array:
        """(f,) mean square of the driving-point mobilities at the drivers, dB of 1 m/(N s)."""
        w = 2 * np.pi * self.frequency_Hz
        y = 1j * w * ((self.fixings**2) @ self.flexibility)
        return np.asarray(10 * np.log10((np.abs(y) ** 2).mean(axis=0)))

    def forms(self, by_level: Array) -> tuple[Array, Array, Array]:
        """Motions and weights whose strain and kinetic forms have the derivative of sum(by_level * level_dB).

        The response u and the adjoint response a at every frequency give d p = -a' dZ u; all of them
        together are two symmetric matrices in the modes, of which only the large directions matter.

        Returns
        -------
        shapes : (n, k) array
        stiff, inert : (k,) arrays
            As `Sensitivity.of_response` takes them.
        """
        w2 = (2 * np.pi * self.frequency_Hz) ** 2
        g = self.flexibility
        u, a = g * self.loads, g * self.heard
        scale = by_level * (20 / np.log(10)) / self.pressure_Pa
        eta = self.loss_factor
        # Losses are shared by a mode's own energy; between two modes their mean stands.
        loss = 1 + 0.5j * (eta[:, None] + eta[None, :])
        both = np.einsum("if,f,jf->ij", a, scale, u)
        by_k = -np.real(both * loss)
        by_m = -np.real(np.einsum("if,f,jf->ij", a, scale * w2, u))
        found = []
        for matrix, strain in ((by_k, True), (by_m, False)):
            # Strain energies grow with lam: directions are compared by what they can give.
            size = np.sqrt(np.maximum(self.lam, self.lam[self.lam > 0].min())) if strain else np.ones(len(self.lam))
            value, vector = np.linalg.eigh((matrix + matrix.T) / 2 * size[:, None] * size)
            keep = np.abs(value) > 1e-4 * np.abs(value).max()
            x = self.shapes @ (vector[:, keep] / size[:, None])
            nothing = np.zeros(keep.sum())
            found.append((x, value[keep], nothing) if strain else (x, nothing, value[keep]))
        x, stiff, inert = (np.concatenate([f[i] for f in found], axis=-1) for i in range(3))
        return x, stiff, inert

    def loss_forms(self, by_level: Array) -> tuple[Array, Array]:
        """Motions (n, k) and weights (k,) whose strain forms have the derivative by a loss factor added at a place."""
        u, a = self.flexibility * self.loads, self.flexibility * self.heard
        scale = by_level * (20 / np.log(10)) / self.pressure_Pa
        matrix = -np.real(1j * np.einsum("if,f,jf->ij", a, scale, u))
        value, vector = np.linalg.eigh((matrix + matrix.T) / 2)
        return self.shapes @ vector, value


def mean_level(level_dB: Array) -> float:
    """Return the mean level over a band, dB."""
    return float(level_dB.mean())


def peak_level(level_dB: Array) -> float:
    """Return a smooth loudest level, dB, a little above the loudest."""
    top = float(level_dB.max())
    return top + 10 / PEAK * float(np.log10(np.sum(10 ** (PEAK * (level_dB - top) / 10))))


def peak_slope(level_dB: Array) -> Array:
    """Return the derivative (f,) of `peak_level`."""
    share = 10 ** (PEAK * (level_dB - level_dB.max()) / 10)
    return np.asarray(share / share.sum())
