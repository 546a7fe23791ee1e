"""How figures are drawn on paper: polars and what lies in space."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure as Sheet

from scanproc.report.drawing.flat_kinds import THINNEST, draw, label
from scanproc.report.drawing.kinds import Balloon, Cloud, Polar, PolarSheet
from scanproc.report.drawing.look import DASHES, MAP, Theme
from scanproc.report.words.sentences import frequency

LEVEL_UNIT = "Level [dB re 20 µPa at 1 m, 2.83 V]"
ANGLES = "+ is left (seen from behind) and up; 0° is the reference axis"


@draw.register
def _(figure: Polar, sheet: Sheet, theme: Theme) -> None:
    step = figure.steps.start
    axes: Any = sheet.add_subplot(projection="polar")
    sheet.set_size_inches(sheet.get_figwidth(), sheet.get_figwidth() * 0.7)
    top = float(np.ceil(max(value[:, step].max() for value in figure.value) / 5) * 5)
    _polar(figure, step, axes, theme, (top - figure.span_db, top))
    axes.set_title(frequency(figure.steps.value[step]), fontsize=9)
    sheet.legend(loc="outside lower center", ncols=2, title=ANGLES, title_fontsize=7)


@draw.register
def _(figure: PolarSheet, sheet: Sheet, theme: Theme) -> None:
    columns = min(4, len(figure.names))
    rows = -(-len(figure.names) // columns)
    width = sheet.get_figwidth()
    sheet.set_size_inches(width, width / columns * rows * 1.12 + 0.4)
    span = (figure.top_db - figure.span_db, figure.top_db)
    for step, name in enumerate(figure.names):
        axes: Any = sheet.add_subplot(rows, columns, step + 1, projection="polar")
        _polar(figure, step, axes, theme, span, every=45)
        axes.plot(np.linspace(0, 2 * np.pi, 90), np.full(90, -6.0), color=theme.mark, lw=0.6, ls=(0, (4, 3)))
        missed = any(low <= figure.frequency_hz[step] <= high for low, high in figure.doubtful)
        axes.set_title(f"{name}{' (target missed)' if missed else ''}", fontsize=8)
    lines, names = sheet.axes[0].get_legend_handles_labels()
    sheet.legend(lines, names, loc="outside lower center", ncols=2, title=ANGLES, title_fontsize=7)


def _polar(
    figure: Polar | PolarSheet, step: int, axes: Any, theme: Theme, span: tuple[float, float], every: int = 30
) -> None:
    sparse = 2 if every > 30 and len(figure.angle_deg) > 100 else 1
    around = np.deg2rad(np.append(figure.angle_deg, figure.angle_deg[0] + 360))[::sparse]
    for index, (name, value, error) in enumerate(zip(figure.orbits, figure.value, figure.error, strict=True)):
        level, spread = (np.append(part[:, step], part[0, step])[::sparse] for part in (value, error))
        colour, dash = theme.lines[index], DASHES[index]
        axes.plot(around, level, color=colour, ls=(0, dash) if dash else "-", label=name, lw=1.1)
        wide = spread > THINNEST * (span[1] - span[0])
        axes.fill_between(around, level - spread, level + spread, where=wide, color=colour, alpha=0.2, lw=0)
    axes.set_ylim(*span)
    axes.set_yticks(np.arange(np.ceil(span[0] / 10) * 10, span[1] + 1, 10))
    axes.tick_params(labelsize=6 if every > 30 else 8, pad=-2 if every > 30 else 2)
    axes.set_theta_zero_location("N")
    axes.set_xticks(np.deg2rad(np.arange(0, 360, every)))
    axes.set_xticklabels([f"{((a + 179) % 360) - 179}°" for a in range(0, 360, every)])
    axes.grid(color=theme.grid)


@draw.register
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
    axes.set(xticklabels=[], yticklabels=[], zticklabels=[], xlabel="", ylabel="left", zlabel="up")
    axes.plot([0, 1.35], [0, 0], [0, 0], color=theme.mark, lw=1.5)
    axes.text(1.4, 0, 0, "axis", color=theme.mark)
    axes.set_title(
        f"{frequency(figure.steps.value[step])}, {figure.span_db:g} dB from middle to edge", fontsize=9
    )
    scale = mpl.cm.ScalarMappable(mpl.colors.Normalize(top - figure.span_db, top), MAP)
    sheet.colorbar(scale, ax=axes, label=LEVEL_UNIT, shrink=0.7)


@draw.register
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
    sheet.colorbar(dots, ax=axes, label=label(scale), shrink=0.7)


def _space(sheet: Sheet, theme: Theme, reach: float) -> Any:
    """Axes of space that look at the front from the left and above."""
    axes: Any = sheet.add_subplot(projection="3d", computed_zorder=False)
    sheet.set_size_inches(sheet.get_figwidth(), sheet.get_figwidth() * 0.7)
    axes.view_init(elev=22, azim=-50)
    axes.set(
        xlim=(-reach, reach),
        ylim=(-reach, reach),
        zlim=(-reach, reach),
        xlabel="x (axis) [m]",
        ylabel="y (left) [m]",
        zlabel="z (up) [m]",
    )
    axes.set_box_aspect((1, 1, 1))
    for axis in (axes.xaxis, axes.yaxis, axes.zaxis):
        axis.pane.set_facecolor(theme.ground)
        axis._axinfo["grid"]["color"] = theme.grid
        axis.set_major_locator(mpl.ticker.MaxNLocator(4))
    return axes
