"""The meshes in the repository: each is read, and stands in for the built-in mesh."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.sparse.linalg import eigsh
from shapely.geometry import Polygon

from bracewright.boards import Board, laminate
from bracewright.design import layout
from bracewright.errors import FileError
from bracewright.examples import example
from bracewright.fem.export import write_vtu
from bracewright.fem.mesh import NASTRAN_ENDINGS, mesh_from_file
from bracewright.fem.modes import Modes, solve
from bracewright.fem.plate import part_matrices
from bracewright.fem.system import Model, build
from bracewright.geometry import circle, rectangle

meshio = pytest.importorskip("meshio")
MESHES = Path(__file__).parents[2] / "meshes"
PLATE = rectangle((200, 125), (400, 250)).polygon().difference(circle((140, 125), 150).polygon())


def region(brace: str) -> Polygon:
    part = layout.part_layout(example(), brace)
    area = part.outline()
    for _, path in part.cuts:
        area = area.difference(path.polygon())
    return area


REGIONS = {
    "plate-with-hole.msh": PLATE,
    "stand-mount-shelf.vtu": region("shelf"),
    "stand-mount-bulkhead.msh": region("bulkhead"),
}


def test_every_mesh_is_described_and_tested():
    files = {p.name for p in MESHES.iterdir()} - {"README.md"}
    assert files == set(REGIONS)
    text = (MESHES / "README.md").read_text("utf-8")
    for name in files:
        count = sum(len(c.data) for c in meshio.read(MESHES / name).cells)
        row = next(line for line in text.splitlines() if f"`{name}`" in line)
        assert row.rstrip("| ").endswith(f"| {count}")


@pytest.mark.parametrize("name", REGIONS)
def test_it_covers_its_part(name):
    mesh, area = mesh_from_file(MESHES / name, REGIONS[name]), REGIONS[name]
    rim = mesh.points[np.unique(mesh.sides[mesh.boundary_sides])] * 1e3
    assert shapely.distance(area.boundary, shapely.points(rim)).max() < 0.02
    # Chords of 20 mm on arcs of 22 mm radius or more stand off by 2.3 mm at most, two thirds of that on average.
    holes = sum(hole.length for hole in area.interiors)
    assert 0 <= mesh.area * 1e6 - area.area <= 20**2 / (8 * 22) * 2 / 3 * holes


def test_plate_with_a_hole_has_the_modes_of_the_solid():
    mesh = mesh_from_file(MESHES / "plate-with-hole.msh", PLATE)
    k, m = part_matrices(mesh, laminate(Board.isotropic(22, 3.5, 0.25, 740)))
    shift = -((2 * np.pi * 100) ** 2)
    values = np.sort(eigsh(k.tocsc(), 12, m.tocsc(), sigma=shift, return_eigenvectors=False))
    assert np.abs(values[:6]).max() < 1e-6 * values[6]
    # Computed independently with 3-D solid elements, extrapolated; free board 400 x 250 x 22, E 3.5 GPa, rho 740.
    solid = [250.0, 250.84, 612.32, 668.12, 807.62, 921.23]
    assert np.sqrt(values[6:]) / (2 * np.pi) == pytest.approx(solid, rel=5e-3)


@pytest.mark.slow
@pytest.mark.parametrize("size", [20, 30, 40])
def test_meshes_of_braces_give_the_modes_of_the_built_in_ones(size):
    cabinet = example()
    files = {"shelf": "stand-mount-shelf.vtu", "bulkhead": "stand-mount-bulkhead.msh"}
    braces = tuple(replace(b, mesh=str(MESHES / files[b.name])) if b.name in files else b for b in cabinet.braces)
    # The brought meshes' sides are 20 mm, and straight along the windows; the panels they stand on may be coarser.
    built_in = solve(build(cabinet, size=size), 12)
    brought = solve(build(replace(cabinet, braces=braces), size=size), 12)
    assert brought.rigid_modes == 6
    assert brought.frequency_Hz == pytest.approx(built_in.frequency_Hz, rel=4e-3)


def test_a_mesh_of_another_part_is_refused():
    with pytest.raises(FileError, match="but the part spans"):
        mesh_from_file(MESHES / "stand-mount-shelf.vtu", REGIONS["stand-mount-bulkhead.msh"])


@pytest.fixture(scope="module")
def solved() -> tuple[Model, Modes]:
    model = build(example(), size=50)
    return model, solve(model, 3)


def test_modes_written_as_vtu_read_back(solved, tmp_path):
    model, modes = solved
    path = tmp_path / "modes.vtu"
    write_vtu(path, model, modes)
    assert [p.name for p in tmp_path.iterdir()] == ["modes.vtu"]
    back = meshio.read(path)
    cabinet = model.cabinet
    size = np.array([cabinet.width, cabinet.depth, cabinet.height])
    assert (back.points.min(axis=0) >= 0).all()
    assert (back.points.max(axis=0) <= size).all()
    assert np.ptp(back.points, axis=0) == pytest.approx(size - 20, abs=25)
    (cells,) = back.cells
    assert cells.type == "triangle6"
    assert len(cells.data) == sum(len(p.mesh.triangles) for p in model.parts.values())
    assert set(back.cell_data["part"][0]) == set(range(len(model.parts)))
    assert set(np.round(back.cell_data["thickness"][0], 6)) == {18.0, 22.0}
    names = [f"mode_{k:02d}_{f:.1f}_Hz" for k, f in enumerate(modes.frequency_Hz, 1)]
    assert list(back.point_data) == names
    moved = back.point_data[names[0]]
    assert moved.shape == (len(back.points), 3)
    k = list(model.parts).index("back")
    part = model.parts["back"]
    nodes = np.unique(cells.data[back.cell_data["part"][0] == k])
    ours = modes.shapes[model.of_part("back"), 0].reshape(-1, 5)[:, :3] @ part.rotation
    assert moved[nodes] == pytest.approx(ours, rel=1e-12, abs=1e-15)
    assert back.points[nodes] == pytest.approx(part.to_space(part.mesh.points) * 1e3, rel=1e-12, abs=1e-9)


def test_middle_nodes_are_written_between_their_corners(solved, tmp_path):
    write_vtu(tmp_path / "m.vtu", *solved)
    back = meshio.read(tmp_path / "m.vtu")
    xyz = back.points[back.cells[0].data]
    middles = (xyz[:, [0, 1, 2]] + xyz[:, [1, 2, 0]]) / 2
    length = np.linalg.norm(xyz[:, 0] - xyz[:, 1], axis=1).max()
    assert np.linalg.norm(xyz[:, 3:] - middles, axis=2).max() < 0.15 * length


def test_a_failed_write_leaves_the_old_mesh(solved, tmp_path):
    (tmp_path / "m.vtu").write_text("mine")
    with pytest.raises(FileError, match="cannot be written"):
        write_vtu(tmp_path / "no" / "m.vtu", *solved)
    assert (tmp_path / "m.vtu").read_text() == "mine"


@pytest.mark.parametrize("ending", NASTRAN_ENDINGS)
@pytest.mark.parametrize("text", ["BEGIN BULK\n", "BEGIN BULK\n$ nothing\n", "ENDDATA\n", "ENDDATA\nBEGIN BULK\n"])
def test_bulk_data_that_does_not_end_is_refused(ending, text, tmp_path):
    path = tmp_path / f"part{ending}"
    path.write_text(text)
    with pytest.raises(FileError, match="no ENDDATA"):
        mesh_from_file(path, rectangle((50, 40), (100, 80)).polygon())
