"""Pictures: what is drawn, without a display and without global state."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from bracewright.errors import DesignError, FileError
from bracewright.examples import example
from bracewright.fem.modes import Modes, solve
from bracewright.fem.system import Model, build
from bracewright.show import plots


@pytest.fixture(scope="module")
def solved() -> tuple[Model, Modes]:
    model = build(example(), size=50)
    return model, solve(model, 4)


def test_ladder_has_a_rung_for_each_mode(solved):
    _, modes = solved
    artists = plots.frequency_ladder(modes, modes)
    rungs = [a for a in artists if hasattr(a, "get_segments")]
    assert len(rungs) == 2
    for rung in rungs:
        assert [s[0, 0] for s in rung.get_segments()] == pytest.approx(modes.frequency_Hz)
    ax = artists[0].axes
    assert ax.get_xlabel() == "frequency, Hz"
    assert [t.get_text() for t in ax.get_yticklabels()] == ["before", "after"]
    low, high = ax.get_xlim()
    assert low < modes.frequency_Hz[0] < modes.frequency_Hz[-1] < high
    assert len(plots.frequency_ladder(modes)) == 2


def test_mode_map_draws_the_part_on_the_axes_given(solved):
    model, modes = solved
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    artists = plots.mode_map(model, modes, 2, "left", ax)
    assert all(a.axes is ax for a in artists)
    assert ax.get_xlabel() == "y, mm"
    assert ax.get_ylabel() == "z, mm"
    assert f"{modes.frequency_Hz[1]:.1f} Hz" in ax.get_title()
    assert len(ax.figure.axes) == 1
    rim = np.concatenate(list(artists[-1].get_segments()))
    xy = model.parts["left"].mesh.points * 1e3
    assert rim.min(axis=0) == pytest.approx(xy.min(axis=0))
    assert rim.max(axis=0) == pytest.approx(xy.max(axis=0))


def test_node_lines_run_where_nothing_moves(solved):
    model, modes = solved
    artists = plots.mode_map(model, modes, 2, "left")
    nodes = next(a for a in artists if hasattr(a, "levels") and list(a.levels) == [0.0])
    line = np.concatenate([p.vertices for p in nodes.get_paths()])
    part = model.parts["left"]
    trace = part.mesh.trace(line * 1e-3)
    w = modes.shapes[model.of_part("left"), 1].reshape(-1, 5)[:, 2]
    assert np.abs(np.einsum("pn,pn->p", trace.value, w[trace.nodes])).max() < 0.05 * np.abs(w).max()


def test_dashes_tell_negative_from_positive_without_colour(solved):
    model, modes = solved
    lines = plots.mode_map(model, modes, 2, "left")[1]
    dashed = [offset_dashes[1] is not None for offset_dashes in lines.get_linestyle()]
    assert dashed == [level < 0 for level in lines.levels]


def test_outward_is_positive_on_every_panel(solved):
    model, _ = solved
    # All parts move away from the middle of the box: a shape made for the purpose.
    shape = np.zeros((model.dofs, 1))
    middle = np.array([110, 160, 200]) / 1e3
    for name, part in model.parts.items():
        away = part.to_space(part.mesh.points) - middle
        fields = np.zeros((len(away), 5))
        fields[:, :3] = away @ part.rotation.T
        shape[model.of_part(name), 0] = fields.ravel()
    modes = Modes(frequency_Hz=np.array([1.0]), loss_factor=np.array([0.0]), shapes=shape)
    for side in ("front", "back", "left", "right", "bottom", "top"):
        assert plots._outward(model, modes, 1, side).min() > 0


def test_unfolded_parts_do_not_overlap_and_keep_their_size(solved):
    model, modes = solved
    places = plots._places(model)
    assert set(places) == set(model.parts)
    boxes = {n: (p.min(axis=0), p.max(axis=0)) for n, p in places.items()}
    for name, (low, high) in boxes.items():
        size = np.ptp(model.parts[name].mesh.points * 1e3, axis=0)
        assert high - low == pytest.approx(size)
        for other, (low2, high2) in boxes.items():
            assert name == other or (high <= low2).any() or (high2 <= low).any()
    # The left panel's front edge lies beside the front's left edge, the top's beside the front's top edge.
    left = model.parts["left"].mesh.points[:, 0]
    assert places["left"][left.argmin(), 0] > places["left"][left.argmax(), 0]
    top = model.parts["top"].mesh.points[:, 1]
    assert places["top"][top.argmin(), 1] < places["top"][top.argmax(), 1]
    artists = plots.unfolded(model, modes, 1)
    texts = {a.get_text() for a in artists if hasattr(a, "get_fontsize")}
    assert texts == set(model.parts)
    assert artists[0].axes.get_xlabel() == "unfolded, mm"


def test_the_largest_motion_is_one_over_the_whole_picture(solved):
    model, modes = solved
    artists = plots.unfolded(model, modes, 1)
    filled = [a for a in artists if getattr(a, "filled", False)]
    peak = max(np.abs([a.zmin, a.zmax]).max() for a in filled)
    assert peak == pytest.approx(1.0)
    assert len(filled) == len(model.parts)


def test_pictures_are_written_whole(solved, tmp_path):
    figure = plots.before_after(solved, solved, 2)
    plots.save_png(figure, tmp_path / "modes.png")
    data = (tmp_path / "modes.png").read_bytes()
    assert data.startswith(b"\x89PNG")
    assert data.endswith(b"IEND\xaeB`\x82")
    assert [p.name for p in tmp_path.iterdir()] == ["modes.png"]
    with pytest.raises(FileError):
        plots.save_png(figure, tmp_path / "no" / "modes.png")


@pytest.mark.parametrize(
    ("number", "part", "said"), [(0, "left", "1..4"), (5, "left", "1..4"), (1, "rear", "parts are")]
)
def test_what_is_not_there_is_refused(solved, number, part, said):
    with pytest.raises(DesignError, match=said):
        plots.mode_map(*solved, number, part)


def test_an_unfolded_mode_that_is_not_there_is_refused(solved):
    with pytest.raises(DesignError, match=r"got mode 9; there are 1\.\.4"):
        plots.unfolded(*solved, 9)


def test_no_global_state_is_touched(tmp_path):
    code = (
        "import sys, numpy as np\n"
        "from bracewright.fem.modes import Modes\n"
        "from bracewright.show import plots\n"
        "assert 'matplotlib' not in sys.modules\n"
        "m = Modes(frequency_Hz=np.array([100.0, 200.0]), loss_factor=np.zeros(2), shapes=np.zeros((1, 2)))\n"
        "a = plots.frequency_ladder(m)\n"
        "plots.save_png(a[0].figure, sys.argv[1])\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    path = tmp_path / "a.png"
    subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, env={**os.environ, "MPLCONFIGDIR": str(tmp_path)}
    )
    assert path.stat().st_size > 5000
