"""Pieces of a page that holds everything: well-formed XHTML with pictures inside, no network, ready to print."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from bracewright.show.canvas import png

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI, COLOURS = 100, 96
CSS = """
@page { size: A4; margin: 14mm }
body { font: 15px/1.5 sans-serif; max-width: 52em; margin: 2em auto; padding: 0 1em; color: #000; background: #fff }
h1 { margin: 0 0 .2em } h2 { margin: 1.6em 0 .4em; border-bottom: 1px solid #000 } h3 { margin: 1.2em 0 .3em }
table { border-collapse: collapse; margin: .6em 0; font-size: 92% }
td, th { border-bottom: 1px solid #bbb; padding: .15em .8em .15em 0; text-align: left; vertical-align: top }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums }
figure { margin: .6em 0; break-inside: avoid } figure img { max-width: 100%; height: auto }
figcaption { font-size: 88% } .row { display: flex; flex-wrap: wrap; gap: 1em } .row > * { flex: 1 1 17em }
.short { font-weight: bold } pre { white-space: pre-wrap; font: inherit }
@media print {
body { font-size: 11px; margin: 0; max-width: none; padding: 0 }
.customer { break-after: page } h2, h3 { break-after: avoid } tr { break-inside: avoid }
.customer figure img { max-height: 75mm; width: auto } .row > * { flex: 1 1 40% }
.maker figure img { max-height: 105mm; max-width: 100%; width: auto }
}
"""


def text(words: str, tag: str = "p", kind: str = "") -> str:
    """Return words as one element."""
    return f"<{tag}{_kind(kind)}>{escape(words)}</{tag}>"


def listed(items: Iterable[str]) -> str:
    """Return a list."""
    return "<ul>" + "".join(f"<li>{escape(i)}</li>" for i in items) + "</ul>"


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], numbers: Iterable[int] = ()) -> str:
    """Return a table; the columns in `numbers` are set to the right. A row that ends in ``!`` is bold."""
    right = set(numbers)

    def cells(row: Sequence[str], tag: str) -> str:
        scope = ' scope="col"' if tag == "th" else ""
        return "".join(
            f"<{tag}{scope}{_kind('n' if k in right else '')}>{escape(c)}</{tag}>" for k, c in enumerate(row)
        )

    body = "".join(f"<tr{_kind('short' if row[-1].endswith('!') else '')}>{cells(row, 'td')}</tr>\n" for row in rows)
    return f"<table><thead><tr>{cells(columns, 'th')}</tr></thead><tbody>\n{body}</tbody></table>\n"


def picture(figure: Figure, caption: str) -> str:
    """Return a figure with a caption, the picture inside."""
    data = base64.b64encode(png(figure, dpi=DPI, colours=COLOURS)).decode()
    said = escape(caption, quote=True)
    return f'<figure><img alt="{said}" src="data:image/png;base64,{data}"/><figcaption>{said}</figcaption></figure>\n'


def side_by_side(*parts: str) -> str:
    """Return parts beside each other where there is room."""
    return '<div class="row">' + "".join(f"<div>{p}</div>" for p in parts) + "</div>"


def whole(title: str, customer: Iterable[str], maker: Iterable[str]) -> str:
    """Return the page: a first sheet for the customer, the rest for the maker."""
    return (
        '<!DOCTYPE html>\n<html xmlns="http://www.w3.org/1999/xhtml" lang="en">\n<head>\n<meta charset="utf-8"/>\n'
        '<meta name="viewport" content="width=device-width"/>\n<link rel="icon" href="data:,"/>\n'
        f"<title>{escape(title)}</title>\n<style>{CSS}</style>\n</head>\n<body>\n"
        f'<section class="customer">\n{"".join(customer)}</section>\n'
        f'<section class="maker">\n{"".join(maker)}</section>\n'
        "</body>\n</html>\n"
    )


def _kind(name: str) -> str:
    return f' class="{name}"' if name else ""
