"""The commands: what they print, what they write, how they end."""

from __future__ import annotations

import ast
import importlib
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from cabinets import SMALL
from jobs import started

from bracewright import cli
from bracewright.cli import main, terminal
from bracewright.design import Brace, JointSpec, load, save
from bracewright.examples import example, example_text
from bracewright.fem.system import JOINT_MODELS

GOOD = example_text("stand-mount")
BRACEWRIGHT = [sys.executable, "-m", "bracewright"]


@pytest.fixture
def design(tmp_path) -> Path:
    path = tmp_path / "design.toml"
    path.write_text(GOOD, "utf-8")
    return path


def without(old: str, new: str, text: str = GOOD) -> str:
    assert old in text
    return text.replace(old, new, 1)


# Without joints of its own parts may be renamed.
PLAIN = without(GOOD[GOOD.index("[joints]") : GOOD.index("[[openings]]")], '[joints]\ndefault = "glued"\n\n')

# What is written -> the key, the value and the remedy that the one line must name.
BAD = {
    "unknown key": (without("depth = 320", "deph = 320"), "cabinet.deph", "unknown key", "did you mean 'depth'"),
    "unknown key of a pocket": (
        without("exponent = 3", "exponant = 3"),
        "braces.shelf.pockets[0].exponant",
        "unknown key",
        "did you mean 'exponent'",
    ),
    "unknown table": (without("[joints]", "[joint]"), "joint", "unknown key", "did you mean 'joints'"),
    "missing key": (without("mass_kg = 1.9\n", ""), "drivers.woofer.mass_kg", "missing", "add it"),
    "wrong type": (without("width = 220", 'width = "220"'), "cabinet.width", "'220'", "give a plain number"),
    "wrong type of a point": (without("[110, 140]", "110"), "openings.woofer.centre", "got 110", "must be two numbers"),
    "wrong type of a joint": (
        without('"glued"', "3", PLAIN),
        "joints.default",
        "got 3",
        "name one of rigid, glued, dry",
    ),
    "text for a table": (without('name = "stand-mount"', "name = 7"), "name", "got 7", "put it in quotes"),
    "missing board": (without('board = "brace"', 'board = "brce"'), "braces.shelf.board", "'brce'", "'brace'"),
    "unknown material": (without('"mdf"', '"mfd"'), "boards.carcass.material", "'mfd'", "did you mean 'mdf'"),
    "negative size": (without("height = 400", "height = -400"), "cabinet.height", "-400", "must be positive"),
    "negative diameter": (without("= 122", "= -122"), "openings.woofer.diameter", "-122", "must be positive"),
    "metres": (without("width = 220", "width = 0.22"), "cabinet.width", "0.22", "lengths are in mm"),
    "board in metres": (without("= 18", "= 0.018"), "boards.carcass.thickness", "0.018", "lengths are in mm"),
    "opening in metres": (without("= 122", "= 0.122"), "openings.woofer.diameter", "0.122", "lengths are in mm"),
    "pocket outside its brace": (
        without("[110, 162]", "[160, 162]"),
        "braces.shelf.pockets.window",
        "104..216",
        "move it or make it smaller",
    ),
    "overlapping pockets": (
        GOOD + '[[braces.pockets]]\nname = "second"\nshape = "circle"\ncentre = [238, 118]\ndiameter = 50\n',
        "braces.keel.pockets.window",
        "'second' overlap",
        "move them apart",
    ),
    "opening off its panel": (
        without("[110, 140]", "[200, 140]"),
        "openings.woofer",
        "139..261",
        "move it or make it smaller",
    ),
    "brace outside the box": (without("at = 250", "at = 428"), "braces.shelf.at", "428", "move the brace"),
    "two parts with one name": (
        without('"bulkhead" ', '"shelf" ', PLAIN),
        "braces",
        "'shelf' is used twice",
        "own name",
    ),
    "a brace named as a panel": (
        without('"bulkhead" ', '"back" ', PLAIN),
        "braces.back.name",
        "'back'",
        "another name",
    ),
    "a name that is a path": (
        without('"shelf" ', '"../x" ', PLAIN),
        "braces[0].name",
        "'../x'",
        "printable characters",
    ),
    "a part that is not there": (
        without('["bottom", "shelf"]', '["bottom", "shlf"]'),
        "braces.bulkhead.within.z",
        "'shlf'",
        "did you mean 'shelf'",
    ),
    "a driver without an opening": (
        without('opening = "woofer"', 'opening = "wofer"'),
        "drivers",
        "'wofer'",
        "did you mean 'woofer'",
    ),
    "another format": (without("format = 1", "format = 2"), "format", "got 2", "reads format 1"),
    "a number that is none": (without("width = 220", "width = nan"), "cabinet.width", "nan", "finite"),
    "a number beyond all": (without("width = 220", "width = 1" + "0" * 400), "cabinet.width", "10^15", "correct"),
    "a number of digits beyond all": (without("width = 220", "width = 1" + "0" * 5000), "", "digits", "correct"),
    "a mesh that is not there": (
        without("at = 250", 'at = 250\nmesh = "shelf.vtu"'),
        "braces.shelf.mesh",
        "'shelf.vtu'",
        "correct the name",
    ),
    "empty": ("", "", "empty", "start with `format = 1`"),
    "not TOML": ("Dear Sir,\n", "", "line 1", "mend that line"),
    "a value missing": (without("width = 220", "width ="), "", "line 9", "mend that line"),
    "nested without end": ("a = " + "[" * 5000 + "]" * 5000, "", "nested too deeply", "a few levels"),
}


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert err.endswith("\n")
    assert err.isprintable() or err[:-1].isprintable()
    return err


@pytest.mark.parametrize("flag", [[], ["--json"]])
@pytest.mark.parametrize("kind", BAD)
def test_bad_input_ends_with_2_and_one_line(kind, flag, tmp_path, capsys):
    text, key, value, remedy = BAD[kind]
    path = tmp_path / "bad design.toml"
    path.write_text(text, "utf-8")
    assert main(["check", str(path), *flag]) == 2
    line = one_line(capsys)
    assert line.startswith(f"bracewright: {path}: {key}")
    assert value in line
    assert remedy in line


@pytest.mark.parametrize("command", ["modes", "sound", "tune", "cut"])
def test_every_command_refuses_a_bad_file_and_writes_nothing(command, tmp_path, capsys):
    path = tmp_path / "bad.toml"
    path.write_text(BAD["metres"][0], "utf-8")
    out = [] if command in ("modes", "sound") else ["--out", str(tmp_path / "out")]
    assert main([command, str(path), *out]) == 2
    assert "cabinet.width: got 0.22" in one_line(capsys)
    assert [p.name for p in tmp_path.iterdir()] == ["bad.toml"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "cannot be read"),
        (bytes(range(256)), "not a text file (byte 128)"),
        ("width = é".encode("latin-1"), "not a text file (byte 8)"),
        (b"\x00" * 10, "not TOML"),
        (b"# " + b"x" * 4_000_001, "larger than 4 MB"),
    ],
)
def test_unreadable_files(content, said, tmp_path, capsys):
    path = tmp_path / "design.toml"
    if content is not None:
        path.write_bytes(content)
    assert main(["check", str(path)]) == 2
    line = one_line(capsys)
    assert str(path) in line
    assert said in line


def test_a_folder_in_place_of_a_file(tmp_path, capsys):
    assert main(["check", str(tmp_path)]) == 2
    assert "cannot be read" in one_line(capsys)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "COMMAND"),
        (["chek", "x.toml"], "'chek'"),
        (["modes"], "FILE"),
        (["modes", "x.toml", "--count", "0"], "got '0'; give a whole number from 1 to 500"),
        (["modes", "x.toml", "--count", "many"], "got 'many'; give a whole number"),
        (["modes", "x.toml", "--size", "0.03"], "got '0.03'; give a number from 3 to 300 (lengths are in mm)"),
        (["modes", "x.toml", "--size", "nan"], "got 'nan'"),
        (["modes", "x.toml", "--joints", "welded"], "'welded'"),
        (["cut", "x.toml"], "--out"),
        (["cut", "x.toml", "--out", ""], "got an empty name"),
        (["check", " "], "got an empty name"),
        (["listen", "x.toml"], "'listen'"),
    ],
)
def test_bad_arguments_end_with_2_and_one_line(arguments, said, capsys):
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2
    line = one_line(capsys)
    assert said in line
    assert "--help" in line


def offered(capsys: pytest.CaptureFixture[str]) -> list[str]:
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    out = capsys.readouterr().out
    words = [
        line.split()[0] for line in out.split("COMMAND")[-1].splitlines() if line.startswith("    ") and line[4] != " "
    ]
    return [w for w in words if w.isalpha()]


def test_only_commands_of_the_contract_are_offered_and_each_explains_itself(capsys):
    commands = offered(capsys)
    contract = ["check", "modes", "sound", "tune", "fit", "cut", "report", "demo"]
    assert [c for c in contract if c in commands] == commands
    assert {"check", "modes", "tune", "cut", "demo"} <= set(commands)
    for command in commands:
        with pytest.raises(SystemExit) as stop:
            main([command, "--help"])
        assert stop.value.code == 0
        assert "--json" in capsys.readouterr().out


def test_the_joint_models_offered_are_those_there_are(capsys):
    # The parser names them itself, as it does not wait for the solver to load.
    with pytest.raises(SystemExit):
        main(["modes", "--help"])
    assert f"--joints {{{','.join(JOINT_MODELS)}}}" in capsys.readouterr().out


def test_everything_the_commands_import_exists():
    trees = [ast.parse(p.read_text("utf-8")) for p in Path(cli.__file__).parent.glob("*.py")]
    for node in (n for tree in trees for n in ast.walk(tree)):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("bracewright"):
            module = importlib.import_module(str(node.module))
            for alias in node.names:
                if not hasattr(module, alias.name):
                    importlib.import_module(f"{node.module}.{alias.name}")


def test_check_prints_the_account(design, capsys):
    assert main(["check", str(design)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in ("shelf", "boards 7.854 kg, with drivers 10.204 kg", "net 16.54 l", "clearances", "can be cut"):
        assert words in out
    assert main(["check", str(design), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert table["mass_kg"] == pytest.approx(10.204, abs=1e-3)
    assert [p["name"] for p in table["parts"]][-1] == "keel"
    assert table["drivers"] == {"woofer": 1.9, "tweeter": 0.45}
    assert table["obstacles"] == []


def test_check_tells_what_cut_would_refuse(design, capsys, tmp_path):
    """A sound design may still ask for more than its cutter can do."""
    design.write_text(design.read_text("utf-8") + "\n[joinery]\ncutter = 50\nguide_bush = 60\n", "utf-8")
    assert main(["check", str(design)]) == 0
    assert "cannot be cut as it is: openings.terminals: a cutter of 50 does not fit" in capsys.readouterr().out
    assert main(["cut", str(design), "--out", str(tmp_path / "cut")]) == 2
    assert "openings.terminals: a cutter of 50 does not fit" in capsys.readouterr().err


def test_a_skin_beside_a_slab_is_warned_of(tmp_path, capsys):
    path = tmp_path / "thin.toml"
    thin = '[boards.thin]\nmaterial = "mdf"\nthickness = 1\n[cabinet.panels.top]\nboard = "thin"\n'
    path.write_text(SMALL.replace("thickness = 18", "thickness = 60") + thin, "utf-8")
    assert main(["modes", str(path), "--count", "2", "--size", "60"]) == 0
    told = capsys.readouterr().out
    assert "cabinet.panels.top: thickness of its board is 1.0 mm, 6 wanted" in told
    assert "elements of 60 mm are long for the thickness of top: " in told
    assert "take --size 4 or less" in told


def test_modes_warn_of_parts_that_move_freely(tmp_path, capfd):
    path = tmp_path / "loose.toml"
    path.write_text(SMALL, "utf-8")
    save(replace(load(path), joint=JointSpec(kind="springs"), brace_joint=None), path)
    assert main(["modes", str(path), "--count", "4", "--size", "90"]) == 0
    assert "warning: parts move freely" in capfd.readouterr().out


def test_modes_of_the_whole_cabinet_on_its_feet_are_marked(tmp_path, capfd):
    path = tmp_path / "feet.toml"
    path.write_text(SMALL + '[supports]\nkind = "feet"\n', "utf-8")
    assert main(["modes", str(path), "--count", "8", "--size", "90"]) == 0
    assert capfd.readouterr().out.count("  the whole cabinet on its supports\n") == 6


def test_modes_print_the_contract(design, tmp_path, capfd):
    vtu = tmp_path / "modes.vtu"
    arguments = ["modes", str(design), "--count", "4", "--size", "45", "--vtu", str(vtu)]
    assert main([*arguments, "--json"]) == 0
    out, err = capfd.readouterr()
    assert err == ""
    table = json.loads(out)
    assert list(table) == [
        *("name", "mass_kg", "net_volume_l", "dofs", "rigid_modes", "missed_modes", "seconds", "modes"),
    ]
    assert table["name"] == "stand-mount"
    assert table["rigid_modes"] == 6
    assert table["missed_modes"] == 0
    assert list(table["seconds"]) == ["mesh", "assemble", "solve"]
    assert [m["number"] for m in table["modes"]] == [1, 2, 3, 4]
    assert all(list(m) == ["number", "frequency_Hz", "loss_factor"] for m in table["modes"])
    frequencies = [m["frequency_Hz"] for m in table["modes"]]
    assert frequencies == sorted(frequencies)
    assert 100 < frequencies[0] < 1000
    assert vtu.stat().st_size > 10_000
    assert main(["modes", str(design), "--count", "4", "--size", "45"]) == 0
    text = capfd.readouterr().out
    assert f"{frequencies[3]:.1f}" in text
    assert "none missed" in text


def test_plain_joints_are_softer_at_thick_corners(design, capsys):
    first = []
    for joints in ("computed", "plain"):
        assert main(["modes", str(design), "--count", "1", "--size", "45", "--joints", joints, "--json"]) == 0
        first.append(json.loads(capsys.readouterr().out)["modes"][0]["frequency_Hz"])
    assert 1.0 < first[0] / first[1] < 1.12


def test_a_missing_folder_for_the_mesh_is_found_before_the_work(design, tmp_path, capsys):
    assert main(["modes", str(design), "--vtu", str(tmp_path / "no" / "m.vtu")]) == 2
    assert "its folder does not exist" in one_line(capsys)


@pytest.mark.parametrize("words", [["modes", "{}", "--vtu"], ["report", "{}", "--out"]])
def test_a_file_that_is_read_or_of_another_kind_is_not_written_over(words, design, tmp_path, capsys):
    named = [w.format(design) for w in words]
    assert main([*named, str(design)]) == 2
    assert "got the ending '.toml'" in one_line(capsys)
    ending = {"modes": "vtu", "report": "html"}[words[0]]
    odd = tmp_path / f"design.{ending}"
    odd.write_text(GOOD, "utf-8")
    assert main([words[0], str(odd), words[-1], str(odd)]) == 2
    assert "it is read here and would be written over" in one_line(capsys)
    assert odd.read_text("utf-8") == design.read_text("utf-8") == GOOD


def test_a_tuned_or_fitted_design_is_not_written_over_itself(tmp_path, capsys):
    for name, words in {"tuned.toml": ["tune"], "fitted.toml": ["fit"]}.items():
        path = tmp_path / name
        path.write_text(GOOD, "utf-8")
        records = [str(tmp_path / "taps.wav")] if words == ["fit"] else []
        assert main([*words, str(path), *records, "--out", str(tmp_path)]) == 2
        assert f"{name}: it is read here" in one_line(capsys)
        assert path.read_text("utf-8") == GOOD


def test_what_is_in_the_way_of_a_search_is_told_before_it(design, tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    for name in ("tuned.toml", "report.html", "shelf.dxf", "cut-list.csv"):
        (out / name).write_text("mine")
        assert main(["tune", str(design), "--out", str(out)]) == 2
        assert f"{name}: not of an earlier run, or changed since" in one_line(capsys)
        assert {p.name: p.read_text() for p in out.iterdir()} == {name: "mine"}
        (out / name).unlink()
    (out / "fitted.toml").write_text("mine")
    assert main(["fit", str(design), "taps.wav", "--out", str(out)]) == 2
    assert "fitted.toml: not of an earlier run, or changed since" in one_line(capsys)
    (out / "fitted.toml").unlink()
    for name in ("design.toml", "tuned.toml", "cut/shelf.dxf"):
        (out / "cut").mkdir(exist_ok=True)
        (out / name).write_text("mine")
        assert main(["demo", "--out", str(out)]) == 2
        assert f"{Path(name).name}: not of an earlier run, or changed since" in one_line(capsys)
        assert [p.read_text() for p in out.rglob("*") if p.is_file()] == ["mine"]
        (out / name).unlink()


def test_cut_writes_what_it_lists(design, tmp_path, capsys):
    out = tmp_path / "deep" / "cut"
    assert main(["cut", str(design), "--out", str(out), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert sorted(Path(f) for f in table["files"]) == sorted(p for p in out.rglob("*") if p.is_file())
    assert (out / "shelf.dxf").read_text().startswith("  0\nSECTION")
    assert all(Path(f).stat().st_size > 0 for f in table["files"])


def test_cut_keeps_what_is_not_its_own_and_tells_what_locks(design, tmp_path, capsys):
    out = tmp_path / "cut"
    out.mkdir()
    (out / "front.dxf").write_text("mine")
    assert main(["cut", str(design), "--out", str(out)]) == 2
    assert "front.dxf: not of an earlier run" in one_line(capsys)
    assert [(p.name, p.read_text()) for p in out.iterdir()] == [("front.dxf", "mine")]
    locked = tmp_path / "locked.toml"
    places = (("z", 260), ("y", 130), ("x", 150))
    walls = tuple(Brace(name=f"wall {n}", normal=n, at=k, board="brace") for n, k in places)
    bare = replace(example(), joint=JointSpec(), joint_overrides=(), openings=(), drivers=(), braces=walls)
    save(bare, locked)
    assert main(["cut", str(locked), "--out", str(tmp_path / "new"), "--dxf", "R12", "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert [sorted(group) for group in table["locked"]] == [["wall x", "wall y", "wall z"]]
    assert "AC1009" in (tmp_path / "new" / "front.dxf").read_text()
    assert main(["cut", str(locked), "--out", str(tmp_path / "new")]) == 0
    assert capsys.readouterr().out.startswith("CANNOT BE ASSEMBLED AS DRAWN: wall")


def test_a_file_in_place_of_the_folder(design, tmp_path, capsys):
    (tmp_path / "taken").write_text("mine")
    assert main(["cut", str(design), "--out", str(tmp_path / "taken")]) == 2
    assert "cannot be made a folder" in one_line(capsys)
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_hostile_name_cannot_steer_the_terminal():
    assert terminal.one_line("a\x1b[2Jb\r\nc\u202ed") == "a?[2Jb c?d"
    assert len(terminal.one_line("x" * 5000)) == 1000


def test_as_a_program(design, tmp_path):
    done = subprocess.run([*BRACEWRIGHT, "check", str(design)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "bulkhead" in done.stdout
    bad = tmp_path / "bad.toml"
    bad.write_text(BAD["negative size"][0])
    done = subprocess.run([*BRACEWRIGHT, "check", str(bad), "--json"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.splitlines() == [
        f"bracewright: {bad}: cabinet.height: got -400; a length must be positive (lengths are in mm)"
    ]


@pytest.mark.slow
def test_tune_writes_a_better_design_and_says_by_how_much(tmp_path, capsys):
    path, out = tmp_path / "small.toml", tmp_path / "out"
    path.write_text(SMALL)
    arguments = ["tune", str(path), "--out", str(out), "--goal", "raise", "--evaluations", "8", "--seed", "1"]
    assert main([*arguments, "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert table["evaluations"] <= 8
    before, after = table["before"]["raise_Hz"], table["after"]["raise_Hz"]
    assert after > before
    assert table["change_percent"]["raise_Hz"] == pytest.approx(100 * (after / before - 1))
    files = {Path(f) for f in table["files"]}
    assert {out / "tuned.toml", out / "shelf.dxf", out / "coordinates.json"} <= files
    assert {p for p in out.rglob("*") if p.is_file()} == {*files, out / "search.jsonl"}
    tuned = load(out / "tuned.toml")
    assert tuned != load(path)
    # Resumed, the designs of the archive are not solved again and the answer is the same.
    lines = (out / "search.jsonl").read_text().count("\n")
    assert main([*arguments, "--resume"]) == 0
    text = capsys.readouterr().out
    kept = (out / "search.jsonl").read_text()
    assert kept.count("\n") == lines
    assert load(out / "tuned.toml") == tuned
    assert main([*arguments[:-4], "--evaluations", "2"]) == 0
    assert (out / "search.old.jsonl").read_text() == kept
    assert (out / "search.jsonl").read_text().count("\n") < lines
    assert f"{100 * (after / before - 1):+.1f} %" in text


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX systems")
def test_ctrl_c_in_a_search_writes_the_best_so_far_and_ends_with_1(tmp_path):
    path, out = tmp_path / "small.toml", tmp_path / "out"
    path.write_text(SMALL)
    arguments = [*BRACEWRIGHT, "tune", str(path), "--out", str(out), "--evaluations", "5000"]
    archive, waited = out / "search.jsonl", 0.0
    with started(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as job:
        while waited < 120 and not (archive.exists() and archive.read_text().count("\n") > 3):
            time.sleep(0.2)
            waited += 0.2
        job.send_signal(signal.SIGINT)
        _, err = job.communicate(timeout=120)
    assert job.returncode == 1
    assert err == "bracewright: stopped; the best so far is written, and --resume goes on from here\n"
    assert load(out / "tuned.toml").name == "small"
    assert not list(out.glob(".*"))


@pytest.mark.slow
def test_the_demo_does_the_whole_job(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("bracewright.cli.searches.DEMO_EVALUATIONS", 3)
    out = tmp_path / "demo"
    assert main(["demo", "--out", str(out), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert all(Path(f).stat().st_size > 0 for f in table["files"])
    names = {str(Path(f).relative_to(out)).replace(os.sep, "/") for f in table["files"]}
    assert {"design.toml", "tuned.toml", "modes.png", "account.txt", "cut/shelf.dxf", "cut/coordinates.csv"} <= names
    assert load(out / "design.toml") == example("stand-mount")
    assert len(table["modes_before_Hz"]) == len(table["modes_after_Hz"]) == 20
    assert table["after"]["score"] >= 0


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX systems")
def test_ctrl_c_ends_with_1_and_leaves_nothing(tmp_path):
    path = tmp_path / "design.toml"
    path.write_text(example_text("floorstander"))
    arguments = [*BRACEWRIGHT, "modes", str(path), "--size", "12", "--vtu", str(tmp_path / "m.vtu")]
    with started(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as job:
        time.sleep(4)
        job.send_signal(signal.SIGINT)
        out, err = job.communicate(timeout=120)
    assert job.returncode == 1
    assert out == ""
    assert err == "bracewright: stopped\n"
    assert [p.name for p in tmp_path.iterdir()] == ["design.toml"]


@pytest.mark.skipif(os.name == "nt", reason="pipes of POSIX systems")
def test_a_reader_that_goes_away(design):
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [*BRACEWRIGHT, "check", str(design)], stdout=write, stderr=subprocess.PIPE, text=True, check=False
    )
    os.close(write)
    assert done.returncode == 1
    assert done.stderr == ""


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals of POSIX systems")
def test_progress_shows_on_a_terminal_only(design):
    import pty

    ours, theirs = pty.openpty()
    arguments = [*BRACEWRIGHT, "modes", str(design), "--count", "1", "--size", "60", "--json"]
    done = subprocess.run(arguments, stdout=subprocess.PIPE, stderr=theirs, text=True, check=False)
    os.close(theirs)
    shown = os.read(ours, 10_000).decode()
    os.close(ours)
    assert done.returncode == 0
    assert json.loads(done.stdout)["rigid_modes"] == 6
    assert "meshing and assembling" in shown
    assert "solving" in shown


def test_a_name_outside_the_terminals_alphabet(tmp_path):
    path = tmp_path / "design.toml"
    path.write_text(without('name = "stand-mount"', 'name = "Schrägstück"'), "utf-8")
    for flag in ([], ["--json"]):
        done = subprocess.run(
            [*BRACEWRIGHT, "check", str(path), *flag],
            capture_output=True,
            check=False,
            env={**os.environ, "PYTHONIOENCODING": "ascii"},
        )
        assert done.returncode == 0
        assert b"Schr\\xe4gst" in done.stdout or json.loads(done.stdout)["name"] == "Schrägstück"
    path.write_text(without('board = "brace"', 'board = "Bräce"'), "utf-8")
    done = subprocess.run(
        [*BRACEWRIGHT, "check", str(path)],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1


def test_examples_are_what_load_gives(tmp_path):
    path = tmp_path / "x.toml"
    path.write_text(GOOD, "utf-8")
    assert load(path) == example("stand-mount")
