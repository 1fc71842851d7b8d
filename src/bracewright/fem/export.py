"""Modes out, as a mesh that common viewers read."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bracewright.fem.mesh import MM
from bracewright.fem.modes import Modes
from bracewright.fem.plate import FIELDS
from bracewright.fem.system import Model
from bracewright.files import write_file

Array = NDArray[np.float64]


def displacement(model: Model, modes: Modes, part: str) -> Array:
    """Return a part's mid-surface motion in space, shape (nodes, 3, modes), normalised as the modes are."""
    p = model.parts[part]
    fields = modes.shapes[model.of_part(part)].reshape(len(p.mesh.points), FIELDS, -1)
    return np.asarray(np.einsum("nfm,fx->nxm", fields[:, :3], p.rotation))


def write_vtu(path: str | os.PathLike[str], model: Model, modes: Modes) -> None:
    """Write every part in its place, mode shapes as point data, as an unstructured VTK mesh.

    Points are in mm. The point data ``mode_01_123.4_Hz`` and so on are displacements of the mid-surfaces (n, 3),
    normalised as the modes are. The cell data ``part`` numbers the parts in the model's order, ``thickness`` is in mm.

    Raises
    ------
    FileError
        If the file cannot be written; one that was there is then untouched.
    """
    import meshio

    points, cells, number, thickness, motion = [], [], [], [], []
    first = 0
    for k, p in enumerate(model.parts.values()):
        points.append(p.to_space(p.mesh.points) / MM)
        cells.append(p.mesh.nodes6 + first)
        number.append(np.full(len(p.mesh.triangles), k))
        thickness.append(np.full(len(p.mesh.triangles), p.thickness / MM))
        motion.append(displacement(model, modes, p.name))
        first += len(p.mesh.points)
    shapes = np.concatenate(motion)
    mesh = meshio.Mesh(
        np.concatenate(points),
        [("triangle6", np.concatenate(cells))],
        point_data={
            f"mode_{m + 1:02d}_{f:.1f}_Hz": np.ascontiguousarray(shapes[:, :, m])
            for m, f in enumerate(modes.frequency_Hz)
        },
        cell_data={"part": [np.concatenate(number)], "thickness": [np.concatenate(thickness)]},
    )
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "modes.vtu"
        meshio.write(whole, mesh, file_format="vtu")
        write_file(path, whole.read_bytes())
