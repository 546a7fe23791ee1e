"""Findings that need no fit: how the points lie, noise, temperature, spacing of frequencies, responses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scanproc.conventions import Boolean, Real, Words
from scanproc.records.measured.check import Finding
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.check.coverage import (
    NEAR_SHARE,
    carried_order,
    largest_gap,
    near_pairs,
    repeatability_db,
    repeats,
)
from scanproc.steps.field.view import speed_of_sound, view_from, wavenumbers
from scanproc.steps.sound.response_facts import ResponseFacts

WIDE_GAP = 2.0
"""A hole this much wider than even points would leave is named."""
WARM_K = 2.0
GOOD_SNR_DB, POOR_SNR_DB = 30.0, 15.0
LATE_M = 0.10
"""A response that comes this far off its distance has a wrong trigger or position."""
TAIL_DB = -40.0
NEAREST_M, FARTHEST_M = 0.005, 100.0
"""No microphone was ever nearer to the middle of a loudspeaker of unknown size, none of a near-field scan farther."""
FAR_SIZES = 100.0
"""A near-field scan stays within so many times the device's half diagonal."""


def findings(setup: ScanSetup, frequency_hz: Real) -> list[Finding]:
    """Coverage, layers, repeated points, temperature and frequencies."""
    return [
        *_coverage(setup, frequency_hz),
        *_layers(setup),
        *_repeated(setup),
        *_temperature(setup, frequency_hz),
        *_spacing(setup, frequency_hz),
    ]


def unit_findings(setup: ScanSetup) -> list[Finding]:
    """Whether the points lie so near or so far that their unit must be wrong."""
    centre = np.zeros(3) if setup.device_centre_m is None else setup.device_centre_m
    place = setup.position_m - centre
    reach, size = float(np.median(np.linalg.norm(place, axis=1))), setup.device_size_m
    if size is None:
        wrong, than = not NEAREST_M < reach < FARTHEST_M, ""
    else:
        inside = bool(np.all(np.abs(place) < size / 2))
        wrong = inside or reach > FAR_SIZES * float(np.linalg.norm(size)) / 2
        than = f", the device is {' x '.join(f'{one:g}' for one in size)} m large"
    if not wrong:
        return []
    what = f"the points lie about {reach:.3g} m from the middle of the device{than}"
    return [Finding("unit", "serious", what, "m or mm? name the columns x_m or x_mm, and import again")]


def noise_findings(scan: Scan, stated: str = "noise_pa") -> list[Finding]:
    """Signal-to-noise by frequency, from the noise (``stated`` says what it comes from) or from repeated points."""
    size = np.maximum(np.median(np.abs(scan.pressure_pa), axis=0), 1e-300)
    if scan.noise_pa is not None:
        noise = scan.noise_pa if scan.noise_pa.ndim == 1 else np.median(scan.noise_pa, axis=0)
        ratio, source = 20 * np.log10(size / np.maximum(noise, 1e-15 * size)), stated
    else:
        pairs = repeats(scan.setup.position_m)
        if len(pairs) < 5:
            return []
        ratio, source = -repeatability_db(scan, pairs), "repeated points"
    return [_noise(scan.frequency_hz, ratio, source)]


def quiet_findings(scan: Scan, facts: ResponseFacts) -> list[Finding]:
    """Signal-to-noise from what comes before the sound.

    Where a drive's band begins, its lower end rings before the sound, too; what lies within the resolution of the
    quiet time (two over its length, a Hann window's) of that end is not told.
    """
    begins, quiet = scan.setup.lowest_hz or 0.0, max(float(np.quantile(facts.quiet_s, 0.05)), 1e-6)
    told = np.flatnonzero(scan.frequency_hz >= begins + (2 / quiet if begins else 0.0))
    return noise_findings(scan.take_frequencies(told), "what comes before the sound") if len(told) else []


def response_findings(setup: ScanSetup, facts: ResponseFacts) -> list[Finding]:
    """Arrival against distance, a tail that is cut off."""
    return [*_arrival(setup, facts.arrival_s, facts.peak_pa > 0), *_tail(facts.peak_pa, facts.tail_pa)]


def clipping_findings(setup: ScanSetup, clipped: Boolean) -> list[Finding]:
    """Points whose recording was clipped, (points,)."""
    if not clipped.any():
        return []
    remedy = "turn the input gain down and measure them again, or leave them out"
    return [_of_points("clipped", clipped, setup, "clipped (a flat top at the peak)", remedy)]


def some(words: Sequence[str] | Words, most: int = 10) -> str:
    """The first few words, and how many more there are."""
    rest = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + rest


def _of_points(kind: str, which: Boolean, setup: ScanSetup, noun: str, remedy: str) -> Finding:
    points = tuple(int(point) for point in np.flatnonzero(which))
    what = f"{len(points)} of {len(which)} points {noun}: {some(setup.names[which])}"
    return Finding(kind, "serious", what, remedy, points)


def _coverage(setup: ScanSetup, frequency_hz: Real) -> list[Finding]:
    view = view_from(setup.position_m, (0.0, 0.0, 0.0))
    gap, even = largest_gap(view.direction), np.degrees(np.sqrt(4 * np.pi / setup.points / 2.6))
    order = carried_order(view.direction)
    by_gap = int(90 / max(gap.radius_deg, 1.0))
    k = wavenumbers(setup, frequency_hz[-1:])[0]
    what = (
        f"the largest hole is {2 * gap.radius_deg:.0f} deg wide, at polar {gap.polar_deg:.0f}, azimuth "
        f"{gap.azimuth_deg:.0f} deg: half a wave there is order {by_gap}; all points together carry order {order} by "
        "least squares (the whole model may use higher ones)"
    )
    if gap.radius_deg > 60 or order < 2:
        remedy = "scan the other side, too: no far field can be had from a part of the sphere"
        return [Finding("coverage", "serious", what, remedy)]
    if gap.radius_deg > WIDE_GAP * even and by_gap < min(order, k * view.scaling_radius_m):
        return [Finding("coverage", "warning", what, "add points there; errors are largest behind a hole")]
    return [Finding("coverage", "note", what, "nothing to do")]


def _layers(setup: ScanSetup) -> list[Finding]:
    radius = np.linalg.norm(setup.position_m, axis=1)
    if setup.layer is None or len(np.unique(setup.layer)) < 2:
        return []
    middle = [float(np.median(radius[setup.layer == label])) for label in np.unique(setup.layer)]
    count = [int(np.sum(setup.layer == label)) for label in np.unique(setup.layer)]
    spacing = float(np.min(np.abs(np.diff(np.sort(middle)))))
    listed = some([f"{n} at {r:.3f} m" for n, r in zip(count, middle, strict=True)])
    blind = speed_of_sound(setup) / (2 * max(spacing, 1e-6))
    what = f"{len(middle)} layers (points at median radius: {listed}), {100 * spacing:.1f} cm apart"
    remedy = (
        f"they tell the room from the device up to about {blind:.0f} Hz, where they are half a wave apart"
    )
    if max(count) > 3 * min(count):
        return [Finding("layers", "warning", f"{what}, very unequal in number", remedy)]
    return [Finding("layers", "note", what, remedy)]


def _repeated(setup: ScanSetup) -> list[Finding]:
    same = repeats(setup.position_m)
    near, usual = near_pairs(setup.position_m)
    found = []
    if len(same):
        points = tuple(int(point) for point in np.unique(same[:, 1]))
        what = f"{len(points)} points repeat an earlier one: {some(setup.names[list(points)])}"
        remedy = "they are used as they are and show the noise; as many new points would tell more"
        found.append(Finding("duplicate", "note", what, remedy, points))
    if len(near):
        points = tuple(int(point) for point in np.unique(near[:, 1]))
        what = (
            f"{len(points)} points lie less than {1e3 * NEAR_SHARE * usual:.1f} mm from another: "
            f"{some(setup.names[list(points)])}"
        )
        remedy = "check the list of positions; they make the held-out error look too good"
        found.append(Finding("near-duplicate", "warning", what, remedy, points))
    return found


def _temperature(setup: ScanSetup, frequency_hz: Real) -> list[Finding]:
    if setup.point_temperature_c is None:
        return []
    low, high = float(setup.point_temperature_c.min()), float(setup.point_temperature_c.max())
    k = wavenumbers(setup, frequency_hz[-1:])[0]
    radius = float(np.median(np.linalg.norm(setup.position_m, axis=1)))
    turn = np.degrees(k * radius * (high - low) / 2 / 293.15)
    what = (
        f"temperature from {low:.1f} to {high:.1f} °C: {turn:.0f} deg of phase at {frequency_hz[-1]:.0f} Hz"
    )
    if high - low > WARM_K:
        return [Finding("temperature", "warning", what, "keep the room steady over the scan")]
    return [Finding("temperature", "note", what, "nothing to do")]


def _spacing(setup: ScanSetup, frequency_hz: Real) -> list[Finding]:
    """Evenly spaced spectra repeat in time with 1/Δf; what rings longer folds back."""
    step = np.diff(frequency_hz)
    if len(step) < 8 or np.ptp(step) > 1e-3 * step.mean():
        return []
    period = 1 / float(step.mean())
    farthest = float(np.linalg.norm(setup.position_m, axis=1).max()) / speed_of_sound(setup)
    what = f"frequencies {step.mean():.3g} Hz apart: what rings longer than {1e3 * period:.0f} ms folds back"
    if period < farthest + max(setup.first_reflection_s or 0.0, 0.010):
        remedy = "take finer steps: there is no time between direct sound, room and its repetition"
        return [Finding("frequency spacing", "warning", what, remedy)]
    return [Finding("frequency spacing", "note", what, "the room should have died away by then")]


def _noise(frequency_hz: Real, ratio_db: Real, source: str) -> Finding:
    worst = int(np.argmin(ratio_db))
    what = (
        f"signal-to-noise {np.median(ratio_db):.0f} dB (median; from {source}), least {ratio_db[worst]:.0f} dB "
        f"at {frequency_hz[worst]:.0f} Hz{_by_frequency(frequency_hz, ratio_db)}"
    )
    if np.median(ratio_db) < POOR_SNR_DB:
        return Finding("noise", "serious", what, "play louder, average longer or find the source of noise")
    if ratio_db[worst] < GOOD_SNR_DB:
        return Finding("noise", "warning", what, "average longer there, or leave those frequencies out")
    return Finding("noise", "note", what, "nothing to do")


def _by_frequency(frequency_hz: Real, ratio_db: Real) -> str:
    """The ratio at about every second octave."""
    if len(frequency_hz) < 4:
        return ""
    count = max(2, int(np.log2(frequency_hz[-1] / frequency_hz[0]) / 2) + 1)
    wanted = np.geomspace(frequency_hz[0], frequency_hz[-1], count)
    at = np.unique([int(np.argmin(np.abs(frequency_hz - one))) for one in wanted])
    return "; " + ", ".join(f"{ratio_db[i]:.0f} dB at {frequency_hz[i]:.0f} Hz" for i in at)


def _arrival(setup: ScanSetup, arrival_s: Real, heard: Boolean) -> list[Finding]:
    """Arrival times against distance, about their own common delay."""
    speed = speed_of_sound(setup)
    radius = np.linalg.norm(setup.position_m, axis=1)
    reach = (
        float(radius.max()) if setup.device_size_m is None else float(np.linalg.norm(setup.device_size_m)) / 2
    )
    latency = arrival_s - radius / speed
    common = float(np.median(latency[heard])) if heard.any() else 0.0
    found = []
    if common < -(reach + LATE_M) / speed:
        what = f"the sound arrives {-1e3 * common:.2f} ms before it can"
        found.append(
            Finding("time zero", "serious", what, "check time_zero_s: the first sample relative to the drive")
        )
    off = heard & (np.abs(latency - common) > (reach + LATE_M) / speed)
    if off.any():
        noun = f"arrive more than {1e3 * (reach + LATE_M) / speed:.2f} ms off their distance"
        found.append(_of_points("delay", off, setup, noun, "check trigger and position, or leave them out"))
    return found


def _tail(peak_pa: Real, tail_pa: Real) -> list[Finding]:
    level = 20 * np.log10(max(float(np.median(tail_pa / np.maximum(peak_pa, 1e-300))), 1e-15))
    if level < TAIL_DB:
        return []
    what = f"the responses end at {level:.0f} dB re their peak, before the room has died away"
    return [Finding("tail", "warning", what, "record longer, or gate")]
