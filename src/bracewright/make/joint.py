"""The record of a joint, and what wood it needs around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES
from bracewright.design.layout import PartLayout, sides
from bracewright.errors import DesignError
from bracewright.geometry import FINE

Vec = NDArray[np.float64]
Span = tuple[float, float]

# What wood needs beside and under a cut: common practice, no source.
MOST_TONGUE = 2 / 3  # of its board
STOP = 4.0  # mm from the end of the clear line to a stopped groove, so that grooves of neighbours stay apart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint:
    """One joint.

    Parameters
    ----------
    a, b : str
        The part with the tongue, and the part it goes into.
    kind : {"corner", "tee", "cross"}
        Two panels; the edge of a brace on a face; two braces passing through each other.
    form : {"butt", "mitre", "rebate", "tongue", "housed", "lap"}
    start, end : (3,) arrays
        The clear line in cabinet coordinates: on the face of `b`, at the middle of `a`. Of a lap, where the
        mid-planes meet.
    into : (3,) array
        Unit vector from `a` into `b`. Of a lap, the direction in which `a` is pushed on.
    tongue, depth : float
        Thickness of what goes in, and how far it does.
    clearance, gap : float
        On each side, and at the bottom.
    tongues, grooves : tuple of (from, to)
        Along the line. Of a lap, the slot of `a` and that of `b`, whole length.
    rounding : float
        Radius of the grooves' ends.
    widths : (float, float)
        Thicknesses of the boards of `a` and `b`.
    lean : float
        Of a lap, the cosine of the angle between the boards; 0 where they stand square.
    note : str
        What whoever makes it should know.
    """

    a: str
    b: str
    kind: str
    form: str
    start: Vec
    end: Vec
    into: Vec
    tongue: float = 0.0
    depth: float = 0.0
    clearance: float = 0.0
    gap: float = 0.0
    tongues: tuple[Span, ...] = ()
    grooves: tuple[Span, ...] = ()
    rounding: float = 0.0
    widths: tuple[float, float] = (0.0, 0.0)
    lean: float = 0.0
    note: str = ""

    @property
    def length(self) -> float:
        """Length of the clear line, mm."""
        return float(np.linalg.norm(self.end - self.start))

    @property
    def along(self) -> Vec:
        """Unit vector along the line."""
        return (self.end - self.start) / self.length

    @property
    def beyond(self) -> tuple[str, str]:
        """Of a corner, the panels beyond the start and the end of its line."""
        return sides(AXES[int(np.argmax(np.abs(self.along)))])

    @property
    def slots(self) -> tuple[float, float]:
        """Of a lap, widths of the slot in `a` and of that in `b`, cut square, for the other that may lean."""
        (ta, tb), sin = self.widths, math.sqrt(1 - self.lean**2)
        return (tb + ta * self.lean) / sin + 2 * self.clearance, (ta + tb * self.lean) / sin + 2 * self.clearance

    @property
    def title(self) -> str:
        """Name for people, such as ``left into front``."""
        word = {"lap": "lapped with", "mitre": "mitred to", "butt": "on"}.get(self.form, "into")
        return f"{self.a} {word} {self.b}"

    def at(self, s: float) -> Vec:
        """Return the point at the distance s along the line."""
        return self.start + s * self.along


def crossed(lay: PartLayout, j: Joint, half: float, wall: float, key: str) -> list[Span]:
    """Return where cut-outs of a part pass right through a band about a joint's line, `wall` added to each end.

    Raises
    ------
    DesignError
        A cut-out reaches into the band, or leaves less than `wall` beside it, without passing through.
    """
    start, end = lay.frame.to_plane(np.stack([j.start, j.end]))
    t = (end - start) / j.length
    turn = np.array([t, [-t[1], t[0]]])
    out: list[Span] = []
    for name, path in lay.cuts:
        cut = shapely.transform(path.polygon(FINE), lambda xy: (xy - start) @ turn.T)
        near = cut.intersection(shapely.box(-wall, -half - wall, j.length + wall, half + wall))
        for piece in getattr(near, "geoms", [near]):
            if piece.is_empty or piece.area < 1e-6:
                continue
            x0, y0, x1, y1 = piece.bounds
            if x1 < wall or x0 > j.length - wall:
                continue
            if y0 > -half - wall + 1e-6 or y1 < half + wall - 1e-6:
                gap = max(0.0, y0 - half, -half - y1)
                raise DesignError(
                    f"{name!r} of {lay.name!r} lies {gap:.3g} from the cut where {j.a!r} and {j.b!r} meet; move it to "
                    f"{wall:g} or more, or let it pass right across",
                    key=key,
                )
            out.append((x0 - wall, x1 + wall))
    return out
