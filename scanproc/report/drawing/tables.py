"""The numbers behind each figure: a short table to read, and all of them as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import singledispatch

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.report.drawing.kinds import (
    Axis,
    Balloon,
    Cloud,
    Figure,
    HeatMap,
    Line,
    Lines,
    Polar,
    PolarSheet,
)
from scanproc.report.drawing.look import tick_name
from scanproc.steps.field.residuals import band_middles

MOST_ROWS = 40
MOST_COLUMNS = 13
WORST_POINTS = 12
DASH = "–"


@dataclass(frozen=True)
class Table:
    """Text by row under a header."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@singledispatch
def figure_table(figure: Figure) -> Table:
    """A table short enough to read: about one row per third-octave band."""
    raise TypeError(f"no table for {type(figure).__name__}")


@figure_table.register
def _(figure: Lines) -> Table:
    header = [_title(figure.x_axis)]
    columns: list[list[str]] = [_short(figure.x, figure.x_axis)]
    step = figure.steps.start if figure.steps else 0
    for line in figure.lines:
        y, error, low, high = (_at_step(part, step) for part in (line.y, line.error, line.low, line.high))
        assert y is not None
        axis = figure.right_axis if line.right and figure.right_axis else figure.y_axis
        header.append(f"{line.name} [{axis.unit}]" if axis.unit else line.name)
        digits = axis.digits
        if error is not None:
            columns.append([_with_error(a, b, digits) for a, b in zip(y, error, strict=True)])
        elif low is not None and high is not None:
            columns.append([_with_span(*entry, digits) for entry in zip(y, low, high, strict=True)])
        else:
            columns.append([_number(value, digits) for value in y])
    rows = list(zip(*columns, strict=True))
    return Table(tuple(header), tuple(rows[i] for i in _chosen(figure.x, figure.x_axis.unit == "Hz")))


@figure_table.register
def _(figure: HeatMap) -> Table:
    value = (
        figure.value if figure.value.ndim == 2 else figure.value[figure.steps.start if figure.steps else 0]
    )
    if figure.relative_axis is not None:
        value = value - value[_nearest(figure.y, 0.0)]
    which = _rows(figure.y, figure.y_axis.unit == "deg")
    header = (_title(figure.x_axis), *(f"{figure.y[i]:zg} {figure.y_axis.unit}".strip() for i in which))
    return Table(
        header,
        tuple(
            (_hertz(figure.x[k]), *(_number(value[i, k], 1) for i in which)) for k in _chosen(figure.x, True)
        ),
    )


@figure_table.register
def _(figure: Polar) -> Table:
    every = max(1, len(figure.angle_deg) // 36)
    step = figure.steps.start
    rows = (
        (
            f"{figure.angle_deg[i]:zg}",
            *(
                _with_error(value[i, step], error[i, step], 1)
                for value, error in zip(figure.value, figure.error, strict=True)
            ),
        )
        for i in range(0, len(figure.angle_deg), every)
    )
    return Table(("Angle [deg]", *(f"{name} [dB]" for name in figure.orbits)), tuple(rows))


@figure_table.register
def _(figure: PolarSheet) -> Table:
    header = (
        "Angle [deg]",
        *(f"{orbit}, {name} [dB re axis]" for orbit in figure.orbits for name in figure.names),
    )
    rows = (
        (
            f"{figure.angle_deg[i]:zg}",
            *(_number(value[i, k], 1) for value in figure.value for k in range(len(figure.names))),
        )
        for i in _rows(figure.angle_deg, True)
    )
    return Table(header, tuple(rows))


@figure_table.register
def _(figure: Balloon) -> Table:
    axis, up = len(figure.polar_deg) // 2, 0
    places = {
        "axis": (axis, 0),
        "left": (axis, _nearest(figure.azimuth_deg, 90)),
        "back": (axis, _nearest(figure.azimuth_deg, 180)),
        "right": (axis, _nearest(figure.azimuth_deg, 270)),
        "up": (up, 0),
        "down": (len(figure.polar_deg) - 1, 0),
    }
    rows = (
        (
            _hertz(hz),
            *(_with_error(figure.value[a][b][k], figure.error[a][b][k], 1) for a, b in places.values()),
        )
        for k, hz in enumerate(figure.steps.value)
    )
    return Table(("Frequency [Hz]", *(f"{name} [dB]" for name in places)), tuple(rows))


@figure_table.register
def _(figure: Cloud) -> Table:
    highest = np.max(np.nan_to_num(figure.value, nan=-np.inf), axis=1)
    worst = np.argsort(-highest, kind="stable")[:WORST_POINTS]
    rows = (
        (
            figure.names[i],
            *(f"{metres:z.3f}" for metres in figure.position_m[i]),
            _number(highest[i], 1),
            _hertz(figure.steps.value[int(np.nanargmax(figure.value[i]))]),
        )
        for i in worst
        if np.isfinite(highest[i])
    )
    return Table(("Point", "x [m]", "y [m]", "z [m]", "Highest [dB]", "at [Hz]"), tuple(rows))


def csv_text(figure: Figure) -> str:
    """All numbers of a figure as CSV: to seven digits, but two after the point for balloons and clouds of points."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerows(_all(figure))
    return page.getvalue()


@singledispatch
def _all(figure: Figure) -> Iterator[Sequence[object]]:
    raise TypeError(f"no CSV for {type(figure).__name__}")


@_all.register
def _(figure: Lines) -> Iterator[Sequence[object]]:
    columns = [(_title(figure.x_axis), figure.x)]
    for line in figure.lines:
        columns += list(_columns(line, figure))
    columns = _once(columns) if figure.steps else columns
    yield [name for name, _ in columns]
    yield from _digits(np.stack([values for _, values in columns], axis=1))


@_all.register
def _(figure: HeatMap) -> Iterator[Sequence[object]]:
    unit = figure.y_axis.unit
    names = [f"{figure.y_axis.label} {row:zg} {unit}".strip() for row in figure.y]
    steps = figure.steps.value if figure.steps else (None,)
    cube = figure.value if figure.value.ndim == 3 else figure.value[None]
    yield [*([figure.steps.unit] if figure.steps else []), _title(figure.x_axis), *names]
    for step, value in zip(steps, cube, strict=True):
        for row in _digits(np.column_stack([figure.x, value.T])):
            yield row if step is None else [f"{step:g}", *row]


@_all.register
def _(figure: PolarSheet) -> Iterator[Sequence[object]]:
    yield ["orbit", "angle_deg", *(f"{hz!r} Hz [dB re axis]" for hz in figure.frequency_hz.tolist())]
    for name, level in zip(figure.orbits, figure.value, strict=True):
        for row in _digits(np.column_stack([figure.angle_deg, level])):
            yield [name, *row]


@_all.register
def _(figure: Polar) -> Iterator[Sequence[object]]:
    yield [
        "orbit",
        "angle_deg",
        *(f"{hz!r} Hz [dB]" for hz in figure.steps.value),
    ]
    for name, level in zip(figure.orbits, figure.value, strict=True):
        for row in _digits(np.column_stack([figure.angle_deg, level])):
            yield [name, *row]


@_all.register
def _(figure: Balloon) -> Iterator[Sequence[object]]:
    yield ["polar_deg", "azimuth_deg", *(f"{hz!r} Hz [dB]" for hz in figure.steps.value)]
    for polar, rows in zip(figure.polar_deg, figure.value, strict=True):
        for azimuth, levels in zip(figure.azimuth_deg, rows, strict=True):
            yield [f"{polar:g}", f"{azimuth:g}", *(f"{level:z.2f}" for level in levels)]


@_all.register
def _(figure: Cloud) -> Iterator[Sequence[object]]:
    yield ["point", "x_m", "y_m", "z_m", *(f"{hz!r} Hz [dB]" for hz in figure.steps.value)]
    for name, position, levels in zip(figure.names, figure.position_m.tolist(), figure.value, strict=True):
        yield [name, *map(repr, position), *(f"{level:z.2f}" for level in levels)]


def _once(columns: list[tuple[str, Real]]) -> list[tuple[str, Real]]:
    """Without the columns that say of the same x what an earlier one with other words says."""
    kept: dict[bytes, tuple[str, Real]] = {}
    for name, values in columns:
        kept.setdefault(values.tobytes(), (name, values))
    return list(kept.values())


def _columns(line: Line, figure: Lines) -> Iterator[tuple[str, Real]]:
    axis = figure.right_axis if line.right and figure.right_axis else figure.y_axis
    unit = f" [{axis.unit}]" if axis.unit else ""
    for suffix, values in (("", line.y), (" error", line.error), (" low", line.low), (" high", line.high)):
        if values is None:
            continue
        if values.ndim == 1:
            yield f"{line.name}{suffix}{unit}", values
        elif figure.steps:
            for step, row in zip(figure.steps.value, values, strict=True):
                yield f"{step:g} {figure.steps.unit}{suffix}{unit}", row


def _digits(rows: Real) -> Iterator[list[str]]:
    for row in rows.tolist():
        yield [f"{value:.7g}" for value in row]


def _chosen(x: Real, by_band: bool) -> Integer:
    """Indices of about one row per third-octave band, or evenly spread."""
    if len(x) <= MOST_ROWS:
        return np.arange(len(x))
    return band_middles(x) if by_band else np.linspace(0, len(x) - 1, MOST_ROWS).round().astype(np.int64)


def _at_step(part: Real | None, step: int) -> Real | None:
    return part if part is None or part.ndim == 1 else part[step]


def _short(x: Real, axis: Axis) -> list[str]:
    return [_hertz(float(value)) if axis.unit == "Hz" else f"{value:z,.{axis.digits}f}" for value in x]


def _hertz(hz: float) -> str:
    """To three digits."""
    return tick_name(float(f"{hz:.3g}"))


def _rows(y: Real, angles: bool) -> Integer:
    """Rows of a map that its table shows: whole steps of 30 deg with 0, or evenly spread."""
    whole = (
        np.flatnonzero(np.abs(y / 30 - np.round(y / 30)) < 1e-9) if angles else np.array([], dtype=np.int64)
    )
    if len(whole) > 2:
        return whole
    found = np.unique(np.linspace(0, len(y) - 1, min(MOST_COLUMNS, len(y))).round().astype(np.int64))
    return np.unique(np.append(found, _nearest(y, 0.0))) if angles else found


def _title(axis: Axis) -> str:
    return f"{axis.label} [{axis.unit}]" if axis.unit else axis.label


def _number(value: float, digits: int) -> str:
    return f"{value:z,.{digits}f}" if np.isfinite(value) else DASH


def _with_error(value: float, error: float, digits: int) -> str:
    if not np.isfinite(value):
        return DASH
    return f"{value:z,.{digits}f} ± {spread(error, digits)}"


def spread(error: float, digits: int) -> str:
    """An error with as many digits as its value, or the least that these show."""
    least = 10.0**-digits
    if not np.isfinite(error):
        return "?"
    return f"{error:.{digits}f}" if error >= least / 2 else f"<{least:.{digits}f}"


def _with_span(value: float, low: float, high: float, digits: int) -> str:
    if not np.isfinite(value):
        return DASH
    return f"{_number(value, digits)} ({_number(low, digits)} to {_number(high, digits)})"


def _nearest(angles_deg: Real, wanted: float) -> int:
    return int(np.argmin(np.abs(angles_deg - wanted)))
