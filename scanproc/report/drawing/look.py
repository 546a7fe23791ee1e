"""Colours, dashes and ticks: the same on paper and on the screen.

Line colours follow Okabe and Ito (2008), darkened on light ground and lightened on dark ground for contrast; each
also has a dash of its own, so that grey prints and colour-blind readers tell curves apart. Maps use cividis (Nuñez,
Anderton and Renslow 2018), perceptually uniform and made for colour-blind readers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

DASHES: tuple[tuple[int, ...], ...] = ((), (9, 4), (2, 3), (9, 3, 2, 3), (14, 5), (5, 2, 1, 2, 1, 2))
MAP = "cividis"


@dataclass(frozen=True)
class Theme:
    """Colours of a figure as #rrggbb."""

    name: str
    ground: str
    ink: str
    faint: str
    grid: str
    mark: str
    lines: tuple[str, ...]


LIGHT = Theme(
    "light",
    ground="#ffffff",
    ink="#17212b",
    faint="#5b6875",
    grid="#dde3e8",
    mark="#b3261e",
    lines=("#0072b2", "#c04f00", "#007a59", "#a0487f", "#7a6200", "#3d4852"),
)
DARK = Theme(
    "dark",
    ground="#151c23",
    ink="#eaf0f5",
    faint="#9aa8b5",
    grid="#2c3741",
    mark="#ff8a80",
    lines=("#56b4e9", "#f0904a", "#38c49a", "#e39ac6", "#e8d84f", "#c3ccd4"),
)
THEMES = {theme.name: theme for theme in (LIGHT, DARK)}


def log_ticks(low: float, high: float) -> tuple[list[float], list[float]]:
    """Labelled (1, 2, 5 by decade) and unlabelled ticks within a log axis; all labelled within a short one."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    every = [digit * 10.0**decade for decade in range(first, last + 1) for digit in range(1, 10)]
    inside = [tick for tick in every if low * (1 - 1e-9) <= tick <= high * (1 + 1e-9)]
    if math.log10(high / low) < 0.5:
        return inside, []
    labelled = [tick for tick in inside if f"{tick:e}"[0] in "125"]
    return labelled, [tick for tick in inside if tick not in labelled]


def tick_name(value: float) -> str:
    """20, 500, 1k, 16k."""
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"
