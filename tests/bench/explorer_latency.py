"""How long the explorer takes from a drag to the data of the new picture, on the stand-mount example.

Run with ``python tests/bench/explorer_latency.py``. Dragging is a walk of small steps, as a mouse makes them; the
brace's slider likewise. What a browser adds, drawing and the socket, is in the notebook's own test.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import statistics
import time
from collections.abc import Callable

from bracewright.examples import example
from bracewright.show.explorer import SIZE, Explorer
from bracewright.show.explorer_widget import Session

STEPS = 25


def timed(session: Session, message: Callable[[int], dict[str, object]]) -> list[tuple[float, float]]:
    """Wall and processor seconds of each of the steps, picture included."""
    out = []
    for k in range(STEPS):
        wall, own = time.perf_counter(), time.process_time()
        session.do(message(k))
        session.scene()
        session.picture()
        out.append((time.perf_counter() - wall, time.process_time() - own))
    return out


def main() -> None:
    """Print a table."""
    started = time.perf_counter()
    session = Session(Explorer(example("stand-mount")))
    x = session.explorer
    print(f"elements of {SIZE:g} mm, {x.state.model.dofs} unknowns, {x.count} modes; opened in "
          f"{time.perf_counter() - started:.1f} s")  # fmt: skip
    print(f"{'':24} median, s   worst, s   median of processor time, s")
    at = {h.name: h.at for h in x.handles()}
    walks: dict[str, Callable[[int], dict[str, object]]] = {
        "pocket's width": lambda k: {"do": "drag", "handle": "width", "to": [at["width"][0] - 0.6 * (k + 1), 0.0]},
        "pocket's centre": lambda k: {"do": "drag", "handle": "centre", "to": [110, at["centre"][1] - 0.25 * (k + 1)]},
        "brace, up to 6 mm": lambda k: {"do": "move", "at": 250 - 0.25 * (k + 1)},
    }
    every: list[float] = []
    for name, walk in walks.items():
        found = timed(session, walk)
        wall, own = zip(*found, strict=True)
        every += wall
        print(f"{name:24} {statistics.median(wall):9.3f}  {max(wall):9.3f}   {statistics.median(own):9.3f}")
        begun = time.perf_counter()
        x.release()
        session._listen()
        print(f"{'':24} and on letting go, with the level: {time.perf_counter() - begun:.2f} s")
    print(f"{'all':24} {statistics.median(every):9.3f}  {max(every):9.3f}")


if __name__ == "__main__":
    main()
