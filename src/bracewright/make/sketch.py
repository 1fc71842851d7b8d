"""Line drawings of parts, sheets and joints: one record, drawn as SVG or by matplotlib, true lines and arcs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from bracewright.geometry import Path, Vertex
from bracewright.make.parts import Operation, PartDrawing, plain

# style -> colour, line width (mm on paper), dashes (mm on paper), fill
STYLES: dict[str, tuple[str, float, tuple[float, ...], str]] = {
    "through": ("#000000", 0.35, (), "none"),
    "near": ("#1f4e8c", 0.25, (), "none"),
    "far": ("#1f4e8c", 0.25, (2.0, 1.0), "none"),
    "reference": ("#808080", 0.18, (4.0, 1.0, 0.7, 1.0), "none"),
    "wood": ("#000000", 0.25, (), "#ead7b5"),
    "second": ("#000000", 0.25, (), "#d3b78a"),
    "paper": ("#808080", 0.18, (), "none"),
}
INK = "#000000"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A curve of (x, y, bulge) vertices, mm, in one of `STYLES`."""

    vertices: tuple[Vertex, ...]
    style: str
    closed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Text of `size` mm on paper at a point of the drawing; in the middle it stands clear of the lines behind it."""

    text: str
    at: tuple[float, float]
    size: float = 3.0
    middle: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """A drawing in mm; `bounds` (x0, y0, x1, y1) is what is shown."""

    title: str
    strokes: tuple[Stroke, ...]
    labels: tuple[Label, ...] = ()
    bounds: tuple[float, float, float, float]


def style_of(o: Operation) -> str:
    """Return the style an operation is drawn in: by the face it is cut from."""
    return "reference" if o.kind == "reference" else o.side


def line(*points: tuple[float, float], style: str) -> Stroke:
    """Return an open line through points."""
    return Stroke(vertices=tuple((x, y, 0.0) for x, y in points), style=style, closed=False)


def box(x0: float, y0: float, x1: float, y1: float, style: str) -> Stroke:
    """Return an upright rectangle."""
    return Stroke(vertices=((x0, y0, 0.0), (x1, y0, 0.0), (x1, y1, 0.0), (x0, y1, 0.0)), style=style)


def of_part(part: PartDrawing) -> Sketch:
    """Draw a part as seen on its near face."""
    strokes = tuple(Stroke(vertices=o.path.vertices, style=style_of(o)) for o in part.operations)
    title = f"{part.name}: {part.board}, {plain(part.thickness)} thick, {plain(part.size[0])} x {plain(part.size[1])}"
    boxes = np.array([o.path.bounds for o in part.operations])
    x0, y0, x1, y1 = (float(v) for v in (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0)))
    # Cuts may run over the edge, a slot far over it.
    w, h = part.size
    bounds = (max(x0, -20.0), max(y0, -20.0), min(x1, w + 20.0), min(y1, h + 20.0))
    if any(o.kind == "reference" and not part.bevels for o in part.operations):
        bounds = (x0, y0, x1, y1)
    return Sketch(title=title, strokes=strokes, bounds=bounds)


# --- SVG ------------------------------------------------------------------------------------------------------------


def svg(sketch: Sketch, *, scale: float = 1.0, margin: float = 5.0, whole: bool = True) -> str:
    """Return a sketch as SVG of true lines and arcs.

    Parameters
    ----------
    sketch : Sketch
    scale : float
        Of the drawing on paper; sizes are declared in mm, so that 1 prints full size.
    margin : float
        Round the drawing, mm on paper.
    whole : bool
        A file of its own, or a fragment for a page.
    """
    x0, y0, x1, y1 = sketch.bounds
    m = margin / scale
    w, h = x1 - x0 + 2 * m, y1 - y0 + 2 * m
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(w * scale)}mm" height="{_n(h * scale)}mm" '
        f'viewBox="{_n(x0 - m)} {_n(-y1 - m)} {_n(w)} {_n(h)}" role="img">'
    )
    out = ['<?xml version="1.0" encoding="UTF-8"?>', head] if whole else [head]
    out.append(f"<title>{escape(sketch.title)}</title>")
    for s in sketch.strokes:
        colour, width, dashes, fill = STYLES[s.style]
        dash = f' stroke-dasharray="{" ".join(_n(d / scale) for d in dashes)}"' if dashes else ""
        out.append(
            f'<path class="{s.style}" d="{_path_data(s)}" transform="scale(1,-1)" fill="{fill}" stroke="{colour}" '
            f'stroke-width="{_n(width / scale)}"{dash}/>'
        )
    for label in sketch.labels:
        white = f'stroke="#fff" stroke-width="{_n(0.8 / scale)}" paint-order="stroke"'
        anchor = f' text-anchor="middle" dominant-baseline="central" {white}' if label.middle else ""
        out.append(
            f'<text x="{_n(label.at[0])}" y="{_n(-label.at[1])}" font-family="sans-serif" '
            f'font-size="{_n(label.size / scale)}"{anchor}>{escape(label.text)}</text>'
        )
    return "\n".join([*out, "</svg>"]) + "\n"


def _path_data(s: Stroke) -> str:
    v = s.vertices
    ends = (*v[1:], v[0]) if s.closed else v[1:]
    out = [f"M{_n(v[0][0])} {_n(v[0][1])}"]
    for (x0, y0, bulge), (x1, y1, _) in zip(v, ends, strict=False):
        if bulge:
            radius = math.hypot(x1 - x0, y1 - y0) * (1 + bulge**2) / (4 * abs(bulge))
            flags = f"{int(abs(bulge) > 1)} {int(bulge > 0)}"
            out.append(f"A{_n(radius)} {_n(radius)} 0 {flags} {_n(x1)} {_n(y1)}")
        else:
            out.append(f"L{_n(x1)} {_n(y1)}")
    return " ".join(out) + ("Z" if s.closed else "")


def _n(value: float) -> str:
    """Return a number to a nanometre, without an exponent."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


# --- matplotlib -----------------------------------------------------------------------------------------------------

INCH = 25.4


def paint(figure: Any, sketch: Sketch, *, at: tuple[float, float], scale: float, window: Sequence[float]) -> None:
    """Draw a sketch on a matplotlib figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    sketch : Sketch
    at : (float, float)
        Where the drawing's (0, 0) comes to lie, mm from the lower left corner of the page.
    scale : float
    window : (x0, y0, x1, y1)
        What is shown, mm on the page.
    """
    from matplotlib.patches import PathPatch, Rectangle
    from matplotlib.transforms import Affine2D

    page = Affine2D().scale(1 / INCH) + figure.dpi_scale_trans
    place = Affine2D().scale(scale).translate(*at) + page
    x0, y0, x1, y1 = window
    clip = Rectangle((x0, y0), x1 - x0, y1 - y0, transform=page)
    for s in sketch.strokes:
        colour, width, dashes, fill = STYLES[s.style]
        points = width * 72 / INCH
        dash = (0.0, tuple(d / width for d in dashes)) if dashes else "solid"
        patch = PathPatch(curve(s), transform=place, facecolor=fill, edgecolor=colour, linewidth=points, linestyle=dash)
        figure.add_artist(patch)
        patch.set_clip_path(clip)
    for label in sketch.labels:
        x, y = (scale * c + a for c, a in zip(label.at, at, strict=True))
        if x0 <= x <= x1 and y0 <= y <= y1:
            write(figure, label.text, (x, y), size=label.size, middle=label.middle)


def write(
    figure: Any, text: str, at: tuple[float, float], *, size: float = 3.0, middle: bool = False, bold: bool = False
) -> None:
    """Write plain text on a figure, `size` mm tall, its base line `at` mm from the page's lower left corner."""
    width, height = figure.get_size_inches() * INCH
    figure.text(
        at[0] / width,
        at[1] / height,
        text,
        fontsize=size * 72 / INCH,
        ha="center" if middle else "left",
        va="center" if middle else "baseline",
        bbox={"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.6} if middle else None,
        weight="bold" if bold else "normal",
        color=INK,
        parse_math=False,
    )


def curve(s: Stroke) -> Any:
    """Return a stroke as a matplotlib path; its cubic pieces lie within 1e-6 of a radius of the arcs."""
    from matplotlib.path import Path as Drawn

    v = s.vertices
    ends = (*v[1:], v[0]) if s.closed else v[1:]
    points: list[tuple[float, float]] = [v[0][:2]]
    codes = [Drawn.MOVETO]
    for (x0, y0, bulge), (x1, y1, _) in zip(v, ends, strict=False):
        if not bulge:
            points.append((x1, y1))
            codes.append(Drawn.LINETO)
            continue
        for corner in _cubics(complex(x0, y0), complex(x1, y1), 4 * math.atan(bulge)):
            points.append((corner.real, corner.imag))
            codes.append(Drawn.CURVE4)
    if s.closed:
        points.append(v[0][:2])
        codes.append(Drawn.CLOSEPOLY)
    return Drawn(points, codes)


def _cubics(start: complex, end: complex, sweep: float) -> Iterable[complex]:
    """Yield the control points of an arc as cubic pieces of at most a sixteenth of a turn."""
    n = max(1, math.ceil(abs(sweep) / (math.pi / 8)))
    centre = start + (end - start) / 2 * (1 + 1j / math.tan(sweep / 2))
    step = sweep / n
    reach = 4 / 3 * math.tan(step / 4) * 1j
    turn = complex(math.cos(step), math.sin(step))
    arm = start - centre
    for k in range(n):
        after = arm * turn
        yield centre + arm * (1 + reach)
        yield centre + after * (1 - reach)
        arm = after
        yield end if k == n - 1 else centre + arm


def whole(path: Path, style: str) -> Stroke:
    """Return a closed path as a stroke."""
    return Stroke(vertices=path.vertices, style=style)
