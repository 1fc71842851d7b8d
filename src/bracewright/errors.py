"""The family of errors that bracewright raises.

Each message says what was wrong, what was got and what to do. Every error is also the builtin
it resembles, so code that knows nothing of bracewright can still catch it sensibly.
"""

from __future__ import annotations

from typing import Self


class BracewrightError(Exception):
    """Root of the family."""


class DesignError(BracewrightError, ValueError):
    """A design, or a value in it, cannot be built.

    Parameters
    ----------
    message : str
        What is wrong and what to do.
    key : str
        Where in the design: a dotted path such as ``braces.shelf.at``.
    """

    def __init__(self, message: str, *, key: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.key = key

    def __str__(self) -> str:
        return f"{self.key}: {self.message}" if self.key else self.message

    def within(self, prefix: str) -> Self:
        """Return the same error with `prefix` put before its key."""
        key = f"{prefix}.{self.key}" if self.key else prefix
        return type(self)(self.message, key=key)


class FileError(BracewrightError, OSError):
    """A file cannot be read, written or understood."""


class MeshError(BracewrightError, RuntimeError):
    """A part could not be meshed; a search may count the design as infeasible and go on."""


class SolveError(BracewrightError, RuntimeError):
    """A numerical step failed its own check; a search may count the design as infeasible and go on."""


class MissingExtraError(BracewrightError, ImportError):
    """An optional library is needed and not installed; the message is the remedy."""
