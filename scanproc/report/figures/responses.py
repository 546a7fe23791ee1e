"""Figures of how loud the device is: the standard's curves, lines off the axis, the room, the power."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from scanproc.conventions import Boolean, Real, level_db
from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.drawing.kinds import Axis, Line, Lines, Text
from scanproc.report.figures.material import LEVEL_UNIT, frequency_axis, level_axis, rounded_span
from scanproc.report.words.sentences import frequency
from scanproc.steps.farfield.sound_power import power_levels, third_octave_means
from scanproc.steps.field.extrapolate import far_field, far_field_variance, standard_error_db
from scanproc.waves.bands import third_octave_name
from scanproc.waves.directions import horizontal_orbit, vertical_orbit

LEVEL = "Level re 20 µPa at 1 m, 2.83 V"
SPAN_DB = 55.0
STANDARD = ("on axis", "listening window", "early reflections", "sound power")
STANDARD_INDICES = ("sound power directivity index", "early reflections directivity index")
BOUNCES = ("floor bounce", "ceiling bounce", "front wall", "side walls", "rear wall")
OFF_AXIS_DEG = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 90.0)
ORBITS = {"horizontal": (horizontal_orbit, "left", "right"), "vertical": (vertical_orbit, "up", "down")}


def standard_curves(curves: Curves, headline: Mapping[str, Any]) -> Lines:
    """The four averaged curves and both indices in one figure, as ANSI/CTA-2034-A draws them."""
    levels = [curves.get(name) for name in STANDARD if name in curves.names]
    indices = [curves.get(name) for name in STANDARD_INDICES if name in curves.names]
    more = [curves.get(name) for name in BOUNCES if name in curves.names]
    axis = curves.get("on axis")
    inside = middle(curves.frequency_hz)
    ripple = np.ptp(axis.value[inside]) / 2
    text = Text(
        "response",
        "Response curves and directivity indices",
        f"{_capital(_band(curves.frequency_hz))} the level on the reference axis stays within ±{ripple:.1f} dB"
        f"{_sensitivity(headline)}.",
        f"Averages over 70 angles and their differences as in ANSI/CTA-2034-A, in free space, {LEVEL_UNIT}, with one "
        "standard error of the fit as a band; axes as in IEC 60263, 50 dB as long as a decade. Sound power is drawn as "
        "the mean level over the sphere.",
        "Smooth and even is usually wanted, and indices that rise steadily. A dip that the index shares is where sound "
        "goes elsewhere; one that it does not share is in all directions.",
        "Do not equalise what lies within the error band, nor a dip of the axis alone.",
    )
    top = level_axis(np.concatenate([curve.value for curve in levels]), LEVEL, SPAN_DB)
    _, highest = rounded_span(
        np.concatenate([c.value for c in indices]) if indices else np.zeros(1), 5, (0, 10)
    )
    return Lines(
        text,
        frequency_axis(curves.frequency_hz),
        top,
        curves.frequency_hz,
        (
            *(as_line(curve) for curve in levels),
            *(as_line(curve, right=True) for curve in indices),
            *(as_line(curve, shown=False) for curve in more),
        ),
        decibels_per_decade=50.0,
        right_axis=Axis("Directivity index", "dB", -5.0, SPAN_DB - 5.0) if indices else None,
        right_up_to=max(highest, 10.0),
    )


def _sensitivity(headline: Mapping[str, Any]) -> str:
    found = headline.get("sensitivity")
    if not found:
        return ""
    low, high = frequency(found["from_hz"]), frequency(found["to_hz"])
    return f"; the sensitivity, its mean from {low} to {high}, is {found['value']:z.1f} dB"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def off_axis(expansion: Expansion, orbit: str, sound: Boolean, level_error_db: float = 0.0) -> Lines:
    """Levels from 0 to 90 deg on both sides of an orbit as lines; the finding where ``sound`` (F,) is on."""
    around, one, other = ORBITS[orbit]
    angle = np.array([*OFF_AXIS_DEG, *(-a for a in OFF_AXIS_DEG[1:])])
    direction = around(angle)
    pressure = far_field(expansion, direction)
    level = level_db(pressure, expansion.drive_voltage_v)
    error = np.hypot(standard_error_db(pressure, far_field_variance(expansion, direction)), level_error_db)
    hz = expansion.frequency_hz
    lines = tuple(
        Line(
            "0 deg" if a == 0 else f"{abs(a):g} deg {one if a > 0 else other}",
            level[i],
            error[i],
            shade=0.05 + 0.8 * abs(a) / 90,
            dash=int(a < 0),
        )
        for i, a in enumerate(angle.tolist())
    )
    count = len(OFF_AXIS_DEG)
    sides = np.where(sound, level[1:count] - level[count:], 0.0)
    apart = np.unravel_index(int(np.abs(sides).argmax()), sides.shape)
    text = Text(
        f"off-axis-{orbit}",
        f"Off the axis, {orbit}",
        f"At equal angles {one} and {other} differ most at {frequency(float(hz[apart[1]]))} and "
        f"{OFF_AXIS_DEG[apart[0] + 1]:g} deg, by {abs(sides[apart]):.1f} dB.",
        f"Levels at 0 to 90 deg from the reference axis, {one} in full, {other} dashed; {LEVEL_UNIT}, or re the axis.",
        "Lines that keep their order and distance mean an even beam; lines that cross are lobes.",
        "Where only one side dips, sources do not lie on the axis: expect it to move with the listener.",
    )
    return Lines(
        text,
        frequency_axis(hz),
        level_axis(level, LEVEL),
        hz,
        lines,
        decibels_per_decade=50.0,
        relative_axis=Axis("Level re axis", "dB", -40.0, 10.0),
    )


def in_room(curves: Curves, headline: Mapping[str, Any]) -> tuple[Lines, ...]:
    """The estimated in-room response with its trend."""
    name = "estimated in-room response"
    if name not in curves.names:
        return ()
    hz, curve, tilt = curves.frequency_hz, curves.get(name), headline.get("in_room_tilt")
    lines, finding = [as_line(curve)], "The scan's band is too narrow for a trend."
    if tilt:
        trend, off = _trend(hz, curve.value, tilt)
        lines.append(Line(f"trend, {tilt['value']:+z.2f} dB per octave", trend))
        finding = (
            f"From {frequency(tilt['from_hz'])} to {frequency(tilt['to_hz'])} the estimated in-room response "
            f"changes by {tilt['value']:+z.2f} dB per octave and stays within ±{off:.1f} dB of that line."
        )
    text = Text(
        "in-room",
        "Estimated in-room response",
        finding,
        "12 % listening window, 44 % early reflections, 44 % sound power, averaged as squared pressures "
        "(ANSI/CTA-2034-A), and the straight line that fits it best.",
        "A steady fall is usual for a device that beams more and more; bumps and steps are heard as colour.",
        "Equalise by this curve only what the axis shares.",
    )
    return (
        Lines(
            text,
            frequency_axis(hz),
            level_axis(curve.value, LEVEL),
            hz,
            tuple(lines),
            decibels_per_decade=50.0,
        ),
    )


def _trend(hz: Real, level: Real, tilt: Mapping[str, Any]) -> tuple[Real, float]:
    """The line of least squares with the headline's slope, and the largest distance from it within its band."""
    octave = np.log2(hz)
    inside = (hz >= tilt["from_hz"] * (1 - 1e-9)) & (hz <= tilt["to_hz"] * (1 + 1e-9))
    weight = np.gradient(octave[inside])
    above = np.average(level[inside] - tilt["value"] * octave[inside], weights=weight)
    line = above + tilt["value"] * octave
    off = float(np.abs(level - line)[inside].max())
    return np.where(inside, line, np.nan), off


def indices(curves: Curves, sound: Boolean) -> Lines:
    """The directivity index of the axis, exact, and how the 70 angles' power differs from the true one; the
    finding where ``sound`` (F,) is on."""
    exact = curves.get("directivity index, exact")
    lines = [as_line(exact)]
    lines += [as_line(curves.get(name)) for name in STANDARD_INDICES if name in curves.names]
    low, high = rounded_span(np.concatenate([line.y for line in lines]), 5, (0, 15))
    inside = middle(curves.frequency_hz)
    inside = inside & sound if np.any(inside & sound) else inside
    at = np.flatnonzero(inside)[[exact.value[inside].argmin(), exact.value[inside].argmax()]]
    ends = [f"{exact.value[i]:z.1f} dB at {frequency(float(curves.frequency_hz[i]))}" for i in at]
    text = Text(
        "index",
        "Directivity index",
        f"{_capital(_band(curves.frequency_hz[inside]))} the directivity index of the axis is least with {ends[0]} and "
        f"largest with {ends[1]}.",
        "How much louder the axis is than the mean over the whole sphere, exact; and, from 70 angles, the listening "
        "window over the sound power and over the early reflections.",
        "A smooth rise is usually wanted; a dip is a crossover or edge where sound goes elsewhere.",
        "Compare a dip with the directivity maps at that frequency.",
    )
    return Lines(
        text,
        frequency_axis(curves.frequency_hz),
        Axis("Index", "dB", min(low, 0.0), high),
        curves.frequency_hz,
        tuple(lines),
        decibels_per_decade=25.0,
    )


def sound_power(expansion: Expansion, curves: Curves) -> Lines:
    """Sound power level in third-octave bands."""
    error = curves.get("sound power, exact").standard_error
    band, level = third_octave_means(expansion.frequency_hz, power_levels(expansion))
    _, spread = third_octave_means(expansion.frequency_hz, 20 * np.log10(np.maximum(error, 1e-6)))
    band = np.array([third_octave_name(float(hz)) for hz in band])
    top = int(level.argmax())
    text = Text(
        "sound-power",
        "Sound power level",
        f"The sound power level is largest in the band of {frequency(float(band[top]))}, {level[top]:z.1f} dB re 1 pW.",
        "Power radiated into all directions by a sine of 2.83 V, mean over the frequencies of each third-octave "
        "band, dB re 1 pW; exact from the expansion, no sum over angles.",
        "In a reverberant room this, not the axis, sets the level.",
        "A signal spread over many bands shares its voltage among them: subtract accordingly.",
    )
    return Lines(
        text,
        frequency_axis(band),
        level_axis(level, "Sound power level"),
        band,
        (Line("sound power level", level, 10 ** (spread / 20), marks=True),),
    )


def as_line(curve: Curve, *, shown: bool = True, right: bool = False) -> Line:
    return Line(curve.name, curve.value, curve.standard_error, shown=shown, right=right)


def middle(frequency_hz: Real) -> Boolean:
    """300 Hz to 3 kHz as far as the data reach, else everything."""
    inside: Boolean = (frequency_hz >= 299) & (frequency_hz <= 3010)
    return inside if np.count_nonzero(inside) > 1 else np.ones(len(frequency_hz), dtype=bool)


def _band(frequency_hz: Real) -> str:
    """The band of ``middle`` in words."""
    if np.count_nonzero((frequency_hz >= 299) & (frequency_hz <= 3010)) > 1:
        low, high = max(300.0, float(frequency_hz[0])), min(3000.0, float(frequency_hz[-1]))
    else:
        low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    return f"from {frequency(low)} to {frequency(high)}"
