"""Pictures of modes and designs. Each function draws on `ax`, or on a new figure, and returns the artists it drew.

Nothing is shown and no global state is touched: ``artists[0].figure`` is the figure. Positive and negative are told
apart by solid and dashed lines, so the pictures also read in grey. Those in space and of pockets have modules of their
own and are offered here too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bracewright.design.cabinet import in_plane
from bracewright.errors import DesignError
from bracewright.fem.mesh import MM
from bracewright.fem.modes import Modes
from bracewright.fem.system import Model
from bracewright.show import canvas
from bracewright.show.canvas import check, figure_of, new_axes, outward, png, save_png
from bracewright.show.pocket_plots import pocket_drawing
from bracewright.show.space_plots import cabinet_drawing, deformed, movie, movie_html

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "before_after",
    "cabinet_drawing",
    "deformed",
    "field_map",
    "figure_of",
    "frequency_ladder",
    "mode_map",
    "movie",
    "movie_html",
    "png",
    "pocket_drawing",
    "save_png",
    "sensitivity_map",
    "trade_off",
    "unfolded",
]

Array = NDArray[np.float64]
LEVELS = np.linspace(-1, 1, 17)
CLOSE_PERCENT = 3.0  # neighbouring modes nearer than this are marked; common practice, no source
TICKS = [-1, -0.5, 0, 0.5, 1]
NORMAL = "normal displacement over the largest (dashed: negative)"


def frequency_ladder(
    before: Modes, after: Modes | None = None, ax: Axes | None = None, *, close_percent: float = CLOSE_PERCENT
) -> list[Artist]:
    """Draw mode frequencies as rungs: those before on the lower row, those after on the upper.

    Neighbours closer than `close_percent` are tied by a thick bar over their rungs, with the distance in percent.

    Parameters
    ----------
    before, after : Modes
    ax : matplotlib Axes, optional
    close_percent : float
        Of the lower one's frequency.
    """
    ax = ax or new_axes((8.0, 2.4))
    rows = [("before", before)] + ([("after", after)] if after is not None else [])
    artists: list[Artist] = []
    lowest, highest = (g([g(m.frequency_Hz) for _, m in rows]) for g in (min, max))
    for y, (_, modes) in enumerate(rows):
        f = np.sort(modes.frequency_Hz)
        artists.append(ax.vlines(f, y - 0.3, y + 0.3, color="black", linewidth=1.6))
        artists.append(
            ax.annotate(f"{f[0]:.0f} Hz", (f[0], y), (-6, 0), textcoords="offset points", ha="right", va="center")
        )
        apart = 100 * np.diff(f) / f[:-1]
        near = np.flatnonzero(apart < close_percent)
        if len(near):
            artists.append(ax.hlines(np.full(len(near), y + 0.3), f[near], f[near + 1], color="black", linewidth=4))
        last, raised = -np.inf, False
        for k in near:
            middle = (f[k] + f[k + 1]) / 2
            raised = middle - last < 0.03 * (highest - lowest) and not raised  # clear of the number before
            last, height = middle, y + (0.46 if raised else 0.36)
            artists.append(ax.text(middle, height, f"{apart[k]:.1f}", fontsize=7, ha="center", va="bottom"))
    ax.set_yticks(range(len(rows)), [name for name, _ in rows])
    ax.set_ylim(-0.5, len(rows) - 0.25)
    ax.set_xlim(lowest - 0.16 * (highest - lowest), highest + 0.03 * (highest - lowest))
    ax.set_xlabel(f"frequency, Hz (bars: neighbours closer than {close_percent:g} %, by how many percent)")
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
    check(model, modes, number, part)
    new = ax is None
    ax = ax or new_axes((5.0, 4.6))
    w = outward(model, modes, number, part)
    xy = model.parts[part].mesh.points / MM
    artists = canvas.contours(ax, model, part, xy, w / (np.abs(w).max() or 1.0), LEVELS, signed=True)
    a, b = in_plane(canvas.normal_of(model.cabinet, part))
    ax.set_xlabel(f"{a}, mm")
    ax.set_ylabel(f"{b}, mm")
    ax.set_aspect("equal")
    ax.set_title(f"{part}, mode {number}: {modes.frequency_Hz[number - 1]:.1f} Hz")
    if new:
        canvas.colour_bar(ax, artists[0], NORMAL, TICKS)
    return artists


def unfolded(model: Model, modes: Modes, number: int, ax: Axes | None = None) -> list[Artist]:
    """Draw a mode on all parts: the panels unfolded around the front, seen from outside, and the braces beside them.

    Displacements are normal to each part, outward positive on panels and along the axis on braces, all over the
    cabinet's largest. Dotted lines show where braces stand.

    Parameters
    ----------
    model : Model
    modes : Modes
    number : int
        1 is the first elastic mode.
    ax : matplotlib Axes, optional
    """
    check(model, modes, number)
    new = ax is None
    ax = ax or new_axes((9.0, 6.5))
    shapes = {name: outward(model, modes, number, name) for name in model.parts}
    largest = max(float(np.abs(w).max()) for w in shapes.values()) or 1.0
    fields = {name: w / largest for name, w in shapes.items()}
    artists = canvas.on_unfolded(ax, model, fields, LEVELS, signed=True)
    ax.set_title(f"mode {number}: {modes.frequency_Hz[number - 1]:.1f} Hz")
    if new:
        canvas.colour_bar(ax, artists[0], NORMAL, TICKS)
    return artists


def field_map(model: Model, field: Mapping[str, ArrayLike], label: str, ax: Axes | None = None) -> list[Artist]:
    """Draw a quantity on the unfolded cabinet: on a diverging scale about zero if it has both signs.

    Parameters
    ----------
    model : Model
    field : mapping of (nodes,) arrays
        By part; parts left out are not drawn.
    label : str
        What it is, with its unit.
    ax : matplotlib Axes, optional

    Raises
    ------
    DesignError
        A part is unknown, a field has another length than the part has nodes, or it is not finite.
    """
    values = {name: np.asarray(v, dtype=float) for name, v in field.items()}
    for name, v in values.items():
        if name not in model.parts:
            raise DesignError(f"got {name!r}; parts are {', '.join(model.parts)}", key="field")
        nodes = len(model.parts[name].mesh.points)
        if v.shape != (nodes,) or not np.isfinite(v).all():
            raise DesignError(f"got shape {v.shape}; give {nodes} finite values, one per node", key=f"field.{name}")
    if not values:
        raise DesignError("no part has a value; give one part or more", key="field")
    new = ax is None
    ax = ax or new_axes((9.0, 6.5))
    low, high = min(float(v.min()) for v in values.values()), max(float(v.max()) for v in values.values())
    signed = low < 0 < high
    if signed:
        low, high = -max(-low, high), max(-low, high)
    if high - low <= 1e-12 * max(abs(low), abs(high)):
        low, high = low - 0.5, high + 0.5
    artists = canvas.on_unfolded(ax, model, values, np.linspace(low, high, 17), signed)
    if new:
        canvas.colour_bar(ax, artists[0], label)
    else:
        ax.set_title(label)
    return artists


def sensitivity_map(
    model: Model, field: Mapping[str, ArrayLike], what: str = "lowest mode, Hz per kg", ax: Axes | None = None
) -> list[Artist]:
    """Draw how much a result changes per unit of something done at a point, and mark where it does most.

    Parameters
    ----------
    model : Model
    field : mapping of (nodes,) arrays
        Such as `tune.added_mass` or `tune.sensitivity_map` return.
    what : str
        What changes, with its unit.
    ax : matplotlib Axes, optional
    """
    new = ax is None
    artists = field_map(model, field, f"change of {what}", ax)
    axes: Any = artists[0].axes
    part = max(field, key=lambda name: float(np.abs(np.asarray(field[name])).max()))
    node = int(np.abs(np.asarray(field[part])).argmax())
    at = model.parts[part].mesh.points[[node]] / MM
    x, y = canvas.unfolding(model.cabinet, {part: at})[part][0]
    artists += axes.plot([x], [y], "o", markerfacecolor="white", markeredgecolor="black", markersize=7)
    most = float(np.asarray(field[part])[node])
    artists.append(
        axes.annotate(f"{most:.3g}", (x, y), (9, 9), textcoords="offset points", fontsize=9, bbox=canvas.PLATE)
    )
    if new:
        axes.set_title(f"change of {what}; most on {part} near ({at[0, 0]:.0f}, {at[0, 1]:.0f}) mm")
    return artists


def trade_off(
    first: ArrayLike,
    second: ArrayLike,
    labels: tuple[str, str],
    ax: Axes | None = None,
    *,
    better: tuple[str, str] = ("high", "low"),
    names: Sequence[str] = (),
) -> list[Artist]:
    """Draw designs by two aims that conflict; those that none beats in both are filled and joined.

    Parameters
    ----------
    first, second : (n,) arrays
    labels : (str, str)
        Of the two axes, with their units.
    ax : matplotlib Axes, optional
    better : pair of {"high", "low"}
    names : sequence of str, optional
        Of the designs; those on the curve are written beside it.
    """
    x, y = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if x.ndim != 1 or x.shape != y.shape or not len(x) or (names and len(names) != len(x)):
        raise DesignError(f"got {x.shape}, {y.shape} and {len(names)} names; give one each per design", key="first")
    if set(better) - {"high", "low"}:
        raise DesignError(f"got {better!r}; each is 'high' or 'low'", key="better")
    ax = ax or new_axes((6.0, 4.2))
    signs = [1.0 if b == "high" else -1.0 for b in better]
    points = np.column_stack([x * signs[0], y * signs[1]])
    beaten = [bool(((points >= p).all(axis=1) & (points > p).any(axis=1)).any()) for p in points]
    best = np.flatnonzero(~np.array(beaten))
    best = best[np.argsort(x[best], kind="stable")]
    artists: list[Artist] = [
        *ax.plot(x, y, "o", color="0.35", markerfacecolor="white", markersize=5, label="tried"),
        *ax.plot(x[best], y[best], "-o", color="black", markersize=6, label="none is better in both"),
    ]
    for k in best.tolist() if names else ():
        artists.append(
            ax.annotate(names[k], (x[k], y[k]), (6, 6), textcoords="offset points", fontsize=8, bbox=canvas.PLATE)
        )
    arrows = {"high": ("→", "↑"), "low": ("←", "↓")}
    ax.set_xlabel(f"{labels[0]}   (better {arrows[better[0]][0]})")
    ax.set_ylabel(f"{labels[1]}   (better {arrows[better[1]][1]})")
    ax.margins(0.2, 0.12)
    ax.grid(color="0.88", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.legend(fontsize=8)
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
    canvas.colour_bar(ax, artists[0], NORMAL, TICKS)
    return figure
