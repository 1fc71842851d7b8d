"""Writing files so that a failure never costs the user data."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from bracewright.errors import FileError


def write_file(path: str | os.PathLike[str], content: str | bytes) -> None:
    """Write a whole file by way of a temporary one in the same folder.

    Raises
    ------
    FileError
        If the folder is missing or cannot be written; a file already there is then untouched.
    """
    p = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        fd, name = tempfile.mkstemp(dir=p.parent, prefix=f".{p.name}.", suffix=".part")
        try:
            with os.fdopen(fd, "wb") as f:
                f.write(data)
            os.chmod(name, 0o644)
            os.replace(name, p)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as e:
        raise FileError(f"{p}: cannot be written ({e.strerror}); check the folder and its rights") from e
