"""An append-only record of solved designs: one JSON line each, keyed by a hash of the design.

A search that finds a design here does not solve it again, so a run that was stopped at any moment
goes on where it was by running again from the start.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

from bracewright import __version__
from bracewright.design import to_table
from bracewright.design.cabinet import Cabinet
from bracewright.errors import FileError
from bracewright.files import read_file

MAX_BYTES = 500_000_000
OPENING = '{"key": "'  # how every line starts; tells a torn line from a file of another kind
Record = Mapping[str, object]


def design_key(cabinet: Cabinet, settings: Mapping[str, object]) -> str:
    """Return a hash of what a record depends on: the design but its name and wishes, how it is solved, the version."""
    table = {k: v for k, v in to_table(cabinet).items() if k not in ("name", "tune")}
    content = json.dumps([__version__, dict(settings), table], sort_keys=True, default=str)
    return hashlib.sha256(content.encode()).hexdigest()[:32]


class Archive:
    """Records by key, in memory and, with a path, in a file.

    Parameters
    ----------
    path : path, optional
        Read if it exists. A last line that was torn by a kill is cut off.

    Raises
    ------
    FileError
        It cannot be read or written, or is no archive.
    """

    def __init__(self, path: str | os.PathLike[str] | None = None) -> None:
        self.path = None if path is None else Path(path)
        self._known: dict[str, Record] = {}
        if self.path is not None and self.path.exists():
            try:
                self._read(self.path)
            except OSError as e:
                if isinstance(e, FileError):
                    raise
                raise FileError(f"{self.path}: cannot be read ({e.strerror}); check the name and its rights") from e

    def __len__(self) -> int:
        return len(self._known)

    def get(self, key: str) -> Record | None:
        """Return what is known of a design."""
        return self._known.get(key)

    def add(self, key: str, record: Record) -> None:
        """Keep a record, and write it out before returning."""
        self._known[key] = record
        if self.path is None:
            return
        line = json.dumps({"key": key, **record}, allow_nan=False) + "\n"
        try:
            with open(self.path, "ab") as f:
                f.write(line.encode())
                f.flush()
                os.fsync(f.fileno())
        except OSError as e:
            raise FileError(f"{self.path}: cannot be written ({e.strerror}); check the folder and its rights") from e

    def _read(self, path: Path) -> None:
        lines = read_file(path, MAX_BYTES, "the file of one search").split(b"\n")
        torn = lines.pop()
        for number, line in enumerate(lines, 1):
            try:
                record = json.loads(line)
                if "reason" not in record and "slope" not in record and not record["frequency_Hz"]:
                    raise KeyError("frequency_Hz")
                self._known[record.pop("key")] = record
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as e:
                raise FileError(f"{path}: line {number} is no record of a search; give another file") from e
        if torn:
            start = OPENING.encode()
            if torn[: len(start)] != start[: len(torn)]:
                raise FileError(f"{path}: ends in what is no record of a search; give another file")
            with open(path, "r+b") as f:
                f.truncate(path.stat().st_size - len(torn))
