"""Drawings of a brace with its pockets: webs to the walls, wood between pockets, smallest radii, all in mm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright.design import layout
from bracewright.design.cabinet import Cabinet, in_plane
from bracewright.geometry import CORNER, Path
from bracewright.show.canvas import PLATE, new_axes
from bracewright.tune.constraints import Limits
from bracewright.tune.pockets import cut_names, inside_radius

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
WOOD, OPEN = "#e9d8b9", "white"


def pocket_drawing(
    cabinet: Cabinet, brace: str, ax: Axes | None = None, *, limits: Limits | None = None
) -> list[Artist]:
    """Draw a brace in its own plane with dimensions; what is under its limit is set in bold with the limit beside it.

    Parameters
    ----------
    cabinet : Cabinet
    brace : str
    ax : matplotlib Axes, optional
    limits : Limits, optional
        Default: the design's own.
    """
    limits = limits or Limits.of(cabinet)
    own = cabinet.brace(brace)
    part = layout.layouts(cabinet)[brace]
    ax = ax or new_axes((5.6, 5.2))
    artists: list[Artist] = [_filled(ax, part.corners, WOOD)]
    names = cut_names(own)
    shapes = [path.polygon() for _, path in part.cuts]
    for (_, path), shape, pocket, name in zip(part.cuts, shapes, own.pockets, names, strict=True):
        artists.append(_filled(ax, shapely.get_coordinates(shape), OPEN))
        for start, end, neighbour in _webs(part, shape):
            artists += _dimension(ax, start, end, limits.web_wall, neighbour)
        artists += _radius(ax, path, inside_radius(pocket.shape), limits.cutter_radius)
        middle = path.centroid
        if len(own.pockets) > 1 or own.pockets[0].name:
            artists.append(ax.text(*middle, name, ha="center", va="center", fontsize=9, style="italic"))
    for i, a in enumerate(shapes):
        for b in shapes[i + 1 :]:
            p, q = shapely.get_coordinates(shapely.shortest_line(a, b))
            artists += _dimension(ax, p, q, limits.web_between, "")
    x, y = in_plane(own.normal)
    ax.set_xlabel(f"{x}, mm")
    ax.set_ylabel(f"{y}, mm")
    ax.set_aspect("equal")
    low, high = part.corners.min(axis=0), part.corners.max(axis=0)
    pad = 0.08 * float((high - low).max())
    ax.set_xlim(low[0] - pad, high[0] + pad)
    ax.set_ylim(low[1] - pad, high[1] + pad)
    share = 100 * sum(path.area for _, path in part.cuts) / part.outline().area
    ax.set_title(f"{brace}: {own.normal} = {own.at:.4g} mm, {part.thickness:.4g} mm thick, {share:.0f} % open")
    return artists


def _filled(ax: Axes, corners: Array, colour: str) -> Artist:
    from matplotlib.patches import Polygon

    return ax.add_patch(Polygon(corners, closed=True, facecolor=colour, edgecolor="black", linewidth=1.3))


def _webs(part: layout.PartLayout, shape: shapely.Polygon) -> list[tuple[Array, Array, str]]:
    """Return, per outer edge, where a pocket comes nearest, the foot of the perpendicular there, and whose edge."""
    points = shapely.get_coordinates(shape)
    out = []
    for edge in part.edges:
        start, along = np.array(edge.start), np.subtract(edge.end, edge.start)
        along = along / np.hypot(*along)
        inward = np.array([-along[1], along[0]])
        away = (points - start) @ inward
        # Of all points as near as the nearest, the middle one: straight sides are dimensioned at their middle.
        near = points[away < away.min() + 0.02]
        s = (near - start) @ along
        middle = start + along * (s.min() + s.max()) / 2
        out.append((middle, middle + inward * float(away.min()), edge.part))
    return out


def _dimension(ax: Axes, start: Array, end: Array, limit: float, neighbour: str) -> list[Artist]:
    distance = float(np.hypot(*np.subtract(end, start)))
    short = distance < limit - 1e-6
    arrow = ax.annotate(
        "", tuple(end), tuple(start), arrowprops={"arrowstyle": "<->", "shrinkA": 0, "shrinkB": 0, "linewidth": 0.9}
    )
    said = f"{distance:.1f}" + (f" < {limit:g}" if short else "")
    upright = abs(end[1] - start[1]) > abs(end[0] - start[0])
    x, y = ((np.asarray(start) + end) / 2).tolist()
    text = ax.text(
        x,
        y,
        f" {said}" if upright else said,
        fontsize=8,
        ha="left" if upright else "center",
        va="center" if upright else "bottom",
        weight="bold" if short else "normal",
        gid=f"web {neighbour}".strip(),
    )
    return [arrow, text]


def _radius(ax: Axes, path: Path, radius: float, limit: float) -> list[Artist]:
    """Point to where the outline is tightest and write the inside radius."""
    at = _tightest(path)
    short = radius < limit - 1e-6
    towards = np.array(path.centroid) - at
    text_at = at + towards * min(1.0, 26.0 / max(float(np.hypot(*towards)), 1e-9))
    said = f"R {radius:.1f}" + (f" < {limit:g}" if short else "")
    return [
        ax.annotate(
            said,
            tuple(at),
            tuple(text_at),
            fontsize=8,
            ha="center",
            va="center",
            weight="bold" if short else "normal",
            bbox=PLATE,
            arrowprops={"arrowstyle": "->", "linewidth": 0.9},
            gid="radius",
        )
    ]


def _tightest(path: Path) -> Array:
    """Return where a round tool inside has the least room: a sharp corner, or the middle of the tightest arc."""
    pieces = path.oriented().pieces()
    if (pieces.turns > CORNER).any():
        z = pieces.start[pieces.turns.argmax()]
    else:
        radius = np.where(pieces.sweep > 0, pieces.radii, np.inf)
        z = pieces.at(0.5)[(radius > radius.min() + 1e-6).argmin()]
    return np.array([z.real, z.imag])
