"""The closed outer box, divided into panels for radiation, and the wall motion carried on to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import scipy.sparse as sp
import shapely
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet
from bracewright.errors import DesignError
from bracewright.fem.joints import motion, rows
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, outward_sign
from bracewright.fem.system import Model
from bracewright.sound.bem import Panels

Array = NDArray[np.float64]
SAMPLES = 2  # Gauss points each way on a panel, where wall motion is averaged
PER_WAVE = 6.0  # panels to a wavelength at the highest frequency


@dataclass(frozen=True)
class BoxSurface:
    """The outside of a box as rectangles, mirrored about its middle.

    Attributes
    ----------
    size : (3,) tuple
        Outer width, depth and height, m.
    counts : (3,) tuple
        Rectangles along each half size.
    """

    size: tuple[float, float, float]
    counts: tuple[int, int, int]

    @classmethod
    def of(cls, size: tuple[float, float, float], step: float) -> BoxSurface:
        """Divide a box of sizes in m into rectangles of about `step` m."""
        w, d, h = (max(2, int(np.ceil(s / 2 / step - 1e-9))) for s in size)
        return cls(size, (w, d, h))

    @cached_property
    def panels(self) -> Panels:
        """The positive eighth, about the middle of the box."""
        corners, outward = [], []
        for axis in range(3):
            a, b = (i for i in range(3) if i != axis)
            ga, gb = (np.linspace(0, self.size[i] / 2, self.counts[i] + 1) for i in (a, b))
            i, j = (x.ravel() for x in np.meshgrid(range(self.counts[a]), range(self.counts[b]), indexing="ij"))
            c = np.empty((len(i), 4, 3))
            c[..., axis] = self.size[axis] / 2
            c[..., a] = ga[np.stack([i, i + 1, i + 1, i], axis=1)]
            c[..., b] = gb[np.stack([j, j, j + 1, j + 1], axis=1)]
            corners.append(c)
            outward.append(np.broadcast_to(np.eye(3)[axis], (len(i), 3)))
        return Panels(np.concatenate(corners), np.concatenate(outward), mirrored=True)

    @property
    def middle(self) -> Array:
        """Centre of the box in cabinet coordinates, m."""
        return np.array(self.size) / 2

    @cached_property
    def faces(self) -> Mapping[str, NDArray[np.int64]]:
        """Numbers of the panels on each face."""
        n = self.panels.all_outward
        out = {}
        for side in PANELS:
            sign = -1.0 if side in LOWER_PANELS else 1.0
            out[side] = np.flatnonzero(n[:, AXES.index(PANEL_NORMAL[side])] * sign > 0.5)
        return out

    @cached_property
    def samples(self) -> tuple[Array, Array]:
        """Points (panels, q, 3) in cabinet coordinates, m, and their shares (panels, q) of the panel."""
        xyz, w = self.panels.points(SAMPLES)
        every = (self.panels.mirrors[:, None, None] * xyz).reshape(-1, *xyz.shape[1:])
        share = np.tile(w / self.panels.area[:, None], (len(self.panels.mirrors), 1))
        return every + self.middle, share


def ring_rows(model: Model, opening: str) -> tuple[Array, Array, Any]:
    """Points (r, 2) of an opening's edge, m, their shares (r,), and sparse rows (3 r, n) of the panel's u, v, w."""
    o = model.cabinet.opening(opening)
    part = model.parts[o.panel]
    ring, share = part.edge(o.shape.outline())
    value = np.zeros((3, 5))
    value[[0, 1, 2], [0, 1, 2]] = 1.0
    zero = np.zeros_like(value)
    return ring, share, rows(part.mesh.trace(ring), value, zero, zero, model.first[part.name], model.dofs)


def _rim_rows(model: Model, part: FlatPart, at: Array) -> Any:
    """Rows (p, n) of the motion along e3 at plane points (p, 2), carried over the rim by the edge's own turn."""
    low, high = part.mesh.points.min(axis=0), part.mesh.points.max(axis=0)
    edge = np.clip(at, low, high)
    trace = part.mesh.trace(edge)
    n = model.dofs
    w, bx, by = np.zeros((1, 5)), np.zeros((1, 5)), np.zeros((1, 5))
    w[0, 2] = bx[0, 3] = by[0, 4] = 1.0
    zero = np.zeros((1, 5))
    parts = [rows(trace, value, zero, zero, model.first[part.name], n) for value in (w, bx, by)]
    arm = at - edge
    # A rigid turn tilts the plane by -bx, -by.
    return parts[0] - sp.diags_array(arm[:, 0]) @ parts[1] - sp.diags_array(arm[:, 1]) @ parts[2]


def wall_rows(model: Model, surface: BoxSurface) -> Any:
    """Return the sparse map (panels, n) from unknowns to the outward motion of the surface, averaged by panel.

    A corner's wood beyond a panel's clear span turns rigidly with the panel's edge. What fills an opening follows the
    opening's edge as a plane, so that a rigid motion of the cabinet moves its whole outside.
    """
    xyz, share = surface.samples
    total = len(surface.panels.all_area)
    out: Any = sp.csr_array((total, model.dofs))
    for side in PANELS:
        part = model.parts[side]
        numbers = surface.faces[side]
        at = part.to_plane(xyz[numbers].reshape(-1, 3))
        owner = np.repeat(numbers, xyz.shape[1])
        weight = share[numbers].ravel() * outward_sign(part)
        solid = np.ones(len(at), dtype=bool)
        for o in model.cabinet.openings:
            if o.panel != side:
                continue
            hole = shapely.contains_xy(o.shape.outline().polygon(0.05), at[:, 0] / MM, at[:, 1] / MM)
            solid &= ~hole
            if hole.any():
                ring, part_of, moved = ring_rows(model, o.name)
                root = np.sqrt(part_of)
                plane = np.linalg.pinv(root[:, None] * np.column_stack([np.ones(len(ring)), ring])) * root
                spread = np.column_stack([np.ones(hole.sum()), at[hole]]) @ plane
                place = sp.csr_array((weight[hole], (owner[hole], np.arange(hole.sum()))), shape=(total, hole.sum()))
                out = out + place @ sp.csr_array(spread) @ moved[2::3]
        place = sp.csr_array((weight[solid], (owner[solid], np.arange(solid.sum()))), shape=(total, solid.sum()))
        out = out + place @ _rim_rows(model, part, at[solid])
    return sp.csr_array(out)


def piston(cabinet: Cabinet, surface: BoxSurface, opening: str, area: float) -> Array:
    """Return the velocity (panels,) of the surface when a driver of that piston area, m2, moves out at 1 m/s.

    The volume velocity is exact; it is spread over the panels by the share of their points in the opening.
    """
    o = cabinet.opening(opening)
    a, b = (AXES.index(x) for x in AXES if x != PANEL_NORMAL[o.panel])
    numbers = surface.faces[o.panel]
    shape = o.shape.outline().polygon(0.05)
    half = np.array(surface.size)[[a, b]] / np.array(surface.counts)[[a, b]] / 2
    at = (surface.panels.all_centres + surface.middle)[numbers][:, [a, b]]
    boxes = shapely.box(*((at - half / 2) / MM).T, *((at + half / 2) / MM).T)
    covered = shapely.area(shapely.intersection(boxes, shape)) * MM**2
    if covered.sum() <= 0:
        raise DesignError("it has no area on the outside of the cabinet", key=f"openings.{opening}")
    v = np.zeros(len(surface.panels.all_area))
    v[numbers] = covered / covered.sum() * area / surface.panels.all_area[numbers]
    return v


def point_rows(model: Model, part: str, at: tuple[float, float]) -> Any:
    """Return the row (1, n) of the normal motion at a point of a part: outward on a panel, along e3 on a brace.

    Parameters
    ----------
    part : str
    at : (float, float)
        In-plane coordinates, mm.

    Raises
    ------
    DesignError
        An unknown part, or a point off the wood.
    """
    if part not in model.parts:
        raise DesignError(f"got {part!r}; parts are {', '.join(model.parts)}", key="part")
    p = model.parts[part]
    xy = np.array([at], dtype=float) * MM
    sign = outward_sign(p) if part in PANELS else 1.0
    if part in PANELS:
        low, high = p.mesh.points.min(axis=0), p.mesh.points.max(axis=0)
        inner = np.clip(xy, low, high)
        if not p.has_wood(inner, 1e-6).all() or np.abs(inner - xy).max() > p.thickness * 2:
            raise DesignError(f"the point ({at[0]:g}, {at[1]:g}) is not on the wood of {part!r}; move it", key="at")
        return sp.csr_array(sign * _rim_rows(model, p, xy))
    if not p.has_wood(xy, 1e-6).all():
        raise DesignError(f"the point ({at[0]:g}, {at[1]:g}) is not on the wood of {part!r}; move it", key="at")
    value, dx, dy = motion(p, np.zeros(3), p.rotation[0])
    w = (p.rotation[2] @ value)[None]
    return sp.csr_array(
        rows(p.mesh.trace(xy), w, (p.rotation[2] @ dx)[None], (p.rotation[2] @ dy)[None], model.first[part], model.dofs)
    )
