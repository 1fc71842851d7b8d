"""Reading files up to a size, writing them so that a failure never costs data, keeping a folder for one process."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import sys
from collections.abc import Iterator
from pathlib import Path

from bracewright.errors import FileError

LOCK = ".bracewright.lock"
_PART = re.compile(r"\.(\d+)-[0-9a-f]{8}\.part")


def read_file(path: str | os.PathLike[str], most: int, wanted: str) -> bytes:
    """Read a whole file.

    Parameters
    ----------
    path : path
    most : int
        Bytes it may have. They are counted as they come: what is no plain file may never end and tells no size.
    wanted : str
        What to give instead of a larger one, for the message.

    Raises
    ------
    FileError
        It cannot be read, or is larger.
    """
    try:
        with open(path, "rb") as f:
            data = f.read(most + 1)
    except ValueError as e:  # a name from a file may hold what no name can
        raise FileError(f"{os.fspath(path)!r}: cannot be read ({e}); correct the name") from e
    except OSError as e:
        raise FileError(f"{path}: cannot be read ({e.strerror}); check the name and the folder") from e
    if len(data) > most:
        raise FileError(f"{path}: larger than {most // 1_000_000} MB; give {wanted}")
    return data


def read_text(path: str | os.PathLike[str], most: int, wanted: str) -> str:
    """Read a whole file of text in UTF-8, as `read_file` does; raises FileError also where it is none."""
    try:
        return read_file(path, most, wanted).decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise FileError(f"{path}: not a text file (byte {e.start}); give {wanted}, in UTF-8") from e


def write_file(path: str | os.PathLike[str], content: str | bytes) -> None:
    """Write a whole file by way of a temporary one in the same folder.

    Raises
    ------
    FileError
        If the folder is missing or cannot be written; a file already there is then untouched.
    """
    p = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    # The name is known before the file is there, so that no moment is left in which a stop would leave it behind.
    part = p.with_name(f".{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        try:
            with open(part, "xb") as f:
                f.write(data)
                f.flush()
                os.fsync(f.fileno())  # or a full disk may show only after the old file is gone
            os.replace(part, p)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    except OSError as e:
        raise FileError(f"{p}: cannot be written ({e.strerror}); check the folder and its rights") from e


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder where there is none yet, and those it is in; return it.

    Raises
    ------
    FileError
        If it cannot be made.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"{folder}: cannot be made a folder ({e.strerror}); name another, or check the rights") from e
    return folder


@contextlib.contextmanager
def held(folder: str | os.PathLike[str]) -> Iterator[None]:
    """Keep a folder to this process while it writes there.

    The system frees it when the process ends in whatever way. What a killed one left half-done is removed.

    Raises
    ------
    FileError
        Another process holds it, or no file can be made there.
    """
    root = Path(folder)
    path = root / LOCK
    file = -1
    try:
        try:
            file = _opened(path)
        except FileError:
            raise
        except OSError as e:
            raise FileError(
                f"{root}: cannot be written to ({e.strerror}); check its rights, or name another folder"
            ) from e
        for left in (*root.glob(".*.part"), *root.glob("*/.*.part")):
            found = _PART.fullmatch(left.name)
            if found and _gone(int(found[1])):
                left.unlink(missing_ok=True)
        yield
    finally:
        if file >= 0:
            _let_go(path, file)


def _let_go(path: Path, file: int) -> None:
    """Remove the file that holds a folder, and close it."""
    if sys.platform == "win32":  # an open file cannot be removed there
        os.close(file)
    with contextlib.suppress(OSError):
        path.unlink()
    if sys.platform != "win32":
        os.close(file)


def _gone(process: int) -> bool:
    """Whether a process is there no more; False where that cannot be told."""
    if sys.platform == "win32":
        return False
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return True
    except PermissionError:
        return False
    return False


def _opened(path: Path) -> int:
    """Open and lock a file that stays in its place, with the number of this process in it."""
    while True:
        file, mine = -1, False
        try:
            file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
            mine = _locked(file)
            if not mine:
                who = os.read(file, 20).decode("ascii", "replace").strip()
                raise FileError(
                    f"{path.parent}: process {who or 'of another run'} is writing there; wait for it, or name another "
                    "folder with --out"
                )
            # The one that held it before may have removed it meanwhile.
            if path.exists() and os.path.samestat(os.fstat(file), os.stat(path)):
                os.ftruncate(file, 0)
                os.write(file, f"{os.getpid()}\n".encode())
                return file
        except BaseException:
            if mine:
                _let_go(path, file)
            elif file >= 0:
                os.close(file)
            raise
        os.close(file)


def _locked(file: int) -> bool:
    """Lock an open file for this process; False where another one has."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(file, 1000, os.SEEK_SET)  # what is locked cannot be read there; the number stands before it
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
            os.lseek(file, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:  # a file system without locks: better to write than to refuse
        return True
    return True
