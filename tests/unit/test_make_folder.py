"""Writing a set of files: whole or not at all, and never over what somebody else has put there."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from jobs import started

from bracewright.design import save
from bracewright.errors import FileError
from bracewright.examples import example
from bracewright.files import held
from bracewright.make import check_folder, export
from bracewright.make.folder import LIST, check_names, write_set

OLD = {"a.dxf": "old a", "b.dxf": b"old b", "sheets/one.dxf": "old one", "more/two.txt": "old two"}
NEW = {"a.dxf": "new a", "sheets/one.dxf": "new one", "c.dxf": "new c"}


def contents(folder: Path) -> dict[str, str]:
    files = (p for p in folder.rglob("*") if p.is_file() and not p.name.endswith(LIST))
    return {p.relative_to(folder).as_posix(): p.read_text() for p in files}


def text(content: dict[str, str | bytes]) -> dict[str, str]:
    return {n: c if isinstance(c, str) else c.decode() for n, c in content.items()}


def test_a_new_set_takes_the_place_of_an_old_one(tmp_path: Path):
    assert write_set(tmp_path, OLD) == (*(tmp_path / n for n in OLD), tmp_path / LIST)
    assert contents(tmp_path) == text(OLD)
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / "sheets" / "mine.txt").write_text("mine")
    write_set(tmp_path, NEW)
    # What the new set has not is gone with its folder; what is not ours stays.
    assert contents(tmp_path) == {**NEW, "mine.txt": "mine", "sheets/mine.txt": "mine"}
    assert not (tmp_path / "more").exists()
    marks = json.loads((tmp_path / LIST).read_text())["sha256"]
    assert marks == {n: [hashlib.sha256(c.encode()).hexdigest()] for n, c in NEW.items()}


@pytest.mark.parametrize("name", ["a.dxf", "c.dxf", "sheets/one.dxf", LIST])
def test_a_file_of_somebody_else_is_in_the_way(tmp_path: Path, name: str):
    (tmp_path / "sheets").mkdir()
    (tmp_path / name).write_text("mine")
    with pytest.raises(FileError, match="not of an earlier run, or changed since; nothing is written: move it") as e:
        write_set(tmp_path, NEW)
    assert str(tmp_path / name) in str(e.value)
    assert [p.read_text() for p in tmp_path.rglob("*") if p.is_file()] == ["mine"]


def test_a_file_changed_since_is_kept(tmp_path: Path):
    write_set(tmp_path, OLD)
    (tmp_path / "b.dxf").write_text("changed by hand")  # gone from the new set: stays, and is told
    for _ in range(2):
        write_set(tmp_path, NEW)
        assert contents(tmp_path) == {**NEW, "b.dxf": "changed by hand"}
        assert json.loads((tmp_path / LIST).read_text())["of an earlier run, changed since and left"] == ["b.dxf"]
    (tmp_path / "c.dxf").write_text("changed by hand")  # of the new set too: nothing is written
    with pytest.raises(FileError, match="changed since"):
        write_set(tmp_path, OLD | NEW)
    assert contents(tmp_path) == {**NEW, "b.dxf": "changed by hand", "c.dxf": "changed by hand"}


@pytest.mark.parametrize("after", range(1, 6))
def test_interrupted_it_leaves_whole_files_and_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int):
    """At the list, at one of three files, or at the list again."""
    write_set(tmp_path, OLD)
    put, count = os.replace, 0

    def stopping(source, target):
        nonlocal count
        count += 1
        if count == after:
            raise KeyboardInterrupt
        put(source, target)

    monkeypatch.setattr(os, "replace", stopping)
    with pytest.raises(KeyboardInterrupt):
        write_set(tmp_path, NEW)
    monkeypatch.undo()
    assert set(contents(tmp_path).items()) <= {*text(OLD).items(), *NEW.items()}
    assert not list(tmp_path.rglob("*.part"))
    write_set(tmp_path, NEW)
    assert contents(tmp_path) == NEW


@pytest.mark.parametrize("name", ["../out.txt", "/tmp/out.txt", "a/../../out.txt", "..\\out.txt", "C:out.txt"])
def test_a_list_that_names_files_elsewhere_is_not_ours(tmp_path: Path, name: str):
    folder = tmp_path / "cut"
    folder.mkdir()
    (tmp_path / "out.txt").write_text("mine")
    mark = hashlib.sha256(b"mine").hexdigest()
    (folder / LIST).write_text(json.dumps({"format": 1, "sha256": {name: [mark]}, "left": []}))
    with pytest.raises(FileError, match=LIST):
        write_set(folder, NEW)
    assert (tmp_path / "out.txt").read_text() == "mine"


@pytest.mark.parametrize("junk", ["", "[]", "{", "[[[[", '{"format": 1, "sha256": 3, "left": []}', "\x00"])
def test_a_list_of_junk_is_not_ours(tmp_path: Path, junk: str):
    (tmp_path / LIST).write_text(junk)
    with pytest.raises(FileError, match=LIST):
        write_set(tmp_path, NEW)
    assert (tmp_path / LIST).read_text() == junk


def test_sets_of_two_lists_share_a_folder(tmp_path: Path):
    write_set(tmp_path, {"tuned.toml": "a", "report.html": "b"}, listed="tune-files.json")
    write_set(tmp_path, NEW)
    write_set(tmp_path, {"tuned.toml": "c"}, listed="tune-files.json")
    assert contents(tmp_path) == NEW | {"tuned.toml": "c"}
    (tmp_path / "tuned.toml").write_text("by hand")
    with pytest.raises(FileError, match=r"tuned\.toml"):
        check_names(tmp_path, ["report.html", "tuned.toml"], listed="tune-files.json")


def test_the_names_asked_for_before_a_search_are_those_written_after_it(tmp_path: Path):
    written = {p.name for p in export(example(), tmp_path) if p.parent == tmp_path} - {LIST}
    other = tmp_path / "other"
    for name in written:
        other.mkdir()
        (other / name).write_text("mine")
        with pytest.raises(FileError, match=name):
            check_folder(example(), other)
        (other / name).unlink()
        other.rmdir()
    check_folder(example(), tmp_path)


def test_a_part_that_is_renamed_leaves_no_file_behind(tmp_path: Path):
    base = replace(example(), joint_overrides=())
    base = replace(base, braces=base.braces[:1])
    export(base, tmp_path)
    assert (tmp_path / "shelf.dxf").is_file()
    files = export(replace(base, braces=(replace(base.braces[0], name="window"),)), tmp_path)
    assert sorted(files) == sorted(p for p in tmp_path.rglob("*") if p.is_file())
    assert not [p for p in files if "shelf" in p.name]


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no SIGINT to another process")
def test_a_run_stopped_by_hand_leaves_whole_files(tmp_path: Path):
    """Stopped as soon as the first file is there, and again later: what is there is what a whole run writes."""
    design, whole = tmp_path / "design.toml", tmp_path / "whole"
    save(example(), design)
    export(example(), whole)
    for k, files in enumerate((1, 20)):
        out = tmp_path / str(k)
        end = time.monotonic() + 120
        with started([sys.executable, "-m", "bracewright", "cut", str(design), "--out", str(out)]) as run:
            while run.poll() is None and len(list(out.glob("**/*"))) < files and time.monotonic() < end:
                time.sleep(0.0005)
            run.send_signal(signal.SIGINT)
            assert run.wait(60) in (0, 1)
        assert not list(out.rglob("*.part"))
        with held(out):  # a lock file left by a stop at its making holds nobody up, and goes with the next run
            pass
        found = {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file() and p.name != LIST}
        assert all((whole / name).read_bytes() == data for name, data in found.items())
        export(example(), out)
