"""How long things take. Run with ``pytest tests/bench --benchmark-only``; nothing here asserts a time."""

from __future__ import annotations

import resource
from dataclasses import replace

import pytest
from cabinets import box, shelf
from test_gradient import VARIABLES, change, design

from bracewright.design import Cabinet
from bracewright.fem.gradient import Sensitivity
from bracewright.fem.mesh import _CACHE
from bracewright.fem.modes import Modes, solve
from bracewright.fem.moves import follow
from bracewright.fem.system import Model, build

WARM = 1e-6  # eigenvalues of a warm re-solve: far below the 0.05 % in frequency that a search needs
MODES = 40


def braced(count: int) -> Cabinet:
    """A tall box with that many shelves."""
    shelves = tuple(shelf(at=1200 * (k + 1) / (count + 1), name=f"shelf {k}") for k in range(count))
    return box(height=1200, braces=shelves)


def cold(cabinet: Cabinet, size: float = 30.0, count: int = MODES) -> tuple[Model, Modes]:
    _CACHE.clear()
    model = build(cabinet, size=size)
    return model, solve(model, count, prove=False)


@pytest.fixture(scope="module")
def start() -> tuple[Model, Modes]:
    return cold(box(braces=(shelf(),)), count=20)


def test_cold_solve(benchmark) -> None:
    model, modes = benchmark(cold, box(braces=(shelf(),)))
    assert len(modes) == MODES
    benchmark.extra_info["unknowns"] = model.dofs


def warm(model: Model, modes: Modes, cabinet: Cabinet) -> Modes:
    return solve(follow(model, cabinet), 20, prove=False, start=modes.shapes, tolerance=WARM)


def test_warm_after_a_brace_move(benchmark, start: tuple[Model, Modes]) -> None:
    moved = box(braces=(shelf(at=234.0),))
    found = benchmark(warm, *start, moved)
    exact = solve(follow(start[0], moved), 20)
    assert found.frequency_Hz == pytest.approx(exact.frequency_Hz, rel=5e-4)


def test_warm_after_a_pocket_change(benchmark, start: tuple[Model, Modes]) -> None:
    pocket = shelf().pockets[0]
    wider = replace(pocket, shape=replace(pocket.shape, size=(116, 152)))
    moved = box(braces=(shelf(pockets=(wider,)),))
    found = benchmark(warm, *start, moved)
    exact = solve(follow(start[0], moved), 20)
    assert found.frequency_Hz == pytest.approx(exact.frequency_Hz, rel=5e-4)


def test_gradient_of_all_variables(benchmark) -> None:
    model = build(design())
    modes = solve(model, 20, prove=False)
    changes = [change(name) for name in VARIABLES]
    g = benchmark(lambda: Sensitivity(model, modes).frequencies(changes))
    assert g.shape == (len(VARIABLES), 20)


@pytest.mark.parametrize("braces", [0, 2, 4, 8])
def test_growth_with_braces(benchmark, braces: int) -> None:
    model, _ = benchmark.pedantic(cold, args=(braced(braces),), rounds=2)
    benchmark.extra_info["unknowns"] = model.dofs


@pytest.mark.parametrize("size", [45.0, 30.0, 20.0, 14.0, 10.0])
def test_growth_with_mesh(benchmark, size: float) -> None:
    model, modes = benchmark.pedantic(cold, args=(box(braces=(shelf(),)), size), rounds=1)
    benchmark.extra_info["unknowns"] = model.dofs
    benchmark.extra_info["peak_MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    benchmark.extra_info["seconds"] = dict(modes.seconds)
