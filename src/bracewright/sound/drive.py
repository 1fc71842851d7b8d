"""What excites the cabinet: the force of each driver on its mounting, and the pressure inside on every wall.

All is per unit acceleration of the cones relative to the cabinet, outward positive. A driver's whole mass rides on the
cabinet in the model, so the force that accelerates its cone pushes the frame back with exactly moving mass times that
acceleration, plus what the inside pressure does to the cone, which the frame has to hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy.sparse as sp
import shapely
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet
from bracewright.design.layout import rear_point
from bracewright.design.mounted import Driver
from bracewright.errors import DesignError
from bracewright.fem.mesh import MM
from bracewright.fem.parts import outward_sign
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model
from bracewright.sound.air import Air, AirMesh
from bracewright.sound.medium import DENSITY
from bracewright.sound.response import Reduced
from bracewright.sound.surface import point_rows, ring_rows

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
FACE_ORDER = 4
HAIR = 1e-4  # m, into the air from a face
DISC = 12  # rings of points on an opening


@dataclass(frozen=True)
class Drive:
    """Loads on the cabinet per unit cone acceleration.

    Attributes
    ----------
    drivers : tuple of str
        Openings of the drivers that play, all with the same acceleration.
    force : (n, d) array
        Reaction to each driver's moving mass, N per m/s2.
    push : (n, m) array
        Force of each air mode on the walls, N per unit of pressure shape.
    source : (m,) array
        Volume acceleration the cones let in, weighted by each air mode's shape.
    air : Air
    """

    drivers: tuple[str, ...]
    force: Array
    push: Array
    source: Array
    air: Air

    def load(self, frequency_Hz: float, *, force: bool = True, pressure: bool = True) -> Complex:
        """Return the load (n,) at a frequency, N per m/s2 of cone acceleration."""
        out = np.zeros(len(self.force), dtype=complex)
        if force:
            out += self.force.sum(axis=1)
        if pressure:
            out += self.push @ self.pressure(frequency_Hz)
        return out

    def pressure(self, frequency_Hz: float) -> Complex:
        """Return the amplitudes (m,) of the air modes, Pa per m/s2 of cone acceleration."""
        return np.asarray(DENSITY * self.air.amplitudes(self.source, frequency_Hz))

    def patterns(self, frequency_Hz: Array) -> Array:
        """Return real load patterns (n, k) that stand for all loads, for static corrections."""
        seen = [self.push @ self.pressure(f) for f in frequency_Hz]
        real = [part for p in seen for part in (p.real, p.imag) if np.abs(part).max() > 1e-12 * np.abs(p).max()]
        return np.column_stack([self.force, *real])


def playing(cabinet: Cabinet, names: Sequence[str] | None = None) -> tuple[Driver, ...]:
    """Return the drivers that play: those named, or all with a moving mass and a piston area.

    Raises
    ------
    DesignError
        When there is none, or one lacks a number.
    """
    drivers = cabinet.drivers
    known = [d.opening for d in drivers]
    for name in names or ():
        if name not in known:
            raise DesignError(f"got {name!r}; drivers are {', '.join(known) or 'none'}", key="drivers")
    chosen = tuple(
        d for d in drivers if (d.opening in names if names else d.moving_mass_g > 0 and d.piston_area_cm2 > 0)
    )
    if not chosen:
        raise DesignError("no driver has moving_mass_g and piston_area_cm2; add them", key="drivers")
    for d in chosen:
        if not (d.moving_mass_g > 0 and d.piston_area_cm2 > 0):
            raise DesignError("moving_mass_g and piston_area_cm2 are needed; add them", key=f"drivers.{d.opening}")
    return chosen


def axial_row(model: Model, opening: str) -> Array:
    """(n,) mean outward motion of an opening's edge; as a load, 1 N outward spread evenly along it."""
    part = model.parts[model.cabinet.opening(opening).panel]
    _, share, moved = ring_rows(model, opening)
    return np.asarray(moved[2::3].T @ (outward_sign(part) * share))


def opening_points(model: Model, opening: str) -> Array:
    """Points (p, 3) spread evenly over an opening, just inside the panel's inner face, m."""
    o = model.cabinet.opening(opening)
    part = model.parts[o.panel]
    hole = o.shape.outline().polygon(0.05)
    x0, y0, x1, y1 = hole.bounds
    x, y = (a.ravel() for a in np.meshgrid(*(np.linspace(a, b, 2 * DISC + 1)[1::2] for a, b in ((x0, x1), (y0, y1)))))
    inside = shapely.contains_xy(hole, x, y)
    flat = np.column_stack([x, y])[inside] if inside.any() else np.array([[hole.centroid.x, hole.centroid.y]])
    depth = -outward_sign(part) * (part.thickness / 2 + HAIR)
    return np.asarray(part.to_space(flat * MM) + depth * part.rotation[2])


def source_rows(model: Model, mesh: AirMesh, names: Sequence[str]) -> Array:
    """(unknowns, drivers) mean over each opening of the air's unknowns: where its cone lets volume in."""
    return np.column_stack([_mean_row(mesh, opening_points(model, n)) for n in names])


def _mean_row(mesh: AirMesh, points: Array) -> Array:
    return np.asarray(mesh.rows(points).sum(axis=0)).ravel() / len(points)


def wall_push(model: Model, mesh: AirMesh) -> Any:
    """Return the sparse map (n, unknowns) from inside pressure to forces on panels, braces and drivers.

    Panels take it on their clear span; an opening's share goes to its edge; a brace takes the difference of its sides.
    """
    out: Any = sp.csr_array((model.dofs, mesh.K.shape[0]))
    for name, part in model.parts.items():
        value, _, _, weight = part.mesh.rule(FACE_ORDER)
        flat = np.einsum("neq,enc->eqc", value, part.mesh.points[part.mesh.nodes6]).reshape(-1, 2)
        space, half = part.to_space(flat), part.thickness / 2 + HAIR
        row = np.repeat(model.first[name] + FIELDS * part.mesh.nodes6.T[:, :, None] + 2, value.shape[2], axis=2)
        point = np.broadcast_to(np.arange(len(flat)).reshape(weight.shape), row.shape)
        shape = sp.csr_array(((value * weight).ravel(), (row.ravel(), point.ravel())), shape=(model.dofs, len(flat)))
        if name in PANELS:
            sign = outward_sign(part)
            out = out + shape @ (sign * mesh.rows(space - sign * half * part.rotation[2]))
        else:
            below, above = (mesh.rows(space + s * half * part.rotation[2]) for s in (-1.0, 1.0))
            out = out + shape @ (below - above)
    for o in model.cabinet.openings:
        edge = o.shape.outline().area * MM**2 * axial_row(model, o.name)
        inside = _mean_row(mesh, opening_points(model, o.name))
        out = out + sp.csr_array(edge[:, None]) @ sp.csr_array(inside[None])
    return sp.csr_array(out)


def drive(model: Model, air: Air, names: Sequence[str] | None = None) -> Drive:
    """Gather the loads of the drivers that play.

    Parameters
    ----------
    model : Model
    air : Air
    names : sequence of str, optional
        Openings of the drivers that play; the default is every driver with a moving mass and a piston area.
    """
    chosen = playing(model.cabinet, names)
    force = np.column_stack([-d.moving_mass_g / 1e3 * axial_row(model, d.opening) for d in chosen])
    let_in = np.zeros(air.mesh.K.shape[0])
    for d in chosen:
        # A cone that moves out takes volume away.
        let_in -= d.piston_area_cm2 / 1e4 * source_rows(model, air.mesh, [d.opening])[:, 0]
    return Drive(
        drivers=tuple(d.opening for d in chosen),
        force=force,
        push=np.asarray(wall_push(model, air.mesh) @ air.shapes),
        source=air.shapes.T @ let_in,
        air=air,
    )


def rear_row(model: Model, driver: Driver) -> Array:
    """(n,) outward motion of the brace's point that a driver's rear touches, along the driver's axis."""
    panel = model.cabinet.opening(driver.opening).panel
    along = np.eye(3)[AXES.index(PANEL_NORMAL[panel])]
    row = point_rows(model, driver.rear_brace, rear_point(model.cabinet, driver))
    sign = np.sign(model.parts[driver.rear_brace].rotation[2] @ along) * (-1.0 if panel in LOWER_PANELS else 1.0)
    return np.asarray(sign * row.toarray()[0])


def mounted(reduced: Reduced, driving: Drive) -> tuple[Reduced, Array]:
    """Put the drivers' gaskets and rear contacts in; return the new problem and the forces (r, drivers) on it.

    A driver on a gasket becomes a mass of its own along its axis; a unit of it follows the basis, moving no wall.
    """
    model = reduced.damped.model
    force = reduced.basis.T @ driving.force
    for d in model.cabinet.drivers:
        if not (d.gasket_N_mm or d.rear_brace):
            continue
        body = reduced.basis.T @ axial_row(model, d.opening)
        if d.gasket_N_mm:
            reduced, body = _on_gasket(reduced, d)
            force = np.vstack([force, np.zeros(force.shape[1])])
            if d.opening in driving.drivers:
                force[:, driving.drivers.index(d.opening)] = -d.moving_mass_g / 1e3 * body
        if d.rear_brace:
            gap = body - reduced.basis.T @ rear_row(model, d)
            reduced = replace(reduced, K=reduced.K + d.rear_N_mm * 1e3 * np.outer(gap, gap))
    return reduced, force


def _on_gasket(reduced: Reduced, d: Driver) -> tuple[Reduced, Array]:
    """Take a driver's axial mass off its edge and hang it on a spring; also return the row of its own motion."""
    model = reduced.damped.model
    _, share, moved = ring_rows(model, d.opening)
    edge = moved[2::3] @ reduced.basis
    old = edge.T @ (d.mass_kg * share[:, None] * edge)
    r = len(reduced.K) + 1
    K, M, D = np.zeros((r, r)), np.zeros((r, r)), np.zeros((r, r))
    K[:-1, :-1], M[:-1, :-1], D[:-1, :-1] = reduced.K, reduced.M - old, reduced.D
    body = np.zeros(r)
    body[-1] = 1.0
    gap = body - np.append(reduced.basis.T @ axial_row(model, d.opening), 0.0)
    spring = d.gasket_N_mm * 1e3 * np.outer(gap, gap)
    K, D = K + spring, D + d.gasket_loss_factor * spring
    M[-1, -1] = d.mass_kg
    basis = np.column_stack([reduced.basis, np.zeros(model.dofs)])
    return replace(reduced, basis=basis, K=K, M=M, D=D), body


def fixing_patterns(model: Model) -> Array:
    """(n, k) loads by which gaskets and rear contacts act, for static corrections."""
    rows = [axial_row(model, d.opening) for d in model.cabinet.drivers if d.gasket_N_mm or d.rear_brace]
    rows += [rear_row(model, d) for d in model.cabinet.drivers if d.rear_brace]
    return np.column_stack(rows) if rows else np.zeros((model.dofs, 0))
