"""How sure a result is: many cabinets as boards, glue and saw may really give them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, qmc

from bracewright.boards import Board
from bracewright.design.cabinet import Cabinet, JointSpec
from bracewright.design.checks import number
from bracewright.design.tuning import Tuning
from bracewright.errors import DesignError, SolveError
from bracewright.tune.looks import Look, look_at_all
from bracewright.tune.variables import Space

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How far real cabinets lie from the drawing, as standard deviations.

    Parameters
    ----------
    stiffness : float
        Of each board's moduli, relative. Boards of one name share it.
    density : float
        Relative.
    thickness : float
        mm, of each board.
    glue : float
        Of the logarithm of the glue's modulus and of dry faces' stiffness.
    place : float
        mm, of every brace's place and every pocket's centre; 0.6 keeps nine in ten within 1 mm.
    """

    stiffness: float = 0.1
    density: float = 0.03
    thickness: float = 0.15
    glue: float = 0.3
    place: float = 0.6

    def __post_init__(self) -> None:
        for name, high in (("stiffness", 0.3), ("density", 0.2), ("thickness", 2.0), ("glue", 2.0), ("place", 5.0)):
            number(getattr(self, name), f"scatter.{name}", low=0.0, high=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Where a number lies in eight real cabinets of ten.

    Parameters
    ----------
    low, middle, high : float
        10, 50 and 90 per cent of the cabinets lie below.
    """

    low: float
    middle: float
    high: float


def variants(cabinet: Cabinet, count: int, *, scatter: Scatter | None = None, seed: int = 0) -> list[Cabinet]:
    """Return cabinets as they may turn out, evenly strewn and the same for the same seed.

    One that cannot be built, because a shifted pocket comes too near an edge, is taken with its pockets in place.
    """
    scatter = scatter or Scatter()
    space = Space.of(replace(cabinet, tune=Tuning()), include=["*"])
    placed = [v for v in space.variables if v.field in ("at", "centre")]
    width = 3 * len(cabinet.boards) + 1 + len(placed)
    strewn = qmc.Sobol(width, seed=np.random.default_rng(seed)).random_base2(int(np.ceil(np.log2(max(count, 2)))))[
        :count
    ]
    space = Space(cabinet=cabinet, variables=tuple(placed))
    out = []
    for z in norm.ppf(np.clip(strewn, 1e-4, 1 - 1e-4)):
        boards = tuple(_scattered(b, scatter, *z[3 * k : 3 * k + 3].tolist()) for k, b in enumerate(cabinet.boards))
        glue = float(np.exp(scatter.glue * z[3 * len(cabinet.boards)]))
        changed = replace(cabinet, boards=boards).with_joints(partial(_glued, factor=glue))
        shift = scatter.place * z[3 * len(cabinet.boards) + 1 :]
        for moved in (placed, [v for v in placed if v.field == "at"], []):
            which = np.array([v in moved for v in placed], dtype=float)
            try:
                out.append(replace(space, cabinet=changed).apply(space.start() + shift * which) if placed else changed)
                break
            except DesignError:
                continue
    return out


def _scattered(board: Board, scatter: Scatter, stiff: float, dense: float, thick: float) -> Board:
    t = max(0.5, 1 + scatter.thickness * thick / board.thickness)
    e, rho = max(0.3, 1 + scatter.stiffness * stiff), max(0.3, 1 + scatter.density * dense)
    layers = []
    for k in board.layers:
        moduli = {f: getattr(k, f) * e for f in ("E1_GPa", "E2_GPa", "G12_GPa", "G13_GPa", "G23_GPa")}
        layers.append(replace(k, thickness=k.thickness * t, density_kg_m3=k.density_kg_m3 * rho, **cast(Any, moduli)))
    return replace(board, layers=tuple(layers), material=None, overrides=())


def _glued(spec: JointSpec, factor: float) -> JointSpec:
    return replace(
        spec,
        glue_E_GPa=spec.glue_E_GPa * factor,
        contact_N_mm3=spec.contact_N_mm3 * factor,
        translation_N_mm2=spec.translation_N_mm2 * factor,
        rotation_N_rad=spec.rotation_N_rad * factor,
    )


def bands(
    look: Look,
    cabinet: Cabinet,
    count: int = 32,
    *,
    scatter: Scatter | None = None,
    seed: int = 0,
    executor: Executor | None = None,
) -> dict[str, Band]:
    """Return the band of every number of a design over many cabinets as they may turn out.

    Parameters
    ----------
    look : Look
        As `Look.at` prepares it.
    cabinet : Cabinet
    count : int
        Cabinets, 8 or more.
    executor : Executor, optional
        Of `concurrent.futures`, or dask's.

    Raises
    ------
    SolveError
        More than one in ten could not be solved.
    """
    if count < 8:
        raise DesignError(f"got {count}; give 8 or more cabinets", key="count")
    many = variants(cabinet, count, scatter=scatter, seed=seed)
    found = numbers_of(look, look_at_all(look, many, executor, cabinet))
    if len(found) < 0.9 * count:
        raise SolveError(f"only {len(found)} of {count} cabinets could be solved; give a smaller scatter")
    return {k: band([n[k] for n in found]) for k in found[0]}


def numbers_of(look: Look, records: Sequence[Mapping[str, object]]) -> list[dict[str, float]]:
    """Return the numbers of the records that have any."""
    return [look.numbers(r) for r in records if "reason" not in r]


def band(values: Sequence[float]) -> Band:
    """Return the 10, 50 and 90 per cent points."""
    low, middle, high = np.percentile(np.asarray(values, dtype=float), [10, 50, 90]).tolist()
    return Band(low=low, middle=middle, high=high)
