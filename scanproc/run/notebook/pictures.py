"""The page's figures, as a notebook shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from scanproc.report.drawing.kinds import Figure
from scanproc.run.conversion.page import save_figure


@dataclass(frozen=True, eq=False, repr=False)
class Picture:
    """A figure of the page, drawn where a notebook shows it.

    >>> result.plot.response().save(folder / "response.svg")
    """

    figure: Figure

    @property
    def name(self) -> str:
        return self.figure.text.key

    def save(self, path: Path | str, theme: str = "light", width_mm: float = 170.0) -> None:
        """Writes it as SVG, PDF or PNG, by the ending of ``path``. Raises OutputError and SettingsError."""
        save_figure(self.figure, path, theme, width_mm)

    def __repr__(self) -> str:
        return f"Picture({self.name}: {self.figure.text.finding})"

    def _repr_html_(self) -> str:
        from scanproc.report.drawing.static import drawn

        text = self.figure.text
        drawing = drawn(self.figure, "svg").decode()
        return f"<figure>{drawing[drawing.index('<svg') :]}<figcaption>{escape(text.finding)}</figcaption></figure>"


class Plots:
    """Figures by name: ``plots.response()``; ``plots.names`` lists them. Attributes stand for the figures, which differ
    from result to result."""

    def __init__(self, figures: Sequence[Figure]) -> None:
        self._figures = {one.text.key.replace("-", "_"): one for one in figures}

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._figures)

    def __dir__(self) -> list[str]:
        return ["names", *self._figures]

    def __getattr__(self, name: str) -> Any:
        known = self.__dict__.get("_figures", {})
        if name not in known:
            raise AttributeError(f"no figure {name!r}: there are {', '.join(known)}")
        return lambda: Picture(known[name])

    def __repr__(self) -> str:
        return f"Plots({', '.join(self.names)})"
