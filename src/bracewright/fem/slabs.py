"""Boards as the section of a joint sees them: their layers along a direction across the joint's line."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from bracewright.boards import Board
from bracewright.design.cabinet import PANELS, Cabinet
from bracewright.fem.arms import Slab, Strip
from bracewright.fem.mesh import MM
from bracewright.fem.parts import FlatPart, part_board

Array = NDArray[np.float64]
GRAINED_RATIO = 4.0


def slab(board: Board, grain_deg: float, direction_deg: float, *, flip: bool) -> Slab:
    """Layers of a board as a section sees them, along a direction turned `direction_deg` from the part's first axis."""
    out = []
    for k in board.layers:
        turn = np.radians(k.angle_deg + grain_deg - direction_deg)
        c, s = np.cos(turn) ** 2, np.sin(turn) ** 2
        compliance = np.diag([1 / k.E1_GPa, 1 / k.E2_GPa])
        compliance[0, 1] = compliance[1, 0] = -k.poisson12 / k.E1_GPa
        g = 1 / k.G12_GPa
        # In-plane compliance turned; the coupling of shear and stretch of oblique grain is left out.
        sn = compliance[0, 0] * c * c + compliance[1, 1] * s * s + (2 * compliance[0, 1] + g) * c * s
        ss = compliance[0, 0] * s * s + compliance[1, 1] * c * c + (2 * compliance[0, 1] + g) * c * s
        sns = compliance[0, 1] * (c * c + s * s) + (compliance[0, 0] + compliance[1, 1] - g) * c * s
        gns = 1 / (g * (c - s) ** 2 + 4 * c * s * (compliance[0, 0] + compliance[1, 1] - 2 * compliance[0, 1]))
        G1, G2 = k.G13_GPa * c + k.G23_GPa * s, k.G13_GPa * s + k.G23_GPa * c
        isotropic = abs(k.E1_GPa / k.E2_GPa - 1) < 1e-9
        # Layers give no modulus through the thickness. Take what an isotropic layer of that shear modulus has,
        # and for grained wood the larger ratio of radial stiffness to rolling shear (common practice, no source).
        ratio = 2 * (1 + k.poisson12) if isotropic else GRAINED_RATIO
        ez = min(ratio * np.sqrt(k.G13_GPa * k.G23_GPa), k.E1_GPa, k.E2_GPa)
        nu_z = k.poisson12 * ez / k.E1_GPa if isotropic else 0.0
        out.append(
            Strip(
                thickness=k.thickness * MM,
                E_n=1e9 / sn,
                E_z=1e9 * ez,
                E_s=1e9 / ss,
                nu_ns=-sns / sn,
                nu_nz=nu_z,
                nu_sz=nu_z,
                G_nz=1e9 * G1,
                G_ns=1e9 * gns,
                G_sz=1e9 * G2,
            )
        )
    return tuple(out[::-1] if flip else out)


def homogenised(flat: Slab) -> Strip:
    """Return the mean of a board's layers, in the section's axes: its n along a, its z along b."""
    t = sum(k.thickness for k in flat)

    def mean(name: str) -> float:
        return float(sum(getattr(k, name) * k.thickness for k in flat) / t)

    return Strip(t, *(mean(f.name) for f in fields(Strip) if f.name != "thickness"))


def halved(flat: Strip, upright: Strip) -> Strip:
    """Return the mean of two boards' materials where a mitre or a lap gives half the block to each."""

    def both(first: str, second: str) -> float:
        return float((getattr(flat, first) + getattr(upright, second)) / 2)

    return Strip(
        thickness=flat.thickness,
        E_n=both("E_n", "E_z"),
        E_z=both("E_z", "E_n"),
        E_s=both("E_s", "E_s"),
        nu_ns=both("nu_ns", "nu_sz"),
        nu_nz=both("nu_nz", "nu_nz"),
        nu_sz=both("nu_sz", "nu_ns"),
        G_nz=both("G_nz", "G_nz"),
        G_ns=both("G_ns", "G_sz"),
        G_sz=both("G_sz", "G_ns"),
    )


def part_slab(cabinet: Cabinet, part: FlatPart, n: Array, z: Array) -> Slab:
    """Layers of a part along the in-plane direction `n`, lower face first along `z`."""
    board = part_board(cabinet, part.name)
    grain = (cabinet.panel(part.name) if part.name in PANELS else cabinet.brace(part.name)).grain_deg
    e1, e2, e3 = part.rotation
    angle = float(np.degrees(np.arctan2(n @ e2, n @ e1)))
    return slab(board, grain, angle, flip=bool(z @ e3 < 0))
