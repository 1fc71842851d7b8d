"""The whole way from a design to its sound: model, air, loads, answer, radiation."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet, in_plane
from bracewright.errors import DesignError, SolveError
from bracewright.fem.system import Model, build
from bracewright.sound.air import air_mesh, air_modes
from bracewright.sound.baffled import Baffled, baffled
from bracewright.sound.damping import damped
from bracewright.sound.drive import Drive, drive, fixing_patterns, mounted, playing, source_rows
from bracewright.sound.medium import DENSITY, SPEED
from bracewright.sound.radiate import Outside, outside
from bracewright.sound.response import BEYOND, Reduced, modes_up_to, reduce
from bracewright.sound.surface import piston, wall_rows

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Progress = Callable[[str], None]
DISTANCE = 1000.0  # mm in front of the baffle
HIGHEST_Hz = 5000.0
AIR_BEYOND = 1.1
PATTERNS = 6  # frequencies whose loads get static corrections
LARGEST = 30.0  # mm, element side of the boards
SMALLEST = 12.0
PER_BOARD = 1.6  # element side over the thinnest panel: larger ones put its modes high


@dataclass(frozen=True)
class Setup:
    """A design made ready: everything that does not depend on frequency.

    Attributes
    ----------
    cabinet : Cabinet
    model : Model
    reduced : Reduced
    drive : Drive
    force : (r, d) array
        Reaction forces in the basis, N per m/s2.
    push : (r, m) array
        Inside pressure in the basis, N per unit of each air mode.
    outside : Outside or Baffled
    walls : (panels, r) array
        Outward motion of the outside for each column of the basis.
    pistons : (panels,) array
        Velocity of the outside at a cone velocity of 1 m/s.
    """

    cabinet: Cabinet
    model: Model
    reduced: Reduced
    drive: Drive
    force: Array
    push: Array
    outside: Outside | Baffled
    walls: Array
    pistons: Array


@dataclass(frozen=True)
class Sound:
    """Sound of a cabinet and of its drivers, per 1 m/s2 of cone acceleration.

    Attributes
    ----------
    setup : Setup
    frequency_Hz : (f,) array
    point : (3,) tuple
        Where the pressure is taken, mm.
    cabinet_Pa, drivers_Pa : (f,) complex arrays
    side_Pa : dict of (f,) complex arrays
        Each panel's part of `cabinet_Pa`.
    cause_Pa : dict of (f,) complex arrays
        What the reaction ``force`` and the inside ``pressure`` give of it.
    mode_Pa : (f, m) complex array
        What each elastic mode gives of it.
    cabinet_W, drivers_W : (f,) arrays
        Power radiated by either alone.
    power_in_W, dissipated_W : (f,) arrays
        What the loads put into the cabinet, and what its losses take, from the strain energies.
    displacement : (f, r) complex array
        In the basis, m.
    seconds : dict
    """

    setup: Setup
    frequency_Hz: Array
    point: tuple[float, float, float]
    cabinet_Pa: Complex
    drivers_Pa: Complex
    side_Pa: Mapping[str, Complex]
    cause_Pa: Mapping[str, Complex]
    mode_Pa: Complex
    cabinet_W: Array
    drivers_W: Array
    power_in_W: Array
    dissipated_W: Array
    displacement: Complex
    seconds: Mapping[str, float]

    @property
    def volume_velocity(self) -> Mapping[str, Complex]:
        """What each side of the cabinet moves outward, (f,), m3/s; what fills an opening moves with its edge."""
        return volumes(self.setup.outside, self.setup.walls, self.frequency_Hz, self.displacement)

    @property
    def level_dB(self) -> Array:
        """Cabinet over drivers at the point."""
        return np.asarray(20 * np.log10(np.abs(self.cabinet_Pa) / np.abs(self.drivers_Pa)))

    @property
    def power_level_dB(self) -> Array:
        """Cabinet over drivers in radiated power."""
        return np.asarray(10 * np.log10(self.cabinet_W / self.drivers_W))

    def directivity(self, number: int, directions: Array) -> tuple[Complex, Complex]:
        """Return p r (d,), Pa m, of cabinet and drivers far off, at one of the frequencies."""
        f = float(self.frequency_Hz[number])
        far = self.setup.outside.at(f).far(directions)
        w = 2j * np.pi * f
        return far @ (self.setup.walls @ (w * self.displacement[number])), far @ (self.setup.pistons / w)


def default_frequencies(low_Hz: float = 20.0, high_Hz: float = 2000.0, count: int = 200) -> Array:
    """Frequencies evenly spread on a logarithmic scale."""
    if not 5.0 <= low_Hz < high_Hz <= HIGHEST_Hz or not 2 <= count <= 5000:
        raise DesignError(
            f"got {count} frequencies from {low_Hz:g} to {high_Hz:g} Hz; give 2..5000 within 5..5000 Hz", key="band"
        )
    return np.geomspace(low_Hz, high_Hz, count)


def _usable(frequency_Hz: Array) -> Array:
    """Return frequencies as an array; raises DesignError where they cannot be computed at."""
    f = np.asarray(frequency_Hz, dtype=float)
    if f.ndim != 1 or not len(f) or not ((f > 0) & (f <= HIGHEST_Hz)).all():
        raise DesignError(f"give a row of frequencies above 0 and up to {HIGHEST_Hz:g} Hz", key="frequency_Hz")
    return f


def volumes(surface: Outside | Baffled, walls: Array, frequency_Hz: Array, q: Complex) -> dict[str, Complex]:
    """Return the volume velocity (f,) of each side for displacements q (f, r) in a basis that moves `walls`."""
    area = surface.surface.panels.all_area
    rows = {side: area[i] @ walls[i] for side, i in surface.surface.faces.items()}
    return {side: 2j * np.pi * frequency_Hz * (q @ row) for side, row in rows.items()}


def element_size(cabinet: Cabinet) -> float:
    """Return the element side, mm, that `sound` takes when none is given."""
    thinnest = min(cabinet.part_board(p).thickness for p in PANELS)
    return float(np.clip(PER_BOARD * thinnest, SMALLEST, LARGEST))


def set_up(
    cabinet: Cabinet,
    highest_Hz: float,
    *,
    size: float | None = None,
    drivers: Sequence[str] | None = None,
    model: Model | None = None,
    quick: bool = False,
    cache: bool = True,
    progress: Progress | None = None,
) -> Setup:
    """Make a design ready for sound up to a frequency.

    Parameters
    ----------
    cabinet : Cabinet
    highest_Hz : float
    size : float, optional
        Element side of the boards, mm; the default follows from the thinnest panel.
    drivers : sequence of str, optional
        Openings of the drivers that play.
    model : Model, optional
        Built already.
    quick : bool
        Take each panel as if in an endless baffle (see `radiate.Baffled`): a rough estimate without an operator.
    cache : bool
        Whether the outside operator is kept on disk.
    """
    tell = progress or (lambda _: None)
    tell("meshing and assembling")
    structure = damped(model or build(cabinet, size=size or element_size(cabinet)))
    model = structure.model
    names = [d.opening for d in playing(cabinet, drivers)]
    tell("modes of the air inside")
    mesh = air_mesh(cabinet)
    air = air_modes(cabinet, AIR_BEYOND * highest_Hz, sources=source_rows(model, mesh, names), mesh=mesh)
    driving = drive(model, air, names)
    modes = modes_up_to(structure, BEYOND * highest_Hz, progress)
    tell("static corrections")
    seen = np.geomspace(highest_Hz / 30, highest_Hz, PATTERNS)
    reduced = reduce(structure, modes, np.hstack([driving.patterns(seen), fixing_patterns(model)]))
    reduced, force = mounted(reduced, driving)
    box = (cabinet.width, cabinet.depth, cabinet.height)
    operator = baffled(box, highest_Hz) if quick else outside(box, highest_Hz, cache=cache, progress=progress)
    pistons = np.zeros(len(operator.surface.panels.all_area))
    for d in playing(cabinet, names):
        pistons += piston(cabinet, operator.surface, d.opening, d.piston_area_cm2 / 1e4)
    return Setup(
        cabinet=cabinet,
        model=model,
        reduced=reduced,
        drive=driving,
        force=force,
        push=reduced.basis.T @ driving.push,
        outside=operator,
        walls=np.asarray(wall_rows(model, operator.surface) @ reduced.basis),
        pistons=pistons,
    )


def sound(
    cabinet: Cabinet,
    frequency_Hz: Array | None = None,
    *,
    point: tuple[float, float, float] | None = None,
    size: float | None = None,
    drivers: Sequence[str] | None = None,
    two_way: bool = False,
    air_load: bool = True,
    quick: bool = False,
    model: Model | None = None,
    cache: bool = True,
    progress: Progress | None = None,
) -> Sound:
    """Compute what the cabinet radiates beside its drivers, in free space.

    Parameters
    ----------
    cabinet : Cabinet
    frequency_Hz : (f,) array, optional
        Default 20 Hz to 2 kHz, 200 of them.
    point : (x, y, z), optional
        Where to listen, cabinet coordinates, mm; default 1 m in front of the middle of the first playing driver.
    two_way : bool
        Whether moving walls also drive the air inside.
    air_load : bool
        Whether the air outside loads the walls.
    size, drivers, quick, model, cache
        As in `set_up`.

    Raises
    ------
    DesignError
        No driver has a moving mass and a piston area, a frequency is out of range, or the point is too near.
    SolveError
        A numerical step failed its own check.
    """
    started = time.perf_counter()
    f = default_frequencies() if frequency_Hz is None else _usable(frequency_Hz)
    with threadpool_limits(1):
        ready = set_up(
            cabinet,
            float(f.max()),
            size=size,
            drivers=drivers,
            model=model,
            quick=quick,
            cache=cache,
            progress=progress,
        )
        middle = time.perf_counter()
        out = spectrum(ready, f, point=point, two_way=two_way, air_load=air_load, progress=progress)
    seconds = {"set up": middle - started, "frequencies": time.perf_counter() - middle}
    return replace(out, seconds=seconds)


def spectrum(
    ready: Setup,
    frequency_Hz: Array,
    *,
    point: tuple[float, float, float] | None = None,
    two_way: bool = False,
    air_load: bool = True,
    progress: Progress | None = None,
) -> Sound:
    """Sweep a design that has been made ready; see `sound`."""
    frequency_Hz = _usable(frequency_Hz)
    cabinet, reduced, driving = ready.cabinet, ready.reduced, ready.drive
    if point is None:
        c = cabinet.opening(driving.drivers[0]).shape.outline().polygon(0.05).centroid
        front = cabinet.opening(driving.drivers[0]).panel
        point = listening_point(cabinet, front, (c.x, c.y), DISTANCE)
    load = ready.outside.loads(ready.walls) if air_load else None
    # Amplitude of each elastic mode in a displacement of the basis.
    phi = reduced.modes.shapes
    share = (reduced.damped.model.M @ phi).T @ reduced.basis
    mode_walls = ready.walls @ share.T
    sides = ready.outside.surface.faces
    keep: dict[str, list[Any]] = {k: [] for k in ("p", "drv", "side", "cause", "mode", "W", "Wd", "in", "q")}
    for number, f in enumerate(frequency_Hz):
        if progress and number % 10 == 0:
            progress(f"{number} of {len(frequency_Hz)} frequencies")
        w = 2 * np.pi * float(f)
        loads = np.column_stack([ready.force.sum(axis=1), ready.push @ driving.pressure(f)])
        impedance = load.impedance(f) if load is not None else None
        a = reduced.dynamic(f, impedance)
        if two_way:
            a = a - w**2 * DENSITY * ready.push @ driving.air.amplitudes(ready.push.T.astype(complex), f)
        q = np.linalg.solve(a, loads)
        field = ready.outside.at(f)
        to_point = field.transfer(np.array(point) / 1e3)[0]
        v = 1j * w * (ready.walls @ q)
        total, each = v.sum(axis=1), to_point[:, None] * v
        both = q.sum(axis=1)
        cones = ready.pistons / (1j * w)
        keep["p"].append(to_point @ total)
        keep["drv"].append(to_point @ cones)
        keep["side"].append(np.array([each[sides[s]].sum() for s in PANELS]))
        keep["cause"].append(each.sum(axis=0))
        keep["mode"].append(1j * w * (to_point @ mode_walls) * (share @ both))
        keep["W"].append(field.power(total))
        keep["Wd"].append(field.power(cones))
        keep["in"].append(np.asarray(0.5 * np.real(np.vdot(loads.sum(axis=1), 1j * w * both))))
        keep["q"].append(both)
    got = {k: np.array(x) for k, x in keep.items()}
    if not all(np.isfinite(x).all() for x in got.values()) or not (np.abs(got["drv"]) ** 2).all():
        raise SolveError(
            "the answer is not finite, or the drivers are silent; check moving masses, piston areas and losses"
        )
    omega = 2 * np.pi * frequency_Hz
    lost = 0.5 * omega * np.real(np.einsum("fr,rs,fs->f", got["q"].conj(), reduced.D, got["q"]))
    return Sound(
        setup=ready,
        frequency_Hz=frequency_Hz,
        point=point,
        cabinet_Pa=got["p"],
        drivers_Pa=got["drv"],
        side_Pa={s: got["side"][:, k] for k, s in enumerate(PANELS)},
        cause_Pa={s: got["cause"][:, k] for k, s in enumerate(("force", "pressure"))},
        mode_Pa=got["mode"],
        cabinet_W=got["W"].real,
        drivers_W=got["Wd"].real,
        power_in_W=got["in"].real,
        dissipated_W=lost,
        displacement=got["q"],
        seconds={},
    )


def listening_point(
    cabinet: Cabinet, panel: str, at: tuple[float, float], distance: float
) -> tuple[float, float, float]:
    """Return the point straight out from a point of a panel, mm."""
    normal = PANEL_NORMAL[panel]
    point = np.zeros(3)
    point[[AXES.index(a) for a in in_plane(normal)]] = at
    point[AXES.index(normal)] = -distance if panel in LOWER_PANELS else cabinet.size(normal) + distance
    return float(point[0]), float(point[1]), float(point[2])


def radiation_efficiency(ready: Setup, count: int | None = None) -> Array:
    """Radiation efficiency of each elastic mode at its own frequency: power over rho c times area times mean square.

    The area and the mean square are those of the whole outside.
    """
    modes = ready.reduced.modes
    number = min(count or len(modes), len(modes))
    walls = wall_rows(ready.model, ready.outside.surface) @ modes.shapes[:, :number]
    area = ready.outside.surface.panels.all_area
    out = np.full(number, np.nan)
    for m in range(number):
        f = float(modes.frequency_Hz[m])
        if f <= ready.outside.highest_Hz:
            power = float(ready.outside.at(f).power(walls[:, m].astype(complex)))
            out[m] = power / (0.5 * DENSITY * SPEED * float(area @ walls[:, m] ** 2))
    return out
