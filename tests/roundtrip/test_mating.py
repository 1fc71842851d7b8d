"""Solids rebuilt from the written cut data: every joint fits with the clearance it states, and no wood lies in wood."""

from __future__ import annotations

import contextlib
import functools
import itertools
import math
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Polygon

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, JointSpec, Opening, Panel, Pocket
from bracewright.design.account import account
from bracewright.design.cabinet import PANELS, in_plane
from bracewright.design.joinery import Joinery, Rebate, Stock
from bracewright.design.layout import Frame, frame_of, layouts
from bracewright.design.pockets import Circle, Superellipse
from bracewright.design.solid import slabs
from bracewright.errors import DesignError
from bracewright.examples import example
from bracewright.make import Joint, PartDrawing, drawings, joints, read_json
from bracewright.make.coordinates import to_json
from bracewright.make.joinery import as_measured

FINE = 5e-3  # mm, chords of arcs: the ends of a groove come out a little short, never long


@dataclass(frozen=True, eq=False)
class Solid:
    """A board as levels of equal section, in space."""

    part: PartDrawing
    frame: Frame  # its mid-plane, origin at the part's own corner

    @functools.cached_property
    def levels(self) -> list[tuple[float, float, Polygon]]:
        """(low, high, what is cut away between them), heights from the middle."""
        half = self.part.thickness / 2
        blind = [o for o in self.part.operations if o.kind in ("groove", "rebate")]
        heights = {-half, half} | {half - o.depth if o.side == "near" else o.depth - half for o in blind}
        out = []
        for low, high in itertools.pairwise(sorted(heights)):
            gone = []
            for o in self.part.operations:
                if o.kind in ("outline", "reference"):
                    continue
                bottom, top = {
                    "through": (-half, half),
                    "near": (half - o.depth, half),
                    "far": (-half, o.depth - half),
                }[o.side]
                if bottom <= (low + high) / 2 <= top:
                    gone.append(o.path.polygon(FINE))
            out.append((low, high, shapely.union_all(gone)))
        return out

    @functools.cache  # noqa: B019
    def wood(self, height: float, gone: Polygon) -> Polygon:
        return self.part.blank_at(height).polygon(FINE).difference(gone)

    def section(self, point: np.ndarray, e1: np.ndarray, e2: np.ndarray) -> Polygon:
        """The section with the plane through a point along e1 and e2, in these coordinates."""
        m = np.cross(e1, e2)
        f = self.frame
        flat = np.array([m @ f.e1, m @ f.e2])
        if np.linalg.norm(flat) < 1e-9:
            h = float((point - f.origin) @ f.e3)
            found = [self.wood(h, gone) for low, high, gone in self.levels if low < h < high]
            if not found:
                return Polygon()
            return shapely.transform(found[0], lambda xy: _flat(f, xy, h, point, e1, e2))
        along = np.array([-flat[1], flat[0]]) / np.linalg.norm(flat)

        def spans(h: float, gone: Polygon) -> list[np.ndarray]:
            # Points of this level's plane in the cutting plane: flat . xy = what is left.
            rest = float(m @ (point - f.origin)) - h * float(m @ f.e3)
            foot = flat * rest / (flat @ flat)
            line = LineString([foot - 1e4 * along, foot + 1e4 * along]).intersection(self.wood(h, gone))
            ends = [np.array(g.coords) for g in getattr(line, "geoms", [line]) if g.length > 1e-9]
            return [np.array([(*e[0], h), (*e[-1], h)]) for e in ends]

        pieces = []
        todo = list(self.levels)
        while todo:
            low, high, gone = todo.pop()
            below, above = spans(low, gone), spans(high, gone)
            if len(below) != len(above):  # the plane runs out of a bevel between the two
                if high - low > 1e-6:
                    todo += [(low, (low + high) / 2, gone), ((low + high) / 2, high, gone)]
                continue
            for a, b in zip(below, above, strict=True):
                corners = np.concatenate([a, b[::-1]])
                space = f.origin + corners[:, :1] * f.e1 + corners[:, 1:2] * f.e2 + corners[:, 2:] * f.e3 - point
                pieces.append(Polygon(np.stack([space @ e1, space @ e2], axis=1)))
        return shapely.union_all([p for p in pieces if p.area > 0])


def _flat(f: Frame, xy: np.ndarray, h: float, point: np.ndarray, e1: np.ndarray, e2: np.ndarray) -> np.ndarray:
    space = f.origin + xy[:, :1] * f.e1 + xy[:, 1:2] * f.e2 + h * f.e3 - point
    return np.stack([space @ e1, space @ e2], axis=1)


def rebuilt(cabinet: Cabinet, folder: Path) -> dict[str, Solid]:
    """The parts as a file of cut data tells them."""
    path = folder / "coordinates.json"
    path.write_text(to_json(drawings(cabinet)), "utf-8")
    out = {}
    for p in read_json(path):
        f = frame_of(as_measured(cabinet), p.name)
        out[p.name] = Solid(p, Frame(f.origin + p.datum[0] * f.e1 + p.datum[1] * f.e2, f.e1, f.e2, f.e3))
    return out


def gaps(a: Polygon, b: Polygon, line: LineString) -> list[float]:
    """Lengths of air between the two along a line."""
    air = line.difference(a).difference(b)
    return sorted(g.length for g in getattr(air, "geoms", [air]) if g.length > 1e-9)


def check_joint(cabinet: Cabinet, solids: dict[str, Solid], j: Joint) -> None:
    """Cut across the line at its ends and in the middle of every tongue."""
    across = solids[j.a].frame.e3
    spots = [0.5, j.length / 2, j.length - 0.5]
    for (lo, hi), (g0, g1) in zip(j.tongues, j.grooves, strict=True):
        spots += [(lo + hi) / 2, lo + 0.01, hi - 0.01, (g0 + lo) / 2]
        assert g0 <= lo < hi <= g1
    ta = j.widths[0]
    for s in spots:
        point = j.at(s)
        a, b = (solids[p].section(point, across, j.into) for p in (j.a, j.b))
        assert a.intersection(b).area < 1e-6, (j.title, s)
        inside = any(lo < s < hi for lo, hi in j.tongues)
        if j.form in ("tongue", "housed") and inside:
            half_way = LineString([(-ta, j.depth / 2), (ta, j.depth / 2)])
            left, right = (
                half_way.intersection(shapely.box(-ta, 0, 0, j.depth)),
                half_way.intersection(shapely.box(0, 0, ta, j.depth)),
            )
            for side in (left, right):
                sizes = gaps(a, b, side)
                assert sizes[0] == pytest.approx(cabinet.joinery.clearance, abs=1e-6)
            up = LineString([(0.0, 0.0), (0.0, j.depth + j.gap + 0.5)])
            assert gaps(a, b, up) == pytest.approx([cabinet.joinery.glue_gap], abs=1e-6)
        if j.form == "tongue" and inside:
            shoulder = (j.tongue + ta) / 4
            for x in (-shoulder, shoulder):
                assert gaps(a, b, LineString([(x, -2.0), (x, 1.0)])) == []
        if j.form == "rebate":
            # Its end on the floor, its side free by the clearance.
            assert gaps(a, b, LineString([(0.0, -2.0), (0.0, j.depth + 1.0)])) == []
            level = LineString([(-2 * ta, j.depth / 2), (2 * ta, j.depth / 2)])
            assert level.intersection(a).distance(level.intersection(b)) == pytest.approx(
                cabinet.joinery.clearance, abs=1e-6
            )
        if j.form == "mitre":
            assert a.distance(b) < 1e-6
            corner = shapely.box(-ta / 2, 0, ta / 2, j.widths[1])  # outer corner filled once
            assert a.union(b).intersection(corner).area == pytest.approx(corner.area, rel=1e-6)
        if j.form == "butt" and a.distance(b) > 1e-6:
            assert j.kind == "tee"  # an opening or pocket under a brace's edge


def planes(cabinet: Cabinet, count: int) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Planes across the three axes, at places that no part's face lies on."""
    out = []
    for k, size in enumerate((cabinet.width, cabinet.depth, cabinet.height)):
        e = np.eye(3)
        for s in (np.arange(count) + 0.4142) / count * size:
            out.append((s * e[k], e[(k + 1) % 3], e[(k + 2) % 3]))
    return out


def check_apart(cabinet: Cabinet, solids: dict[str, Solid], count: int = 13) -> None:
    """No part lies in another, on planes across the axes; a leaning board is looked at where it is cut square."""
    for point, e1, e2 in planes(cabinet, count):
        lean = {n: abs(float(np.cross(e1, e2) @ s.frame.e3)) for n, s in solids.items()}
        square = [n for n, c in lean.items() if c < 1e-9 or c > 1 - 1e-9]
        sections = {n: solids[n].section(point, e1, e2) for n in square}
        for a, b in itertools.combinations(sections, 2):
            # Faces that touch overlap by rounding, times their length.
            assert sections[a].intersection(sections[b]).area < 1e-4, (a, b, point)


def bare(name: str) -> Cabinet:
    """An example with butt joints throughout."""
    return replace(example(name), joint=JointSpec(), brace_joint=None, joint_overrides=())


def jointed(name: str, corner: str, brace: str, **joinery: object) -> Cabinet:
    return replace(
        bare(name),
        joint=JointSpec(form=corner),
        brace_joint=JointSpec(form=brace),
        joinery=Joinery(**joinery),  # type: ignore[arg-type]
    )


FORMS = [
    ("butt", "housed"),
    ("butt", "tongue"),
    ("mitre", "housed"),
    ("rebate", "butt"),
    ("rebate", "tongue"),
    ("tongue", "butt"),
    ("tongue", "housed"),
]
CASES = [(name, *forms) for name in ("stand-mount", "floorstander") for forms in FORMS]


def moved(cabinet: Cabinet) -> Cabinet:
    """A rib of the stand-mount stands where a groove for it would cut into the bulkhead's window: move it down."""
    braces = tuple(replace(b, at=40.0) if b.name == "rib" else b for b in cabinet.braces)
    return replace(cabinet, braces=braces)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "corner", "brace"), CASES)
def test_every_joint_of_the_demos_fits(tmp_path: Path, name: str, corner: str, brace: str):
    cabinet = moved(jointed(name, corner, brace))
    solids = rebuilt(cabinet, tmp_path)
    found = joints(cabinet)
    assert {j.form for j in found if j.kind == "corner"} == {corner}
    assert brace in {j.form for j in found if j.kind == "tee"}
    for j in found:
        if j.form != "lap":
            check_joint(cabinet, solids, j)
    check_apart(cabinet, solids, 5)


@pytest.mark.parametrize("name", ["stand-mount", "floorstander"])
def test_the_demos_as_they_come_fit(tmp_path: Path, name: str):
    cabinet = example(name)
    solids = rebuilt(cabinet, tmp_path)
    for j in joints(cabinet):
        check_joint(cabinet, solids, j)
    check_apart(cabinet, solids)


def moves(cabinet: Cabinet, j: Joint) -> tuple[float, float]:
    """Wood that a joint adds to `a` and takes from `b`, mm^3, by hand from its own numbers."""
    if j.form in ("tongue", "housed"):
        areas = ((hi - lo) * (j.tongue + 2 * j.clearance) - (4 - math.pi) * j.rounding**2 for lo, hi in j.grooves)
        return sum((hi - lo) * j.tongue * j.depth for lo, hi in j.tongues), sum(areas) * (j.depth + j.gap)
    if j.form == "rebate":
        return j.widths[0] * j.depth * j.length, (j.widths[0] + j.clearance) * j.depth * j.length
    return 0.0, 0.0


@pytest.mark.parametrize(("name", "corner", "brace"), CASES)
def test_volume_and_mass_are_those_of_the_model_and_the_joints(name: str, corner: str, brace: str):
    cabinet = moved(jointed(name, corner, brace))
    parts = drawings(cabinet)

    def density(part: str) -> float:
        return cabinet.part_board(part).density_kg_m3 / 1e9

    model = account(cabinet)
    volume = sum(p.mass_kg / density(p.name) for p in model.parts)
    mass = model.boards_kg
    for j in joints(cabinet):
        more, less = moves(cabinet, j)
        assert less >= more
        volume += more - less
        mass += more * density(j.a) - less * density(j.b)
    # A rebate's ends, where three boards meet, are not in its clear line.
    close = 1e-3 if corner == "rebate" else 1e-6
    assert sum(p.volume for p in parts) == pytest.approx(volume, rel=close)
    assert sum(p.volume * density(p.name) for p in parts) == pytest.approx(mass, rel=close)
    assert mass == pytest.approx(model.boards_kg, rel=1e-2)


# --- random designs -------------------------------------------------------------------------------------------------


def drawn(random: Random) -> Cabinet:
    """A cabinet of random sizes, boards, joints and joinery, one to three braces with a window each."""
    size = {"x": random.uniform(200, 320), "y": random.uniform(240, 420), "z": random.uniform(320, 900)}
    thick = {"carcass": random.uniform(15, 24), "baffle": random.uniform(18, 28), "brace": random.uniform(12, 22)}
    boards = tuple(Board.of("mdf", round(t, 2), name=n) for n, t in thick.items())
    braces = []
    for k in range(random.randint(1, 3)):
        normal = random.choice("xyz")
        a, b = in_plane(normal)
        low, high = random.choice([(0.3, 0.45), (0.55, 0.7)])
        hole = (random.uniform(0.25, 0.45) * size[a], random.uniform(0.25, 0.45) * size[b])
        shape = Superellipse(centre=(size[a] / 2, size[b] / 2), size=hole, exponent=random.uniform(2, 5))
        tilt = random.choice([0.0, 0.0, random.uniform(-12, 12)])
        braces.append(
            Brace(
                name=f"brace {k}",
                normal=normal,
                at=random.uniform(low, high) * size[normal],
                board="brace",
                pockets=random.choice([(), (Pocket(shape=shape),)]),
                tilt_deg=tilt,
                tilt_about=random.choice((a, b)) if tilt else None,
            )
        )
    woofer = Opening(
        name="woofer",
        panel="front",
        shape=Circle(centre=(size["x"] / 2, size["z"] * random.uniform(0.2, 0.8)), diameter=random.uniform(70, 110)),
        rebate=random.choice([None, Rebate(depth=random.uniform(2, 6), offset=random.uniform(5, 12))]),
    )
    joinery = Joinery(
        clearance=random.uniform(0.0, 0.2),
        glue_gap=random.uniform(0.0, 1.5),
        stopped=random.random() < 0.7,
        cutter=random.choice([3.0, 6.0, 8.0]),
        groove_cutter=random.choice([0.0, 3.0]),
    )
    return Cabinet(
        name="drawn",
        width=size["x"],
        depth=size["y"],
        height=size["z"],
        boards=boards,
        panels=tuple(Panel(side=s, board="baffle" if s == "front" else "carcass") for s in PANELS),
        openings=(woofer,),
        braces=tuple(braces),
        joint=JointSpec(form=random.choice(["butt", "mitre", "rebate", "tongue"])),
        brace_joint=JointSpec(form=random.choice(["butt", "housed", "tongue"]), depth=random.choice([0.0, 4.0])),
        joinery=joinery,
    )


def buildable(count: int, seed: int = 7) -> list[Cabinet]:
    """The first designs drawn that can be cut."""
    random, out = Random(seed), []
    while len(out) < count:
        with contextlib.suppress(DesignError):
            cabinet = drawn(random)
            drawings(cabinet)
            out.append(cabinet)
    return out


def slotted(cabinet: Cabinet, j: Joint) -> float:
    """Wood that a lap's slots take out of its two boards, mm^3, pockets and what stands in grooves left out."""
    out = 0.0
    for k, part in enumerate((j.a, j.b)):
        lay = layouts(cabinet, "inner")[part]
        p, q = lay.frame.to_plane(np.stack([j.at(s) for s in j.grooves[k]]))
        wood = lay.outline().difference(shapely.union_all([path.polygon(FINE) for _, path in lay.cuts]))
        slot = LineString([p, q]).buffer(j.slots[k] / 2, cap_style="flat")
        out += wood.intersection(slot).area * lay.thickness
    return out


def test_random_designs_weigh_what_the_model_and_their_joints_say(tmp_path: Path):
    """To 0.1 %; slots cut off the ends of tongues and round corners, which are not counted here."""
    forms, laps = set(), 0
    for cabinet in buildable(20):
        found = joints(cabinet)
        model = account(cabinet)
        density = {p: cabinet.part_board(p).density_kg_m3 / 1e9 for p in (*PANELS, *(b.name for b in cabinet.braces))}
        # Whole braces: in the account wood where two cross is that of one.
        cells = {s.name: s.cell.moments[0] - sum(p.area for _, p in s.pockets) * s.thickness for s in slabs(cabinet)}
        volume = {p.name: cells.get(p.name, p.mass_kg / density[p.name]) for p in model.parts}
        for j in found:
            if j.form == "lap":
                volume[j.a] -= slotted(cabinet, j)  # both are of one board
                laps += 1
            more, less = moves(cabinet, j)
            volume[j.a] += more
            volume[j.b] -= less
            forms.add((j.kind, j.form))
        parts = drawings(cabinet)
        assert sum(p.volume for p in parts) == pytest.approx(sum(volume.values()), rel=1e-3)
        mass = sum(v * density[n] for n, v in volume.items())
        assert sum(p.volume * density[p.name] for p in parts) == pytest.approx(mass, rel=1e-3)
        assert mass == pytest.approx(model.boards_kg, rel=0.02)
    assert forms >= {("corner", f) for f in ("butt", "mitre", "rebate", "tongue")}
    assert forms >= {("tee", f) for f in ("butt", "housed", "tongue")}
    assert laps >= 5


@pytest.mark.slow
def test_random_designs_fit(tmp_path: Path):
    for cabinet in buildable(6, seed=3):
        solids = rebuilt(cabinet, tmp_path)
        for j in joints(cabinet):
            if j.form != "lap":
                check_joint(cabinet, solids, j)
        check_apart(cabinet, solids, 5)


# --- laps, run-outs, measured boards --------------------------------------------------------------------------------


def crossing(*, tilt: float = 0.0, pocket: bool = False, form: str = "housed", **joinery: object) -> Cabinet:
    """The stand-mount's box with a shelf and a spine that pass through each other."""
    base = bare("stand-mount")
    hole = (Pocket(shape=Circle(centre=(150, 100), diameter=90)),) if pocket else ()
    braces = (
        Brace(name="shelf", normal="z", at=170, board="brace", pockets=hole, tilt_deg=tilt, tilt_about="y"),
        Brace(name="spine", normal="x", at=150, board="brace"),
    )
    return replace(
        base,
        braces=braces,
        drivers=(),
        openings=(),
        brace_joint=JointSpec(form=form),
        joinery=Joinery(**joinery),  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("form", ["butt", "housed", "tongue"])
@pytest.mark.parametrize("pocket", [False, True])
def test_a_lap_fits(tmp_path: Path, form: str, pocket: bool):
    cabinet = crossing(form=form, pocket=pocket)
    solids = rebuilt(cabinet, tmp_path)
    (lap,) = [j for j in joints(cabinet) if j.form == "lap"]
    check_apart(cabinet, solids)
    shelf, spine = (solids[n] for n in ("shelf", "spine"))
    for s, holder in ((lap.length * 0.2, "shelf"), (lap.length * 0.8, "spine")):
        if pocket and s < lap.length / 2:
            continue
        point = lap.at(s)
        a, b = (k.section(point, np.array([1.0, 0, 0]), np.array([0, 0, 1.0])) for k in (shelf, spine))
        through = LineString([(-30, 0), (30, 0)]) if holder == "spine" else LineString([(0, -30), (0, 30)])
        assert gaps(a, b, through) == pytest.approx([cabinet.joinery.clearance] * 2, abs=1e-6)
    # Less air than two clearances round each board, and the round ends of the slots.
    t = 18.0
    parts = {p.name: p.volume for p in drawings(cabinet)}
    whole = {p.name: p.volume for p in drawings(replace(cabinet, braces=cabinet.braces[:1]))}
    assert parts["shelf"] < whole["shelf"]
    if form == "butt" and not pocket:
        taken = (t + 0.15) * (lap.length / 2 + 3) - (4 - math.pi) * 9 / 2
        assert whole["shelf"] - parts["shelf"] == pytest.approx(taken * t, abs=1)


def test_a_lap_with_a_leaning_board_has_room_for_the_lean(tmp_path: Path):
    cabinet = crossing(tilt=8.0, form="butt")
    solids = rebuilt(cabinet, tmp_path)
    check_apart(cabinet, solids)
    slot = next(o for o in solids["spine"].part.operations if o.kind == "slot")
    lean = math.radians(8)
    width = min(slot.path.bounds[2] - slot.path.bounds[0], slot.path.bounds[3] - slot.path.bounds[1])
    assert width == pytest.approx(18 / math.cos(lean) + 18 * math.tan(lean) + 0.15, abs=1e-6)


def test_a_groove_that_is_not_stopped_runs_out_at_a_butt_joint_only(tmp_path: Path):
    cabinet = crossing(stopped=False)
    solids = rebuilt(cabinet, tmp_path)
    for j in joints(cabinet):
        if j.form != "lap":
            check_joint(cabinet, solids, j)
    check_apart(cabinet, solids)
    by_title = {j.title: j for j in joints(cabinet)}
    side, face = by_title["shelf into left"], by_title["shelf into front"]
    assert side.grooves == side.tongues == ((0.0, side.length),)
    assert face.grooves == ((4.0, face.length - 4.0),)
    groove = next(o for o in solids["left"].part.operations if o.name == "shelf")
    x0, _, x1, _ = groove.path.bounds
    assert x0 < 0 < solids["left"].part.size[0] < x1


def test_measured_boards_change_the_parts_and_keep_the_outside(tmp_path: Path):
    base = jointed("floorstander", "tongue", "housed")
    stocks = (Stock(board="carcass", thickness=21.6), Stock(board="brace", thickness=17.7))
    cabinet = replace(base, joinery=Joinery(stocks=stocks, clearance=0.1, glue_gap=0.7))
    solids = rebuilt(cabinet, tmp_path)
    assert {round(s.part.thickness, 9) for s in solids.values()} == {21.6, 17.7}
    assert solids["front"].part.size == (240, 1000)
    for j in joints(cabinet):
        check_joint(cabinet, solids, j)
    (groove,) = (o for o in solids["left"].part.operations if o.name == "floor")
    assert groove.depth == pytest.approx(5.9 + 0.7)
    check_apart(cabinet, solids, 7)
    # The model keeps the nominal board until the design says otherwise.
    assert account(cabinet).boards_kg == account(base).boards_kg


def test_joints_of_their_own_mix(tmp_path: Path):
    """A mitred ring of four panels, front and back rebated over it."""
    forms = {f"{a}-{b}": "mitre" for a in ("left", "right") for b in ("bottom", "top")}
    forms |= {f"{a}-{b}": "rebate" for a in ("front", "back") for b in ("left", "right", "bottom", "top")}
    base = bare("stand-mount")
    cabinet = replace(base, joint_overrides=tuple((k, JointSpec(form=f)) for k, f in forms.items()))
    solids = rebuilt(cabinet, tmp_path)
    for j in joints(cabinet):
        check_joint(cabinet, solids, j)
    check_apart(cabinet, solids)
