"""Parts laid out on sheets: kerf between them, edges trimmed, grain along the sheet.

The packing of rectangles is that of ``rectangle-packer`` (MIT).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError
from bracewright.geometry import Path
from bracewright.make.joinery import as_measured
from bracewright.make.parts import PartDrawing, plain

UNIT = 10  # of the packer, per mm: it counts in whole numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A part on a sheet.

    Parameters
    ----------
    part : str
    at : (float, float)
        Lower left corner of its place on the sheet, mm.
    size : (float, float)
        Of the place, along the sheet's length and width: its blank, and room for cuts that run over its edges.
    turn_deg : float
        The part is turned counter-clockwise so much, after it is turned over where that is needed.
    turned_over : bool
        Whether the far face lies up: where most of what is not cut through is cut from there.
    """

    part: str
    at: tuple[float, float]
    size: tuple[float, float]
    turn_deg: float
    turned_over: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet with its parts; x runs along the grain.

    Parameters
    ----------
    board : str
    number : int
        Counted from 1 for each board.
    size : (float, float)
    thickness : float
    placements : tuple of Placement
    used : float
        Area of the finished parts over that of the sheet.
    cost : float
        Of the sheet; 0 where the design gives none.
    """

    board: str
    number: int
    size: tuple[float, float]
    thickness: float
    placements: tuple[Placement, ...]
    used: float
    cost: float

    @property
    def title(self) -> str:
        """Name for people and files."""
        return f"sheet {self.number} {self.board}"


@dataclass(frozen=True, slots=True)
class _Blank:
    part: PartDrawing
    size: tuple[float, float]  # along the grain, across it, with what cuts run over
    may_turn: bool


def nest(cabinet: Cabinet, parts: Iterable[PartDrawing]) -> tuple[Sheet, ...]:
    """Lay parts out on as many sheets as it takes, board by board.

    Raises
    ------
    DesignError
        A part is larger than its sheet.
    """
    cabinet = as_measured(cabinet)
    groups: dict[str, list[PartDrawing]] = {}
    for p in parts:
        groups.setdefault(p.board, []).extend([p] * p.quantity)
    return tuple(sheet for board, group in groups.items() for sheet in _sheets(cabinet, board, group))


def has_grain(cabinet: Cabinet, board: str) -> bool:
    """Whether it matters how a part of the board lies on the sheet."""
    return any(k.E1_GPa != k.E2_GPa for k in cabinet.board(board).layers)


def blank_size(part: PartDrawing) -> tuple[float, float]:
    """Return the sizes of a part's smallest upright blank along and across the grain, mm."""
    x0, y0, x1, y1 = part.outline.rotated(-part.grain_deg).bounds
    return round(x1 - x0, 6), round(y1 - y0, 6)


def _reach(paths: Sequence[Path], oversize: float) -> tuple[float, float, float, float]:
    """Return the bounds of an outline, enlarged to its blank, and of the cuts that run over it."""
    half = oversize / 2
    boxes = [p.bounds for p in paths]
    boxes[0] = (boxes[0][0] - half, boxes[0][1] - half, boxes[0][2] + half, boxes[0][3] + half)
    low, high = zip(*((b[:2], b[2:]) for b in boxes), strict=True)
    return min(x for x, _ in low), min(y for _, y in low), max(x for x, _ in high), max(y for _, y in high)


def _place_size(part: PartDrawing, oversize: float) -> tuple[float, float]:
    x0, y0, x1, y1 = _reach([o.path.rotated(-part.grain_deg) for o in part.operations], oversize)
    return round(x1 - x0, 6), round(y1 - y0, 6)


def _sheets(cabinet: Cabinet, board: str, group: Sequence[PartDrawing]) -> list[Sheet]:
    joinery = cabinet.joinery
    stock = joinery.stock(board)
    length, width = stock.sheet
    room = (length - 2 * joinery.trim, width - 2 * joinery.trim)
    may_turn = not has_grain(cabinet, board)
    blanks = []
    for p in group:
        a, b = _place_size(p, joinery.oversize)
        fits = (a <= room[0] and b <= room[1]) or (may_turn and b <= room[0] and a <= room[1])
        if not fits:
            along = "" if may_turn else " along and across the grain"
            raise DesignError(
                f"its blank with the cuts that run over it, {plain(a)} x {plain(b)}{along}, does not fit on a sheet of "
                f"{length:g} x {width:g} with "
                f"{joinery.trim:g} trimmed off each edge; give joinery.boards.{board}.sheet a larger size, or divide "
                "the part",
                key=p.name,
            )
        blanks.append(_Blank(p, (a, b), may_turn))
    # Large ones first; each goes on the first sheet that still takes it.
    blanks.sort(key=lambda k: (-k.size[0] * k.size[1], k.part.name))
    stacks: list[list[tuple[_Blank, bool]]] = []
    layouts: list[list[tuple[int, int]]] = []
    for blank in blanks:
        for k in range(len(stacks) + 1):
            if k == len(stacks):
                stacks.append([])
                layouts.append([])
            found = _added(stacks[k], blank, room, joinery.kerf)
            if found is not None:
                stacks[k], layouts[k] = found
                break
    cost = stock.cost or (cabinet.board(board).cost_per_m2 or 0.0) * length * width / 1e6
    out = []
    for number, (stack, spots) in enumerate(zip(stacks, layouts, strict=True), 1):
        placements = tuple(
            _placement(b, turned, spot, joinery.trim) for (b, turned), spot in zip(stack, spots, strict=True)
        )
        area = math.fsum(b.part.outline.area for b, _ in stack)
        out.append(
            Sheet(
                board=board,
                number=number,
                size=(length, width),
                thickness=stack[0][0].part.thickness,
                placements=placements,
                used=area / (length * width),
                cost=cost,
            )
        )
    return out


def _added(
    stack: list[tuple[_Blank, bool]], blank: _Blank, room: tuple[float, float], kerf: float
) -> tuple[list[tuple[_Blank, bool]], list[tuple[int, int]]] | None:
    """Return a stack with one more blank and where all lie, or None if it does not fit."""
    import rpack

    # The last part of a row needs no kerf beside it.
    limits = [math.floor((r + kerf) * UNIT) for r in room]
    for turned in (False, True) if blank.may_turn else (False,):
        trial = [*stack, (blank, turned)]
        sizes = [tuple(math.ceil((s + kerf) * UNIT - 1e-6) for s in (b.size[::-1] if t else b.size)) for b, t in trial]
        try:
            return trial, rpack.pack(sizes, max_width=limits[0], max_height=limits[1])
        except rpack.PackingImpossibleError:
            continue
    return None


def _placement(blank: _Blank, turned: bool, spot: tuple[int, int], trim: float) -> Placement:
    part = blank.part
    blind = [o.side for o in part.operations if o.kind in ("groove", "rebate", "mark")]
    over = blind.count("far") > blind.count("near")
    # Turned over about its own y axis, a part's grain runs the other way.
    grain = 180.0 - part.grain_deg if over else part.grain_deg
    return Placement(
        part=part.name,
        at=(trim + spot[0] / UNIT, trim + spot[1] / UNIT),
        size=blank.size[::-1] if turned else blank.size,
        turn_deg=(90.0 if turned else 0.0) - grain,
        turned_over=over,
    )


def placed(part: PartDrawing, placement: Placement, oversize: float) -> list[tuple[str, float, str, str, Path]]:
    """Return the cuts of a part where it lies on its sheet: (kind, depth, face, name, path).

    The face is ``through``, ``upper`` or ``under``, as the part lies.
    """

    def turned(path: Path) -> Path:
        return (path.mirrored_x() if placement.turned_over else path).rotated(placement.turn_deg)

    x0, y0, _, _ = _reach([turned(o.path) for o in part.operations], oversize)
    dx, dy = (a - c for a, c in zip(placement.at, (x0, y0), strict=True))
    up = "far" if placement.turned_over else "near"
    out = []
    for o in part.operations:
        face = "through" if o.side == "through" else "upper" if o.side == up else "under"
        path = turned(o.path).translated(dx, dy)
        vertices = tuple((round(x, 9) + 0.0, round(y, 9) + 0.0, b) for x, y, b in path.vertices)
        out.append((o.kind, o.depth, face, o.name, Path(vertices=vertices)))
    return out
