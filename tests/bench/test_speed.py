"""How long things take. Run with ``pytest tests/bench --benchmark-only -n 0``; nothing here asserts a time."""

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
from bracewright.fem.near import Anchor
from bracewright.fem.system import Model, build

WARM = 5e-4  # of the frequencies of a warm re-solve
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
def start() -> Anchor:
    return Anchor.of(box(braces=(shelf(),)), 20)


def test_cold_solve(benchmark) -> None:
    model, modes = benchmark(cold, box(braces=(shelf(),)))
    assert len(modes) == MODES
    benchmark.extra_info["unknowns"] = model.dofs


def test_warm_after_a_brace_move(benchmark, start: Anchor) -> None:
    moved = box(braces=(shelf(at=234.0),))
    model, found = benchmark(start.solve, moved, tolerance=WARM)
    assert found.frequency_Hz == pytest.approx(solve(model, 20).frequency_Hz, rel=WARM)


def test_warm_after_a_pocket_change(benchmark, start: Anchor) -> None:
    pocket = shelf().pockets[0]
    wider = replace(pocket, shape=replace(pocket.shape, size=(116, 152)))
    moved = box(braces=(shelf(pockets=(wider,)),))
    model, found = benchmark(start.solve, moved, tolerance=WARM)
    assert found.frequency_Hz == pytest.approx(solve(model, 20).frequency_Hz, rel=WARM)


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
