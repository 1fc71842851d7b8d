"""Programs that tests start, stop by hand, and never leave behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from collections.abc import Iterator, Sequence
from typing import Any


@contextlib.contextmanager
def started(arguments: Sequence[str], **more: Any) -> Iterator[subprocess.Popen[str]]:
    """Start a program that hears Ctrl-C, even where this one was started deaf to it, as jobs in the background are."""
    hearing = None if os.name == "nt" else lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)
    job = subprocess.Popen(arguments, text=True, preexec_fn=hearing, **more)
    try:
        yield job
    finally:
        job.kill()
        job.wait()
