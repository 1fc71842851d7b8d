"""What a tuned cabinet must keep: each a smooth number with a name, 0 or more when kept.

Everything here comes from the design's geometry; nothing is meshed or solved, so a search may ask
as often as it likes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from itertools import combinations

import numpy as np
import shapely

from bracewright.design import layout
from bracewright.design.account import account
from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Brace, Cabinet
from bracewright.design.checks import MM_HINT, number
from bracewright.design.layout import Edge, PartLayout
from bracewright.errors import DesignError
from bracewright.tune.pockets import cut_names, inside_radius

PER_LITRE, PER_KG = 100.0, 100.0  # margins of volume and mass in hundredths, the size of the others in mm
UNITS = {
    "open_area": (1.0, "%"),
    "series": (1.0, "cm2"),
    "volume": (PER_LITRE, "l"),
    "mass": (PER_KG, "kg"),
}
KEPT = -1e-6  # mm or percent; a margin above this counts as kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What every tuned brace keeps. The defaults are common practice, no source.

    Parameters
    ----------
    web_wall : float
        Wood between a pocket and the brace's edge. Where the start has less, what the start has.
    web_between : float
        Wood between two pockets of a brace.
    brace_spacing : float
        Clear distance between the faces of parallel braces, and to the parallel panels.
    open_area_low_percent, open_area_high_percent : float
        Area of a brace's pockets over its area. Where the start is outside, the bound is the start.
    cutter_radius : float
        Smallest inside radius of a pocket.
    opening_gap : float
        Between a brace and the box around an opening and the driver in it. Where the start has less, what the start
        has.
    groove_left : float
        Wood of a panel under a brace's groove.
    foot_gap : float
        Between the foot of a brace on another brace and that one's pockets. Where the start has less, what it has.
    series_area_low_cm2 : float
        Open area of braces that stand over each other as one passage: areas in series add as 1/A^2 (the pressure drops
        of orifices add: from memory).
    volume_low_l, volume_high_l, mass_high_kg : float
        Net volume of all chambers, and mass with drivers.
    """

    web_wall: float = 30.0
    web_between: float = 25.0
    brace_spacing: float = 40.0
    open_area_low_percent: float = 45.0
    open_area_high_percent: float = 70.0
    cutter_radius: float = 6.0
    opening_gap: float = 10.0
    groove_left: float = 4.0
    foot_gap: float = 6.0
    series_area_low_cm2: float = 0.0
    volume_low_l: float = 0.0
    volume_high_l: float = math.inf
    mass_high_kg: float = math.inf

    def __post_init__(self) -> None:
        for f in fields(self):
            if getattr(self, f.name) == math.inf == f.default:
                continue
            unit = next((u for u in ("percent", "cm2", "l", "kg") if f.name.endswith(f"_{u}")), "")
            number(
                getattr(self, f.name),
                f"limits.{f.name}",
                low=0.0,
                high={"percent": 100.0, "": 1000.0}.get(unit, 1e5),
                hint=unit or MM_HINT,
            )
        if self.volume_low_l > self.volume_high_l:
            raise DesignError(
                f"the least volume {self.volume_low_l:g} l is above the most, {self.volume_high_l:g} l; swap them",
                key="limits.volume_low_l",
            )
        if self.open_area_low_percent > self.open_area_high_percent:
            raise DesignError(
                f"the lowest open area {self.open_area_low_percent:g} % is above the highest "
                f"{self.open_area_high_percent:g} %; swap them",
                key="limits.open_area_low_percent",
            )

    @classmethod
    def of(cls, cabinet: Cabinet) -> Limits:
        """Return the limits of a design's ``[tune]`` table, the defaults where it has none."""
        return cls(**dict(cabinet.tune.limits))

    @property
    def whole(self) -> bool:
        """Whether the cabinet as a whole must be weighed and filled."""
        return self.volume_low_l > 0 or self.volume_high_l < math.inf or self.mass_high_kg < math.inf

    @property
    def room(self) -> float:
        """What an opening without a driver takes up behind its panel: with the gap, the spacing from a wall."""
        return max(0.0, self.brace_spacing - self.opening_gap)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One constraint: an amount kept at or above a limit, or at or below it.

    Parameters
    ----------
    name : str
        Such as ``web.shelf.pocket 1.front`` or ``open_area.shelf.least``.
    amount : str
        The number of `amounts` it looks at.
    limit : float
        mm, or percent of area.
    sign : float
        1 keeps the amount at or above the limit, -1 at or below.
    """

    name: str
    amount: str
    limit: float
    sign: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Limits made out for one starting cabinet.

    Parameters
    ----------
    rules : tuple of Rule
    pairs : tuple of (lower, upper)
        Parallel braces over each other, in the order they keep.
    limits : Limits
    """

    rules: tuple[Rule, ...]
    pairs: tuple[tuple[str, str], ...]
    limits: Limits

    @classmethod
    def of(cls, start: Cabinet, limits: Limits | None = None) -> Rules:
        """Make limits out for a start: webs, open areas and gaps to openings ask for no more than it has."""
        limits = limits or Limits()
        pairs = tuple(stacked(start))
        rules: list[Rule] = []
        for name, value in amounts(start, pairs, limits.room, whole=limits.whole).items():
            rules += _rules(name, value, limits)
        return cls(rules=tuple(rules), pairs=pairs, limits=limits)

    def margins(self, cabinet: Cabinet) -> dict[str, float]:
        """Return what is left of every constraint by name, mm or percent; negative where broken.

        An edge the start had not (a tilted brace reaching another panel) joins with the plain limit, one that is gone
        asks for nothing.
        """
        found = amounts(cabinet, self.pairs, self.limits.room, whole=self.limits.whole)
        known = {r.amount for r in self.rules}
        new = [r for name in found if name not in known for r in _rules(name, math.inf, self.limits)]
        return {r.name: r.sign * (found[r.amount] - r.limit) for r in (*self.rules, *new) if r.amount in found}

    def broken(self, cabinet: Cabinet) -> dict[str, float]:
        """Return the constraints a cabinet breaks and by how much (> 0), the worst first."""
        short = {name: -m for name, m in self.margins(cabinet).items() if m < KEPT}
        return dict(sorted(short.items(), key=lambda item: -item[1]))


def _rules(name: str, start: float, limits: Limits) -> list[Rule]:
    """Constraints on one amount; `start` relaxes those that a start may fall short of."""
    kind = name.split(".", 1)[0]
    if kind == "volume":
        ends = [("least", limits.volume_low_l, 1.0), ("most", limits.volume_high_l, -1.0)]
        return [
            Rule(name=f"volume.{word}", amount=name, limit=PER_LITRE * end, sign=sign)
            for word, end, sign in ends
            if 0 < end < math.inf
        ]
    if kind == "mass":
        most = PER_KG * limits.mass_high_kg
        return [Rule(name="mass.most", amount=name, limit=most, sign=-1.0)] if most < math.inf else []
    if kind == "series":
        return [Rule(name=name, amount=name, limit=limits.series_area_low_cm2)] if limits.series_area_low_cm2 else []
    if kind == "open_area":
        low, high = limits.open_area_low_percent, limits.open_area_high_percent
        return [
            Rule(name=f"{name}.least", amount=name, limit=min(low, start)),
            Rule(name=f"{name}.most", amount=name, limit=max(high, start) if math.isfinite(start) else high, sign=-1.0),
        ]
    limit = {
        "web": min(limits.web_wall, start),
        "between": limits.web_between,
        "spacing": limits.brace_spacing,
        "radius": limits.cutter_radius,
        "opening": min(limits.opening_gap, start),
        "groove": min(limits.groove_left, start),
        "foot": min(limits.foot_gap, start),
    }[kind]
    return [Rule(name=name, amount=name, limit=limit)]


def amounts(
    cabinet: Cabinet, pairs: tuple[tuple[str, str], ...], room: float = 30.0, *, whole: bool = True
) -> dict[str, float]:
    """Measure a cabinet.

    Parameters
    ----------
    cabinet : Cabinet
    pairs : tuple of (lower, upper)
        Braces whose clear distance is wanted; negative when they have changed places.
    room : float
        What an opening without a driver takes up behind its panel, mm.
    whole : bool
        Whether to weigh it and fill it, which takes longest.

    Returns
    -------
    dict
        ``web.BRACE.POCKET.PART``, ``between.BRACE.POCKET.POCKET``, ``radius.BRACE.POCKET``, ``spacing.LOWER.UPPER``,
        ``groove.BRACE.PART``, ``foot.BRACE.BRACE.POCKET`` and ``opening.BRACE.OPENING`` in mm, ``open_area.BRACE`` in
        percent, ``series.AXIS`` in cm2, ``volume`` and ``mass`` in hundredths of a litre and of a kilogram.
    """
    parts = layout.layouts(cabinet)
    out: dict[str, float] = {}
    for brace in cabinet.braces:
        out |= _pocket_amounts(brace, parts[brace.name])
        out |= _opening_amounts(cabinet, parts[brace.name], room)
    for lower, upper in pairs:
        a, b = parts[lower], parts[upper]
        out[f"spacing.{lower}.{upper}"] = _rise(cabinet, a, b) - (a.thickness + b.thickness) / 2
    out |= _passages(cabinet, parts) | _grooves(cabinet, parts)
    if whole:
        found = account(cabinet)
        out["volume"], out["mass"] = PER_LITRE * found.net_volume_l, PER_KG * found.mass_kg
    return out


def _grooves(cabinet: Cabinet, parts: Mapping[str, PartLayout]) -> dict[str, float]:
    """Wood of a panel left under the groove that takes a brace, and beside a brace's foot on another brace."""
    out: dict[str, float] = {}
    for brace in cabinet.braces:
        for edge in parts[brace.name].edges:
            if edge.part not in PANELS:
                out |= _foot_gaps(cabinet, parts[brace.name], edge, parts[edge.part])
            spec = cabinet.joint_between(brace.name, edge.part)
            if edge.part in PANELS and spec.form in ("housed", "tongue", "rebate"):
                thickness = parts[edge.part].thickness
                out[f"groove.{brace.name}.{edge.part}"] = thickness - (spec.depth or thickness / 3)
    return out


def _foot_gaps(cabinet: Cabinet, lay: PartLayout, edge: Edge, other: PartLayout) -> dict[str, float]:
    """Distance from a brace's foot to the pockets of the brace it stands on; negative over a pocket."""
    ends = lay.frame.to_space(np.array([edge.start, edge.end]))
    line = shapely.LineString(other.frame.to_plane(ends))
    skew = float(np.linalg.norm(np.cross(lay.frame.e3, other.frame.e3)))
    out = {}
    names = cut_names(cabinet.brace(other.name))
    for name, (_, path) in zip(names, other.cuts, strict=True):
        hole = path.polygon()
        apart = float(line.distance(hole))
        if not apart:  # how far the line is inside, so that the number stays smooth
            apart = -float(line.intersection(hole).length) / 2
        out[f"foot.{lay.name}.{other.name}.{name}"] = apart - lay.thickness / 2 / max(skew, 0.3)
    return out


def _passages(cabinet: Cabinet, parts: Mapping[str, PartLayout]) -> dict[str, float]:
    """Open area in series of the braces across each axis, cm2."""
    out = {}
    for axis in AXES:
        areas = [
            sum(path.area for _, path in parts[b.name].cuts) / 100
            for b in cabinet.braces
            if b.normal == axis and b.pockets
        ]
        if areas:
            out[f"series.{axis}"] = float(np.sum(np.array(areas) ** -2.0) ** -0.5)
    return out


def _pocket_amounts(brace: Brace, lay: PartLayout) -> dict[str, float]:
    out: dict[str, float] = {}
    if not brace.pockets:
        return out
    names = cut_names(brace)
    shapes = [path.polygon() for _, path in lay.cuts]
    for name, shape, pocket in zip(names, shapes, brace.pockets, strict=True):
        points = shapely.get_coordinates(shape)
        for edge in lay.edges:
            start, along = np.array(edge.start), np.subtract(edge.end, edge.start)
            inward = np.array([-along[1], along[0]]) / np.hypot(*along)
            web = float(((points - start) @ inward).min())
            key = f"web.{brace.name}.{name}.{edge.part}"
            out[key] = min(web, out.get(key, math.inf))
        out[f"radius.{brace.name}.{name}"] = inside_radius(pocket.shape)
    for (a, first), (b, second) in combinations(zip(names, shapes, strict=True), 2):
        out[f"between.{brace.name}.{a}.{b}"] = float(first.distance(second))
    area = sum(path.area for _, path in lay.cuts)
    out[f"open_area.{brace.name}"] = 100.0 * area / float(lay.outline().area)
    return out


def _opening_amounts(cabinet: Cabinet, lay: PartLayout, room: float) -> dict[str, float]:
    """Distance of a brace from the box around each opening and what sits in it, along the axis that parts them best.

    The box runs in from the outside to the driver's depth, and at least `room` mm behind the panel. Pockets do not
    count. Negative where the two lie in each other.
    """
    flat = lay.frame.to_space(lay.corners)
    brace = np.concatenate([flat - lay.frame.e3 * lay.thickness / 2, flat + lay.frame.e3 * lay.thickness / 2])
    depths = {d.opening: d.depth for d in cabinet.drivers}
    out: dict[str, float] = {}
    for opening in cabinet.openings:
        normal = PANEL_NORMAL[opening.panel]
        inward = np.eye(3)[AXES.index(normal)] * (1.0 if opening.panel in LOWER_PANELS else -1.0)
        thickness = cabinet.part_board(opening.panel).thickness
        depth = max(depths.get(opening.name, 0.0), thickness + room)
        x0, y0, x1, y1 = opening.shape.outline().bounds
        rim = layout.frame_of(cabinet, opening.panel).to_space(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))
        rim = rim - inward * thickness / 2
        body = np.concatenate([rim, rim + inward * depth])
        axes = np.vstack([np.eye(3), lay.frame.e3])
        a, b = brace @ axes.T, body @ axes.T
        gaps = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
        out[f"opening.{lay.name}.{opening.name}"] = float(gaps.max())
    return out


def stacked(cabinet: Cabinet) -> list[tuple[str, str]]:
    """Return every (lower, upper) pair of parallel braces that lie over each other."""
    parts = layout.layouts(cabinet)
    out = []
    for a, b in combinations([x for x in parts if x not in PANELS], 2):
        fa, fb = parts[a].frame, parts[b].frame
        if abs(float(fa.e3 @ fb.e3)) < 1 - 1e-9:
            continue
        other = shapely.Polygon(fa.to_plane(fb.to_space(parts[b].corners)))
        if parts[a].outline().intersection(other).area > 1.0:
            out.append((a, b) if _rise(cabinet, parts[a], parts[b]) >= 0 else (b, a))
    return out


def _rise(cabinet: Cabinet, a: PartLayout, b: PartLayout) -> float:
    """Distance from one parallel brace's mid-plane to another's, along the axis the first stands across."""
    axis = AXES.index(cabinet.brace(a.name).normal)
    return float(a.frame.e3 @ (b.frame.origin - a.frame.origin)) * math.copysign(1.0, a.frame.e3[axis])


def told(broken: Mapping[str, float]) -> str:
    """Return broken constraints as words: names and by how much."""
    return ", ".join(
        f"{name} by {short / scale:.3g} {unit}"
        for name, short in broken.items()
        for scale, unit in [UNITS.get(name.split(".")[0], (1.0, "mm"))]
    )
