"""Sweeps at several drive levels, as a notebook shows them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import Any

from scanproc.records.measured.drive_levels import DriveLevels, LevelLimits
from scanproc.report.figures.drive_levels import level_figures
from scanproc.report.words.drive_levels import (
    HEADER,
    LevelFacts,
    highest_within,
    level_facts,
    level_rows,
    levels_sentence,
)
from scanproc.run.levels import Measured, write_levels
from scanproc.run.notebook.pictures import Plots
from scanproc.run.notebook.values import library


@dataclass(frozen=True, eq=False, repr=False)
class Levels:
    """Compression and harmonics by drive level; ``found`` holds the arrays, ``plot`` the figures of the page.

    >>> sp.levels(folder / "levels").plot.compression().name
    'compression'
    """

    measured: Measured

    @property
    def found(self) -> DriveLevels:
        return self.measured.found

    @property
    def limits(self) -> LevelLimits:
        return self.measured.limits

    @property
    def verdict(self) -> str:
        return levels_sentence(self.found, self.limits)

    @property
    def facts(self) -> tuple[LevelFacts, ...]:
        """Of each level: the most compression and distortion, and where."""
        return level_facts(self.found, self.limits)

    @property
    def highest_within_v(self) -> float | None:
        """The highest drive level, V, that keeps the limits as all lower ones do; None where the lowest does not."""
        return highest_within(self.facts)

    @cached_property
    def plot(self) -> Plots:
        """The page's figures: ``levels.plot.compression()``."""
        return Plots(level_figures(self.found, self.limits))

    def to_pandas(self) -> Any:
        """The rows of by-level.csv as a pandas DataFrame. Needs pandas."""
        return library("pandas").DataFrame(list(level_rows(self.found)), columns=HEADER)

    def save(self, directory: Path | str, *, force: bool = False) -> None:
        """Writes the page, JSON and the table to a directory. Raises OutputError."""
        write_levels(Path(directory), self.measured, force=force)

    def __repr__(self) -> str:
        return f"Levels({self.verdict})"

    def _repr_html_(self) -> str:
        warned = "".join(f"<p>Warning: {escape(one)}</p>" for one in self.measured.warnings)
        return f"<p>{escape(self.verdict)}</p>{warned}{self.plot.compression()._repr_html_()}"
