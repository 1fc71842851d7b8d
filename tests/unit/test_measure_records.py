"""Records: formats read exactly, damaged ones refused in words."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from scipy.io import wavfile

from bracewright.errors import BracewrightError, DesignError, FileError
from bracewright.examples import example
from bracewright.measure.frf import read_frfs
from bracewright.measure.records import Channel, Place, check_places, make_record
from bracewright.measure.tapfiles import read_record, read_records

HAMMER = Channel(kind="hammer", unit="N", scale=500.0)
SENSOR = Channel(kind="accelerometer", unit="g", scale=50.0)
SHEET = """
[[channels]]
kind = "hammer"
unit = "N"
scale = 500
[[channels]]
kind = "accelerometer"
unit = "g"
scale = 50
part = "left"
at = [150, 210]
mass_g = 5
"""


def samples(n=4000, channels=2):
    rng = np.random.default_rng(0)
    return 0.5 * rng.uniform(-1, 1, (n, channels))


def wav24(path, data, rate=8000):
    ints = np.round(data * 2**23).astype("<i4")
    raw = ints.reshape(-1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    c = data.shape[1]
    form = (b"fmt ", 16, 1, c, rate, rate * c * 3, c * 3, 24)
    head = struct.pack("<4sI4s4sIHHIIHH", b"RIFF", 36 + len(raw), b"WAVE", *form)
    path.write_bytes(head + struct.pack("<4sI", b"data", len(raw)) + raw)


@pytest.mark.parametrize("dtype", ["int16", "int24", "int32", "float32", "float64"])
def test_wav(tmp_path, dtype):
    x, p = samples(), tmp_path / "a.wav"
    if dtype == "int24":
        wav24(p, x)
    elif dtype.startswith("int"):
        bits = int(dtype[3:])
        wavfile.write(p, 8000, np.round(x * 2.0 ** (bits - 1)).astype(dtype))
    else:
        wavfile.write(p, 8000, x.astype(dtype))
    (r,) = read_record(p, [HAMMER, SENSOR])
    step = {"int16": 2e-5, "int24": 1e-7}.get(dtype, 1e-7)
    assert r.sample_rate_Hz == 8000
    assert np.abs(r.signals[0] / 500 - x[:, 0]).max() < step
    assert np.abs(r.signals[1] / (50 * 9.80665) - x[:, 1]).max() < step
    assert r.limits == pytest.approx([500, 50 * 9.80665])


def test_tap_sheet_of_a_folder_and_of_one_file(tmp_path):
    for k in (1, 2):
        wavfile.write(tmp_path / f"tap-{k}.wav", 8000, samples().astype("float32"))
    taps = "".join(f'[[taps]]\nfile = "tap-{k}.wav"\npart = "front"\nat = [50, {90 * k}]\n' for k in (1, 2))
    (tmp_path / "taps.toml").write_text(SHEET + taps)
    (tmp_path / "tap-2.toml").write_text("[[channels]]\nmass_g = 0\n[[channels]]\nat = [150, 111]\n")
    one, two = read_records([tmp_path])
    assert one.channels[0].place == Place(part="front", at=(50, 90))
    assert one.channels[1].place == Place(part="left", at=(150, 210))
    assert one.channels[1].mass_g == 5
    assert two.channels[0].place == Place(part="front", at=(50, 180))
    assert two.channels[1].place == Place(part="left", at=(150, 111))


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_csv(tmp_path, mark):
    x, p = samples(500), tmp_path / "a.csv"
    head = "".join(f"# {line}\n" for line in ("sample_rate_Hz = 8000\n" + SHEET).splitlines())
    rows = [mark.join(f"{v:.9g}" for v in row) for row in x]
    if mark != ",":
        rows = [r.replace(".", ",") for r in rows]
    p.write_text(head + mark.join(["force", "answer"]) + "\n" + "\n".join(rows) + "\n")
    (r,) = read_record(p)
    assert r.signals[0] == pytest.approx(500 * x[:, 0], rel=1e-6)
    assert r.channels[1].place == Place(part="left", at=(150, 210))


def test_csv_with_a_time_column(tmp_path):
    x, p = samples(500), tmp_path / "a.csv"
    t = np.arange(500) / 5000
    p.write_text("time,a,b\n" + "\n".join(f"{a:.7f},{b},{c}" for a, (b, c) in zip(t, x, strict=True)))
    (r,) = read_record(p, [HAMMER, SENSOR])
    assert r.sample_rate_Hz == pytest.approx(5000)


def pyuff_sets(path, sets):
    pyuff = pytest.importorskip("pyuff")
    path.unlink(missing_ok=True)
    # Its own overwriting loses the heading of a binary record.
    pyuff.UFF(str(path)).write_sets(sets, mode="add")


def uff_set(data, x, func, kind, **more):
    """A type-58 set as pyuff takes it."""
    return {
        "type": 58, "func_type": func, "rsp_node": 1, "rsp_dir": 3, "ref_node": 2, "ref_dir": 3, "data": data, "x": x,
        "id1": "test", "rsp_ent_name": "NONE", "ref_ent_name": "NONE", "abscissa_spacing": 1, "abscissa_min": x[0],
        "abscissa_inc": x[1] - x[0], "num_pts": len(x), "ordinate_spec_data_type": kind,
        "abscissa_spec_data_type": 17 if func == 1 else 18, "binary": 0,
        "orddenom_spec_data_type": 0, "z_axis_spec_data_type": 0, **more,
    }  # fmt: skip


@pytest.mark.parametrize("binary", [0, 1])
def test_uff_time_records(tmp_path, binary):
    x, t = samples(800), np.arange(800) / 8000
    p = tmp_path / "a.uff"
    pyuff_sets(p, [uff_set(x[:, k], t, 1, kind, binary=binary) for _ in range(2) for k, kind in ((0, 13), (1, 12))])
    one, two = read_record(p)
    assert [c.kind for c in one.channels] == ["hammer", "accelerometer"]
    assert two.signals == pytest.approx(x.T, rel=1e-5, abs=1e-6)
    assert two.sample_rate_Hz == pytest.approx(8000, rel=1e-5)


def test_uff_frequency_responses(tmp_path):
    f = np.arange(0, 100, 0.5)
    H = 1 / (50.0**2 - f**2 + 1j * f)
    p = tmp_path / "a.uff"
    pyuff_sets(p, [uff_set(H, f, 4, 8)])
    found = read_frfs(p, {1: Place(part="left", at=(10, 20))})
    w = 2 * np.pi * f[1:]
    assert found.H[0] == pytest.approx(-(w**2) * H[1:], rel=1e-5)
    assert found.sensors == (Place(part="left", at=(10, 20)),)


def test_uff_of_unequal_lengths_or_cut_short(tmp_path):
    x, t = samples(800), np.arange(800) / 8000
    p = tmp_path / "a.uff"
    pyuff_sets(p, [uff_set(x[:, 0], t, 1, 13), uff_set(x[:700, 1], t[:700], 1, 12)])
    with pytest.raises(FileError, match="differ in length"):
        read_record(p)
    pyuff_sets(p, [uff_set(x[:, 0], t, 1, 13)])
    p.write_bytes(p.read_bytes()[:4000] + b"\n    -1\n")
    with pytest.raises(FileError, match=r"a\.uff"):
        read_record(p)


def rewrite(path, data):
    path.write_bytes(data)
    return path


def broken(tmp_path):
    """Files that no reader should take, each with the words its message must hold."""
    x, p = samples(), tmp_path / "good.wav"
    wavfile.write(p, 8000, (x * 32767).astype("int16"))
    good = p.read_bytes()
    csv = "# sample_rate_Hz = {}\nf,a\n{}"
    rows = [f"{a:.6f},{b:.6f}" for a, b in x[:200]]

    def text(name, content):
        (tmp_path / name).write_text(content)
        return tmp_path / name

    return {
        "cut short": rewrite(tmp_path / "cut.wav", good[:-1001]),
        "not a WAV": rewrite(tmp_path / "no.wav", b"not a wave file at all" * 9),
        "holds no sound": rewrite(tmp_path / "head.wav", good[:30]),
        "coding 1 with 8 bits": rewrite(tmp_path / "eight.wav", good[:34] + struct.pack("<H", 8) + good[36:]),
        "0 Hz": rewrite(tmp_path / "zero.wav", good[:24] + struct.pack("<I", 0) + good[28:]),
        "lasts 600 s": rewrite(tmp_path / "long.wav", good[:24] + struct.pack("<I", 200) + good[28:40]
                               + struct.pack("<I", 4 * 120000) + bytes(4 * 120000)),
        "sampling rate is 0": text("a.csv", csv.format(0, "\n".join(rows))),
        "line 9, column 2": text("b.csv", csv.format(8000, "\n".join([*rows[:6], "0.1,NaN", *rows[6:]]))),
        "line 5 has 3 columns": text("c.csv", csv.format(8000, "\n".join([*rows[:2], "1,2,3", *rows[2:]]))),
        "not a number": text("d.csv", csv.format(8000, "\n".join([*rows, "0.1,abc"]))),
        "holds no numbers": text("e.csv", "# sample_rate_Hz = 8000\n"),
        "ending '.mp3'": text("f.mp3", "x"),
        "cannot be read": tmp_path / "missing.wav",
        "time steps are unequal": text("g.csv", "time,f,a\n" + "\n".join(
            f"{(k + (k > 50)) / 8000:.7f},{s}" for k, s in enumerate(rows))),
    }  # fmt: skip


WORDS = [
    "cut short", "not a WAV", "holds no sound", "coding 1 with 8 bits", "0 Hz", "lasts 600 s", "sampling rate is 0",
    "line 9, column 2", "line 5 has 3 columns", "not a number", "holds no numbers", "ending '.mp3'", "cannot be read",
    "time steps are unequal",
]  # fmt: skip


@pytest.mark.parametrize("words", WORDS)
def test_damaged_files(tmp_path, words):
    path = broken(tmp_path)[words]
    with pytest.raises(FileError) as e:
        read_record(path, [HAMMER, SENSOR])
    assert words in str(e.value)
    assert path.name in str(e.value)


def test_random_damage_never_crashes(tmp_path):
    wavfile.write(tmp_path / "a.wav", 8000, (samples(300) * 32767).astype("int16"))
    good = bytearray((tmp_path / "a.wav").read_bytes())
    rng = np.random.default_rng(4)
    for _ in range(200):
        bad = bytearray(good)
        for at in rng.integers(0, 60, 3):
            bad[at] = rng.integers(256)
        path = rewrite(tmp_path / "b.wav", bytes(bad[: rng.integers(1, len(bad) + 1)]))
        try:
            read_record(path, [HAMMER, SENSOR])
        except BracewrightError as e:
            assert "b.wav" in str(e)  # noqa: PT017


def test_wrong_units_and_silence(tmp_path):
    x = samples().T
    with pytest.raises(DesignError, match="known are N, lbf, 1"):
        Channel(kind="hammer", unit="mV")
    with pytest.raises(FileError, match="check its unit and scale"):
        make_record(x, 8000, [Channel(kind="hammer", unit="N", scale=5e6), SENSOR])
    with pytest.raises(FileError, match="silent"):
        make_record(x * [[1], [0]], 8000, [HAMMER, SENSOR])
    with pytest.raises(FileError, match="not a number at sample 8"):
        make_record(np.where(np.arange(4000) == 7, np.nan, x), 8000, [HAMMER, SENSOR])
    with pytest.raises(FileError, match="2 channels but 1"):
        make_record(x, 8000, [HAMMER])


def test_a_file_without_its_sheet_says_what_to_write(tmp_path):
    wavfile.write(tmp_path / "a.wav", 8000, samples().astype("float32"))
    with pytest.raises(FileError, match=r"write a\.toml or taps\.toml"):
        read_record(tmp_path / "a.wav")


def test_places_are_checked_against_the_cabinet():
    cabinet = example()

    def at(part, where):
        place = Place(part=part, at=where)
        channel = Channel(kind="hammer", unit="N", scale=500.0, place=place)
        check_places(cabinet, [make_record(samples().T, 8000, [channel, SENSOR], name="tap")])

    at("left", (10, 10))
    with pytest.raises(DesignError, match=r"tap\.at: .* off 'left'"):
        at("left", (2000, 10))
    o = cabinet.openings[0]
    with pytest.raises(DesignError, match="in the opening"):
        at(o.panel, o.shape.centre)
    with pytest.raises(DesignError, match="did you mean 'left'"):
        at("lefft", (10, 10))


def test_lengths_in_metres_and_masses_in_kilograms_are_refused():
    channel = Channel(kind="hammer", unit="N", scale=500.0, place=Place(part="left", at=(0.15, 0.21)))
    with pytest.raises(DesignError, match="lengths are in mm"):
        check_places(example(), [make_record(samples().T, 8000, [channel, SENSOR], name="tap")])
    with pytest.raises(DesignError, match="masses are in grams"):
        Channel(kind="accelerometer", unit="g", mass_g=0.005)


def test_a_csv_of_ten_minutes_is_refused_before_it_is_read(tmp_path):
    p = tmp_path / "long.csv"
    p.write_text("# sample_rate_Hz = 8000\na\n" + "1\n" * 4_800_000)
    with pytest.raises(FileError, match=r"long\.csv: holds 4800002 lines"):
        read_record(p, [SENSOR])
