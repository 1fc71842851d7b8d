"""Commands that search: `tune` on a given design, `demo` on an example with all that comes before and after."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from bracewright.cli.commands import Result, out_folder
from bracewright.cli.terminal import Progress

if TYPE_CHECKING:
    from bracewright.design.cabinet import Cabinet
    from bracewright.fem.modes import Modes
    from bracewright.fem.system import Model

KEPT_SEARCH, OLD_SEARCH = "search.jsonl", "search.old.jsonl"
TUNED, TUNED_LIST = ("tuned.toml", "report.html"), "tune-files.json"
DEMO, DEMO_LIST = ("design.toml", "account.txt", "tuned.toml", "modes.png"), "demo-files.json"
DEMO_MODES = 20
REPORT_SIZE = 40.0  # mm; elements of a search's own report
DEMO_EVALUATIONS = 16
DEMO_SPREAD = 0.8  # weight beside the height's 1
# What --goal offers; not beside Goal, as the parser needs the names and must not wait for the search to load.
GOAL_WEIGHTS: dict[str, dict[str, float]] = {
    "raise": {"spread": 0.0},
    "spread": {"raise_": 0.0, "spread": 1.0},
    "both": {},
    "quiet": {"raise_": 0.3, "spread": 0.1, "quiet": 1.0, "peak": 1.0},
    "stiff": {"raise_": 0.3, "spread": 0.0, "stiff": 1.0},
}


def tune(args: argparse.Namespace, progress: Progress) -> Result:
    """Search from a design; write the best with its outlines and a report."""
    from bracewright.design.designfile import dumps, load
    from bracewright.make import check_folder, export
    from bracewright.make.folder import check_names, write_set
    from bracewright.show.report import ReportPage
    from bracewright.show.report_text import html
    from bracewright.tune import Goal, search

    cabinet = load(args.file)
    folder = out_folder(args, *TUNED)
    check_names(folder, TUNED, listed=TUNED_LIST)
    check_folder(cabinet, folder)
    kept = folder / KEPT_SEARCH
    if kept.exists() and not args.resume:  # hours of work, if --resume was forgotten
        kept.replace(folder / OLD_SEARCH)
    goal = Goal.of(cabinet)
    if args.goal is not None:
        goal = Goal(band_Hz=goal.band_Hz, **cast(Any, GOAL_WEIGHTS[args.goal]))
    found = search(
        cabinet,
        goal=goal,
        seed=args.seed,
        evaluations=args.evaluations,
        progress=_each_design(progress, args.evaluations),
        resume=kept,
        tell=progress,
    )
    progress("writing the tuned design and its outlines")
    own = {"tuned.toml": dumps(found.cabinet)}
    files = write_set(folder, own, listed=TUNED_LIST)
    cut = export(found.cabinet, folder)
    if not found.stopped:  # whoever stops it does not wait for a report
        own["report.html"] = html(ReportPage.of(found.cabinet, cabinet, REPORT_SIZE, True, progress))
        files = write_set(folder, own, listed=TUNED_LIST)
    table = {"name": cabinet.name, **found.to_table(), "files": [str(f) for f in (*files, *cut)]}
    wrote = f"written to {folder}: {', '.join(own)} and {len(cut)} files to cut from\n"
    return table, f"{found.text()}\n{wrote}"


def demo(args: argparse.Namespace, progress: Progress) -> Result:
    """Account, modes, search, modes again, pictures and files to cut from, of an example."""
    from bracewright.design.account import account
    from bracewright.design.designfile import dumps
    from bracewright.examples import example
    from bracewright.fem.modes import solve
    from bracewright.fem.system import build
    from bracewright.make import check_folder, export
    from bracewright.make.folder import check_names, write_set
    from bracewright.show import plots
    from bracewright.tune import Goal, search

    started = time.perf_counter()
    cabinet = example("stand-mount")
    folder = out_folder(args)
    check_names(folder, DEMO, listed=DEMO_LIST)
    check_folder(cabinet, folder / "cut")
    progress("account")
    a = account(cabinet)
    own: dict[str, str | bytes] = {"design.toml": dumps(cabinet), "account.txt": a.text()}
    write_set(folder, own, listed=DEMO_LIST)

    def modes_of(c: Cabinet, when: str) -> tuple[Model, Modes]:
        progress(f"modes {when}")
        model = build(c)
        return model, solve(model, DEMO_MODES)

    before = modes_of(cabinet, "before")
    told = _each_design(progress, DEMO_EVALUATIONS)
    goal = Goal(spread=DEMO_SPREAD)
    found = search(cabinet, goal=goal, seed=args.seed, evaluations=DEMO_EVALUATIONS, progress=told)
    if found.stopped:
        raise KeyboardInterrupt
    after = modes_of(found.cabinet, "after")
    progress("pictures and files to cut from")
    own |= {"tuned.toml": dumps(found.cabinet), "modes.png": plots.png(plots.before_after(before, after))}
    files = write_set(folder, own, listed=DEMO_LIST)
    cut = export(found.cabinet, folder / "cut")
    seconds = time.perf_counter() - started
    table = {
        "name": cabinet.name,
        "mass_kg": a.mass_kg,
        "net_volume_l": a.net_volume_l,
        "modes_before_Hz": before[1].frequency_Hz.tolist(),
        "modes_after_Hz": after[1].frequency_Hz.tolist(),
        **found.to_table(),
        "seconds": seconds,
        "files": [str(f) for f in (*files, *cut)],
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
        *(f"  {n}" for n in own),
        f"  cut: {len(cut)} files; begin with read-me-first.txt",
    ]
    return table, "\n".join(lines) + "\n"


def _each_design(progress: Progress, evaluations: int) -> Callable[[int, dict[str, float]], None]:
    """Return what a search tells of each design it has solved."""

    def report(number: int, best: dict[str, float]) -> None:
        progress(f"design {number} of {evaluations}: lowest {best['first_Hz']:.0f} Hz, score {best['score']:.3f}")

    return report
