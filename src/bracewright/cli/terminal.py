"""What is seen of a command: progress, results and complaints."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping
from typing import TextIO

DONE, FAILED, BAD_INPUT = 0, 1, 2
LONGEST = 1000  # characters of a message


class Progress:
    """One line on standard error that is written over; silent where that is not a terminal."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.on = stream.isatty()
        self.start = time.perf_counter()
        self.width = 0

    def __call__(self, text: str) -> None:
        """Show what is being done."""
        if self.on:
            line = f"{time.perf_counter() - self.start:5.1f} s  {text}"[:110]
            self.stream.write("\r" + line.ljust(self.width))
            self.stream.flush()
            self.width = len(line)

    def clear(self) -> None:
        """Wipe the line."""
        if self.on and self.width:
            self.stream.write("\r" + " " * self.width + "\r")
            self.stream.flush()
            self.width = 0


@contextlib.contextmanager
def library_output_hidden() -> Iterator[None]:
    """Keep what compiled libraries print off standard output, which belongs to the result."""
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError):  # no standard output at all
        yield
        return
    try:
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def as_json(table: Mapping[str, object]) -> str:
    """Return a table as what ``--json`` prints."""
    return json.dumps(table, indent=2, allow_nan=False) + "\n"


def show(text: str) -> None:
    """Write a result to standard output."""
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name may not exist in the terminal's alphabet
    sys.stdout.write(text)
    sys.stdout.flush()


def end(progress: Progress, code: int, message: str) -> int:
    """Complain in one line and return the exit code."""
    progress.clear()
    alphabet = sys.stderr.encoding or "utf-8"
    line = f"bracewright: {one_line(message)}\n"
    sys.stderr.write(line.encode(alphabet, "backslashreplace").decode(alphabet))
    return code


def one_line(message: str) -> str:
    """Return a message without line breaks or characters that would steer a terminal."""
    line = "".join(c if c.isprintable() else "?" for c in " ".join(message.split()))
    return line if len(line) <= LONGEST else f"{line[: LONGEST - 3]}..."
