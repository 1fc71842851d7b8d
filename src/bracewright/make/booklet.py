"""Blocks of a build sheet as one HTML file and as PDF pages."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from bracewright.make.buildsheet import Block, Figure, Heading, Table, Text
from bracewright.make.pages import PAPERS, to_pdf
from bracewright.make.sketch import Sketch, line, paint, svg, write

PAPER = "A4"
MARGIN = 15.0  # mm
SIZES = {1: 6.0, 2: 4.2, 3: 3.4}  # of headings, mm
BODY, SMALL = 3.0, 2.6  # of text, mm
LEADING = 1.45
# Mean width of a character over its height; DejaVu Sans, measured.
NARROW, WIDE = 0.60, 0.66
CSS = """
body { font: 15px/1.45 sans-serif; max-width: 60em; margin: 2em auto; padding: 0 1em; color: #000; background: #fff }
table { border-collapse: collapse; margin: 1em 0 } td, th { border-bottom: 1px solid #999; padding: .2em .7em;
text-align: left; vertical-align: top } figure { display: inline-block; margin: .5em 1em .5em 0; vertical-align: top }
figcaption { font-size: 85%; max-width: 30em } .loud { border: 3px solid #a00; padding: .5em; font-weight: bold }
svg { max-width: 100%; height: auto } @media print { h2 { break-after: avoid } figure, tr { break-inside: avoid } }
"""


def to_html(blocks: Iterable[Block], title: str) -> str:
    """Return the blocks as one HTML file that needs nothing else."""
    out = [
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">',
        f"<title>{escape(title)}: build sheet</title>\n<style>{CSS}</style>\n</head>\n<body>",
    ]
    for b in blocks:
        if isinstance(b, Heading):
            out.append(f"<h{b.level}>{escape(b.text)}</h{b.level}>")
        elif isinstance(b, Text):
            out.append(_html_text(b))
        elif isinstance(b, Table):
            head = "".join(f'<th scope="col">{escape(c)}</th>' for c in b.columns)
            rows = "".join(f"<tr>{''.join(f'<td>{escape(c)}</td>' for c in r)}</tr>\n" for r in b.rows)
            out.append(f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table>")
        else:
            drawing = svg(b.sketch, scale=b.scale, margin=2.0, whole=False)
            out.append(f"<figure>\n{drawing}<figcaption>{escape(b.caption)}</figcaption>\n</figure>")
    return "\n".join([*out, "</body>\n</html>"]) + "\n"


def _html_text(b: Text) -> str:
    loud = ' class="loud"' if b.loud else ""
    if b.listed or b.numbered:
        tag = "ol" if b.numbered else "ul"
        items = "".join(f"<li>{escape(t)}</li>\n" for t in b.lines)
        return f"<{tag}{loud}>\n{items}</{tag}>"
    return "\n".join(f"<p{loud}>{escape(t)}</p>" for t in b.lines)


# --- PDF ------------------------------------------------------------------------------------------------------------


class _Flow:
    """Sets blocks down the page; each entry of `pages` is a list of drawing calls."""

    def __init__(self) -> None:
        self.width, self.height = PAPERS[PAPER]
        self.pages: list[list[Any]] = [[]]
        self.y = self.height - MARGIN

    @property
    def room(self) -> float:
        return self.width - 2 * MARGIN

    def need(self, height: float) -> None:
        """Begin a new page unless so much is left on this one."""
        if self.y - height < MARGIN and self.pages[-1]:
            self.pages.append([])
            self.y = self.height - MARGIN

    def text(self, text: str, x: float, size: float, bold: bool = False) -> None:
        self.pages[-1].append(lambda f, y=self.y: write(f, text, (x, y), size=size, bold=bold))

    def lines(self, text: str, size: float, indent: float = 0.0, first: str = "", bold: bool = False) -> None:
        fit = int((self.room - indent) / (size * (WIDE if bold else NARROW)))
        for k, part in enumerate(textwrap.wrap(text, fit) or [""]):
            self.need(size * LEADING)
            self.y -= size * LEADING
            if first and k == 0:
                self.text(first, MARGIN, size, bold)
            self.text(part, MARGIN + indent, size, bold)

    def table(self, t: Table) -> None:
        columns = list(zip(t.columns, *t.rows, strict=True))
        widths = _shares([max(len(c) for c in column) for column in columns], self.room)
        for k, row in enumerate((t.columns, *t.rows)):
            bold = k == 0
            per = SMALL * (WIDE if bold else NARROW)
            cells = [textwrap.wrap(c, max(4, int(w / per) - 1)) or [""] for c, w in zip(row, widths, strict=True)]
            for part in range(max(map(len, cells))):
                self.need(SMALL * LEADING)
                self.y -= SMALL * LEADING
                x = MARGIN
                for cell, w in zip(cells, widths, strict=True):
                    if part < len(cell):
                        self.text(cell[part], x, SMALL, bold)
                    x += w
            rule = Sketch(
                title="", strokes=(line((MARGIN, 0.0), (MARGIN + self.room, 0.0), style="paper"),), bounds=(0, 0, 0, 0)
            )
            self.y -= 0.9
            self.draw(rule, (0.0, self.y), 1.0)
        self.y -= BODY

    def draw(self, sketch: Sketch, at: tuple[float, float], scale: float) -> None:
        self.pages[-1].append(
            lambda f: paint(f, sketch, at=at, scale=scale, window=(0.0, 0.0, self.width, self.height))
        )

    def figures(self, group: Sequence[Figure]) -> None:
        """Set figures side by side while they fit."""
        row: list[Figure] = []
        for f in group:
            if row and sum(_wide(g) for g in (*row, f)) > self.room:
                self.row(row)
                row = []
            row.append(f)
        if row:
            self.row(row)

    def row(self, row: Sequence[Figure]) -> None:
        tall = max(_tall(f) for f in row)
        captions = [textwrap.wrap(f.caption, int(_wide(f) / (SMALL * NARROW))) for f in row]
        height = tall + SMALL * LEADING * max(map(len, captions)) + 2 * BODY
        self.need(height)
        top, x = self.y, MARGIN
        for f, caption in zip(row, captions, strict=True):
            x0, _, _, y1 = f.sketch.bounds
            self.draw(f.sketch, (x - x0 * f.scale, top - BODY - y1 * f.scale), f.scale)
            for k, text in enumerate(caption, 1):
                self.y = top - BODY - tall - k * SMALL * LEADING
                self.text(text, x, SMALL)
            x += _wide(f)
        self.y = top - height


def _wide(f: Figure) -> float:
    """Width a figure takes on the page, mm; never too narrow for its caption."""
    return max(60.0, (f.sketch.bounds[2] - f.sketch.bounds[0]) * f.scale + 6.0)


def _tall(f: Figure) -> float:
    """Height of a figure on the page without its caption, mm."""
    return (f.sketch.bounds[3] - f.sketch.bounds[1]) * f.scale


def _shares(counts: Sequence[int], room: float) -> list[float]:
    """Divide the room among columns by their longest cells, long ones giving way first."""
    wanted = [(c + 2) * SMALL * WIDE for c in counts]
    while sum(wanted) > room + 1e-6:
        k = max(range(len(wanted)), key=wanted.__getitem__)
        rest = sum(wanted) - wanted[k]
        second = max((w for i, w in enumerate(wanted) if i != k), default=0.0)
        wanted[k] = max(room - rest, min(second, wanted[k] - 1.0), 8.0)
        if wanted[k] == 8.0:
            break
    return wanted


def booklet_pdf(blocks: Iterable[Block]) -> bytes:
    """Return the blocks as PDF pages."""
    flow = _Flow()
    waiting: list[Figure] = []
    listed = list(blocks)
    for k, b in enumerate([*listed, None]):
        if isinstance(b, Figure):
            waiting.append(b)
            continue
        flow.figures(waiting)
        waiting = []
        if isinstance(b, Heading):
            size = SIZES[b.level]
            after = next((f for f in listed[k + 1 :] if not isinstance(f, Heading | Text)), None)
            flow.need(size * 2 + (_tall(after) + 12 * BODY if isinstance(after, Figure) else 40.0))
            flow.y -= size * 0.8
            flow.lines(b.text, size, bold=True)
            flow.y -= size * 0.4
        elif isinstance(b, Table):
            flow.table(b)
        elif isinstance(b, Text):
            for k, text in enumerate(b.lines, 1):
                first = f"{k}." if b.numbered else "-" if b.listed else ""
                flow.lines(text, BODY, 8.0 if b.numbered else 4.0 if first else 0.0, first, bold=b.loud)
                flow.y -= BODY * 0.4
    total = len(flow.pages)

    def page(figure: Any, calls: list[Any], number: int) -> None:
        for call in calls:
            call(figure)
        write(figure, f"{number} / {total}", (flow.width / 2, 8.0), size=SMALL, middle=True)

    return to_pdf([(PAPER, lambda f, c=c, n=n: page(f, c, n)) for n, c in enumerate(flow.pages, 1)])
