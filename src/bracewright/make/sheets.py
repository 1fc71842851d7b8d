"""The cut list: what to saw out of which board."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass

from bracewright.design.cabinet import Cabinet
from bracewright.make.coordinates import guarded
from bracewright.make.drawings import drawings
from bracewright.make.joinery import as_measured
from bracewright.make.nesting import blank_size
from bracewright.make.parts import PartDrawing

COLUMNS = ("row", "part", "board", "thickness", "length", "width", "quantity", "area_m2", "mass_kg")


@dataclass(frozen=True, slots=True, kw_only=True)
class CutListRow:
    """One part: its rectangular blank, `length` along the grain (direction 1 of the board), mm.

    ``area_m2`` is that of all its blanks, ``mass_kg`` that of all its finished parts.
    """

    part: str
    board: str
    thickness: float
    length: float
    width: float
    quantity: int
    area_m2: float
    mass_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardTotal:
    """What all parts of one board come to; saw kerfs and offcuts are extra."""

    board: str
    thickness: float
    quantity: int
    area_m2: float
    mass_kg: float


def cut_list(cabinet: Cabinet, parts: Iterable[PartDrawing] | None = None) -> tuple[CutListRow, ...]:
    """Return a row per part, in the order of the drawings (those of the cabinet unless given)."""
    parts = drawings(cabinet) if parts is None else parts
    return tuple(_row(as_measured(cabinet), p) for p in parts)


def board_totals(rows: Iterable[CutListRow]) -> tuple[BoardTotal, ...]:
    """Return the totals per board, in the order boards first appear."""
    groups: dict[str, list[CutListRow]] = {}
    for row in rows:
        groups.setdefault(row.board, []).append(row)
    return tuple(
        BoardTotal(
            board=board,
            thickness=group[0].thickness,
            quantity=sum(r.quantity for r in group),
            area_m2=sum(r.area_m2 for r in group),
            mass_kg=sum(r.mass_kg for r in group),
        )
        for board, group in groups.items()
    )


def to_csv(rows: Iterable[CutListRow]) -> str:
    """Return the cut list as CSV: a row per part, then a total per board."""
    rows = tuple(rows)
    stream = io.StringIO()
    out = csv.writer(stream, lineterminator="\n")
    out.writerow(COLUMNS)
    for r in rows:
        sizes = (f"{v:.2f}" for v in (r.thickness, r.length, r.width))
        out.writerow(
            ["part", guarded(r.part), guarded(r.board), *sizes, r.quantity, f"{r.area_m2:.4f}", f"{r.mass_kg:.3f}"]
        )
    for t in board_totals(rows):
        amounts = (t.quantity, f"{t.area_m2:.4f}", f"{t.mass_kg:.3f}")
        out.writerow(["total", "", guarded(t.board), f"{t.thickness:.2f}", "", "", *amounts])
    return stream.getvalue()


def _row(cabinet: Cabinet, part: PartDrawing) -> CutListRow:
    length, width = blank_size(part)
    return CutListRow(
        part=part.name,
        board=part.board,
        thickness=part.thickness,
        length=length,
        width=width,
        quantity=part.quantity,
        area_m2=part.quantity * length * width / 1e6,
        mass_kg=part.quantity * part.volume / 1e9 * cabinet.board(part.board).density_kg_m3,
    )
