"""The account of a cabinet: parts, mass, volume and clearances, from its exact geometry and not from a mesh."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright import geometry
from bracewright.boards import Board
from bracewright.design import layout as lay
from bracewright.design.cabinet import AXES, PANELS, Cabinet
from bracewright.design.chambers import Chamber, chambers
from bracewright.design.clearances import Clearance, Wanted, clearances
from bracewright.design.mounted import Damping
from bracewright.design.panels import butt_bounds, outward
from bracewright.design.solid import Slab, slabs
from bracewright.geometry import Point

Vec = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartAccount:
    """One board: name, board and thickness; size along its two in-plane axes; mass; centre of mass (x, y, z)."""

    name: str
    board: str
    thickness: float
    size: tuple[float, float]
    mass_kg: float
    centre: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A damping sheet on a part: its mass, centre (x, y, z) and volume; feet of braces on it are not cut out."""

    part: str
    mass_kg: float
    centre: tuple[float, float, float]
    volume_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BraceAccount:
    """How open a brace is (pockets over the whole inner section), and how much of its edge has no wood to rest on."""

    name: str
    open_fraction: float
    edge: float
    unsupported: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What a cabinet weighs, holds and leaves free.

    Attributes
    ----------
    name : str
    size : (width, depth, height)
        Outer sizes, mm.
    parts : tuple of PartAccount
        Panels first. Panels butt: front and back cover the whole cabinet, left and right stand between them, bottom
        and top lie between all four. Wood where two braces cross counts to the one the design lists first.
    drivers : dict of float
        Mass of each driver by its opening, kg.
    sheets : tuple of Sheet
        Damping sheets.
    boards_kg, mass_kg : float
        Wood alone, and with drivers and damping sheets.
    centre : (x, y, z)
        Centre of mass, drivers taken at the middle of their panel's thickness, mm.
    inner_volume_l, net_volume_l : float
        Between the panels; and less braces, drivers and damping sheets, over all chambers.
    chambers : tuple of Chamber
    braces : tuple of BraceAccount
    clearances : tuple of Clearance
    """

    name: str
    size: tuple[float, float, float]
    parts: tuple[PartAccount, ...]
    drivers: dict[str, float]
    sheets: tuple[Sheet, ...]
    boards_kg: float
    mass_kg: float
    centre: tuple[float, float, float]
    inner_volume_l: float
    net_volume_l: float
    chambers: tuple[Chamber, ...]
    braces: tuple[BraceAccount, ...]
    clearances: tuple[Clearance, ...]
    wanted: Wanted = field(default_factory=Wanted)

    @property
    def warnings(self) -> tuple[Clearance, ...]:
        """Clearances smaller than wanted."""
        return tuple(c for c in self.clearances if not c.ok)

    def to_table(self) -> dict[str, object]:
        """Return plain tables, ready for JSON."""
        table = asdict(self)
        table["clearances"] = [{**asdict(c), "ok": c.ok} for c in self.clearances]
        return table

    def text(self) -> str:
        """Return the account as plain text to read."""
        return "\n".join(_lines(self)) + "\n"


def account(cabinet: Cabinet, wanted: Wanted | None = None) -> Account:
    """Return the account of a cabinet.

    Parameters
    ----------
    cabinet : Cabinet
    wanted : Wanted, optional
        Least clearances wanted.
    """
    wanted = wanted or Wanted()
    parts = (*(_panel(cabinet, side) for side in PANELS), *_braces(cabinet))
    sheets = tuple(_sheet(cabinet, d) for d in cabinet.damping)
    weighed = [(p.mass_kg, p.centre) for p in parts] + [(s.mass_kg, s.centre) for s in sheets]
    weighed += [(d.mass_kg, _driver_centre(cabinet, d.opening)) for d in cabinet.drivers]
    total = float(sum(mass for mass, _ in weighed))
    x, y, z = (sum((mass * np.array(centre) for mass, centre in weighed), np.zeros(3)) / total).tolist()
    rooms = chambers(cabinet)
    return Account(
        name=cabinet.name,
        size=(cabinet.width, cabinet.depth, cabinet.height),
        parts=parts,
        drivers={d.opening: d.mass_kg for d in cabinet.drivers},
        sheets=sheets,
        boards_kg=float(sum(p.mass_kg for p in parts)),
        mass_kg=total,
        centre=(x, y, z),
        inner_volume_l=float(np.prod(_inner_size(cabinet))) / 1e6,
        net_volume_l=sum(c.net_volume_l for c in rooms) - sum(s.volume_l for s in sheets),
        chambers=rooms,
        braces=tuple(_brace_account(cabinet, b.name) for b in cabinet.braces),
        clearances=tuple(clearances(cabinet, wanted)),
        wanted=wanted,
    )


def _inner_size(cabinet: Cabinet) -> Vec:
    return np.array([np.diff([lay.inner_face(cabinet, s) for s in lay.sides(axis)])[0] for axis in AXES])


def _without(whole: tuple[float, Vec], holes: list[tuple[float, Vec]]) -> tuple[float, Vec]:
    """Return volume and centroid of a whole less its holes, each (volume, centroid)."""
    volume = whole[0] - sum(h for h, _ in holes)
    first = whole[0] * whole[1] - sum((h * c for h, c in holes), np.zeros_like(whole[1]))
    return volume, first / volume


def _panel(cabinet: Cabinet, side: str) -> PartAccount:
    a0, a1, b0, b1 = butt_bounds(cabinet, side)
    frame, board = lay.frame_of(cabinet, side), cabinet.part_board(side)
    out, t = outward(side), board.thickness

    def solid(area: float, centroid: Point, depth: float) -> tuple[float, Vec]:
        """Volume and centroid of what goes so deep from the outer face."""
        return area * depth, frame.to_space(np.array([centroid]))[0] + (t - depth) / 2 * out

    holes = []
    for o in (o for o in cabinet.openings if o.panel == side):
        cut = o.shape.outline()
        holes.append(solid(cut.area, cut.centroid, t))
        if o.rebate:
            step = o.rebate.outline(cut)
            holes += [solid(step.area, step.centroid, o.rebate.depth), solid(-cut.area, cut.centroid, o.rebate.depth)]
    volume, centre = _without(solid((a1 - a0) * (b1 - b0), ((a0 + a1) / 2, (b0 + b1) / 2), t), holes)
    x, y, z = (centre + _lean(board) * out).tolist()
    return PartAccount(
        name=side,
        board=board.name,
        thickness=board.thickness,
        size=(a1 - a0, b1 - b0),
        mass_kg=board.mass_kg_m2 * volume / t / 1e6,
        centre=(x, y, z),
    )


def _braces(cabinet: Cabinet) -> Iterator[PartAccount]:
    for k, slab in enumerate(slabs(cabinet)):
        f, board = slab.frame, cabinet.part_board(slab.name)
        holes = [(p.area * slab.thickness, f.to_space(np.array([p.centroid]))[0]) for _, p in slab.pockets]
        holes += _shared(slab, slabs(cabinet)[:k])
        volume, centre = _without(slab.cell.moments, holes)
        normal = np.eye(3)[AXES.index(cabinet.brace(slab.name).normal)]
        x, y, z = (centre + _lean(board) * f.e3 * np.sign(f.e3 @ normal)).tolist()
        (a0, b0), (a1, b1) = (getattr(lay.layouts(cabinet)[slab.name].corners, m)(axis=0) for m in ("min", "max"))
        yield PartAccount(
            name=slab.name,
            board=board.name,
            thickness=board.thickness,
            size=(float(a1 - a0), float(b1 - b0)),
            mass_kg=board.mass_kg_m2 * volume / slab.thickness / 1e6,
            centre=(x, y, z),
        )


def _shared(slab: Slab, earlier: tuple[Slab, ...]) -> list[tuple[float, Vec]]:
    """Return (volume, centroid) of a brace's wood that lies in earlier braces, level by level."""
    others = [o for o in earlier if slab.cell.split(o.cell.halfspaces)[0] is not None]
    out: list[tuple[float, Vec]] = []
    for level, share in slab.levels() if others else ():
        taken = slab.wood(level).intersection(shapely.union_all([o.wood(level) for o in others]))
        if taken.area > 0:
            centre = level.to_space(np.array([taken.centroid.coords[0]]))[0]
            out.append((taken.area * share, centre))
    return out


def _lean(board: Board) -> float:
    """Return how far a board's centre of mass lies from its middle, towards its last layer, mm."""
    t = np.array([k.thickness for k in board.layers])
    weight = t * np.array([k.density_kg_m3 for k in board.layers])
    middle = np.cumsum(t) - t / 2 - t.sum() / 2
    return float(weight @ middle / weight.sum())


def _sheet(cabinet: Cabinet, damping: Damping) -> Sheet:
    part = lay.layouts(cabinet)[damping.part]
    area = lay.covered(lay.region(part, geometry.FINE), damping)
    # On a panel's inside; on a brace's side towards larger coordinates.
    panel = part.name in PANELS
    side = -outward(part.name) if panel else np.eye(3)[AXES.index(cabinet.brace(part.name).normal)]
    layers = np.array([damping.thickness, damping.cover_thickness])
    weight = layers * [damping.density_kg_m3, damping.cover_density_kg_m3]
    out = part.thickness / 2 + weight @ (np.cumsum(layers) - layers / 2) / weight.sum()
    away = part.frame.e3 * np.sign(part.frame.e3 @ side) * out
    middle = area.centroid
    x, y, z = (part.frame.to_space(np.array([(middle.x, middle.y)]))[0] + away).tolist()
    return Sheet(
        part=part.name,
        mass_kg=float(area.area * weight.sum() / 1e9),
        centre=(x, y, z),
        volume_l=float(area.area * layers.sum() / 1e6),
    )


def _driver_centre(cabinet: Cabinet, opening: str) -> tuple[float, float, float]:
    o = cabinet.opening(opening)
    x, y, z = lay.frame_of(cabinet, o.panel).to_space(np.array([o.shape.outline().centroid]))[0].tolist()
    return x, y, z


def _brace_account(cabinet: Cabinet, name: str) -> BraceAccount:
    part = lay.layouts(cabinet)[name]
    edge, bare = 0.0, 0.0
    for e in part.edges:
        ends = part.frame.to_space(np.array([e.start, e.end]))
        neighbour = lay.layouts(cabinet)[e.part]
        line = shapely.LineString(neighbour.frame.to_plane(ends))
        edge += line.length
        bare += sum(line.intersection(path.polygon(geometry.FINE)).length for _, path in neighbour.cuts)
    area = float(part.outline().area)
    return BraceAccount(
        name=name, open_fraction=sum(path.area for _, path in part.cuts) / area, edge=edge, unsupported=bare
    )


def _point(p: Point | tuple[float, float, float]) -> str:
    return ", ".join(f"{v:.0f}" for v in p)


def _lines(a: Account) -> Iterator[str]:
    width, depth, height = a.size
    yield f"{a.name}: {width:g} x {depth:g} x {height:g} mm"
    yield ""
    wide = max(len(p.name) for p in a.parts)
    board = max(len(p.board) for p in a.parts)
    yield f"{'part':{wide}}  {'board':{board}}  thickness        size, mm   mass, kg   centre of mass, mm"
    for p in a.parts:
        size = f"{p.size[0]:.1f} x {p.size[1]:.1f}"
        columns = f"{p.thickness:9.4g}  {size:>14}  {p.mass_kg:9.3f}   {_point(p.centre)}"
        yield f"{p.name:{wide}}  {p.board:{board}}  {columns}"
    for name, mass in a.drivers.items():
        yield f"driver in {name}: {mass:.3f} kg"
    for sheet in a.sheets:
        yield f"damping sheet on {sheet.part}: {sheet.mass_kg:.3f} kg, {sheet.volume_l:.2f} l"
    added = "drivers and damping" if a.sheets else "drivers"
    yield f"boards {a.boards_kg:.3f} kg, with {added} {a.mass_kg:.3f} kg; centre of mass {_point(a.centre)}"
    yield ""
    yield f"inner volume {a.inner_volume_l:.2f} l, net {a.net_volume_l:.2f} l"
    if len(a.chambers) > 1:
        for k, c in enumerate(a.chambers, 1):
            behind = f", behind {' and '.join(c.drivers)}" if c.drivers else ""
            yield f"  chamber {k}: net {c.net_volume_l:.2f} l, from {_point(c.low)} to {_point(c.high)}{behind}"
    if a.braces:
        yield ""
        for b in a.braces:
            kind = f"{100 * b.open_fraction:.0f} % open" if b.open_fraction else "a partition"
            bare = f", {b.unsupported:.0f} of it over openings or pockets" if b.unsupported > 0.5 else ""
            yield f"{b.name}: {kind}, {b.edge:.0f} mm of edge to glue{bare}"
    if a.clearances:
        yield ""
        wide = max(len(f"{c.where}: {c.what}") for c in a.clearances)
        yield f"{'clearances, mm':{wide + 2}}   have   want"
        for gap in a.clearances:
            mark = "" if gap.ok else "   too small"
            yield f"  {f'{gap.where}: {gap.what}':{wide}} {gap.distance:6.1f} {gap.wanted:6.1f}{mark}"
