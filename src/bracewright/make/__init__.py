"""From a cabinet to drawings, coordinates and cut files."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from bracewright.design.cabinet import Cabinet
from bracewright.errors import FileError
from bracewright.files import write_file
from bracewright.make import coordinates, dxf, sheets
from bracewright.make.cautions import CAUTIONS, READING
from bracewright.make.coordinates import read_csv, read_json
from bracewright.make.drawings import Bevel, Operation, PartDrawing, drawings, panel_extent
from bracewright.make.dxf import to_dxf, write_dxf
from bracewright.make.sheets import BoardTotal, CutListRow, board_totals, cut_list

__all__ = [
    "CAUTIONS",
    "Bevel",
    "BoardTotal",
    "CutListRow",
    "Operation",
    "PartDrawing",
    "board_totals",
    "cut_list",
    "drawings",
    "export",
    "file_stems",
    "panel_extent",
    "read_csv",
    "read_json",
    "to_dxf",
    "write_dxf",
]

# Names that Windows keeps for devices, whatever the ending.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in "0123456789¹²³")}


def export(cabinet: Cabinet, folder: str | os.PathLike[str], *, dxf_version: str = "R2010") -> tuple[Path, ...]:
    """Write everything a workshop needs to cut the parts.

    A DXF per part, ``coordinates.csv``, ``coordinates.json``, ``cut-list.csv`` and ``read-me-first.txt``, which
    names the files that belong together. All is worked out before the first file is written; files of the same
    name are replaced, others in the folder are left alone.

    Parameters
    ----------
    cabinet : Cabinet
    folder : path
        Made if it is missing.
    dxf_version : {"R2010", "R12"}

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    DesignError
        A part cannot be drawn, or the DXF version is unknown.
    FileError
        The folder or a file cannot be written, or a DXF does not pass its audit.
    """
    parts = drawings(cabinet)
    stems = file_stems(p.name for p in parts)
    content: dict[str, str | bytes] = {f"{stems[p.name]}.dxf": dxf.to_dxf(p, version=dxf_version) for p in parts}
    content["coordinates.csv"] = coordinates.to_csv(parts)
    content["coordinates.json"] = coordinates.to_json(parts, cabinet=cabinet.name)
    content["cut-list.csv"] = sheets.to_csv(cut_list(cabinet, parts))
    listed = "".join(f"  {name}\n" for name in content)
    content["read-me-first.txt"] = f"{CAUTIONS}\n{READING}\nFILES OF {cabinet.name}\n\n{listed}"
    root = Path(folder)
    try:
        root.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"{root}: the folder cannot be made ({e.strerror}); check the name and the rights") from e
    for name, data in content.items():
        write_file(root / name, data)
    return tuple(root / name for name in content)


def file_stems(names: Iterable[str]) -> dict[str, str]:
    """Return for each name a file name, without ending, that every common file system takes and none confuses."""
    stems: dict[str, str] = {}
    for name in names:
        kept = "".join(
            c if c.isprintable() and c not in '/\\:*?"<>|' else "_" for c in unicodedata.normalize("NFC", name)
        )
        stem = kept.encode()[:120].decode(errors="ignore").strip(" .") or "part"
        if stem.split(".")[0].rstrip(" ").casefold() in _RESERVED:
            stem = f"_{stem}"
        taken = {s.casefold() for s in stems.values()}
        number = 2
        unique = stem
        while unique.casefold() in taken:
            unique, number = f"{stem}-{number}", number + 1
        stems[name] = unique
    return stems
