"""Material values from an offcut: a tapped strip or panel, or a strip bent on two supports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares

from bracewright.design.checks import number
from bracewright.errors import DesignError, SolveError

Array = NDArray[np.float64]
SHEAR_FACTOR = 5.0 / 6.0
# Of its length, up to which a strip bends as a beam: its third mode is then 1.3 % higher, the first 0.2 %.
WIDEST = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A straight strip or panel cut from a board.

    Parameters
    ----------
    length, width, thickness : float
        mm.
    mass_g : float
    """

    length: float
    width: float
    thickness: float
    mass_g: float

    def __post_init__(self) -> None:
        number(self.length, "length", low=40.0, high=3000.0, hint="mm")
        number(self.width, "width", low=3.0, high=3000.0, hint="mm")
        number(self.thickness, "thickness", low=0.5, high=100.0, hint="mm")
        number(self.mass_g, "mass_g", low=0.5, high=1e5, hint="grams")
        if not 50.0 <= self.density_kg_m3 <= 3000.0:
            raise DesignError(
                f"its density comes to {self.density_kg_m3:.0f} kg/m3; check the mass in g and the sizes in mm",
                key="mass_g",
            )

    @property
    def density_kg_m3(self) -> float:
        """Density."""
        return self.mass_g * 1e6 / (self.length * self.width * self.thickness)


@dataclass(frozen=True, slots=True, kw_only=True)
class Constants:
    """Values of an offcut with their standard deviations; None where the data do not tell.

    Attributes
    ----------
    E_GPa, E_sd_GPa : float
        Along the strip (for a panel along its length).
    G_GPa, G_sd_GPa : float or None
        Through the thickness for a strip in bending; in plane for a panel.
    E2_GPa, E2_sd_GPa : float or None
        Across, of a panel.
    loss_factor : float or None
    density_kg_m3 : float
    misfit : float
        Root mean square relative difference of the frequencies.
    """

    E_GPa: float
    E_sd_GPa: float
    density_kg_m3: float
    G_GPa: float | None = None
    G_sd_GPa: float | None = None
    E2_GPa: float | None = None
    E2_sd_GPa: float | None = None
    loss_factor: float | None = None
    misfit: float = 0.0


def beam_frequencies(strip: Strip, E_GPa: float, G_GPa: float, count: int) -> Array:
    """Bending frequencies (count,) of a free strip, Hz, by Timoshenko's beam.

    Timoshenko, Phil. Mag. 41, 1921; frequency equation of the free beam after Huang, J. Appl. Mech. 28, 1961.
    Each is looked for below the last by the sign of the boundary determinant.
    """
    L, t = strip.length / 1e3, strip.thickness / 1e3
    E, G, rho = E_GPa * 1e9, G_GPa * 1e9, strip.density_kg_m3
    slender = np.sqrt(E * t**2 / 12 / rho) / L**2 / (2 * np.pi)
    rotary = t**2 / (12 * L**2)
    shear = E * t**2 / 12 / (SHEAR_FACTOR * G * L**2)

    def determinant(root: float) -> float:
        """Boundary determinant of the free ends at b = root**2, scaled against overflow."""
        bb = root**4
        half = np.sqrt((rotary - shear) ** 2 + 4 / bb)
        alpha2, beta2 = (-(rotary + shear) + half) / 2, ((rotary + shear) + half) / 2
        a, c = root**2 * np.sqrt(max(alpha2, 0.0)), root**2 * np.sqrt(beta2)
        middle = bb * rotary * (rotary - shear) ** 2 + (3 * rotary - shear)
        factor = root**2 / np.sqrt(max(1 - bb * rotary * shear, 1e-12)) * middle
        small = np.exp(-a)
        cosh, sinh = (1 + small**2) / 2, (1 - small**2) / 2
        return float(2 * small - 2 * cosh * np.cos(c) + factor * sinh * np.sin(c))

    # Slender roots are 4.730, 7.853, ...; shear and rotation only lower them.
    limit = 0.98 / (rotary * shear) ** 0.25
    grid = np.arange(3.0, min((count + 1.5) * np.pi, limit), 0.02)
    values = [determinant(x) for x in grid]
    roots = [brentq(determinant, grid[k], grid[k + 1]) for k in range(len(grid) - 1) if values[k] * values[k + 1] < 0][
        :count
    ]
    if len(roots) < count:
        raise SolveError(f"the strip is too stubby for {count} bending modes; give fewer frequencies")
    return np.asarray(np.array(roots) ** 2 * slender)


def strip_constants(
    strip: Strip,
    frequency_Hz: Sequence[float],
    *,
    loss_factor: Sequence[float] | None = None,
    frequency_error: float = 0.005,
    size_error: float = 0.005,
    G_over_E: float = 0.4,
) -> Constants:
    """E, shear modulus and loss factor of a strip that hangs free, from its bending frequencies.

    Parameters
    ----------
    strip : Strip
    frequency_Hz : sequence of float
        Bending modes 1, 2, 3, ... without gaps. With three or more, shear is told too.
    loss_factor : sequence of float, optional
        Of the same modes.
    frequency_error, size_error : float
        Relative standard deviations of frequencies and of the thickness; the latter counts twice in E.
    G_over_E : float
        Assumed with fewer than three modes.

    Raises
    ------
    DesignError
        No frequency, or one that is not positive or rising.
    SolveError
        The frequencies fit no strip of this size.
    """
    f = np.array([number(float(v), "frequency_Hz", low=1.0, high=1e5, hint="Hz") for v in frequency_Hz])
    if not len(f) or (np.diff(f) <= 0).any():
        raise DesignError("give rising frequencies of bending modes 1, 2, 3, ...", key="frequency_Hz")
    if strip.width > WIDEST * strip.length:
        raise DesignError("a piece so wide is a plate; cut it narrower, or use panel_constants", key="width")
    L, t = strip.length / 1e3, strip.thickness / 1e3
    E0 = strip.density_kg_m3 * (f[0] * L**2 / (1.028 * t)) ** 2 / 1e9
    count = len(f)

    def residual(x: Array) -> Array:
        ratio = np.exp(x[1]) if len(x) > 1 else G_over_E
        E = E0 * np.exp(x[0])
        return np.asarray(np.log(beam_frequencies(strip, float(E), float(E * ratio), count) / f))

    x0 = [0.05, np.log(G_over_E)] if count >= 3 else [0.05]
    high = [3.0, np.log(5.0)][: len(x0)]
    low = [-3.0, np.log(0.002)][: len(x0)]
    found = least_squares(residual, x0, bounds=(low, high))
    rms = float(np.sqrt((found.fun**2).mean()))
    if rms > 0.05:
        raise SolveError(
            f"the frequencies fit no strip of this size (off by {100 * rms:.0f} %); check that none is missing, "
            "and that all are bending modes"
        )
    error = max(frequency_error, rms * np.sqrt(count / max(count - len(x0), 1)))
    cov = np.linalg.inv(found.jac.T @ found.jac) * error**2
    E = float(E0 * np.exp(found.x[0]))
    G = float(E * np.exp(found.x[1])) if count >= 3 else None
    sd_E = float(np.sqrt(cov[0, 0] + (2 * size_error) ** 2))
    sd_G = float(np.sqrt(cov[0, 0] + cov[1, 1] + 2 * cov[0, 1] + (2 * size_error) ** 2)) if count >= 3 else 0.0
    # A strip so slender that shear hardly shows tells nothing of it.
    told = G is not None and sd_G < 0.5
    return Constants(
        E_GPa=E,
        E_sd_GPa=E * sd_E,
        G_GPa=G if told else None,
        G_sd_GPa=G * sd_G if told and G is not None else None,
        loss_factor=None if loss_factor is None else float(np.median(np.asarray(loss_factor, float))),
        density_kg_m3=strip.density_kg_m3,
        misfit=rms,
    )


def panel_frequencies(
    strip: Strip, E1_GPa: float, E2_GPa: float, G12_GPa: float, poisson12: float, count: int
) -> Array:
    """First elastic frequencies (count,) of a free thin rectangular orthotropic panel, Hz.

    Ritz's method with Legendre polynomials; direction 1 along the length. Thin plates only: shear through the
    thickness is left out.
    """
    a, b, t = strip.length / 1e3, strip.width / 1e3, strip.thickness / 1e3
    nu21 = poisson12 * E2_GPa / E1_GPa
    q = 1e9 * t**3 / 12 / (1 - poisson12 * nu21)
    D11, D22, D12 = E1_GPa * q, E2_GPa * q, poisson12 * E2_GPa * q
    D66 = G12_GPa * 1e9 * t**3 / 12
    n = 9
    P0, P1, P2 = _legendre(n)
    x, y = 2 / a, 2 / b  # derivatives by the real coordinates
    i00, i22, i11, i20 = P0 @ P0.T, P2 @ P2.T, P1 @ P1.T, P2 @ P0.T
    jac = a * b / 4
    K = jac * (
        D11 * x**4 * np.kron(i22, i00)
        + D22 * y**4 * np.kron(i00, i22)
        + D12 * x**2 * y**2 * (np.kron(i20, i20.T) + np.kron(i20.T, i20))
        + 4 * D66 * x**2 * y**2 * np.kron(i11, i11)
    )
    M = jac * strip.density_kg_m3 * t * np.kron(i00, i00)
    scale = 1 / np.sqrt(np.diag(M))
    lam = np.linalg.eigvalsh(scale[:, None] * K * scale)
    return np.asarray(np.sqrt(np.maximum(lam[3 : 3 + count], 0)) / (2 * np.pi))


def _legendre(n: int) -> tuple[Array, Array, Array]:
    """Legendre polynomials and two derivatives at Gauss points times root weights, (n, points)."""
    points, weights = np.polynomial.legendre.leggauss(n + 2)
    out: list[Array] = []
    for d in range(3):
        rows = [np.polynomial.legendre.legval(points, np.polynomial.legendre.legder(np.eye(n)[k], d)) for k in range(n)]
        out.append(np.array(rows, float) * np.sqrt(weights.astype(float)))
    return out[0], out[1], out[2]


def panel_constants(
    strip: Strip,
    frequency_Hz: Sequence[float],
    *,
    poisson12: float = 0.25,
    loss_factor: Sequence[float] | None = None,
    isotropic: bool = False,
    frequency_error: float = 0.005,
    size_error: float = 0.005,
) -> Constants:
    """E along and across and the in-plane shear modulus of a free panel from its first frequencies.

    Parameters
    ----------
    strip : Strip
        Length along direction 1.
    frequency_Hz : sequence of float
        The first elastic modes without gaps: three or more, one or more for an isotropic board.
    isotropic : bool
        Take E1 = E2 and G = E/(2(1+poisson)).

    Raises
    ------
    DesignError
        Too few frequencies, or not rising.
    SolveError
        They fit no panel of this size.
    """
    f = np.array([number(float(v), "frequency_Hz", low=1.0, high=1e5, hint="Hz") for v in frequency_Hz])
    if len(f) < (1 if isotropic else 3) or (np.diff(f) < 0).any():
        raise DesignError("give the first three or more frequencies, rising, none left out", key="frequency_Hz")

    def values(x: Array) -> tuple[float, float, float]:
        E = np.exp(x)
        return (E[0], E[0], E[0] / (2 * (1 + poisson12))) if isotropic else (E[0], E[1], E[2])

    def residual(x: Array) -> Array:
        return np.asarray(np.log(panel_frequencies(strip, *values(x), poisson12, len(f)) / f))

    starts = (
        [[np.log(4.0)]]
        if isotropic
        else [[np.log(a), np.log(b), np.log(c)] for a, b, c in ((4, 4, 1.5), (9, 5, 0.7), (5, 9, 0.7), (12, 0.8, 0.8))]
    )
    best = min((least_squares(residual, s) for s in starts), key=lambda r: float(r.cost))
    rms = float(np.sqrt((best.fun**2).mean()))
    if rms > 0.05:
        raise SolveError(f"the frequencies fit no panel of this size (off by {100 * rms:.0f} %); check the list")
    error = max(frequency_error, rms)
    sd = np.sqrt(np.diag(np.linalg.pinv(best.jac.T @ best.jac)) * error**2 + (2 * size_error) ** 2)
    E1, E2, G = values(best.x)
    return Constants(
        E_GPa=float(E1),
        E_sd_GPa=float(E1 * sd[0]),
        E2_GPa=float(E2),
        E2_sd_GPa=float(E2 * sd[min(1, len(sd) - 1)]),
        G_GPa=float(G),
        G_sd_GPa=float(G * sd[-1]),
        loss_factor=None if loss_factor is None else float(np.median(np.asarray(loss_factor, float))),
        density_kg_m3=strip.density_kg_m3,
        misfit=rms,
    )


def en310(
    strip: Strip,
    force_N: Sequence[float],
    deflection: Sequence[float],
    *,
    span: float | None = None,
    G_GPa: float | None = None,
    size_error: float = 0.005,
) -> Constants:
    """E from three-point bending as in EN 310, the deflection by shear taken off.

    EN 310 bends a strip of 50 mm width on a span of 20 times its thickness and takes the slope between 10 and 40 %
    of the breaking force: E = L3 F / (4 b t3 w). Shear adds 3 F L / (10 G b t) to the deflection (Timoshenko).

    Parameters
    ----------
    force_N, deflection : sequences of float
        At the middle, N and mm, on the straight part; two points or more.
    span : float, optional
        Between supports, mm; 20 times the thickness unless given.
    G_GPa : float, optional
        Shear modulus through the thickness; None leaves shear out, as the standard does.

    Raises
    ------
    DesignError
        Too few points, or a span that the strip lacks.
    SolveError
        The curve is not straight, or shear alone would give more than was measured.
    """
    F, w = np.asarray(force_N, float), np.asarray(deflection, float)
    L = 20 * strip.thickness if span is None else number(span, "span", low=20.0, high=3000.0, hint="mm")
    if F.shape != w.shape or F.ndim != 1 or len(F) < 2 or not (np.isfinite(F).all() and np.isfinite(w).all()):
        raise DesignError("give as many forces as deflections, two or more", key="force_N")
    if strip.length < L:
        raise DesignError(f"the span {L:g} is longer than the strip ({strip.length:g}); give the span", key="span")
    if np.ptp(F) == 0:
        raise DesignError("the force does not change; give points along the straight part", key="force_N")
    slope, start = np.polyfit(F, w, 1)
    left = w - np.polyval((slope, start), F)
    if slope <= 0 or np.abs(left).max() > 0.05 * np.ptp(w):
        raise SolveError("the curve is not straight; use points between 10 and 40 % of the breaking force")
    b, t = strip.width, strip.thickness
    by_shear = 0.0 if G_GPa is None else 3 * L / (10 * G_GPa * 1e3 * b * t)
    if by_shear >= slope:
        raise SolveError("shear alone would bend it more than was measured; check G_GPa")
    E = L**3 / (4 * b * t**3 * (slope - by_shear)) / 1e3
    spread = len(F) > 2 and np.sqrt((left**2).sum() / (len(F) - 2) / ((F - F.mean()) ** 2).sum()) / slope
    sd = float(np.hypot(float(spread), 3 * size_error))
    return Constants(E_GPa=float(E), E_sd_GPa=float(E * sd), G_GPa=G_GPa, density_kg_m3=strip.density_kg_m3)
