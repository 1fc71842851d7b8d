"""From a cabinet to drawings, coordinates and cut files."""

from bracewright.make.assembly import Assembly, Step, assembly
from bracewright.make.buildsheet import tap_points
from bracewright.make.cautions import CAUTIONS
from bracewright.make.coordinates import read_csv, read_json
from bracewright.make.cutter import Corner, check_cutter, templates, unreached
from bracewright.make.drawings import drawings
from bracewright.make.dxf import sheet_dxf, to_dxf
from bracewright.make.joinery import joints
from bracewright.make.joint import Joint
from bracewright.make.nesting import Placement, Sheet, nest, placed
from bracewright.make.pages import full_size_pdf
from bracewright.make.parts import Bevel, Operation, PartDrawing
from bracewright.make.sheets import BoardTotal, CutListRow, board_totals, cut_list
from bracewright.make.sketch import of_part, svg
from bracewright.make.workshop import check_folder, export, file_stems, obstacles

__all__ = [
    "CAUTIONS",
    "Assembly",
    "Bevel",
    "BoardTotal",
    "Corner",
    "CutListRow",
    "Joint",
    "Operation",
    "PartDrawing",
    "Placement",
    "Sheet",
    "Step",
    "assembly",
    "board_totals",
    "check_cutter",
    "check_folder",
    "cut_list",
    "drawings",
    "export",
    "file_stems",
    "full_size_pdf",
    "joints",
    "nest",
    "obstacles",
    "of_part",
    "placed",
    "read_csv",
    "read_json",
    "sheet_dxf",
    "svg",
    "tap_points",
    "templates",
    "to_dxf",
    "unreached",
]
