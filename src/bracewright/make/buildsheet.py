"""The build sheet: everything to have beside the bench, as blocks that become HTML and PDF."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import shapely

from bracewright.design import designfile
from bracewright.design.account import account
from bracewright.design.cabinet import PANELS, Cabinet
from bracewright.geometry import FINE
from bracewright.make.assembly import Assembly, assembly
from bracewright.make.cautions import CAUTIONS, DRY_FIT, GLUE_UP, TAPPING
from bracewright.make.cutter import Corner, unreached
from bracewright.make.details import joint_sketch, lap_sketch, numbered, part_sketch
from bracewright.make.joinery import joints
from bracewright.make.nesting import Sheet, placed
from bracewright.make.parts import PartDrawing, plain
from bracewright.make.sheets import board_totals, cut_list
from bracewright.make.sketch import Label, Sketch, box, of_part, whole

# Off the middle and off the thirds, so that few modes stand still at all of them: judgement.
TAPS = ((0.21, 0.45, 0.72), (0.12, 0.29, 0.46, 0.63, 0.86))
TAP_EDGE = 15.0  # mm from an opening


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 1 is the title, 3 a part's name."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph, or the points of a list."""

    lines: tuple[str, ...]
    listed: bool = False
    numbered: bool = False
    loud: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under column heads."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing at a scale."""

    sketch: Sketch
    scale: float
    caption: str


Block = Heading | Text | Table | Figure


def blocks(cabinet: Cabinet, parts: Sequence[PartDrawing], sheets: Sequence[Sheet]) -> tuple[Block, ...]:
    """Return the build sheet of a cabinet, its drawings and its sheets."""
    return tuple(_blocks(cabinet, parts, sheets))


def design_mark(cabinet: Cabinet) -> str:
    """Return a short mark that changes with the design: the start of the SHA-256 of its file."""
    return hashlib.sha256(designfile.dumps(cabinet).encode()).hexdigest()[:12]


def _blocks(cabinet: Cabinet, parts: Sequence[PartDrawing], sheets: Sequence[Sheet]) -> Iterator[Block]:
    a = account(cabinet)
    order = assembly(cabinet)
    yield Heading(cabinet.name, 1)
    size = " x ".join(plain(v) for v in a.size)
    yield Text(
        (f"{size} mm outside, {a.net_volume_l:.2f} l net, boards {a.boards_kg:.2f} kg, design {design_mark(cabinet)}",)
    )
    if order.conflicts:
        yield Text(_conflicts(order), loud=True)
    yield Heading("Read this first")
    for paragraph in CAUTIONS.split("\n\n")[1:]:
        yield Text((" ".join(paragraph.split()),))
    yield from _material(cabinet, parts, sheets)
    yield from _drawings(parts)
    yield from _joint_blocks(cabinet)
    yield from _corner_blocks(cabinet, unreached(parts, cabinet.joinery.cutter))
    yield Heading("Order of assembly")
    if order.conflicts:
        yield Text(_conflicts(order), loud=True)
    yield Text(tuple(_step(s.parts, s.onto, s.words) for s in order.steps), numbered=True)
    yield Heading("Dry fit")
    yield Text(DRY_FIT, listed=True)
    yield Heading("Glue-up")
    yield Text(GLUE_UP, listed=True)
    yield Heading("Tap points")
    yield Text(TAPPING, listed=True)
    rows = tuple((p.name, _taps(p)) for p in parts if p.name in PANELS)
    yield Table(("panel", "points (x, y) from its lower left corner, near face, mm"), rows)


def _conflicts(order: Assembly) -> tuple[str, ...]:
    return tuple(
        f"CANNOT BE ASSEMBLED by straight moves: {', '.join(group)} lock each other. End one brace at another with "
        "`within`, or make a joint of theirs a butt."
        for group in order.conflicts
    )


def _step(parts: tuple[str, ...], onto: tuple[str, ...], words: str) -> str:
    first = f"{parts[0]}" if len(parts) == 1 else f"the group {', '.join(parts)}"
    second = f"{onto[0]}" if len(onto) == 1 else f"what stands ({', '.join(onto)})"
    return f"{first}: move it {words} onto {second}"


def _material(cabinet: Cabinet, parts: Sequence[PartDrawing], sheets: Sequence[Sheet]) -> Iterator[Block]:
    yield Heading("Cut list")
    rows = cut_list(cabinet, parts)
    more = cabinet.joinery.oversize
    yield Text((f"Blanks are {plain(more)} mm larger than the finished part, length along the grain; mass finished.",))
    yield Table(
        ("part", "board", "thickness", "blank", "off", "mass, kg"),
        tuple(
            (
                r.part,
                r.board,
                plain(r.thickness),
                f"{plain(r.length + more)} x {plain(r.width + more)}",
                str(r.quantity),
                f"{r.mass_kg:.2f}",
            )
            for r in rows
        ),
    )
    yield Table(
        ("board", "thickness", "parts", "area, m2", "mass, kg", "sheets", "cost"),
        tuple(
            (
                t.board,
                plain(t.thickness),
                str(t.quantity),
                f"{t.area_m2:.3f}",
                f"{t.mass_kg:.2f}",
                str(len(own := [s for s in sheets if s.board == t.board])),
                f"{sum(s.cost for s in own):.2f}" if any(s.cost for s in own) else "not given",
            )
            for t in board_totals(rows)
        ),
    )
    yield Heading("Sheets")
    by_name = {p.name: p for p in parts}
    for s in sheets:
        cost = f", cost {s.cost:.2f}" if s.cost else ""
        used = f"{plain(s.size[0])} x {plain(s.size[1])}, {100 * s.used:.0f} % used{cost}; grain from left to right"
        over = ", ".join(p.part for p in s.placements if p.turned_over)
        used += f"; far face up: {over}" if over else ""
        yield Figure(sheet_sketch(s, by_name, cabinet.joinery.oversize), 170 / s.size[0], f"{s.title}: {used}")


def sheet_sketch(sheet: Sheet, parts: dict[str, PartDrawing], oversize: float) -> Sketch:
    """Draw a sheet with its parts."""
    strokes = [box(0.0, 0.0, *sheet.size, "reference")]
    labels = []
    for p in sheet.placements:
        strokes.append(box(*p.at, p.at[0] + p.size[0], p.at[1] + p.size[1], "paper"))
        for kind, _, face, _, path in placed(parts[p.part], p, oversize):
            style = "reference" if kind == "reference" else {"upper": "near", "under": "far"}.get(face, face)
            if kind in ("outline", "opening", "pocket", "groove"):
                strokes.append(whole(path, style))
        middle = (p.at[0] + p.size[0] / 2, p.at[1] + p.size[1] / 2)
        labels.append(Label(text=p.part, at=middle, size=2.2, middle=True))
    return Sketch(title=sheet.title, strokes=tuple(strokes), labels=tuple(labels), bounds=(0.0, 0.0, *sheet.size))


def _drawings(parts: Sequence[PartDrawing]) -> Iterator[Block]:
    yield Heading("Parts")
    yield Text(
        (
            "Seen on the near face; dashed blue is cut from the far face. The ring is the corner (0, 0), from which x "
            "runs to the right and y upwards. Every vertex is in coordinates.csv.",
        )
    )
    for p in parts:
        x0, y0, x1, y1 = of_part(p).bounds
        scale = 1 / math.ceil(1 / min(150 / (x1 - x0), 85 / (y1 - y0), 0.5))
        yield Heading(p.name, 3)
        facing = f"near face looks to the {p.near}; grain at {plain(p.grain_deg)} degrees"
        yield Figure(part_sketch(p, scale), scale, f"{of_part(p).title}; {facing}; scale 1:{1 / scale:.0f}")
        yield Table(("no.", "cut", "for", "from", "deep", "where"), tuple(c.row for c in numbered(p)))
        yield Text(p.notes, listed=True)


def _joint_blocks(cabinet: Cabinet) -> Iterator[Block]:
    yield Heading("Joints")
    found = joints(cabinet)
    joinery = cabinet.joinery
    yield Text(
        (
            f"Clearance {joinery.clearance:.3g} mm on each side, glue gap {plain(joinery.glue_gap)} mm at the bottom "
            "of a groove. Boards as measured. Both mates come from one joint: change both or neither.",
        )
    )
    rows = []
    for j in found:
        cut = "; ".join(f"{plain(lo)} to {plain(hi)}" for lo, hi in j.grooves) if j.form != "lap" else "half and half"
        tongue = plain(j.tongue) if j.form in ("tongue", "housed") else ""
        depth = plain(j.depth) if j.depth and j.form != "lap" else ""
        rows.append((j.title, j.form, tongue, depth, cut, j.note))
    yield Table(("joint", "form", "tongue", "depth", "groove, from the start of its line", "note"), tuple(rows))
    seen = set()
    for j in found:
        kind = (j.form, j.kind, j.widths, j.lean, round(j.tongue, 6), round(j.depth if j.form != "lap" else 0.0, 6))
        if kind not in seen:
            seen.add(kind)
            yield Figure(joint_sketch(j), 1.0, f"{j.title} and alike: {j.form}, full size")
        if j.form == "lap":
            scale = 1 / math.ceil(j.length / 120)
            yield Figure(lap_sketch(j), scale, f"{j.title}: both slots, side by side; scale 1:{1 / scale:.0f}")


def _corner_blocks(cabinet: Cabinet, corners: Sequence[Corner]) -> Iterator[Block]:
    yield Heading("Corners the cutter cannot reach")
    cutter = plain(cabinet.joinery.cutter)
    if not corners:
        yield Text((f"None with a cutter of {cutter} mm.",))
        return
    yield Text(
        (
            f"With a cutter of {cutter} mm this wood stays. At the foot of a tongue or housing it may: its groove is "
            "longer. Elsewhere square it with a chisel, or round the mating edge.",
        )
    )
    rows: dict[tuple[str, str, str], list[Corner]] = {}
    for c in corners:
        rows.setdefault((c.part, c.kind, c.name), []).append(c)
    table = []
    for (part, kind, name), group in rows.items():
        spots = ", ".join(f"({plain(c.at[0])}, {plain(c.at[1])})" for c in group)
        table.append((part, f"{kind} {name}".strip(), f"{max(c.area for c in group):.2f}", spots))
    yield Table(("part", "cut", "mm2 each, at most", "where"), tuple(table))


def tap_points(part: PartDrawing) -> tuple[tuple[float, float], ...]:
    """Return points to tap on a panel, part coordinates: three by five, those near an opening left out."""
    w, h = part.size
    short, long = TAPS
    across, up = (short, long) if w <= h else (long, short)
    holes = shapely.union_all([o.path.polygon(FINE) for o in part.operations if o.kind == "opening"])
    points = [(round(u * w, 1), round(v * h, 1)) for v in up for u in across]
    return tuple(p for p in points if holes.is_empty or holes.distance(shapely.Point(p)) > TAP_EDGE)


def _taps(part: PartDrawing) -> str:
    return ", ".join(f"({x:.0f}, {y:.0f})" for x, y in tap_points(part))
