"""Figures of the question whether the scan agrees with an independent measurement, or with another scan."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Real
from scanproc.records.answers.comparison import Comparison
from scanproc.report.drawing.kinds import Axis, Figure, Line, Lines, Text
from scanproc.report.drawing.look import tick_name
from scanproc.report.drawing.tables import Table
from scanproc.report.figures.material import frequency_axis, level_axis, rounded_span
from scanproc.report.figures.responses import LEVEL
from scanproc.report.words.sentences import count, frequency
from scanproc.waves.bands import third_octave_name

MOST_ANGLES = 3
MOST_LINES = 24
"""More angles than this are not all drawn: those with the largest rms differences are, and the tables hold all."""
WORST = 8


def reference_figures(compared: Comparison) -> tuple[Figure, ...]:
    """Levels of both, their difference, and which error tells which."""
    return (reference_levels(compared), reference_difference(compared), which_error(compared))


def reference_levels(compared: Comparison) -> Lines:
    """Scan and reference at the first few angles."""
    lines: list[Line] = []
    for index, name in enumerate(compared.label[:MOST_ANGLES]):
        lines += [
            Line(f"scan, {name}", compared.predicted_db[index]),
            Line(f"reference, {name}", compared.reference_db[index]),
        ]
    reach = compared.met_up_to_hz
    agree = f"agree up to {frequency(reach)}" if reach else "agree nowhere"
    text = Text(
        "reference-levels",
        "Scan and reference",
        f"Scan and reference {agree}, within {compared.tolerance_db:g} dB at {count(len(compared.label), 'angle')}.",
        f"Levels at the microphones of the reference, predicted from the scan and measured; reference: "
        f"{compared.reference}. The first {MOST_ANGLES} angles.",
        "Curves that lie on each other agree. Below the reference's lowest valid frequency nothing is judged.",
        "Look at the difference below for its cause.",
    )
    return Lines(
        text,
        frequency_axis(compared.frequency_hz),
        level_axis(np.stack([line.y for line in lines]), LEVEL),
        compared.frequency_hz,
        tuple(lines),
        decibels_per_decade=50.0,
        doubtful=_unjudged(compared),
    )


def reference_difference(compared: Comparison) -> Lines:
    """Scan minus reference by angle, with 95 % of what is expected."""
    difference = compared.predicted_db - compared.reference_db
    judged = np.where(compared.judged, difference, np.nan)
    worst = (
        np.unravel_index(int(np.nanargmax(np.abs(judged))), judged.shape)
        if np.any(compared.judged)
        else (0, 0)
    )
    chosen = _most_different(judged)
    few = "" if len(chosen) == len(judged) else f" The {WORST} of {len(judged)} angles that differ most."
    text = Text(
        "reference-difference",
        "Difference",
        f"The largest difference is {difference[worst]:+z.1f} dB, at "
        f"{frequency(float(compared.frequency_hz[worst[1]]))}, "
        f"{compared.label[worst[0]]}.",
        "Scan minus reference; the bands span 1.96 standard errors of both together." + few,
        "Differences within their bands are what the errors allow. One level offset is calibration; a slope is a "
        "microphone; a comb is a reflection in the reference.",
        "The causes that the data can tell apart are listed with the comparison.",
    )
    lines = tuple(
        Line(
            compared.label[index],
            difference[index],
            1.96 * compared.uncertainty_db[index],
            shown=index in _worst(judged, 2 * MOST_ANGLES),
        )
        for index in chosen
    )
    reach = max(5.0, min(20.0, float(np.ceil(np.nanmax(np.abs(judged), initial=1.0)))))
    return Lines(
        text,
        frequency_axis(compared.frequency_hz),
        Axis("Scan minus reference", "dB", -reach, reach),
        compared.frequency_hz,
        lines,
        levels=(("tolerance", compared.tolerance_db), ("", -compared.tolerance_db)),
        doubtful=_unjudged(compared),
    )


def which_error(compared: Comparison) -> Lines:
    """Held-out, predicted and actual error by band."""
    bands = compared.bands
    excess = bands.actual_db - bands.predicted_db
    known = excess[np.isfinite(excess)]
    finding = (
        _excess(float(np.median(known)))
        if known.size
        else "No band has both an actual and an expected difference."
    )
    text = Text(
        "which-error",
        "Which error tells which",
        finding,
        "By third-octave band: the fit's held-out error, the difference that the error bars expect, and the actual "
        "one.",
        "An actual difference near the expected one means honest error bars; far above it, something other than the "
        "fit is wrong.",
        "Where only high frequencies exceed, points are too few; where all do, look at calibration and mounting.",
    )
    values = (bands.held_out_db, bands.predicted_db, bands.actual_db)
    low, high = rounded_span(np.concatenate(values), 10, (-60, 0))
    names = ("held-out error", "expected difference", "actual difference")
    return Lines(
        text,
        frequency_axis(bands.band_hz),
        Axis("Error", "dB", low, max(high, 0.0)),
        bands.band_hz,
        tuple(Line(name, value, marks=True) for name, value in zip(names, values, strict=True)),
    )


def _excess(excess_db: float) -> str:
    """The actual difference against the expected one, in dB of their ratio."""
    if excess_db > 0:
        how = f"exceeds what the error bars expect by {excess_db:z.1f} dB"
    else:
        how = f"is within what the error bars expect, {-excess_db:z.1f} dB below it"
    return f"The actual difference {how} (median over bands)."


def band_table(compared: Comparison) -> Table:
    """By third-octave band: the three errors and the difference over all angles."""
    bands = compared.bands
    header = (
        "Band [Hz]",
        "Held-out [dB]",
        "Expected [dB]",
        "Actual [dB]",
        "Mean [dB]",
        "Rms [dB]",
        "Largest [dB]",
    )
    rows = (
        (
            tick_name(third_octave_name(bands.band_hz[i])),
            *(f"{values[i]:.1f}" for values in (bands.held_out_db, bands.predicted_db, bands.actual_db)),
            f"{bands.mean_db[:, i].mean():+z.2f}",
            f"{np.sqrt(np.mean(bands.rms_db[:, i] ** 2)):.2f}",
            f"{bands.largest_db[:, i].max():.2f}",
            f"{bands.within[:, i].mean():.0%}",
        )
        for i in range(len(bands.band_hz))
    )
    return Table((*header, "Within 95 %"), tuple(rows))


def angle_table(compared: Comparison) -> Table:
    """By angle: rms and largest difference over the judged band, and up to where it agrees."""
    judged = compared.difference_db[:, compared.judged]
    rows = (
        (
            label,
            f"{np.sqrt(np.mean(row**2)):.2f}",
            f"{np.abs(row).max():.2f}",
            "nowhere" if np.isnan(end) else frequency(end),
        )
        for label, row, end in zip(compared.label, judged, compared.angle_up_to_hz, strict=True)
    )
    return Table(("Angle", "Rms [dB]", "Largest [dB]", "Agrees up to"), tuple(rows))


def _most_different(difference_db: Real) -> list[int]:
    """All angles, or of many those that differ most, in their own order."""
    if len(difference_db) <= MOST_LINES:
        return list(range(len(difference_db)))
    return _worst(difference_db, WORST)


def _worst(difference_db: Real, count: int) -> list[int]:
    """The angles with the largest rms differences, in their own order."""
    power = np.nansum(difference_db**2, axis=1)
    return sorted(map(int, np.argsort(-power, kind="stable")[:count]))


def _unjudged(compared: Comparison) -> tuple[tuple[float, float], ...]:
    hz = compared.frequency_hz
    if np.all(compared.judged) or not np.any(compared.judged):
        return ()
    return ((float(hz[0]), float(hz[int(np.argmax(compared.judged))])),)
