"""Boards: layers of wood, the sourced library of them, and their stiffness as plates.

Records are in the units of the design file (mm, GPa, kg/m3); a `Laminate` is in SI, ready for the solver.
Direction 1 of a layer lies `angle_deg` from the part's first in-plane axis towards its second.
"""

from bracewright.boards.board import Board
from bracewright.boards.lamination import Laminate, laminate
from bracewright.boards.layer import Layer
from bracewright.boards.materials import Material, library

__all__ = ["Board", "Laminate", "Layer", "Material", "laminate", "library"]
