"""Commands that look at one design, or at two side by side. Each returns a table for ``--json`` and a text."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bracewright.cli.terminal import Progress, as_json
from bracewright.errors import DesignError, FileError
from bracewright.files import held, make_folder, write_file

if TYPE_CHECKING:
    from bracewright.fem.system import Model
    from bracewright.sound import Report

FITTED, FITTED_LIST = ("fitted.toml", "fit.json"), "fit-files.json"
Result = tuple[Mapping[str, object], str]
Command = Callable[[argparse.Namespace, Progress], Result]


def check(args: argparse.Namespace, progress: Progress) -> Result:
    """Account for a design, and say whether it can be cut."""
    from bracewright.design.account import account
    from bracewright.design.designfile import load
    from bracewright.make import obstacles

    cabinet = load(args.file)
    a = account(cabinet)
    found = obstacles(cabinet)
    lines = [f"cannot be cut as it is: {o}\n" for o in found] or ["can be cut as it is\n"]
    return {**a.to_table(), "obstacles": list(found)}, "\n".join([a.text(), *lines])


def modes(args: argparse.Namespace, progress: Progress) -> Result:
    """Compute the modes; on request keep them as a mesh."""
    from bracewright.design.account import account
    from bracewright.design.designfile import load
    from bracewright.fem import system
    from bracewright.fem.export import write_vtu
    from bracewright.fem.modes import solve, wall_modes

    cabinet = load(args.file)
    if args.vtu:
        _check_file(args, args.vtu, "--vtu", ".vtu")
    given = {k: getattr(args, k) for k in ("size", "joints") if getattr(args, k) is not None}
    progress("meshing and assembling")
    model = system.build(cabinet, **given)
    progress(f"solving {model.dofs} unknowns for {args.count} modes")
    found = solve(model, args.count)
    if args.vtu:
        progress(f"writing {args.vtu}")
        write_vtu(args.vtu, model, found)
    a = account(cabinet)
    rows = list(zip(found.frequency_Hz.tolist(), found.loss_factor.tolist(), strict=True))
    walls = wall_modes(model, found).tolist()
    note = ["" if k in walls else "  the whole cabinet on its supports" for k in range(len(rows))]
    table = {
        "name": cabinet.name,
        "mass_kg": a.mass_kg,
        "net_volume_l": a.net_volume_l,
        "dofs": model.dofs,
        "rigid_modes": found.rigid_modes,
        "missed_modes": found.missed_modes,
        "seconds": {k: found.seconds[k] for k in ("mesh", "assemble", "solve")},
        "modes": [{"number": k, "frequency_Hz": f, "loss_factor": eta} for k, (f, eta) in enumerate(rows, 1)],
    }
    loose = found.rigid_modes > 6
    missed = f"; {found.missed_modes} MODES ARE MISSING" if found.missed_modes else "; none missed"
    lines = [
        f"{cabinet.name}: {a.mass_kg:.2f} kg, net {a.net_volume_l:.2f} l",
        f"{model.dofs} unknowns, {found.rigid_modes} rigid modes{missed}, {sum(found.seconds.values()):.1f} s",
        "",
        "mode  frequency, Hz  loss factor",
        *(f"{k:4}  {f:13.1f}  {eta:11.4f}{note[k - 1]}" for k, (f, eta) in enumerate(rows, 1)),
        *(["warning: parts move freely against each other; give the joints between them stiffness"] if loose else []),
        *_coarse(model),
        *(f"warning: {w.where}: {w.what} is {w.distance:.1f} mm, {w.wanted:g} wanted" for w in a.warnings),
    ]
    return table, "\n".join(lines) + "\n"


def _coarse(model: Model) -> list[str]:
    """Warn of parts that are thin for the elements."""
    from bracewright.fem.system import LONG

    if not model.coarse:
        return []
    enough = LONG * 1000 * min(model.parts[p].laminate.thickness_m for p in model.coarse)
    names = ", ".join(model.coarse)
    return [
        f"warning: elements of {model.size:g} mm are long for the thickness of {names}: frequencies may be a few "
        f"per cent high; take --size {enough:.0f} or less"
    ]


def sound(args: argparse.Namespace, progress: Progress) -> Result:
    """Compute what one or two designs radiate; on request keep pictures and sound files."""
    from bracewright.design.designfile import load
    from bracewright.sound import default_frequencies, listen, radiated, report
    from bracewright.sound.report import side_by_side

    designs = [load(f) for f in (args.file, args.beside) if f]
    folder = out_folder(args) if args.out else None
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
    found: Sequence[Report], folder: Path, signal: Any, args: argparse.Namespace, progress: Progress
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
        plots.save_png(plots.figure_of(draw(found[0], found[1] if found[1:] else None)), files[-1])
    return files, note


def fit(args: argparse.Namespace, progress: Progress) -> Result:
    """Fit a design to records of taps; with a reference, check them against modes kept before instead."""
    from bracewright.design.designfile import load
    from bracewright.make.folder import check_names, write_set
    from bracewright.measure import Limits, check_files, fit_files, load_modes, match, save_modes, serial_number

    if args.pair and not args.reference:
        raise DesignError("the other of a pair is checked beside a reference; give --reference too", key="--pair")
    cabinet = load(args.file)
    serial = serial_number(args.serial or "unnamed")
    kept, other = (load_modes(p) if p else None for p in (args.reference, args.pair))
    written = FITTED if kept is None else ()
    folder = out_folder(args, *written)
    check_names(folder, written, listed=FITTED_LIST)
    how = {"low_Hz": args.low, "high_Hz": args.high, "block_s": args.block, "window_s": args.window}
    if kept is None:
        progress("reading the records and fitting")
        fitted = fit_files(cabinet, args.records, mass_kg=args.mass, size=args.size, **how)
        measured, text, table = fitted.measured, fitted.text(), fitted.to_table()
        files = list(write_set(folder, fitted.fit.files(), listed=FITTED_LIST))
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
        write_file(verdict, as_json(table))
        files.append(verdict)
    table["files"] = [str(f) for f in files]
    return table, text + "written: " + ", ".join(str(f) for f in files) + "\n"


def cut(args: argparse.Namespace, progress: Progress) -> Result:
    """Write the files to cut from."""
    from bracewright.design.designfile import load
    from bracewright.make import assembly, export

    cabinet = load(args.file)
    progress("writing outlines")
    files = export(cabinet, out_folder(args), dxf_version=args.dxf)
    locked = assembly(cabinet).conflicts
    told = "".join(f"CANNOT BE ASSEMBLED AS DRAWN: {', '.join(group)} lock each other\n" for group in locked)
    table = {"name": cabinet.name, "files": [str(f) for f in files], "locked": [list(group) for group in locked]}
    return table, told + "".join(f"{f}\n" for f in files)


def report(args: argparse.Namespace, progress: Progress) -> Result:
    """Write the page about a design."""
    from bracewright.design.designfile import load
    from bracewright.show.report import write_report

    cabinet, beside = load(args.file), load(args.beside) if args.beside else None
    _check_file(args, args.out, "--out", ".html", ".htm")
    made = write_report(cabinet, args.out, beside=beside, size=args.size, quick=args.quick, progress=progress)
    mean, most = made.error_percent
    first = made.now.modes.frequency_Hz[0]
    text = (
        f"{cabinet.name}: first mode {first:.1f} Hz; against a coarser mesh the modes change by {mean:.2f} %, "
        f"at most {most:.2f} %\n{args.out}\n"
    )
    return {**made.to_table(), "files": [args.out]}, text


def out_folder(args: argparse.Namespace, *names: str) -> Path:
    """Make the folder to write to, before any long work, and keep other processes out of it.

    None of the files that will be written, where they are named, may be one that is read.
    """
    for name in names:
        _check_not_read(args, Path(args.out) / name)
    folder = make_folder(args.out)
    if not os.access(folder, os.W_OK):
        raise FileError(f"{folder}: cannot be written to; name another folder with --out")
    args.held.enter_context(held(folder))
    return folder


def _check_file(args: argparse.Namespace, path: str, option: str, *endings: str) -> None:
    """Refuse a file to write before any long work: no folder, an ending that means another format, a file we read."""
    if not os.path.isdir(Path(path).absolute().parent):
        raise FileError(f"{path}: its folder does not exist; make it or name another with {option}")
    if Path(path).suffix.lower() not in endings:
        raise FileError(f"{path}: got the ending {Path(path).suffix!r}; name a file that ends with {endings[0]}")
    _check_not_read(args, Path(path))


def _check_not_read(args: argparse.Namespace, path: Path) -> None:
    """Refuse to write over a design that is read."""
    for read in (getattr(args, key, None) for key in ("file", "beside")):
        if read and os.path.exists(path) and os.path.exists(read) and path.samefile(read):
            raise FileError(f"{path}: it is read here and would be written over; name another to write")
