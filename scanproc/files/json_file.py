"""JSON that any reader accepts: numbers that are not finite become null, arrays become lists."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.errors import InputError
from scanproc.files.atomic import whole_file


def write_json(path: Path | str, value: Any) -> None:
    """Writes one document, whole or not at all. Raises OutputError."""
    with whole_file(path) as draft:
        draft.write_text(json_text(value), encoding="utf-8", newline="\n", errors="backslashreplace")


def read_json(path: Path | str) -> Any:
    """One document. Raises InputError."""
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"is not a JSON document: {error}; write it again", path=path) from error


def json_text(value: Any) -> str:
    """The document as text, in the order given, ending in a line feed."""
    return json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """The same in what JSON can hold."""
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, Path):
        return str(value)
    return value
