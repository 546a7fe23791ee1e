"""Figures on paper: SVG, PDF or PNG by matplotlib, the same bytes every time."""

from __future__ import annotations

import io
import logging
import re
from functools import singledispatch
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Sheet
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter
from PIL import Image

from scanproc.files.atomic import whole_file
from scanproc.report.figures.kinds import Axis, Balloon, Cloud, Figure, HeatMap, Line, Lines, Polar, Spans
from scanproc.report.figures.look import DASHES, LIGHT, MAP, Theme, log_ticks, tick_name
from scanproc.report.words.sentences import frequency

logging.getLogger("matplotlib").setLevel(logging.ERROR)  # no word about building its font cache

MM_PER_INCH = 25.4
WIDTH_MM = 170.0
DPI = 200.0
PAGE_DPI = 110.0
SMALL_MM = 130.0
COLOURS = 200
THINNEST = 0.004
"""Error bands thinner than this part of the axis vanish under the curve and are not drawn."""
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
        _draw(figure, sheet, theme)
        told = {SOURCE_KEY[kind]: source} if source else {}
        sheet.savefig(page, format=kind, dpi=dpi, metadata={**NO_DATE[kind], **told})
    return page.getvalue()


def still(figure: Figure) -> tuple[str, bytes]:
    """A figure for the page, small: its media type and bytes. SVG with text as text, or PNG for figures in space."""
    if isinstance(figure, Balloon | Cloud):
        picture = Image.open(io.BytesIO(drawn(figure, "png", width_mm=SMALL_MM)))
        page = io.BytesIO()
        picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(page, "png", optimize=True)
        return "image/png", page.getvalue()
    drawing = drawn(figure, "svg", outlines=False, dpi=PAGE_DPI).decode()
    return "image/svg+xml", re.sub(r"(\.\d)\d+", r"\1", drawing).encode()


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


@singledispatch
def _draw(figure: Figure, sheet: Sheet, theme: Theme) -> None:
    raise TypeError(f"no drawing for {type(figure).__name__}")


@_draw.register
def _(figure: Lines, sheet: Sheet, theme: Theme) -> None:
    axes = sheet.add_subplot()
    for index, line in enumerate(line for line in figure.lines if line.shown):
        _curve(axes, figure, line, theme.lines[index % len(theme.lines)], DASHES[index % len(DASHES)])
    _doubt(axes, figure.doubtful, theme)
    for name, level in figure.levels:
        axes.axhline(level, color=theme.mark, lw=1, ls=(0, (5, 3)))
        axes.annotate(
            name,
            (0.995, level),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            color=theme.mark,
        )
    _scaled(axes, figure.x_axis, figure.y_axis, theme)
    if figure.decibels_per_decade:
        ratio, decades = decibels_per_decade(figure)
        axes.set_box_aspect((figure.y_axis.high - figure.y_axis.low) / ratio / decades)
        axes.set_title(f"{ratio:g} dB per decade", loc="right", fontsize=7, color=theme.faint)
    if len(figure.lines) > 1:
        sheet.legend(loc="outside lower center", ncols=3)


def decibels_per_decade(figure: Lines) -> tuple[float, float]:
    """The axes' ratio, and the decades of the x axis."""
    return figure.decibels_per_decade or 0.0, float(np.log10(figure.x_axis.high / figure.x_axis.low))


def _curve(axes: Axes, figure: Lines, line: Line, colour: str, dash: tuple[int, ...]) -> None:
    start = figure.steps.start if figure.steps else 0
    y, error, low, high = (
        None if part is None else part[start] if part.ndim == 2 else part
        for part in (line.y, line.error, line.low, line.high)
    )
    assert y is not None
    if error is not None:
        low, high = y - error, y + error
    style: Any = (0, dash) if dash else "-"
    axes.plot(figure.x, y, color=colour, ls=style, marker="o" if line.marks else "", ms=3, label=line.name)
    if low is not None and high is not None:
        wide = high - low > THINNEST * (figure.y_axis.high - figure.y_axis.low)
        axes.fill_between(figure.x, low, high, where=wide, color=colour, alpha=0.2, lw=0)


@_draw.register
def _(figure: HeatMap, sheet: Sheet, theme: Theme) -> None:
    step = figure.steps.start if figure.steps else 0
    value = figure.value[step] if figure.value.ndim == 3 else figure.value
    pairs = [(value, figure.colour_axis)]
    if figure.relative_axis is not None:
        pairs = [(value - value[np.argmin(np.abs(figure.y))], figure.relative_axis)]
    for shown, scale in pairs:
        axes = sheet.add_subplot()
        mesh = axes.pcolormesh(
            figure.x,
            figure.y,
            np.ma.masked_invalid(shown),
            cmap=MAP,
            vmin=scale.low,
            vmax=scale.high,
            shading="nearest",
            rasterized=True,
        )
        if figure.path is not None:
            path = figure.path[step] if figure.path.ndim == 2 else figure.path
            axes.plot(figure.x, path, color=theme.ground, lw=3)
            axes.plot(figure.x, path, color=theme.mark, label=figure.path_name)
            axes.legend(loc="upper left", frameon=True)
        if figure.strip is not None:
            _strip(axes, figure, step, scale)
        if figure.contour is not None and min(shown.shape) > 1:
            axes.contour(figure.x, figure.y, shown, [figure.contour], colors=["#ffffff"], linewidths=1)
        _scaled(axes, figure.x_axis, figure.y_axis, theme)
        axes.grid(visible=False)
        _doubt(axes, figure.doubtful, theme)
        sheet.colorbar(mesh, ax=axes, label=_label(scale), pad=0.01)


def _strip(axes: Axes, figure: HeatMap, step: int, scale: Axis) -> None:
    """The row apart, above the map; and the words where only it speaks."""
    assert figure.strip is not None
    row = figure.strip[step] if figure.strip.ndim == 2 else figure.strip
    above = axes.inset_axes((0, 1.02, 1, 0.05), sharex=axes)
    edges = np.concatenate([figure.x[:1], np.sqrt(figure.x[:-1] * figure.x[1:]), figure.x[-1:]])
    shown = np.ma.masked_invalid(row[None])
    above.pcolormesh(edges, [0, 1], shown, cmap=MAP, vmin=scale.low, vmax=scale.high, rasterized=True)
    above.set_axis_off()
    for low, high in figure.strip_only:
        for edge in (low, high):
            axes.axvline(edge, color=axes.xaxis.label.get_color(), lw=0.8, ls=(0, (4, 4)))
        wide = np.log(high / low) / np.log(figure.x_axis.high / figure.x_axis.low)
        if wide > len(figure.strip_name) / 80:
            top = figure.y_axis.high - 0.02 * (figure.y_axis.high - figure.y_axis.low)
            axes.text(np.sqrt(low * high), top, figure.strip_name, ha="center", va="top")


@_draw.register
def _(figure: Polar, sheet: Sheet, theme: Theme) -> None:
    step = figure.steps.start
    axes: Any = sheet.add_subplot(projection="polar")
    sheet.set_size_inches(sheet.get_figwidth(), sheet.get_figwidth() * 0.7)
    around = np.deg2rad(np.append(figure.angle_deg, figure.angle_deg[0] + 360))
    for index, name in enumerate(figure.orbits):
        level, error = (
            np.append(part[index, :, step], part[index, 0, step]) for part in (figure.value, figure.error)
        )
        colour, dash = theme.lines[index], DASHES[index]
        axes.plot(around, level, color=colour, ls=(0, dash) if dash else "-", label=name)
        axes.fill_between(around, level - error, level + error, color=colour, alpha=0.2, lw=0)
    top = float(np.ceil(figure.value[..., step].max() / 5) * 5)
    axes.set_ylim(top - figure.span_db, top)
    axes.set_yticks(np.arange(top - figure.span_db + 10, top + 1, 10))
    axes.set_theta_zero_location("N")
    axes.set_xticks(np.deg2rad(np.arange(0, 360, 30)))
    axes.set_xticklabels([f"{((a + 179) % 360) - 179}°" for a in range(0, 360, 30)])
    axes.grid(color=theme.grid)
    axes.set_title(frequency(figure.steps.value[step]), fontsize=9)
    sheet.legend(loc="outside right upper")


@_draw.register
def _(figure: Balloon, sheet: Sheet, theme: Theme) -> None:
    step = figure.steps.start
    level = np.concatenate([figure.value[..., step], figure.value[:, :1, step]], axis=1)
    top = level.max()
    radius = np.clip((level - top) / figure.span_db + 1, 0, 1)
    polar = np.deg2rad(figure.polar_deg)[:, None]
    azimuth = np.deg2rad(np.append(figure.azimuth_deg, 360))[None, :]
    x, y, z = (
        radius * np.sin(polar) * np.cos(azimuth),
        radius * np.sin(polar) * np.sin(azimuth),
        radius * np.cos(polar) * np.ones_like(azimuth),
    )
    axes = _space(sheet, theme, 1.0)
    shades = mpl.colormaps[MAP](np.clip((level - top) / figure.span_db + 1, 0, 1))
    axes.plot_surface(
        x, y, z, facecolors=shades, rstride=2, cstride=2, lw=0.2, edgecolor="#00000055", shade=False
    ).set_rasterized(True)
    axes.plot([0, 1.35], [0, 0], [0, 0], color=theme.mark, lw=1.5)
    axes.text(1.4, 0, 0, "axis", color=theme.mark)
    axes.set_title(
        f"{frequency(figure.steps.value[step])}, {figure.span_db:g} dB from middle to edge", fontsize=9
    )
    scale = mpl.cm.ScalarMappable(mpl.colors.Normalize(top - figure.span_db, top), MAP)
    sheet.colorbar(scale, ax=axes, label="Level [dB]", shrink=0.7)


@_draw.register
def _(figure: Cloud, sheet: Sheet, theme: Theme) -> None:
    step = figure.steps.start
    axes = _space(sheet, theme, float(np.abs(figure.position_m).max()))
    x, y, z = figure.position_m.T
    scale = figure.colour_axis
    dots = axes.scatter(
        x,
        y,
        z,
        c=figure.value[:, step],
        cmap=MAP,
        vmin=scale.low,
        vmax=scale.high,
        s=5,
        lw=0,
        rasterized=True,
    )
    axes.set_title(frequency(figure.steps.value[step]), fontsize=9)
    sheet.colorbar(dots, ax=axes, label=_label(scale), shrink=0.7)


def _space(sheet: Sheet, theme: Theme, reach: float) -> Any:
    """Axes of space that look at the front from the left and above."""
    axes: Any = sheet.add_subplot(projection="3d", computed_zorder=False)
    sheet.set_size_inches(sheet.get_figwidth(), sheet.get_figwidth() * 0.7)
    axes.view_init(elev=22, azim=-50)
    axes.set(
        xlim=(-reach, reach), ylim=(-reach, reach), zlim=(-reach, reach), xlabel="x", ylabel="y", zlabel="z"
    )
    axes.set_box_aspect((1, 1, 1))
    for axis in (axes.xaxis, axes.yaxis, axes.zaxis):
        axis.pane.set_facecolor(theme.ground)
        axis._axinfo["grid"]["color"] = theme.grid
        axis.set_major_locator(mpl.ticker.MaxNLocator(4))
    return axes


def _scaled(axes: Axes, x: Axis, y: Axis, theme: Theme) -> None:
    for axis, put, limit in ((x, axes.xaxis, axes.set_xlim), (y, axes.yaxis, axes.set_ylim)):
        if axis.scale == "log":
            (axes.set_xscale if axis is x else axes.set_yscale)("log")
            labelled, bare = log_ticks(axis.low, axis.high)
            put.set_major_locator(FixedLocator(labelled))
            put.set_major_formatter(FixedFormatter([tick_name(tick) for tick in labelled]))
            put.set_minor_locator(FixedLocator(bare))
            put.set_minor_formatter(NullFormatter())
        elif axis.unit == "deg":
            put.set_major_locator(mpl.ticker.MultipleLocator(60 if axis.high - axis.low > 200 else 30))
        limit(axis.low, axis.high)
    axes.set_xlabel(_label(x))
    axes.set_ylabel(_label(y))
    axes.grid(visible=True, which="both", color=theme.grid, lw=0.6)
    axes.set_axisbelow(True)


def _doubt(axes: Axes, spans: Spans, theme: Theme) -> None:
    for low, high in spans:
        axes.axvspan(
            low, high, facecolor="none", edgecolor=theme.faint, hatch="////", lw=0, alpha=0.6, zorder=3
        )


def _label(axis: Axis) -> str:
    return f"{axis.label} [{axis.unit}]" if axis.unit else axis.label
