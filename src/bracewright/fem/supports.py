"""What the cabinet stands on: points under the bottom, an elastic bed, or edges held."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from bracewright.design.cabinet import Cabinet
from bracewright.design.layout import meetings
from bracewright.fem.joints import divided, energy, motion, pieces, rows, turn
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart
from bracewright.fem.plate import FIELDS, scalar_forms

Array = NDArray[np.float64]
# Upright and sideways stiffness of one, N/m. Common practice, no source: a 10 kg box on four feet bounces at 20 Hz.
POINTS: Mapping[str, tuple[float, float]] = {"feet": (4.0e4, 1.5e4), "spikes": (5.0e6, 2.0e6)}
CLAMP_FACTOR = 1000.0


def support_stiffness(
    cabinet: Cabinet, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int, step: float
) -> tuple[Any | None, None, None]:
    """Return the stiffness (total, total) of the supports to ground, None when free, as a term of a model."""
    return _held(cabinet, parts, first, total, step), None, None


def _held(
    cabinet: Cabinet, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int, step: float
) -> Any | None:
    kind = cabinet.supports.kind
    if kind in POINTS:
        return _points(cabinet, parts["bottom"], first["bottom"], total)
    if kind == "stand":
        return _bed(cabinet, parts["bottom"], first["bottom"], total)
    if kind == "clamped":
        return _clamps(cabinet, parts, first, total, step)
    return None


def _points(cabinet: Cabinet, part: FlatPart, first: int, total: int) -> Any:
    s = cabinet.supports
    inset = 0.1 * cabinet.width
    xs, ys = (inset, cabinet.width - inset), (inset, cabinet.depth - inset)
    points = np.array(s.points or [(x, y) for x in xs for y in ys]) * MM
    # A foot under the joint's wood pushes on the nearest point of the plate, by a rigid arm.
    low, high = part.mesh.points.min(axis=0), part.mesh.points.max(axis=0)
    upright, sideways = POINTS[s.kind]
    c = np.diag([s.lateral_N_mm * 1e3 or sideways] * 2 + [s.stiffness_N_mm * 1e3 or upright])
    K: Any = sp.csr_array((total, total))
    for p in points:
        at = np.clip(p, low, high)
        arm = np.array([*(p - at), -part.thickness / 2])
        value, dx, dy = motion(part, arm, part.rotation[0])
        trace = part.mesh.trace(at[None])
        K = K + energy(rows(trace, value, dx, dy, first, total), np.ones(1), c)
    return K


def _bed(cabinet: Cabinet, part: FlatPart, first: int, total: int) -> Any:
    """Springs all over the bottom, the same in every direction, against its outer face."""
    forms = scalar_forms(part.mesh)
    k = cabinet.supports.bed_N_mm3 * 1e9
    half = -part.thickness / 2
    face = np.zeros((3, FIELDS))
    face[[0, 1, 2], [0, 1, 2]] = 1.0
    face[[0, 1], [3, 4]] = half
    blocks = forms.mass[:, None, None] * (k * face.T @ face)
    n = FIELDS * len(part.mesh.points)
    own = sp.coo_array(sp.bsr_array((blocks, forms.cols, forms.indptr), shape=(n, n)))
    return sp.coo_array((own.data, (own.row + first, own.col + first)), shape=(total, total))


def _clamps(cabinet: Cabinet, parts: Mapping[str, FlatPart], first: Mapping[str, int], total: int, step: float) -> Any:
    wanted = {frozenset(e.split("-")) for e in cabinet.supports.edges}
    K: Any = sp.csr_array((total, total))
    for m in meetings(cabinet):
        if m.kind != "corner" or frozenset((m.a, m.b)) not in wanted:
            continue
        start, end = m.start * MM, m.end * MM
        length = float(np.linalg.norm(end - start))
        whole, along = [(0.0, length)], (end - start) / length
        for name in (m.a, m.b):
            part = parts[name]
            middle = part.to_plane((start + end)[None] / 2)
            edge = np.clip(middle, part.mesh.points.min(axis=0), part.mesh.points.max(axis=0))
            arm = ((start + end) / 2 - part.to_space(edge))[0]
            at = pieces(start, end, whole, divided(whole, step, start, along, [(part, -arm)]))
            value, dx, dy = motion(part, arm, at.along)
            value = np.vstack([value, turn(part, at.along)])
            dx, dy = np.vstack([dx, np.zeros(FIELDS)]), np.vstack([dy, np.zeros(FIELDS)])
            stiff = CLAMP_FACTOR * float(part.laminate.A.max()) / part.thickness
            c = stiff * np.diag([1.0, 1.0, 1.0, part.thickness**2])
            trace = part.mesh.trace(part.to_plane(at.points - arm))
            K = K + energy(rows(trace, value, dx, dy, first[name], total), at.weight, c)
    return K
