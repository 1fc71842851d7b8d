"""A folder of files that belong together: written whole, and never over what somebody else has put there.

A list beside them, ``files.json`` for those to cut, keeps the SHA-256 of each file as it was written. A file that still
has it is ours to replace or, when a later set no longer has it, to remove; any other is left alone.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from bracewright.errors import FileError
from bracewright.files import make_folder, read_file, read_text, write_file

LIST = "files.json"
MAX_BYTES = 500_000_000
LONGEST_NAME = 255  # bytes; longer ones no file system takes
Marks = dict[str, list[str]]


def check_names(folder: str | os.PathLike[str], names: Iterable[str], *, listed: str = LIST) -> None:
    """Refuse names at which a folder has files that `write_set` would not replace, before any long work."""
    root = Path(folder)
    earlier, _ = _listed(root / listed)
    _refuse([root / n for n in names if not _ours(root / n, earlier.get(n, []))])


def write_set(
    folder: str | os.PathLike[str], content: Mapping[str, str | bytes], *, listed: str = LIST
) -> tuple[Path, ...]:
    """Write files, by names with folders parted by a slash, in place of an earlier set.

    Interrupted, every file is either the old or the new one, and the next call goes on from there.

    Parameters
    ----------
    folder : path
    content : mapping of name to content
    listed : str
        Name of the set's list: sets with different ones can share a folder.

    Returns
    -------
    tuple of Path
        The files written; the list is the last.

    Raises
    ------
    FileError
        A file in the way is not of an earlier set, or has changed since, and nothing is written; or a file or folder
        cannot be written.
    """
    root = Path(folder)
    earlier, left = _listed(root / listed)
    marks = {name: [_mark(c.encode() if isinstance(c, str) else c)] for name, c in content.items()}
    taken = [root / n for n in marks if not _ours(root / n, earlier.get(n, []) + marks[n])]
    if (root / listed).exists() and not earlier:
        taken.append(root / listed)
    _refuse(taken)
    gone = [n for n in earlier if n not in marks and (root / n).is_file()]
    left = sorted({n for n in left if n not in marks and (root / n).exists()})
    left += [n for n in gone if not _ours(root / n, earlier[n])]
    for place in (root, *dict.fromkeys((root / n).parent for n in marks)):
        make_folder(place)
    # Until all is done both the old and the new files count as ours.
    write_file(root / listed, _text({n: earlier.get(n, []) + marks.get(n, []) for n in {**earlier, **marks}}, left))
    for name, data in content.items():
        write_file(root / name, data)
    for name in gone:
        if name not in left:
            _remove(root, name)
    write_file(root / listed, _text(marks, left))
    return (*(root / n for n in content), root / listed)


def _refuse(taken: list[Path]) -> None:
    if taken:
        more = f" and {len(taken) - 1} more" if len(taken) > 1 else ""
        raise FileError(
            f"{taken[0]}{more}: not of an earlier run, or changed since; nothing is written: move it away, or name "
            "another folder"
        )


def _mark(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _ours(path: Path, marks: list[str]) -> bool:
    """Whether nothing is there, or a file that has one of the marks."""
    try:
        return _mark(read_file(path, MAX_BYTES, "another folder")) in marks
    except FileError as e:
        return isinstance(e.__cause__, FileNotFoundError | NotADirectoryError)


def _text(marks: Marks, left: list[str]) -> str:
    """Return the list of files, and of those that stay though they are of no part any more: changed by hand."""
    table = {"format": 1, "sha256": marks, "of an earlier run, changed since and left": left}
    return json.dumps(table, indent=1, ensure_ascii=False) + "\n"


def _listed(path: Path) -> tuple[Marks, list[str]]:
    """Return the marks an earlier run left, and the files it left alone; nothing where there is no list of ours."""
    try:
        _, marks, left = json.loads(read_text(path, MAX_BYTES, "another folder")).values()
        inside = all(_inside(n) for n in (*marks, *left))
        return ({str(n): [str(m) for m in of] for n, of in marks.items()}, left) if inside else ({}, [])
    except (OSError, ValueError, AttributeError, TypeError, RecursionError):
        return {}, []


def _inside(name: str) -> bool:
    path = PurePosixPath(name)
    plain = not path.is_absolute() and ".." not in path.parts and not set(name) & {"\\", ":", "\0"}
    return plain and all(len(p.encode("utf-8", "replace")) <= LONGEST_NAME for p in path.parts) and len(name) < 1000


def _remove(root: Path, name: str) -> None:
    """Remove a file, and its folder when that is then empty."""
    try:
        (root / name).unlink(missing_ok=True)
        if (root / name).parent != root and not any((root / name).parent.iterdir()):
            (root / name).parent.rmdir()
    except OSError as e:
        raise FileError(f"{root / name}: cannot be removed ({e.strerror}); check the rights of its folder") from e
