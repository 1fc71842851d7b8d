"""Many designs on a cluster of processes, one of which dies in the middle."""

from __future__ import annotations

import os
import signal
import threading
import time

import numpy as np
import pytest
from cabinets import box, shelf

from bracewright.tune import Goal, Look
from bracewright.tune.looks import look_at_all

pytestmark = pytest.mark.slow


@pytest.mark.skipif(os.name == "nt", reason="kills a process by signal")
def test_a_worker_killed_in_the_middle_costs_only_time() -> None:
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    look = Look(Goal(modes=6), 60.0, 8)
    designs = [box(braces=(shelf(150.0 + 5 * k),)) for k in range(12)]
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs="ERROR"
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        pids = list(client.run(os.getpid).values())
        killed = threading.Event()

        def kill() -> None:
            time.sleep(1.5)
            os.kill(pids[0], signal.SIGKILL)
            killed.set()

        threading.Thread(target=kill, daemon=True).start()
        found = look_at_all(look, designs, client.get_executor())
        assert killed.wait(30)
    alone = look_at_all(look, designs)
    assert len(found) == len(designs)
    for a, b in zip(found, alone, strict=True):
        np.testing.assert_allclose(a["frequency_Hz"], b["frequency_Hz"], rtol=1e-9)
