"""Pictures: what is drawn, without a display and without global state."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import scipy.sparse as sp

from bracewright.design.pockets import Circle, Pocket
from bracewright.errors import DesignError, FileError, MissingExtraError
from bracewright.examples import example
from bracewright.fem.modes import Modes, solve
from bracewright.fem.system import Model, build
from bracewright.geometry import Path
from bracewright.show import canvas, plots, space_plots
from bracewright.show.pocket_plots import _tightest
from bracewright.tune import added_mass
from bracewright.tune.constraints import Limits, amounts


@pytest.fixture(scope="module")
def solved() -> tuple[Model, Modes]:
    model = build(example(), size=50)
    return model, solve(model, 4)


def test_ladder_has_a_rung_for_each_mode(solved):
    _, modes = solved
    artists = plots.frequency_ladder(modes, modes)
    rungs = [a for a in artists if hasattr(a, "get_segments") and len(a.get_segments()) == len(modes)]
    assert len(rungs) == 2
    for rung in rungs:
        assert [s[0, 0] for s in rung.get_segments()] == pytest.approx(modes.frequency_Hz)
    ax = artists[0].axes
    assert ax.get_xlabel().startswith("frequency, Hz")
    assert [t.get_text() for t in ax.get_yticklabels()] == ["before", "after"]
    low, high = ax.get_xlim()
    assert low < modes.frequency_Hz[0] < modes.frequency_Hz[-1] < high
    assert [t.get_text() for t in plots.frequency_ladder(modes)[0].axes.get_yticklabels()] == ["before"]


def test_ladder_marks_neighbours_that_are_close_and_no_others():
    f = np.array([100.0, 102.0, 150.0, 200.0, 204.0])
    modes = Modes(frequency_Hz=f, loss_factor=np.zeros(5), shapes=np.zeros((1, 5)))
    artists = plots.frequency_ladder(modes, close_percent=2.5)
    bars = [a for a in artists if hasattr(a, "get_segments")][1]
    assert [list(s[:, 0]) for s in bars.get_segments()] == [[100, 102], [200, 204]]
    assert [a.get_text() for a in artists[3:]] == ["2.0", "2.0"]
    assert "closer than 2.5 %" in artists[0].axes.get_xlabel()
    assert len(plots.frequency_ladder(modes, close_percent=1.0)) == 2


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
        assert canvas.outward(model, modes, 1, side).min() > 0


def test_unfolded_parts_do_not_overlap_and_keep_their_size(solved):
    model, modes = solved
    places = canvas.unfolding(model.cabinet, {n: p.mesh.points * 1e3 for n, p in model.parts.items()})
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


def test_braces_are_marked_where_they_stand(solved):
    model, modes = solved
    feet = [a for a in plots.unfolded(model, modes, 1) if hasattr(a, "get_segments")][-1]
    runs = np.array(feet.get_segments())
    # The shelf at z = 250 stands on the front from side to side.
    assert any(np.allclose(sorted(map(tuple, r)), [(18, 250), (202, 250)]) for r in runs)
    assert feet.get_linestyle() != [(0, None)]


def test_a_field_of_one_sign_is_plain_and_of_both_signs_diverges_about_zero(solved):
    model, _ = solved
    x = {n: p.mesh.points[:, 0] for n, p in model.parts.items()}
    plain = plots.field_map(model, x, "place, m")
    assert plain[0].get_cmap().name == "viridis"
    assert plain[0].axes.figure.axes[1].get_ylabel() == "place, m"
    levels = plain[0].levels
    assert levels[0] == pytest.approx(min(v.min() for v in x.values()))
    assert levels[-1] == pytest.approx(max(v.max() for v in x.values()))
    signed = plots.field_map(model, {n: v - 0.1 for n, v in x.items()}, "place, m")
    assert signed[0].get_cmap().name == "RdBu_r"
    assert signed[0].levels[0] == -signed[0].levels[-1]
    alike = plots.field_map(model, {"front": np.ones_like(x["front"])}, "one")
    assert {a.get_text() for a in alike if hasattr(a, "get_fontsize")} == {"front"}
    for wrong in ({}, {"rear": [1.0]}, {"front": [1.0]}, {"front": np.full_like(x["front"], np.nan)}):
        with pytest.raises(DesignError):
            plots.field_map(model, wrong, "wrong")


def test_added_mass_lowers_a_mode_as_the_field_says(solved):
    model, _ = solved
    modes = solve(model, 4, tolerance=1e-11)
    field = added_mass(model, modes, 1)
    part = "front"
    node = int(np.argmin(field[part]))
    extra = np.zeros(model.dofs)
    at = model.of_part(part).start + 5 * node
    mass = 1e-4
    extra[at : at + 3] = mass
    heavier = replace(model, M=sp.csr_array(model.M + sp.diags_array(extra)))
    change = solve(heavier, 4, tolerance=1e-11).frequency_Hz[0] - modes.frequency_Hz[0]
    assert change / mass == pytest.approx(field[part][node], rel=0.02)
    artists = plots.sensitivity_map(model, field)
    marked = next(a for a in artists if hasattr(a, "get_markersize"))
    assert marked.get_xdata()[0] == pytest.approx(model.parts[part].mesh.points[node, 0] * 1e3)
    assert artists[-1].get_text() == f"{field[part][node]:.3g}"
    ax = artists[0].axes
    assert f"most on {part}" in ax.get_title()
    assert ax.figure.axes[1].get_ylabel() == "change of lowest mode, Hz per kg"


def test_designs_that_none_beats_are_joined():
    first, second = [1.0, 2.0, 3.0, 2.0, 1.5], [1.0, 2.0, 5.0, 4.0, 1.0]
    artists = plots.trade_off(first, second, ("lowest mode, Hz", "loudest hump, dB"), names="abcde")
    best = artists[1]
    assert list(best.get_xdata()) == [1.5, 2.0, 3.0]
    assert list(best.get_ydata()) == [1.0, 2.0, 5.0]
    assert [a.get_text() for a in artists[2:]] == ["e", "b", "c"]
    ax = artists[0].axes
    assert ax.get_xlabel().startswith("lowest mode, Hz")
    assert ax.get_ylabel().startswith("loudest hump, dB")
    highest = plots.trade_off(first, second, ("a", "b"), better=("high", "high"))[1]
    assert list(highest.get_xdata()) == [3.0]
    for wrong in ([1.0], [[1.0]], []):
        with pytest.raises(DesignError):
            plots.trade_off(wrong, second, ("a", "b"))
    with pytest.raises(DesignError, match="'high' or 'low'"):
        plots.trade_off(first, second, ("a", "b"), better=("up", "low"))


def texts(artists) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for a in artists:
        if hasattr(a, "get_text") and a.get_gid():
            found.setdefault(a.get_gid(), []).append(a.get_text().strip())
    return found


@pytest.mark.parametrize("brace", ["shelf", "bulkhead", "rib", "keel"])
def test_a_pocket_drawing_has_the_constraints_own_numbers(brace):
    cabinet = example()
    have = amounts(cabinet, ())
    artists = plots.pocket_drawing(cabinet, brace)
    said = texts(artists)
    webs = {k.split(".")[-1]: v for k, v in have.items() if k.startswith(f"web.{brace}.window.")}
    assert len(webs) == 4
    for part, web in webs.items():
        assert float(said[f"web {part}"][0].split(" ")[0]) == pytest.approx(web, abs=0.051)
    assert float(said["radius"][0].removeprefix("R ")) == pytest.approx(have[f"radius.{brace}.window"], abs=0.051)
    ax = artists[0].axes
    assert f"{have[f'open_area.{brace}']:.0f} % open" in ax.get_title()
    assert ax.get_xlabel().endswith(", mm")


def test_a_web_under_its_limit_is_bold_with_the_limit():
    artists = plots.pocket_drawing(example(), "shelf", limits=Limits(web_wall=36.5))
    said = texts(artists)
    assert said["web left"] == ["36.0 < 36.5"]
    assert said["web back"] == ["37.0"]
    bold = {a.get_text().strip() for a in artists if hasattr(a, "get_text") and a.get_weight() == "bold"}
    assert bold == {"36.0 < 36.5"}


def test_the_radius_is_shown_where_a_cutter_has_least_room():
    """Two lobes of radius 30 and a waist of radius 10 that is cut from outside its curve."""
    far, (x, y) = 34.0, (8.5, 15.803480629279)
    lobe, waist = (float(np.tan(np.radians(v) / 4)) for v in (296.423338765897, 116.423338765897))
    path = Path(vertices=((x, -y, lobe), (x, y, -waist), (-x, y, lobe), (-x, -y, -waist)))
    assert path.smallest_inside_radius() == pytest.approx(30)
    assert _tightest(path) == pytest.approx([far + 30, 0], abs=1e-6)
    sharp = Path(vertices=((0.0, 0.0, 0.0), (40.0, 0.0, 1.0), (0.0, 40.0, 0.0)))
    assert _tightest(sharp).tolist() == [0.0, 0.0]


def test_wood_between_two_pockets_is_dimensioned():
    c = example()
    two = tuple(Pocket(shape=Circle(centre=(110, y), diameter=70)) for y in (90, 210))
    c = replace(c, braces=tuple(replace(b, pockets=two) if b.name == "shelf" else b for b in c.braces))
    said = texts(plots.pocket_drawing(c, "shelf"))
    assert said["web"] == ["50.0"]
    assert said["radius"] == ["R 35.0", "R 35.0"]


def test_a_deformed_cabinet_moves_as_the_mode_does(solved):
    model, modes = solved
    skin = space_plots.Skin.of(model)
    box = skin.points[np.unique(skin.triangles[skin.part < 6])]
    assert box.min(axis=0) == pytest.approx([0, 0, 0])
    assert box.max(axis=0) == pytest.approx([220, 320, 400])
    _, size = space_plots._motion(model, modes, 2)
    assert size.max() == pytest.approx(1.0)
    still = space_plots.deformed(model, modes, 2, phase=0.0)[-1]
    moved = space_plots.deformed(model, modes, 2, largest=10.0)[-1]
    gone = np.linalg.norm(np.array(moved._segments3d) - np.array(still._segments3d), axis=2)
    assert gone.max() == pytest.approx(10 * size[np.unique(skin.rims[space_plots._near_rims(skin)])].max())
    ax = moved.axes
    assert "10 mm" in ax.get_title()
    assert f"{modes.frequency_Hz[1]:.1f} Hz" in ax.get_title()
    assert [ax.get_xlabel(), ax.get_ylabel(), ax.get_zlabel()] == ["x, mm", "y, mm", "z, mm"]


def test_braces_are_hidden_until_asked_for(solved):
    model, modes = solved
    skin = space_plots.Skin.of(model)
    panels, braces = (skin.part < 6).sum(), (skin.part >= 6).sum()
    solid = plots.deformed(model, modes, 1)
    assert [len(a.get_facecolor()) for a in solid[:-1]] == [panels]
    seen = plots.deformed(model, modes, 1, see_through=True)
    assert [len(a.get_facecolor()) for a in seen[:-1]] == [panels, braces]
    assert seen[0].get_facecolor()[:, 3].max() < 0.2
    assert seen[1].get_facecolor()[:, 3].min() == 1.0
    drawing = plots.cabinet_drawing(model)
    assert "220 x 320 x 400 mm" in drawing[0].axes.get_title()


def test_a_moving_picture_goes_there_and_back(solved, tmp_path):
    from PIL import Image

    plots.movie(*solved, 1, tmp_path / "mode.gif", frames=6, width_px=200)
    picture = Image.open(tmp_path / "mode.gif")
    assert picture.n_frames == 6
    assert picture.size == (200, 200)
    assert picture.info["loop"] == 0
    shots = []
    for k in range(6):
        picture.seek(k)
        shots.append(np.asarray(picture.convert("L")).astype(int))
    assert np.abs(shots[1] - shots[5]).max() == 0
    assert (np.abs(shots[0] - shots[3]) > 30).sum() > 50
    html = plots.movie_html(*solved, 1, frames=4, width_px=120)
    assert ElementTree.fromstring(html).get("src").startswith("data:image/gif;base64,")
    with pytest.raises(DesignError, match=r"\.gif or \.mp4"):
        plots.movie(*solved, 1, tmp_path / "mode.avi")
    with pytest.raises(DesignError, match="even"):
        plots.movie(*solved, 1, tmp_path / "x.gif", frames=3)


def test_an_mp4_is_written_or_the_missing_program_named(solved, tmp_path):
    if shutil.which("ffmpeg"):
        plots.movie(*solved, 1, tmp_path / "mode.mp4", frames=4, width_px=200)
        assert (tmp_path / "mode.mp4").read_bytes()[4:8] == b"ftyp"
    else:
        with pytest.raises(MissingExtraError, match="ffmpeg"):
            plots.movie(*solved, 1, tmp_path / "mode.mp4", frames=4)
        assert not list(tmp_path.iterdir())


def test_every_map_reads_in_grey(solved):
    """Lightness falls or rises steadily away from zero: two values of one sign never share a grey."""
    from matplotlib import colormaps

    for name, start in ((canvas.PLAIN, 0.0), (canvas.SIGNED, 0.5)):
        grey = colormaps[name](np.linspace(start, 1, 64))[:, :3] @ [0.2126, 0.7152, 0.0722]
        assert (np.diff(grey) > 0).all() or (np.diff(grey) < 0).all()
