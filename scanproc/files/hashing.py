"""The identity of a file's content, and the list of it that goes with a directory."""

from __future__ import annotations

import hashlib
from pathlib import Path

from scanproc.errors import InputError
from scanproc.files.atomic import whole_file

HASHES = "SHA256SUMS"
UNHASHED = (HASHES, "summary.json")
"""The list itself, and the one file that holds a time."""


def file_hash(path: Path | str) -> str:
    """SHA-256 of a file, read block by block, as 64 hexadecimal digits. Raises InputError."""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error


def text_hash(text: str) -> str:
    """SHA-256 of a text in UTF-8, as 64 hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()


def write_hashes(directory: Path) -> None:
    """Writes SHA256SUMS for the files below a directory, in the form that ``sha256sum -c`` reads."""
    lines = [f"{file_hash(directory / name)}  {name}\n" for name in _names(directory)]
    with whole_file(directory / HASHES) as draft:
        draft.write_text("".join(lines), encoding="utf-8", newline="\n")


def listed_hashes(directory: Path) -> dict[str, str]:
    """Name -> hash as SHA256SUMS has them, empty when there is no such list."""
    try:
        lines = (directory / HASHES).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return {}
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines)}


def first_difference(directory: Path) -> str | None:
    """Name of the first file that is missing or changed since SHA256SUMS was written, None if none is."""
    listed = listed_hashes(directory)
    if not listed:
        return HASHES
    present = set(_names(directory))
    for name in sorted(listed):
        if name not in present or file_hash(directory / name) != listed[name]:
            return name
    return None


def _names(directory: Path) -> list[str]:
    found = (path.relative_to(directory).as_posix() for path in directory.rglob("*") if path.is_file())
    return sorted(name for name in found if name not in UNHASHED)
