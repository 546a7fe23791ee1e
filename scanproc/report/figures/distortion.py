"""Figures of harmonic distortion."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Real
from scanproc.records.answers.distortion import PLACES, Distortion
from scanproc.report.drawing.kinds import Line, Lines, Text
from scanproc.report.figures.material import Material, frequency_axis, level_axis
from scanproc.report.words.distortion import distortion_sentence, percent, told
from scanproc.steps.farfield.distortion import Ratio, harmonic_ratio, total_ratio

SPAN_DB = 80.0
FLOOR = "noise floor of the total"
GAPS = "Where a curve is missing the harmonic is not above the noise, or beyond what the sweep tells."


def distortion_figures(material: Material) -> tuple[Lines, ...]:
    """Harmonics on the axis, and the totals by place; none where the scan holds no harmonics."""
    found = material.result.distortion
    return () if found is None else (on_axis(found), by_place(found))


def on_axis(found: Distortion) -> Lines:
    """Total and single harmonics on the axis re the fundamental at the excitation frequency."""
    total = total_ratio(found, 0, "excitation")
    lines = [_line("total harmonic distortion", total)]
    for row, order in enumerate(found.order.tolist()):
        lines.append(_line(f"harmonic {order}", harmonic_ratio(found, row, 0, "excitation")))
    text = Text(
        "distortion-on-axis",
        "Harmonic distortion on the axis",
        distortion_sentence(found),
        "Harmonics in the far field re the fundamental at the excitation frequency, by that frequency, with one "
        "standard error as a band; -40 dB is 1 %. Below the noise floor nothing can be told.",
        "Low and smooth is wanted. A narrow peak is often something that rattles or a part that runs out of travel.",
        f"{GAPS} Take no curve near the floor for the device's own: scan where it is quieter, or sweep more slowly.",
    )
    return _figure(text, found, (*lines, Line(FLOOR, total.floor_db)))


def by_place(found: Distortion) -> Lines:
    """Totals on the axis, in the listening window and of the sound power, by both references."""
    lines = []
    for place, name in enumerate(PLACES):
        lines.append(_line(f"{name}, re excitation frequency", total_ratio(found, place, "excitation")))
        lines.append(_line(f"{name}, equivalent input", total_ratio(found, place, "own"), place == 0))
    power = total_ratio(found, PLACES.index("sound power"), "excitation")
    above = told(power)
    finding = "The harmonics of the sound power do not rise above the noise."
    if above.any():
        most = percent(power.value_db[above]).max()
        finding = f"In the sound power the harmonics add up to at most {most:.2g} % of the fundamental."
    text = Text(
        "distortion-by-place",
        "Total harmonic distortion by place",
        finding,
        "The root of the sum of squared harmonics on the axis, over the listening window and as sound power: re the "
        "fundamental at the excitation frequency, or as equivalent input distortion, re the fundamental at each "
        "harmonic's own frequency (terms of IEC 60268-21).",
        "The equivalent input distortion takes the response's shape out: what differs between the two is the response.",
        f"{GAPS} A device that radiates harmonics elsewhere than its fundamental shows in the sound power, not on the "
        "axis.",
    )
    return _figure(text, found, tuple(lines))


def _line(name: str, ratio: Ratio, shown: bool = True) -> Line:
    above = told(ratio)
    value, error = (np.where(above, part, np.nan) for part in (ratio.value_db, ratio.standard_error_db))
    return Line(name, value, error, shown=shown)


def _figure(text: Text, found: Distortion, lines: tuple[Line, ...]) -> Lines:
    levels: Real = np.concatenate([line.y for line in lines])
    axis = level_axis(levels, "Harmonics re fundamental", SPAN_DB)
    return Lines(text, frequency_axis(found.excitation_hz), axis, found.excitation_hz, lines)
