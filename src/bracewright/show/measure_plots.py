"""Pictures of measurements: responses, the stabilisation chart, MAC, the tap plan and the fit.

Each function draws on `ax`, or on a new figure, and returns the artists it drew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import PANELS
from bracewright.fem.system import Model
from bracewright.measure.fit import FitResult
from bracewright.measure.frf import Frfs
from bracewright.measure.identify import MeasuredModes, Stabilisation
from bracewright.measure.pair import Pairing
from bracewright.measure.plan import TapPlan
from bracewright.measure.records import Place

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
GAP = 10.0  # mm between unfolded panels


def _axes(size: tuple[float, float]) -> Axes:
    from matplotlib.figure import Figure

    return Figure(figsize=size, layout="constrained").add_subplot()


def responses(frfs: Frfs, modes: MeasuredModes | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw the magnitude of every row, their mean thick, and the modes found as vertical lines."""
    ax = ax or _axes((8.0, 3.6))
    size = np.abs(frfs.H)
    artists: list[Artist] = list(ax.semilogy(frfs.frequency_Hz, size.T, color="0.75", linewidth=0.5))
    artists += ax.semilogy(frfs.frequency_Hz, np.sqrt((size**2).mean(axis=0)), color="black", linewidth=1.3)
    if modes is not None:
        artists += [ax.axvline(float(f), color="tab:blue", linewidth=0.8, linestyle="--") for f in modes.frequency_Hz]
    unit = {"accelerance": "accelerance, m/s2/N", "pressure": "pressure over force, Pa/N"}
    ax.set_xlabel("frequency, Hz")
    ax.set_ylabel(unit.get(frfs.kind, "free decay"))
    return artists


def stabilisation_chart(found: Stabilisation, frfs: Frfs | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw poles by frequency and order, the steady ones filled; the mean response behind them."""
    ax = ax or _axes((8.0, 4.2))
    f = found.frequency_Hz
    steady = found.stable
    artists: list[Artist] = [
        ax.scatter(f[~steady], found.order[~steady], s=8, facecolors="none", edgecolors="0.6", label="pole"),
        ax.scatter(f[steady], found.order[steady], s=10, color="black", label="steady pole"),
    ]
    if frfs is not None:
        cut = frfs.band(*found.band_Hz)
        back = ax.twinx()
        artists += back.semilogy(cut.frequency_Hz, np.abs(cut.H).mean(axis=0), color="tab:blue", linewidth=0.8)
        back.set_yticks([])
    ax.set_xlabel("frequency, Hz")
    ax.set_ylabel("order")
    ax.legend(loc="lower right", fontsize=8)
    return artists


def mac_chart(pairing: Pairing, ax: Axes | None = None) -> list[Artist]:
    """Draw MAC of computed with measured modes, the pairs framed."""
    ax = ax or _axes((5.2, 4.6))
    image = ax.imshow(pairing.mac, cmap="viridis", vmin=0, vmax=1, aspect="auto", origin="lower")
    rows = [c for c, _ in pairing.pairs]
    cols = [m for _, m in pairing.pairs]
    marks = ax.scatter(cols, rows, s=60, facecolors="none", edgecolors="white", linewidths=1.4)
    ax.set_xticks(range(len(pairing.measured_Hz)), [f"{f:.0f}" for f in pairing.measured_Hz], rotation=90, fontsize=7)
    ax.set_yticks(range(len(pairing.computed_Hz)), [f"{f:.0f}" for f in pairing.computed_Hz], fontsize=7)
    ax.set_xlabel("measured, Hz")
    ax.set_ylabel("computed, Hz")
    ax.figure.colorbar(image, ax=ax, label="MAC")
    return [image, marks]


def tap_plan(model: Model, plan: TapPlan, ax: Axes | None = None) -> list[Artist]:
    """Draw the sensors (squares) and the taps (numbered rings) on the unfolded cabinet, seen from outside."""
    ax = ax or _axes((8.0, 6.0))
    artists: list[Artist] = []
    for side in PANELS:
        ring = np.array(model.parts[side].region.exterior.coords)
        holes = [np.array(h.coords) for h in model.parts[side].region.interiors]
        for k, xy in enumerate([ring, *holes]):
            at = _unfolded(model, side, xy)
            artists += ax.plot(at[:, 0], at[:, 1], color="black", linewidth=1.0 if k == 0 else 0.7)
        low = _unfolded(model, side, ring).min(axis=0)
        artists.append(ax.text(low[0] + 6, low[1] + 6, side, fontsize=8, color="0.35"))
    for k, p in enumerate(plan.taps, 1):
        x, y = _placed(model, p)
        artists.append(ax.scatter([x], [y], s=90, facecolors="white", edgecolors="black", zorder=3))
        artists.append(ax.text(x, y, str(k), ha="center", va="center", fontsize=6, zorder=4))
    for p in plan.sensors:
        x, y = _placed(model, p)
        artists.append(ax.scatter([x], [y], s=170, marker="s", facecolors="none", edgecolors="tab:blue", zorder=2))
    ax.set_aspect("equal")
    ax.set_xlabel("unfolded, mm (squares: sensor; numbers: taps)")
    return artists


def _placed(model: Model, place: Place) -> tuple[float, float]:
    xy = _unfolded(model, place.part, np.array([place.at]))[0]
    return float(xy[0]), float(xy[1])


def _unfolded(model: Model, side: str, xy: Array) -> Array:
    """Carry in-plane points (n, 2), mm, to the unfolded picture: the front in the middle, seen from outside."""
    c = model.cabinet
    moves = {
        "front": ((1, 1), (0.0, 0.0)),
        "left": ((-1, 1), (-GAP, 0.0)),
        "right": ((1, 1), (c.width + GAP, 0.0)),
        "back": ((-1, 1), (2 * c.width + c.depth + 2 * GAP, 0.0)),
        "top": ((1, 1), (0.0, c.height + GAP)),
        "bottom": ((1, -1), (0.0, -GAP)),
    }
    flip, shift = moves[side]
    return np.asarray(xy * np.array(flip) + np.array(shift))


def fit_chart(found: FitResult, ax: Axes | None = None) -> list[Artist]:
    """Draw each parameter's factor with its spread before (grey) and after (black)."""
    ax = ax or _axes((6.4, 0.6 + 0.45 * len(found.parameters)))
    y = np.arange(len(found.parameters))[::-1]
    before, after = np.array([p.spread for p in found.parameters]), found.spread
    artists: list[Artist] = [
        ax.hlines(y, np.exp(-before), np.exp(before), color="0.8", linewidth=7),
        ax.hlines(y, found.factor * np.exp(-after), found.factor * np.exp(after), color="black", linewidth=2),
        ax.scatter(found.factor, y, color="black", zorder=3),
    ]
    ax.axvline(1.0, color="0.5", linewidth=0.8, linestyle=":")
    ax.set_xscale("log")
    ax.set_yticks(y, [p.key for p in found.parameters], fontsize=8)
    ax.set_xlabel("fitted over design (grey: spread before; line: after)")
    return artists
