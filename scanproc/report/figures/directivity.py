"""Figures of where the sound goes: maps, polars, beamwidth, balloon."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Boolean, Real, level_db
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.drawing.kinds import Axis, Balloon, HeatMap, Lines, Polar, PolarSheet, Steps, Text
from scanproc.report.figures.material import LEVEL_UNIT, frequency_axis, level_axis, nearest, rounded_span
from scanproc.report.figures.responses import LEVEL, as_line
from scanproc.report.words.sentences import frequency
from scanproc.steps.farfield.calibration import directions_with
from scanproc.steps.field.extrapolate import far_field, far_field_variance, orbits, standard_error_db
from scanproc.steps.field.residuals import band_middles
from scanproc.waves.directions import unit_vectors

SPAN_DB = 40.0
MESH_DEG = 5.0
DRAWN_DEG = 2.0
"""Angles are drawn this close, whatever the tables hold: any angle is to be had."""
START_HZ = 2000.0
OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Nominal (IEC 61260-1)."""
SHEET_HZ = OCTAVES_HZ[1:]
DIRECTIONS = "Positive angles are to the left, seen from behind, and up."
JUMP_OCTAVES = 1 / 3


def orbit_figures(
    expansion: Expansion, sound: Boolean, level_error_db: float = 0.0
) -> tuple[HeatMap | Polar | PolarSheet, ...]:
    """Maps, polar and sheet of polars of both orbits; findings where ``sound`` (F,) is on."""
    fine = directions_with(orbits(expansion, DRAWN_DEG), level_error_db)
    names = tuple(dict.fromkeys(fine.orbit or ()))
    found = [_sorted(fine, name) for name in names]
    maps = tuple(
        directivity(fine.frequency_hz, name, sound, *orbit) for name, orbit in zip(names, found, strict=True)
    )
    return (
        *maps,
        polar(fine.frequency_hz, names, found, sound),
        *polar_sheet(fine.frequency_hz, names, found, sound),
    )


def directivity(
    frequency_hz: Real, name: str, sound: Boolean, angle_deg: Real, level: Real, error: Real
) -> HeatMap:
    """Level over angle and frequency, absolute and re the reference axis; findings where ``sound`` (F,) is on."""
    axis = level[np.argmin(np.abs(angle_deg))]
    low, high = rounded_span(angle_deg, 30, (-180, 180))
    finding = _loudest(frequency_hz, angle_deg, level, axis, sound)
    if name == "horizontal":
        finding = _behind(frequency_hz, axis - level[np.argmax(np.abs(angle_deg))], sound) + finding
    text = Text(
        f"{name}-map",
        f"Directivity, {name}",
        finding,
        f"Far-field level by angle on the {name} orbit and frequency, re the axis or {LEVEL_UNIT}. {DIRECTIONS} In the "
        "picture re the axis the line marks -6 dB.",
        "Bands of colour that run level mean an even beam; tongues and islands are lobes.",
        "Compare tongues with the beamwidth and with the error in the read-out before trusting them.",
    )
    return HeatMap(
        text,
        frequency_axis(frequency_hz),
        Axis("Angle", "deg", low, high, digits=0),
        level_axis(level, LEVEL, SPAN_DB),
        frequency_hz,
        angle_deg,
        level,
        error,
        relative_axis=Axis("Level re axis", "dB", -30.0, 6.0),
        contour=-6.0,
    )


def _behind(frequency_hz: Real, drop_db: Real, sound: Boolean) -> str:
    """Front to back by octave, where results are to be trusted."""
    parts = []
    for octave in OCTAVES_HZ:
        here = sound & (np.abs(np.log2(frequency_hz / octave)) <= 0.5)
        if np.any(here):
            parts.append(f"{np.mean(drop_db[here]):.1f} dB at {frequency(octave)}")
    return (
        f"Behind the device the level lies below that of the axis by {', '.join(parts)} (octaves). "
        if parts
        else ""
    )


def _loudest(hz: Real, angle_deg: Real, level: Real, axis: Real, sound: Boolean) -> str:
    over = np.where(sound, level - axis, -np.inf)
    row, column = np.unravel_index(int(over.argmax()), over.shape)
    if over[row, column] < 0.05:
        return "Nowhere on this orbit is it louder than on the axis."
    return (
        f"Most above the axis is {angle_deg[row]:z.0f} deg at {frequency(float(hz[column]))}, by "
        f"{over[row, column]:z.1f} dB."
    )


def polar(hz: Real, names: tuple[str, ...], found: list[tuple[Real, Real, Real]], sound: Boolean) -> Polar:
    """All orbits of one frequency in a circle; the finding where ``sound`` (F,) is on."""
    text = Text(
        "polar",
        "Polar",
        _polar_finding(hz, names, found, sound),
        f"Far-field levels round the device at one frequency, {LEVEL_UNIT}, with one standard error as a band; 0 "
        f"deg is the reference axis. {DIRECTIONS}",
        "A smooth outline is wanted; narrow notches are cancellations whose depth is rarely certain.",
        "Trust no notch whose band reaches its shoulders.",
    )
    levels, errors = tuple(orbit[1] for orbit in found), tuple(orbit[2] for orbit in found)
    steps = Steps("frequency", "Hz", tuple(map(float, hz)), nearest(hz, START_HZ))
    return Polar(text, hz, found[0][0], names, levels, errors, SPAN_DB, steps)


def _polar_finding(
    hz: Real, names: tuple[str, ...], found: list[tuple[Real, Real, Real]], sound: Boolean
) -> str:
    """Where an orbit's loudest angle lies farthest off the axis, and by how much it is louder: over all trusted
    frequencies, so that it holds wherever the slider stands."""
    off, over = (np.zeros((len(found), len(hz))) for _ in range(2))
    for index, (angle, level, _) in enumerate(found):
        over[index] = level.max(axis=0) - level[np.argmin(np.abs(angle))]
        off[index] = np.where(sound & (over[index] >= 0.05), np.abs(angle[level.argmax(axis=0)]), 0)
    orbit, column = np.unravel_index(int(off.argmax()), off.shape)
    if not off[orbit, column]:
        return "On both orbits no direction is louder than the axis where the target is met."
    angle, level, _ = found[orbit]
    row = int(level[:, column].argmax())
    return (
        f"The loudest angle lies farthest off the axis at {frequency(float(hz[column]))}: {angle[row]:z.0f} deg on the "
        f"{names[orbit]} orbit, {over[orbit, column]:.1f} dB above the axis."
    )


def polar_sheet(
    hz: Real, names: tuple[str, ...], found: list[tuple[Real, Real, Real]], sound: Boolean
) -> tuple[PolarSheet, ...]:
    """Polars re the axis at the octave frequencies that the scan holds; the finding where ``sound`` (F,) is on."""
    wanted = [one for one in SHEET_HZ if hz[0] * 0.94 <= one <= hz[-1] * 1.06]
    at = np.array([nearest(hz, one) for one in wanted], dtype=np.int64)
    if not len(at):
        return ()
    zero = [int(np.argmin(np.abs(angle))) for angle, _, _ in found]
    levels = tuple(level[:, at] - level[row, at] for row, (_, level, _) in zip(zero, found, strict=True))
    text = Text(
        "polar-sheet",
        "Polars at octave frequencies",
        _widths(wanted, names, levels, sound[at]),
        "Far-field levels re the axis at the scan's frequencies next to the octaves, all to one scale; 0 deg is the "
        f"reference axis. {DIRECTIONS}",
        "Outlines that shrink evenly from octave to octave mean an even beam.",
        "Read coverage where an outline crosses the dashed circle of -6 dB.",
    )
    top = float(max(0.0, np.ceil(max(level.max() for level in levels))))
    errors = tuple(error[:, at] for _, _, error in found)
    return (
        PolarSheet(
            text,
            hz[at],
            tuple(frequency(one) for one in wanted),
            found[0][0],
            names,
            levels,
            errors,
            top,
            SPAN_DB,
        ),
    )


def _widths(wanted: list[float], names: tuple[str, ...], levels: tuple[Real, ...], sound: Boolean) -> str:
    """How much of each orbit lies within 6 dB of the axis, at the lowest and the highest trusted octave."""
    known = np.flatnonzero(sound) if np.any(sound) else np.arange(len(wanted))
    parts = []
    for step in dict.fromkeys(known[[0, -1]].tolist()):
        share = [
            f"{100 * np.mean(level[:, step] >= -6.0):.0f} % of the {name}"
            for name, level in zip(names, levels, strict=True)
        ]
        parts.append(f"{' and '.join(share)} orbit at {frequency(wanted[step])}")
    return f"Within 6 dB of the axis lie {', '.join(parts)}."


def beamwidth(curves: Curves, sound: Boolean) -> tuple[Lines, ...]:
    """Included angles on both orbits; the finding where ``sound`` (F,) is on."""
    names = [name for name in curves.names if curves.get(name).unit == "deg" and "if all" not in name]
    if not names:
        return ()
    text = Text(
        "beamwidth",
        "Beamwidth",
        _worst_jump(curves, names, sound),
        "The angle within which the level stays near that of the axis; no value where it never falls that far. Where a "
        "lobe just reaches the limit the band spans both values that the angle may have.",
        "A slow, even narrowing is easy to plan with; jumps are crossovers, edges or lobes.",
        "Check the directivity maps where it jumps.",
    )
    hz = curves.frequency_hz
    lines = tuple(as_line(curves.get(name)) for name in names)
    return (Lines(text, frequency_axis(hz), Axis("Included angle", "deg", 0.0, 360.0, digits=0), hz, lines),)


def _worst_jump(curves: Curves, names: list[str], sound: Boolean) -> str:
    """The change by the largest ratio within a third of an octave, of the beamwidths at -6 dB."""
    octave = np.log2(curves.frequency_hz)
    near = np.abs(octave[:, None] - octave[None, :]) <= JUMP_OCTAVES * (1 + 1e-6)
    worst, words = 0.0, "The level falls by 6 dB on neither orbit: there is no beamwidth at -6 dB."
    for name in (one for one in names if one.endswith("-6 dB")):
        width = np.where(sound, curves.get(name).value, np.nan)
        size = np.log(width)
        change = np.abs(size[:, None] - size[None, :])
        change = np.where(near & np.isfinite(change), np.triu(np.nan_to_num(change)), -1.0)
        a, b = np.unravel_index(int(change.argmax()), change.shape)
        if change[a, b] >= worst and np.any(np.isfinite(width)):
            worst = change[a, b]
            first, second = (
                f"{width[i]:z.0f} deg at {frequency(float(curves.frequency_hz[i]))}" for i in (a, b)
            )
            words = f"The {name} jumps most within a third of an octave: from {first} to {second}."
    return words


def balloon(expansion: Expansion, sound: Boolean, level_error_db: float = 0.0) -> Balloon:
    """Levels in all directions, one frequency per third-octave band; the finding where ``sound`` (F,) is on."""
    middles = band_middles(expansion.frequency_hz)
    part = expansion.take_frequencies(middles)
    polar_deg = np.arange(0, 180 + MESH_DEG, MESH_DEG)
    azimuth = np.arange(0, 360, MESH_DEG)
    direction = unit_vectors(np.deg2rad(polar_deg)[:, None], np.deg2rad(azimuth)[None, :]).reshape(-1, 3)
    pressure = far_field(part, direction)
    shape = (len(polar_deg), len(azimuth), len(part.frequency_hz))
    level = level_db(pressure, part.drive_voltage_v)
    error = np.hypot(standard_error_db(pressure, far_field_variance(part, direction)), level_error_db)
    away = np.rad2deg(np.arccos(np.clip(direction[level.argmax(axis=0), 0], -1, 1)))
    away = np.where(sound[middles] if np.any(sound[middles]) else True, away, 0.0)
    farthest = int(away.argmax())
    text = Text(
        "balloon",
        "Balloon",
        f"Of these bands the loudest direction lies farthest off the reference axis at "
        f"{frequency(float(part.frequency_hz[farthest]))}, by {away[farthest]:z.0f} deg.",
        f"Far-field level in every direction, {LEVEL_UNIT}: distance from the middle and colour both show it. The "
        "arrow is the reference axis; y is to the left, z up.",
        "A round body radiates evenly; a finger is a beam; dents are cancellations.",
        "Turn it with the mouse, a finger or the arrow keys; the slider chooses the band.",
        on_screen=True,
    )
    steps = Steps("band", "Hz", tuple(map(float, part.frequency_hz)), nearest(part.frequency_hz, START_HZ))
    return Balloon(text, polar_deg, azimuth, level.reshape(shape), error.reshape(shape), SPAN_DB, steps)


def _sorted(directions: DirectionSet, name: str) -> tuple[Real, Real, Real]:
    """Angles of an orbit from -180 (exclusive) to 180 deg, levels and errors (angles, F)."""
    assert directions.angle_deg is not None
    which = np.flatnonzero(np.array(directions.orbit) == name)
    angle = 180 - (180 - directions.angle_deg[which]) % 360
    which, angle = which[np.argsort(angle)], np.sort(angle)
    level = level_db(directions.pressure_pa_m[which], directions.drive_voltage_v)
    return angle, level, directions.standard_error_db[which]
