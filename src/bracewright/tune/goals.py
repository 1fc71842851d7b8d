"""Numbers of a set of modes, and the goal made of them.

All of them are symmetric functions of the modes: no order, no names, so they stay continuous where
modes cross, and a cluster of equal frequencies is one point like any other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bracewright.design.cabinet import PANELS, Cabinet
from bracewright.design.checks import number
from bracewright.errors import DesignError
from bracewright.fem.modes import Modes
from bracewright.fem.parts import outward_sign
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model
from bracewright.tune.levels import mean_level, peak_level, peak_slope

Array = NDArray[np.float64]
Numbers = dict[str, float]
WEIGHTS = ("raise_", "spread", "quiet", "peak", "stiff")
SHORTFALL = 20.0  # what a missing gain counts
LEVEL_BAND = (100.0, 1000.0)  # Hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What a search makes large: a weighted sum of how much better a design is than the start.

    Parameters
    ----------
    raise_ : float
        Weight of the logarithm of the smooth lowest frequency.
    spread : float
        Weight of the spread, 0..1.
    quiet, peak : float
        Weights of the cabinet's mean and loudest level beside its drivers over the band, ten dB counting as 1.
    stiff : float
        Weight of the mean mobility at the drivers over the band, ten dB counting as 1.
    volume : float
        0 counts every mode alike, 1 by the square of the net volume it moves; between, a mixture.
    modes : int
        How many elastic modes raise and spread look at.
    power : float
        How sharply the smooth minimum favours the lowest mode.
    width : float
        Modes closer than about this fraction of their frequency count as close.
    band_Hz : (float, float), optional
        The spread looks at this band only, its edges softened by `width`; levels and mobility are taken over it, or
        over `LEVEL_BAND` without one.
    harm : float
        A goal that is worse than at the start by a gain of -g loses `harm` g^2 more, times its weight.
    least : tuple of (goal, gain)
        Gains to be kept; what is missing counts `SHORTFALL` times.
    """

    raise_: float = 1.0
    spread: float = 0.5
    quiet: float = 0.0
    peak: float = 0.0
    stiff: float = 0.0
    volume: float = 0.0
    modes: int = 12
    power: float = 8.0
    width: float = 0.05
    band_Hz: tuple[float, float] | None = None
    harm: float = 40.0
    least: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        for name in WEIGHTS:
            number(getattr(self, name), f"goal.{name}", low=0.0, high=1e3)
        number(self.volume, "goal.volume", low=0.0, high=1.0)
        number(self.power, "goal.power", low=1.0, high=64.0)
        number(self.width, "goal.width", low=1e-3, high=1.0)
        number(self.harm, "goal.harm", low=0.0, high=1e3)
        if isinstance(self.modes, bool) or not isinstance(self.modes, int) or not 2 <= self.modes <= 200:
            raise DesignError(f"got {self.modes!r}; look at 2 to 200 modes", key="goal.modes")
        if self.band_Hz is not None and not 0 < self.band_Hz[0] < self.band_Hz[1]:
            raise DesignError(f"got {self.band_Hz!r}; give a low and a higher frequency", key="goal.band_Hz")
        if not any(getattr(self, name) for name in WEIGHTS):
            raise DesignError("all weights are 0; give one of them", key="goal")

    @classmethod
    def of(cls, cabinet: Cabinet) -> Goal:
        """Return the goal of a design's ``[tune]`` table, the default where it has none."""
        wishes = cabinet.tune
        weights = dict.fromkeys(WEIGHTS, 0.0) if wishes.goal else {}
        weights |= {"raise_" if k == "raise" else k: v for k, v in wishes.goal}
        return cls(**cast(Any, weights), band_Hz=wishes.band_Hz)

    @property
    def hears(self) -> bool:
        """Whether it needs the levels and mobilities of a design, not only its modes."""
        kept = dict(self.least)
        return any(getattr(self, name) or name in kept for name in ("quiet", "peak", "stiff"))

    @property
    def levels_Hz(self) -> tuple[float, float]:
        """Band of the levels."""
        return self.band_Hz or LEVEL_BAND

    def numbers(
        self,
        frequency_Hz: ArrayLike,
        moved: ArrayLike | None = None,
        level_dB: ArrayLike | None = None,
        mobility_dB: ArrayLike | None = None,
    ) -> Numbers:
        """Return the numbers of a set of modes.

        Parameters
        ----------
        frequency_Hz : (m,) array
            Only the first `modes` of them count.
        moved : (m,) array, optional
            Net volume each mode moves, m3 at unit modal mass, as from `moved_volume`; needed when `volume` > 0.
        level_dB, mobility_dB : (f,) arrays, optional
            Over the band, as an `Answer` has them.

        Returns
        -------
        dict
            ``raise_Hz``, ``spread`` and, for display, ``first_Hz`` and ``closest_pair`` (smallest difference of two
            modes over their frequency); with levels ``mean_dB``, ``peak_dB`` (smooth), ``loudest_dB``; with mobilities
            ``mobility_dB``.
        """
        f = np.asarray(frequency_Hz, dtype=float)[: self.modes]
        out = {"first_Hz": float(f.min()), "closest_pair": closest_pair(f)}
        share, window = self._weights(f, moved)
        out["raise_Hz"] = smooth_minimum(f, share, power=self.power)
        out["spread"] = spread(f, share * window, width=self.width)
        if level_dB is not None:
            level = np.asarray(level_dB, dtype=float)
            out |= {"mean_dB": mean_level(level), "peak_dB": peak_level(level), "loudest_dB": float(level.max())}
        if mobility_dB is not None:
            out["mobility_dB"] = float(np.mean(np.asarray(mobility_dB, dtype=float)))
        return out

    def _weights(self, f: Array, moved: ArrayLike | None) -> tuple[Array, Array]:
        share = np.ones(len(f))
        if self.volume:
            if moved is None:
                raise DesignError("the volume each mode moves is needed when volume > 0; pass it", key="moved")
            square = np.asarray(moved, dtype=float)[: self.modes] ** 2
            total = float(square.sum())
            share = share - self.volume + (self.volume * len(f) / total * square if total > 0 else self.volume)
        window = np.ones(len(f))
        if self.band_Hz is not None:
            low, high = (np.log(f / edge) / self.width for edge in self.band_Hz)
            window = 0.25 * (1 + np.tanh(low)) * (1 - np.tanh(high))
        return share, window

    def gains(self, numbers: Mapping[str, float], before: Mapping[str, float]) -> dict[str, float]:
        """Return by goal how much better `numbers` are than those before, in the units of `score`."""
        out = {
            "raise_": float(np.log(numbers["raise_Hz"] / before["raise_Hz"])),
            "spread": numbers["spread"] - before["spread"],
        }
        if self.hears:
            for name, key in (("quiet", "mean_dB"), ("peak", "peak_dB"), ("stiff", "mobility_dB")):
                out[name] = (before[key] - numbers[key]) / 10
        return out

    def score(self, numbers: Mapping[str, float], before: Mapping[str, float]) -> float:
        """Return how much better `numbers` are than those before: 0 for the same, about 0.1 for 10 % higher modes."""
        gains = self.gains(numbers, before)
        short = sum(max(0.0, least - gains[name]) for name, least in self.least)
        worth = sum(float(getattr(self, n)) * (g - self.harm * min(g, 0.0) ** 2) for n, g in gains.items())
        return worth - SHORTFALL * short

    def slopes(
        self,
        numbers: Mapping[str, float],
        before: Mapping[str, float],
        frequency_Hz: Array,
        moved: Array,
        level_dB: Array | None,
    ) -> tuple[Array, Array]:
        """Derivatives of the score by the frequencies (m,), per Hz, and by the levels (f,), per dB.

        Volumes and mobilities are held: where `volume` or `stiff` has a weight, this is not all of the slope.
        """
        gains = self.gains(numbers, before)
        worth = {n: getattr(self, n) * (1 - 2 * self.harm * min(g, 0.0)) for n, g in gains.items()}
        for name, least in self.least:
            worth[name] += SHORTFALL * (gains[name] < least)
        f = np.asarray(frequency_Hz, dtype=float)[: self.modes]
        share, window = self._weights(f, moved)
        by_f = np.zeros(len(frequency_Hz))
        low = f.min()
        power = share * (f / low) ** -self.power
        by_f[: len(f)] = worth["raise_"] * power / power.sum() / f
        by_f[: len(f)] += worth["spread"] * spread_slope(f, share * window, width=self.width)
        by_level = np.zeros(0)
        if level_dB is not None:
            worth = {"quiet": 0.0, "peak": 0.0} | worth
            by_level = -worth["quiet"] / 10 / len(level_dB) - worth["peak"] / 10 * peak_slope(level_dB)
        return by_f, by_level


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


def spread_slope(values: Array, weights: Array, *, width: float = 0.05) -> Array:
    """Return the derivative (m,) of `spread` by the values, the weights held."""
    f = np.log(values)
    apart = f[:, None] - f
    near = weights[:, None] * weights * np.exp(-((apart / width) ** 2))
    by_log = -4 * (near * apart).sum(axis=1) / width**2
    return np.asarray(-spread(values, weights, width=width) / near.sum() * by_log / values)


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
        out += outward_sign(part) * (area @ modes.shapes[model.of_part(side)][2::FIELDS])
    return out
