"""The identity of a file's content."""

from __future__ import annotations

import hashlib
from pathlib import Path

from scanproc.errors import InputError


def file_hash(path: Path | str) -> str:
    """SHA-256 of a file, read block by block, as 64 hexadecimal digits. Raises InputError."""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
