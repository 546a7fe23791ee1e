"""What can go wrong, as a tree.

ScanprocError
├── InputError            what came in cannot be used (exit code 1)
│   ├── ScanFileError     a scan file is missing, foreign, torn or malformed
│   ├── ResultFileError   the same for a result file
│   └── ScanDataError     the numbers of a scan cannot be used: NaN, duplicates, too few points
├── UnknownName           nothing is called so; a KeyError too
├── SettingsError         a setting is unknown or impossible (exit code 2)
└── OutputError           results could not be written (exit code 1)

Every message is one line: what, where, what was needed, what came, what to do.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unicodedata import category


class ScanprocError(Exception):
    """Base of every error that scanproc raises on purpose."""

    exit_code = 1

    def __init__(self, message: str, *, path: Path | str | None = None) -> None:
        self.message = message
        self.path = None if path is None else Path(path)
        super().__init__(message if path is None else f"{path}: {message}")

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.message, self.path))

    def at(self, path: Path | str) -> ScanprocError:
        """The same error with the file that it concerns."""
        return type(self)(self.message, path=path)


def _rebuild(kind: type[ScanprocError], message: str, path: Path | None) -> ScanprocError:
    return kind(message, path=path)


def printable(text: str) -> str:
    """The text with what could move a terminal's cursor, or is no character at all, in words of backslashes."""
    return "".join(
        letter if letter in "\n\t" or category(letter)[0] != "C" else letter.encode("unicode_escape").decode()
        for letter in text
    )


class InputError(ScanprocError):
    """What came in cannot be used."""


class ScanFileError(InputError):
    """A scan file is missing, foreign, torn or malformed."""


class ResultFileError(InputError):
    """A result file is missing, foreign, torn or malformed."""


class ScanDataError(InputError):
    """The numbers of a scan cannot be used."""


class UnknownName(ScanprocError, KeyError):
    """Nothing is called so; the message says what there is."""

    def __str__(self) -> str:
        return self.message


class SettingsError(ScanprocError):
    """A setting is unknown, of the wrong kind, or impossible together with another."""

    exit_code = 2


class OutputError(ScanprocError):
    """Results could not be written."""


@contextmanager
def naming(path: Path | str) -> Iterator[None]:
    """Errors in the numbers of a scan, raised inside, get the file's path unless they have one."""
    try:
        yield
    except ScanDataError as error:
        raise error if error.path else error.at(path) from None
