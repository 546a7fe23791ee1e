"""What the page's script draws from: a description of each figure and reduced arrays, packed as text.

The packed form is base64 of gzip of: length of the description (4 bytes, little endian), the description (JSON,
UTF-8, filled up with spaces to a multiple of 8), the arrays one after another, each filled up to 8 bytes. In the
description an array is ``{"at": byte offset, "count": ..., "type": "i16" | "f32", "scale": ...}``; an i16
times its scale is the value, -32768 stands for "not known".
"""

from __future__ import annotations

import base64
import gzip
import json
from dataclasses import fields, is_dataclass
from typing import Any

import matplotlib as mpl
import numpy as np

from scanproc.conventions import Real
from scanproc.report.drawing.kinds import Figure
from scanproc.report.drawing.look import DASHES, MAP, THEMES

UNKNOWN = -32768
FINE = 0.01
"""Step of quantised values: 0.01 dB or 0.01 of another unit."""
EXACT = frozenset({"x", "frequency_hz", "position_m"})
"""Kept as 32-bit numbers, not in steps."""


class Arrays:
    """Collects arrays, equal ones once, and hands out where they lie."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._length = 0
        self._known: dict[bytes, int] = {}

    def add(self, values: Real, exact: bool) -> dict[str, Any]:
        """Where the array now is, as the description says it."""
        packed, kind, scale = _packed(values, exact)
        at = self._known.setdefault(packed, self._length)
        if at == self._length:
            filled = packed + b"\0" * (-len(packed) % 8)
            self._parts.append(filled)
            self._length += len(filled)
        return {
            "at": at,
            "count": int(values.size),
            "type": kind,
            "scale": scale,
            "shape": list(values.shape),
        }

    def bytes(self) -> bytes:
        return b"".join(self._parts)


def payload(figures: tuple[Figure, ...]) -> str:
    """All figures in the packed form."""
    arrays = Arrays()
    description = {
        "figures": {figure.text.key: _plain(figure, arrays) for figure in figures},
        "themes": {name: _plain(theme, arrays) for name, theme in THEMES.items()},
        "dashes": DASHES,
        "map": (mpl.colormaps[MAP](np.arange(256), bytes=True)[:, :3]).ravel().tolist(),
    }
    text = json.dumps(description, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    text += b" " * (-(len(text) + 4) % 8)
    return squeezed(len(text).to_bytes(4, "little") + text + arrays.bytes())


def squeezed(data: bytes) -> str:
    """gzip without a time, as base64."""
    return base64.b64encode(gzip.compress(data, compresslevel=9, mtime=0)).decode("ascii")


def _plain(value: Any, arrays: Arrays, name: str = "") -> Any:
    if isinstance(value, np.ndarray):
        return arrays.add(value.astype(np.float64), name in EXACT)
    if is_dataclass(value) and not isinstance(value, type):
        found = {
            entry.name: _plain(getattr(value, entry.name), arrays, entry.name) for entry in fields(value)
        }
        return {"kind": type(value).__name__, **found}
    if isinstance(value, tuple | list):
        return [_plain(entry, arrays) for entry in value]
    return value


def _packed(values: Real, exact: bool) -> tuple[bytes, str, float]:
    known = values[np.isfinite(values)]
    largest = float(np.max(np.abs(known), initial=0.0))
    if exact or largest > FINE * 32000 * 10:
        return values.astype("<f4").tobytes(), "f32", 1.0
    scale = FINE if largest <= FINE * 32000 else FINE * 10
    steps = np.where(np.isfinite(values), np.round(values / scale), UNKNOWN)
    return steps.astype("<i2").tobytes(), "i16", scale
