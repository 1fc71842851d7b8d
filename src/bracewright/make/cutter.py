"""What a round cutter cannot do: corners it does not reach, contours it does not fit; templates for routing by hand.

Contours are those of the finished part; whoever drives the router allows for the cutter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import shapely

from bracewright import geometry
from bracewright.design.joinery import Joinery
from bracewright.errors import DesignError
from bracewright.geometry import FINE
from bracewright.make.parts import NOT_CUT, Operation, PartDrawing, layer_name, plain

CUT = ("opening", "pocket", "slot", "groove", "rebate")
LEAST_AREA = 0.02  # mm2; less is the chords of arcs, not wood
MARGIN = 60.0  # mm of template round the part, to clamp and to carry the router: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """Wood that a cutter of this diameter leaves in a corner.

    Parameters
    ----------
    part, kind, name : str
        The part, and the operation's kind and name.
    at : (float, float)
        Middle of what stays, part coordinates.
    cutter : float
        Diameter.
    area : float
        Of the wood that stays, mm^2.
    depth : float
        Of the cut.
    """

    part: str
    kind: str
    name: str
    at: tuple[float, float]
    cutter: float
    area: float
    depth: float

    @property
    def volume(self) -> float:
        """Wood that stays, mm^3."""
        return self.area * self.depth


def unreached(parts: Iterable[PartDrawing], cutter: float) -> tuple[Corner, ...]:
    """Return the corners of parts that a round cutter of this diameter cannot reach.

    Outside an outline it works from outside, so that only inner corners of the outline count. A corner that lies
    outside the part, where a cut runs over the edge, is not wood. Grooves are drawn as their own cutter leaves them.
    """
    out = []
    for part in parts:
        blank = part.outline.polygon(FINE)
        for o in part.operations:
            if o.kind not in (*CUT, "outline") or o.kind == "groove":
                continue
            for piece in _left(o, cutter, blank):
                x, y = piece.centroid.coords[0]
                out.append(
                    Corner(
                        part=part.name,
                        kind=o.kind,
                        name=o.name,
                        at=(float(x), float(y)),
                        cutter=cutter,
                        area=float(piece.area),
                        depth=o.depth,
                    )
                )
    return tuple(out)


def _left(o: Operation, cutter: float, blank: shapely.Geometry) -> list[shapely.Geometry]:
    """Return the pieces of wood that the cutter leaves of what should go."""
    r = cutter / 2
    shape = o.path.polygon(FINE)
    if o.kind == "outline":
        room = shapely.box(*shape.bounds).buffer(4 * r, join_style="mitre")
        goes = room.difference(shape)
        reached = _opened(goes, r).union(room.difference(shapely.box(*shape.bounds)))
        left = goes.difference(reached)
    else:
        left = shape.difference(_opened(shape, r)).intersection(blank)
    # Slivers along arcs are thinner than the chords' tolerance.
    left = left.buffer(-2 * FINE).buffer(2 * FINE)
    return [g for g in getattr(left, "geoms", [left]) if g.area > LEAST_AREA]


def _opened(area: shapely.Geometry, r: float) -> shapely.Geometry:
    """Return what a disc of radius r covers while it stays within an area."""
    return area.buffer(-r, quad_segs=64).buffer(r, quad_segs=64)


def _key(part: PartDrawing, o: Operation) -> str:
    """Where the design file says what an operation cuts."""
    if o.kind == "opening":
        return f"openings.{o.name}"
    if o in part.seats:
        return f"openings.{o.name}.rebate"
    return f"braces.{part.name}.pockets.{o.name}" if o.kind == "pocket" else f"{part.name}.{o.name}"


def check_cutter(parts: Iterable[PartDrawing], joinery: Joinery) -> None:
    """Refuse a rounded opening, pocket or rebate that the cutter cannot follow.

    A sharp corner is taken for one that will be squared by hand: `unreached` tells how much wood stays in it.

    Raises
    ------
    DesignError
        The cutter's radius is larger than an inside radius, or the cutter does not fit in.
    """
    r = joinery.cutter / 2
    for part in parts:
        for o in part.operations:
            if o.kind not in ("opening", "pocket", "rebate"):
                continue
            key = _key(part, o)
            x0, y0, x1, y1 = o.path.bounds
            if min(x1 - x0, y1 - y0) < joinery.cutter or o.path.polygon(FINE).buffer(-r + FINE).is_empty:
                raise DesignError(
                    f"a cutter of {joinery.cutter:g} does not fit into it; use a smaller joinery.cutter, or make it "
                    "larger",
                    key=key,
                )
            radius = min((a.radius for a in o.path.oriented().arcs() if a.sweep_deg > 0), default=r)
            if radius < r - FINE:
                raise DesignError(
                    f"its inside radius of {radius:.3g} is smaller than that of the cutter, {r:g}; use a "
                    f"joinery.cutter of {2 * radius:.3g} or less, or round it to {r:g} or more",
                    key=key,
                )


def templates(part: PartDrawing, joinery: Joinery) -> tuple[PartDrawing, ...]:
    """Return templates for routing a part by hand with a guide bush: of its holes, and of its rebates for drivers.

    The bush runs along the template and the cutter stands in its middle, so that a hole of the template is larger
    than the finished one by half the difference of their diameters all round. A reference shows the part's outline;
    points of the template are those of the part.

    Raises
    ------
    DesignError
        A hole cannot be enlarged so.
    """
    holes = [o for o in part.operations if o.kind in ("opening", "pocket")]
    named = ((f"template {part.name}", holes), (f"template {part.name} rebates", list(part.seats)))
    return tuple(_template(part, joinery, name, group) for name, group in named if group)


def _template(part: PartDrawing, joinery: Joinery, name: str, holes: list[Operation]) -> PartDrawing:
    more = (joinery.guide_bush - joinery.cutter) / 2
    lies = "turned over, on the far face" if any(o.side == "far" for o in holes) else "on the near face"
    width, height = part.size
    size = (width + 2 * MARGIN, height + 2 * MARGIN)
    through = (joinery.template, "through")
    ops = [
        Operation(
            kind="outline",
            path=geometry.rectangle((width / 2, height / 2), size),
            depth=joinery.template,
            side="through",
            layer=layer_name("outline", *through),
        )
    ]
    for o in holes:
        try:
            path = geometry.offset(o.path, more)
        except DesignError as e:
            raise DesignError(e.message, key=_key(part, o)) from None
        layer = layer_name("opening", *through)
        ops.append(replace(o, kind="opening", path=path, depth=joinery.template, side="through", layer=layer))
    ops.append(Operation(kind="reference", path=part.outline, depth=0.0, side="near", layer=NOT_CUT))
    return replace(
        part,
        name=name,
        board="template",
        thickness=joinery.template,
        size=size,
        operations=tuple(ops),
        grain_deg=0.0,
        bevels=(),
        notes=(
            f"for a guide bush of {joinery.guide_bush:g} and a cutter of {joinery.cutter:g}: holes are {more:g} larger "
            "all round than in the finished part",
            f"lay it {lies}, the reference line on the part's outline; check with a trial cut in scrap",
            *(f"{o.name}: {plain(o.depth)} deep" for o in holes if o.side != "through"),
        ),
    )
