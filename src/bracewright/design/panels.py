"""The six panels: which way each faces, which of two that meet covers the other, how far each then reaches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, Cabinet, in_plane

LENGTHWISE = ("y", "x", "z")  # panels across y run past those across x, and these past those across z


def outward(panel: str) -> NDArray[np.float64]:
    """Return the unit vector out of the cabinet."""
    out: NDArray[np.float64] = np.eye(3)[AXES.index(PANEL_NORMAL[panel])] * (-1.0 if panel in LOWER_PANELS else 1.0)
    return out


def covering(a: str, b: str) -> tuple[str, str]:
    """Return two panels that meet as (the one that ends at the other, the other)."""
    first, second = sorted((a, b), key=lambda p: LENGTHWISE.index(PANEL_NORMAL[p]), reverse=True)
    return first, second


def butt_bounds(cabinet: Cabinet, side: str) -> tuple[float, float, float, float]:
    """Return the outline (a0, a1, b0, b1) of a panel butted against its neighbours, in its in-plane axes.

    Front and back cover the whole cabinet, left and right stand between them, bottom and top lie between all four.
    """
    ends: list[float] = []
    for axis in in_plane(PANEL_NORMAL[side]):
        low, high = lay.sides(axis)
        stops = covering(side, low)[0] == side
        ends += [lay.inner_face(cabinet, low) if stops else 0.0]
        ends += [lay.inner_face(cabinet, high) if stops else cabinet.size(axis)]
    return ends[0], ends[1], ends[2], ends[3]
