"""Where to stick the sensor and where to tap, so that the first modes are seen and told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright.design.cabinet import PANELS
from bracewright.errors import DesignError
from bracewright.fem.modes import Modes
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model
from bracewright.measure.pair import mac, shapes_at
from bracewright.measure.records import Place, check_place

Array = NDArray[np.float64]
GRID = 40.0  # mm between candidates
MARGIN = 20.0  # mm kept to corners and openings


@dataclass(frozen=True, kw_only=True, eq=False)
class TapPlan:
    """Places for the sensors and the taps.

    Attributes
    ----------
    sensors, taps : tuple of Place
        The first tap is at the first sensor, which gives the shapes their scale.
    sensor_level, tap_level : (modes,) array
        Largest motion at the sensors and at the taps over the mode's largest on the outer panels.
    likeness : (modes, modes) array
        MAC of the modes with each other at the taps; off the diagonal small is good.
    frequency_Hz : (modes,) array
    """

    sensors: tuple[Place, ...]
    taps: tuple[Place, ...]
    sensor_level: Array
    tap_level: Array
    likeness: Array
    frequency_Hz: Array

    @property
    def worst_likeness(self) -> float:
        """Largest MAC of two different modes."""
        return float((self.likeness - np.diag(np.diag(self.likeness))).max(initial=0.0))

    def text(self) -> str:
        """Return the plan as a list for the bench."""
        lines = ["     part      at, mm (in-plane cabinet coordinates)"]
        for word, places in (("stick", self.sensors), ("tap", self.taps)):
            for k, p in enumerate(places, 1):
                lines.append(f"{word} {k}: {p.part} ({p.at[0]:.0f}, {p.at[1]:.0f})")
        lines.append("mode   Hz      at the sensor  at the taps")
        for k, (f, s, t) in enumerate(zip(self.frequency_Hz, self.sensor_level, self.tap_level, strict=True), 1):
            lines.append(f"{k:4} {f:7.1f}  {100 * s:10.0f} %  {100 * t:9.0f} %")
        lines.append(f"two modes look alike at these taps by a MAC of {self.worst_likeness:.2f} at most")
        return "\n".join(lines) + "\n"


def candidates(model: Model, *, grid: float = GRID, margin: float = MARGIN) -> tuple[Place, ...]:
    """Points on the outer panels, clear of corners and openings."""
    out = []
    for side in PANELS:
        part = model.parts[side]
        x0, y0, x1, y1 = part.region.bounds
        inner = part.region.buffer(-margin)
        for x in np.linspace(x0, x1, max(3, round((x1 - x0) / grid)) + 1):
            for y in np.linspace(y0, y1, max(3, round((y1 - y0) / grid)) + 1):
                place = Place(part=side, at=(round(float(x)), round(float(y))))
                if shapely.contains_xy(inner, *place.at):
                    check_place(model.cabinet, place)
                    out.append(place)
    if not out:
        raise DesignError(f"no point of the panels is {margin:g} mm clear of corners and openings", key="margin")
    return tuple(out)


def plan_taps(
    model: Model,
    modes: Modes,
    *,
    count: int = 12,
    taps: int = 20,
    sensors: int = 1,
    grid: float = GRID,
    panels: tuple[str, ...] = PANELS,
) -> TapPlan:
    """Plan a tap test for the first modes.

    A sensor goes where the mode it sees least moves most; taps are chosen one by one so that the determinant of
    the shapes' Gram matrix grows most (effective independence; Kammer, J. Guidance Control Dyn. 14, 1991).

    Parameters
    ----------
    model : Model
    modes : Modes
        Computed.
    count : int
        Modes to be seen.
    taps, sensors : int
        How many places; `taps` at least as many as it takes to tell the modes apart.
    grid : float
        Distance of candidate points, mm.
    panels : tuple of str
        Panels within reach.

    Raises
    ------
    DesignError
        Fewer modes or candidates than asked for.
    """
    if not 1 <= count <= len(modes):
        raise DesignError(f"got {count}; there are {len(modes)} modes", key="count")
    places = [p for p in candidates(model, grid=grid) if p.part in panels]
    if not 1 <= taps <= len(places) or not 1 <= sensors <= len(places):
        raise DesignError(f"got {taps} taps and {sensors} sensors; {len(places)} points are there", key="taps")
    at = shapes_at(model, modes, places)[:, :count]
    level = np.minimum(np.abs(at) / _largest(model, modes)[:count], 1.0)
    stuck = _best_sensors(level, sensors)
    chosen = _best_taps(at / np.linalg.norm(at, axis=0), taps, stuck[0])
    return TapPlan(
        sensors=tuple(places[i] for i in stuck),
        taps=tuple(places[i] for i in chosen),
        sensor_level=level[stuck].max(axis=0),
        tap_level=level[chosen].max(axis=0),
        likeness=mac(at[chosen], at[chosen]),
        frequency_Hz=modes.frequency_Hz[:count],
    )


def _largest(model: Model, modes: Modes) -> Array:
    """Largest normal motion of each mode on the outer panels."""
    w = [modes.shapes[model.of_part(s)].reshape(-1, FIELDS, len(modes))[:, 2] for s in PANELS]
    return np.asarray(np.max([np.abs(v).max(axis=0) for v in w], axis=0))


def _best_sensors(level: Array, count: int) -> list[int]:
    """One by one the place that leaves no mode unseen: the sum of log levels, small ones weighing most."""
    seen = np.zeros(level.shape[1])
    out: list[int] = []
    for _ in range(count):
        best = np.maximum(level, seen)
        score = np.log(best + 1e-4).mean(axis=1) + np.log(best.min(axis=1) + 1e-4)
        score[out] = -np.inf
        out.append(int(score.argmax()))
        seen = np.maximum(seen, level[out[-1]])
    return out


def _best_taps(at: Array, count: int, first: int) -> list[int]:
    gram = 1e-3 * np.eye(at.shape[1]) / len(at)
    out: list[int] = []
    for k in range(count):
        gain = np.einsum("pm,pm->p", at, np.linalg.solve(gram, at.T).T)
        gain[out] = -np.inf
        best = first if k == 0 else int(gain.argmax())
        out.append(best)
        gram = gram + np.outer(at[best], at[best])
    return out
