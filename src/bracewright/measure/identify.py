"""From frequency responses to modes.

Clusters of steady poles are the start of a non-linear least-squares fit of all poles with the residues
eliminated (variable projection: Golub, Pereyra, SIAM J. Numer. Anal. 10, 1973; Kaufman, BIT 15, 1975), which also
gives their spread.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from bracewright.errors import DesignError, SolveError
from bracewright.fem.modes import Modes
from bracewright.measure.frf import Frfs
from bracewright.measure.poles import MAX_LOSS, MIN_LINES, MIN_SHARE, Stabilisation, clusters, joined, stabilisation
from bracewright.measure.records import Place
from bracewright.measure.refine import Projected, project, refined

Array = NDArray[np.float64]
CArray = NDArray[np.complex128]

BESIDE = 0.2  # of its limits that a band is widened by while poles are fitted
SHOWN_SHARE = 0.2  # of the orders that have a pole, for it to be offered


@dataclass(frozen=True)
class MeasuredModes(Modes):
    """Modes found by measurement; they can stand wherever computed ones can.

    Attributes
    ----------
    places : tuple of Place
        Where the rows of `shapes` are; empty when the records name no places.
    complex_shapes : (p, m) complex array
        `shapes` are these, turned to be as real as they can be.
    frequency_sd_Hz, loss_factor_sd : (m,) array
        Standard deviation by the noise of the records alone.
    scaled : bool
        Whether shapes have unit modal mass (a tap at the sensor was recorded); else their largest is 1.
    sensor_mass_kg : mapping of Place to float
        Masses that were on the cabinet.
    """

    places: tuple[Place, ...] = ()
    complex_shapes: CArray = field(default_factory=lambda: np.zeros((0, 0), complex))
    frequency_sd_Hz: Array = field(default_factory=lambda: np.zeros(0))
    loss_factor_sd: Array = field(default_factory=lambda: np.zeros(0))
    scaled: bool = False
    sensor_mass_kg: Any = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidates:
    """Poles from which modes are chosen, by number from 1 in rising frequency.

    Attributes
    ----------
    frfs : Frfs
        The band and what lies beside it.
    found : Stabilisation
        Every pole of every order.
    poles : (n,) complex array
        The candidates, rad/s.
    beside : (k,) complex array
        Modes outside the band, which are fitted too or they would spoil those at its edges.
    band_Hz : (float, float)
    """

    frfs: Frfs
    found: Stabilisation
    poles: CArray
    beside: CArray
    band_Hz: tuple[float, float]

    @property
    def frequency_Hz(self) -> Array:
        """Natural frequencies."""
        return np.asarray(np.abs(self.poles) / (2 * np.pi))

    @property
    def loss_factor(self) -> Array:
        """Loss factors."""
        return np.asarray(-2 * self.poles.real / np.abs(self.poles))

    def text(self) -> str:
        """Return the candidates as a table."""
        rows = enumerate(zip(self.frequency_Hz, self.loss_factor, strict=True), 1)
        return "number       Hz  loss factor\n" + "".join(f"{k:6}  {f:7.1f}  {n:11.4f}\n" for k, (f, n) in rows)

    def select(self, numbers: Sequence[int]) -> MeasuredModes:
        """Return the modes of the candidates with these numbers.

        Raises
        ------
        DesignError
            No such number, or one given twice.
        """
        own = sorted(numbers)
        if not own or own[0] < 1 or own[-1] > len(self.poles) or len(set(own)) < len(own):
            raise DesignError(f"got {list(numbers)}; choose among 1..{len(self.poles)}, each once", key="numbers")
        chosen = self.poles[np.array(own) - 1]
        modes = from_poles(self.frfs, np.concatenate([chosen, self.beside]), keep_all=True)
        w = 2 * np.pi * modes.frequency_Hz
        _, which = linear_sum_assignment(np.abs(np.abs(chosen)[:, None] - w))
        return only(modes, np.sort(which))


def candidates(
    frfs: Frfs,
    low_Hz: float,
    high_Hz: float,
    *,
    max_order: int | None = None,
    min_share: float = SHOWN_SHARE,
    bands: int | None = None,
) -> Candidates:
    """Find the poles that may be modes of a band.

    Parameters
    ----------
    frfs : Frfs
    low_Hz, high_Hz : float
    max_order : int, optional
        Highest order tried; 50 unless given.
    min_share : float
        Of the orders that must have a pole.
    bands : int, optional
        Parts the band is worked in; one for about every 300 lines unless given.

    Raises
    ------
    DesignError
        The band cannot be used.
    """
    lines = frfs.band(low_Hz, high_Hz).frequency_Hz
    if len(lines) < MIN_LINES:
        raise DesignError(
            f"the band {low_Hz:g}..{high_Hz:g} Hz holds {len(lines)} lines of these records; widen it", key="low_Hz"
        )
    low, high = low_Hz / (1 + BESIDE), min(high_Hz * (1 + BESIDE), float(frfs.frequency_Hz[-1]))
    wide = frfs.band(low, high)
    edges = np.linspace(low, high, (bands or max(1, round(len(wide.frequency_Hz) / 300))) + 1)
    overlap = 0.15 * (edges[1] - edges[0]) if len(edges) > 2 else 0.0
    charts, poles, beside = [], [], []
    for a, b in pairwise(edges):
        s = stabilisation(frfs, max(low, a - overlap), min(high, b + overlap), max_order=max_order)
        charts.append(s.band(a, b))
        poles += [p for p in clusters(s, min_share=min_share) if a <= p.imag / (2 * np.pi) < b]
        beside += [p for p in clusters(s) if a <= p.imag / (2 * np.pi) < b]
    inside, outside = (np.array(sorted(v, key=lambda p: p.imag), complex) for v in (poles, beside))
    w = 2 * np.pi * np.array([low_Hz, high_Hz])
    return Candidates(
        frfs=wide,
        found=joined(charts).band(low_Hz, high_Hz),
        poles=inside[(inside.imag >= w[0]) & (inside.imag <= w[1])],
        beside=outside[(outside.imag < w[0]) | (outside.imag > w[1])],
        band_Hz=(low_Hz, high_Hz),
    )


def identify(
    frfs: Frfs, low_Hz: float, high_Hz: float, *, max_order: int | None = None, bands: int | None = None
) -> MeasuredModes:
    """Identify the modes of a band: every cluster of steady poles that the records bear out.

    Parameters are those of `candidates`, with which modes are chosen by hand.

    Raises
    ------
    DesignError
        The band cannot be used.
    SolveError
        No mode is found.
    """
    c = candidates(frfs, low_Hz, high_Hz, max_order=max_order, bands=bands, min_share=MIN_SHARE)
    nothing = f"no steady mode is found in {low_Hz:g}..{high_Hz:g} Hz; check the records or widen the band"
    if not len(c.poles):
        raise SolveError(nothing)
    modes = from_poles(c.frfs, np.concatenate([c.poles, c.beside]))
    inside = (modes.frequency_Hz >= low_Hz) & (modes.frequency_Hz <= high_Hz)
    if not inside.any():
        raise SolveError(nothing)
    return only(modes, inside)


def only(modes: MeasuredModes, which: NDArray[Any]) -> MeasuredModes:
    """Return some of the modes, by a mask or their numbers from 0."""
    return replace(
        modes,
        frequency_Hz=modes.frequency_Hz[which],
        loss_factor=modes.loss_factor[which],
        shapes=modes.shapes[:, which],
        complex_shapes=modes.complex_shapes[:, which],
        frequency_sd_Hz=modes.frequency_sd_Hz[which],
        loss_factor_sd=modes.loss_factor_sd[which],
    )


def at_places(modes: MeasuredModes, places: Sequence[Place]) -> MeasuredModes:
    """Return modes with their shapes at these places in this order, not a number where they were not measured."""
    z = np.full((len(places), len(modes)), np.nan + 0j)
    for row, p in enumerate(places):
        if p in modes.places:
            z[row] = modes.complex_shapes[modes.places.index(p)]
    return replace(modes, places=tuple(places), complex_shapes=z, shapes=z.real.copy())


def from_poles(frfs: Frfs, poles: CArray, *, keep_all: bool = False, min_size: float = 6.0) -> MeasuredModes:
    """Refine poles, drop those the records do not bear out, and return the modes.

    Parameters
    ----------
    frfs : Frfs
        The band that holds the poles.
    poles : (m,) complex array
        Starting values, rad/s, without the window's decay.
    keep_all : bool
        Keep every pole.
    min_size : float
        A mode's residues must stand this many standard deviations out, all rows together.
    """
    shifted = poles - frfs.decay_per_s
    p, fit = refined(frfs, shifted)
    while not keep_all and len(p) > 1:
        size = np.sqrt(((np.abs(fit.residues) / (fit.residue_sd + 1e-300)) ** 2).mean(axis=0))
        loss = -2 * (p.real + frfs.decay_per_s) / np.abs(p)
        bad = (size < min_size) | (loss <= 0) | (loss > MAX_LOSS) | _outside(frfs, p)
        close = np.abs(np.diff(p)) < 0.1 * -p.real[:-1]
        bad[:-1] |= close
        if not bad.any():
            break
        p, fit = refined(frfs, p[~bad]) if (~bad).any() else (p[:0], fit)
    if not len(p):
        raise SolveError("no mode stands out of the noise; hit harder, average more taps or move the sensor")
    return _as_modes(frfs, p, fit)


def _outside(frfs: Frfs, p: CArray) -> NDArray[np.bool_]:
    f = p.imag / (2 * np.pi)
    return np.asarray((f < frfs.frequency_Hz[0]) | (f > frfs.frequency_Hz[-1]))


def _as_modes(frfs: Frfs, p: CArray, fit: Projected) -> MeasuredModes:
    order = np.argsort(p.imag)
    m = len(p)
    cov = np.linalg.pinv(fit.normal)
    sd_re, sd_im = np.sqrt(np.diag(cov)[:m])[order], np.sqrt(np.diag(cov)[m:])[order]
    p, residues = p[order], fit.residues[:, order]
    true = p + frfs.decay_per_s
    w = np.abs(true)
    places, shapes, scaled = _shapes(frfs, true, residues)
    turned = _turned_real(shapes)
    return MeasuredModes(
        frequency_Hz=w / (2 * np.pi),
        loss_factor=-2 * true.real / w,
        shapes=turned.real.copy(),
        places=places,
        complex_shapes=turned,
        frequency_sd_Hz=sd_im / (2 * np.pi),
        loss_factor_sd=2 * sd_re / w,
        scaled=scaled,
        sensor_mass_kg=dict(frfs.sensor_mass_kg),
    )


def _shapes(frfs: Frfs, p: CArray, residues: CArray) -> tuple[tuple[Place, ...], CArray, bool]:
    """Shapes from residues: accelerance residue = p2 phi_tap phi_sensor / (2 j Im p), p without the window's decay."""
    m = residues.shape[1]
    hammer = frfs.kind != "decay"
    across: list[Any] = list(dict.fromkeys(frfs.taps if hammer else frfs.groups))
    along: list[Any] = list(dict.fromkeys(frfs.sensors))
    table = np.full((len(across), len(along), m), np.nan + 0j)
    for row, (t, s) in enumerate(zip(frfs.taps if hammer else frfs.groups, frfs.sensors, strict=True)):
        table[across.index(t), along.index(s)] = residues[row] * 2j * p.imag / p**2
    if hammer and len(across) >= len(along):
        places, table = across, table.transpose(1, 0, 2)
    else:
        places = along
    if None in places:
        return (), np.zeros((0, m), complex), False
    whole = ~np.isnan(table[..., 0])
    if not whole.all():  # keep the reference that was measured everywhere, or nearly
        best = int(whole.sum(axis=1).argmax())
        places = [q for q, w in zip(places, whole[best], strict=True) if w]
        table = table[best : best + 1, whole[best]]
    shapes = np.stack([np.linalg.svd(table[..., k])[2][0] for k in range(m)], axis=1)
    rows = enumerate(zip(frfs.taps, frfs.sensors, strict=True))
    driving = [(r, places.index(t)) for r, (t, s) in rows if t is not None and t == s and t in places]
    if not driving or frfs.kind != "accelerance" or not frfs.calibrated:
        return tuple(places), shapes / np.abs(shapes).max(axis=0), False
    # At a driving point residue = phi2: that fixes the scale, best where the mode moves most there.
    out = np.zeros_like(shapes)
    for k in range(m):
        r, i = max(driving, key=lambda d: abs(shapes[d[1], k]))
        scale = residues[r, k] * 2j * p[k].imag / p[k] ** 2 / shapes[i, k] ** 2
        out[:, k] = shapes[:, k] * np.sqrt(scale)
    return tuple(places), out, True


def _turned_real(shapes: CArray) -> CArray:
    """Turn each shape's phase so that it is as real as it can be, its largest entry positive."""
    if not len(shapes):
        return shapes
    turned = shapes * np.exp(-0.5j * np.angle((shapes**2).sum(axis=0)))
    sign = np.sign(turned.real[np.abs(turned).argmax(axis=0), np.arange(shapes.shape[1])])
    return np.asarray(turned * np.where(sign == 0, 1, sign))


def peaks(frfs: Frfs, low_Hz: float, high_Hz: float, *, min_prominence_dB: float = 6.0) -> MeasuredModes:
    """Find modes by the peaks of a single tap and their half-power widths; close pairs count as one.

    Raises SolveError where no peak stands out.
    """
    from scipy.signal import find_peaks

    cut = frfs.band(low_Hz, high_Hz)
    f, size = cut.frequency_Hz, np.sqrt((np.abs(cut.H) ** 2).mean(axis=0))
    level = 20 * np.log10(size + 1e-300)
    at, _ = find_peaks(level, prominence=min_prominence_dB)
    poles = []
    for k in at:
        half = size[k] / np.sqrt(2)
        left, right = k, k
        while left > 0 and size[left] > half:
            left -= 1
        while right < len(f) - 1 and size[right] > half:
            right += 1
        lo = np.interp(half, [size[left], size[left + 1]], [f[left], f[left + 1]])
        hi = np.interp(-half, [-size[right - 1], -size[right]], [f[right - 1], f[right]])
        a, b, c = level[k - 1 : k + 2] if 0 < k < len(f) - 1 else (0.0, 1.0, 0.0)
        top = f[k] + (f[1] - f[0]) * 0.5 * (a - c) / (a - 2 * b + c)
        w = 2 * np.pi * top
        poles.append(-np.pi * (hi - lo) + 1j * w)
    if not poles:
        raise SolveError(f"no peak stands {min_prominence_dB:g} dB out in {low_Hz:g}..{high_Hz:g} Hz; check the record")
    p = np.array(poles)
    modes = _as_modes(cut, p, project(cut, p))
    # The width of a line is the least one can tell a peak by.
    step = f[1] - f[0]
    return replace(
        modes,
        frequency_sd_Hz=np.maximum(modes.frequency_sd_Hz, step / 4),
        loss_factor_sd=np.maximum(modes.loss_factor_sd, step / modes.frequency_Hz),
    )
