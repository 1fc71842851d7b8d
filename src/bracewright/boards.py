"""Boards: layers of wood, the sourced library of them, and their stiffness as plates.

Records are in the units of the design file (mm, GPa, kg/m3); a `Laminate` is in SI, ready for the solver.
Direction 1 of a layer lies `angle_deg` from the part's first in-plane axis towards its second.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from functools import cache, lru_cache
from importlib.resources import files
from numbers import Real
from types import MappingProxyType
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from bracewright.errors import DesignError

__all__ = ["DEFAULT_LOSS_FACTOR", "Board", "Laminate", "Layer", "Material", "laminate", "library"]

Array = NDArray[np.float64]

#: Used where a board is given by numbers without one: common practice for wood-based panels, no source.
DEFAULT_LOSS_FACTOR = 0.02

_MM = "lengths are in mm"
_GPA = "moduli are in GPa (3500 N/mm2 is 3.5 GPa)"
_DENSITY = "densities are in kg/m3 (0.74 g/cm3 is 740 kg/m3)"
_LOSS = "a loss factor is a fraction (2 % is 0.02)"

_SHEET_KEYS = ("E_GPa", "poisson", "density_kg_m3", "loss_factor", "G_GPa", "G_through_GPa")
_TABLE_KEYS = ("material", "thickness", *_SHEET_KEYS, "layers", "cost_per_m2")


def _number(key: str, value: object, low: float, high: float, hint: str) -> float:
    """Return `value` as a float within [low, high], or refuse it with the unit named."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise DesignError(f"{key} must be a number, got {value!r}", key=key)
    number = float(value)
    if not low <= number <= high:
        raise DesignError(f"{key} {number:g} is outside {low:g} to {high:g}: {hint}", key=key)
    return number


def _thickness(value: object, key: str = "thickness") -> float:
    return _number(key, value, 0.1, 300.0, _MM)


def _modulus(key: str, value: object) -> float:
    # Foam and rubber layers may shear at 0.1 MPa; nothing in a cabinet is stiffer than 500 GPa.
    return _number(key, value, 0.0001 if key.startswith("G") else 0.001, 500.0, _GPA)


def _density(value: object, key: str = "density_kg_m3") -> float:
    return _number(key, value, 1.0, 20000.0, _DENSITY)


def _nearest(word: str, known: Iterable[str]) -> str:
    """Return a remedy: the closest known word, or all of them."""
    known = sorted(known)
    lower = {k.lower(): k for k in known}
    close = get_close_matches(word.lower(), lower, n=1, cutoff=0.5)
    return f"did you mean {lower[close[0]]!r}?" if close else f"known: {', '.join(known)}"


def _refuse_unknown(table: Mapping[str, object], known: Iterable[str], what: str) -> None:
    known = set(known)
    for key in table:
        if key in known:
            continue
        if key in _TABLE_KEYS:
            raise DesignError(f"{key!r} does not go with {what}; it takes {', '.join(sorted(known))}", key=key)
        raise DesignError(f"unknown key {key!r} of {what}; {_nearest(key, known)}", key=key)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One orthotropic layer of a board, in plane stress, with two shear moduli through the thickness.

    Parameters
    ----------
    thickness : float
        Thickness in mm.
    E1_GPa, E2_GPa : float
        Young's moduli along and across direction 1.
    poisson12 : float
        Contraction along 2 per stretch along 1.
    G12_GPa : float
        In-plane shear modulus.
    G13_GPa, G23_GPa : float
        Shear moduli through the thickness; G23 of a veneer is its rolling shear.
    density_kg_m3 : float
        Density.
    angle_deg : float
        From the part's first in-plane axis towards its second to direction 1.

    Raises
    ------
    DesignError
        A value outside its range, or moduli that are not positive definite.
    """

    thickness: float
    E1_GPa: float
    E2_GPa: float
    poisson12: float
    G12_GPa: float
    G13_GPa: float
    G23_GPa: float
    density_kg_m3: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        values = {k: _modulus(k, getattr(self, k)) for k in ("E1_GPa", "E2_GPa", "G12_GPa", "G13_GPa", "G23_GPa")}
        values["thickness"] = _thickness(self.thickness)
        values["density_kg_m3"] = _density(self.density_kg_m3)
        values["angle_deg"] = _number("angle_deg", self.angle_deg, -360.0, 360.0, "angles are in degrees")
        nu = values["poisson12"] = _number("poisson12", self.poisson12, -10.0, 10.0, "Poisson's ratio has no unit")
        ratio = values["E1_GPa"] / values["E2_GPa"]
        if nu**2 >= ratio:
            raise DesignError(
                f"moduli are not positive definite: poisson12 {nu:g} squared must stay below E1/E2 = {ratio:g}; "
                f"is it the other ratio, poisson21 = poisson12 E2/E1?",
                key="poisson12",
            )
        if ratio == 1.0 and math.isclose(values["G12_GPa"], _isotropic_G(values["E1_GPa"], nu), rel_tol=1e-9):
            _isotropic_poisson(nu, key="poisson12")
        for key, value in values.items():
            object.__setattr__(self, key, value)


def _isotropic_G(E_GPa: float, poisson: float) -> float:
    return E_GPa / (2.0 * (1.0 + poisson))


def _isotropic_poisson(value: object, key: str = "poisson") -> float:
    nu = _number(key, value, -1.0, 0.5, "an isotropic board is only stable between -1 and 0.5")
    if not -1.0 < nu < 0.5:
        raise DesignError(f"{key} {nu:g} must lie strictly between -1 and 0.5", key=key)
    return nu


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
        object.__setattr__(self, "loss_factor", _number("loss_factor", self.loss_factor, 0.0, 1.0, _LOSS))
        if self.cost_per_m2 is not None:
            cost = _number("cost_per_m2", self.cost_per_m2, 0.0, 1e6, "a cost per square metre is not negative")
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
        E, nu = _modulus("E_GPa", E_GPa), _isotropic_poisson(poisson)
        G = _isotropic_G(E, nu) if G_GPa is None else _modulus("G_GPa", G_GPa)
        Gz = _isotropic_G(E, nu) if G_through_GPa is None else _modulus("G_through_GPa", G_through_GPa)
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
        entry = _material(material)
        _refuse_unknown(values, entry.keys, f"the material {material!r}")
        thickness = _thickness(thickness)
        numbers: dict[str, Any] = {**entry.values, **values}
        if entry.kind == "sheet":
            layers = cls.isotropic(thickness, **{k: v for k, v in numbers.items() if k in _SHEET_KEYS}).layers
        else:
            plies = (thickness,) if entry.kind == "solid" else _plies(thickness, numbers)
            one = {k: numbers[k] for k in _LAYER_KEYS}
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
        mdf = _material("mdf").values
        total, depth = _thickness(thickness), _thickness(face_depth, "face_depth")
        if 2.0 * depth >= total:
            raise DesignError(f"face_depth {depth:g} must be below half the thickness {total:g}", key="face_depth")
        face_rho = _density(face_density_kg_m3, "face_density_kg_m3")
        core_rho = _density(core_density_kg_m3, "core_density_kg_m3")
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
            _refuse_unknown(given, ("layers", "loss_factor", "cost_per_m2"), "a board given by layers")
            loss_factor = cast(float, given.get("loss_factor", DEFAULT_LOSS_FACTOR))
            return cls(layers=_layers(given["layers"]), loss_factor=loss_factor, **common)
        if "material" in given:
            entry = _material(given["material"])
            own = ("material", "thickness", "cost_per_m2", *entry.keys)
            _refuse_unknown(given, own, f"a board of the material {entry.name!r}")
            _require(given, ("thickness",), "a board of a material")
            thickness = cast(float, given["thickness"])
            values: dict[str, Any] = {k: v for k, v in given.items() if k in entry.keys}
            return cls.of(entry.name, thickness, **common, **values)
        _refuse_unknown(given, ("material", "thickness", "layers", *_SHEET_KEYS, "cost_per_m2"), "a board")
        required = ("thickness", "E_GPa", "poisson", "density_kg_m3")
        _require(given, required, "a board without a material or layers")
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
        if len(self.layers) == 1 and first == _as_isotropic(first):
            G = _isotropic_G(first.E1_GPa, first.poisson12)
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

    def turned(self, grain_deg: float) -> Board:
        """Return the board with every layer turned by `grain_deg` (angles kept within -90 to 90).

        It is then no longer the library's layup, so `material` goes.
        """
        _number("grain_deg", grain_deg, -360.0, 360.0, "angles are in degrees")
        angles = (math.remainder(k.angle_deg + grain_deg, 180.0) for k in self.layers)
        layers = [replace(k, angle_deg=90.0 if a == -90.0 else a) for k, a in zip(self.layers, angles, strict=True)]
        return replace(self, layers=tuple(layers), material=None, overrides=())


def _neighbours(value: float, steps: int = 8) -> Iterator[float]:
    """Yield a number and the floating-point numbers next to it, the nearest first."""
    yield value
    low = high = value
    for _ in range(steps):
        low, high = math.nextafter(low, -math.inf), math.nextafter(high, math.inf)
        yield from (low, high)


_LAYER_KEYS = tuple(f.name for f in fields(Layer) if f.name not in ("thickness", "angle_deg"))


def _plies(thickness: float, numbers: Mapping[str, object]) -> tuple[float, ...]:
    """Thicknesses of an odd number of plies, the two faces thinner by the sanding."""
    ply = _thickness(numbers["ply_thickness"], "ply_thickness")
    face = _number("face_ply_ratio", numbers["face_ply_ratio"], 0.2, 1.5, "it is a face ply over an inner ply")
    count = max(3, 2 * round((thickness / ply + 1.0 - 2.0 * face) / 2.0) + 1)
    inner = thickness / (count - 2 + 2.0 * face)
    return (inner * face, *(inner,) * (count - 2), inner * face)


def _as_isotropic(layer: Layer) -> Layer:
    """Return what a table of plain numbers can say of the layer."""
    return replace(layer, E2_GPa=layer.E1_GPa, G23_GPa=layer.G13_GPa, angle_deg=0.0)


def _require(table: Mapping[str, object], keys: Iterable[str], what: str) -> None:
    missing = [k for k in keys if k not in table]
    if missing:
        raise DesignError(f"{what} needs {', '.join(missing)}", key=missing[0])


def _layers(rows: object) -> tuple[Layer, ...]:
    """Read the rows of ``[[boards.NAME.layers]]``."""
    if not isinstance(rows, list | tuple):
        raise DesignError(f"layers must be a list of tables, got {rows!r}", key="layers")
    layers = []
    for i, row in enumerate(rows):
        try:
            if not isinstance(row, Mapping):
                raise DesignError(f"a layer must be a table, got {row!r}")
            _refuse_unknown(row, [f.name for f in fields(Layer)], "a layer")
            _require(row, ("thickness", *_LAYER_KEYS), "a layer")
            layers.append(Layer(**row))
        except DesignError as error:
            raise error.within(f"layers[{i}]") from None
    return tuple(layers)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Material:
    """An entry of the library: typical values, where each comes from, how far boards stray from them.

    `spread` is a relative standard deviation; `unsourced` names the values for which no source gave the number.
    """

    name: str
    description: str
    kind: Literal["sheet", "veneers", "solid"]
    values: Mapping[str, float]
    spread: Mapping[str, float]
    sources: Mapping[str, str]
    unsourced: frozenset[str]

    @property
    def keys(self) -> tuple[str, ...]:
        """The numbers a design may give in place of the library's."""
        own = {
            "sheet": _SHEET_KEYS,
            "veneers": ("ply_thickness", "face_ply_ratio", *_LAYER_KEYS),
            "solid": _LAYER_KEYS,
        }[self.kind]
        return tuple(dict.fromkeys((*own, "loss_factor")))


@cache
def library() -> Mapping[str, Material]:
    """Return the sourced board library by name; it cannot be changed."""
    data = tomllib.loads(files("bracewright").joinpath("boards.toml").read_text(encoding="utf-8"))
    sources = data.pop("sources")
    entries = {}
    for name, entry in data.items():
        kind, description = entry.pop("kind"), entry.pop("description")
        text = {k: "; ".join(filter(None, (sources[v["source"]], v.get("note")))) for k, v in entry.items()}
        entries[name] = Material(
            name=name,
            description=description,
            kind=kind,
            values=MappingProxyType({k: float(v["value"]) for k, v in entry.items()}),
            spread=MappingProxyType({k: float(v["spread"]) for k, v in entry.items()}),
            sources=MappingProxyType(text),
            unsourced=frozenset(k for k, v in entry.items() if not v.get("sourced", True)),
        )
    return MappingProxyType(entries)


def _material(name: object) -> Material:
    if not isinstance(name, str):
        raise DesignError(f"material must be a name of the library, got {name!r}", key="material")
    entry = library().get(name)
    if entry is None:
        raise DesignError(f"unknown material {name!r}; {_nearest(name, library())}", key="material")
    return entry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laminate:
    """Stiffness and inertia of a board as a plate about its mid-surface, in SI, in the part's axes.

    With u_x(z) = u + z bx, u_y(z) = v + z by and strains ordered [xx, yy, xy] (engineering shear):
    N = A e + B k, M = B e + D k, Q = S g with g = [w,x + bx, w,y + by].

    Attributes
    ----------
    A, B, D : ndarray, shape (3, 3)
        Membrane (N/m), coupling (N) and bending (N m) stiffness.
    S : ndarray, shape (2, 2)
        Transverse shear stiffness (N/m), rows [xz, yz], its energy-equivalent shear correction included.
    mass, first_moment, rotary : float
        Integrals of density times 1, z and z squared: kg/m2, kg/m, kg.
    thickness_m : float
        Thickness in metres.
    """

    A: Array
    B: Array
    D: Array
    S: Array
    mass: float
    first_moment: float
    rotary: float
    thickness_m: float


@lru_cache(maxsize=512)
def laminate(board: Board, grain_deg: float = 0.0) -> Laminate:
    """Return the plate stiffness of `board` turned by `grain_deg` on its part (classical lamination theory).

    The arrays are read-only, as results are shared between equal calls. See `_shear_stiffness` for S.
    """
    h = board.thickness / 1000.0
    # In units of the thickness everything is of one size, and the solve for the shear flow is well conditioned.
    zeta = np.concatenate([[0.0], np.cumsum([k.thickness for k in board.layers])]) / board.thickness - 0.5
    turn = [k.angle_deg + grain_deg for k in board.layers]
    Q = _layer_stiffness(board.layers, turn)
    A, B, D = _moments(zeta, Q)
    if np.abs(B).max() < 1e-13 * np.abs(A).max():  # symmetric but for rounding
        B = np.zeros((3, 3))
    rho = np.array([k.density_kg_m3 for k in board.layers])
    m0, m1, m2 = (float(m) for m in _moments(zeta, rho))
    S = _shear_stiffness(board.layers, zeta, turn, _principal_deg((D, B, A), turn[0])) * h
    stiffness = [A * h, B * h**2, D * h**3, S]
    for matrix in stiffness:
        matrix.setflags(write=False)
    return Laminate(
        A=stiffness[0],
        B=stiffness[1],
        D=stiffness[2],
        S=stiffness[3],
        mass=m0 * h,
        first_moment=0.0 if abs(m1) < 1e-13 * m0 else m1 * h**2,
        rotary=m2 * h**3,
        thickness_m=h,
    )


def _moments(zeta: Array, layered: Array) -> tuple[Array, Array, Array]:
    """Integrate a layer-wise constant quantity times 1, zeta, zeta squared through the thickness."""
    first, second, third = (np.tensordot(np.diff(zeta**n) / n, layered, axes=1) for n in (1, 2, 3))
    return first, second, third


def _cos_sin(angle_deg: float) -> tuple[float, float]:
    """Cosine and sine, exact at multiples of 90 degrees so that cross-plies stay free of stray coupling."""
    quarter, rest = divmod(angle_deg, 90.0)
    c, s = math.cos(math.radians(rest)), math.sin(math.radians(rest))
    return ((c, s), (-s, c), (-c, -s), (s, -c))[int(quarter) % 4]


def _layer_stiffness(layers: tuple[Layer, ...], turn: list[float]) -> Array:
    """Plane-stress stiffness of each layer in the part's axes, Pa, shape (n, 3, 3)."""
    out = np.empty((len(layers), 3, 3))
    for k, (layer, angle) in enumerate(zip(layers, turn, strict=True)):
        E1, E2, nu = layer.E1_GPa, layer.E2_GPa, layer.poisson12
        f = 1.0 - nu**2 * E2 / E1
        q = np.array([[E1 / f, nu * E2 / f, 0.0], [nu * E2 / f, E2 / f, 0.0], [0.0, 0.0, layer.G12_GPa]]) * 1e9
        c, s = _cos_sin(angle)
        strain = np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]])
        out[k] = strain.T @ q @ strain
    return out


def _layer_shear_compliance(layers: tuple[Layer, ...], turn: list[float]) -> Array:
    """Compliance of each layer to [xz, yz] shear in the part's axes, 1/Pa, shape (n, 2, 2)."""
    out = np.empty((len(layers), 2, 2))
    for k, (layer, angle) in enumerate(zip(layers, turn, strict=True)):
        c, s = _cos_sin(angle)
        rotate = np.array([[c, s], [-s, c]])
        out[k] = rotate.T @ np.diag([1e-9 / layer.G13_GPa, 1e-9 / layer.G23_GPa]) @ rotate
    return out


def _principal_deg(stiffness: tuple[Array, ...], fallback_deg: float) -> float:
    """Direction of the plate's principal axes: those of the first stiffness that is not alike in all directions."""
    scale = np.trace(stiffness[0])
    for C in stiffness:
        across, shear = C[0, 0] - C[1, 1], 2.0 * (C[0, 2] + C[1, 2])
        if math.hypot(across, shear) > 1e-9 * scale:
            return math.degrees(0.5 * math.atan2(shear, across))
    return fallback_deg


def _shear_stiffness(layers: tuple[Layer, ...], zeta: Array, turn: list[float], axis_deg: float) -> Array:
    """Energy-equivalent transverse shear stiffness for a board of unit thickness, shape (2, 2).

    Along each principal axis the board is bent cylindrically without net in-plane force (so the flow turns
    about the neutral plane of an unsymmetric board); equilibrium gives the shear stress through the thickness,
    and S is the stiffness that stores its energy: 5/6 of G h for a homogeneous board. After J. M. Whitney,
    J. Applied Mechanics 40 (1973) 302-304 (from memory), extended to both shear forces at once.
    """
    turn = [angle - axis_deg for angle in turn]
    Q, compliance = _layer_stiffness(layers, turn), _layer_shear_compliance(layers, turn)
    nodes, weights = np.polynomial.legendre.leggauss(3)  # exact: the energy is of fourth degree in each layer
    lower, width = zeta[:-1, None], np.diff(zeta)[:, None]
    z = lower + width * (nodes + 1.0) / 2.0
    flows = []
    for axis in (0, 1):
        pair = np.ix_([axis, 2], [axis, 2])
        q = np.array([layer[pair] for layer in Q])
        A, B, D = _moments(zeta, q)
        gradient = np.linalg.solve(np.block([[A, B], [B, D]]), np.array([0.0, 0.0, 1.0, 0.0]))
        q_e, q_k = q @ gradient[:2], q @ gradient[2:]
        whole = q_e * width + q_k * np.diff(zeta**2)[:, None] / 2.0
        below = np.cumsum(whole, axis=0) - whole
        rise = q_e[:, None, :] * (z - lower)[..., None] + q_k[:, None, :] * ((z**2 - lower**2) / 2.0)[..., None]
        flow = -(below[:, None, :] + rise)  # [along the axis, across it]
        flows.append(flow if axis == 0 else flow[..., ::-1])
    flow = np.stack(flows)
    energy = np.einsum("ikgc,kcd,jkgd,kg->ij", flow, compliance, flow, width * weights / 2.0)
    c, s = _cos_sin(axis_deg)
    rotate = np.array([[c, s], [-s, c]])
    S: Array = rotate.T @ np.linalg.inv((energy + energy.T) / 2.0) @ rotate
    return (S + S.T) / 2.0
