"""Pictures of modes. Each function draws on `ax`, or on a new figure, and returns the artists it drew.

Nothing is shown and no global state is touched: ``artists[0].figure`` is the figure. Positive and negative are told
apart by solid and dashed lines, so the pictures also read in grey.
"""

from __future__ import annotations

import io
import os
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet, in_plane
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
COLOURS = "RdBu_r"
LEVELS = np.linspace(-1, 1, 17)
QUIET = 0.1  # of the largest; a part that moves less has no node line worth drawing
GAP = 30.0  # mm, between unfolded parts and the braces beside them
# A six-node triangle as four flat ones: corners 0-2, middles of sides 01, 12, 02.
_QUARTERS = np.array([[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]])


def frequency_ladder(before: Modes, after: Modes | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw mode frequencies as rungs: those before on the lower row, those after on the upper.

    Parameters
    ----------
    before, after : Modes
    ax : matplotlib Axes, optional
    """
    ax = ax or _new_axes((8.0, 2.2))
    rows = [("before", before)] + ([("after", after)] if after is not None else [])
    artists: list[Artist] = []
    for y, (_, modes) in enumerate(rows):
        f = modes.frequency_Hz
        artists.append(ax.vlines(f, y - 0.36, y + 0.36, color="black", linewidth=1.6))
        artists.append(
            ax.annotate(f"{f[0]:.0f} Hz", (f[0], y), (-6, 0), textcoords="offset points", ha="right", va="center")
        )
    ax.set_yticks(range(len(rows)), [name for name, _ in rows])
    ax.set_ylim(-0.6, len(rows) - 0.4)
    lowest, highest = (g([g(m.frequency_Hz) for _, m in rows]) for g in (min, max))
    ax.set_xlim(lowest - 0.16 * (highest - lowest), highest + 0.03 * (highest - lowest))
    ax.set_xlabel("frequency, Hz")
    ax.grid(axis="x", color="0.85", linewidth=0.6)
    ax.set_axisbelow(True)
    return artists


def mode_map(model: Model, modes: Modes, number: int, part: str, ax: Axes | None = None) -> list[Artist]:
    """Draw a mode on one part: normal displacement over the part's own largest, node lines thick.

    Parameters
    ----------
    model : Model
    modes : Modes
    number : int
        1 is the first elastic mode.
    part : str
        A panel's side or a brace's name.
    ax : matplotlib Axes, optional
    """
    _check(model, modes, number, part)
    new = ax is None
    ax = ax or _new_axes((5.0, 4.6))
    w = _outward(model, modes, number, part)
    xy = model.parts[part].mesh.points / MM
    artists = _contours(ax, model, part, xy, w / (np.abs(w).max() or 1.0))
    a, b = in_plane(_normal(model.cabinet, part))
    ax.set_xlabel(f"{a}, mm")
    ax.set_ylabel(f"{b}, mm")
    ax.set_aspect("equal")
    ax.set_title(f"{part}, mode {number}: {modes.frequency_Hz[number - 1]:.1f} Hz")
    if new:
        _colour_bar(ax, artists[0])
    return artists


def unfolded(model: Model, modes: Modes, number: int, ax: Axes | None = None) -> list[Artist]:
    """Draw a mode on all parts: the panels unfolded around the front, seen from outside, and the braces beside them.

    Displacements are normal to each part, outward positive on panels and along the axis on braces, all over the
    cabinet's largest.

    Parameters
    ----------
    model : Model
    modes : Modes
    number : int
        1 is the first elastic mode.
    ax : matplotlib Axes, optional
    """
    _check(model, modes, number)
    new = ax is None
    ax = ax or _new_axes((9.0, 6.5))
    shapes = {name: _outward(model, modes, number, name) for name in model.parts}
    largest = max(float(np.abs(w).max()) for w in shapes.values()) or 1.0
    places = _places(model)
    artists: list[Artist] = []
    for name, w in shapes.items():
        artists += _contours(ax, model, name, places[name], w / largest)
        x, y = places[name].min(axis=0)
        artists.append(
            ax.text(
                x + 6, y + 6, name, fontsize=8, bbox={"facecolor": "white", "alpha": 0.75, "pad": 1, "linewidth": 0}
            )
        )
    every = np.concatenate(list(places.values()))
    (x0, y0), (x1, y1) = every.min(axis=0), every.max(axis=0)
    ax.set_xlim(x0 - GAP, x1 + GAP)
    ax.set_ylim(y0 - GAP, y1 + GAP)
    ax.set_aspect("equal")
    ax.set_xlabel("unfolded, mm")
    ax.set_ylabel("unfolded, mm")
    ax.set_title(f"mode {number}: {modes.frequency_Hz[number - 1]:.1f} Hz")
    if new:
        _colour_bar(ax, artists[0])
    return artists


def before_after(before: tuple[Model, Modes], after: tuple[Model, Modes], number: int = 1) -> Figure:
    """Return a figure of two designs: their frequencies, and one mode of each unfolded."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 8), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=[1, 3.4])
    frequency_ladder(before[1], after[1], figure.add_subplot(grid[0, :]))
    for k, (name, (model, modes)) in enumerate((("before", before), ("after", after))):
        ax = figure.add_subplot(grid[1, k])
        artists = unfolded(model, modes, number, ax)
        ax.set_title(f"{name}, {ax.get_title()}")
    _colour_bar(ax, artists[0])
    return figure


def save_png(figure: Figure, path: str | os.PathLike[str], *, dpi: int = 130) -> None:
    """Write a figure as PNG, by way of a temporary file; raises FileError if it cannot be written."""
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=dpi)
    write_file(path, content.getvalue())


def _new_axes(size: tuple[float, float]) -> Axes:
    from matplotlib.figure import Figure

    return Figure(figsize=size, layout="constrained").add_subplot()


def _check(model: Model, modes: Modes, number: int, part: str | None = None) -> None:
    if not 1 <= number <= len(modes):
        raise DesignError(f"got mode {number}; there are 1..{len(modes)}", key="number")
    if part is not None and part not in model.parts:
        raise DesignError(f"got {part!r}; parts are {', '.join(model.parts)}", key="part")


def _normal(cabinet: Cabinet, part: str) -> str:
    return PANEL_NORMAL[part] if part in PANELS else cabinet.brace(part).normal


def _outward(model: Model, modes: Modes, number: int, part: str) -> Array:
    """Normal displacement at the nodes, outward on a panel and along its axis on a brace."""
    p = model.parts[part]
    w = modes.shapes[model.of_part(part), number - 1].reshape(-1, FIELDS)[:, 2]
    along = p.rotation[2][AXES.index(_normal(model.cabinet, part))]
    return np.asarray(w * np.sign(along) * (-1.0 if part in LOWER_PANELS else 1.0))


def _places(model: Model) -> dict[str, Array]:
    """Where each part's nodes lie in the unfolded picture, mm: origin at the front's lower left."""
    c = model.cabinet
    points = {name: p.mesh.points / MM for name, p in model.parts.items()}
    gap, across = GAP / 3, 2 * c.width + c.depth
    # Mirror and shift of each panel's own coordinates.
    moves = {
        "front": ((1, 1), (0, 0)),
        "left": ((-1, 1), (-gap, 0)),
        "right": ((1, 1), (c.width + gap, 0)),
        "back": ((-1, 1), (across + 2 * gap, 0)),
        "top": ((1, 1), (0, c.height + gap)),
        "bottom": ((1, -1), (0, -gap)),
    }
    places = {name: points[name] * flip + shift for name, (flip, shift) in moves.items()}
    # Braces stand in columns to the right, as high as the panels' cross.
    low, high = -gap - c.depth, c.height + gap + c.depth
    x, y, wide = across + 2 * gap + GAP, high, 0.0
    for brace in c.braces:
        xy = points[brace.name]
        corner, size = xy.min(axis=0), np.ptp(xy, axis=0)
        if y - size[1] < low and y < high:
            x, y, wide = x + wide + GAP, high, 0.0
        places[brace.name] = xy - corner + [x, y - size[1]]
        y, wide = y - size[1] - GAP, max(wide, float(size[0]))
    return places


def _contours(ax: Axes, model: Model, part: str, xy: Array, values: Array) -> list[Artist]:
    from matplotlib.tri import Triangulation

    mesh = model.parts[part].mesh
    flat = Triangulation(xy[:, 0], xy[:, 1], mesh.nodes6[:, _QUARTERS].reshape(-1, 3))
    filled = ax.tricontourf(flat, values, levels=LEVELS, cmap=COLOURS)
    lines = ax.tricontour(flat, values, levels=LEVELS[LEVELS != 0][::2], colors="0.25", linewidths=0.5)
    lines.set_linestyle(["--" if level < 0 else "-" for level in lines.levels])
    artists: list[Artist] = [filled, lines]
    if np.abs(values).max() > QUIET and values.min() < 0 < values.max():
        artists.append(ax.tricontour(flat, values, levels=[0.0], colors="black", linewidths=1.6))
    artists.append(_rim(ax, xy, mesh.sides[mesh.boundary_sides], mesh.corners + mesh.boundary_sides))
    return artists


def _rim(ax: Axes, xy: Array, sides: NDArray[np.int64], middles: NDArray[np.int64]) -> Artist:
    """Outline of a part and of its cut-outs."""
    from matplotlib.collections import LineCollection

    runs = np.stack([xy[sides[:, 0]], xy[middles], xy[sides[:, 1]]], axis=1)
    return ax.add_collection(LineCollection(list(runs), colors="black", linewidths=0.9))


def _colour_bar(ax: Any, filled: Any) -> None:
    bar = ax.figure.colorbar(filled, ax=ax, ticks=[-1, -0.5, 0, 0.5, 1], shrink=0.8)
    bar.set_label("normal displacement over the largest (dashed: negative)")
