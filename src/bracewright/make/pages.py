"""Full-size drawings as PDF, tiled over pages with registration marks."""

from __future__ import annotations

import io
import math
from typing import Any

import shapely

from bracewright.design.checks import choice
from bracewright.geometry import Path
from bracewright.make.parts import PartDrawing
from bracewright.make.sketch import INCH, Label, Sketch, Stroke, line, of_part, paint, write

PAPERS = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "letter": (215.9, 279.4)}
MARGIN = 12.0  # mm that a printer may not reach, and room for the marks
HEAD = 12.0  # mm
MARK = 6.0  # mm, half a registration cross
CHECK = 100.0  # mm
FIXED = {"CreationDate": None, "ModDate": None, "Producer": None, "Creator": "bracewright"}


def full_size_pdf(part: PartDrawing, *, paper: str = "A4") -> bytes:
    """Return a part at full size, on as many pages as it takes.

    Each page shows a tile and the crosses at its corners, which neighbouring pages share: lay cross on cross. Tiles
    with nothing on them are left out. A line of 100 mm on each page tells whether the printer has scaled it.

    Parameters
    ----------
    part : PartDrawing
    paper : {"A4", "A3", "letter"}

    Raises
    ------
    DesignError
        An unknown paper.
    """
    sketch = of_part(part)
    width, height = PAPERS[choice(paper, "paper", tuple(PAPERS))]
    tile = (width - 2 * MARGIN, height - 2 * MARGIN - HEAD)
    x0, y0, x1, y1 = sketch.bounds
    columns, rows = (max(1, math.ceil((b - a) / t - 1e-9)) for a, b, t in ((x0, x1, tile[0]), (y0, y1, tile[1])))
    spots = [(r, c) for r in range(rows) for c in range(columns) if _shows(sketch, _window(sketch, tile, r, c))]
    pages = []
    for n, (r, c) in enumerate(spots, 1):
        where = f"row {r + 1} of {rows} from below, column {c + 1} of {columns} from the left"
        pages.append(
            (
                _window(sketch, tile, r, c),
                f"{part.name} seen from the {part.near}, full size: {where}",
                f"page {n} of {len(spots)}",
            )
        )
    return to_pdf([(paper, lambda fig, p=p: _page(fig, sketch, tile, *p)) for p in pages])


def _window(sketch: Sketch, tile: tuple[float, float], row: int, column: int) -> tuple[float, float, float, float]:
    x, y = sketch.bounds[0] + column * tile[0], sketch.bounds[1] + row * tile[1]
    return x, y, x + tile[0], y + tile[1]


def _shows(sketch: Sketch, window: tuple[float, float, float, float]) -> bool:
    """Whether a line of the drawing runs through a tile."""
    tile = shapely.box(*window)
    return any(tile.intersects(_line(s)) for s in sketch.strokes)


def _line(s: Stroke) -> Any:
    if s.closed:
        return Path(vertices=s.vertices).polygon(0.05).exterior
    return shapely.LineString([v[:2] for v in s.vertices])


def _page(
    figure: Any,
    sketch: Sketch,
    tile: tuple[float, float],
    window: tuple[float, float, float, float],
    title: str,
    number: str,
) -> None:
    at = (MARGIN - window[0], MARGIN - window[1])
    # A cross reaches into the margin, so that neighbours show the same one.
    edge = (MARGIN - MARK, MARGIN - MARK, MARGIN + tile[0] + MARK, MARGIN + tile[1] + MARK)
    paint(figure, sketch, at=at, scale=1.0, window=(MARGIN, MARGIN, MARGIN + tile[0], MARGIN + tile[1]))
    marks = []
    for x in (MARGIN, MARGIN + tile[0]):
        for y in (MARGIN, MARGIN + tile[1]):
            marks.append(line((x - MARK, y), (x + MARK, y), style="paper"))
            marks.append(line((x, y - MARK), (x, y + MARK), style="paper"))
    top = MARGIN + tile[1] + MARK
    marks.append(line((MARGIN + 20, top + 3), (MARGIN + 20 + CHECK, top + 3), style="through"))
    for x in (MARGIN + 20, MARGIN + 20 + CHECK):
        marks.append(line((x, top + 1.5), (x, top + 4.5), style="through"))
    labels = (Label(text="100 mm", at=(MARGIN + 23 + CHECK, top + 2), size=2.8),)
    head = Sketch(title="", strokes=tuple(marks), labels=labels, bounds=edge)
    paint(figure, head, at=(0.0, 0.0), scale=1.0, window=(0.0, 0.0, 1e4, 1e4))
    write(figure, title, (MARGIN + 8, top + 6.5), size=3.0)
    write(figure, number, (MARGIN + tile[0] - 24, top + 6.5), size=3.0)


def to_pdf(pages: list[tuple[str, Any]]) -> bytes:
    """Return a PDF of pages (paper, function that draws on a figure); the same pages give the same bytes."""
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    stream = io.BytesIO()
    with matplotlib.rc_context({"pdf.fonttype": 3, "pdf.compression": 6}), PdfPages(stream, metadata=FIXED) as pdf:
        for paper, draw in pages:
            width, height = PAPERS[paper]
            figure = Figure(figsize=(width / INCH, height / INCH))
            draw(figure)
            pdf.savefig(figure)
    return stream.getvalue()
