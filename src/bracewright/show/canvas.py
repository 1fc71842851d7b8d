"""What the pictures share: axes, the unfolded layout, fields drawn on a part, and saving."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet
from bracewright.errors import DesignError
from bracewright.fem.mesh import MM
from bracewright.fem.modes import Modes
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model
from bracewright.files import write_file

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]
SIGNED, PLAIN = "RdBu_r", "viridis"
QUIET = 0.1  # of the largest; a part that moves less has no node line worth drawing
GAP = 30.0  # mm, between unfolded parts and the braces beside them
#: A six-node triangle as four flat ones: corners 0-2, middles of sides 01, 12, 02.
QUARTERS = np.array([[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]])
#: White under text, so that it reads on any colour.
PLATE = {"facecolor": "white", "alpha": 0.75, "pad": 1, "linewidth": 0}


def new_axes(size: tuple[float, float], **more: Any) -> Axes:
    """Return the axes of a new figure, size in inches."""
    from matplotlib.figure import Figure

    ax: Axes = Figure(figsize=size, layout="constrained").add_subplot(**more)
    return ax


def figure_of(artists: Iterable[Artist]) -> Figure:
    """Return the figure that artists are drawn on."""
    found = next(iter(artists)).get_figure(root=True)
    assert found is not None
    return found


def png(figure: Figure, *, dpi: int = 130, colours: int | None = None) -> bytes:
    """Return a figure as PNG; with so many colours only, it is a third of the size."""
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=dpi)
    if colours is None:
        return content.getvalue()
    from PIL import Image

    small = io.BytesIO()
    Image.open(content).convert("RGB").quantize(colours, dither=Image.Dither.NONE).save(small, "PNG", optimize=True)
    return small.getvalue()


def save_png(figure: Figure, path: str | os.PathLike[str], *, dpi: int = 130) -> None:
    """Write a figure as PNG, by way of a temporary file; raises FileError if it cannot be written."""
    write_file(path, png(figure, dpi=dpi))


def check(model: Model, modes: Modes, number: int, part: str | None = None) -> None:
    """Refuse a mode or a part that is not there."""
    if not 1 <= number <= len(modes):
        raise DesignError(f"got mode {number}; there are 1..{len(modes)}", key="number")
    if part is not None and part not in model.parts:
        raise DesignError(f"got {part!r}; parts are {', '.join(model.parts)}", key="part")


def normal_of(cabinet: Cabinet, part: str) -> str:
    """Return the axis a panel or brace stands across."""
    return PANEL_NORMAL[part] if part in PANELS else cabinet.brace(part).normal


def outward(model: Model, modes: Modes, number: int, part: str) -> Array:
    """Normal displacement at the nodes, outward on a panel and along its axis on a brace."""
    p = model.parts[part]
    w = modes.shapes[model.of_part(part), number - 1].reshape(-1, FIELDS)[:, 2]
    along = p.rotation[2][AXES.index(normal_of(model.cabinet, part))]
    return np.asarray(w * np.sign(along) * (-1.0 if part in LOWER_PANELS else 1.0))


def unfolding(cabinet: Cabinet, points: Mapping[str, Array], gap: float = GAP / 3) -> dict[str, Array]:
    """Where in-plane points (n, 2) of each part lie in the unfolded picture, mm: origin at the front's lower left.

    The panels fold out from the front as seen from outside. Braces stand beside them in columns, as high as the
    panels' cross.
    """
    c = cabinet
    across = 2 * c.width + c.depth
    # Mirror and shift of each panel's own coordinates.
    moves = {
        "front": ((1, 1), (0, 0)),
        "left": ((-1, 1), (-gap, 0)),
        "right": ((1, 1), (c.width + gap, 0)),
        "back": ((-1, 1), (across + 2 * gap, 0)),
        "top": ((1, 1), (0, c.height + gap)),
        "bottom": ((1, -1), (0, -gap)),
    }
    places = {name: points[name] * flip + shift for name, (flip, shift) in moves.items() if name in points}
    low, high = -gap - c.depth, c.height + gap + c.depth
    x, y, wide = across + 2 * gap + GAP, high, 0.0
    for brace in c.braces:
        corners = lay.layouts(c)[brace.name].corners
        corner, size = corners.min(axis=0), np.ptp(corners, axis=0)
        if y - size[1] < low and y < high:
            x, y, wide = x + wide + GAP, high, 0.0
        if brace.name in points:
            places[brace.name] = points[brace.name] - corner + [x, y - size[1]]
        y, wide = y - size[1] - GAP, max(wide, float(size[0]))
    return places


def contours(ax: Axes, model: Model, part: str, xy: Array, values: Array, levels: Array, signed: bool) -> list[Artist]:
    """Draw a nodal field on a part whose nodes lie at `xy`, mm: filled, lines (dashed where negative), zero, rim."""
    from matplotlib.tri import Triangulation

    mesh = model.parts[part].mesh
    flat = Triangulation(xy[:, 0], xy[:, 1], mesh.nodes6[:, QUARTERS].reshape(-1, 3))
    filled = ax.tricontourf(flat, values, levels=levels, cmap=SIGNED if signed else PLAIN, extend="neither")
    artists: list[Artist] = [filled]
    between = [float(v) for v in levels[1:-1:2] if abs(v) > 1e-12 * np.abs(levels).max()]
    if values.min() < between[-1] and values.max() > between[0]:
        colour = "0.25" if signed else "white"
        lines = ax.tricontour(flat, values, levels=between, colors=colour, linewidths=0.5)
        lines.set_linestyle(["--" if level < 0 else "-" for level in lines.levels])
        artists.append(lines)
    if signed and np.abs(values).max() > QUIET * levels[-1] and values.min() < 0 < values.max():
        artists.append(ax.tricontour(flat, values, levels=[0.0], colors="black", linewidths=1.6))
    artists.append(rim(ax, xy, mesh.sides[mesh.boundary_sides], mesh.corners + mesh.boundary_sides))
    return artists


def rim(ax: Axes, xy: Array, sides: NDArray[np.int64], middles: NDArray[np.int64]) -> Artist:
    """Draw the outline of a part and of its cut-outs."""
    from matplotlib.collections import LineCollection

    runs = np.stack([xy[sides[:, 0]], xy[middles], xy[sides[:, 1]]], axis=1)
    return ax.add_collection(LineCollection(list(runs), colors="black", linewidths=0.9))


def feet(ax: Axes, cabinet: Cabinet) -> Artist:
    """Mark on the unfolded parts where braces stand on them or cross them, dotted."""
    from matplotlib.collections import LineCollection

    parts = lay.layouts(cabinet)
    runs = []
    for m in lay.meetings(cabinet):
        for name in {"corner": (), "tee": (m.b,), "cross": (m.a, m.b)}[m.kind]:
            line = parts[name].frame.to_plane(np.stack([m.start, m.end]))
            runs.append(unfolding(cabinet, {name: line})[name])
    return ax.add_collection(LineCollection(runs, colors="0.15", linewidths=0.9, linestyles=":"))


def on_unfolded(
    ax: Axes, model: Model, fields: Mapping[str, Array], levels: Array, signed: bool, marks: bool = True
) -> list[Artist]:
    """Draw a nodal field on all unfolded parts, each named at its lower left corner."""
    places = unfolding(model.cabinet, {name: p.mesh.points / MM for name, p in model.parts.items()})
    artists: list[Artist] = []
    for name, values in fields.items():
        artists += contours(ax, model, name, places[name], values, levels, signed)
    if marks and model.cabinet.braces:
        artists.append(feet(ax, model.cabinet))
    for name in fields:
        x, y = places[name].min(axis=0)
        artists.append(ax.text(x + 6, y + 6, name, fontsize=8, bbox=PLATE))
    every = np.concatenate([places[name] for name in fields])
    (x0, y0), (x1, y1) = every.min(axis=0), every.max(axis=0)
    ax.set_xlim(x0 - GAP, x1 + GAP)
    ax.set_ylim(y0 - GAP, y1 + GAP)
    ax.set_aspect("equal")
    ax.set_xlabel("unfolded, mm")
    ax.set_ylabel("unfolded, mm")
    return artists


def colour_bar(ax: Any, filled: Any, label: str, ticks: Any = None) -> None:
    """Put a colour bar beside the axes."""
    bar = ax.figure.colorbar(filled, ax=ax, ticks=ticks, shrink=0.8)
    bar.set_label(label)
