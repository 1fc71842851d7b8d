"""The command line: one command run, its answer printed, its errors turned into exit codes.

0 done, 2 bad input (one line that names file, key, value and remedy), 1 anything else.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Sequence

from bracewright.cli.arguments import parser
from bracewright.cli.terminal import BAD_INPUT, DONE, FAILED, Progress, as_json, end, library_output_hidden, show
from bracewright.errors import BracewrightError, DesignError, FileError

__all__ = ["BAD_INPUT", "DONE", "FAILED", "main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    args = parser().parse_args(argv)
    progress = Progress(sys.stderr)
    try:
        # What a command keeps to itself until it is done, such as the folder it writes to.
        with library_output_hidden(), contextlib.ExitStack() as args.held:
            table, text = args.run(args, progress)
        progress.clear()
        show(as_json(table) if args.json else text)
        if str(table.get("message", "")).startswith("stopped"):
            return end(progress, FAILED, "stopped; the best so far is written, and --resume goes on from here")
    except KeyboardInterrupt:
        return end(progress, FAILED, "stopped")
    except DesignError as e:
        file = getattr(args, "file", None)
        return end(progress, BAD_INPUT, f"{file}: {e}" if file else str(e))
    except FileError as e:
        return end(progress, BAD_INPUT, str(e))
    except BracewrightError as e:
        return end(progress, FAILED, str(e))
    except BrokenPipeError:
        # The reader has gone; keep the interpreter from complaining when it flushes.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except OSError as e:  # whatever else is full or gone, standard output for one
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return end(progress, FAILED, f"{e.filename or 'standard output'}: {e.strerror or e}; check the disk")
    except MemoryError:
        return end(progress, FAILED, "out of memory; use larger elements (--size) or fewer braces")
    return DONE
