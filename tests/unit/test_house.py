"""The house: imports run downwards between floors, every module is listed, heavy libraries come in late."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

import bracewright

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src" / "bracewright"
# Room -> floor. A module belongs to the longest listed name that starts its own.
FLOORS: dict[str, float] = {
    "errors": 0,
    "files": 0.5,
    "geometry": 1,
    "boards": 1,
    "design": 2,
    "examples": 3,
    "fem": 3,
    "sound": 4,
    "make": 5,
    "tune": 5,
    "measure": 5,
    "show": 6,
    "cli": 7,
    "__main__": 8,
    "__init__": 9,
}
ROOMS = {
    "": "__init__ __main__ errors files",
    "boards": "__init__ board checks lamination layer materials",
    "geometry": "__init__ biarcs path pieces relations shapes",
    "design": "__init__ account cabinet chambers checks clearances designfile fits joinery layout mounted panels "
    "pockets solid tables tuning",
    "examples": "__init__",
    "fem": "__init__ arms blocks energies export factor gradient joint_energies joints mesh modes moves near parts "
    "plate section section_solve sheets slabs supports system thick",
    "sound": "__init__ air baffled bem damping drive force listen medium radiate report response run surface",
    "make": "__init__ assembly booklet buildsheet cautions coordinates cutter details drawings dxf folder joinery "
    "joint laps mating nesting pages parts sheets sketch workshop",
    "tune": "__init__ archive choices constraints goals interpolant levels looks margins optimiser pockets result "
    "robust run search sensitivity tradeoff variables",
    "measure": "__init__ blows fit fitted formats frf identify job loose offcut pair parameters plan poles predict "
    "quality records refine tapfiles",
    "cli": "__init__ arguments commands searches terminal",
    "show": "__init__ canvas explorer explorer_widget handles measure_plots page plots pocket_plots report report_text "
    "sound_plots space_plots states",
}
MODULES = [f"{room}.{m}".lstrip(".") for room, names in ROOMS.items() for m in names.split()]
LATE = {"matplotlib", "ezdxf", "meshio", "netgen", "IPython", "cholespy", "pymetis"}


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(SOURCE).with_suffix("").parts)


FILES = {name_of(p): p for p in sorted(SOURCE.rglob("*.py"))}


def room(module: str) -> str:
    first = module.split(".")[0]
    return first if first in FLOORS else "__init__"


def imports(path: Path) -> list[str]:
    """Every module imported anywhere in a file, functions included; `from a import b` as a.b where b is a module."""
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            for alias in node.names:
                if (node.module, alias.name) == ("bracewright", "__version__"):  # written before all else there
                    continue
                whole = f"{node.module}.{alias.name}"
                inside = whole.removeprefix("bracewright.")
                found.append(whole if inside in FILES or f"{inside}.__init__" in FILES else str(node.module))
    return found


def arrows(module: str) -> list[str]:
    return [
        i.removeprefix("bracewright").removeprefix(".") or "__init__"
        for i in imports(FILES[module])
        if i.split(".")[0] == "bracewright"
    ]


def test_every_module_is_listed_and_every_listed_one_exists():
    assert set(FILES) ^ set(MODULES) == set()


@pytest.mark.parametrize("module", sorted(FILES))
def test_imports_run_downwards(module):
    here = room(module)
    wrong = []
    for target in arrows(module):
        there = room(target)
        if there != here and FLOORS[there] >= FLOORS[here]:
            wrong.append(f"{module} -> {target}")
    assert not wrong


def test_the_walk_sees_imports_inside_functions():
    assert "show.plots" in arrows("cli.searches")
    assert "design.fits" in arrows("design.cabinet")


@pytest.mark.parametrize("module", sorted(FILES))
def test_heavy_libraries_are_not_imported_with_the_module(module):
    top: list[ast.stmt] = []
    todo: list[ast.stmt] = list(ast.parse(FILES[module].read_text("utf-8")).body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        top.append(node)
        todo += [n for n in ast.iter_child_nodes(node) if isinstance(n, ast.stmt)]
    names = {a.name.split(".")[0] for n in top if isinstance(n, ast.Import) for a in n.names}
    names |= {str(n.module).split(".")[0] for n in top if isinstance(n, ast.ImportFrom)}
    assert not names & LATE


def run(code: str) -> str:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout


def test_importing_the_package_loads_nothing_heavy():
    code = f"import sys, bracewright; print(sorted(set(sys.modules) & {LATE | {'numpy', 'scipy', 'skfem'}!r}))"
    assert run(code).strip() == "[]"


def test_building_and_solving_loads_no_picture_or_drawing_library():
    code = (
        "import sys, bracewright as bw; c = bw.example(); bw.account(c); bw.build, bw.solve, bw.search\n"
        f"print(sorted(set(sys.modules) & {LATE!r}))"
    )
    assert run(code).strip() == "[]"


def test_every_public_name_loads_and_the_door_stays_small():
    names = [n for n in bracewright.__all__ if not n.startswith("_")]
    assert 20 <= len(names) <= 36
    for name in names:
        assert getattr(bracewright, name) is not None
    assert set(names) <= set(dir(bracewright))
    with pytest.raises(AttributeError, match="it has Board, "):
        bracewright.acount  # noqa: B018


def test_the_version_is_written_once():
    text = (ROOT / "pyproject.toml").read_text("utf-8")
    assert 'dynamic = ["version"]' in text
    assert version("bracewright") == bracewright.__version__
