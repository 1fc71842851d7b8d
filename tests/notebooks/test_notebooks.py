"""Notebooks: stored with their outputs, free of this machine's traces, and still running."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
TRACES = re.compile(r"/home/|/root|/tmp/|/Users/|[A-Z]:\\\\|site-packages|Traceback|Warning")


def read(path: Path) -> nbformat.NotebookNode:
    return nbformat.read(path, as_version=4)


def code_cells(path: Path) -> list[nbformat.NotebookNode]:
    return [c for c in read(path).cells if c.cell_type == "code"]


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_is_valid_and_normalised(path):
    notebook = read(path)
    nbformat.validate(notebook)
    changes, _ = nbformat.validator.normalize(notebook)
    assert changes == 0
    assert all(not c.metadata for c in notebook.cells)
    assert set(notebook.metadata) == {"kernelspec", "language_info"}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_outputs_are_stored_whole_and_in_order(path):
    cells = code_cells(path)
    assert [c.execution_count for c in cells] == list(range(1, len(cells) + 1))
    outputs = [o for c in cells for o in c.outputs]
    assert all(o.output_type in ("stream", "execute_result", "display_data") for o in outputs)
    assert all(o.name == "stdout" for o in outputs if o.output_type == "stream")
    for cell in cells:
        if "print(" in cell.source or ".figure" in cell.source or "before_after" in cell.source:
            assert cell.outputs, cell.source
    text = [o.text for o in outputs if o.output_type == "stream"]
    text += [str(o.data.get("text/plain", "")) for o in outputs if o.output_type != "stream"]
    assert not [t for t in text if TRACES.search(t)]
    assert any("image/png" in o.get("data", {}) for o in outputs)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_asserts_a_number_and_imports_the_public_door_only(path):
    source = "\n".join(c.source for c in code_cells(path))
    assert re.search(r"^assert .*\d", source, re.MULTILINE)
    assert not re.search(r"(from|import) bracewright\.", source)


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_runs(path):
    notebook = read(path)
    stored = [o.output_type for c in code_cells(path) for o in c.outputs]
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    files = sorted(FOLDER.iterdir())
    place = {"metadata": {"path": str(FOLDER)}}
    NotebookClient(notebook, timeout=1200, kernel_name="python3", resources=place).execute()
    assert sorted(FOLDER.iterdir()) == files
    assert [o.output_type for c in notebook.cells if c.cell_type == "code" for o in c.outputs] == stored
