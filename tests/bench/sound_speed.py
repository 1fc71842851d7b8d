"""How long `sound` takes from cold, the outside operator kept on disk: not a test, run it by hand.

    python tests/bench/sound_speed.py [EXAMPLE ...]

20 Hz to 2 kHz, 200 frequencies, one thread. CPU time is what an idle core would take.
"""

from __future__ import annotations

import sys
import time

from bracewright.examples import NAMES, example
from bracewright.sound.radiate import outside
from bracewright.sound.run import sound


def main() -> None:
    """Print seconds by example."""
    for name in sys.argv[1:] or NAMES:
        cabinet = example(name)
        started, cpu = time.perf_counter(), time.process_time()
        outside((cabinet.width, cabinet.depth, cabinet.height), 2000.0)
        print(f"{name}: operator {time.perf_counter() - started:.1f} s, {time.process_time() - cpu:.1f} s CPU")
        started, cpu = time.perf_counter(), time.process_time()
        s = sound(cabinet)
        print(
            f"{name}: sound {time.perf_counter() - started:.1f} s, {time.process_time() - cpu:.1f} s CPU; "
            f"{s.setup.model.dofs} unknowns, {len(s.setup.reduced.modes)} modes, "
            f"{s.setup.drive.air.mesh.K.shape[0]} air unknowns",
            flush=True,
        )


if __name__ == "__main__":
    main()
