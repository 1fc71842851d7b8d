"""Poles at the least-squares optimum: residues are eliminated, and the projection is differentiated by the poles.

Variable projection: Golub, Pereyra, SIAM J. Numer. Anal. 10, 1973; with Kaufman's shorter gradient, BIT 15, 1975.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bracewright.measure.frf import Frfs

Array = NDArray[np.float64]
CArray = NDArray[np.complex128]
RESIDUALS = 3  # terms per row for the modes below and above the band


@dataclass(frozen=True, kw_only=True, eq=False)
class Projected:
    """A fit with given poles: residues, what is left over, and the step towards better poles."""

    residues: CArray  # (k, m)
    noise: Array  # (k,) variance of a real part
    cost: float
    gradient: Array  # (2 m,)
    normal: Array  # (2 m, 2 m)
    residue_sd: Array  # (k, m)


def project(frfs: Frfs, poles: CArray, weights: Array | None = None) -> Projected:
    """Fit residues by linear least squares, and differentiate the projection by the poles (Kaufman)."""
    s = 2j * np.pi * frfs.frequency_Hz[:, None]
    m = len(poles)
    a, b = 1 / (s - poles), 1 / (s - poles.conj())
    mid = float(np.abs(s).mean())
    rest = np.concatenate([(s / mid) ** k for k in range(RESIDUALS)], axis=1)
    columns = np.hstack([a + b, 1j * (a - b), rest, 1j * rest])
    da, db = a**2, b**2
    # By the pole's real part, then its imaginary part, for both parts of its residue.
    slopes = np.hstack([da + db, 1j * (da - db), 1j * (da - db), -(da + db)])
    G, D = (np.vstack([x.real, x.imag]) for x in (columns, slopes))
    size = np.linalg.norm(G, axis=0)
    Q, U = np.linalg.qr(G / size)
    y = np.hstack([frfs.H.real, frfs.H.imag]).T
    c = np.linalg.lstsq(U, Q.T @ y, rcond=None)[0] / size[:, None]
    left = y - Q @ (Q.T @ y)
    D = D - Q @ (Q.T @ D)
    free = max(len(y) - G.shape[1] - 2 * m / frfs.H.shape[0], 1.0)
    noise = (left**2).sum(0) / free
    weight = 1 / (noise + 1e-300) if weights is None else weights
    re, im = c[:m], c[m : 2 * m]  # (m, k)
    gram, pull = D.T @ D, D.T @ left
    blocks = [gram[i * m : (i + 1) * m, j * m : (j + 1) * m] for i in range(4) for j in range(4)]
    amp = [re, im]
    normal, gradient = np.zeros((2 * m, 2 * m)), np.zeros(2 * m)
    for i in range(2):
        rows = slice(i * m, (i + 1) * m)
        for p in range(2):
            gradient[rows] += (amp[p] * pull[(2 * i + p) * m : (2 * i + p + 1) * m] * weight).sum(1)
        for j in range(2):
            cols = slice(j * m, (j + 1) * m)
            for p in range(2):
                for q in range(2):
                    both = (amp[p] * weight) @ amp[q].T
                    normal[rows, cols] += both * blocks[4 * (2 * i + p) + 2 * j + q]
    inv = np.linalg.pinv(U)
    spread = np.sqrt((inv**2).sum(1)) / size
    residue_sd = np.sqrt(noise)[:, None] * np.hypot(spread[:m], spread[m : 2 * m])
    return Projected(
        residues=np.asarray((re + 1j * im).T),
        noise=noise,
        cost=float((left**2 * weight).sum()),
        gradient=gradient,
        normal=normal,
        residue_sd=residue_sd,
    )


def refined(frfs: Frfs, poles: CArray, *, steps: int = 12) -> tuple[CArray, Projected]:
    """Move all poles to the least-squares optimum; each step at most a half width, damped where it does not help."""
    p = poles.copy()
    now = project(frfs, p)
    weights = 1 / (now.noise + 1e-300)
    now = project(frfs, p, weights)
    damp = 1e-3
    for _ in range(steps):
        m = len(p)
        scale = np.sqrt(np.diag(now.normal)) + 1e-300
        system = now.normal / np.outer(scale, scale) + damp * np.eye(2 * m)
        d = np.linalg.solve(system, now.gradient / scale) / scale
        move = d[:m] + 1j * d[m:]
        reach = np.maximum(np.abs(move) / (0.5 * np.abs(p.real) + 1e-9), 1.0)
        trial = p + move / reach
        trial = np.minimum(trial.real, -1e-6 * np.abs(trial)) + 1j * trial.imag
        next_ = project(frfs, trial, weights)
        if next_.cost < now.cost:
            gain = (now.cost - next_.cost) / now.cost
            p, now, damp = trial, next_, max(damp / 10, 1e-9)
            if gain < 1e-9:
                break
        else:
            damp *= 10
            if damp > 1e3:
                break
    return p, project(frfs, p)
