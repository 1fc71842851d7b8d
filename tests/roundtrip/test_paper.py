"""SVG and full-size PDF read back: the same curves, the same size on paper, every line of a part on some page."""

from __future__ import annotations

import math
import re
import zlib
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely

from bracewright.errors import DesignError
from bracewright.geometry import Path
from bracewright.make import PartDrawing, full_size_pdf, of_part, svg
from bracewright.make.pages import HEAD, MARGIN, PAPERS

UM = 1e-3  # mm
POINT = 72 / 25.4


def svg_paths(text: str) -> list[Path]:
    """Closed paths of an SVG as (x, y, bulge), its y axis turned up again."""
    root = ElementTree.fromstring(text)
    out = []
    for e in root.iter("{http://www.w3.org/2000/svg}path"):
        assert e.get("transform") == "scale(1,-1)"
        data = e.get("d", "")
        assert data.endswith("Z")
        rows: list[list[float]] = []
        for what, numbers in re.findall(r"([MLA])([^MLAZ]*)", data):
            n = [float(t) for t in numbers.split()]
            if what == "A":
                radius, same, turn, large, left, x, y = n
                assert radius == same
                assert turn == 0
                chord = math.dist(rows[-1][:2], (x, y))
                sweep = 2 * math.asin(min(1.0, chord / 2 / radius))
                sweep = 2 * math.pi - sweep if large else sweep
                rows[-1][2] = math.tan(sweep / 4) * (1 if left else -1)
            else:
                x, y = n
            rows.append([x, y, 0.0])
        assert rows[-1][:2] == rows[0][:2]
        out.append(Path(vertices=tuple((x, y, b) for x, y, b in rows[:-1])))
    return out


def test_svg_has_the_same_lines_and_arcs(parts: tuple[PartDrawing, ...]):
    arcs = 0
    for part in parts:
        found = svg_paths(svg(of_part(part)))
        assert len(found) == len(part.operations)
        for path, o in zip(found, part.operations, strict=True):
            assert path.area == pytest.approx(o.path.area, rel=1e-6)
            assert path.perimeter == pytest.approx(o.path.perimeter, rel=1e-6)
            assert len(path.arcs()) == len(o.path.arcs())
            for a, b in zip(path.arcs(), o.path.arcs(), strict=True):
                # A flat arc's centre follows from its ends, written to a nanometre, with the square of its flatness.
                flat = max(1.0, (2 / math.radians(abs(b.sweep_deg))) ** 2)
                assert abs(a.radius - b.radius) < UM
                assert math.dist(a.centre, b.centre) < UM * max(1.0, flat / 1e3)
                arcs += 1
    assert arcs > 100


def test_svg_declares_its_size_in_mm(parts: tuple[PartDrawing, ...]):
    root = ElementTree.fromstring(svg(of_part(parts[0]), margin=5))
    x, y, w, h = map(float, root.get("viewBox", "").split())
    assert (root.get("width"), root.get("height")) == (f"{w:g}mm", f"{h:g}mm") == ("230mm", "410mm")
    assert (x, y) == (-5, -405)


def test_svg_names_cannot_break_it(parts: tuple[PartDrawing, ...]):
    from dataclasses import replace

    part = replace(parts[0], name='<b> & "c" 棚')
    root = ElementTree.fromstring(svg(of_part(part)))
    assert str(root[0].text).startswith(part.name)


# --- PDF ------------------------------------------------------------------------------------------------------------


def pages(content: bytes) -> list[bytes]:
    """Drawing instructions of each page."""
    streams = re.findall(rb"<<([^>]*(?:>>)?[^>]*)>>\s*stream\r?\n(.*?)\r?\nendstream", content, re.S)
    plain = [zlib.decompress(body) for head, body in streams if b"FlateDecode" in head]
    return [p for p in plain if re.search(rb"\d re\b|\d l\b", p) and b" d1" not in p]


def curves(page: bytes) -> list[np.ndarray]:
    """Sub-paths of a page, mm, cubics as 32 chords."""
    out: list[list[tuple[float, float]]] = []
    stack: list[float] = []
    for token in page.split():
        if re.fullmatch(rb"-?\d*\.?\d+", token):
            stack.append(float(token) / POINT)
            continue
        if token == b"m":
            out.append([(stack[-2], stack[-1])])
        elif token == b"l":
            out[-1].append((stack[-2], stack[-1]))
        elif token == b"c":
            p = np.array([*out[-1][-1], *stack[-6:]]).reshape(4, 2)
            t = np.linspace(0, 1, 33)[1:, None]
            bent = (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
            out[-1] += [(float(x), float(y)) for x, y in bent]
        elif token == b"h":
            out[-1].append(out[-1][0])
        stack = []
    return [np.array(c) for c in out]


def tiles(part: PartDrawing) -> list[tuple[float, float, float, float]]:
    """What each page of a part shows, part coordinates, row by row from below."""
    width, height = PAPERS["A4"]
    w, h = width - 2 * MARGIN, height - 2 * MARGIN - HEAD
    x0, y0, x1, y1 = of_part(part).bounds
    rows, columns = math.ceil((y1 - y0) / h - 1e-9), math.ceil((x1 - x0) / w - 1e-9)
    spots = [(x0 + c * w, y0 + r * h) for r in range(rows) for c in range(columns)]
    lines = [o.path.polygon(1e-3).exterior for o in part.operations]
    boxes = [(x, y, x + w, y + h) for x, y in spots]
    return [b for b in boxes if any(line.intersects(shapely.box(*b)) for line in lines)]


def test_pdf_is_full_size_and_complete(parts: tuple[PartDrawing, ...]):
    """On every page the lines in the tile are those of the part, in their place and size, to 3 micrometres.

    One comes from the chords a circle of the woofer's size is read back with.
    """
    for part in parts:
        content = full_size_pdf(part)
        for b in re.findall(rb"/MediaBox \[ ?([\d. ]+) ?\]", content):
            assert [float(v) / POINT for v in b.split()] == pytest.approx([0, 0, 210, 297], abs=1e-3)
        found = pages(content)
        wanted = tiles(part)
        assert len(found) == len(wanted)
        everything = shapely.union_all([o.path.polygon(1e-4).exterior for o in part.operations])
        for page, (x0, y0, x1, y1) in zip(found, wanted, strict=True):
            # The marks lie on the tile's edge: look just inside of it.
            inner = shapely.box(x0, y0, x1, y1).buffer(-6.5)
            drawn = [shapely.LineString(c + (x0 - MARGIN, y0 - MARGIN)) for c in curves(page) if len(c) > 1]
            here = shapely.union_all(drawn).intersection(inner)
            there = everything.intersection(inner)
            assert here.is_empty == there.is_empty
            if not here.is_empty:
                assert shapely.length(here.difference(there.buffer(3 * UM))) < 0.05
                assert shapely.length(there.difference(here.buffer(3 * UM))) < 0.05


def test_pages_share_their_crosses_and_measure_themselves(parts: tuple[PartDrawing, ...]):
    width, height = PAPERS["A4"]
    tile = (width - 2 * MARGIN, height - 2 * MARGIN - HEAD)
    front = next(p for p in parts if p.name == "front")
    every = pages(full_size_pdf(front))
    assert len(every) == 4  # 220 x 400 on tiles of 186 x 261
    for page in every:
        lines = [shapely.LineString(c) for c in curves(page) if len(c) == 2]
        for x in (MARGIN, MARGIN + tile[0]):
            for y in (MARGIN, MARGIN + tile[1]):
                near = [line for line in lines if line.distance(shapely.Point(x, y)) < UM and line.length > 11.9]
                assert len(near) >= 2
        assert any(line.length == pytest.approx(100, abs=UM) for line in lines)


def test_empty_tiles_are_left_out(parts: tuple[PartDrawing, ...]):
    from dataclasses import replace

    from bracewright.geometry import rectangle
    from bracewright.make import Operation

    ring = Operation(kind="outline", path=rectangle((500, 700), (1000, 1400)), depth=22, side="through", layer="CUT")
    part = replace(parts[0], operations=(ring,), size=(1000, 1400), thickness=22)
    assert len(pages(full_size_pdf(part))) == 6 * 6 - 4 * 4


def test_same_part_same_pdf(parts: tuple[PartDrawing, ...]):
    assert full_size_pdf(parts[0]) == full_size_pdf(parts[0])
    assert b"CreationDate" not in full_size_pdf(parts[0])


def test_an_unknown_paper_is_named(parts: tuple[PartDrawing, ...]):
    with pytest.raises(DesignError, match="known are A4, A3, letter"):
        full_size_pdf(parts[0], paper="B5")
