"""How figures are drawn on paper: curves and maps; ``draw`` is the way in for all kinds."""

from __future__ import annotations

from dataclasses import replace
from functools import singledispatch
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Sheet
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter

from scanproc.report.drawing.kinds import Axis, Figure, HeatMap, Line, Lines, Spans
from scanproc.report.drawing.look import DASHES, MAP, Theme, log_ticks, tick_name

THINNEST = 0.004
"""Error bands thinner than this part of the axis vanish under the curve and are not drawn."""
ACROSS, BESIDE_INCH, LEGEND_INCH = 0.88, 0.7, 0.17
"""Of a sheet with axes to scale: their part of its width, the height of their names, of a row of the legend."""
HATCHES = ("", "///", "...", "\\\\\\", "xx")


@singledispatch
def draw(figure: Figure, sheet: Sheet, theme: Theme) -> None:
    raise TypeError(f"no drawing for {type(figure).__name__}")


@draw.register
def _(figure: Lines, sheet: Sheet, theme: Theme) -> None:
    panels = [figure] if figure.relative_axis is None else [figure, _re_first(figure)]
    if figure.decibels_per_decade:
        width, rows = sheet.get_figwidth(), -(-sum(line.shown for line in figure.lines) // 3)
        tall = sum(_box_aspect(one) * ACROSS * width + BESIDE_INCH for one in panels)
        sheet.set_size_inches(width, tall + LEGEND_INCH * rows)
    for panel, axes in zip(panels, np.atleast_1d(sheet.subplots(len(panels), 1)), strict=True):
        _lines(panel, axes, theme)
    if len(figure.lines) > 1:
        seen: dict[str, Any] = {}
        for axes in sheet.axes:
            seen |= dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True))
        sheet.legend(seen.values(), seen.keys(), loc="outside lower center", ncols=3)


def _lines(figure: Lines, axes: Axes, theme: Theme) -> None:
    right: Any = axes.twinx() if figure.right_axis else axes
    floor = np.zeros(len(figure.x))
    for index, line in enumerate(line for line in figure.lines if line.shown):
        colour, dash = line_look(line, index, theme)
        if figure.stacked:
            hatch = HATCHES[index % len(HATCHES)]
            axes.fill_between(
                figure.x, floor, floor + line.y, color=colour, alpha=0.6, lw=0.3, label=line.name, hatch=hatch
            )
            floor = floor + np.nan_to_num(line.y)
        else:
            _curve(right if line.right else axes, figure, line, colour, dash)
    _doubt(axes, figure.doubtful, theme)
    for name, level in figure.levels:
        axes.axhline(level, color=theme.mark, lw=1, ls=(0, (5, 3)))
        place, turn = (0.995, level), ("axes fraction", "data")
        axes.annotate(name, place, xycoords=turn, ha="right", va="bottom", color=theme.mark)
    _scaled(axes, figure.x_axis, figure.y_axis, theme)
    if figure.right_axis:
        right.set_ylim(figure.right_axis.low, figure.right_axis.high)
        right.set_yticks(np.arange(figure.right_axis.low, figure.right_up_to + 1, 5))
        right.set_ylabel(label(figure.right_axis), loc="bottom")
    if figure.decibels_per_decade:
        for one in {axes, right}:
            one.set_box_aspect(_box_aspect(figure))
        words = f"{figure.decibels_per_decade:g} dB per decade"
        axes.set_title(words, loc="right", fontsize=7, color=theme.faint)


def _re_first(figure: Lines) -> Lines:
    """The lines less the first of them, on the relative axis."""
    assert figure.relative_axis is not None
    first = figure.lines[0].y
    lines = tuple(replace(line, y=line.y - first) for line in figure.lines)
    return replace(figure, lines=lines, y_axis=figure.relative_axis, relative_axis=None, levels=())


def line_look(line: Line, index: int, theme: Theme) -> tuple[str, tuple[int, ...]]:
    """Colour and dash of a line by its number and its own wishes."""
    dash = DASHES[(index if line.dash is None else line.dash) % len(DASHES)]
    if line.shade is None:
        return theme.lines[index % len(theme.lines)], dash
    return mpl.colors.to_hex(mpl.colormaps[MAP](line.shade)), dash


def _box_aspect(figure: Lines) -> float:
    """Height over width of axes on which so many decibels are as long as a decade."""
    decades = float(np.log10(figure.x_axis.high / figure.x_axis.low))
    return (figure.y_axis.high - figure.y_axis.low) / (figure.decibels_per_decade or 1.0) / decades


def _curve(axes: Axes, figure: Lines, line: Line, colour: str, dash: tuple[int, ...]) -> None:
    start = figure.steps.start if figure.steps else 0
    y, error, low, high = (
        None if part is None else part[start] if part.ndim == 2 else part
        for part in (line.y, line.error, line.low, line.high)
    )
    assert y is not None
    if error is not None:
        low, high = y - error, y + error
    style: Any = "" if not line.joined else (0, dash) if dash else "-"
    axes.plot(figure.x, y, color=colour, ls=style, marker="o" if line.marks else "", ms=3, label=line.name)
    if low is None or high is None or line.shade is not None:
        return
    if line.joined:
        wide = high - low > THINNEST * (figure.y_axis.high - figure.y_axis.low)
        axes.fill_between(figure.x, low, high, where=wide, color=colour, alpha=0.2, lw=0)
    else:
        axes.vlines(figure.x, low, high, color=colour, lw=1)


@draw.register
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
        sheet.colorbar(mesh, ax=axes, label=label(scale), pad=0.01)


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
    axes.set_xlabel(label(x))
    axes.set_ylabel(label(y))
    axes.grid(visible=True, which="both", color=theme.grid, lw=0.6)
    axes.set_axisbelow(True)


def _doubt(axes: Axes, spans: Spans, theme: Theme) -> None:
    for low, high in spans:
        axes.axvspan(
            low, high, facecolor="none", edgecolor=theme.faint, hatch="////", lw=0, alpha=0.6, zorder=3
        )


def label(axis: Axis) -> str:
    return f"{axis.label} [{axis.unit}]" if axis.unit else axis.label
