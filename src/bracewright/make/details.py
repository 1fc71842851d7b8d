"""Sketches of joints and of parts with their sizes and the numbers of their cuts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bracewright.geometry import Path, Point
from bracewright.make.joint import Joint
from bracewright.make.parts import Operation, PartDrawing, plain
from bracewright.make.sketch import Label, Sketch, Stroke, line, of_part

ARM = 12.0  # mm of board drawn beside a joint, more for thick ones
WORDS = 70.0  # mm to the right of a joint for its words
OFF, RING = 6.0, 1.2  # mm on paper: lines of dimension from the part; radius of the mark at its corner
CORNER = math.tan(math.pi / 8)  # bulge of a quarter turn


# --- joints ---------------------------------------------------------------------------------------------------------


def joint_sketch(j: Joint) -> Sketch:
    """Draw a joint in section across its line, full size: `a` from below, `b` on top."""
    ta, tb = j.widths
    arm = 1.2 * ta + ARM
    left, right = (0.0, ta + arm) if j.kind == "corner" else (-arm / 2, ta + arm / 2)
    shapes = _lapped(j, arm) if j.form == "lap" else _sections(j, arm, left, right)
    strokes = tuple(
        Stroke(vertices=tuple((float(x), float(y), 0.0) for x, y in shape), style=style)
        for shape, style in zip(shapes, ("wood", "second", "second"), strict=False)
    )
    labels = (
        Label(text=_words(j), at=(right + 3, tb / 2), size=2.8),
        Label(text=f"{j.b}, {plain(tb)}", at=(right + 3, tb - 3), size=2.8),
        Label(text=f"{j.a}, {plain(ta)}", at=(ta + 3, -arm + 3), size=2.8),
    )
    top = tb + arm if j.form == "lap" else tb
    return Sketch(title=j.title, strokes=strokes, labels=labels, bounds=(left, -arm, right + WORDS, top))


def _sections(j: Joint, arm: float, left: float, right: float) -> list[list[tuple[float, float]]]:
    (ta, tb), c, foot = j.widths, j.clearance, j.depth + j.gap
    stem = [(0.0, -arm), (ta, -arm), (ta, 0.0)]
    if j.form == "mitre":
        return [[*stem, (0, tb)], [(ta, 0), (right, 0), (right, tb), (0, tb)]]
    if j.form == "rebate":
        step = [(0, j.depth), (ta + c, j.depth), (ta + c, 0)]
        return [[*stem[:2], (ta, j.depth), (0, j.depth)], [*step, (right, 0), (right, tb), (0, tb)]]
    if j.form == "butt":
        return [[*stem, (0, 0)], [(left, 0), (right, 0), (right, tb), (left, tb)]]
    t0, t1 = (ta - j.tongue) / 2, (ta + j.tongue) / 2
    groove = [(t0 - c, 0.0), (t0 - c, foot), (t1 + c, foot), (t1 + c, 0.0)]
    return [
        [*stem, (t1, 0.0), (t1, j.depth), (t0, j.depth), (t0, 0.0), (0.0, 0.0)],
        [(left, 0.0), *groove, (right, 0.0), (right, tb), (left, tb)],
    ]


def _lapped(j: Joint, arm: float) -> list[list[tuple[float, float]]]:
    """Return the section where `a` runs through and `b` is slotted; a board that leans is drawn leaning one way."""
    (ta, tb), half = j.widths, j.slots[1] / 2
    sin = math.sqrt(1 - j.lean**2)
    middle, drift = ta / 2, (tb / 2 + arm) * j.lean / sin
    foot, head = middle - drift, middle + drift
    a = ta / sin / 2
    return [
        [(foot - a, -arm), (foot + a, -arm), (head + a, tb + arm), (head - a, tb + arm)],
        [(-arm / 2, 0.0), (middle - half, 0.0), (middle - half, tb), (-arm / 2, tb)],
        [(middle + half, 0.0), (ta + arm / 2, 0.0), (ta + arm / 2, tb), (middle + half, tb)],
    ]


def _words(j: Joint) -> str:
    (ta, tb), groove = j.widths, f"groove {plain(j.tongue + 2 * j.clearance)} x {plain(j.depth + j.gap)}"
    return {
        "tongue": f"tongue {plain(j.tongue)} x {plain(j.depth)}, {groove}",
        "housed": f"housed {plain(j.depth)}, {groove}",
        "rebate": f"rebate {plain(ta + j.clearance)} x {plain(j.depth)}",
        "mitre": f"mitre, {plain(math.degrees(math.atan2(ta, tb)))} degrees on {j.b}",
        "lap": f"slot {plain(j.slots[1])} wide",
    }.get(j.form, "butt")


def lap_sketch(j: Joint) -> Sketch:
    """Draw the two boards of a lap flat, along the line where they meet, each with its slot."""
    strokes, labels = [], []
    tall, end = max(j.slots) + 2 * ARM, j.length
    for row, (name, (lo, hi), width, style) in enumerate(
        zip((j.a, j.b), j.grooves, j.slots, ("wood", "second"), strict=True)
    ):
        y = -row * (tall + 2 * ARM)
        low, top, r = y + (tall - width) / 2, y + (tall + width) / 2, min(j.rounding, width / 2)
        if lo == 0:
            above = [(0.0, top, 0.0), (hi - r, top, -CORNER), (hi, top - r, 0.0)]
            board = [(end, y, 0.0), (end, y + tall, 0.0), (0.0, y + tall, 0.0), *above]
            board += [(hi, low + r, -CORNER), (hi - r, low, 0.0), (0.0, low, 0.0), (0.0, y, 0.0)]
        else:
            below = [(end, low, 0.0), (lo + r, low, -CORNER), (lo, low + r, 0.0)]
            board = [(0.0, y + tall, 0.0), (0.0, y, 0.0), (end, y, 0.0), *below]
            board += [(lo, top - r, -CORNER), (lo + r, top, 0.0), (end, top, 0.0), (end, y + tall, 0.0)]
        strokes.append(Stroke(vertices=tuple(board), style=style))
        text = f"{name}: slot {plain(width)} wide, {plain(hi - lo)} of {plain(end)} long"
        labels.append(Label(text=text, at=(0.0, y - ARM), size=2.8))
    return Sketch(title=j.title, strokes=tuple(strokes), labels=tuple(labels), bounds=(0.0, -tall - 3 * ARM, end, tall))


# --- parts ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Numbered:
    """A cut with its number on the sketch, where that stands, and its row of the table."""

    number: int
    at: Point
    row: tuple[str, ...]


def numbered(part: PartDrawing) -> tuple[Numbered, ...]:
    """Return the cuts of a part; the same cut from both faces is one."""
    groups: dict[tuple[str, Path], list[Operation]] = {}
    for o in part.operations:
        if o.kind != "reference":
            groups.setdefault((o.kind, o.path), []).append(o)
    holes = {o.name: o.path for o in part.operations if o.kind == "opening"}
    out = []
    for k, ((kind, path), group) in enumerate(groups.items(), 1):
        o = group[0]
        x0, y0, x1, y1 = path.bounds
        at = {"outline": (0.94 * x1, 0.97 * y1), "rebate": ((x0 + x1) / 2, (y0 + y1) / 2)}.get(kind, path.centroid)
        if o in part.seats:  # a ring: on its wood
            at = ((x1 + holes[o.name].bounds[2]) / 2, (y0 + y1) / 2)
        face = {"through": "through"}.get(o.side, "both faces" if len(group) > 1 else f"{o.side} face")
        out.append(Numbered(k, at, (str(k), kind, o.name, face, plain(o.depth), _where(path))))
    return tuple(out)


def _where(path: Path) -> str:
    x0, y0, x1, y1 = path.bounds
    arcs = path.arcs()
    if len(arcs) == len(path.vertices) and all(math.dist(a.centre, arcs[0].centre) < 1e-6 for a in arcs):
        x, y = arcs[0].centre
        return f"diameter {plain(2 * arcs[0].radius)} about ({plain(x)}, {plain(y)})"
    return f"x {plain(x0)} to {plain(x1)}, y {plain(y0)} to {plain(y1)}"


def part_sketch(part: PartDrawing, scale: float) -> Sketch:
    """Draw a part with its outer sizes, the corner its coordinates start from and the numbers of its cuts."""
    sketch, (w, h) = of_part(part), part.size
    x0, y0, x1, y1 = sketch.bounds
    off, tick, ring = (v / scale for v in (OFF, 1.0, RING))
    x, y = x0 - off, y0 - off
    sizes = [line((0.0, y), (w, y), style="paper"), line((x, 0.0), (x, h), style="paper")]
    sizes += [line((at, y - tick), (at, y + tick), style="paper") for at in (0.0, w)]
    sizes += [line((x - tick, at), (x + tick, at), style="paper") for at in (0.0, h)]
    corner = Stroke(vertices=((-ring, 0.0, 1.0), (ring, 0.0, 1.0)), style="through")
    labels = [Label(text=str(c.number), at=c.at, size=2.2, middle=True) for c in numbered(part)]
    labels += [
        Label(text=plain(w), at=(w / 2, y), size=2.5, middle=True),
        Label(text=plain(h), at=(x, h / 2), size=2.5, middle=True),
    ]
    return Sketch(
        title=sketch.title,
        strokes=(*sketch.strokes, *sizes, corner),
        labels=tuple(labels),
        bounds=(x - off, y - off / 2, x1, y1),
    )
