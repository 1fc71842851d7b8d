"""One layer of a board."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from bracewright.boards.checks import in_degrees, in_GPa, in_kg_m3, in_mm, number
from bracewright.errors import DesignError


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
        values = {k: in_GPa(getattr(self, k), k) for k in ("E1_GPa", "E2_GPa", "G12_GPa", "G13_GPa", "G23_GPa")}
        values["thickness"] = in_mm(self.thickness)
        values["density_kg_m3"] = in_kg_m3(self.density_kg_m3)
        values["angle_deg"] = in_degrees(self.angle_deg, "angle_deg")
        nu = values["poisson12"] = number(self.poisson12, "poisson12", -10.0, 10.0, "Poisson's ratio has no unit")
        ratio = values["E1_GPa"] / values["E2_GPa"]
        if nu**2 >= ratio:
            raise DesignError(
                f"moduli are not positive definite: poisson12 {nu:g} squared must stay below E1/E2 = {ratio:g}; "
                f"is it the other ratio, poisson21 = poisson12 E2/E1?",
                key="poisson12",
            )
        if ratio == 1.0 and math.isclose(values["G12_GPa"], isotropic_G(values["E1_GPa"], nu), rel_tol=1e-9):
            isotropic_poisson(nu, key="poisson12")
        for key, value in values.items():
            object.__setattr__(self, key, value)


LAYER_KEYS = tuple(f.name for f in fields(Layer) if f.name not in ("thickness", "angle_deg"))


def isotropic_G(E_GPa: float, poisson: float) -> float:
    """Return the shear modulus of what is alike in all directions."""
    return E_GPa / (2.0 * (1.0 + poisson))


def isotropic_poisson(value: object, key: str = "poisson") -> float:
    """Return Poisson's ratio of what is alike in all directions of its plane."""
    nu = number(value, key, -1.0, 0.5, "an isotropic board is only stable between -1 and 0.5")
    if not -1.0 < nu < 0.5:
        raise DesignError(f"{key} {nu:g} must lie strictly between -1 and 0.5", key=key)
    return nu
