"""The commands' names and arguments; to see what one does go on in `commands` or `searches`."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import NoReturn

from bracewright import __version__
from bracewright.cli import commands, searches
from bracewright.cli.terminal import BAD_INPUT, one_line


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        """Complain and end with the exit code for bad input."""
        self.exit(BAD_INPUT, f"{self.prog}: {one_line(message)}; see {self.prog} --help\n")


def parser() -> Parser:
    """Return the parser of the whole command line; ``run`` of what it reads is the command's function."""
    whole = Parser(prog="bracewright", description="Design wooden loudspeaker cabinets before cutting them.")
    whole.add_argument("--version", action="version", version=f"bracewright {__version__}")
    subparsers = whole.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Parser)

    def command(name: str, run: commands.Command, text: str) -> Parser:
        sub: Parser = subparsers.add_parser(name, help=text, description=text)
        sub.set_defaults(run=run)
        sub.add_argument("--json", action="store_true", help="print JSON on standard output and nothing else")
        return sub

    check = command("check", commands.check, "validate a design; print its parts, mass, volume and clearances")
    _design(check)

    modes = command("modes", commands.modes, "compute the first modes of a cabinet")
    _design(modes)
    modes.add_argument("--count", type=_whole(1, 500), default=20, help="how many elastic modes (default %(default)s)")
    modes.add_argument("--size", type=_number(3.0, 300.0), metavar="MM", help="side of an element, mm (default 30)")
    modes.add_argument(
        "--joints", choices=("computed", "plain"), help="how thick joints are modelled (default computed)"
    )
    modes.add_argument("--vtu", type=_name, metavar="FILE.vtu", help="also write parts and mode shapes as a VTU mesh")

    sound = command("sound", commands.sound, "what the cabinet itself radiates, relative to its drivers")
    _design(sound)
    sound.add_argument("--beside", type=_name, metavar="OTHER", help="a second design file to hear at the same scale")
    sound.add_argument("--quick", action="store_true", help="rough: each panel as if in an endless baffle")
    sound.add_argument("--high", type=_number(200.0, 4000.0), default=2000.0, metavar="HZ", help="up to here (2000)")
    sound.add_argument("--count", type=_whole(20, 2000), default=200, help="how many frequencies (default %(default)s)")
    sound.add_argument("--size", type=_number(10.0, 100.0), metavar="MM", help="side of an element, mm")
    sound.add_argument("--out", type=_name, metavar="DIR", help="also write pictures, and sound files to listen to")
    sound.add_argument(
        "--wav", type=_name, metavar="FILE", help="what to listen to (default: plucked notes and noise of our own)"
    )
    sound.add_argument("--boost", type=_number(0.0, 60.0), default=20.0, metavar="DB", help="of the cabinet alone (20)")

    tune = command("tune", searches.tune, "search for better brace positions and pocket sizes")
    _design(tune)
    _out(tune)
    tune.add_argument(
        "--goal",
        choices=tuple(searches.GOAL_WEIGHTS),
        help="modes up, modes apart, both, walls quiet, drivers held stiff; default the file's [tune], else both",
    )
    tune.add_argument("--evaluations", type=_whole(2, 100_000), default=60, help="designs to try (default %(default)s)")
    tune.add_argument(
        "--resume", action="store_true", help="go on from the search kept in DIR; without, it is set aside"
    )
    _seed(tune)

    fit = command("fit", commands.fit, "correct a design's boards and joints by records of taps on the cabinet")
    _design(fit)
    _out(fit)
    fit.add_argument(
        "records", type=_name, nargs="+", metavar="RECORDS", help="WAV, CSV or UFF files, or folders with taps.toml"
    )
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
    fit.add_argument(
        "--serial", type=_name, metavar="NAME", help="keep the modes under this serial number, in DIR/NAME"
    )
    fit.add_argument("--reference", type=_name, metavar="RECORD", help="fit nothing; check against modes kept before")
    fit.add_argument(
        "--pair", type=_name, metavar="RECORD", help="with --reference: also whether it makes a pair with this one"
    )
    fit.add_argument(
        "--tolerance", type=_number(0.1, 30.0), default=3.0, metavar="PERCENT", help="of frequencies in a check (3)"
    )

    cut = command("cut", commands.cut, "write the outlines to cut: DXF, coordinates, cut list")
    _design(cut)
    _out(cut)
    cut.add_argument("--dxf", choices=("R2010", "R12"), default="R2010", help="version of DXF (default %(default)s)")

    page = command(
        "report", commands.report, "one HTML page about a cabinet: for the customer first, then for the maker"
    )
    _design(page)
    page.add_argument("--out", type=_name, required=True, metavar="FILE.html", help="page to write")
    page.add_argument("--beside", type=_name, metavar="OTHER", help="the design file it was before")
    page.add_argument("--quick", action="store_true", help="rough sound, up to 1 kHz")
    page.add_argument("--size", type=_number(10.0, 100.0), default=30.0, metavar="MM", help="side of elements, mm (30)")

    demo = command("demo", searches.demo, "run the whole job on an example cabinet")
    demo.add_argument(
        "--out",
        type=_name,
        default="bracewright-demo",
        metavar="DIR",
        help="folder to write to (default %(default)s)",
    )
    _seed(demo)
    return whole


def _design(sub: Parser) -> None:
    sub.add_argument("file", type=_name, metavar="FILE", help="design file")


def _out(sub: Parser) -> None:
    sub.add_argument(
        "--out", type=_name, required=True, metavar="DIR", help="folder to write to; made if it is missing"
    )


def _seed(sub: Parser) -> None:
    sub.add_argument("--seed", type=_whole(0, 2**31 - 1), default=0, help="start of the random numbers (default 0)")


def _name(text: str) -> str:
    """Refuse no name at all, as a shell makes of a variable that is not set."""
    if not text.strip():
        raise argparse.ArgumentTypeError("got an empty name; give one")
    return text


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
