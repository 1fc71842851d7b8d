"""Stiffness and inertia of a board as a plate: classical lamination, and shear by its energy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bracewright.boards.board import Board
from bracewright.boards.layer import Layer

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laminate:
    """Stiffness and inertia of a board as a plate about its mid-surface, in SI, in the part's axes.

    With u_x(z) = u + z bx, u_y(z) = v + z by and strains ordered [xx, yy, xy] (engineering shear):
    N = A e + B k, M = B e + D k, Q = S g with g = [w,x + bx, w,y + by].

    Attributes
    ----------
    A, B, D : ndarray, shape (3, 3)
        Membrane (N/m), coupling (N) and bending (N m) stiffness.
    S : ndarray, shape (2, 2)
        Transverse shear stiffness (N/m), rows [xz, yz], its energy-equivalent shear correction included.
    mass, first_moment, rotary : float
        Integrals of density times 1, z and z squared: kg/m2, kg/m, kg.
    thickness_m : float
        Thickness in metres.
    """

    A: Array
    B: Array
    D: Array
    S: Array
    mass: float
    first_moment: float
    rotary: float
    thickness_m: float


@lru_cache(maxsize=512)
def laminate(board: Board, grain_deg: float = 0.0) -> Laminate:
    """Return the plate stiffness of `board` turned by `grain_deg` on its part (classical lamination theory).

    The arrays are read-only, as results are shared between equal calls. See `_shear_stiffness` for S.
    """
    h = board.thickness / 1000.0
    # In units of the thickness everything is of one size, and the solve for the shear flow is well conditioned.
    zeta = np.concatenate([[0.0], np.cumsum([k.thickness for k in board.layers])]) / board.thickness - 0.5
    turn = [k.angle_deg + grain_deg for k in board.layers]
    Q = _layer_stiffness(board.layers, turn)
    A, B, D = _moments(zeta, Q)
    if np.abs(B).max() < 1e-13 * np.abs(A).max():  # symmetric but for rounding
        B = np.zeros((3, 3))
    rho = np.array([k.density_kg_m3 for k in board.layers])
    m0, m1, m2 = (float(m) for m in _moments(zeta, rho))
    S = _shear_stiffness(board.layers, zeta, turn, _principal_deg((D, B, A), turn[0])) * h
    stiffness = [A * h, B * h**2, D * h**3, S]
    for matrix in stiffness:
        matrix.setflags(write=False)
    return Laminate(
        A=stiffness[0],
        B=stiffness[1],
        D=stiffness[2],
        S=stiffness[3],
        mass=m0 * h,
        first_moment=0.0 if abs(m1) < 1e-13 * m0 else m1 * h**2,
        rotary=m2 * h**3,
        thickness_m=h,
    )


def _moments(zeta: Array, layered: Array) -> tuple[Array, Array, Array]:
    """Integrate a layer-wise constant quantity times 1, zeta, zeta squared through the thickness."""
    first, second, third = (np.tensordot(np.diff(zeta**n) / n, layered, axes=1) for n in (1, 2, 3))
    return first, second, third


def _cos_sin(angle_deg: float) -> tuple[float, float]:
    """Cosine and sine, exact at multiples of 90 degrees so that cross-plies stay free of stray coupling."""
    quarter, rest = divmod(angle_deg, 90.0)
    c, s = math.cos(math.radians(rest)), math.sin(math.radians(rest))
    return ((c, s), (-s, c), (-c, -s), (s, -c))[int(quarter) % 4]


def _layer_stiffness(layers: tuple[Layer, ...], turn: list[float]) -> Array:
    """Plane-stress stiffness of each layer in the part's axes, Pa, shape (n, 3, 3)."""
    out = np.empty((len(layers), 3, 3))
    for k, (layer, angle) in enumerate(zip(layers, turn, strict=True)):
        E1, E2, nu = layer.E1_GPa, layer.E2_GPa, layer.poisson12
        f = 1.0 - nu**2 * E2 / E1
        q = np.array([[E1 / f, nu * E2 / f, 0.0], [nu * E2 / f, E2 / f, 0.0], [0.0, 0.0, layer.G12_GPa]]) * 1e9
        c, s = _cos_sin(angle)
        strain = np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]])
        out[k] = strain.T @ q @ strain
    return out


def _layer_shear_compliance(layers: tuple[Layer, ...], turn: list[float]) -> Array:
    """Compliance of each layer to [xz, yz] shear in the part's axes, 1/Pa, shape (n, 2, 2)."""
    out = np.empty((len(layers), 2, 2))
    for k, (layer, angle) in enumerate(zip(layers, turn, strict=True)):
        c, s = _cos_sin(angle)
        rotate = np.array([[c, s], [-s, c]])
        out[k] = rotate.T @ np.diag([1e-9 / layer.G13_GPa, 1e-9 / layer.G23_GPa]) @ rotate
    return out


def _principal_deg(stiffness: tuple[Array, ...], fallback_deg: float) -> float:
    """Direction of the plate's principal axes: those of the first stiffness that is not alike in all directions."""
    scale = np.trace(stiffness[0])
    for C in stiffness:
        across, shear = C[0, 0] - C[1, 1], 2.0 * (C[0, 2] + C[1, 2])
        if math.hypot(across, shear) > 1e-9 * scale:
            return math.degrees(0.5 * math.atan2(shear, across))
    return fallback_deg


def _shear_stiffness(layers: tuple[Layer, ...], zeta: Array, turn: list[float], axis_deg: float) -> Array:
    """Energy-equivalent transverse shear stiffness for a board of unit thickness, shape (2, 2).

    Along each principal axis the board is bent cylindrically without net in-plane force (so the flow turns
    about the neutral plane of an unsymmetric board); equilibrium gives the shear stress through the thickness,
    and S is the stiffness that stores its energy: 5/6 of G h for a homogeneous board. After J. M. Whitney,
    J. Applied Mechanics 40 (1973) 302-304 (from memory), extended to both shear forces at once.
    """
    turn = [angle - axis_deg for angle in turn]
    Q, compliance = _layer_stiffness(layers, turn), _layer_shear_compliance(layers, turn)
    nodes, weights = np.polynomial.legendre.leggauss(3)  # exact: the energy is of fourth degree in each layer
    lower, width = zeta[:-1, None], np.diff(zeta)[:, None]
    z = lower + width * (nodes + 1.0) / 2.0
    flows = []
    for axis in (0, 1):
        pair = np.ix_([axis, 2], [axis, 2])
        q = np.array([layer[pair] for layer in Q])
        A, B, D = _moments(zeta, q)
        gradient = np.linalg.solve(np.block([[A, B], [B, D]]), np.array([0.0, 0.0, 1.0, 0.0]))
        q_e, q_k = q @ gradient[:2], q @ gradient[2:]
        whole = q_e * width + q_k * np.diff(zeta**2)[:, None] / 2.0
        below = np.cumsum(whole, axis=0) - whole
        rise = q_e[:, None, :] * (z - lower)[..., None] + q_k[:, None, :] * ((z**2 - lower**2) / 2.0)[..., None]
        flow = -(below[:, None, :] + rise)  # [along the axis, across it]
        flows.append(flow if axis == 0 else flow[..., ::-1])
    flow = np.stack(flows)
    energy = np.einsum("ikgc,kcd,jkgd,kg->ij", flow, compliance, flow, width * weights / 2.0)
    c, s = _cos_sin(axis_deg)
    rotate = np.array([[c, s], [-s, c]])
    S: Array = rotate.T @ np.linalg.inv((energy + energy.T) / 2.0) @ rotate
    return (S + S.T) / 2.0
