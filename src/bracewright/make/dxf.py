"""DXF files for the router: a part or sheet a file, closed polylines of true lines and arcs, a layer per operation."""

from __future__ import annotations

import io
import logging
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from bracewright.design.checks import choice
from bracewright.errors import FileError
from bracewright.geometry import Path, Point, polygon
from bracewright.make.nesting import Sheet, placed
from bracewright.make.parts import NOT_CUT, PartDrawing, layer_name, plain

VERSIONS = ("R2010", "R12")
MILLIMETRES, METRIC = 4, 1  # values of $INSUNITS and $MEASUREMENT
SQUARE = 100.0  # mm
GAP = 20.0  # mm between the part and the square below it
TEXT = 5.0  # mm
BLACK, GREY = 7, 8  # AutoCAD colour index
_fixed = threading.Lock()


def to_dxf(part: PartDrawing, *, version: str = "R2010") -> bytes:
    """Return a part as a DXF file; the same part gives the same bytes.

    Parameters
    ----------
    part : PartDrawing
    version : {"R2010", "R12"}
        R12 has POLYLINE in place of LWPOLYLINE and no place for the unit: the check square tells it.

    Raises
    ------
    DesignError
        An unknown version.
    FileError
        The drawing does not pass the audit.
    """
    cuts = [(o.layer, o.path) for o in part.operations]
    return _checked(_Page(part.name, cuts, [], _legend(part), part.size), version)


def sheet_dxf(sheet: Sheet, parts: Iterable[PartDrawing], *, oversize: float = 0.0, version: str = "R2010") -> bytes:
    """Return a sheet with its parts as a DXF file.

    Layers name the upper face or the underside, as the parts lie; the sheet's own edge is not cut.

    Parameters
    ----------
    sheet : Sheet
    parts : iterable of PartDrawing
        Those on the sheet, or more.
    oversize : float
        What the blanks were enlarged by, mm.
    version : {"R2010", "R12"}

    Raises
    ------
    DesignError, FileError
        As `to_dxf`.
    """
    by_name = {p.name: p for p in parts}
    length, width = sheet.size
    edge = polygon([(0.0, 0.0), (length, 0.0), (length, width), (0.0, width)])
    cuts: list[tuple[str, Path]] = []
    labels: list[tuple[str, Point]] = []
    for p in sheet.placements:
        for kind, depth, face, _, path in placed(by_name[p.part], p, oversize):
            cuts.append((layer_name(kind, depth, face), path))
            if kind == "outline":
                x0, y0, _, _ = path.bounds
                up = "far face up" if p.turned_over else "near face up"
                labels.append((f"{p.part}, {up}", (x0 + 3 * TEXT, y0 + 3 * TEXT)))
    cost = f", cost {sheet.cost:.2f}" if sheet.cost else ""
    legend = [
        f"{sheet.title}: {plain(length)} x {plain(width)}, {plain(sheet.thickness)} thick",
        f"grain along x; {100 * sheet.used:.0f} % used{cost}",
        "UPPER_FACE and UNDER_FACE are as the parts lie on this sheet",
    ]
    return _checked(_Page(sheet.title, [*cuts, (NOT_CUT, edge)], labels, legend, sheet.size), version)


@dataclass(frozen=True, slots=True)
class _Page:
    name: str
    cuts: Sequence[tuple[str, Path]]
    labels: Sequence[tuple[str, Point]]
    legend: Sequence[str]
    size: tuple[float, float]


def _checked(page: _Page, version: str) -> bytes:
    choice(version, "version", VERSIONS)
    with _fixed_metadata():
        return _bytes(page, version)


def _bytes(page: _Page, version: str) -> bytes:
    doc = _ezdxf().new(version, units=MILLIMETRES)
    doc.header["$MEASUREMENT"] = METRIC
    space = doc.modelspace()
    for layer in dict.fromkeys((*(layer for layer, _ in page.cuts), NOT_CUT)):
        doc.layers.add(layer, color=GREY if layer == NOT_CUT else BLACK)
    draw = space.add_polyline2d if version == "R12" else space.add_lwpolyline
    for layer, path in page.cuts:
        draw(path.vertices, format="xyb", close=True, dxfattribs={"layer": layer})
    reference = {"layer": NOT_CUT}
    x, y = 0.0, -GAP - SQUARE
    square = [(x, y), (x + SQUARE, y), (x + SQUARE, y + SQUARE), (x, y + SQUARE)]
    draw(square, close=True, dxfattribs=reference)
    lines = [("100 x 100 mm", (x + TEXT, y + SQUARE / 2)), ("check, not cut", (x + TEXT, y + SQUARE / 2 - 2 * TEXT))]
    lines += [(text, (x + SQUARE + GAP, -GAP - TEXT - 2 * TEXT * k)) for k, text in enumerate(page.legend)]
    for text, at in (*lines, *page.labels):
        space.add_text(_literal(text), height=TEXT, dxfattribs={**reference, "insert": at})
    _show(doc, page.size, y)
    audit = doc.audit()
    if audit.errors or audit.fixes:
        first = (*audit.errors, *audit.fixes)[0].message
        raise FileError(f"{page.name}: the DXF does not pass its audit ({first}); please report this design")
    for kind in sorted(doc.entitydb.dxf_types_in_use()):  # else the library adds them in the order of a set
        doc.classes.add_class(kind)
    stream = io.StringIO()
    doc.write(stream)
    encoded: bytes = doc.encode(stream.getvalue())
    return encoded


def _legend(part: PartDrawing) -> list[str]:
    a, b = part.axes
    return [
        f"{part.name}: {part.board}, {plain(part.thickness)} thick, {part.quantity} off",
        f"{plain(part.size[0])} x {plain(part.size[1])}; seen from the {part.near}; "
        f"grain at {plain(part.grain_deg)} degrees",
        f"cabinet {a} = part x + {plain(part.datum[0])}, cabinet {b} = part y + {plain(part.datum[1])}",
        *part.notes,
    ]


def _literal(text: str) -> str:
    """Keep a name from being read as one of the codes of text (%%d, ^J, \\U+00E9, which has four digits)."""
    known = "".join(c if ord(c) < 0x10000 else "?" for c in text)
    return known.replace("%%", "% %").replace("^", "^ ").replace("\\", "/")


def _show(doc: Any, size: tuple[float, float], bottom: float) -> None:
    """Set what a viewer shows first: the part and the square."""
    right, top = max(size[0], SQUARE), size[1]
    space = doc.modelspace()
    space.reset_extents((0.0, bottom, 0.0), (right, top, 0.0))
    doc.header["$EXTMIN"], doc.header["$EXTMAX"] = (0.0, bottom, 0.0), (right, top, 0.0)
    doc.set_modelspace_vport(height=1.1 * max(top - bottom, right), center=(right / 2, (top + bottom) / 2))


@contextmanager
def _fixed_metadata() -> Iterator[None]:
    """Hold the library's clock and its random identifiers still, so that files can be compared.

    Its log is held as well: it warns of each R12 file that the unit has no place in it, which `to_dxf` says.
    """
    options, log = _ezdxf().options, logging.getLogger("ezdxf")
    with _fixed:
        before = options.write_fixed_meta_data_for_testing, log.disabled
        options.write_fixed_meta_data_for_testing, log.disabled = True, True
        try:
            yield
        finally:
            options.write_fixed_meta_data_for_testing, log.disabled = before


def _ezdxf() -> Any:
    import ezdxf

    return ezdxf
