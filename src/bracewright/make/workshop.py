"""Everything a workshop needs to make the parts, as files in a folder; and what keeps a design from being made."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError
from bracewright.make import coordinates, dxf, sheets
from bracewright.make.assembly import assembly
from bracewright.make.booklet import booklet_pdf, to_html
from bracewright.make.buildsheet import blocks
from bracewright.make.cautions import CAUTIONS, READING
from bracewright.make.cutter import check_cutter, templates
from bracewright.make.drawings import drawings
from bracewright.make.folder import LIST, check_names, write_set
from bracewright.make.nesting import nest
from bracewright.make.pages import full_size_pdf
from bracewright.make.sheets import cut_list
from bracewright.make.sketch import of_part, svg

LISTS = ("coordinates.csv", "coordinates.json", "cut-list.csv", "build-sheet.html", "build-sheet.pdf")
READ_FIRST = "read-me-first.txt"
# Names that Windows keeps for devices, whatever the ending.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in "0123456789¹²³")}


def export(cabinet: Cabinet, folder: str | os.PathLike[str], *, dxf_version: str = "R2010") -> tuple[Path, ...]:
    """Write everything a workshop needs to make the parts.

    In the folder itself a DXF per part, ``coordinates.csv``, ``coordinates.json``, ``cut-list.csv``,
    ``build-sheet.html``, ``build-sheet.pdf`` and ``read-me-first.txt``, which names the files that belong together;
    in ``sheets`` a DXF per sheet, in ``svg`` and ``full-size`` each part as SVG and as PDF to print at full size, in
    ``templates`` the templates for routing by hand. All is worked out before the first file is written. The files of
    an earlier call are replaced or, where the part is gone, removed, as long as nobody has changed them (``files.json``
    tells); all others are left alone.

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
        A part or a joint cannot be cut, a cutter is too large, a part larger than its sheet, or the DXF version is
        unknown.
    FileError
        A file in the way is not of an earlier call or has been changed since; a folder or a file cannot be written;
        or a DXF does not pass its audit.
    """
    return write_set(folder, _content(cabinet, dxf_version))


def check_folder(cabinet: Cabinet, folder: str | os.PathLike[str]) -> None:
    """Refuse a folder where `export` would find files of others in its way; raises FileError.

    Asked before a long search, whose outcome may have other sheets and templates: those are not looked for.
    """
    stems = file_stems(cabinet.parts)
    check_names(folder, [*(f"{s}.dxf" for s in stems.values()), *LISTS, READ_FIRST])


def obstacles(cabinet: Cabinet) -> tuple[str, ...]:
    """Return what keeps a sound design from being made as it is: what `export` refuses, what locks in assembly."""
    try:
        parts = drawings(cabinet)
        check_cutter(parts, cabinet.joinery)
        nest(cabinet, parts)
    except DesignError as e:
        return (str(e),)
    return tuple(f"{', '.join(g)} lock each other and cannot be assembled" for g in assembly(cabinet).conflicts)


def _content(cabinet: Cabinet, dxf_version: str) -> dict[str, str | bytes]:
    """Return the content of every file by its name, folders parted by a slash."""
    parts = drawings(cabinet)
    joinery = cabinet.joinery
    check_cutter(parts, joinery)
    stems = file_stems(p.name for p in parts)
    out: dict[str, str | bytes] = {f"{stems[p.name]}.dxf": dxf.to_dxf(p, version=dxf_version) for p in parts}
    nested = nest(cabinet, parts)
    page = blocks(cabinet, parts, nested)
    lists = (
        coordinates.to_csv(parts),
        coordinates.to_json(parts, cabinet=cabinet.name),
        sheets.to_csv(cut_list(cabinet, parts)),
        to_html(page, cabinet.name),
        booklet_pdf(page),
    )
    out |= zip(LISTS, lists, strict=True)
    for title, sheet in zip(file_stems(s.title for s in nested).values(), nested, strict=True):
        out[f"sheets/{title}.dxf"] = dxf.sheet_dxf(sheet, parts, oversize=joinery.oversize, version=dxf_version)
    for p in parts:
        out[f"svg/{stems[p.name]}.svg"] = svg(of_part(p))
        out[f"full-size/{stems[p.name]}.pdf"] = full_size_pdf(p)
    guides = [t for p in parts for t in templates(p, joinery)]
    for stem, t in zip(file_stems(t.name for t in guides).values(), guides, strict=True):
        out[f"templates/{stem}.dxf"] = dxf.to_dxf(t, version=dxf_version)
        out[f"templates/{stem}.pdf"] = full_size_pdf(t)
    out["templates/coordinates.csv"] = coordinates.to_csv(guides)
    out["templates/coordinates.json"] = coordinates.to_json(guides, cabinet=cabinet.name)
    listed = "".join(f"  {name}\n" for name in (*out, LIST))
    warned = "".join(
        f"CANNOT BE ASSEMBLED AS DRAWN: {', '.join(group)} lock each other.\n\n"
        for group in assembly(cabinet).conflicts
    )
    out[READ_FIRST] = f"{warned}{CAUTIONS}\n{READING}\nFILES OF {cabinet.name}\n\n{listed}"
    return out


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
