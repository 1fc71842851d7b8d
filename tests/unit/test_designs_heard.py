"""Any design on any support, with damping and playing drivers: it is heard, searched and reported in finite numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import strategies as st
from test_designs_whole import MANY, given_many, whole_designs

from bracewright.design import Cabinet
from bracewright.design.cabinet import SUPPORT_KINDS, Supports
from bracewright.design.mounted import Damping
from bracewright.errors import MeshError
from bracewright.fem.modes import bounces, solve, wall_modes
from bracewright.fem.near import Anchor
from bracewright.fem.system import build
from bracewright.sound import radiated, report
from bracewright.tune import Goal, Look, Space

SIZE = 120.0
BAND = np.geomspace(60, 500, 12)
COVER = {"cover_thickness": 0.3, "cover_E_GPa": 70.0, "cover_density_kg_m3": 2700.0}


@st.composite
def standing_designs(draw: st.DrawFn) -> Cabinet:
    """A whole design with all that a bare one lacks: supports, sheets, drivers that move, on gaskets or not."""
    c = draw(whole_designs(most=5, any_boards=False))
    kind = draw(st.sampled_from(SUPPORT_KINDS))
    c = replace(c, supports=Supports(kind=kind, edges=("back-bottom",) if kind == "clamped" else ()))
    playing = [
        replace(
            d,
            mass_kg=max(d.mass_kg, 0.2),
            moving_mass_g=draw(st.floats(1, 60)),
            piston_area_cm2=draw(st.floats(5, 400)),
            gasket_N_mm=draw(st.sampled_from([0.0, 200.0])),
        )
        for d in c.drivers
    ]
    c = replace(c, drivers=tuple(playing))
    for _ in range(draw(st.integers(0, 2))):
        sheet = Damping(
            part=draw(st.sampled_from(c.parts)),
            thickness=draw(st.floats(1, 6)),
            E_GPa=0.05,
            density_kg_m3=1500,
            loss_factor=0.4,
            **(COVER if draw(st.booleans()) else {}),
        )
        c = replace(c, damping=(*c.damping, sheet))
    return c


def check(c: Cabinet) -> None:
    model = build(c, size=SIZE)
    modes = solve(model, 10)
    assert (modes.rigid_modes, modes.missed_modes) == (6 - bounces(c), 0)
    assert len(wall_modes(model, modes)) >= len(modes) - bounces(c)
    heard = any(d.moving_mass_g for d in c.drivers)
    try:
        if heard:
            found = report(radiated(c, BAND, size=SIZE, quick=True))
            assert np.isfinite(found.sound.level_dB).all()
            assert found.text()
        space = Space.of(c)
        if not space.variables:
            return
        look = Look.at(Goal(quiet=1.0, band_Hz=(100.0, 400.0)) if heard else Goal(), c, size=SIZE)
        record = look.record(c)
        if "reason" in record:
            raise MeshError(str(record["reason"]))
    except MeshError as e:
        if "the air needs" not in str(e):  # the only refusal: a thin brace that tilts
            raise
        return
    slope = look.slope(space, space.start(), Anchor.of(c, look.count, size=SIZE), look.numbers(record))
    assert np.isfinite(slope).all()


@pytest.mark.slow
@pytest.mark.parametrize("lot", range(4))
def test_any_design_is_heard_and_searched(lot):
    given_many(lot, max(MANY // 5, 8), standing_designs(), check)
