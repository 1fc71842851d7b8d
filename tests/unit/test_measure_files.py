"""The whole job from files: taps of a cabinet that differs from its design, by the function and by the command."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import taps
from scipy.io import wavfile
from test_measure_fit import SIZE, box

from bracewright.cli import main
from bracewright.cli.commands import FITTED_LIST
from bracewright.design.designfile import load, save
from bracewright.errors import DesignError, FileError
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.make.folder import write_set
from bracewright.measure import fit_files
from bracewright.measure.identify import candidates, identify
from bracewright.measure.pair import shapes_at
from bracewright.measure.parameters import Parameter, changed
from bracewright.measure.plan import plan_taps
from bracewright.measure.poles import stabilisation
from bracewright.measure.predict import mass_rows, with_masses
from bracewright.measure.quality import load_modes, save_modes

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


def write_taps(root, real, places, *, seed=8):
    """Two taps at each place of a cabinet as WAV files with their tap sheet; the sensor sits at the first place."""
    model = build(real, size=SIZE)
    modes = solve(model, 24, prove=False)
    at = shapes_at(model, modes, places)
    f = with_masses(modes.frequency_Hz, mass_rows(model, places[:1]) @ modes.shapes, np.full(3, 0.005))[:16]
    rng = np.random.default_rng(seed)
    records = {
        f"tap-{i:02}-{k}.wav": (place, taps.tap_record(
            f, np.full(16, 0.018), at[i, :16], at[0, :16], rng=rng, noise=0.01, seconds=1.2, double=(i, k) == (3, 1)
        ))
        for i, place in enumerate(places)
        for k in range(2)
    }  # fmt: skip
    scale = 1.1 * max(np.abs(r.signals[1]).max() for _, r in records.values())
    s = places[0]
    sheet = SHEET.format(scale=scale, part=s.part, a=s.at[0], b=s.at[1])
    for name, (place, r) in records.items():
        wavfile.write(root / name, int(taps.RATE), (r.signals / [[400], [scale]]).T.astype("float32"))
        sheet += f'[[taps]]\nfile = "{name}"\npart = "{place.part}"\nat = [{place.at[0]}, {place.at[1]}]\n'
    (root / "taps.toml").write_text(sheet)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A design file and a folder of WAV files with their tap sheet, one double hit among them."""
    root = tmp_path_factory.mktemp("taps")
    design = box(250.0)
    save(design, root / "box.toml")
    before = build(design, size=SIZE)
    plan = plan_taps(before, solve(before, 12, prove=False), taps=14)
    write_taps(root, changed(design, TRUTH), plan.taps)
    return root


@pytest.fixture(scope="module")
def found(folder):
    return fit_files(load(folder / "box.toml"), [folder], parameters=PARAMETERS, size=SIZE)


def test_from_files_to_values(found):
    assert [b.record for b in found.responses.refused] == ["tap-03-1.wav"]
    assert len(found.fit.after.pairs) >= 10
    z = np.log(found.fit.factor / list(TRUTH.values())) / found.fit.spread
    assert np.abs(z).max() < 2
    assert found.fit.factor == pytest.approx(list(TRUTH.values()), rel=0.1)
    # The design as it stands fits worse.
    before = found.fit.before
    assert max(abs(before.computed_Hz[c] / before.measured_Hz[m] - 1) for c, m in before.pairs) > 0.02


@pytest.mark.slow
def test_the_command(folder, tmp_path, capsys):
    out = tmp_path / "out"
    code = main(["fit", str(folder / "box.toml"), str(folder), "--out", str(out), "--size", str(SIZE), "--json"])
    table = json.loads(capsys.readouterr().out)
    assert code == 0
    assert table["refused"][0].startswith("tap-03-1.wav")
    assert load(out / "fitted.toml").board("carcass").layers[0].E1_GPa != 3.2
    assert len(table["measured"]) >= 10


def damaged(root, folder):
    """Records no fit should take, by name: each a file or folder, and a word of the message."""
    good = (folder / "tap-00-0.wav").read_bytes()
    sheet = (folder / "taps.toml").read_text().split("[[taps]]")[0]
    (root / "taps.toml").write_text(sheet)
    t = np.arange(4000) / 4000
    rows = [f"{a:.6f},{b:.6f}" for a, b in zip(np.exp(-40 * t), np.exp(-20 * t) * np.sin(900 * t), strict=True)]

    def csv(name, rate, lines):
        (root / name).write_text(f"# sample_rate_Hz = {rate}\nforce,answer\n" + "\n".join(lines) + "\n")

    def wav(name, raw):
        (root / name).write_bytes(raw)

    wav("cut.wav", good[: len(good) // 2])
    wav("zero.wav", good[:24] + bytes(4) + good[28:])
    wav("empty.wav", b"RIFFxxxxWAVE")
    wavfile.write(root / "long.wav", 1000, np.zeros((600_000, 2), "float32"))
    wavfile.write(root / "silent.wav", 8192, np.zeros((9000, 2), "float32"))
    csv("nan.csv", 4000, [*rows[:50], "0.1,nan", *rows[50:]])
    csv("unequal.csv", 4000, [*rows[:50], "0.1", *rows[50:]])
    csv("zero.csv", 0, rows)
    csv("short.csv", 4000, rows[:30])
    for name, old, new in (
        ("unit", '"m/s2"', '"mV"'),
        ("kg", "mass_g = 5", "mass_g = 0.005"),
        ("kind", "hammer", "cup"),
    ):
        (root / name).mkdir()
        (root / name / "taps.toml").write_text((folder / "taps.toml").read_text().replace(old, new))
    (root / "volts").mkdir()
    (root / "volts" / "taps.toml").write_text(sheet.replace("scale = 400", "scale = 4e7"))
    (root / "volts" / "tap.wav").write_bytes(good)
    (root / "metres").mkdir()
    (root / "metres" / "tap.wav").write_bytes(good)
    at = sheet.split("at = [")[1].split("]")[0]
    (root / "metres" / "taps.toml").write_text(sheet.replace(at, "0.1, 0.2"))
    return {
        "cut.wav": "cut short", "zero.wav": "0 Hz", "empty.wav": "no sound", "long.wav": "lasts 600 s",
        "silent.wav": "silent", "nan.csv": "line 53, column 2", "unequal.csv": "has 1 columns",
        "zero.csv": "sampling rate is 0", "short.csv": "30 samples", "unit": "known are m/s2, g, 1",
        "kg": "masses are in grams", "kind": "known are hammer", "volts/tap.wav": "check its unit and scale",
        "metres/tap.wav": "lengths are in mm", "none.wav": "cannot be read", "tap.mp3": "ending '.mp3'",
    }  # fmt: skip


def test_bad_records_end_with_one_line_and_nothing_written_over(folder, tmp_path, capsys):
    out = tmp_path / "out"
    mine = {f.name for f in write_set(out, {"fitted.toml": "kept"}, listed=FITTED_LIST)}
    for name, words in damaged(tmp_path, folder).items():
        assert main(["fit", str(folder / "box.toml"), str(tmp_path / name), "--out", str(out)]) == 2, name
        said = capsys.readouterr()
        assert said.out == ""
        assert words in said.err, (name, said.err)
        assert said.err.count("\n") == 1
        assert name.split("/")[-1].split(".")[0] in said.err
        assert {f.name for f in out.iterdir()} == mine
        assert (out / "fitted.toml").read_text() == "kept"


def run(capsys, *words):
    code = main(["fit", *map(str, words)])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_check_of_a_cabinet_against_its_reference(folder, found, tmp_path, capsys):
    kept = save_modes(tmp_path, "SN 1", found.measured)
    wide = replace(found.measured, frequency_Hz=1.05 * found.measured.frequency_Hz)
    right = save_modes(tmp_path, "SN 2", wide)
    job = [folder / "box.toml", folder, "--out", tmp_path, "--reference", tmp_path / "SN 1", "--serial", "SN 3"]
    code, out, _ = run(capsys, *job, "--pair", right)
    assert code == 0
    assert "\npassed\nlimits: 3 % in frequency, 1.6 times in loss factor, MAC 0.8" in out
    assert "SN 2/modes-1.json: failed" in out
    assert load_modes(tmp_path / "SN 3").frequency_Hz == pytest.approx(found.measured.frequency_Hz, rel=1e-3)
    table = json.loads((tmp_path / "SN 3" / "check-1.json").read_text())
    assert table["passed"]
    assert not table["pair"]["passed"]
    again, _, _ = run(capsys, *job)
    assert again == 0
    assert {f.name for f in (tmp_path / "SN 3").iterdir()} == {
        f"{k}-{n}.json" for k in ("modes", "check") for n in (1, 2)
    }
    for words, more in (
        ("serial", ["--serial", "../x"]),
        ("holds no modes-1.json", ["--reference", tmp_path]),
        ("give a file that save_modes wrote", ["--reference", folder / "taps.toml"]),
    ):
        code, out, err = run(capsys, *job, *more)
        assert (code, out) == (2, "")
        assert words in err
    code, _, err = run(capsys, folder / "box.toml", folder, "--out", tmp_path, "--pair", kept)
    assert code == 2
    assert "give --reference too" in err


@pytest.mark.slow
def test_check_names_the_loose_joint(folder, found, tmp_path, capsys):
    weak = changed(changed(load(folder / "box.toml"), TRUTH), {"joints.shelf1-left": 0.05})
    root = tmp_path / "weak"
    root.mkdir()
    write_taps(root, weak, found.measured.places, seed=4)
    kept = save_modes(tmp_path, "SN 1", found.measured)
    save(changed(load(folder / "box.toml"), TRUTH), tmp_path / "fitted.toml")
    code, out, _ = run(capsys, tmp_path / "fitted.toml", root, "--out", tmp_path, "--reference", kept)
    assert code == 0
    assert "\nfailed:\n" in out
    named = out.split("likeliest loose or dry, if one joint is:\n")[1].splitlines()[0]
    assert named.split()[0] in ("shelf1-left", "left-shelf1")


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


def test_pictures(folder, found, tmp_path):
    from bracewright.show import measure_plots
    from bracewright.show.plots import save_png

    cabinet = load(folder / "box.toml")
    H = found.responses
    s = stabilisation(H, 300, 900, max_order=30)
    model = build(cabinet, size=SIZE)
    plan = plan_taps(model, solve(model, 12, prove=False), count=10, taps=12)
    drawn = [
        measure_plots.responses(H, identify(H, 300, 900)),
        measure_plots.stabilisation_chart(s, H),
        measure_plots.candidates_chart(candidates(H, 300, 600)),
        measure_plots.mac_chart(found.fit.after),
        measure_plots.tap_plan(cabinet, plan),
        measure_plots.fit_chart(found.fit),
    ]
    for k, artists in enumerate(drawn):
        save_png(artists[0].figure, tmp_path / f"{k}.png")
        assert (tmp_path / f"{k}.png").stat().st_size > 5000
    # Every tap and sensor is drawn, besides outlines and names.
    assert len(drawn[4]) >= 6 + 6 + 2 * 12 + 1
