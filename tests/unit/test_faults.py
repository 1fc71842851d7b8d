"""What goes wrong around a run: killed at any moment, the disk full, a folder that goes away, two runs at once.

BRACEWRIGHT_KILLS sets how often each command is killed; 50 makes 200 in all.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
import shapely
from cabinets import SMALL, box, shelf
from test_measure_files import write_taps
from test_measure_fit import SIZE
from test_measure_fit import box as tapped_box

import bracewright.tune
from bracewright import files
from bracewright.cli import main
from bracewright.design import load, save
from bracewright.errors import FileError
from bracewright.fem.mesh import mesh_from_file
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.files import LOCK, held, write_file
from bracewright.make.folder import LIST, write_set
from bracewright.measure import plan_taps
from bracewright.tune import Goal, Look, search
from bracewright.tune.archive import Archive
from bracewright.tune.looks import look_at_all

KILLS = int(os.environ.get("BRACEWRIGHT_KILLS", "3"))
posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and signals")


@pytest.fixture
def design(tmp_path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SMALL)
    return path


def forked(job: Callable[[], int]) -> int:
    """Start a job in a process of its own that says nothing; return the number of the process."""
    process = os.fork()
    if process:
        return process
    code = 99
    try:
        nowhere = os.open(os.devnull, os.O_RDWR)
        for k in range(3):
            os.dup2(nowhere, k)
        code = job()
    finally:
        os._exit(code)


def ended(process: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


def contents(folder: Path) -> dict[str, bytes]:
    """Files by name; what a killed run may leave beside them, its temporary files and its lock, left out."""
    found = (p for p in folder.rglob("*") if p.is_file() and p.name != LOCK and p.suffix != ".part")
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in found}


def killed_again_and_again(run: Callable[[Path], int], root: Path, *, growing: str = "", changing: str = "") -> None:
    """Kill a run at random moments; no file may be other than that of an undisturbed run, and the next run goes on.

    `growing` may be the beginning of the whole file; `changing` differs from run to run.
    """
    whole, out = root / "whole", root / "out"
    start = time.perf_counter()
    assert ended(forked(lambda: run(whole))) == 0
    seconds = time.perf_counter() - start
    want = contents(whole)
    rng = random.Random(f"{run.__qualname__} {time.time_ns()}")
    for k in range(KILLS):
        process = forked(lambda: run(out))
        time.sleep(rng.uniform(0, 1.05) * seconds)
        os.kill(process, signal.SIGKILL)
        assert ended(process) in (0, -signal.SIGKILL)
        for name, data in (contents(out) if out.exists() else {}).items():
            if name == growing:
                assert want[name].startswith(data)
            elif name != changing and not name.endswith(LIST):  # lists name the old and the new until all is done
                assert data == want[name], name
        if k % 4 == 2 or k == KILLS - 1:
            assert ended(forked(lambda: run(out))) == 0
            assert set(contents(out)) == set(want)
            assert {n for n, d in contents(out).items() if d != want[n]} <= {changing}
            assert not list(out.rglob(".*"))
            if rng.random() < 0.5:
                shutil.rmtree(out)


@posix
@pytest.mark.slow
@pytest.mark.long
def test_cut_is_killed(design, tmp_path):
    killed_again_and_again(lambda out: main(["cut", str(design), "--out", str(out)]), tmp_path)


@posix
@pytest.mark.slow
@pytest.mark.long
def test_tune_is_killed_and_goes_on_to_the_same_design(design, tmp_path, monkeypatch):
    search = bracewright.tune.search
    monkeypatch.setattr(bracewright.tune, "search", lambda *a, **k: search(*a, size=100.0, **k))
    words = ["tune", str(design), "--evaluations", "10", "--goal", "raise", "--resume", "--out"]
    killed_again_and_again(lambda out: main([*words, str(out)]), tmp_path, growing="search.jsonl")


@posix
@pytest.mark.slow
@pytest.mark.long
def test_fit_is_killed(tmp_path):
    records = tmp_path / "records"
    records.mkdir()
    cabinet = tapped_box(250.0)
    save(cabinet, tmp_path / "box.toml")
    model = build(cabinet, size=SIZE)
    write_taps(records, cabinet, plan_taps(model, solve(model, 12, prove=False), taps=14).taps)
    words = ["fit", str(tmp_path / "box.toml"), str(records), "--size", str(SIZE), "--out"]
    killed_again_and_again(lambda out: main([*words, str(out)]), tmp_path)


@posix
@pytest.mark.slow
@pytest.mark.long
def test_report_is_killed(design, tmp_path):
    out = tmp_path / "report"
    out.mkdir()
    page = out / "page.html"

    def run() -> int:
        return main(["report", str(design), "--out", str(page), "--quick", "--size", "90"])

    start = time.perf_counter()
    assert ended(forked(run)) == 0
    seconds = time.perf_counter() - start
    for _ in range(KILLS):
        page.write_text("old")
        process = forked(run)
        time.sleep(random.uniform(0, 1.05) * seconds)
        os.kill(process, signal.SIGKILL)
        assert ended(process) in (0, -signal.SIGKILL)
        text = page.read_text("utf-8")
        assert text == "old" or text.rstrip().endswith("</html>")
        assert {p.name for p in out.iterdir() if p.suffix != ".part"} == {"page.html"}


# --- stopped within a write -------------------------------------------------------------------------------------------


def stopped_at(line: int, job: Callable[[], object]) -> bool:
    """Raise KeyboardInterrupt at the given line, by count, that is run in `files`; whether it came so far."""
    count = 0

    def each(frame, event, arg):
        nonlocal count
        if frame.f_code.co_filename == files.__file__:
            if event == "line":
                count += 1
                if count == line:
                    raise KeyboardInterrupt
            return each
        return None

    before = sys.gettrace()
    sys.settrace(each)
    try:
        job()
    except KeyboardInterrupt:
        return True
    finally:
        sys.settrace(before)
    return False


def test_stopped_at_any_line_a_write_leaves_the_old_or_the_new_file(tmp_path):
    path = tmp_path / "a.txt"
    line = 0
    while True:
        line += 1
        path.write_text("old")
        stopped = stopped_at(line, lambda: write_file(path, "new"))
        assert path.read_text() in ("old", "new")
        assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
        if not stopped:
            break
    assert line > 8
    assert path.read_text() == "new"


# --- the disk ---------------------------------------------------------------------------------------------------------


def said(capsys, words: list[str]) -> str:
    """Run a command that must fail by its input in one line."""
    code = main(words)
    out, err = capsys.readouterr()
    assert (code, out, err.count("\n")) == (2, "", 1), (code, out, err)
    assert "Traceback" not in err
    return err


def full_disk(monkeypatch, call: str, at: int) -> None:
    """Fail at the call of that number and ever after."""
    whole, count = getattr(os, call), 0

    def full(*words):
        nonlocal count
        count += 1
        if count >= at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return whole(*words)

    monkeypatch.setattr(os, call, full)


@pytest.mark.parametrize("call", ["fsync", "replace"])
@pytest.mark.parametrize("at", range(1, 6))
def test_disk_full_within_a_set(tmp_path, monkeypatch, call, at):
    old, new = dict.fromkeys("abc", "old"), dict.fromkeys("abd", "new")
    write_set(tmp_path, old)
    full_disk(monkeypatch, call, at)
    with pytest.raises(FileError, match="No space left on device"):
        write_set(tmp_path, new)
    monkeypatch.undo()
    found = contents(tmp_path)
    assert all(found[n] in (b"old", b"new") for n in "ab")
    assert not list(tmp_path.glob(".*"))
    write_set(tmp_path, new)
    assert set(contents(tmp_path)) == {*"abd", "files.json"}


def test_disk_full(design, tmp_path, capsys, monkeypatch):
    out = tmp_path / "out"
    full_disk(monkeypatch, "fsync", 9)
    assert "No space left on device" in said(capsys, ["cut", str(design), "--out", str(out)])
    full_disk(monkeypatch, "fsync", 1)
    assert "search.jsonl: cannot be written" in said(capsys, ["tune", str(design), "--out", str(out)])
    monkeypatch.undo()
    assert not list(out.rglob(".*"))


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX systems")
def test_a_file_that_may_not_grow(tmp_path):
    import resource

    path = tmp_path / "a.txt"
    path.write_text("old")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, limits[1]))
    try:
        with pytest.raises(FileError, match=r"a\.txt: cannot be written"):
            write_file(path, "x" * 100_000)
        kept = Archive(tmp_path / "s.jsonl")
        with pytest.raises(FileError, match=r"s\.jsonl: cannot be written"):
            kept.add("0" * 32, {"reason": "y" * 100_000})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert {p.name for p in tmp_path.iterdir()} == {"a.txt", "s.jsonl"}
    assert path.read_text() == "old"
    assert len(Archive(tmp_path / "s.jsonl")) == 0  # the torn line is cut off
    assert (tmp_path / "s.jsonl").read_bytes() == b""


def test_standard_output_that_is_full(design):
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full")
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "bracewright", "check", str(design)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == "bracewright: standard output: No space left on device; check the disk\n"


def test_a_folder_that_refuses(design, tmp_path, capsys, monkeypatch):
    (tmp_path / "file").write_text("x")
    assert "cannot be made a folder" in said(capsys, ["cut", str(design), "--out", str(tmp_path / "file")])
    assert "cannot be made a folder" in said(capsys, ["cut", str(design), "--out", str(tmp_path / "file" / "x")])
    if Path("/proc/self").exists():
        said(capsys, ["tune", str(design), "--out", "/proc/self/x"])
        said(capsys, ["cut", str(design), "--out", "/proc/self"])
    whole = os.open

    def read_only(path, flags, *more, **named):
        if flags & os.O_CREAT:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), path)
        return whole(path, flags, *more, **named)

    monkeypatch.setattr(os, "open", read_only)
    for command in ("cut", "tune"):
        err = said(capsys, [command, str(design), "--out", str(tmp_path)])
        assert "Read-only file system" in err
        assert "--out" in err or "another folder" in err


def test_a_folder_that_goes_away(design, tmp_path, capsys, monkeypatch):
    out = tmp_path / "out"
    import bracewright.make.folder as folder

    count = 0

    def vanishing(path, content):
        nonlocal count
        count += 1
        if count == 5:
            shutil.rmtree(out)
        write_file(path, content)

    monkeypatch.setattr(folder, "write_file", vanishing)
    assert "cannot be written (No such file" in said(capsys, ["cut", str(design), "--out", str(out)])


@posix
def test_a_folder_without_rights(design, tmp_path):
    """For real, as somebody who may not write there: to the superuser nothing is read-only."""
    assert main(["cut", str(design), "--out", str(tmp_path / "first")]) == 0  # loads what nobody else may read here
    with tempfile.TemporaryDirectory() as name:
        root, shut = Path(name), Path(name) / "shut"
        shutil.copy(design, root / "small.toml")
        shut.mkdir()
        for k, (command, out) in enumerate((("cut", shut), ("tune", shut), ("cut", shut / "new"))):

            def run(command=command, out=out, said=tmp_path / str(k)) -> int:
                with open(said, "w") as sys.stderr:
                    if os.geteuid() == 0:
                        os.setuid(65534)
                    return main([command, str(root / "small.toml"), "--out", str(out)])

            root.chmod(0o755)
            shut.chmod(0o555)
            assert ended(forked(run)) == 2
            err = (tmp_path / str(k)).read_text()
            assert err.count("\n") == 1
            assert err.startswith(f"bracewright: {out}: cannot be ")
        assert not list(shut.iterdir())


def test_a_folder_that_goes_away_within_a_search(design, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    with pytest.raises(FileError, match=r"search\.jsonl: cannot be written \(No such file"):
        search(load(design), size=150.0, evaluations=4, resume=out / "search.jsonl", progress=lambda *_: _gone(out))
    assert not out.exists()


def _gone(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)


def test_a_search_goes_on_after_the_disk_was_full(design, tmp_path, monkeypatch):
    kept, how = tmp_path / "search.jsonl", {"size": 150.0, "evaluations": 4, "seed": 3}
    whole = search(load(design), **how)
    full_disk(monkeypatch, "fsync", 3)
    with pytest.raises(FileError, match="No space left on device"):
        search(load(design), resume=kept, **how)
    monkeypatch.undo()
    again = search(load(design), resume=kept, **how)
    assert (again.cabinet, again.after, again.history) == (whole.cabinet, whole.after, whole.history)


def test_a_design_file_that_goes_away(tmp_path, capsys):
    assert "cannot be read (No such file" in said(capsys, ["check", str(tmp_path / "x.toml")])
    assert "cannot be read (Is a dir" in said(capsys, ["check", str(tmp_path)])


ENDLESS = Path("/dev/zero")  # it tells a size of 0


@pytest.mark.skipif(not ENDLESS.exists(), reason="needs a file without end")
def test_a_file_without_end_is_read_to_a_limit(design, tmp_path, capsys):
    links = {n: tmp_path / n for n in ("a.toml", "a.csv", "a.wav", "a.uff", "a.msh", "search.jsonl")}
    for link in links.values():
        link.symlink_to(ENDLESS)
    assert "larger than 4 MB" in said(capsys, ["check", str(links["a.toml"])])
    for name in ("a.csv", "a.wav", "a.uff"):
        assert "larger than 200 MB" in said(
            capsys, ["fit", str(design), str(links[name]), "--out", str(tmp_path / "out")]
        )
    with pytest.raises(FileError, match="larger than 50 MB"):
        mesh_from_file(links["a.msh"], shapely.box(0, 0, 100, 100))
    with pytest.raises(FileError, match="larger than 500 MB"):
        Archive(links["search.jsonl"])


@pytest.mark.parametrize("name", ["a\\u0000", "a" * 300])
def test_a_name_in_a_file_that_no_file_can_have(design, tmp_path, capsys, name):
    taps = tmp_path / "taps.toml"
    for ending in (".wav", ".csv", ".uff"):
        taps.write_text(f'[[taps]]\nfile = "{name}{ending}"\npart = "left"\nat = [100, 100]\n')
        assert "cannot be read" in said(capsys, ["fit", str(design), str(taps), "--out", str(tmp_path / "out")])
    text = design.read_text().replace("[[braces]]", f'[[braces]]\nmesh = "{name}.msh"', 1)
    design.write_text(text)
    assert ".mesh: got 'a" in said(capsys, ["check", str(design)])


# --- two at once ------------------------------------------------------------------------------------------------------


@posix
def test_two_runs_in_one_folder(design, tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()

    def holding() -> int:
        with held(out):
            (tmp_path / "begun").touch()
            (out / f".{os.getpid()}-01234567.part").touch()  # what it was writing when it was killed
            time.sleep(60)
        return 0

    process = forked(holding)
    while not (tmp_path / "begun").exists():
        time.sleep(0.01)
    for command in ("cut", "tune"):
        err = said(capsys, [command, str(design), "--out", str(out)])
        assert f"{out}: process {process} is writing there; wait for it, or name another folder with --out" in err
    os.kill(process, signal.SIGKILL)
    ended(process)
    # Its lock goes with it, and so does what it left half-done.
    assert (out / LOCK).exists()
    assert main(["cut", str(design), "--out", str(out)]) == 0
    assert not list(out.glob(".*"))


@posix
def test_many_runs_hold_a_folder_one_after_the_other(tmp_path):
    """Each adds one to a number that it reads first; none may be lost."""
    number = tmp_path / "number"
    number.write_text("0")

    def adding() -> int:
        for _ in range(30):
            while True:
                try:
                    with held(tmp_path):
                        n = int(number.read_text())
                        time.sleep(0.0005)
                        number.write_text(str(n + 1))
                    break
                except FileError:
                    time.sleep(0.0003)
        return 0

    assert [ended(p) for p in [forked(adding) for _ in range(4)]] == [0] * 4
    assert number.read_text() == "120"
    assert [p.name for p in tmp_path.iterdir()] == ["number"]


def test_a_set_of_files_is_written_by_the_process_that_holds_the_folder(tmp_path):
    with held(tmp_path):
        write_set(tmp_path, {"a.txt": "x"})
    assert {p.name for p in tmp_path.iterdir()} == {"a.txt", "files.json"}


def test_a_bad_design_makes_no_folder(tmp_path, capsys):
    path = tmp_path / "bad.toml"
    path.write_text(SMALL.replace("width = 220", "width = 0.22"))
    for command in ("cut", "tune"):
        said(capsys, [command, str(path), "--out", str(tmp_path / "out")])
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_clock_that_was_set_back(design, tmp_path, monkeypatch):
    """Files of the future and a clock that runs backwards: the same files, and the set is still ours to replace."""
    words = ["cut", str(design), "--out"]
    assert main([*words, str(tmp_path / "a")]) == 0
    want = contents(tmp_path / "a")
    assert len(want) > 20
    for k, p in enumerate(sorted((tmp_path / "a").rglob("*"))):
        os.utime(p, (4e9 - 1e9 * (k % 4),) * 2)
    count = 0

    def backwards() -> float:
        nonlocal count
        count += 1
        return 1e6 - 1e4 * count

    monkeypatch.setattr(time, "time", backwards)
    for out in ("a", "b"):
        assert main([*words, str(tmp_path / out)]) == 0
        assert contents(tmp_path / out) == want


def test_the_clock_has_no_say():
    """Nothing that is read or written depends on the time of day, which may be set back at any moment."""
    source = Path(files.__file__).parent
    for path in source.rglob("*.py"):
        text = path.read_text("utf-8")
        assert not {w for w in ("time.time", "datetime", "gmtime", "localtime", "st_mtime") if w in text}, path


# --- workers ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Mortal(Look):
    """Looks at designs as any other does, but comes to harm at one of them in any process but the first."""

    home: int = 0
    harm: str = ""

    def record(self, cabinet, anchor=None):
        if os.getpid() != self.home and cabinet.braces[0].at == 200.0:
            if self.harm == "killed":  # as the system does when memory is gone
                os.kill(os.getpid(), signal.SIGKILL)
            if self.harm == "refused":
                raise MemoryError
            if self.harm == "limited":
                import resource

                resource.setrlimit(resource.RLIMIT_AS, (2**20, resource.getrlimit(resource.RLIMIT_AS)[1]))
                np.ones(10**8)
        return super().record(cabinet, anchor)


@pytest.mark.slow
@posix
@pytest.mark.parametrize("harm", ["killed", "refused", "limited"])
def test_a_worker_that_is_lost_or_out_of_memory_costs_only_time(harm):
    look = Mortal(Goal(modes=4), 150.0, 6, home=os.getpid(), harm=harm)
    designs = [box(braces=(shelf(at),)) for at in (180.0, 200.0, 220.0)]
    alone = look_at_all(look, designs)
    assert all("reason" not in r for r in alone)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        assert look_at_all(look, designs, pool) == alone
        if harm == "killed":
            with pytest.raises(BrokenExecutor):
                pool.submit(os.getpid)
        # A pool that lost a worker takes no more work; the search must not end with it.
        assert look_at_all(look, designs, pool) == alone


def test_no_memory_for_a_mesh_is_no_fault_of_the_design(design, monkeypatch, capsys):
    """A search would keep it as one that cannot be meshed."""
    from netgen.geom2d import SplineGeometry

    def none(*_, **__):
        raise MemoryError

    monkeypatch.setattr(SplineGeometry, "GenerateMesh", none)
    with pytest.raises(MemoryError):
        Look(Goal(modes=4), 77.0, 6).record(load(design))  # of a size that no other test has meshed
    assert main(["modes", str(design), "--size", "77"]) == 1
    assert capsys.readouterr().err == "bracewright: out of memory; use larger elements (--size) or fewer braces\n"
