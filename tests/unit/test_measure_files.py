"""The whole job from files: taps of a cabinet that differs from its design, by the function and by the command."""

from __future__ import annotations

import json

import numpy as np
import pytest
import taps
from scipy.io import wavfile
from test_measure_fit import SIZE, box

from bracewright.cli import main
from bracewright.design.designfile import load, save
from bracewright.errors import DesignError, FileError
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.measure import fit_files
from bracewright.measure.frf import frfs
from bracewright.measure.identify import identify, stabilisation
from bracewright.measure.pair import shapes_at
from bracewright.measure.parameters import Parameter, changed
from bracewright.measure.plan import plan_taps
from bracewright.measure.predict import with_masses

TRUTH = {"boards.carcass.E_GPa": 1.1, "joints.default": 0.6}
PARAMETERS = (
    Parameter(key="boards.carcass.E_GPa", spread=0.15),
    Parameter(key="joints.default", spread=1.0, low=0.05, high=20.0),
)
SHEET = """
[[channels]]
kind = "hammer"
unit = "N"
scale = 400
[[channels]]
kind = "accelerometer"
unit = "m/s2"
scale = {scale}
part = "{part}"
at = [{a}, {b}]
mass_g = 5
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A design file and a folder of WAV files with their tap sheet, one double hit among them."""
    root = tmp_path_factory.mktemp("taps")
    design = box(250.0)
    save(design, root / "box.toml")
    before = build(design, size=SIZE)
    plan = plan_taps(before, solve(before, 12, prove=False), taps=14)
    model = build(changed(design, TRUTH), size=SIZE)
    modes = solve(model, 24, prove=False)
    at = shapes_at(model, modes, plan.taps)
    f = with_masses(modes.frequency_Hz, shapes_at(model, modes, plan.sensors), np.array([0.005]))[:16]
    rng = np.random.default_rng(8)
    records = {
        f"tap-{i:02}-{k}.wav": (place, taps.tap_record(
            f, np.full(16, 0.018), at[i, :16], at[0, :16], rng=rng, noise=0.01, seconds=1.2, double=(i, k) == (3, 1)
        ))
        for i, place in enumerate(plan.taps)
        for k in range(2)
    }  # fmt: skip
    scale = 1.1 * max(np.abs(r.signals[1]).max() for _, r in records.values())
    s = plan.sensors[0]
    sheet = SHEET.format(scale=scale, part=s.part, a=s.at[0], b=s.at[1])
    for name, (place, r) in records.items():
        wavfile.write(root / name, int(taps.RATE), (r.signals / [[400], [scale]]).T.astype("float32"))
        sheet += f'[[taps]]\nfile = "{name}"\npart = "{place.part}"\nat = [{place.at[0]}, {place.at[1]}]\n'
    (root / "taps.toml").write_text(sheet)
    return root


def test_from_files_to_values(folder):
    found = fit_files(load(folder / "box.toml"), [folder], parameters=PARAMETERS, size=SIZE)
    assert [b.record for b in found.responses.refused] == ["tap-03-1.wav"]
    assert len(found.fit.after.pairs) >= 10
    z = np.log(found.fit.factor / list(TRUTH.values())) / found.fit.spread
    assert np.abs(z).max() < 2
    assert found.fit.factor == pytest.approx(list(TRUTH.values()), rel=0.1)
    # The design as it stands fits worse.
    assert np.abs([found.fit.before.computed_Hz[c] / found.fit.before.measured_Hz[m] - 1
                   for c, m in found.fit.before.pairs]).max() > 0.02  # fmt: skip


def test_the_command(folder, tmp_path, capsys):
    out = tmp_path / "out"
    code = main(["fit", str(folder / "box.toml"), str(folder), "--out", str(out), "--size", str(SIZE), "--json"])
    table = json.loads(capsys.readouterr().out)
    assert code == 0
    assert table["refused"][0].startswith("tap-03-1.wav")
    assert load(out / "fitted.toml").board("carcass").layers[0].E1_GPa != 3.2
    assert len(table["measured"]) >= 10


def test_bad_input_ends_with_one_line_and_no_file(folder, tmp_path, capsys):
    out = tmp_path / "out"
    (tmp_path / "a.wav").write_bytes(b"RIFFxxxxWAVE")
    assert main(["fit", str(folder / "box.toml"), str(tmp_path / "a.wav"), "--out", str(out)]) == 2
    message = capsys.readouterr().err
    assert "a.wav" in message
    assert message.count("\n") == 1
    assert not list(out.iterdir())


def test_places_and_empty_lists_are_refused(folder, tmp_path):
    cabinet = load(folder / "box.toml")
    with pytest.raises(FileError, match="no record"):
        fit_files(cabinet, [])
    (tmp_path / "tap.toml").write_text(
        (folder / "taps.toml").read_text().split("[[taps]]")[0].replace("at = [", "at = [4")
    )
    (tmp_path / "tap.wav").write_bytes((folder / "tap-00-0.wav").read_bytes())
    with pytest.raises(DesignError, match=r"tap\.wav\.at"):
        fit_files(cabinet, [tmp_path / "tap.wav"])


def test_pictures(folder, tmp_path):
    from bracewright.measure.records import read_records
    from bracewright.show import measure_plots
    from bracewright.show.plots import save_png

    cabinet = load(folder / "box.toml")
    found = fit_files(cabinet, [folder], parameters=PARAMETERS, size=SIZE)
    H = frfs(read_records([folder]))
    s = stabilisation(H, 300, 900, max_order=30)
    model = build(cabinet, size=SIZE)
    plan = plan_taps(model, solve(model, 12, prove=False), count=10, taps=12)
    drawn = [
        measure_plots.responses(H, identify(H, 300, 900)),
        measure_plots.stabilisation_chart(s, H),
        measure_plots.mac_chart(found.fit.after),
        measure_plots.tap_plan(model, plan),
        measure_plots.fit_chart(found.fit),
    ]
    for k, artists in enumerate(drawn):
        save_png(artists[0].figure, tmp_path / f"{k}.png")
        assert (tmp_path / f"{k}.png").stat().st_size > 5000
    # Every tap and sensor is drawn, besides outlines and names.
    assert len(drawn[3]) >= 6 + 6 + 2 * 12 + 1
