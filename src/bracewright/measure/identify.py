"""From frequency responses to modes.

Poles come from the least-squares complex frequency-domain estimator (Guillaume, Verboven, Vanlanduit, Van der
Auweraer, Peeters, IMAC XXI, 2003; one common denominator here) at a range of orders. Poles that stay put from order
to order form clusters; the clusters are the start of a non-linear least-squares fit of all poles with the residues
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

from bracewright.errors import DesignError, SolveError
from bracewright.fem.modes import Modes
from bracewright.measure.frf import Frfs
from bracewright.measure.records import Place
from bracewright.measure.refine import Projected, project, refined

Array = NDArray[np.float64]
CArray = NDArray[np.complex128]

USED_CIRCLE = 0.9  # of the unit circle that the band covers
STEADY = 0.25  # of its half width a pole may move from order to order and stay the same mode
FOLLOW = 0.3  # of the way a cluster's middle moves to its newest pole
MIN_SHARE = 0.4  # of the orders a cluster must be found in
MAX_LOSS = 0.3  # loss factor of a mode, at most
MAX_ORDER = 120


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
class Stabilisation:
    """Poles by order: the picture from which modes are picked.

    Attributes
    ----------
    order : (n,) int array
    pole : (n,) complex array
        rad/s, with the window's decay taken off.
    stable : (n,) bool array
        Whether the order below has the same pole.
    band_Hz : (float, float)
    """

    order: NDArray[np.int64]
    pole: CArray
    stable: NDArray[np.bool_]
    band_Hz: tuple[float, float]

    @property
    def frequency_Hz(self) -> Array:
        """Natural frequencies."""
        return np.asarray(np.abs(self.pole) / (2 * np.pi))

    @property
    def loss_factor(self) -> Array:
        """Loss factors."""
        return np.asarray(-2 * self.pole.real / np.abs(self.pole))


def stabilisation(frfs: Frfs, low_Hz: float, high_Hz: float, *, max_order: int | None = None) -> Stabilisation:
    """Estimate poles at orders up to `max_order` within a band.

    Raises
    ------
    DesignError
        The band or order cannot be used.
    """
    cut = frfs.band(low_Hz, high_Hz)
    lines = len(cut.frequency_Hz)
    if lines < 20:
        raise DesignError(
            f"the band {low_Hz:g}..{high_Hz:g} Hz holds {lines} lines of these records; widen it", key="low_Hz"
        )
    limit = min(MAX_ORDER, lines // 4)
    top = min(limit, 50) if max_order is None else max_order
    if not 2 <= top <= limit:
        raise DesignError(f"got {top}; this band allows orders 2..{limit}", key="max_order")
    H = cut.H / np.sqrt((np.abs(cut.H) ** 2).mean(axis=1, keepdims=True))
    w = 2 * np.pi * cut.frequency_Hz
    step = USED_CIRCLE * 2 * np.pi / (w[-1] - w[0])  # the band turns `USED_CIRCLE` of a full circle
    powers = np.exp(-1j * step * (w - w[0])[:, None] * np.arange(top + 1))
    R = powers.conj().T @ powers
    S = [-(powers.conj().T @ (h[:, None] * powers)) for h in H]
    T = np.asarray(powers.conj().T @ ((np.abs(H) ** 2).sum(0)[:, None] * powers))
    orders, poles, stable = [], [], []
    before = np.zeros(0, complex)
    for n in range(2, top + 1):
        p = _poles_of_order(R[: n + 1, : n + 1], [s[: n + 1, : n + 1] for s in S], T[: n + 1, : n + 1], step, w[0])
        p = p + frfs.decay_per_s
        p = p[_physical(p, low_Hz, high_Hz)]
        near = _nearest(p, before)
        orders.append(np.full(len(p), n))
        poles.append(p)
        stable.append(near < STEADY)
        before = p
    return Stabilisation(
        order=np.concatenate(orders).astype(np.int64),
        pole=np.concatenate(poles),
        stable=np.concatenate(stable),
        band_Hz=(low_Hz, high_Hz),
    )


def _poles_of_order(R: CArray, S: Sequence[CArray], T: CArray, step: float, w0: float) -> CArray:
    """Roots of the denominator that minimises the equation error, its first coefficient held at 1.

    In powers of exp(-j w step) that choice sends the roots that only model noise outside the stable half.
    """
    inverse = np.linalg.pinv(R, hermitian=True)
    M = T - sum(s.conj().T @ inverse @ s for s in S)
    a = np.ones(len(M), complex)
    a[1:] = np.linalg.lstsq(M[1:, 1:], -M[1:, 0], rcond=None)[0]
    roots = np.roots(a[::-1])  # in z = exp(-s' step)
    roots = roots[np.abs(roots) > 1e-12]
    return _to_s(roots, step, w0)


def _to_s(roots: CArray, step: float, w0: float) -> CArray:
    s = -np.log(roots) / step
    turn = np.where(s.imag < -0.05 * np.pi / step, 2 * np.pi / step, 0.0)
    return np.asarray(s + 1j * (turn + w0))


def _physical(p: CArray, low_Hz: float, high_Hz: float) -> NDArray[np.bool_]:
    f, loss = p.imag / (2 * np.pi), -2 * p.real / np.abs(p)
    return np.asarray((f > low_Hz) & (f < high_Hz) & (loss > 0) & (loss < MAX_LOSS))


def _nearest(p: CArray, others: CArray) -> Array:
    """Distance of each pole to the nearest of `others`, in half widths."""
    if not len(others) or not len(p):
        return np.full(len(p), np.inf)
    return np.asarray((np.abs(p[:, None] - others[None]) / np.maximum(-p.real, 1e-9)[:, None]).min(axis=1))


def clusters(found: Stabilisation, *, min_share: float = MIN_SHARE) -> CArray:
    """Return one pole for each mode: the middle of each cluster of poles that stay put from order to order.

    Two poles of one order are never in one cluster, so close pairs stay apart.
    """
    orders = np.unique(found.order)[::-1]
    chains: list[list[complex]] = []
    middle = np.zeros(0, complex)
    for n in orders:
        here = found.pole[found.order == n]
        gap = np.abs(here[:, None] - middle) / np.maximum(-middle.real, 1e-9)
        fresh = np.ones(len(here), bool)
        while gap.size and gap.min() < STEADY:
            i, k = np.unravel_index(gap.argmin(), gap.shape)
            chains[k].append(complex(here[i]))
            middle[k] += FOLLOW * (here[i] - middle[k])
            gap[i], gap[:, k], fresh[i] = np.inf, np.inf, False
        chains += [[complex(q)] for q in here[fresh]]
        middle = np.concatenate([middle, here[fresh]])
    # A mode needs its pole at many orders; high orders are where weak ones show first.
    need = max(4, min_share * len(orders))
    kept = [np.array(c) for c in chains if len(c) >= need]
    poles = np.array([np.median(c.real) + 1j * np.median(c.imag) for c in kept], complex)
    return np.asarray(poles[np.argsort(poles.imag)])


def identify(
    frfs: Frfs,
    low_Hz: float,
    high_Hz: float,
    *,
    max_order: int | None = None,
    pick_Hz: Sequence[float] | None = None,
    bands: int | None = None,
) -> MeasuredModes:
    """Identify the modes of a band.

    Parameters
    ----------
    frfs : Frfs
    low_Hz, high_Hz : float
        Some margin beyond the outer modes helps.
    max_order : int, optional
        Highest order tried; 50 unless given.
    pick_Hz : sequence of float, optional
        Frequencies picked by hand, in a notebook from `stabilisation`; the nearest steady pole of each is used.
    bands : int, optional
        Parts the band is worked in; one for about every 300 lines unless given.

    Raises
    ------
    DesignError
        The band cannot be used.
    SolveError
        No mode is found.
    """
    lines = len(frfs.band(low_Hz, high_Hz).frequency_Hz)
    count = bands or max(1, round(lines / 300))
    edges = np.linspace(low_Hz, high_Hz, count + 1)
    overlap = 0.15 * (edges[1] - edges[0]) if count > 1 else 0.0
    found: list[complex] = []
    for a, b in pairwise(edges):
        s = stabilisation(frfs, max(low_Hz, a - overlap), min(high_Hz, b + overlap), max_order=max_order)
        part = clusters(s) if pick_Hz is None else _picked(s, [f for f in pick_Hz if a <= f < b or f == b == high_Hz])
        found += [complex(p) for p in part if a <= p.imag / (2 * np.pi) <= b]
    start = np.array(sorted(found, key=lambda p: p.imag), complex)
    if not len(start):
        raise SolveError(f"no steady mode is found in {low_Hz:g}..{high_Hz:g} Hz; check the records or widen the band")
    return from_poles(frfs.band(low_Hz, high_Hz), start, keep_all=pick_Hz is not None)


def _picked(s: Stabilisation, wanted: Sequence[float]) -> CArray:
    out = []
    for f in wanted:
        pool = s.stable if s.stable.any() else np.ones(len(s.pole), bool)
        if not pool.any():
            raise SolveError(f"no steady pole is near {f:g} Hz; pick another, or raise the order")
        near = np.abs(s.frequency_Hz[pool] - f)
        best = s.pole[pool][near.argmin()]
        mates = s.pole[pool][np.abs(s.pole[pool] - best) < STEADY * -best.real]
        out.append(complex(np.median(mates.real) + 1j * np.median(mates.imag)))
    return np.array(out, complex)


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
    places, shapes, scaled = _shapes(frfs, p, residues)
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
    """Shapes from residues: accelerance residue = p2 phi_tap phi_sensor / (2 j w)."""
    m = residues.shape[1]
    hammer = frfs.kind != "decay"
    across: list[Any] = list(dict.fromkeys(frfs.taps if hammer else frfs.groups))
    along: list[Any] = list(dict.fromkeys(frfs.sensors))
    table = np.full((len(across), len(along), m), np.nan + 0j)
    for row, (t, s) in enumerate(zip(frfs.taps if hammer else frfs.groups, frfs.sensors, strict=True)):
        table[across.index(t), along.index(s)] = residues[row] * 2j * np.abs(p) / p**2
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
    driving = (
        [
            (r, k)
            for r, (t, s) in enumerate(zip(frfs.taps, frfs.sensors, strict=True))
            if t == s and t is not None
            for k in [places.index(t)]
            if t in places
        ]
        if hammer
        else []
    )
    if not driving:
        return tuple(places), shapes / np.abs(shapes).max(axis=0), False
    # At a driving point residue = phi2: that fixes the scale, best where the mode moves most there.
    out = np.zeros_like(shapes)
    for k in range(m):
        r, i = max(driving, key=lambda d: abs(shapes[d[1], k]))
        scale = residues[r, k] * 2j * np.abs(p[k]) / p[k] ** 2 / shapes[i, k] ** 2
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
