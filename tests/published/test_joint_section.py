"""The corner of a monolithic joint against an independent solve of the same section.

Reference: plane-strain and antiplane finite elements of an L with arms of 4-7 thicknesses, equal
boards, Poisson's ratio 0.25, arms taken off as Timoshenko beams (computed independently, three
digits). Compliance for a moment at the block's centre and forces along each arm, in units of
1/(E t^2), 1/(E t) and 1/E; antiplane 1/G.
"""

from __future__ import annotations

import numpy as np
import pytest

from bracewright.fem.arms import Strip, port_rigid
from bracewright.fem.section import joint_section

CORNER = np.array([[8.52, 2.89, -2.89], [2.89, 1.98, -0.51], [-2.89, -0.51, 1.98]])
ANTIPLANE = 0.559


def test_monolithic_corner() -> None:
    nu = 0.25
    G = 1 / (2 * (1 + nu))
    board = Strip(1.0, 1.0, 1.0, 1.0, nu, nu, nu, G, G, G)
    arms = ("+a", "+b")
    s = joint_section((board,), (board,), board, arms)
    rigid = port_rigid(arms, 1.0, 1.0)
    # Unit moment, force along a and force along b at the centre, from arm a to arm b.
    loads = np.zeros((6, 3))
    for k, load in enumerate(([0, 0, 1.0], [1.0, 0, 0], [0, 1.0, 0])):
        for arm, sign in ((0, 1.0), (1, -1.0)):
            rows = slice(3 * arm, 3 * arm + 3)
            loads[rows, k] = sign * np.linalg.solve(rigid[rows].T, np.array(load))
    found = loads.T @ s.plane_basis @ s.plane @ s.plane_basis.T @ loads
    assert found == pytest.approx(CORNER, abs=0.02)
    slip = np.array([1.0, -1.0])
    assert float(slip @ s.slip_basis @ s.slip @ s.slip_basis.T @ slip) * G == pytest.approx(ANTIPLANE, abs=0.002)
