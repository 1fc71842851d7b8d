"""Computed and measured modes side by side: shapes at measured places, MAC, pairs, and what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS, Cabinet
from bracewright.errors import DesignError
from bracewright.fem.mesh import MM
from bracewright.fem.modes import Modes
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model
from bracewright.measure.identify import MeasuredModes
from bracewright.measure.records import Place

Array = NDArray[np.float64]
WINDOW = 0.2  # of the frequency within which a pair is looked for
MIN_MAC = 0.5
FEW = 4  # places below which a shape tells little: pairs then go by frequency
QUIET = 0.05  # of a mode's largest motion anywhere: less at every place and it cannot be seen
BAD_PLACE = 0.3  # of a place's motion in a mode left over from which the two are at odds
MOVES = 0.3  # of the mean square over places from which a place counts as moving in a mode


def direction_of(cabinet: Cabinet, place: Place) -> Array:
    """Unit vector (3,) of a place's direction in cabinet axes."""
    out = np.zeros(3)
    d = place.direction
    if d in ("out", "in"):
        panel = place.part in PANELS
        axis = PANEL_NORMAL[place.part] if panel else cabinet.brace(place.part).normal
        lower = panel and place.part in LOWER_PANELS
        out[AXES.index(axis)] = (-1.0 if lower else 1.0) * (1.0 if d == "out" else -1.0)
    else:
        out[AXES.index(d[-1])] = -1.0 if d.startswith("-") else 1.0
    return out


def rows_at(model: Model, places: Sequence[Place]) -> Array:
    """Rows (p, n) that read the motion at places from the unknowns.

    A point over the wood of a joint reads the nearest point of its part's plate.

    Raises
    ------
    DesignError
        A place is on no part of the model.
    """
    out = np.zeros((len(places), model.dofs))
    for i, place in enumerate(places):
        if place.part not in model.parts:
            raise DesignError(f"got {place.part!r}; parts are {', '.join(model.parts)}", key="part")
        part = model.parts[place.part]
        low, high = part.mesh.points.min(axis=0), part.mesh.points.max(axis=0)
        at = np.clip(np.array(place.at) * MM, low, high)
        trace = part.mesh.trace(at[None])
        along = part.rotation @ direction_of(model.cabinet, place)
        first = model.first[place.part]
        for f in range(3):
            out[i, first + FIELDS * trace.nodes[0] + f] += along[f] * trace.value[0]
    return out


def shapes_at(model: Model, modes: Modes, places: Sequence[Place]) -> Array:
    """Shapes (p, m) of computed modes at places."""
    return np.asarray(rows_at(model, places) @ modes.shapes)


def mac(a: NDArray[Any], b: NDArray[Any]) -> Array:
    """Modal assurance criterion (m, k) of shapes (p, m) and (p, k), real or complex.

    Allemang, Brown, Proc. IMAC 1, 1982. Entries that are not a number are left out, pair by pair.
    """
    a, b = np.asarray(a), np.asarray(b)
    ga, gb = ~np.isnan(a), ~np.isnan(b)
    za, zb = np.where(ga, a, 0), np.where(gb, b, 0)
    top = np.abs(za.conj().T @ zb) ** 2
    aa = (np.abs(za) ** 2).T @ gb
    bb = ga.T.astype(float) @ (np.abs(zb) ** 2)
    return np.asarray(np.divide(top, aa * bb, out=np.zeros(top.shape), where=aa * bb > 0))


@dataclass(frozen=True, kw_only=True, eq=False)
class Pairing:
    """Which computed mode is which measured one.

    Attributes
    ----------
    computed_Hz, measured_Hz : arrays
    mac : (m, k) array
        Of every computed with every measured mode; all ones where the shapes cannot tell.
    pairs : tuple of (int, int)
        Computed and measured mode, counted from 0.
    unseen : tuple of int
        Computed modes that no place can see: all lie on node lines.
    missing : tuple of int
        Computed modes within the measured band that were not found though they could be seen.
    extra : tuple of int
        Measured modes the model lacks.
    by_shape : bool
        Whether there were enough places to pair by shape.
    """

    computed_Hz: Array
    measured_Hz: Array
    mac: Array
    pairs: tuple[tuple[int, int], ...]
    unseen: tuple[int, ...] = ()
    missing: tuple[int, ...] = ()
    extra: tuple[int, ...] = ()
    by_shape: bool = True

    def text(self) -> str:
        """Return a table."""
        lines = ["mode  computed, Hz  measured, Hz  change   MAC"]
        for c, m in self.pairs:
            f, g = self.computed_Hz[c], self.measured_Hz[m]
            fit = f"{self.mac[c, m]:5.2f}" if self.by_shape else "    -"
            lines.append(f"{c + 1:4}  {f:12.1f}  {g:12.1f}  {100 * (g / f - 1):+5.1f} %  {fit}")
        for word, which, f in (
            ("was not found", self.missing, self.computed_Hz),
            ("cannot be seen at these places", self.unseen, self.computed_Hz),
        ):
            lines += [f"{k + 1:4}  {f[k]:12.1f}  {word}" for k in which]
        lines += [f"   -                {self.measured_Hz[k]:12.1f}  is not in the model" for k in self.extra]
        if not self.by_shape:
            lines.append("too few places to compare shapes: paired by frequency alone")
        return "\n".join(lines) + "\n"


def pair(
    computed: Modes,
    at: NDArray[Any] | None,
    measured: Modes,
    *,
    window: float = WINDOW,
    min_mac: float = MIN_MAC,
    visible: Array | None = None,
) -> Pairing:
    """Pair computed and measured modes, each at most once.

    Parameters
    ----------
    computed : Modes
    at : (p, m) array or None, real or complex
        Computed shapes at the measured places, not a number where a place has none; None pairs by frequency.
    measured : Modes
        Measured modes; `complex_shapes` are used where they have them.
    window : float
        Relative difference of frequency allowed.
    min_mac : float
        Least MAC allowed, with 4 places or more.
    visible : (m,) array, optional
        Largest motion at any place over the largest motion anywhere.
    """
    f, g = computed.frequency_Hz, measured.frequency_Hz
    shapes = measured.complex_shapes if isinstance(measured, MeasuredModes) else measured.shapes
    by_shape = at is not None and len(at) >= FEW and len(shapes) == len(at)
    fit = mac(at, shapes) if by_shape and at is not None else np.ones((len(f), len(g)))
    away = np.abs(np.log(g[None] / f[:, None]))
    cost = (1 - fit) + 0.3 * (away / window) ** 2
    barred = (away > window) | (fit < min_mac)
    # An unmatched pair costs more than any allowed one, so that as many as can be are paired.
    rows, cols = linear_sum_assignment(np.where(barred, 10.0, cost))
    pairs = tuple((int(r), int(c)) for r, c in zip(rows, cols, strict=True) if not barred[r, c])
    taken = {r for r, _ in pairs}
    inside = (f > g.min() * 0.98) & (f < g.max() * 1.02) if len(g) else np.zeros(len(f), bool)
    hidden = visible < QUIET if visible is not None else np.zeros(len(f), bool)
    left = [k for k in range(len(f)) if k not in taken and inside[k]]
    return Pairing(
        computed_Hz=f,
        measured_Hz=g,
        mac=fit,
        pairs=pairs,
        unseen=tuple(k for k in left if hidden[k]),
        missing=tuple(k for k in left if not hidden[k]),
        extra=tuple(k for k in range(len(g)) if k not in {c for _, c in pairs}),
        by_shape=by_shape,
    )


def visibility(model: Model, modes: Modes, at: Array) -> Array:
    """Largest motion of each mode at the places over its largest normal motion anywhere."""
    largest = np.zeros(len(modes))
    for name in model.parts:
        w = modes.shapes[model.of_part(name)].reshape(-1, FIELDS, len(modes))[:, :3]
        largest = np.maximum(largest, np.abs(w).max(axis=(0, 1)))
    return np.asarray(np.abs(at).max(axis=0, initial=0.0) / largest)


def suspect_places(at: Array, measured: MeasuredModes, pairing: Pairing, *, limit: float = BAD_PLACE) -> list[int]:
    """Return places whose motion fits the model in few modes: named wrongly, or a sensor that came loose.

    Every measured shape is fitted by its computed one, and by others within its half width, from which one sensor
    cannot tell it. A place is at odds with a mode when what is left over exceeds `limit` of its motion there; it is
    suspect when at odds with three or more of the modes in which it moves, and with at least half of them.
    """
    if len(pairing.pairs) < 4 or len(at) < 6:
        return []
    m = [j for _, j in pairing.pairs]
    b = measured.complex_shapes[:, m]
    good: NDArray[np.bool_] = np.asarray(~np.isnan(b).any(axis=1))
    b = np.where(good[:, None], b, 0)
    f = pairing.computed_Hz
    near = [np.flatnonzero(np.abs(f - f[k]) <= measured.loss_factor[j] * f[k]) for k, j in pairing.pairs]
    kept = good.copy()
    out: list[int] = []
    while kept.sum() > 5:
        fits = [at[:, k] @ np.linalg.lstsq(at[kept][:, k] + 0j, b[kept, i], rcond=None)[0] for i, k in enumerate(near)]
        model = np.stack(fits, axis=1)
        size = np.abs(model) ** 2 + np.abs(b) ** 2
        left = np.abs(model - b) ** 2
        moves = size > MOVES * size[kept].mean(axis=0)
        odd = (left > limit * size) & moves
        count, share = odd.sum(axis=1), odd.sum(axis=1) / np.maximum(moves.sum(axis=1), 1)
        # Names are mostly exchanged in pairs: after a first, less will do.
        wrong = kept & (count >= (2 if out else 3)) & (share >= 0.5)
        if not wrong.any():
            break
        worst = int(np.where(wrong, share + 0.01 * (left / size.sum(axis=0)).sum(axis=1), -1.0).argmax())
        kept[worst] = False
        out.append(worst)
    return out
