"""One page that explains a cabinet: its first sheet for the customer, the rest for the maker."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bracewright import __version__
from bracewright.design import designfile
from bracewright.design.account import Account, account
from bracewright.design.cabinet import Cabinet
from bracewright.design.tables import to_table
from bracewright.fem.modes import Modes, bounces, solve, wall_modes
from bracewright.fem.system import DEFAULT_SIZE, Model, build
from bracewright.files import write_file
from bracewright.make import assembly
from bracewright.show.report_text import html
from bracewright.sound.report import Report as Heard
from bracewright.sound.report import report as hear
from bracewright.sound.run import default_frequencies
from bracewright.sound.run import sound as radiated
from bracewright.tune.constraints import Limits, Rules, stacked

Array = NDArray[np.float64]
COUNT = 12
COARSER = 1.5
BAND, QUICK_BAND = (20.0, 1500.0, 160), (50.0, 1000.0, 80)
Progress = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class Solved:
    """A design with all that the page says of it.

    Attributes
    ----------
    cabinet : Cabinet
    account : Account
    model : Model
    modes : Modes
        Of the walls.
    whole_Hz : (k,) array
        Of the whole cabinet on its supports.
    heard : sound.report.Report or None
        None where no driver has a moving mass and a piston area.
    """

    cabinet: Cabinet
    account: Account
    model: Model
    modes: Modes
    whole_Hz: Array
    heard: Heard | None

    @classmethod
    def of(cls, cabinet: Cabinet, size: float, quick: bool, progress: Progress) -> Solved:
        """Compute a design."""
        progress(f"{cabinet.name}: modes")
        model = build(cabinet, size=size)
        every = solve(model, COUNT + bounces(cabinet))
        walls = wall_modes(model, every)
        whole = np.delete(every.frequency_Hz, walls)
        heard = None
        if any(d.moving_mass_g > 0 and d.piston_area_cm2 > 0 for d in cabinet.drivers):
            band = default_frequencies(*(QUICK_BAND if quick else BAND))
            heard = hear(radiated(cabinet, band, quick=quick, size=size if quick else None, progress=progress))
        return cls(
            cabinet=cabinet,
            account=account(cabinet),
            model=model,
            modes=every.picked(walls[:COUNT]),
            whole_Hz=whole,
            heard=heard,
        )


@dataclass(frozen=True, kw_only=True)
class ReportPage:
    """The page, and its numbers.

    Attributes
    ----------
    now : Solved
    beside : Solved or None
        The design it is compared with.
    quick : bool
    coarse_Hz : (modes,) array
        Frequencies on a mesh `coarser` times as coarse.
    coarser : float
    """

    now: Solved
    beside: Solved | None
    quick: bool
    coarse_Hz: Any
    coarser: float = COARSER

    @classmethod
    def of(cls, cabinet: Cabinet, beside: Cabinet | None, size: float, quick: bool, progress: Progress) -> ReportPage:
        """Compute a cabinet, and one beside it."""
        now = Solved.of(cabinet, size, quick, progress)
        progress("a coarser mesh, for the error")
        model = build(cabinet, size=COARSER * size)
        every = solve(model, COUNT + bounces(cabinet), prove=False)
        coarse = every.frequency_Hz[wall_modes(model, every)][:COUNT]
        other = Solved.of(beside, size, quick, progress) if beside is not None else None
        return cls(now=now, beside=other, quick=quick, coarse_Hz=coarse)

    @property
    def design_hash(self) -> str:
        """The first 16 digits of the SHA-256 of the design file's text as `save` writes it."""
        return hashlib.sha256(designfile.dumps(self.now.cabinet).encode()).hexdigest()[:16]

    @property
    def error_percent(self) -> tuple[float, float]:
        """Mean and largest change of a mode's frequency against the coarser mesh."""
        change = 100 * np.abs(self.coarse_Hz / self.now.modes.frequency_Hz - 1)
        return float(change.mean()), float(change.max())

    @cached_property
    def margins(self) -> Mapping[str, float]:
        """What is left of every limit of the design, mm or percent; negative where short."""
        c = self.now.cabinet
        return Rules(rules=(), pairs=tuple(stacked(c)), limits=Limits.of(c)).margins(c)

    @property
    def changes(self) -> tuple[tuple[str, str, str], ...]:
        """Keys of the design file that differ, with the value beside and the value now."""
        if self.beside is None:
            return ()
        old, new = (dict(_flat(to_table(s.cabinet))) for s in (self.beside, self.now))
        keys = [*new, *(k for k in old if k not in new)]
        return tuple((k, _said(old.get(k)), _said(new.get(k))) for k in keys if old.get(k) != new.get(k))

    def to_table(self) -> dict[str, object]:
        """Return the numbers, for JSON."""
        n, mean_max = self.now, self.error_percent
        return {
            "name": n.cabinet.name,
            "mass_kg": n.account.mass_kg,
            "net_volume_l": n.account.net_volume_l,
            "modes_Hz": n.modes.frequency_Hz.tolist(),
            "beside_modes_Hz": self.beside.modes.frequency_Hz.tolist() if self.beside else None,
            "changes": [list(c) for c in self.changes],
            "humps": [
                {"frequency_Hz": h.frequency_Hz, "level_dB": h.level_dB, "panel": h.panel, "mode": h.mode}
                for h in (n.heard.humps if n.heard else ())
            ],
            "margins": dict(self.margins),
            "locked": [list(group) for group in assembly(n.cabinet).conflicts],
            "provenance": {
                "version": __version__,
                "design_sha256": self.design_hash,
                "size": n.model.size,
                "dofs": n.model.dofs,
                "missed_modes": n.modes.missed_modes,
                "coarser_size": n.model.size * self.coarser,
                "mean_change_percent": mean_max[0],
                "largest_change_percent": mean_max[1],
                "quick": self.quick,
            },
        }


def write_report(
    cabinet: Cabinet,
    path: str | os.PathLike[str],
    *,
    beside: Cabinet | None = None,
    size: float = DEFAULT_SIZE,
    quick: bool = False,
    progress: Progress | None = None,
) -> ReportPage:
    """Compute a cabinet and write one self-contained HTML page about it.

    Parameters
    ----------
    cabinet : Cabinet
    path : path
    beside : Cabinet, optional
        What it was before.
    size : float
        Element side, mm.
    quick : bool
        Estimate the sound roughly, up to 1 kHz.
    progress : callable, optional

    Raises
    ------
    DesignError, MeshError, SolveError
        As `build`, `solve` and `sound`.
    FileError
        The page cannot be written; one that was there is then untouched.
    """
    tell = progress or (lambda _: None)
    result = ReportPage.of(cabinet, beside, size, quick, tell)
    tell("drawing")
    write_file(path, html(result))
    return result


def _flat(table: Any, key: str = "") -> Iterator[tuple[str, object]]:
    """Yield the values of nested tables by dotted keys; entries of lists go by their names."""
    if isinstance(table, Mapping):
        for k, v in table.items():
            yield from _flat(v, f"{key}.{k}" if key else str(k))
    elif isinstance(table, list) and table and isinstance(table[0], Mapping):
        for number, entry in enumerate(table, 1):
            yield from _flat(entry, f"{key}.{entry.get('name', entry.get('opening', number))}")
    else:
        yield key, table


def _said(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.6g}"
    return ", ".join(_said(v) for v in value) if isinstance(value, list | tuple) else str(value)
