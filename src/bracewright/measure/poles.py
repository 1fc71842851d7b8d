"""Poles of frequency responses, order by order, and the clusters in which they stay put.

The least-squares complex frequency-domain estimator (Guillaume, Verboven, Vanlanduit, Van der Auweraer, Peeters,
IMAC XXI, 2003; one common denominator here) at a range of orders.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bracewright.errors import DesignError, FileError
from bracewright.measure.frf import Frfs

Array = NDArray[np.float64]
CArray = NDArray[np.complex128]

USED_CIRCLE = 0.9  # of the unit circle that the band covers
STEADY = 0.25  # of its half width a pole may move from order to order and stay the same mode
FOLLOW = 0.3  # of the way a cluster's middle moves to its newest pole
MIN_SHARE = 0.4  # of the orders a cluster must be found in
MAX_LOSS = 0.3  # loss factor of a mode, at most
MAX_ORDER = 120
MIN_LINES = 20  # of a band


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

    def band(self, low_Hz: float, high_Hz: float) -> Stabilisation:
        """Return the poles within a band."""
        keep = (self.frequency_Hz >= low_Hz) & (self.frequency_Hz < high_Hz)
        return Stabilisation(
            order=self.order[keep], pole=self.pole[keep], stable=self.stable[keep], band_Hz=(low_Hz, high_Hz)
        )


def joined(parts: Sequence[Stabilisation]) -> Stabilisation:
    """Put the charts of adjoining bands together."""
    return Stabilisation(
        order=np.concatenate([s.order for s in parts]),
        pole=np.concatenate([s.pole for s in parts]),
        stable=np.concatenate([s.stable for s in parts]),
        band_Hz=(parts[0].band_Hz[0], parts[-1].band_Hz[1]),
    )


def stabilisation(frfs: Frfs, low_Hz: float, high_Hz: float, *, max_order: int | None = None) -> Stabilisation:
    """Estimate poles at orders up to `max_order` within a band.

    Raises
    ------
    DesignError
        The band or order cannot be used.
    FileError
        A response is of a dead channel.
    """
    cut = frfs.band(low_Hz, high_Hz)
    lines = len(cut.frequency_Hz)
    if lines < MIN_LINES:
        raise DesignError(
            f"the band {low_Hz:g}..{high_Hz:g} Hz holds {lines} lines of these records; widen it", key="low_Hz"
        )
    limit = min(MAX_ORDER, lines // 4)
    top = min(limit, 50) if max_order is None else max_order
    if not 2 <= top <= limit:
        raise DesignError(f"got {top}; this band allows orders 2..{limit}", key="max_order")
    with np.errstate(over="ignore", invalid="ignore"):
        size = np.sqrt((np.abs(cut.H) ** 2).mean(axis=1, keepdims=True))
    dead = np.flatnonzero(~(np.isfinite(size) & (size > 0)))
    if len(dead):
        raise FileError(
            f"response {dead[0] + 1} is zero or not finite in {low_Hz:g}..{high_Hz:g} Hz; leave that channel out"
        )
    H = cut.H / size
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
