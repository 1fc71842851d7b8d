"""The record of a board: of numbers, of a material, of layers, and the table that stands for it in a design file."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, cast

import numpy as np

from bracewright.boards.checks import (
    SHEET_KEYS,
    TABLE_KEYS,
    in_GPa,
    in_kg_m3,
    in_mm,
    known_keys,
    number,
    required_keys,
)
from bracewright.boards.layer import LAYER_KEYS, Layer, isotropic_G, isotropic_poisson
from bracewright.boards.materials import material_named
from bracewright.errors import DesignError

#: Used where a board is given by numbers without one: common practice for wood-based panels, no source.
DEFAULT_LOSS_FACTOR = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A board: layers from the inside (bottom) to the outside (top) along the part's normal.

    Parameters
    ----------
    layers : tuple of Layer
        At least one.
    loss_factor : float
        Of the whole board, 0 to 1.
    name : str
        The name it goes by in the design.
    material : str, optional
        The library entry it was built from.
    overrides : tuple of (str, float)
        Numbers given in place of the library's.
    cost_per_m2 : float, optional
        In any one currency.

    Raises
    ------
    DesignError
        No layers, or a value outside its range.
    """

    layers: tuple[Layer, ...]
    loss_factor: float = DEFAULT_LOSS_FACTOR
    name: str = ""
    material: str | None = None
    overrides: tuple[tuple[str, float], ...] = ()
    cost_per_m2: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "layers", tuple(self.layers))
        if not self.layers:
            raise DesignError("a board needs at least one layer", key="layers")
        loss_factor = number(self.loss_factor, "loss_factor", 0.0, 1.0, "a loss factor is a fraction (2 % is 0.02)")
        object.__setattr__(self, "loss_factor", loss_factor)
        if self.cost_per_m2 is not None:
            cost = number(self.cost_per_m2, "cost_per_m2", 0.0, 1e6, "a cost per square metre is not negative")
            object.__setattr__(self, "cost_per_m2", cost)

    @property
    def thickness(self) -> float:
        """Thickness in mm."""
        return math.fsum(layer.thickness for layer in self.layers)

    @property
    def mass_kg_m2(self) -> float:
        """Mass per area."""
        return math.fsum(layer.density_kg_m3 * layer.thickness for layer in self.layers) / 1000.0

    @property
    def density_kg_m3(self) -> float:
        """Mean density."""
        return 1000.0 * self.mass_kg_m2 / self.thickness

    @classmethod
    def isotropic(
        cls,
        thickness: float,
        E_GPa: float,
        poisson: float,
        density_kg_m3: float,
        *,
        loss_factor: float = DEFAULT_LOSS_FACTOR,
        G_GPa: float | None = None,
        G_through_GPa: float | None = None,
        name: str = "",
        cost_per_m2: float | None = None,
    ) -> Board:
        """Return a board of one layer, the same in every direction of its plane.

        `G_GPa` (in plane) and `G_through_GPa` (through the thickness) are E/(2(1+poisson)) unless given.
        Raises DesignError for a value outside its range.
        """
        E, nu = in_GPa(E_GPa, "E_GPa"), isotropic_poisson(poisson)
        G = isotropic_G(E, nu) if G_GPa is None else in_GPa(G_GPa, "G_GPa")
        Gz = isotropic_G(E, nu) if G_through_GPa is None else in_GPa(G_through_GPa, "G_through_GPa")
        layer = Layer(
            thickness=thickness,
            E1_GPa=E,
            E2_GPa=E,
            poisson12=nu,
            G12_GPa=G,
            G13_GPa=Gz,
            G23_GPa=Gz,
            density_kg_m3=density_kg_m3,
        )
        return cls(layers=(layer,), loss_factor=loss_factor, name=name, cost_per_m2=cost_per_m2)

    @classmethod
    def of(
        cls, material: str, thickness: float, *, name: str = "", cost_per_m2: float | None = None, **values: float
    ) -> Board:
        """Return a board of a library `material`; `values` stand in for the library's numbers.

        Plywood is built of an odd number of plies, as near as may be to the library's ply thickness; its two
        face plies are thinner by the library's ``face_ply_ratio``, which is what sanding leaves of them.
        Raises DesignError for an unknown material (naming the nearest) or value.
        """
        entry = material_named(material)
        known_keys(values, entry.keys, f"the material {material!r}")
        thickness = in_mm(thickness)
        numbers: dict[str, Any] = {**entry.values, **values}
        if entry.kind == "sheet":
            layers = cls.isotropic(thickness, **{k: v for k, v in numbers.items() if k in SHEET_KEYS}).layers
        else:
            plies = (thickness,) if entry.kind == "solid" else _plies(thickness, numbers)
            one = {k: numbers[k] for k in LAYER_KEYS}
            layers = tuple(Layer(thickness=t, angle_deg=90.0 * (i % 2), **one) for i, t in enumerate(plies))
        return cls(
            layers=layers,
            loss_factor=numbers["loss_factor"],
            name=name,
            material=material,
            overrides=tuple((k, float(v)) for k, v in values.items()),
            cost_per_m2=cost_per_m2,
        )

    @classmethod
    def mdf_profile(
        cls,
        thickness: float,
        face_density_kg_m3: float,
        core_density_kg_m3: float,
        face_depth: float,
        E_at: Callable[[float], float] | None = None,
        *,
        smooth: bool = True,
        poisson: float | None = None,
        loss_factor: float | None = None,
        name: str = "",
    ) -> Board:
        """Return MDF with dense faces: three layers (a step), or seven (`smooth`, a raised cosine into the core).

        Parameters
        ----------
        thickness, face_depth : float
            In mm; `face_depth` is how far each dense face reaches in.
        face_density_kg_m3, core_density_kg_m3 : float
            At the surface and in the core.
        E_at : callable, optional
            Layer modulus in GPa at a density in kg/m3. By default linear in density (Xu, Wood and Fiber
            Science, article 1183; the slope is the library's ``density_slope``, common practice, no source),
            scaled so that the whole board has the library's modulus in bending, which is how it is measured.
        smooth, poisson, loss_factor, name
            The shape of the profile, and numbers in place of the library's.

        Raises
        ------
        DesignError
            Faces deeper than half the board, or a density or modulus outside its range.
        """
        mdf = material_named("mdf").values
        total, depth = in_mm(thickness), in_mm(face_depth, "face_depth")
        if 2.0 * depth >= total:
            raise DesignError(f"face_depth {depth:g} must be below half the thickness {total:g}", key="face_depth")
        face_rho = in_kg_m3(face_density_kg_m3, "face_density_kg_m3")
        core_rho = in_kg_m3(core_density_kg_m3, "core_density_kg_m3")
        steps = 3 if smooth else 1
        s = np.linspace(0.0, 1.0, steps + 1)
        # The mean of (1 + cos(pi s))/2 over each sub-layer keeps the mass of the smooth profile.
        share = 0.5 + np.diff(np.sin(np.pi * s)) * steps / (2.0 * np.pi) if smooth else np.ones(1)
        face = core_rho + (face_rho - core_rho) * share
        density = np.concatenate([face, [core_rho], face[::-1]])
        t = np.concatenate([np.full(steps, depth / steps), [total - 2.0 * depth], np.full(steps, depth / steps)])
        rise = 1.0 + mdf["density_slope"] * (density / mdf["density_kg_m3"] - 1.0)
        if E_at is None:
            z = np.concatenate([[0.0], np.cumsum(t)]) - total / 2.0
            E = mdf["E_GPa"] * rise / (4.0 * np.sum(rise * np.diff(z**3)) / total**3)
        else:
            E = np.array([E_at(float(rho)) for rho in density])
        through = mdf["G_through_GPa"] / mdf["E_GPa"]
        nu = mdf["poisson"] if poisson is None else poisson
        boards = [
            cls.isotropic(float(t_k), float(E_k), nu, float(rho), G_through_GPa=float(through * E_k))
            for t_k, E_k, rho in zip(t, E, density, strict=True)
        ]
        loss = mdf["loss_factor"] if loss_factor is None else loss_factor
        return cls(layers=tuple(b.layers[0] for b in boards), loss_factor=loss, name=name)

    @classmethod
    def from_table(cls, table: Mapping[str, object], *, name: str = "") -> Board:
        """Return the board of a ``[boards.NAME]`` table of a design file.

        The table holds a `material` and `thickness` (numbers beside them override the library's), or
        `thickness`, `E_GPa`, `poisson` and `density_kg_m3`, or `layers`. Raises DesignError for unknown,
        missing or clashing keys.
        """
        given = dict(table)
        common: dict[str, Any] = {"name": name, "cost_per_m2": given.get("cost_per_m2")}
        if "layers" in given:
            known_keys(given, ("layers", "loss_factor", "cost_per_m2"), "a board given by layers")
            loss_factor = cast(float, given.get("loss_factor", DEFAULT_LOSS_FACTOR))
            return cls(layers=_layers(given["layers"]), loss_factor=loss_factor, **common)
        if "material" in given:
            entry = material_named(given["material"])
            own = ("material", "thickness", "cost_per_m2", *entry.keys)
            known_keys(given, own, f"a board of the material {entry.name!r}")
            required_keys(given, ("thickness",), "a board of a material")
            thickness = cast(float, given["thickness"])
            values: dict[str, Any] = {k: v for k, v in given.items() if k in entry.keys}
            return cls.of(entry.name, thickness, **common, **values)
        known_keys(given, TABLE_KEYS, "a board")
        required = ("thickness", "E_GPa", "poisson", "density_kg_m3")
        required_keys(given, required, "a board without a material or layers")
        return cls.isotropic(**{**given, **common})

    def to_table(self) -> dict[str, Any]:
        """Return the table that `from_table` turns back into this board (its name apart)."""
        cost = {} if self.cost_per_m2 is None else {"cost_per_m2": self.cost_per_m2}
        if self.material is not None:
            overrides: dict[str, Any] = dict(self.overrides)
            # Plies of thickness/n need not add up to the last digit; the rounded sum is what was asked for.
            for thickness in (round(self.thickness, 9), *_neighbours(self.thickness)):
                again = Board.of(self.material, thickness, **overrides)
                if again.layers == self.layers and again.loss_factor == self.loss_factor:
                    return {"material": self.material, "thickness": thickness, **overrides, **cost}
        first = self.layers[0]
        alike = (first.E2_GPa, first.G23_GPa, first.angle_deg) == (first.E1_GPa, first.G13_GPa, 0.0)
        # Beyond these a ratio goes with a layer of its own numbers only.
        if len(self.layers) == 1 and alike and -1.0 < first.poisson12 < 0.5:
            G = isotropic_G(first.E1_GPa, first.poisson12)
            shear = {"G_GPa": first.G12_GPa, "G_through_GPa": first.G13_GPa}
            return {
                "thickness": first.thickness,
                "E_GPa": first.E1_GPa,
                "poisson": first.poisson12,
                "density_kg_m3": first.density_kg_m3,
                **{k: v for k, v in shear.items() if v != G},
                "loss_factor": self.loss_factor,
                **cost,
            }
        layers = [{f.name: getattr(layer, f.name) for f in fields(Layer)} for layer in self.layers]
        return {"loss_factor": self.loss_factor, **cost, "layers": layers}

    def flipped(self) -> Board:
        """Return the board with its layers in the other order, as seen from its other face."""
        return replace(self, layers=self.layers[::-1])


def _neighbours(value: float, steps: int = 8) -> Iterator[float]:
    """Yield a number and the floating-point numbers next to it, the nearest first."""
    yield value
    low = high = value
    for _ in range(steps):
        low, high = math.nextafter(low, -math.inf), math.nextafter(high, math.inf)
        yield from (low, high)


def _plies(thickness: float, numbers: Mapping[str, object]) -> tuple[float, ...]:
    """Thicknesses of an odd number of plies, the two faces thinner by the sanding."""
    ply = in_mm(numbers["ply_thickness"], "ply_thickness")
    face = number(numbers["face_ply_ratio"], "face_ply_ratio", 0.2, 1.5, "it is a face ply over an inner ply")
    count = max(3, 2 * round((thickness / ply + 1.0 - 2.0 * face) / 2.0) + 1)
    inner = thickness / (count - 2 + 2.0 * face)
    return (inner * face, *(inner,) * (count - 2), inner * face)


def _layers(rows: object) -> tuple[Layer, ...]:
    """Read the rows of ``[[boards.NAME.layers]]``."""
    if not isinstance(rows, list | tuple):
        raise DesignError(f"layers must be a list of tables, got {rows!r}", key="layers")
    layers = []
    for i, row in enumerate(rows):
        try:
            if not isinstance(row, Mapping):
                raise DesignError(f"a layer must be a table, got {row!r}")
            known_keys(row, [f.name for f in fields(Layer)], "a layer")
            required_keys(row, ("thickness", *LAYER_KEYS), "a layer")
            layers.append(Layer(**row))
        except DesignError as error:
            raise error.within(f"layers[{i}]") from None
    return tuple(layers)
