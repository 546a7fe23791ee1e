"""Figures on paper: SVG, PDF or PNG by matplotlib, the same bytes every time."""

from __future__ import annotations

import io
import logging
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure as Sheet
from PIL import Image

from scanproc.files.atomic import whole_file
from scanproc.report.drawing import round_kinds  # noqa: F401 (teaches draw its kinds)
from scanproc.report.drawing.flat_kinds import draw
from scanproc.report.drawing.kinds import Balloon, Cloud, Figure, PolarSheet
from scanproc.report.drawing.look import LIGHT, Theme
from scanproc.report.drawing.small_svg import shortened

logging.getLogger("matplotlib").setLevel(logging.ERROR)  # no word about building its font cache

MM_PER_INCH = 25.4
WIDTH_MM = 170.0
DPI = 200.0
PAGE_DPI = 110.0
SMALL_DPI = 150.0
SMALL_MM = 130.0
COLOURS = 200
FORMATS = ("svg", "pdf", "png")
NO_DATE: dict[str, dict[str, Any]] = {
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    "png": {"Software": None},
}

SOURCE_KEY = {"svg": "Source", "pdf": "Subject", "png": "Source"}
"""Where the format keeps what a picture was made from."""


def save(figure: Figure, path: Path | str, theme: Theme = LIGHT, width_mm: float = WIDTH_MM) -> None:
    """Writes a figure, whole or not at all; the ending of ``path`` is the format. Raises OutputError."""
    picture = drawn(figure, Path(path).suffix[1:].lower(), theme, width_mm)
    with whole_file(path) as draft:
        draft.write_bytes(picture)


def drawn(
    figure: Figure,
    kind: str,
    theme: Theme = LIGHT,
    width_mm: float = WIDTH_MM,
    *,
    outlines: bool = True,
    dpi: float = DPI,
    source: str = "",
) -> bytes:
    """A figure as the bytes of a file of the given format; ``outlines``: letters as shapes, not as text.

    ``source``: what it was made from, kept in the file's own description.

    Raises ValueError for an unknown format.
    """
    if kind not in FORMATS:
        raise ValueError(f"figures are {', '.join(FORMATS)}, not {kind!r}")
    page = io.BytesIO()
    with mpl.rc_context(_style(theme, outlines, figure.text.key)):
        sheet = Sheet(layout="constrained")
        sheet.set_size_inches(width_mm / MM_PER_INCH, width_mm / MM_PER_INCH * 0.62)
        draw(figure, sheet, theme)
        told = {SOURCE_KEY[kind]: source} if source else {}
        sheet.savefig(page, format=kind, dpi=dpi, metadata={**NO_DATE[kind], **told})
    return page.getvalue()


def still(figure: Figure) -> tuple[str, bytes]:
    """A figure for the page, small: its media type and bytes. SVG with text as text, or PNG for those with many "
    "paths."""
    if isinstance(figure, Balloon | Cloud | PolarSheet):
        picture = Image.open(io.BytesIO(drawn(figure, "png", width_mm=SMALL_MM, dpi=SMALL_DPI)))
        page = io.BytesIO()
        picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(page, "png", optimize=True)
        return "image/png", page.getvalue()
    drawing = drawn(figure, "svg", outlines=False, dpi=PAGE_DPI).decode()
    return "image/svg+xml", shortened(drawing).encode()


def _style(theme: Theme, outlines: bool, salt: str) -> Any:
    ground = ("figure.facecolor", "axes.facecolor", "savefig.facecolor", "legend.facecolor")
    ink = ("text.color", "axes.labelcolor", "xtick.labelcolor", "ytick.labelcolor")
    edges = ("axes.edgecolor", "xtick.color", "ytick.color")
    return {
        **dict.fromkeys(ground, theme.ground),
        **dict.fromkeys(ink, theme.ink),
        **dict.fromkeys(edges, theme.faint),
        "font.family": "DejaVu Sans",
        "font.size": 8,
        "axes.linewidth": 0.7,
        "lines.linewidth": 1.3,
        "legend.frameon": False,
        "legend.fontsize": 7.5,
        "hatch.linewidth": 0.7,
        "svg.hashsalt": f"scanproc {salt}",
        "svg.fonttype": "path" if outlines else "none",
        "pdf.fonttype": 42,
    }
