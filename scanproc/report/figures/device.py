"""Figures of what the device does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.conventions import Boolean, Real, level_db
from scanproc.records.curves import Curve, Curves
from scanproc.records.expansion import Expansion
from scanproc.records.sweeps import SweepSet
from scanproc.report.figures.clean import START_HZ, nearest
from scanproc.report.figures.kinds import Axis, Balloon, Figure, HeatMap, Line, Lines, Polar, Steps, Text
from scanproc.report.figures.material import Material, doubtful, frequency_axis, level_axis, rounded_span
from scanproc.report.words.sentences import frequency
from scanproc.steps.field.extrapolate import far_field, far_field_variance, standard_error_db
from scanproc.steps.field.residuals import band_middles
from scanproc.waves.directions import unit_vectors

LEVEL = "Level"
SPAN_DB = 40.0
MESH_DEG = 5.0
RESPONSES = (
    "on axis",
    "listening window",
    "early reflections",
    "sound power, exact",
    "estimated in-room response",
    "floor bounce",
    "ceiling bounce",
    "front wall",
    "side walls",
    "rear wall",
    "sound power",
)
SHOWN = 5
INDICES = (
    "directivity index, exact",
    "sound power directivity index",
    "early reflections directivity index",
)


def device_figures(material: Material) -> tuple[Figure, ...]:
    """Responses, directivity, balloon, indices, centre; maps and polar only for sets of whole orbits."""
    curves, expansion, spans = material.curves, material.result.expansion, doubtful(material)
    orbit = next((sweeps for sweeps in material.result.sweeps.values() if sweeps.orbit), None)
    sound = np.array([not any(low <= hz <= high for low, high in spans) for hz in curves.frequency_hz])
    maps = () if orbit is None else _orbit_figures(orbit, sound if np.any(sound) else ~sound)
    found: tuple[Lines | HeatMap | Polar | Balloon, ...] = (
        responses(curves),
        *maps,
        *beamwidth(curves),
        balloon(expansion),
        indices(curves),
        centre(expansion),
    )
    return tuple(replace(figure, doubtful=spans) for figure in found)


def responses(curves: Curves) -> Lines:
    """Level curves with their standard errors."""
    lines = tuple(
        _line(curves.get(name), shown=index < SHOWN)
        for index, name in enumerate(name for name in RESPONSES if name in curves.names)
    )
    axis = curves.get("on axis")
    inside = _middle(curves.frequency_hz)
    ripple = np.ptp(axis.value[inside]) / 2
    low, high = curves.frequency_hz[inside][[0, -1]]
    text = Text(
        "response",
        "Response curves",
        f"On the reference axis the level stays within ±{ripple:.1f} dB from {frequency(float(low))} to "
        f"{frequency(float(high))}, mean {axis.value[inside].mean():.1f} dB.",
        "Far-field levels in free space, re 20 µPa at 1 m and 2.83 V, with one standard error as a band. More "
        "curves can be switched on in the legend.",
        "Smooth and even is usually wanted. Bands wider than a line mean that the points do not fix the level "
        "there.",
        "Do not equalise what lies within the error band.",
    )
    return Lines(
        text,
        frequency_axis(curves.frequency_hz),
        level_axis(np.concatenate([line.y for line in lines[:SHOWN]]), LEVEL),
        curves.frequency_hz,
        lines,
        decibels_per_decade=50.0,
    )


def beamwidth(curves: Curves) -> tuple[Lines, ...]:
    """Included angles on both orbits."""
    names = [name for name in curves.names if curves.get(name).unit == "deg" and "if all" not in name]
    if not names:
        return ()
    first = curves.get(names[0])
    inside = _middle(curves.frequency_hz)
    text = Text(
        "beamwidth",
        "Beamwidth",
        _narrowing(first.name, first.value[inside]),
        "The angle within which the level stays near that of the axis; no value where it never falls that far. Where a "
        "lobe just reaches the limit the band spans both values that the angle may have.",
        "A slow, even narrowing is easy to plan with; jumps are crossovers, edges or lobes.",
        "Check the directivity maps where it jumps.",
    )
    lines = tuple(_line(curves.get(name)) for name in names)
    return (
        Lines(
            text,
            frequency_axis(curves.frequency_hz),
            Axis("Included angle", "deg", 0.0, 360.0, digits=0),
            curves.frequency_hz,
            lines,
        ),
    )


def _narrowing(name: str, width_deg: Real) -> str:
    known = width_deg[np.isfinite(width_deg)]
    if not known.size:
        return f"The level falls so far nowhere over the middle of the band: there is no {name}."
    return f"The {name} lies between {known.max():.0f} and {known.min():.0f} deg over the middle of the band."


def indices(curves: Curves) -> Lines:
    """Directivity indices."""
    lines = tuple(_line(curves.get(name)) for name in INDICES if name in curves.names)
    low, high = rounded_span(np.concatenate([line.y for line in lines]), 5, (0, 15))
    exact = lines[0]
    inside = _middle(curves.frequency_hz)
    text = Text(
        "index",
        "Directivity index",
        f"The directivity index of the axis runs from {exact.y[inside].min():.1f} to "
        f"{exact.y[inside].max():.1f} dB over the middle of the band.",
        "How much louder the axis (or the listening window) is than the average over all directions (or the early "
        "reflections).",
        "A smooth rise is usually wanted; a dip is a crossover or edge where sound goes elsewhere.",
        "Compare a dip with the directivity maps at that frequency.",
    )
    return Lines(
        text,
        frequency_axis(curves.frequency_hz),
        Axis("Index", "dB", min(low, 0.0), high),
        curves.frequency_hz,
        lines,
        decibels_per_decade=25.0,
    )


def centre(expansion: Expansion) -> Lines:
    """Where the expansion is centred."""
    place = expansion.centre_m * 1000
    travel = float(np.max(np.linalg.norm(place - place[0], axis=1)))
    moves = f"moves by up to {travel:.0f} mm over frequency" if travel > 0.5 else "stays in one place"
    low, high = rounded_span(place, 50, (-50, 50))
    x, y, z = place[-1]
    text = Text(
        "centre",
        "Acoustic centre",
        f"The centre of the expansion {moves}; at the highest frequency it lies at x {x:.0f}, y {y:.0f}, z {z:.0f} mm.",
        "The point about which the field was expanded, in the scan's frame (x out of the front, y to the left, z "
        "up).",
        "A centre near the part that radiates needs fewer points. One that jumps between neighbours is not to be "
        "trusted.",
        "If it stays at the origin, no other was looked for.",
    )
    return Lines(
        text,
        frequency_axis(expansion.frequency_hz),
        Axis("Position", "mm", low, high, digits=0),
        expansion.frequency_hz,
        tuple(Line(name, place[:, index]) for index, name in enumerate("xyz")),
    )


def balloon(expansion: Expansion) -> Balloon:
    """Levels in all directions, one frequency per third-octave band."""
    part = expansion.take_frequencies(band_middles(expansion.frequency_hz))
    polar = np.arange(0, 180 + MESH_DEG, MESH_DEG)
    azimuth = np.arange(0, 360, MESH_DEG)
    direction = unit_vectors(np.deg2rad(polar)[:, None], np.deg2rad(azimuth)[None, :]).reshape(-1, 3)
    pressure = far_field(part, direction)
    error = standard_error_db(pressure, far_field_variance(part, direction))
    shape = (len(polar), len(azimuth), -1)
    level = level_db(pressure, part.drive_voltage_v)
    start = nearest(part.frequency_hz, 2 * START_HZ)
    loudest = direction[int(np.argmax(level[:, start]))]
    text = Text(
        "balloon",
        "Balloon",
        f"At {frequency(float(part.frequency_hz[start]))} the loudest direction lies "
        f"{np.rad2deg(np.arccos(np.clip(loudest[0], -1, 1))):.0f} deg off the reference axis.",
        "Far-field level in every direction: distance from the middle and colour both show it. The arrow is the "
        "reference axis.",
        "A round body radiates evenly; a finger is a beam; dents are cancellations.",
        "Turn it with the mouse, a finger or the arrow keys; the slider chooses the band.",
    )
    steps = Steps("band", "Hz", tuple(map(float, part.frequency_hz)), start)
    return Balloon(text, polar, azimuth, level.reshape(shape), error.reshape(shape), SPAN_DB, steps)


def _orbit_figures(sweeps: SweepSet, sound: Boolean) -> tuple[HeatMap | Polar, ...]:
    names = tuple(dict.fromkeys(sweeps.orbit or ()))
    found = [_sorted(sweeps, name) for name in names]
    maps = tuple(
        directivity(sweeps, name, sound, *orbit)
        for name, orbit in zip(names, found, strict=True)
        if len(orbit[0]) > 2
    )
    same = all(np.array_equal(orbit[0], found[0][0]) for orbit in found)
    return (*maps, polar(sweeps, names, found)) if same and len(found[0][0]) > 2 else maps


def directivity(
    sweeps: SweepSet, name: str, sound: Boolean, angle_deg: Real, level: Real, error: Real
) -> HeatMap:
    """Level over angle and frequency, absolute and re the reference axis; findings where ``sound`` (F,) is on."""
    axis = level[np.argmin(np.abs(angle_deg))]
    share = np.where(sound, np.mean(level >= axis - 6, axis=0), 1.0)
    low, high = rounded_span(angle_deg, 30, (-180, 180))
    drop = float(np.mean((axis - level[np.argmax(np.abs(angle_deg))])[sound]))
    text = Text(
        f"{name}-map",
        f"Directivity, {name}",
        f"Behind the device the level is {drop:.1f} dB below that of the axis, mean where the target is met; "
        f"least of the orbit lies within 6 dB of the axis near "
        f"{frequency(float(sweeps.frequency_hz[np.argmin(share)]))}, {100 * share.min():.0f} % of the angles.",
        f"Far-field level by angle on the {name} orbit and frequency. Switch between the level itself and the level "
        "re the axis; there the line marks -6 dB.",
        "Bands of colour that run level mean an even beam; tongues and islands are lobes.",
        "Compare tongues with the beamwidth and with the error in the read-out before trusting them.",
    )
    return HeatMap(
        text,
        frequency_axis(sweeps.frequency_hz),
        Axis("Angle", "deg", low, high, digits=0),
        level_axis(level, LEVEL, SPAN_DB),
        sweeps.frequency_hz,
        angle_deg,
        level,
        error,
        relative_axis=Axis("Level re axis", "dB", -30.0, 6.0),
        contour=-6.0,
    )


def polar(sweeps: SweepSet, names: tuple[str, ...], orbits: list[tuple[Real, Real, Real]]) -> Polar:
    """All orbits of one frequency in a circle."""
    hz = sweeps.frequency_hz
    start = nearest(hz, 2 * START_HZ)
    angle, level, _ = orbits[0]
    here = level[:, start]
    text = Text(
        "polar",
        "Polar",
        f"At {frequency(float(hz[start]))} the {names[0]} orbit spans {np.ptp(here):.1f} dB, loudest at "
        f"{angle[np.argmax(here)]:.0f} deg.",
        "Far-field levels round the device at one frequency, with one standard error as a band; 0 deg is the "
        "reference axis.",
        "A smooth outline is wanted; narrow notches are cancellations whose depth is rarely certain.",
        "Trust no notch whose band reaches its shoulders.",
    )
    return Polar(
        text,
        hz,
        angle,
        names,
        np.stack([orbit[1] for orbit in orbits]),
        np.stack([orbit[2] for orbit in orbits]),
        SPAN_DB,
        Steps("frequency", "Hz", tuple(map(float, hz)), start),
    )


def _sorted(sweeps: SweepSet, name: str) -> tuple[Real, Real, Real]:
    """Angles of an orbit from -180 (exclusive) to 180 deg, levels and errors (angles, F)."""
    assert sweeps.angle_deg is not None
    which = np.flatnonzero(np.array(sweeps.orbit) == name)
    angle = -((180 - sweeps.angle_deg[which]) % 360 - 180)
    which, angle = which[np.argsort(angle)], np.sort(angle)
    level = level_db(sweeps.pressure_pa_m[which], sweeps.drive_voltage_v)
    return angle, level, sweeps.standard_error_db[which]


def _line(curve: Curve, shown: bool = True) -> Line:
    return Line(curve.name, curve.value, curve.standard_error, shown=shown)


def _middle(frequency_hz: Real) -> Boolean:
    """300 Hz to 3 kHz as far as the data reach, else everything."""
    inside: Boolean = (frequency_hz >= 299) & (frequency_hz <= 3010)
    return inside if np.count_nonzero(inside) > 1 else np.ones(len(frequency_hz), dtype=bool)
