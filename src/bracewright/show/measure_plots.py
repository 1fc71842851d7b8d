"""Pictures of measurements: responses, the stabilisation chart, MAC, the tap plan and the fit.

Each function draws on `ax`, or on a new figure, and returns the artists it drew.
"""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, PANEL_NORMAL, PANELS, Cabinet
from bracewright.design.layout import part_layout
from bracewright.measure.fitted import FitResult
from bracewright.measure.frf import Frfs
from bracewright.measure.identify import Candidates, MeasuredModes
from bracewright.measure.pair import Pairing
from bracewright.measure.plan import TapPlan
from bracewright.measure.poles import Stabilisation
from bracewright.show.canvas import new_axes, unfolding

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
RESPONSE = {
    "accelerance": "accelerance, m/s$^2$/N",
    "pressure": "pressure over force, Pa/N",
    "decay": "transform of the decay, no fixed unit",
}
GAP = 60.0  # mm between unfolded panels


def responses(frfs: Frfs, modes: MeasuredModes | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw the magnitude of every row, their mean thick, and the modes found as vertical lines."""
    ax = ax or new_axes((8.0, 3.6))
    size = np.abs(frfs.H)
    artists: list[Artist] = list(ax.semilogy(frfs.frequency_Hz, size.T, color="0.75", linewidth=0.5))
    artists += ax.semilogy(frfs.frequency_Hz, np.sqrt((size**2).mean(axis=0)), color="black", linewidth=1.3)
    if modes is not None:
        artists += [ax.axvline(float(f), color="0.35", linewidth=0.8, linestyle="--") for f in modes.frequency_Hz]
    ax.set_xlabel("frequency, Hz")
    ax.set_ylabel(RESPONSE[frfs.kind])
    return artists


def stabilisation_chart(found: Stabilisation, frfs: Frfs | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw poles by frequency and order, the steady ones filled; the mean response behind them."""
    ax = ax or new_axes((8.0, 4.2))
    f = found.frequency_Hz
    steady = found.stable
    artists: list[Artist] = [
        ax.scatter(f[~steady], found.order[~steady], s=8, facecolors="none", edgecolors="0.5", label="pole"),
        ax.scatter(f[steady], found.order[steady], s=10, color="black", label="steady pole"),
    ]
    if frfs is not None:
        cut = frfs.band(*found.band_Hz)
        back = ax.twinx()
        level = np.sqrt((np.abs(cut.H) ** 2).mean(axis=0))
        artists += back.semilogy(cut.frequency_Hz, level, color="0.7", linewidth=1.2)
        back.yaxis.set_visible(False)
        ax.set_zorder(back.get_zorder() + 1)
        ax.patch.set_visible(False)
    ax.set_xlabel("frequency, Hz")
    ax.set_ylabel("order")
    ax.legend(loc="lower right", fontsize=8)
    return artists


def candidates_chart(offered: Candidates, ax: Axes | None = None) -> list[Artist]:
    """Draw the mean response with the candidates numbered on it, for `Candidates.select`; needs no display server."""
    ax = ax or new_axes((9.0, 4.2))
    cut = offered.frfs.band(*offered.band_Hz)
    level = np.sqrt((np.abs(cut.H) ** 2).mean(axis=0))
    artists: list[Artist] = list(ax.semilogy(cut.frequency_Hz, level, color="black", linewidth=1.0))
    span = level.max() / level.min()
    for k, f in enumerate(offered.frequency_Hz, 1):
        # Numbers of neighbours would cover each other on one line.
        high = float(level.max() * span ** (0.06 + 0.07 * (k % 3)))
        artists += ax.plot([f, f], [float(np.interp(f, cut.frequency_Hz, level)), high], color="0.6", linewidth=0.8)
        artists.append(ax.text(float(f), high, str(k), ha="center", va="bottom", fontsize=8))
    ax.set_ylim(float(level.min()), float(level.max() * span**0.3))
    ax.set_xlabel("frequency, Hz")
    ax.set_ylabel(RESPONSE[offered.frfs.kind])
    return artists


def mac_chart(pairing: Pairing, ax: Axes | None = None) -> list[Artist]:
    """Draw MAC of computed with measured modes, the pairs ringed."""
    ax = ax or new_axes((5.2, 4.6))
    image = ax.imshow(pairing.mac, cmap="viridis", vmin=0, vmax=1, aspect="auto", origin="lower")
    rows = [c for c, _ in pairing.pairs]
    cols = [m for _, m in pairing.pairs]
    marks = ax.scatter(cols, rows, s=60, facecolors="none", edgecolors="black", linewidths=1.4)
    ax.set_xticks(range(len(pairing.measured_Hz)), [f"{f:.0f}" for f in pairing.measured_Hz], rotation=90, fontsize=7)
    ax.set_yticks(range(len(pairing.computed_Hz)), [f"{f:.0f}" for f in pairing.computed_Hz], fontsize=7)
    ax.set_xlabel("measured, Hz")
    ax.set_ylabel("computed, Hz")
    ax.figure.colorbar(image, ax=ax, label="MAC")
    return [image, marks]


def tap_plan(cabinet: Cabinet, plan: TapPlan, ax: Axes | None = None) -> list[Artist]:
    """Draw sensors (squares) and taps (numbered rings) on the unfolded cabinet, seen from outside, and list them."""
    ax = ax or new_axes((9.0, 7.2))
    artists: list[Artist] = []
    for side in PANELS:
        layout = part_layout(cabinet, side, "outer")
        rings = [layout.outline().exterior, *(cut.polygon(0.5).exterior for _, cut in layout.cuts)]
        for k, ring in enumerate(rings):
            at = unfolding(cabinet, {side: np.array(ring.coords)}, GAP)[side]
            artists += ax.plot(at[:, 0], at[:, 1], color="black", linewidth=1.2 if k == 0 else 0.7)
        low = unfolding(cabinet, {side: np.array(rings[0].coords)}, GAP)[side].min(axis=0)
        artists.append(ax.text(low[0] + 6, low[1] + 6, side, fontsize=9, color="0.35"))
        artists += _origin(ax, cabinet, side)
    marks = [(f"S{k}", p) for k, p in enumerate(plan.sensors, 1)] + [(str(k), p) for k, p in enumerate(plan.taps, 1)]
    for name, p in marks:
        (x, y), sensor = unfolding(cabinet, {p.part: np.array([p.at])}, GAP)[p.part][0], name.startswith("S")
        size, shape, fill = (260, "s", "0.85") if sensor else (110, "o", "white")
        mark = ax.scatter(
            [x], [y], s=size, marker=shape, facecolors=fill, edgecolors="black", zorder=2 if sensor else 3
        )
        artists.append(mark)
        if not sensor or p not in plan.taps:
            artists.append(ax.text(x, y, name, ha="center", va="center", fontsize=7, zorder=4))
    rows = [f"{name:>3} {p.part:6} {p.at[0]:4.0f},{p.at[1]:4.0f}   " for name, p in marks]
    half = -(-len(rows) // 2)
    lines = ["".join(two) for two in zip_longest(rows[:half], rows[half:], fillvalue="")]
    words = ax.text(cabinet.width + GAP, -GAP, "\n".join(lines), va="top", fontsize=8, family="monospace")
    artists.append(words)
    ax.set_aspect("equal")
    ax.set_axis_off()
    ax.set_title("squares: sensors (S); rings: taps; places in cabinet coordinates, mm", fontsize=9)
    return artists


def _origin(ax: Axes, cabinet: Cabinet, side: str) -> list[Artist]:
    """Two arrows along a panel's in-plane coordinates, beside the corner where both are 0."""
    zero, *ends = unfolding(cabinet, {side: np.array([[-12.0, -12.0], [45.0, -12.0], [-12.0, 45.0]])}, GAP)[side]
    names = [a for a in AXES if a != PANEL_NORMAL[side]]
    arrow = {"arrowstyle": "<-", "color": "0.35", "shrinkA": 0, "shrinkB": 0}
    return [
        ax.annotate(name, zero, end, fontsize=8, color="0.35", ha="center", va="center", arrowprops=arrow)
        for name, end in zip(names, ends, strict=True)
    ]


def fit_chart(found: FitResult, ax: Axes | None = None) -> list[Artist]:
    """Draw each parameter's factor with its spread before (grey) and after (black)."""
    ax = ax or new_axes((6.4, 0.9 + 0.4 * len(found.parameters)))
    y = np.arange(len(found.parameters))[::-1]
    before, after = np.array([p.spread for p in found.parameters]), found.spread
    artists: list[Artist] = [
        ax.hlines(y, np.exp(-before), np.exp(before), color="0.8", linewidth=7),
        ax.hlines(y, found.factor * np.exp(-after), found.factor * np.exp(after), color="black", linewidth=2),
        ax.scatter(found.factor, y, color="black", zorder=3),
    ]
    ax.axvline(1.0, color="0.5", linewidth=0.8, linestyle=":")
    ax.set_xscale("log")
    low, high = ax.get_xlim()
    ticks = [t for t in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 1.0, 1.25, 2.0, 5.0, 10.0, 20.0, 50.0) if low < t < high]
    ax.set_xticks(ticks, [f"{t:g}" for t in ticks])
    ax.set_xticks([], minor=True)
    ax.set_ylim(-0.6, len(y) - 0.4)
    ax.set_yticks(y, [p.key for p in found.parameters], fontsize=8)
    ax.set_xlabel("fitted value over the design's (grey: spread before; line: after)")
    return artists
