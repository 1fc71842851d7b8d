"""Pictures of sound. Each function draws on `ax`, or on a new figure, and returns the artists it drew."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bracewright.design.cabinet import PANELS
from bracewright.show.canvas import new_axes
from bracewright.sound.report import Report
from bracewright.sound.run import Sound

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

SIZE = (8.0, 4.0)  # inches
PLAIN_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
LINES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (3, 1, 1, 1, 1, 1)))


def levels(result: Report, other: Report | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw the cabinet's level over its drivers' at the point, humps named; another design dashed.

    Parameters
    ----------
    result, other : Report
        Such as after and before.
    ax : matplotlib Axes, optional
    """
    ax = ax or new_axes(SIZE)
    s = result.sound
    artists: list[Artist] = list(ax.semilogx(s.frequency_Hz, s.level_dB, color="black", label=s.setup.cabinet.name))
    if other is not None:
        o = other.sound
        artists += ax.semilogx(o.frequency_Hz, o.level_dB, "--", color="0.45", label=o.setup.cabinet.name)
        ax.legend()
    # Numbers on the curve and their names beside it: humps stand too close for names.
    named = result.humps[:5]
    for number, h in enumerate(named, 1):
        artists.append(
            ax.annotate(
                str(number),
                (h.frequency_Hz, h.level_dB),
                (0, 4),
                textcoords="offset points",
                ha="center",
                fontweight="bold",
            )
        )
    lines = [f"{k}  {h.frequency_Hz:.0f} Hz, mode {h.mode}, {h.panel}" for k, h in enumerate(named, 1)]
    artists.append(ax.text(1.02, 1.0, "\n".join(lines), transform=ax.transAxes, va="top", fontsize=8))
    _finish(ax, s, "cabinet over drivers at the point, dB")
    return artists


def sides(sound: Sound, ax: Axes | None = None) -> list[Artist]:
    """Draw what each panel gives at the point, over the drivers; panels may cancel each other."""
    ax = ax or new_axes(SIZE)
    artists: list[Artist] = []
    for side, line in zip(PANELS, LINES, strict=True):
        level = 20 * np.log10(np.abs(sound.side_Pa[side]) / np.abs(sound.drivers_Pa))
        artists += ax.semilogx(sound.frequency_Hz, level, linestyle=line, label=side)
    ax.legend(ncols=3, fontsize=8)
    _finish(ax, sound, "panel over drivers at the point, dB")
    return artists


def mode_pairs(result: Report, ax: Axes | None = None) -> list[Artist]:
    """Draw air modes above wall modes on one frequency axis; pairs within 5 % are joined."""
    ax = ax or new_axes((8.0, 2.4))
    s = result.sound
    wall, air = s.setup.reduced.modes.frequency_Hz, s.setup.drive.air.frequency_Hz
    high = s.frequency_Hz[-1]
    artists: list[Artist] = [
        ax.vlines(wall[wall <= high], 0.0, 0.7, color="black"),
        ax.vlines(air[air <= high], 1.3, 2.0, color="0.45"),
    ]
    for a, _, f in result.pairs:
        artists += ax.plot([f, a], [0.7, 1.3], color="black", linewidth=0.8)
    ax.set_xscale("log")
    low = min(wall.min(), air.min(), high)
    _hertz(ax, float(low) / 1.1, float(high))
    ax.set_yticks([0.35, 1.65], ["wall", "air"])
    return artists


def third_octaves(result: Report, other: Report | None = None, ax: Axes | None = None) -> list[Artist]:
    """Draw third-octave levels in radiated power as steps; another design dashed."""
    ax = ax or new_axes(SIZE)
    artists: list[Artist] = []
    for r, line, colour in ((result, "-", "black"), (other, "--", "0.45")):
        if r is not None:
            f, _, w = zip(*r.bands, strict=True)
            artists += ax.step(f, w, line, where="mid", color=colour, label=r.sound.setup.cabinet.name)
    ax.set_xscale("log")
    ax.legend()
    _finish(ax, result.sound, "cabinet over drivers in power, dB")
    return artists


def _finish(ax: Axes, sound: Sound, label: str) -> None:
    _hertz(ax, float(sound.frequency_Hz[0]), float(sound.frequency_Hz[-1]))
    ax.margins(y=0.1)
    ax.set_ylabel(label)
    ax.grid(which="both", color="0.85", linewidth=0.6)
    ax.set_axisbelow(True)


def _hertz(ax: Axes, low: float, high: float) -> None:
    """Finish a logarithmic axis of frequencies with round numbers in Hz, or with its ends where it is too short."""
    ax.set_xlim(low, high)
    inside = [float(f) for f in PLAIN_HZ if low <= f <= high]
    ax.set_xticks(inside if len(inside) > 1 else [low, *inside, high])
    ax.xaxis.set_major_formatter("{x:.0f}")
    ax.xaxis.set_minor_formatter("")
    ax.set_xlabel("frequency, Hz")
