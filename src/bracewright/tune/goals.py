"""Numbers of a set of modes, and the goal made of them.

All of them are symmetric functions of the modes: no order, no names, so they stay continuous where
modes cross, and a cluster of equal frequencies is one point like any other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bracewright.design.cabinet import LOWER_PANELS, PANEL_NORMAL, PANELS
from bracewright.design.checks import number
from bracewright.errors import DesignError
from bracewright.fem.modes import Modes
from bracewright.fem.system import Model

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What a search makes large: a weighted sum of raising and spreading the lowest modes.

    Parameters
    ----------
    raise_ : float
        Weight of the logarithm of the smooth lowest frequency.
    spread : float
        Weight of the spread, 0..1.
    volume : float
        0 counts every mode alike, 1 by the square of the net volume it moves; between, a mixture.
    modes : int
        How many elastic modes are looked at.
    power : float
        How sharply the smooth minimum favours the lowest mode.
    width : float
        Modes closer than about this fraction of their frequency count as close.
    band_Hz : (float, float), optional
        The spread looks at this band only, its edges softened by `width`.
    """

    raise_: float = 1.0
    spread: float = 0.3
    volume: float = 0.0
    modes: int = 12
    power: float = 8.0
    width: float = 0.05
    band_Hz: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        number(self.raise_, "goal.raise_", low=0.0, high=1e3)
        number(self.spread, "goal.spread", low=0.0, high=1e3)
        number(self.volume, "goal.volume", low=0.0, high=1.0)
        number(self.power, "goal.power", low=1.0, high=64.0)
        number(self.width, "goal.width", low=1e-3, high=1.0)
        if isinstance(self.modes, bool) or not isinstance(self.modes, int) or not 2 <= self.modes <= 200:
            raise DesignError(f"got {self.modes!r}; look at 2 to 200 modes", key="goal.modes")
        if self.band_Hz is not None and not 0 < self.band_Hz[0] < self.band_Hz[1]:
            raise DesignError(f"got {self.band_Hz!r}; give a low and a higher frequency", key="goal.band_Hz")
        if not self.raise_ and not self.spread:
            raise DesignError("both weights are 0; give one of them", key="goal")

    def numbers(self, frequency_Hz: ArrayLike, moved: ArrayLike | None = None) -> dict[str, float]:
        """Return the numbers of a set of modes.

        Parameters
        ----------
        frequency_Hz : (m,) array
        moved : (m,) array, optional
            Net volume each mode moves, m3 at unit modal mass, as from `moved_volume`; needed when `volume` > 0.

        Returns
        -------
        dict
            ``raise_Hz``, ``spread`` and, for display, ``first_Hz`` and ``closest_pair`` (smallest difference of two
            modes over their frequency).
        """
        f = np.asarray(frequency_Hz, dtype=float)
        share = np.ones(len(f))
        if self.volume:
            if moved is None:
                raise DesignError("the volume each mode moves is needed when volume > 0; pass it", key="moved")
            square = np.asarray(moved, dtype=float) ** 2
            total = float(square.sum())
            share = share - self.volume + (self.volume * len(f) / total * square if total > 0 else self.volume)
        window = np.ones(len(f))
        if self.band_Hz is not None:
            low, high = (np.log(f / edge) / self.width for edge in self.band_Hz)
            window = 0.25 * (1 + np.tanh(low)) * (1 - np.tanh(high))
        return {
            "first_Hz": float(f.min()),
            "closest_pair": closest_pair(f),
            "raise_Hz": smooth_minimum(f, share, power=self.power),
            "spread": spread(f, share * window, width=self.width),
        }

    def score(self, numbers: Mapping[str, float], before: Mapping[str, float]) -> float:
        """Return how much better `numbers` are than those before: 0 for the same, about 0.1 for 10 % higher modes."""
        raised = float(np.log(numbers["raise_Hz"] / before["raise_Hz"]))
        return self.raise_ * raised + self.spread * (numbers["spread"] - before["spread"])


def smooth_minimum(values: ArrayLike, weights: ArrayLike | None = None, *, power: float = 8.0) -> float:
    """Return (sum w v^-p)^(-1/p) of positive values (m,).

    With unit weights it lies between min v / m^(1/p) and min v.
    """
    v = np.asarray(values, dtype=float)
    w = np.ones(len(v)) if weights is None else np.asarray(weights, dtype=float)
    low = float(v.min())
    return low * float(np.sum(w * (v / low) ** -power) ** (-1 / power))


def spread(values: ArrayLike, weights: ArrayLike | None = None, *, width: float = 0.05) -> float:
    """Return the share of the modes that stand apart: 1 all far from each other, 1/m all at one frequency.

    It is sum w_i^2 / sum w_i w_j exp(-(ln(f_i/f_j)/width)^2) over all pairs, i = j included: the number of distinct
    frequencies seen by a soft comparison, over the number of modes.
    """
    f = np.log(np.asarray(values, dtype=float))
    w = np.ones(len(f)) if weights is None else np.asarray(weights, dtype=float)
    near = np.exp(-(((f[:, None] - f) / width) ** 2))
    return float((w @ w + 1e-12) / (w @ near @ w + 1e-12))


def closest_pair(frequency_Hz: ArrayLike) -> float:
    """Return the smallest difference of two frequencies, over the lower one."""
    f = np.sort(np.asarray(frequency_Hz, dtype=float))
    return float((np.diff(f) / f[:-1]).min()) if len(f) > 1 else float("inf")


def moved_volume(model: Model, modes: Modes) -> Array:
    """Return the net volume each mode moves outward, (m,), m3 at unit modal mass: the integral of w over the panels.

    Its sign is that of the mode shape; the sum of squares over modes of one frequency does not depend on how these
    are chosen.
    """
    out = np.zeros(len(modes))
    for side in PANELS:
        part = model.parts[side]
        value, _, _, weight = part.mesh.rule(2)
        local = np.einsum("ieq,eq->ei", value, weight)
        area = np.bincount(part.mesh.nodes6.ravel(), weights=local.ravel(), minlength=len(part.mesh.points))
        outward = -1.0 if side in LOWER_PANELS else 1.0
        sign = outward * np.sign(part.rotation[2]["xyz".index(PANEL_NORMAL[side])])
        out += sign * (area @ modes.shapes[model.of_part(side)][2::5])
    return out
