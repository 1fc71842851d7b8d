"""How the parts are cut: fits, cutters, sheets, and the boards as they were measured.

The defaults are common practice, no source. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from bracewright import geometry
from bracewright.design.checks import changed, known_keys, length, number, table, text
from bracewright.errors import DesignError
from bracewright.geometry import Path

# mm of wood between a cut and the outside, under a cut, or between a groove and a pocket: common practice, no source.
LEAST_WALL = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebate:
    """A step round an opening, cut from the panel's outer face, that takes in a driver's frame.

    It counts in mass and cut files; the plate model leaves the panel its full thickness there.

    Parameters
    ----------
    depth : float
    diameter : float
        Of a round rebate about the opening's centroid.
    offset : float
        Or the distance from the opening's edge, all round. One of the two is given.
    """

    depth: float
    diameter: float = 0.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        length(self.depth, "depth", low=0.2, high=60.0)
        length(self.diameter, "diameter", low=0.0, high=5000.0)
        length(self.offset, "offset", low=0.0, high=500.0)
        if bool(self.diameter) == bool(self.offset):
            raise DesignError("give either its diameter or its offset from the opening", key="diameter")

    def outline(self, opening: Path) -> Path:
        """Return its edge round an opening.

        Raises
        ------
        DesignError
            It does not go all round the opening.
        """
        if self.offset:
            return geometry.offset(opening.oriented(), self.offset)
        path = geometry.circle(opening.centroid, self.diameter)
        wood = geometry.web(path, opening)
        if wood <= 0:
            raise DesignError(
                f"got {self.diameter:g}, and the opening reaches {-wood:.3g} beyond it; make it more than "
                f"{self.diameter - 2 * wood:.4g}",
                key="diameter",
            )
        return path

    @classmethod
    def from_table(cls, value: object) -> Rebate:
        """Read the table ``rebate`` of an opening."""
        t: dict[str, Any] = dict(table(value, ""))
        known_keys(t, ("depth", "diameter", "offset"), required=("depth",))
        return cls(**t)

    def to_table(self) -> dict[str, object]:
        """Return the table of a design file."""
        return {f.name: v for f in fields(self) if (v := getattr(self, f.name))}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """A board as it lies in the workshop.

    Parameters
    ----------
    board : str
        Name of the board in the design.
    thickness : float
        As measured; 0 takes the design's.
    sheet : (float, float)
        Length (along the grain) and width of a whole sheet; zeros take the common one.
    cost : float
        Of a sheet, in any one currency; 0 takes the board's ``cost_per_m2``, if it has one.
    """

    board: str
    thickness: float = 0.0
    sheet: tuple[float, float] = (0.0, 0.0)
    cost: float = 0.0

    def __post_init__(self) -> None:
        text(self.board, "board")
        length(self.thickness, "thickness", low=0.0, high=300.0)
        _sheet(self.sheet, low=100.0 if self.sheet != (0.0, 0.0) else 0.0)
        number(self.cost, "cost", low=0.0, high=1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Joinery:
    """The workshop's side of a design; it changes no mode and no volume of the model.

    Parameters
    ----------
    clearance : float
        Room on each side of a tongue, a housed board or a lap. Enough to push together by hand; glue swells it.
    glue_gap : float
        Room at the bottom of a groove for glue that has nowhere else to go.
    stopped : bool
        Whether a groove ends short of the board's edge. Else it runs out where the board ends in a butt joint.
    cutter : float
        Diameter of the cutter for outlines, openings, pockets, rebates and slots.
    groove_cutter : float
        Diameter of the cutter for grooves; 0 takes the largest common one that fits and is no larger than `cutter`.
    guide_bush : float
        Outer diameter of the guide bush for routing along a template by hand.
    template : float
        Thickness of the template.
    sheet : (float, float)
        Length (along the grain) and width of a whole sheet.
    kerf : float
        Lost between two parts on a sheet.
    trim : float
        Taken off each edge of a sheet.
    oversize : float
        Added to each size of a blank in the cut list, for trimming.
    stocks : tuple of Stock
        Boards that differ from the above.
    """

    clearance: float = 0.075
    glue_gap: float = 0.5
    stopped: bool = True
    cutter: float = 6.0
    groove_cutter: float = 0.0
    guide_bush: float = 17.0
    template: float = 9.0
    sheet: tuple[float, float] = (2440.0, 1220.0)
    kerf: float = 3.2
    trim: float = 10.0
    oversize: float = 3.0
    stocks: tuple[Stock, ...] = ()

    def __post_init__(self) -> None:
        length(self.clearance, "clearance", low=0.0, high=1.0)
        length(self.glue_gap, "glue_gap", low=0.0, high=5.0)
        if not isinstance(self.stopped, bool):
            raise DesignError(f"got {self.stopped!r}; give true or false", key="stopped")
        length(self.cutter, "cutter", low=0.5, high=50.0)
        length(self.groove_cutter, "groove_cutter", low=0.0, high=50.0)
        length(self.guide_bush, "guide_bush", low=3.0, high=100.0)
        if self.guide_bush <= self.cutter:
            raise DesignError(
                f"got {self.guide_bush:g}, but the cutter of {self.cutter:g} must pass through it; give a larger one",
                key="guide_bush",
            )
        length(self.template, "template", low=3.0, high=50.0)
        _sheet(self.sheet, low=100.0)
        length(self.kerf, "kerf", low=0.0, high=50.0)
        length(self.trim, "trim", low=0.0, high=200.0)
        length(self.oversize, "oversize", low=0.0, high=100.0)
        names = [s.board for s in self.stocks]
        for name in names:
            if names.count(name) > 1:
                raise DesignError("the board is given twice; give it once", key=f"boards.{name}")

    def stock(self, board: str) -> Stock:
        """Return a board's stock, what is not given for it taken from the common values."""
        own = next((s for s in self.stocks if s.board == board), Stock(board=board))
        sheet = own.sheet if all(own.sheet) else self.sheet
        return Stock(board=board, thickness=own.thickness, sheet=sheet, cost=own.cost)


KEYS = tuple(f.name for f in fields(Joinery) if f.name != "stocks")
STOCK_KEYS = ("thickness", "sheet", "cost")


def from_table(value: object) -> Joinery:
    """Read the table ``joinery`` of a design file; raises DesignError with a key within it."""
    t = dict(table(value, ""))
    known_keys(t, (*KEYS, "boards"))
    stocks = []
    for name, entry in table(t.pop("boards", {}), "boards").items():
        try:
            own = dict(table(entry, ""))
            known_keys(own, STOCK_KEYS)
            stocks.append(Stock(board=name, **_paired(own)))
        except DesignError as e:
            raise e.within(f"boards.{name}") from None
    return Joinery(**_paired(t), stocks=tuple(stocks))


def to_table(joinery: Joinery) -> dict[str, object]:
    """Return the table of a design file: what differs from the defaults."""
    out = changed(joinery, KEYS, Joinery())
    if joinery.stocks:
        out["boards"] = {s.board: changed(s, STOCK_KEYS, Stock(board=s.board)) for s in joinery.stocks}
    return out


def _paired(t: Mapping[str, object]) -> dict[str, Any]:
    """Return the table with its sheet, a list in TOML, as a tuple."""
    sheet = t.get("sheet", ())
    return {**t, "sheet": tuple(sheet)} if isinstance(sheet, list | tuple) and "sheet" in t else dict(t)


def _sheet(value: object, low: float) -> None:
    if not isinstance(value, tuple) or len(value) != 2:
        raise DesignError(f"got {value!r}; give length and width, such as [2440, 1220]", key="sheet")
    for v in value:
        length(v, "sheet", low=low, high=10000.0)
