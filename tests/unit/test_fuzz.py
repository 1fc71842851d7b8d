"""Damaged files of every kind: each is read rightly or refused with an error of the family, and nothing else happens.

BRACEWRIGHT_FUZZ sets how many inputs each reader is given by the slow test; 6300 makes more than 100,000 in all. The
same number of a reader is always the same input: ``mutated(READERS["design"], 17)``.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import signal
import struct
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import taps
from test_measure_records import uff_set

from bracewright.cli import main
from bracewright.design import dumps, load, loads
from bracewright.errors import BracewrightError, DesignError, FileError
from bracewright.examples import NAMES, example, example_text
from bracewright.geometry import rectangle
from bracewright.make import coordinates, drawings
from bracewright.make.folder import write_set
from bracewright.measure.frf import read_frfs
from bracewright.measure.identify import MeasuredModes
from bracewright.measure.quality import load_modes, save_modes
from bracewright.measure.quality import to_table as modes_table
from bracewright.measure.records import Place
from bracewright.measure.tapfiles import read_records
from bracewright.sound.listen import read_wav
from bracewright.tune.archive import Archive

FEW = 150  # inputs to a reader in the quick test
MANY = int(os.environ.get("BRACEWRIGHT_FUZZ", "1000"))
SECONDS = 5.0  # a reader takes at the most
MEMORY = 1_000_000_000  # bytes beyond what the tests need already

# --- inputs -----------------------------------------------------------------------------------------------------------

ODD = (
    b"0", b"-1", b"1e308", b"1e-320", b"nan", b"-inf", b"1e999", b"9" * 40, b"9" * 5000, b"0x10", b"true", b"null",
    b'""', b"[]", b"{}", b"[[]]", b'"x"', b'"\\u0000"', b'"' + b"x" * 300 + b'"', b'"../../x"', b"2147483648", b"0.5",
    b"-9999999999", b"18446744073709551616", b"1979-05-27", b"'a'", b"3", b"1000000", b"\xff\xfe", b"NaN", b"1_0",
)  # fmt: skip
LUMPS = (*(k * 3000 for k in (b"[", b"{", b'{"a":', b"(")), b"\0" * 64, b"\xff" * 64, b"\n" * 500, b'"', b"]", b"=")
NUMBER = re.compile(rb"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
WORD = re.compile(rb'"[^"\n]*"|[A-Za-z_]\w*')


def mutate(rng: random.Random, data: bytes, others: tuple[bytes, ...]) -> bytes:
    """One change: of bytes, of a number or a word, of lines, of a length in a binary header, or a cut."""
    n = len(data)
    a, b = sorted((rng.randrange(n + 1), rng.randrange(n + 1)))
    b = min(b, a + rng.choice((1, 4, 64, n)))
    lines = data.split(b"\n")
    k, m = rng.randrange(len(lines)), rng.randrange(len(lines))
    kind = rng.randrange(12)
    if kind == 0:
        return data[:a]
    if kind == 1:
        return data[:a] + data[b:]
    if kind == 2:
        return data[:b] + data[a:b] * rng.choice((1, 2, 50)) + data[b:]
    if kind == 3:
        return data[:a] + bytes(rng.randrange(256) for _ in range(min(b - a, 16))) + data[b:]
    if kind == 4 and n:
        out = bytearray(data)
        for _ in range(rng.choice((1, 1, 3, 20))):
            out[rng.randrange(n)] ^= 1 << rng.randrange(8)
        return bytes(out)
    if kind in (5, 6) and (found := list(NUMBER.finditer(data))):
        at = rng.choice(found)
        return data[: at.start()] + rng.choice(ODD) + data[at.end() :]
    if kind == 7 and (found := list(WORD.finditer(data))):
        at, other = rng.choice(found), rng.choice((*ODD, rng.choice(found)[0]))
        return data[: at.start()] + other + data[at.end() :]
    if kind == 8:
        lines[k], lines[m] = lines[m], lines[k]
        return b"\n".join(lines)
    if kind == 9:
        return b"\n".join([*lines[:k], *([] if rng.random() < 0.5 else lines[m : m + 8]), *lines[k + 1 :]])
    if kind == 10 and n > 8:
        at = rng.randrange(min(n - 4, rng.choice((64, n))))
        return data[:at] + struct.pack("<I", rng.choice((0, 1, 3, 2**16, 2**31 - 1, 2**32 - 1))) + data[at + 4 :]
    other = rng.choice(others)
    cut = rng.randrange(len(other) + 1)
    return data[:a] + rng.choice((rng.choice(LUMPS), other[cut : cut + 200], other[cut:])) + data[b:]


@dataclass(frozen=True)
class Reader:
    """What reads a file of this name, and files that it takes."""

    name: str
    ending: str
    read: Callable[[Path], object]
    seeds: tuple[bytes, ...]


def mutated(reader: Reader, number: int) -> bytes:
    """Input number `number`: a good file, one to four times changed."""
    rng = random.Random(f"{reader.name} {number}")
    data = rng.choice(reader.seeds)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        data = mutate(rng, data, reader.seeds)
    return data[:400_000]


# --- what is watched --------------------------------------------------------------------------------------------------

_watched: list[str] | None = None


def _hook(event: str, args: tuple[Any, ...]) -> None:
    if _watched is None:
        return
    written = event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
    started = event in ("subprocess.Popen", "os.system", "os.exec", "pickle.find_class", "socket.connect")
    removed = event in ("os.remove", "os.rename", "os.rmdir", "os.mkdir")
    harmless = "__pycache__" in str(args[0]) or str(args[0]) == os.devnull if args else False
    if (written or started or removed) and not harmless:
        _watched.append(f"{event} {args[0]!r}")


sys.addaudithook(_hook)


class Hang(BaseException):
    """A reader took too long; no reader may catch it."""


@contextlib.contextmanager
def watch(*, may_write: bool = False, memory: int = MEMORY) -> Iterator[None]:
    """Within, a reader may not hang, take much memory, write, or run anything."""
    global _watched

    def hang(*_: object) -> None:
        raise Hang

    limits: Any = None
    if sys.platform == "linux":
        import resource

        limits = resource.getrlimit(resource.RLIMIT_AS)
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + memory, limits[1]))
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, hang)
        signal.setitimer(signal.ITIMER_REAL, SECONDS)
    _watched = [] if not may_write else None
    try:
        yield
        seen, _watched = _watched, None
        assert not seen, seen
    finally:
        _watched = None
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0)
        if limits is not None:
            resource.setrlimit(resource.RLIMIT_AS, limits)


# --- readers ----------------------------------------------------------------------------------------------------------


def _design(path: Path) -> None:
    cabinet = load(path)
    assert loads(dumps(cabinet)) == cabinet


def _command(path: Path) -> None:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["check", str(path), "--json"])
    assert code in (0, 1, 2)
    if code:
        assert out.getvalue() == ""
        assert err.getvalue().startswith("bracewright: ")
        assert err.getvalue().count("\n") == 1
        assert "Traceback" not in err.getvalue()
    else:
        json.loads(out.getvalue())


def _coordinates(path: Path) -> None:
    parts = coordinates.read_json(path)
    again = path.with_name("again.json")
    data = coordinates.to_json(parts)
    try:
        again.write_text(data, "utf-8")
        assert coordinates.read_json(again) == parts
    finally:
        again.unlink(missing_ok=True)


def _sheet(path: Path) -> None:
    """A tap sheet beside a good record."""
    for record in read_records([path]):
        _sound(record.signals)


def _sound(x: Any) -> None:
    assert x.size
    assert np.isfinite(x).all()


def _records(path: Path) -> None:
    for record in read_records([path]):
        _sound(record.signals)


def _frfs(path: Path) -> None:
    found = read_frfs(path)
    _sound(found.H)


def _mesh(path: Path) -> None:
    from bracewright.fem.mesh import mesh_from_file

    mesh = mesh_from_file(path, rectangle((50, 40), (100, 80)).polygon())
    _sound(mesh.points)
    assert mesh.triangles.max() < mesh.corners


def _modes(path: Path) -> None:
    modes = load_modes(path)
    json.dumps(modes_table(modes), allow_nan=False)


def _archive(path: Path) -> None:
    kept = path.read_bytes()
    try:
        Archive(path)
    finally:
        # A torn last line is cut off; nothing else may change.
        left = path.read_bytes()
        assert kept.startswith(left)
        assert left == kept or left == b"" or left.endswith(b"\n")


def _folder(path: Path) -> None:
    """The list of a folder of files beside a file of somebody else's."""
    mine = path.with_name("mine.txt")
    mine.write_text("mine")
    for name in ("a.txt", "gone.txt"):
        path.with_name(name).write_text("x")
    try:
        write_set(path.parent, {"a.txt": "y"})
    finally:
        assert mine.read_text() == "mine"
        for p in path.parent.iterdir():
            if p != path:
                p.unlink()


def _wav(code: int, bits: int, x: Any, rate: int = 8192) -> bytes:
    if code == 3:
        raw = x.astype(f"<f{bits // 8}").tobytes()
    else:
        whole = np.round(np.ascontiguousarray(x) * (2 ** (bits - 1) - 1)).astype("<i4")
        raw = whole.view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()
    block = x.shape[1] * bits // 8
    form = (16, code, x.shape[1], rate, rate * block, block, bits)
    head = struct.pack("<4sI4s4sIHHIIHH", b"RIFF", 36 + len(raw), b"WAVE", b"fmt ", *form)
    return head + struct.pack("<4sI", b"data", len(raw)) + raw


CHANNELS = """
[[channels]]
kind = "hammer"
unit = "N"
scale = 500
[[channels]]
kind = "accelerometer"
unit = "m/s2"
scale = 300.5
part = "left"
at = [150, 210]
direction = "in"
mass_g = 5
range = 500
name = "a"
"""
PLACE = '[[taps]]\nfile = "tap.wav"\npart = "left"\nat = [100, 300]\n'
RICH = """
[joinery]
clearance = 0.1
cutter = 6
guide_bush = 16
[joinery.boards.carcass]
thickness = 18.3
sheet = [2500, 1250]
cost = 48.5
[supports]
kind = "spikes"
points = [[30, 30], [170, 30], [100, 190]]
[[damping]]
part = "left"
thickness = 3
E_GPa = 0.05
density_kg_m3 = 1500
loss_factor = 0.4
[stuffing]
loss_factor = 0.03
"""


@cache
def _signals() -> Any:
    r = taps.tap_record([90, 230, 400], [0.02] * 3, np.array([0.3, -0.4, 0.5]), np.array([0.2, 0.3, 0.4]), seconds=0.13)
    return (r.signals / np.abs(r.signals).max(axis=1, keepdims=True) * 0.8).T[780:1060]


MESHES: dict[str, tuple[dict[str, Any], ...]] = {
    ".msh": ({"file_format": "gmsh"}, {"file_format": "gmsh", "binary": False}, {"file_format": "gmsh22"}),
    ".vtu": ({}, {"binary": False}, {"compression": None}),
    ".vtk": ({}, {"binary": False}),
    **{e: ({},) for e in (".stl", ".obj", ".inp", ".mesh", ".bdf", ".nas", ".fem", ".avs", ".xml")},
}


def _mesh_seeds(folder: Path) -> dict[str, tuple[bytes, ...]]:
    """One plate in many formats."""
    import meshio

    x, y = (c.ravel() for c in np.meshgrid(np.linspace(0, 100, 4), np.linspace(0, 80, 4), indexing="ij"))
    corners = np.arange(16).reshape(4, 4)
    a, b, c, d = (s.ravel() for s in (corners[:-1, :-1], corners[1:, :-1], corners[1:, 1:], corners[:-1, 1:]))
    mesh = meshio.Mesh(
        np.column_stack([x, y, 0 * x]), [("triangle", np.vstack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]))]
    )
    out = {}
    for ending, formats in MESHES.items():
        seeds = []
        for given in formats:
            with contextlib.redirect_stdout(io.StringIO()):
                meshio.write(folder / f"m{ending}", mesh, **given)
            seeds.append((folder / f"m{ending}").read_bytes())
        out[ending] = tuple(seeds)
    return out


@pytest.fixture(scope="module")
def readers(tmp_path_factory) -> dict[str, Reader]:
    """Every reader, by name."""
    root = tmp_path_factory.mktemp("seeds")
    designs = (*(example_text(n).encode() for n in NAMES), (example_text("stand-mount") + RICH).encode())
    parts = tuple(p for p in drawings(example("stand-mount")) if p.name in ("front", "shelf"))
    short = tuple(replace_operations(p) for p in parts)
    x = _signals()
    rows = "\n".join(f"{k / 8192:.7f},{a:.5f},{b:.5f}" for k, (a, b) in enumerate(x[:150]))
    head = "".join(f"# {line}\n" for line in CHANNELS.strip().splitlines())
    csv = f"{head}time,force,answer\n{rows}\n"
    decimal = f"{head}time;force;answer\n" + rows.replace(",", ";").replace(".", ",")
    plain = f"# sample_rate_Hz = 8192\n{head}" + "\n".join(r.split(",", 1)[1] for r in rows.splitlines())
    record = {"frequency_Hz": [100.5, 200.25], "moved_m3": [1e-6, 2e-6], "design": {"name": "x"}}
    kept = Archive(root / "a.jsonl")
    for k, r in enumerate((record, {"slope": [0.5, 1.5]}, {"reason": "MeshError: x", "design": {}}, record)):
        kept.add(f"{k:032x}", r)
    f = np.arange(0, 60, 0.5)
    H = 1 / (30.0**2 - f**2 + 1j * f)
    t = np.arange(120) / 8192
    uffs = []
    pyuff = pytest.importorskip("pyuff")
    for k, sets in enumerate(
        [uff_set(x[:120, i] * 50, t, 1, kind, binary=binary) for i, kind in ((0, 13), (1, 12))] for binary in (0, 1)
    ):
        pyuff.UFF(str(root / f"{k}.uff")).write_sets(sets, mode="add")
        uffs.append((root / f"{k}.uff").read_bytes())
    pyuff.UFF(str(root / "h.uff")).write_sets([uff_set(H, f, 4, 12), uff_set(H, f, 4, 8)], mode="add")
    modes = MeasuredModes(
        frequency_Hz=np.array([100.0, 200.0]),
        loss_factor=np.array([0.01, 0.02]),
        shapes=np.eye(2),
        places=(Place(part="left", at=(100.0, 200.0)), Place(part="left", at=(100.0, 250.0))),
        complex_shapes=np.eye(2) + 0.1j,
        frequency_sd_Hz=np.array([0.1, 0.2]),
        loss_factor_sd=np.array([0.001, 0.002]),
        scaled=True,
        sensor_mass_kg={Place(part="left", at=(100.0, 200.0)): 0.005},
    )
    for path in write_set(root / "set", {"a.txt": "x", "gone.txt": "x"}):
        listed = path.read_bytes()
    wavs = tuple(_wav(code, bits, x) for code, bits in ((1, 16), (1, 24), (3, 32)))
    meshes = _mesh_seeds(root)
    found = [
        Reader("design", ".toml", _design, designs),
        Reader("command", ".toml", _command, designs),
        Reader("coordinates JSON", ".json", _coordinates, (coordinates.to_json(short, cabinet="x").encode(),)),
        Reader("coordinates CSV", ".csv", coordinates.read_csv, (coordinates.to_csv(short).encode(),)),
        Reader("archive", ".jsonl", _archive, ((root / "a.jsonl").read_bytes(), (root / "a.jsonl").read_bytes()[:-9])),
        Reader("WAV of taps", ".wav", _records, wavs),
        Reader("WAV to hear", ".wav", lambda p: _sound(read_wav(p)), (*wavs[:2], _wav(1, 16, x, 44100))),
        Reader("CSV of taps", ".csv", _records, (csv.encode(), decimal.encode(), plain.encode())),
        Reader("tap sheet", ".toml", _sheet, ((CHANNELS + PLACE).encode(),)),
        Reader("UFF of taps", ".uff", _records, tuple(uffs)),
        Reader("UFF of FRFs", ".uff", _frfs, ((root / "h.uff").read_bytes(),)),
        Reader("kept modes", ".json", _modes, (save_modes(root, "SN", modes).read_bytes(),)),
        Reader("list of files", ".json", _folder, (listed,)),
        *(Reader(f"mesh {e}", e, _mesh, s) for e, s in meshes.items()),
    ]
    return {r.name: r for r in found}


def replace_operations(part: Any) -> Any:
    """Keep a few short operations."""
    from dataclasses import replace

    return replace(part, operations=tuple(o for o in part.operations if len(o.path.vertices) < 40)[:3])


NAMES_OF_READERS = (
    "design", "command", "coordinates JSON", "coordinates CSV", "archive", "WAV of taps", "WAV to hear", "CSV of taps",
    "tap sheet", "UFF of taps", "UFF of FRFs", "kept modes", "list of files",
)  # fmt: skip


def file_of(reader: Reader, folder: Path) -> Path:
    """Where the input goes, with what it needs beside it."""
    folder.mkdir()
    if reader.name.startswith("WAV of"):
        (folder / "f.toml").write_text(CHANNELS)
    if reader.name.startswith("tap sheet"):
        (folder / "tap.wav").write_bytes(_wav(1, 16, _signals()))
        return folder / "taps.toml"
    return folder / ("files.json" if reader.name == "list of files" else f"f{reader.ending}")


def attempt(reader: Reader, path: Path, data: bytes) -> str:
    """Read one input; return what is wrong, or nothing."""
    path.write_bytes(data)
    before = {p.name: p.stat().st_size for p in path.parent.iterdir()}
    own = reader.name in ("archive", "list of files", "coordinates JSON", "command")  # these write as they should
    start = time.perf_counter()
    try:
        with watch(may_write=own), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            said = io.StringIO()
            with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
                reader.read(path)
    except BracewrightError as e:
        if isinstance(e.__cause__, MemoryError) and not _only_asked(reader, path):
            return "took over 1 GB"
        if not str(e) or ("\n" in str(e).strip() and not isinstance(e, FileError | DesignError)):
            return f"says {str(e)!r}"
    except Hang:
        return f"took over {SECONDS} s"
    except BaseException as e:
        if isinstance(e, KeyboardInterrupt):
            raise
        return f"{type(e).__name__}: {e}"
    if time.perf_counter() - start > SECONDS:
        return "took too long"
    after = {p.name: p.stat().st_size for p in path.parent.iterdir()}
    if after != before and reader.name not in ("archive", "list of files"):
        return f"wrote {set(after) ^ set(before) or 'into a file'}"
    return ""


def _only_asked(reader: Reader, path: Path) -> bool:
    """Whether a reader that asked for more memory than there is uses little of what it gets."""
    import resource

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with contextlib.suppress(BracewrightError), warnings.catch_warnings(), watch(memory=8 * MEMORY):
        warnings.simplefilter("ignore")
        reader.read(path)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MEMORY / 1024


def fuzz(reader: Reader, folder: Path, numbers: range) -> list[str]:
    """Give a reader its good files, then damaged ones; return what went wrong."""
    path = file_of(reader, folder / reader.name.replace(" ", "-"))
    for seed in reader.seeds:
        path.write_bytes(seed)
        with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore")
            reader.read(path)
    wrong = []
    for number in numbers:
        if said := attempt(reader, path, mutated(reader, number)):
            wrong.append(f"{reader.name} {number}: {said[:200]}")
    return wrong


@pytest.mark.parametrize("name", NAMES_OF_READERS)
def test_damaged_files(name, readers, tmp_path):
    assert fuzz(readers[name], tmp_path, range(FEW)) == []


def test_damaged_meshes(readers, tmp_path):
    meshes = sorted(readers.keys() - set(NAMES_OF_READERS))
    assert [w for name in meshes for w in fuzz(readers[name], tmp_path, range(FEW // 6))] == []


# Found by the long run: triangles of two nodes, of none, and bulk data that never begins.
KEPT = {"mesh .msh": (597, 2924), "mesh .bdf": (401, 894, 1668), "mesh .nas": (2750, 3032), "mesh .fem": (1032, 2739)}


@pytest.mark.parametrize("name", KEPT)
def test_what_once_went_wrong(name, readers, tmp_path):
    path = file_of(readers[name], tmp_path / "kept")
    assert [attempt(readers[name], path, mutated(readers[name], k)) for k in KEPT[name]] == [""] * len(KEPT[name])


@pytest.mark.slow
@pytest.mark.long
@pytest.mark.parametrize("name", [*NAMES_OF_READERS, *(f"mesh {e}" for e in MESHES)])
def test_many_damaged_files(name, readers, tmp_path):
    share = MANY if name in NAMES_OF_READERS else MANY // 4
    wrong = fuzz(readers[name], tmp_path, range(FEW, FEW + share))
    assert not wrong, "\n".join(wrong[:100])
