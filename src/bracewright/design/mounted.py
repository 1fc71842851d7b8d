"""What is mounted on the boards: drivers and damping sheets. Lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass

from bracewright.design.checks import MM_HINT, choice, length, number, text
from bracewright.errors import DesignError


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """A driver mounted in an opening.

    Its mass acts evenly along the opening's edge and adds no stiffness unless ``frame`` is ``"rigid"``.

    Parameters
    ----------
    gasket_N_mm, gasket_loss_factor : float
        Stiffness of what lies between frame and panel, along the axis; 0 is a hard mounting.
    rear_brace : str
        Brace across the driver's axis that its rear touches.
    rear_N_mm : float
        Stiffness of that contact.
    """

    opening: str
    mass_kg: float
    moving_mass_g: float = 0.0
    piston_area_cm2: float = 0.0
    volume_l: float = 0.0
    depth: float = 0.0
    frame: str = "free"
    gasket_N_mm: float = 0.0
    gasket_loss_factor: float = 0.1
    rear_brace: str = ""
    rear_N_mm: float = 0.0

    def __post_init__(self) -> None:
        text(self.opening, "opening")
        number(self.mass_kg, "mass_kg", low=0.0, high=60.0, hint="kg")
        number(self.moving_mass_g, "moving_mass_g", low=0.0, high=2000.0, hint="g")
        number(self.piston_area_cm2, "piston_area_cm2", low=0.0, high=5000.0, hint="cm2")
        number(self.volume_l, "volume_l", low=0.0, high=100.0, hint="litres")
        number(self.depth, "depth", low=0.0, high=1000.0, hint=MM_HINT)
        choice(self.frame, "frame", ("free", "rigid"))
        number(self.gasket_N_mm, "gasket_N_mm", low=0.0, high=1e8, hint="N per mm")
        number(self.gasket_loss_factor, "gasket_loss_factor", low=0.0, high=2.0)
        number(self.rear_N_mm, "rear_N_mm", low=0.0, high=1e8, hint="N per mm")
        if bool(self.rear_brace) != (self.rear_N_mm > 0):
            raise DesignError("give rear_brace and rear_N_mm together, or neither", key="rear_brace")


@dataclass(frozen=True, slots=True, kw_only=True)
class Damping:
    """A damping sheet stuck to a panel's inside or to a brace's upper side (towards larger coordinates).

    Parameters
    ----------
    part : str
    thickness : float
    E_GPa, poisson, density_kg_m3, loss_factor : float
        Of the sheet itself.
    centre, size : (float, float), optional
        In-plane rectangle it covers, mm; without them it covers the whole part.
    cover_thickness, cover_E_GPa, cover_density_kg_m3 : float, optional
        A stiff layer on the sheet, such as a metal foil, which makes the sheet shear; all three or none.
    """

    part: str
    thickness: float
    E_GPa: float
    density_kg_m3: float
    loss_factor: float
    poisson: float = 0.4
    centre: tuple[float, float] | None = None
    size: tuple[float, float] | None = None
    cover_thickness: float = 0.0
    cover_E_GPa: float = 0.0
    cover_density_kg_m3: float = 0.0

    def __post_init__(self) -> None:
        text(self.part, "part")
        length(self.thickness, "thickness", low=0.1, high=60.0)
        number(self.E_GPa, "E_GPa", low=1e-5, high=300.0, hint="GPa")
        number(self.density_kg_m3, "density_kg_m3", low=5.0, high=12000.0, hint="kg/m3")
        number(self.loss_factor, "loss_factor", low=0.0, high=3.0)
        number(self.poisson, "poisson", low=0.0, high=0.499)
        if (self.centre is None) != (self.size is None):
            raise DesignError("give centre and size together, or neither", key="size")
        for v in self.centre or ():
            number(v, "centre")
        for v in self.size or ():
            length(v, "size", low=5.0, high=5000.0)
        cover = (self.cover_thickness, self.cover_E_GPa, self.cover_density_kg_m3)
        if any(cover):
            if not all(cover):
                raise DesignError(
                    "give cover_thickness, cover_E_GPa and cover_density_kg_m3 together, or none", key="cover_thickness"
                )
            length(self.cover_thickness, "cover_thickness", low=0.01, high=20.0)
            number(self.cover_E_GPa, "cover_E_GPa", low=0.01, high=300.0, hint="GPa")
            number(self.cover_density_kg_m3, "cover_density_kg_m3", low=100.0, high=12000.0, hint="kg/m3")
