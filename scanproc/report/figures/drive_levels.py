"""Figures of compression and harmonics by drive level."""

from __future__ import annotations

import numpy as np

from scanproc.records.measured.drive_levels import DriveLevels, LevelLimits
from scanproc.report.drawing.kinds import Axis, Line, Lines, Text
from scanproc.report.figures.material import frequency_axis, level_axis, rounded_span
from scanproc.report.words.drive_levels import level_facts, levels_sentence

SPAN_DB = 80.0
AGAIN = " again, at the end"


def level_figures(found: DriveLevels, limits: LevelLimits) -> tuple[Lines, ...]:
    """Compression, total distortion by level, single harmonics of the highest level."""
    return compression(found, limits), total(found, limits), highest(found)


def compression(found: DriveLevels, limits: LevelLimits) -> Lines:
    """Departure from proportional by frequency, a line per level."""
    lines = [
        Line(name, values, marks=name.endswith(AGAIN))
        for name, values in zip(_names(found)[1:], found.compression_db[1:], strict=True)
    ]
    low, high = rounded_span(found.compression_db, 1, (-1, 2))
    text = Text(
        "compression",
        "Compression",
        levels_sentence(found, limits),
        "By how much the fundamental is below what it would be in proportion to the first level, by frequency.",
        "Zero is wanted. What rises with level about the resonance is the motor or the suspension at the end of its "
        "travel; the same at all frequencies is often heat.",
        "Compare with the first level played again at the end: what that shows is warming, and says how long to pause.",
    )
    axis = Axis("Compression", "dB", min(low, -1.0), max(high, 2.0), digits=2)
    level = ((f"limit, {limits.compression_db:g} dB", limits.compression_db),)
    return Lines(text, frequency_axis(found.frequency_hz), axis, found.frequency_hz, tuple(lines), level)


def total(found: DriveLevels, limits: LevelLimits) -> Lines:
    """Total harmonic distortion by excitation frequency, a line per level, with the noise floor of the first."""
    lines = [
        Line(name, _told(values, floor))
        for name, values, floor in zip(_names(found), found.total_db, found.total_floor_db, strict=True)
    ]
    lines.append(Line("noise floor of the first level", found.total_floor_db[0]))
    worst = [one.distortion_percent for one in level_facts(found, limits)]
    most = max((one for one in worst if one is not None), default=None)
    finding = "No distortion rises above the noise."
    if most is not None:
        finding = f"At the worst frequency and level the harmonics add up to {most:.2g} % of the fundamental."
    text = Text(
        "total-by-level",
        "Total harmonic distortion by level",
        finding,
        "All harmonics that the sweep tells, re the fundamental at the excitation frequency; -40 dB is 1 %. At one "
        "microphone place in a room the room weighs each harmonic in its own way.",
        "Distortion that grows by 6 dB with 6 dB more drive is of second order, by 12 dB of third; a sudden rise is a "
        "limit.",
        "Where a line is missing noise hides it; scan with sweeps and import its harmonics for the far field.",
    )
    limit = 20 * np.log10(limits.distortion_percent / 100)
    axis = level_axis(np.concatenate([line.y for line in lines]), "Harmonics re fundamental", SPAN_DB)
    level = ((f"limit, {limits.distortion_percent:g} %", float(limit)),)
    return Lines(text, frequency_axis(found.frequency_hz), axis, found.frequency_hz, tuple(lines), level)


def highest(found: DriveLevels) -> Lines:
    """The single harmonics at the highest level."""
    row = int(np.argmax(found.drive_v))
    lines = tuple(
        Line(f"harmonic {order}", _told(found.harmonic_db[n, row], found.floor_db[n, row]))
        for n, order in enumerate(found.order.tolist())
    )
    text = Text(
        "harmonics-of-highest",
        "Harmonics at the highest level",
        f"At {found.drive_v[row]:.3g} V, harmonics {found.order[0]} to {found.order[-1]} by excitation frequency.",
        "Each harmonic re the fundamental at the excitation frequency.",
        "Even harmonics come from asymmetry, odd ones from symmetric limits.",
        "Where a line is missing noise hides it, or it lies beyond what the sweep tells.",
    )
    axis = level_axis(np.concatenate([line.y for line in lines]), "Harmonics re fundamental", SPAN_DB)
    return Lines(text, frequency_axis(found.frequency_hz), axis, found.frequency_hz, lines)


def _names(found: DriveLevels) -> list[str]:
    """Of the levels in the order in which they were played; the first one at the end is told from itself."""
    names = [f"{volts:.3g} V" for volts in found.drive_v]
    return names if found.drift_db is None else [*names[:-1], names[-1] + AGAIN]


def _told(value: np.ndarray, floor: np.ndarray) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return np.where(value > floor, value, np.nan)
