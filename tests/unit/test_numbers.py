"""Numbers that are not finite never leave: every way to a result, pushed to the ends of what is allowed."""

from __future__ import annotations

import pytest
from cabinets import box, shelf

from bracewright.design.cabinet import JointSpec
from bracewright.errors import SolveError
from bracewright.fem.modes import solve
from bracewright.fem.system import build


def test_joints_that_let_parts_slide_are_refused():
    """Found by extreme values: turning held and sliding free leaves more rigid motions than parts can count."""
    slide = JointSpec(kind="springs", rotation_N_rad=1e9)
    with pytest.raises(SolveError, match="give the joints"):
        solve(build(box(braces=(shelf(),), joint=slide), size=120.0), 8)
