"""The commands: argument parsing, progress, exit codes.

0 done, 2 bad input (one line that names file, key, value and remedy), 1 anything else.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO, cast

from bracewright import __version__
from bracewright.errors import BracewrightError, DesignError, FileError

if TYPE_CHECKING:
    from bracewright.design.cabinet import Cabinet
    from bracewright.fem.modes import Modes
    from bracewright.fem.system import Model
    from bracewright.sound import Report as SoundReport

DONE, FAILED, BAD_INPUT = 0, 1, 2
LONGEST = 1000  # characters of a message
KEPT_SEARCH = "search.jsonl"
DEMO_MODES = 20
REPORT_SIZE = 40.0  # mm; elements of a search's own report
DEMO_EVALUATIONS = 16
DEMO_SPREAD = 0.8  # weight beside the height's 1
GOALS: dict[str, dict[str, float]] = {  # weights
    "raise": {"spread": 0.0},
    "spread": {"raise_": 0.0, "spread": 1.0},
    "both": {},
    "quiet": {"raise_": 0.3, "spread": 0.1, "quiet": 1.0, "peak": 1.0},
    "stiff": {"raise_": 0.3, "spread": 0.0, "stiff": 1.0},
}
JOINT_MODELS = ("computed", "plain")
Report = tuple[Mapping[str, object], str]


class Progress:
    """One line on standard error that is written over; silent where that is not a terminal."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.on = stream.isatty()
        self.start = time.perf_counter()
        self.width = 0

    def __call__(self, text: str) -> None:
        """Show what is being done."""
        if self.on:
            line = f"{time.perf_counter() - self.start:5.1f} s  {text}"[:110]
            self.stream.write("\r" + line.ljust(self.width))
            self.stream.flush()
            self.width = len(line)

    def clear(self) -> None:
        """Wipe the line."""
        if self.on and self.width:
            self.stream.write("\r" + " " * self.width + "\r")
            self.stream.flush()
            self.width = 0


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        """Complain and end with the exit code for bad input."""
        self.exit(BAD_INPUT, f"{self.prog}: {_one_line(message)}; see {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    args = _parser().parse_args(argv)
    progress = Progress(sys.stderr)
    try:
        with _library_output_hidden(), contextlib.ExitStack() as args.held:
            table, text = args.run(args, progress)
        progress.clear()
        _print(json.dumps(table, indent=2, allow_nan=False) + "\n" if args.json else text)
        if str(table.get("message", "")).startswith("stopped"):
            return _end(progress, FAILED, "stopped; the best so far is written, and --resume goes on from here")
    except KeyboardInterrupt:
        return _end(progress, FAILED, "stopped")
    except DesignError as e:
        file = getattr(args, "file", None)
        return _end(progress, BAD_INPUT, f"{file}: {e}" if file else str(e))
    except FileError as e:
        return _end(progress, BAD_INPUT, str(e))
    except BracewrightError as e:
        return _end(progress, FAILED, str(e))
    except BrokenPipeError:
        # The reader has gone; keep the interpreter from complaining when it flushes.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except OSError as e:  # whatever else is full or gone, standard output for one
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _end(progress, FAILED, f"{e.filename or 'standard output'}: {e.strerror or e}; check the disk")
    except MemoryError:
        return _end(progress, FAILED, "out of memory; use larger elements (--size) or fewer braces")
    return DONE


@contextlib.contextmanager
def _library_output_hidden() -> Iterator[None]:
    """Keep what compiled libraries print off standard output, which belongs to the result."""
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError):  # no standard output at all
        yield
        return
    try:
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _print(text: str) -> None:
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name may not exist in the terminal's alphabet
    sys.stdout.write(text)
    sys.stdout.flush()


def _end(progress: Progress, code: int, message: str) -> int:
    progress.clear()
    line = f"bracewright: {_one_line(message)}\n"
    sys.stderr.write(
        line.encode(sys.stderr.encoding or "utf-8", "backslashreplace").decode(sys.stderr.encoding or "utf-8")
    )
    return code


def _one_line(message: str) -> str:
    """Return a message without line breaks or characters that would steer a terminal."""
    line = "".join(c if c.isprintable() else "?" for c in " ".join(message.split()))
    return line if len(line) <= LONGEST else f"{line[: LONGEST - 3]}..."


# --- arguments ------------------------------------------------------------------------------------------------------


def _parser() -> Parser:
    parser = Parser(prog="bracewright", description="Design wooden loudspeaker cabinets before cutting them.")
    parser.add_argument("--version", action="version", version=f"bracewright {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Parser)

    def command(name: str, run: Callable[[argparse.Namespace, Progress], Report], text: str) -> Parser:
        sub: Parser = commands.add_parser(name, help=text, description=text)
        sub.set_defaults(run=run)
        sub.add_argument("--json", action="store_true", help="print JSON on standard output and nothing else")
        return sub

    check = command("check", _check, "validate a design; print its parts, mass, volume and clearances")
    modes = command("modes", _modes, "compute the first modes of a cabinet")
    sound = command("sound", _sound, "what the cabinet itself radiates, relative to its drivers")
    tune = command("tune", _tune, "search for better brace positions and pocket sizes")
    fit = command("fit", _fit, "correct a design's boards and joints by records of taps on the cabinet")
    cut = command("cut", _cut, "write the outlines to cut: DXF, coordinates, cut list")
    page = command("report", _report, "one HTML page about a cabinet: for the customer first, then for the maker")
    demo = command("demo", _demo, "run the whole job on an example cabinet")
    for sub in (check, modes, sound, tune, fit, cut, page):
        sub.add_argument("file", metavar="FILE", help="design file")
    for sub in (tune, fit, cut):
        sub.add_argument("--out", required=True, metavar="DIR", help="folder to write to; made if it is missing")
    demo.add_argument(
        "--out", default="bracewright-demo", metavar="DIR", help="folder to write to (default %(default)s)"
    )
    cut.add_argument("--dxf", choices=("R2010", "R12"), default="R2010", help="version of DXF (default %(default)s)")
    modes.add_argument("--count", type=_whole(1, 500), default=20, help="how many elastic modes (default %(default)s)")
    modes.add_argument("--size", type=_number(3.0, 300.0), metavar="MM", help="side of an element, mm (default 30)")
    modes.add_argument("--joints", choices=JOINT_MODELS, help="how thick joints are modelled (default computed)")
    modes.add_argument("--vtu", metavar="FILE", help="also write parts and mode shapes as a VTU mesh")
    page.add_argument("--out", required=True, metavar="FILE.html", help="page to write")
    page.add_argument("--beside", metavar="OTHER", help="the design file it was before")
    page.add_argument("--quick", action="store_true", help="rough sound, up to 1 kHz")
    page.add_argument("--size", type=_number(10.0, 100.0), default=30.0, metavar="MM", help="side of elements, mm (30)")
    sound.add_argument("--beside", metavar="OTHER", help="a second design file to hear at the same scale")
    sound.add_argument("--quick", action="store_true", help="rough: each panel as if in an endless baffle")
    sound.add_argument("--high", type=_number(200.0, 4000.0), default=2000.0, metavar="HZ", help="up to here (2000)")
    sound.add_argument("--count", type=_whole(20, 2000), default=200, help="how many frequencies (default %(default)s)")
    sound.add_argument("--size", type=_number(10.0, 100.0), metavar="MM", help="side of an element, mm")
    sound.add_argument("--out", metavar="DIR", help="also write pictures, and sound files to listen to")
    sound.add_argument("--wav", metavar="FILE", help="what to listen to (default: plucked notes and noise of our own)")
    sound.add_argument("--boost", type=_number(0.0, 60.0), default=20.0, metavar="DB", help="of the cabinet alone (20)")
    tune.add_argument(
        "--goal",
        choices=tuple(GOALS),
        help="modes up, modes apart, both, walls quiet, drivers held stiff; default the file's [tune], else both",
    )
    tune.add_argument("--evaluations", type=_whole(2, 100_000), default=60, help="designs to try (default %(default)s)")
    tune.add_argument("--resume", action="store_true", help="go on from the search kept in DIR")
    fit.add_argument("records", nargs="+", metavar="RECORDS", help="WAV, CSV or UFF files, or folders with taps.toml")
    fit.add_argument(
        "--low", type=_number(5.0, 20_000.0), metavar="HZ", help="lowest frequency (default: by the design)"
    )
    fit.add_argument("--high", type=_number(10.0, 20_000.0), metavar="HZ", help="highest (default: the twelfth mode's)")
    fit.add_argument("--mass", type=_number(0.5, 1000.0), metavar="KG", help="of the cabinet on a scale")
    fit.add_argument("--block", type=_number(0.05, 20.0), default=1.0, metavar="S", help="seconds used after a tap (1)")
    fit.add_argument("--window", type=_number(0.01, 20.0), metavar="S", help="time constant of an exponential window")
    fit.add_argument(
        "--size", type=_number(10.0, 200.0), default=40.0, metavar="MM", help="side of an element, mm (40)"
    )
    fit.add_argument("--serial", metavar="NAME", help="keep the modes under this serial number, in DIR/NAME")
    fit.add_argument("--reference", metavar="RECORD", help="fit nothing; check against modes kept before")
    fit.add_argument("--pair", metavar="RECORD", help="with --reference: also whether it makes a pair with this one")
    fit.add_argument(
        "--tolerance", type=_number(0.1, 30.0), default=3.0, metavar="PERCENT", help="of frequencies in a check (3)"
    )
    for sub in (tune, demo):
        sub.add_argument("--seed", type=_whole(0, 2**31 - 1), default=0, help="start of the random numbers (default 0)")
    return parser


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            value = low - 1
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"got {text!r}; give a whole number from {low} to {high}")
        return value

    return read


def _number(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = low - 1
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(
                f"got {text!r}; give a number from {low:g} to {high:g} (lengths are in mm)"
            )
        return value

    return read


def _folder(args: argparse.Namespace) -> Path:
    """Make the folder to write to, before any long work, and keep other processes out of it."""
    from bracewright.files import held

    folder = Path(args.out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"{folder}: cannot be made a folder ({e.strerror}); name another with --out") from e
    if not os.access(folder, os.W_OK):
        raise FileError(f"{folder}: cannot be written to; name another folder with --out")
    args.held.enter_context(held(folder))
    return folder


# --- commands -------------------------------------------------------------------------------------------------------


def _check(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.account import account
    from bracewright.design.designfile import load
    from bracewright.make import obstacles

    cabinet = load(args.file)
    a = account(cabinet)
    found = obstacles(cabinet)
    lines = [f"cannot be cut as it is: {o}\n" for o in found] or ["can be cut as it is\n"]
    return {**a.to_table(), "obstacles": list(found)}, "\n".join([a.text(), *lines])


def _modes(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.account import account
    from bracewright.design.designfile import load
    from bracewright.fem import system
    from bracewright.fem.export import write_vtu
    from bracewright.fem.modes import solve

    cabinet = load(args.file)
    if args.vtu and not Path(args.vtu).absolute().parent.is_dir():
        raise FileError(f"{args.vtu}: its folder does not exist; make it or name another with --vtu")
    given = {k: getattr(args, k) for k in ("size", "joints") if getattr(args, k) is not None}
    progress("meshing and assembling")
    model = system.build(cabinet, **given)
    progress(f"solving {model.dofs} unknowns for {args.count} modes")
    modes = solve(model, args.count)
    if args.vtu:
        progress(f"writing {args.vtu}")
        write_vtu(args.vtu, model, modes)
    a = account(cabinet)
    rows = [
        {"number": k, "frequency_Hz": float(f), "loss_factor": float(eta)}
        for k, (f, eta) in enumerate(zip(modes.frequency_Hz, modes.loss_factor, strict=True), 1)
    ]
    table = {
        "name": cabinet.name,
        "mass_kg": a.mass_kg,
        "net_volume_l": a.net_volume_l,
        "dofs": model.dofs,
        "rigid_modes": modes.rigid_modes,
        "missed_modes": modes.missed_modes,
        "seconds": {k: modes.seconds[k] for k in ("mesh", "assemble", "solve")},
        "modes": rows,
    }
    missed = f"; {modes.missed_modes} MODES ARE MISSING" if modes.missed_modes else "; none missed"
    lines = [
        f"{cabinet.name}: {a.mass_kg:.2f} kg, net {a.net_volume_l:.2f} l",
        f"{model.dofs} unknowns, {modes.rigid_modes} rigid modes{missed}, {sum(modes.seconds.values()):.1f} s",
        "",
        "mode  frequency, Hz  loss factor",
        *(
            f"{k:4}  {f:13.1f}  {eta:11.4f}"
            for k, (f, eta) in enumerate(zip(modes.frequency_Hz, modes.loss_factor, strict=True), 1)
        ),
        *(f"warning: {w.where}: {w.what} is {w.distance:.1f} mm, {w.wanted:g} wanted" for w in a.warnings),
    ]
    return table, "\n".join(lines) + "\n"


def _sound(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.designfile import load
    from bracewright.sound import default_frequencies, listen, radiated, report
    from bracewright.sound.report import side_by_side

    designs = [load(f) for f in (args.file, args.beside) if f]
    folder = _folder(args) if args.out else None
    signal = listen.read_wav(args.wav) if args.wav else None
    f = default_frequencies(20.0, args.high, args.count)
    found = [report(radiated(c, f, size=args.size, quick=args.quick, progress=progress)) for c in designs]
    table, text = found[0].to_table(), found[0].text()
    if args.beside:
        table["beside"] = found[1].to_table()
        text += "\n" + found[1].text() + "\n" + side_by_side(found[0], found[1])
    if folder is not None:
        files, note = _sound_files(found, folder, signal, args, progress)
        table |= {"files": [str(f) for f in files], "note": note}
        text += "\n" + note + "\n" + "".join(f"{f}\n" for f in files)
    return table, text


def _sound_files(
    found: Sequence[SoundReport], folder: Path, signal: Any, args: argparse.Namespace, progress: Progress
) -> tuple[list[Path], str]:
    """Write what one or two designs sound like, at one scale, and their pictures."""
    from bracewright.show import plots, sound_plots
    from bracewright.sound import listen, spectrum

    progress("sound files and pictures")
    names = [r.sound.setup.cabinet.name for r in found]
    if len(set(names)) < len(names):
        names = ["first", "beside"]
    heard = {}
    for name, r in zip(names, found, strict=True):
        s = r.sound
        fine = spectrum(s.setup, listen.fine_frequencies(args.high), point=s.point, progress=progress)
        heard[name] = listen.play(fine, listen.phrase() if signal is None else signal)
    files, note = listen.write_files(heard, folder, boost_dB=args.boost)
    for picture, draw in (("levels", sound_plots.levels), ("third octaves", sound_plots.third_octaves)):
        files.append(folder / f"{picture}.png")
        plots.save_png(sound_plots.figure_of(draw(found[0], found[1] if found[1:] else None)), files[-1])
    return files, note


def _fit(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.designfile import load
    from bracewright.files import write_file
    from bracewright.measure import Limits, check_files, fit_files, load_modes, match, save_modes, serial_number

    if args.pair and not args.reference:
        raise DesignError("the other of a pair is checked beside a reference; give --reference too", key="--pair")
    cabinet = load(args.file)
    serial = serial_number(args.serial or "unnamed")
    kept, other = (load_modes(p) if p else None for p in (args.reference, args.pair))
    folder = _folder(args)
    how = {"low_Hz": args.low, "high_Hz": args.high, "block_s": args.block, "window_s": args.window}
    if kept is None:
        progress("reading the records and fitting")
        fitted = fit_files(cabinet, args.records, mass_kg=args.mass, size=args.size, **how)
        measured, text, table = fitted.measured, fitted.text(), fitted.to_table()
        files = list(fitted.fit.save(folder))
    else:
        progress("reading the records and comparing")
        limits = Limits(frequency=args.tolerance / 100)
        checked = check_files(cabinet, args.records, kept, limits=limits, **how)
        measured, text, table, files = checked.measured, checked.text(), checked.to_table(), []
        if other is not None:
            both = match(other, measured, within=limits.frequency)
            text += f"\nas a pair with {args.pair}: {both.text()}"
            table["pair"] = both.to_table()
    if args.serial or kept is not None:
        files.append(save_modes(folder, serial, measured))
    if kept is not None:
        verdict = files[-1].with_name(files[-1].name.replace("modes", "check"))
        write_file(verdict, json.dumps(table, indent=2, allow_nan=False) + "\n")
        files.append(verdict)
    table["files"] = [str(f) for f in files]
    return table, text + "written: " + ", ".join(str(f) for f in files) + "\n"


def _cut(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.designfile import load
    from bracewright.make import assembly, export

    cabinet = load(args.file)
    progress("writing outlines")
    files = export(cabinet, _folder(args), dxf_version=args.dxf)
    locked = assembly(cabinet).conflicts
    told = "".join(f"CANNOT BE ASSEMBLED AS DRAWN: {', '.join(group)} lock each other\n" for group in locked)
    table = {"name": cabinet.name, "files": [str(f) for f in files], "locked": [list(group) for group in locked]}
    return table, told + "".join(f"{f}\n" for f in files)


def _report(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.designfile import load
    from bracewright.show.report import write_report

    cabinet, beside = load(args.file), load(args.beside) if args.beside else None
    if not Path(args.out).absolute().parent.is_dir():
        raise FileError(f"{args.out}: its folder does not exist; make it or name another with --out")
    made = write_report(cabinet, args.out, beside=beside, size=args.size, quick=args.quick, progress=progress)
    mean, most = made.error_percent
    first = made.now.modes.frequency_Hz[0]
    text = (
        f"{cabinet.name}: first mode {first:.1f} Hz; against a coarser mesh the modes change by {mean:.2f} %, "
        f"at most {most:.2f} %\n{args.out}\n"
    )
    return {**made.to_table(), "files": [args.out]}, text


def _tune(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.designfile import load, save
    from bracewright.make import export
    from bracewright.show.report import write_report
    from bracewright.tune import Goal, search

    cabinet = load(args.file)
    folder = _folder(args)
    kept = folder / KEPT_SEARCH
    if not args.resume:
        kept.unlink(missing_ok=True)
    goal = Goal.of(cabinet)
    if args.goal is not None:
        goal = Goal(band_Hz=goal.band_Hz, **cast(Any, GOALS[args.goal]))
    found = search(
        cabinet,
        goal=goal,
        seed=args.seed,
        evaluations=args.evaluations,
        progress=_told(progress, args.evaluations),
        resume=kept,
        tell=progress,
    )
    progress("writing the tuned design and its outlines")
    save(found.cabinet, folder / "tuned.toml")
    cut = export(found.cabinet, folder)
    own = [folder / "tuned.toml"]
    if not found.stopped:  # whoever stops it does not wait for a report
        own.append(folder / "report.html")
        write_report(found.cabinet, own[1], beside=cabinet, size=REPORT_SIZE, quick=True, progress=progress)
    table = {"name": cabinet.name, **found.to_table(), "files": [str(f) for f in (*own, *cut)]}
    wrote = f"written to {folder}: {', '.join(f.name for f in own)} and {len(cut)} files to cut from\n"
    return table, f"{found.text()}\n{wrote}"


def _demo(args: argparse.Namespace, progress: Progress) -> Report:
    from bracewright.design.account import account
    from bracewright.design.designfile import save
    from bracewright.examples import example
    from bracewright.fem.modes import solve
    from bracewright.fem.system import build
    from bracewright.files import write_file
    from bracewright.make import export
    from bracewright.show import plots
    from bracewright.tune import Goal, search

    started = time.perf_counter()
    cabinet = example("stand-mount")
    folder = _folder(args)
    progress("account")
    a = account(cabinet)
    save(cabinet, folder / "design.toml")
    write_file(folder / "account.txt", a.text())

    def modes_of(c: Cabinet, when: str) -> tuple[Model, Modes]:
        progress(f"modes {when}")
        model = build(c)
        return model, solve(model, DEMO_MODES)

    before = modes_of(cabinet, "before")
    told = _told(progress, DEMO_EVALUATIONS)
    goal = Goal(spread=DEMO_SPREAD)
    found = search(cabinet, goal=goal, seed=args.seed, evaluations=DEMO_EVALUATIONS, progress=told)
    if found.stopped:
        raise KeyboardInterrupt
    after = modes_of(found.cabinet, "after")
    progress("pictures and files to cut from")
    save(found.cabinet, folder / "tuned.toml")
    plots.save_png(plots.before_after(before, after), folder / "modes.png")
    cut = export(found.cabinet, folder / "cut")
    own = [folder / name for name in ("design.toml", "account.txt", "tuned.toml", "modes.png")]
    seconds = time.perf_counter() - started
    table = {
        "name": cabinet.name,
        "mass_kg": a.mass_kg,
        "net_volume_l": a.net_volume_l,
        "modes_before_Hz": before[1].frequency_Hz.tolist(),
        "modes_after_Hz": after[1].frequency_Hz.tolist(),
        **found.to_table(),
        "seconds": seconds,
        "files": [str(f) for f in (*own, *cut)],
    }
    rows = zip(before[1].frequency_Hz, after[1].frequency_Hz, strict=True)
    lines = [
        f"{cabinet.name}: {a.mass_kg:.2f} kg, net {a.net_volume_l:.2f} l, {len(a.chambers)} chamber, "
        f"{len(a.warnings)} clearances too small",
        "",
        "mode  before, Hz  after, Hz",
        *(f"{k:4}  {f:10.1f}  {g:9.1f}" for k, (f, g) in enumerate(rows, 1)),
        "",
        found.text(),
        f"{seconds:.0f} s; written to {folder}:",
        *(f"  {f.name}" for f in own),
        f"  cut: {len(cut)} files; begin with read-me-first.txt",
    ]
    return table, "\n".join(lines) + "\n"


def _told(progress: Progress, evaluations: int) -> Callable[[int, dict[str, float]], None]:
    """Return what a search reports to."""

    def report(number: int, best: dict[str, float]) -> None:
        progress(f"design {number} of {evaluations}: lowest {best['first_Hz']:.0f} Hz, score {best['score']:.3f}")

    return report
