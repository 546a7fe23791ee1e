"""Figures of several results on each other: curves, their differences to the first, errors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scanproc.conventions import Real
from scanproc.records.answers.curves import Curves
from scanproc.report.drawing.kinds import Axis, Figure, Line, Lines, Text
from scanproc.report.drawing.look import DASHES
from scanproc.report.figures.material import Material, frequency_axis, level_axis, rounded_span
from scanproc.report.figures.responses import LEVEL
from scanproc.report.words.sentences import frequency

LEVELS = (
    "on axis",
    "listening window",
    "early reflections",
    "sound power, exact",
    "estimated in-room response",
)
INDICES = (
    "sound power directivity index",
    "early reflections directivity index",
    "directivity index, exact",
)


def overlay_figures(materials: Sequence[Material], names: Sequence[str]) -> tuple[Figure, ...]:
    """Each shared curve of all results, the differences of each to the first, the errors."""
    every = [one.curves for one in materials]
    shared = [name for name in (*LEVELS, *INDICES) if all(name in curves.names for curves in every)]
    return (
        *(overlaid(every, name, names) for name in shared),
        *(
            difference(every[0], other, (names[0], names[number]), number)
            for number, other in enumerate(every[1:], start=1)
        ),
        overlaid_errors(materials, names),
    )


def overlaid(every: Sequence[Curves], name: str, names: Sequence[str]) -> Lines:
    """One curve of all results at the frequencies of the first."""
    hz, first = every[0].frequency_hz, every[0].get(name).value
    lines = tuple(
        Line(
            label,
            _onto(hz, curves.frequency_hz, curves.get(name).value),
            _onto(hz, curves.frequency_hz, curves.get(name).standard_error),
            dash=(number + number // len(DASHES)) % len(DASHES),
        )
        for number, (label, curves) in enumerate(zip(names, every, strict=True))
    )
    index = name in INDICES
    levels = np.concatenate([line.y for line in lines])
    low, high = rounded_span(levels, 5, (0, 15))
    text = Text(
        "overlay-" + "".join(letter if letter.isalnum() else "-" for letter in name),
        name.capitalize(),
        " ".join(_gap(line.y - first, line.name, names[0]) for line in lines[1:]),
        f"{name.capitalize()}: all results with one standard error of the fit each, brought to the frequencies of the "
        "first.",
        "Bands that overlap: no difference that these scans can show.",
        "Read small differences against the error bands, not against the line width.",
    )
    return Lines(
        text,
        frequency_axis(hz),
        Axis("Index", "dB", min(low, 0.0), high) if index else level_axis(levels, LEVEL),
        hz,
        lines,
        decibels_per_decade=25.0 if index else 50.0,
    )


def _gap(gap: Real, name: str, first: str) -> str:
    if not np.any(np.isfinite(gap)):
        return f"{name} and {first} have no frequency in common."
    mean, most = (_signed(float(value)) for value in (np.nanmean(gap), _largest(gap)))
    return f"{name} is {mean} dB against {first} on average, at most {most} dB."


def _signed(value: float) -> str:
    """With its sign, unless it rounds to nothing."""
    text = f"{value:+z.1f}"
    return "0.0" if text == "+0.0" else text


def difference(first: Curves, second: Curves, names: tuple[str, str], number: int) -> Lines:
    """Another result minus the first for the shared levels."""
    hz = first.frequency_hz
    lines = []
    for name in LEVELS:
        if name in first.names and name in second.names:
            a, b = first.get(name), second.get(name)
            error = np.hypot(a.standard_error, _onto(hz, second.frequency_hz, b.standard_error))
            lines.append(Line(name, _onto(hz, second.frequency_hz, b.value) - a.value, error))
    low, high = rounded_span(np.concatenate([line.y for line in lines]), 2, (-2, 2))
    gap = lines[0].y
    finding = f"{names[1]} and {names[0]} have no frequency in common."
    if np.any(np.isfinite(gap)):
        where = int(np.nanargmax(np.abs(gap)))
        finding = (
            f"On the axis {names[1]} differs most from {names[0]} at {frequency(float(hz[where]))}, by "
            f"{_signed(float(gap[where]))} dB."
        )
    text = Text(
        "overlay-difference" if number == 1 else f"overlay-difference-{number + 1}",
        f"Difference, {names[1]}",
        finding,
        f"{names[1]} minus {names[0]}, with the combined standard error.",
        "Zero within the band means the same.",
        "A constant is gain; a slope is a filter or a microphone; ripples come and go with reflections.",
    )
    axis = Axis("Difference", "dB", max(low, -30.0), min(high, 30.0))
    return Lines(text, frequency_axis(hz), axis, hz, tuple(lines))


def overlaid_errors(materials: Sequence[Material], names: Sequence[str]) -> Lines:
    """Predicted far-field errors of all results."""
    every = [one.result.expansion for one in materials]
    hz = every[0].frequency_hz
    lines = tuple(
        Line(name, _onto(hz, one.frequency_hz, one.far_field_error_db))
        for name, one in zip(names, every, strict=True)
    )
    low, high = rounded_span(np.concatenate([line.y for line in lines]), 10, (-60, 0))
    used = ", ".join(f"{name} {one.points:,}" for name, one in zip(names, every, strict=True))
    text = Text(
        "overlay-errors",
        "Predicted far-field error",
        f"Points used: {used}.",
        "The predicted far-field error of each result, dB re its field's rms.",
        "Lower is better; a difference between results means nothing where either is near 0 dB.",
        "Trust the curves above only where all errors are low.",
    )
    return Lines(
        text, frequency_axis(hz), Axis("Predicted far-field error", "dB", low, max(high, 0.0)), hz, lines
    )


def _onto(hz: Real, other_hz: Real, value: Real) -> Real:
    """Values on a log frequency axis brought to other frequencies; NaN beyond their band."""
    found: Real = np.interp(np.log(hz), np.log(other_hz), value, left=np.nan, right=np.nan)
    return found


def _largest(gap: Real) -> float:
    return float(gap[np.nanargmax(np.abs(gap))])
