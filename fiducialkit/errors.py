"""The errors this library raises on purpose.

A caller's mistake is an exception; data that fails (nothing seen, no convergence) is a status in a result.
"""

from __future__ import annotations

from pathlib import Path


class FiducialKitError(Exception):
    """Base of every error raised on purpose; its text is one line for the person who made the call."""


class InputError(FiducialKitError, ValueError):
    """An argument is wrong: the text says what was expected, what was found and where."""


class FileFormatError(InputError):
    """A file's content is wrong.

    Parameters
    ----------
    file : str or Path
        The file.
    where : str
        Row or field, e.g. ``"marker[3].position"``; empty when the whole file is meant.
    message : str
        What was expected and what was found.
    """

    def __init__(self, file: str | Path, where: str, message: str) -> None:
        self.file = str(file)
        self.where = where
        self.message = message
        place = f"{self.file}: {where}" if where else self.file
        super().__init__(f"{place}: {message}")

    def __reduce__(self) -> tuple[type[FileFormatError], tuple[str, str, str]]:
        # an exception is rebuilt from its text alone otherwise, which fails on the way back from a worker process
        return type(self), (self.file, self.where, self.message)


class NoPoseError(FiducialKitError):
    """A pose was read from a result that holds none; the text repeats the result's message."""
