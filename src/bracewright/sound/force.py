"""A force on a driver's mounting: its mobility, what the walls move and what is heard, per newton."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError
from bracewright.fem.system import Model, build
from bracewright.sound.damping import damped
from bracewright.sound.drive import axial_row
from bracewright.sound.radiate import outside
from bracewright.sound.response import BEYOND, modes_up_to, reduce
from bracewright.sound.run import DISTANCE, element_size, listening_point, volumes
from bracewright.sound.surface import wall_rows

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Forced:
    """Answer to 1 N into the cabinet along a driver's axis, spread evenly along its opening's edge.

    Attributes
    ----------
    opening : str
    frequency_Hz : (f,) array
    mobility : (f,) complex array
        Mean velocity of the opening's edge along the force, m/(N s).
    volume_velocity : dict of (f,) complex arrays
        What each side of the cabinet moves outward, m3/(N s); what fills an opening moves with its edge.
    pressure_Pa : (f,) complex array
        At the point, Pa/N.
    point : (3,) tuple
        mm.
    """

    opening: str
    frequency_Hz: Array
    mobility: Complex
    volume_velocity: Mapping[str, Complex]
    pressure_Pa: Complex
    point: tuple[float, float, float]


def forced(
    cabinet: Cabinet,
    frequency_Hz: Array,
    opening: str | None = None,
    *,
    point: tuple[float, float, float] | None = None,
    size: float | None = None,
    air_load: bool = False,
    model: Model | None = None,
    cache: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Forced:
    """Push on a driver's mounting with 1 N and return what follows, in free space.

    Parameters
    ----------
    cabinet : Cabinet
    frequency_Hz : (f,) array
        Up to 5000.
    opening : str, optional
        Default: that of the first driver.
    point : (x, y, z), optional
        Where to listen, cabinet coordinates, mm; default 1 m in front of the opening's middle.
    size : float, optional
        Element side of the boards, mm; the default follows from the thinnest panel.
    air_load : bool
        Whether the air outside loads the walls, as it does in `sound`: it takes up to 2 dB off the peaks of thin boxes
        that swell, and little elsewhere.

    Raises
    ------
    DesignError
        No such opening, or the point is too near.
    """
    if opening is None:
        if not cabinet.drivers:
            raise DesignError("the design has no driver; name an opening", key="drivers")
        opening = cabinet.drivers[0].opening
    f = np.atleast_1d(np.asarray(frequency_Hz, dtype=float))
    o = cabinet.opening(opening)
    if point is None:
        middle = o.shape.outline().polygon(0.05).centroid
        point = listening_point(cabinet, o.panel, (middle.x, middle.y), DISTANCE)
    with threadpool_limits(1):
        structure = damped(model or build(cabinet, size=size or element_size(cabinet)))
        inward = -axial_row(structure.model, opening)
        reduced = reduce(structure, modes_up_to(structure, BEYOND * float(f.max()), progress), inward[:, None])
        box = (cabinet.width, cabinet.depth, cabinet.height)
        operator = outside(box, max(float(f.max()), 100.0), cache=cache, progress=progress)
        walls = np.asarray(wall_rows(structure.model, operator.surface) @ reduced.basis)
        load = operator.loads(walls) if air_load else None
        force = reduced.basis.T @ inward
        q = np.stack([reduced.solve(force, x, load.impedance(x) if load else None) for x in f])
        heard = [
            operator.at(x).transfer(np.array(point) / 1e3)[0] @ (walls @ y) * 2j * np.pi * x
            for x, y in zip(f, q, strict=True)
        ]
    return Forced(
        opening=opening,
        frequency_Hz=f,
        mobility=2j * np.pi * f * (q @ force),
        volume_velocity=volumes(operator, walls, f, q),
        pressure_Pa=np.array(heard),
        point=point,
    )
