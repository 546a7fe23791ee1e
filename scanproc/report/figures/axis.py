"""Figures of the sound on the reference axis over time, and of the expansion's centre."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.drawing.kinds import Axis, HeatMap, Line, Lines, Text
from scanproc.report.figures.material import frequency_axis, rounded_span
from scanproc.report.words.sentences import frequency
from scanproc.steps.farfield.decay import DEEPEST_DB, axis_decay
from scanproc.steps.farfield.on_axis import AxisPhase, axis_phase, axis_responses

FALLEN_DB = -20.0
FROM_S, TO_S = -1e-3, 5e-3
"""What is drawn of the responses, about the largest value."""


def phase_figures(expansion: Expansion, sound: Boolean) -> tuple[Lines, ...]:
    """Phase with its minimum-phase part, and group delay; nothing of fewer than four frequencies. Findings where
    ``sound`` (F,) is on."""
    found = axis_phase(expansion)
    if found is None:
        return ()
    return (phases(expansion.frequency_hz, found, sound), group_delay(expansion.frequency_hz, found, sound))


def phases(hz: Real, found: AxisPhase, sound: Boolean) -> Lines:
    """The phase, less the delay, beside that of the minimum-phase system of the same level."""
    phase, least, low, high = (
        np.rad2deg(one) for one in (found.phase_rad, found.minimum_rad, found.lowest_rad, found.highest_rad)
    )
    bottom, top = rounded_span(np.concatenate([phase, least]), 90, (-180, 180))
    apart = np.where(sound, np.maximum(np.maximum(phase - high, low - phase), 0.0), 0.0)
    far = int(np.argmax(apart))
    told = "the phase may be that of a minimum-phase system of the same level"
    if apart[far] >= 1:
        told = (
            "the phase is farthest from that of a minimum-phase system of the same level at "
            f"{frequency(float(hz[far]))}, by at least {np.floor(apart[far]):.0f} deg"
        )
    text = Text(
        "phase",
        "Phase on the axis",
        f"Less a delay of {1000 * found.delay_s:.2f} ms re the scan's origin, {told}.",
        "The phase on the reference axis less that delay, and the phase that the level alone would bring (Bode 1945). "
        "Its band spans what the unknown level beyond the scan may do to it, from level to a fall by 24 dB an octave.",
        "Where both run side by side, an equaliser of the level also mends the phase.",
        "What lies between the lines is a crossover or a delay between drivers: no filter of the level takes it away.",
    )
    lines = (Line("phase", phase), Line("minimum phase of this level", least, low=low, high=high))
    return Lines(text, frequency_axis(hz), Axis("Phase", "deg", bottom, top, digits=0), hz, lines)


def group_delay(hz: Real, found: AxisPhase, sound: Boolean) -> Lines:
    """The group delay re sound from the scan's origin."""
    delay = 1000 * found.group_delay_s
    middle = float(np.median(delay[sound]))
    span = rounded_span(np.append(np.percentile(delay, [2, 98]), middle), 0.5, (-1, 1))
    slow = int(np.argmax(np.where(sound, delay, -np.inf)))
    text = Text(
        "group-delay",
        "Group delay on the axis",
        f"The group delay is largest at {frequency(float(hz[slow]))}, {delay[slow]:z.2f} ms, and {middle:z.2f} ms in "
        "the median, both re sound from the scan's origin.",
        "How late the envelope of a narrow band of sound comes, re sound that would leave the scan's origin when the "
        "signal does. Below zero: it starts in front of the origin.",
        "Flat is good; a rise towards low frequencies belongs to every high-pass.",
        "To align devices or drivers, use the value around the frequency where they meet.",
    )
    axis = Axis("Group delay", "ms", *span, digits=2)
    return Lines(text, frequency_axis(hz), axis, hz, (Line("group delay", delay),))


def responses_in_time(expansion: Expansion) -> tuple[Lines, ...]:
    """Impulse and step response on the axis."""
    found = axis_responses(expansion)
    if found is None:
        return ()
    time, impulse, step = found
    first = int(np.argmax(np.abs(impulse)))
    shown = slice(np.searchsorted(time, time[first] + FROM_S), np.searchsorted(time, time[first] + TO_S))
    ms = 1000 * time[shown]
    up = "above" if impulse[first] > 0 else "below"
    low, high = (frequency(float(hz)) for hz in expansion.frequency_hz[[0, -1]])
    text = Text(
        "impulse",
        "Impulse and step response on the axis",
        f"The impulse response is largest {1000 * time[first]:.2f} ms re sound from the scan's origin, {up} zero: a "
        f"positive voltage first {'raises' if impulse[first] > 0 else 'lowers'} the pressure most.",
        f"From the far field on the axis between {low} and {high}, faded out beyond; each re its own largest value. "
        "Time counts from when sound of the scan's origin would come.",
        "A single quick swing that dies soon is tidy. Ringing before it comes from the band's ends, not from the "
        "device.",
        "Check the polarity here before devices are put together.",
    )
    return (
        Lines(
            text,
            Axis("Time", "ms", float(ms[0]), float(ms[-1]), digits=2),
            Axis("Response re largest", "", -1.1, 1.1, digits=2),
            ms,
            (Line("impulse response", impulse[shown]), Line("step response", step[shown])),
        ),
    )


def decay(expansion: Expansion, sound: Boolean, gate_s: float | None) -> tuple[HeatMap, ...]:
    """How a short burst falls on the axis; nothing where the frequencies are too far apart to tell. The finding where
    ``sound`` (F,) is on."""
    found = axis_decay(expansion, gate_s)
    if found is None:
        return ()
    hz, level = found.frequency_hz, found.level_db
    below = np.where(np.isnan(level), -np.inf, level) < FALLEN_DB
    lasts = found.period[np.where(below.any(axis=0), below.argmax(axis=0), len(below) - 1)]
    met = np.isin(hz, expansion.frequency_hz[sound])
    met = met if np.any(met) else ~met
    slow = int(np.where(met, lasts, -1.0).argmax())
    rows = int(np.flatnonzero(np.any(level >= DEEPEST_DB, axis=1))[-1]) + 2
    all_fell = "" if below[:, slow].any() else "more than "
    text = Text(
        "decay",
        "Decay on the axis",
        f"At {frequency(float(hz[slow]))} a short burst takes longest to fall by {-FALLEN_DB:g} dB: {all_fell}"
        f"{lasts[slow]:.1f} periods, {1000 * lasts[slow] / hz[slow]:.1f} ms; the median is {np.median(lasts[met]):.1f} "
        "periods.",
        "Level of a burst a third of an octave wide, re its largest value, by periods after that; from the far "
        "field on the axis. Empty: below the error, or after the gate.",
        "A floor that is even over frequency is tidy; a ridge that lasts at one frequency is a resonance or a "
        "reflection.",
        "Compare ridges with the resonances that are common to all directions.",
    )
    return (
        HeatMap(
            text,
            frequency_axis(hz),
            Axis("Periods", "", 0.0, float(found.period[:rows][-1]), digits=1),
            Axis("Level re largest", "dB", DEEPEST_DB, 0.0),
            hz,
            found.period[:rows],
            level[:rows],
        ),
    )


def centre(expansion: Expansion) -> Lines:
    """Where the expansion is centred."""
    place = expansion.centre_m * 1000
    travel = float(np.max(np.linalg.norm(place - place[0], axis=1)))
    moves = f"moves by up to {travel:z.0f} mm over frequency" if travel > 0.5 else "stays in one place"
    low, high = rounded_span(place, 50, (-50, 50))
    x, y, z = place[-1]
    text = Text(
        "centre",
        "Centre of the expansion",
        f"The centre of the expansion {moves}; at the highest frequency it lies at x {x:z.0f}, y {y:z.0f}, "
        f"z {z:z.0f} mm.",
        "The point about which the field was expanded, in the scan's frame (x out of the front, y to the left, z "
        "up). It is a tool of the calculation, not the place where sound seems to start.",
        "A centre near the part that radiates needs fewer coefficients; the far field does not depend on it.",
        "Nothing to do; to align drivers use the group delay.",
    )
    return Lines(
        text,
        frequency_axis(expansion.frequency_hz),
        Axis("Position", "mm", low, high, digits=0),
        expansion.frequency_hz,
        tuple(Line(name, place[:, index]) for index, name in enumerate("xyz")),
    )
