"""How large it may get: a tall cabinet of twelve braces with 200 modes, and many designs on a cluster of processes.

    python tests/bench/scale.py                 the large cabinet
    python tests/bench/scale.py --sweep 10000   that many designs on dask instead (needs the `cluster` extra)

Prints unknowns, seconds and the largest memory of a process.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from itertools import islice

import numpy as np

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, Driver, Opening, Panel, Pocket
from bracewright.design.cabinet import PANELS
from bracewright.design.pockets import Circle, Rectangle
from bracewright.errors import MeshError, SolveError
from bracewright.fem.modes import solve
from bracewright.fem.near import Anchor
from bracewright.fem.system import build

HEIGHT, WIDTH, DEPTH = 1600.0, 300.0, 420.0  # mm
SHELVES = 10
MODES = 200
BATCH = 100  # designs at once in the hands of the cluster: memory does not grow with the sweep


def large() -> Cabinet:
    """Ten shelves and two uprights that cross them, two pockets in each brace."""
    boards = (Board.of("mdf", 22.0, name="carcass"), Board.of("birch_plywood", 18.0, name="brace"))

    def two(a: tuple[float, float], b: tuple[float, float], size: tuple[float, float]) -> tuple[Pocket, ...]:
        return tuple(
            Pocket(shape=Rectangle(centre=c, size=size, corner_radius=20.0), name=n)
            for c, n in ((a, "one"), (b, "two"))
        )

    shelves = tuple(
        Brace(
            name=f"shelf {k}",
            normal="z",
            at=80.0 + 144.0 * k,
            board="brace",
            pockets=two((150.0, 107.0), (150.0, 313.0), (140.0, 110.0)),
        )
        for k in range(SHELVES)
    )
    uprights = (
        Brace(
            name="keel",
            normal="y",
            at=210.0,
            board="brace",
            pockets=two((150.0, 440.0), (150.0, 1160.0), (90.0, 80.0)),
        ),
        Brace(
            name="fin",
            normal="x",
            at=150.0,
            board="brace",
            within=(("y", ("keel", "back")), ("z", (f"shelf {SHELVES - 2}", f"shelf {SHELVES - 1}"))),
            pockets=(
                Pocket(shape=Circle(centre=(260.0, 1304.0), diameter=50.0), name="one"),
                Pocket(shape=Circle(centre=(350.0, 1304.0), diameter=50.0), name="two"),
            ),
        ),
    )
    openings = tuple(
        Opening(name=f"woofer {k}", panel="front", shape=Circle(centre=(150.0, z), diameter=180.0))
        for k, z in enumerate((440.0, 1160.0))
    )
    return Cabinet(
        name="large",
        width=WIDTH,
        depth=DEPTH,
        height=HEIGHT,
        boards=boards,
        panels=tuple(Panel(side=s, board="carcass") for s in PANELS),
        openings=openings,
        drivers=tuple(Driver(opening=o.name, mass_kg=3.0) for o in openings),
        braces=(*shelves, *uprights),
    )


def largest_memory() -> float:
    """Peak of this process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def one_large() -> None:
    """Mesh, assemble and solve it."""
    c = large()
    start = time.perf_counter()
    model = build(c)
    modes = solve(model, MODES)
    pockets = sum(len(b.pockets) for b in c.braces)
    print(f"{len(c.braces)} braces, {pockets} pockets, {HEIGHT:g} mm: {model.dofs} unknowns, {len(modes)} modes")
    low, high = modes.frequency_Hz[[0, -1]]
    print(f"  {low:.1f}..{high:.1f} Hz, {modes.rigid_modes} rigid, {modes.missed_modes} missed")
    parts = ", ".join(f"{k} {v:.1f} s" for k, v in modes.seconds.items())
    print(f"  {parts}; {time.perf_counter() - start:.1f} s in all; {largest_memory():.0f} MB at the most")


def small(shelf: float, size: float) -> Cabinet:
    """A box with a shelf, for the sweep."""
    hole = Pocket(shape=Rectangle(centre=(110.0, 150.0), size=(size, size), corner_radius=15.0))
    return Cabinet(
        name="small",
        width=220.0,
        depth=300.0,
        height=400.0,
        boards=(Board.of("mdf", 18.0, name="b"),),
        panels=tuple(Panel(side=s, board="b") for s in PANELS),
        braces=(Brace(name="shelf", normal="z", at=shelf, board="b", pockets=(hole,)),),
    )


def designs(count: int) -> Iterator[Cabinet]:
    """As many different designs about the middle one, one by one."""
    rng = np.random.default_rng(0)
    for k in range(count):
        yield replace(small(float(rng.uniform(185, 215)), float(rng.uniform(75, 115))), name=f"design {k}")


@lru_cache(maxsize=1)
def middle() -> Anchor:
    """The middle design, solved once by each worker."""
    return Anchor.of(small(200.0, 95.0), 6, size=80.0)


def solved(cabinet: Cabinet) -> tuple[float, float]:
    """First frequency of a design, Hz, and the worker's largest memory, MB."""
    try:
        _, modes = middle().solve(cabinet)
    except (MeshError, SolveError):  # too far from the middle one
        modes = solve(build(cabinet, size=80.0), 6, prove=False)
    return float(modes.frequency_Hz[0]), largest_memory()


def sweep(count: int, workers: int) -> None:
    """Solve many designs on a local cluster, a batch at a time."""
    import dask
    from distributed import Client, LocalCluster

    # Else a worker keeps a profile of every second, for an hour.
    dask.config.set({"distributed.worker.profile.enabled": False})
    start = time.perf_counter()
    first, memory, done = [], [], 0
    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        stream = designs(count)
        while batch := list(islice(stream, BATCH)):
            found = client.gather(client.map(solved, batch, pure=False))
            first += [f for f, _ in found]
            memory.append(max(m for _, m in found))
            done += len(batch)
            seconds = time.perf_counter() - start
            here = largest_memory()
            print(f"  {done:6} designs, {seconds:6.0f} s, worker {memory[-1]:.0f} MB, here {here:.0f} MB", flush=True)
    assert len(first) == count
    assert np.isfinite(first).all()
    again = solved(next(designs(1)))[0]
    print(f"sweep: {count} designs on {workers} workers, {count / seconds:.1f} a second")
    print(f"  {min(first):.1f}..{max(first):.1f} Hz; the first design there and here: {first[0]!r}, {again!r}")
    print(f"  worker memory at the first batch and the last: {memory[0]:.0f}, {memory[-1]:.0f} MB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sweep", type=int, default=0, metavar="COUNT", help="designs on dask")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    if given.sweep:
        sweep(given.sweep, given.workers)
    else:
        one_large()
