"""Flat 22 mm boards against 3-D solids: free, with a hole, clamped and simply supported.

Reference: ``data/solid_boxes.json`` (p-refined tetrahedra, independent quadratic bricks agree to
0.03 %). On the solid a clamped edge face has no displacement; a supported one no deflection.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import plates as pl
import pytest

from bracewright.geometry import circle

CASES = json.loads((Path(__file__).parent / "data" / "solid_boxes.json").read_text("utf-8"))["cases"]
SIZE = 30.0  # mm, the default mesh
MEAN, WORST = 0.007, 0.015


@pytest.mark.parametrize(("name", "skip"), [("A", 6), ("B", 6), ("Cc", 0), ("Csf", 3)])
def test_first_twenty_modes(name: str, skip: int) -> None:
    board = pl.isotropic(22, nu=0.25, E_GPa=3.5, rho=740)
    cuts = [circle((140, 125), 150)] if name == "B" else []
    p = pl.plate(pl.rectangle(400, 250), board, SIZE, cuts)
    fixed = np.zeros((len(p.mesh.points), pl.FIELDS), dtype=bool)
    if name == "Cc":
        fixed[pl.rim(p)] = True
    if name == "Csf":
        fixed[pl.rim(p), pl.W] = True
    reference = np.array(CASES[name]["elastic_modes_Hz"][:20])
    found = pl.hertz(pl.omega(p, fixed.reshape(p.mask().shape), len(reference), skip=skip))
    error = np.abs(found / reference - 1)
    assert error.mean() <= MEAN
    assert error.max() <= WORST
    if name in "AB":
        mass = board.mass * p.mesh.area
        assert mass == pytest.approx(CASES[name]["solid_mass_kg"], rel=0.003)
