"""Likely causes of a difference between scan and reference, as far as the data can tell them apart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Complex, Real
from scanproc.records.answers.comparison import Alignment, Cause, Reference
from scanproc.steps.compare.microphones import window
from scanproc.waves.bands import third_octave_index
from scanproc.waves.smoothing import smoothed

FALSE_ALARM = 0.01
"""Chance that noise alone looks like a reflection."""
LATEST_S = 0.012
"""Reflections are sought up to the end of the gate, or so late without one."""
AROUND_S = 0.5e-3
"""By how much the delay may differ from angle to angle: the reflection comes from other parts of the device."""
FAINTEST_DB = -30.0
"""Fainter reflections are not worth a mention: they move levels by less than 0.3 dB (common practice, no source)."""
THIRD = 3.0
LEAST_KEPT = 0.05
"""Less than this of a reflection is not made up for."""
SPANS_S, ABOUT_S = (40e-3, 20e-3, 10e-3, 5e-3), 1e-3
"""How long before and after the direct sound what is left is looked at, and what counts as at it."""
LATER, NEARER, LIKE_DB = 2.0, 4.0, -20.0
"""What is left is the room where it is so many times stronger after the direct sound than before, and noise where it is
at most so many times stronger at the direct sound; another device where it is more than a tenth of the sound."""
LEAST_EXPECTED = 0.01
LEAST_SHARE = 0.1
"""Share of the remaining difference that a reflection must explain."""
MOSTLY = 0.8
"""Points are too few from where an error passes the limit at this share of all frequencies above."""


def aligned_causes(alignment: Alignment, reference: Reference) -> list[Cause]:
    """Those that gain, slope, delay, place and angles show, the ones that stand out most first.

    A gain in unknown units and a delay on an unknown clock are no causes.
    """
    pairs = {
        "gain": (alignment.gain_db, alignment.gain_error_db),
        "slope": (alignment.slope_db, alignment.slope_error_db),
        "delay": (alignment.delay_s, alignment.delay_error_s),
        "toe-in": (alignment.toe_in_deg, alignment.toe_in_error_deg),
        "tilt": (alignment.tilt_deg, alignment.tilt_error_deg),
        **{
            name: (alignment.offset_m[axis], alignment.offset_error_m[axis])
            for axis, name in enumerate("xyz")
        },
    }
    free = ["gain"] * reference.relative + ["delay"] * (not reference.clock_known)
    found = [
        Cause(kind, *pairs[kind])
        for kind in alignment.differs
        if kind not in free and np.isfinite(pairs[kind][0])
    ]
    return sorted(found, key=lambda cause: -abs(cause.size) / max(cause.error, 1e-30))


@dataclass(frozen=True, eq=False)
class Copy:
    """A reflection in the reference: the cause, and its pressures (angles, F)."""

    cause: Cause
    pressure_pa: Complex


def reflection(
    difference: Complex,
    model: Complex,
    reference: Reference,
    good: Boolean,
    kept: Callable[[Real], Complex],
) -> Copy | None:
    """A late copy of the direct sound in the reference, from what is left after the alignment (angles, F).

    Each angle's difference is compared with its own prediction, delayed, over the ``good`` frequencies (F,); the best
    delay counts as a reflection when it stands out from all others by more than noise would (the largest of n
    exponentially distributed powers). Its level is rms over the angles, the gate undone: ``kept`` tells what the gate
    leaves of a copy that comes so late (angles,), over what it leaves of the direct sound (angles, F); a whole copy is
    gated so and measured in the same way.
    """
    hz = reference.frequency_hz[good]
    if not reference.has_phase or len(hz) < 8:
        return None
    latest = min(LATEST_S, reference.gate_s or LATEST_S)
    earliest = 1 / (hz[-1] - hz[0])
    lag = np.arange(earliest, latest, 1 / (8 * hz[-1]))
    if len(lag) < 8:
        return None
    weight = np.gradient(hz) / np.mean(np.abs(reference.pressure_pa[:, good]) ** 2, axis=0)
    own = np.sum(weight * np.abs(model[:, good]) ** 2, axis=1)
    cross = weight * model[:, good].conj() * difference[:, good]
    amplitude = cross @ np.exp(2j * np.pi * hz[:, None] * lag) / own[:, None]
    power = np.sum(own[:, None] * np.abs(amplitude) ** 2, axis=0)
    at = int(np.argmax(power))
    independent = max(2.0, (latest - earliest) * (hz[-1] - hz[0]))
    stands_out = power[at] > np.median(power) * np.log(independent / FALSE_ALARM) / np.log(2)
    if not stands_out or power[at] < LEAST_SHARE * np.sum(weight * np.abs(difference[:, good]) ** 2):
        return None
    if 10 * np.log10(power[at] / own.sum()) < FAINTEST_DB:
        return None
    noise = float(np.median(power) / np.log(2))
    at_s, late = _copies(float(lag[at]), difference, model, reference, good, kept)
    pressure, by_octave, whole = _by_octave(late, difference, model, reference, good)
    octaves = by_octave.shape[1]
    size = np.sqrt(max(float(by_octave.sum()) - (octaves - 1) * noise / whole, power[at]) / own.sum())
    error = np.sqrt(octaves * noise / own.sum() / whole)
    cause = Cause("reflection", float(20 * np.log10(size)), float(20 * np.log10(1 + error / size)), at_s)
    return Copy(cause, pressure)


def _copies(
    lag_s: float,
    difference: Complex,
    model: Complex,
    reference: Reference,
    good: Boolean,
    kept: Callable[[Real], Complex],
) -> tuple[float, Complex]:
    """The delay at which whole copies, gated as the reference is, explain the difference best over all angles; and
    the copies (angles, F), each at its own angle's best delay near that.

    What a gate cuts off a reflection's end makes it seem to come earlier, so delays are sought anew with the gate.
    """
    hz = reference.frequency_hz
    tried = np.arange(lag_s - AROUND_S, lag_s + 2 * AROUND_S, 1 / (8 * hz[good][-1]))
    if reference.gate_s is not None:
        seen = window(tried, reference.gate_s) >= LEAST_KEPT
        tried = tried[seen] if np.any(seen) else tried[:1]
    copies = np.stack(
        [model * kept(np.full(len(model), one)) * np.exp(-2j * np.pi * hz * one) for one in tried]
    )
    weight = np.gradient(hz) / np.mean(np.abs(reference.pressure_pa) ** 2, axis=0) * good
    cross = np.abs(np.sum(weight * copies.conj() * difference, axis=2)) ** 2
    explained = cross / np.sum(weight * np.abs(copies) ** 2, axis=2)
    best = int(np.argmax(explained.sum(axis=1)))
    near = np.flatnonzero(np.abs(tried - tried[best]) <= AROUND_S)
    own = near[np.argmax(explained[near], axis=0)]
    return float(tried[best]), copies[own, np.arange(len(model))]


def _by_octave(
    late: Complex, difference: Complex, model: Complex, reference: Reference, good: Boolean
) -> tuple[Complex, Real, float]:
    """The copies (angles, F) times a complex amplitude for each angle and octave; the power of such an amplitude of
    the ungated direct sound (angles, octaves); and what the gate leaves of the copies' power.

    Frequencies that are not good take the amplitude of the nearest octave that has good ones.
    """
    hz = reference.frequency_hz
    weight = np.gradient(hz) / np.mean(np.abs(reference.pressure_pa) ** 2, axis=0) * good
    octave = third_octave_index(hz) // 3
    known = np.unique(octave[good])
    nearest = np.abs(octave[:, None] - known).argmin(axis=1)
    member = ((octave[:, None] == known) * weight[:, None]).astype(np.float64)
    own, whole = np.abs(late) ** 2 @ member, np.abs(model) ** 2 @ member
    amplitude = (late.conj() * difference) @ member / own
    copy: Complex = amplitude[:, nearest] * late
    return copy, np.abs(amplitude) ** 2 * whole, float(own.sum() / whole.sum())


def too_few_points(frequency_hz: Real, actual: Real, held_out: Real, limit: float) -> Cause | None:
    """Where both the difference (F,) and the fit's own held-out error (F,) pass ``limit`` (relative errors) for good.

    ``size`` is the frequency from which the difference, smoothed over a third octave, stays above the limit; the
    held-out error must do so over most of what lies above too, else the points are not to blame.
    """
    first = _reach_index(np.sqrt(smoothed(frequency_hz, actual**2, THIRD)), limit)
    if first is None or not np.any(actual[:first] <= limit):
        return None
    if np.mean(held_out[first:] > limit) < 0.5:
        return None
    step = frequency_hz[first] - frequency_hz[first - 1]
    return Cause("points", float(frequency_hz[first]), float(step))


def _reach_index(error: Real, limit: float) -> int | None:
    """Where ``error`` (F,) passes the limit and stays above it, mostly; None where it never does."""
    bad = error > limit
    above = np.cumsum(bad[::-1])[::-1] / np.arange(len(bad), 0, -1)
    start = np.flatnonzero(bad & (above >= MOSTLY))
    return int(start[0]) if len(start) else None


def unexplained(
    model: Complex, reference: Reference, good: Boolean, expected: Real, far_off: bool
) -> Cause | None:
    """What is left, at the ``good`` frequencies (F,), by when it comes: evenly before and after the direct sound it is
    noise, mostly after it the room, about it another device. None where no more is left than twice the power
    ``expected`` (F,), or nothing can be told: levels alone, or frequencies too far apart. ``far_off``: the alignment
    took a device that stood farther off than any mounting; if it left much even so, it is another one.
    """
    hz = reference.frequency_hz
    size = np.mean(np.abs(reference.pressure_pa) ** 2, axis=0)
    difference = reference.pressure_pa - model
    left = np.mean(np.abs(difference) ** 2, axis=0) / size
    if not reference.has_phase or not np.any(good):
        return None
    if np.median((left / np.maximum(expected, LEAST_EXPECTED) ** 2)[good]) < 2:
        return None
    level = float(10 * np.log10(np.mean(left[good])))
    if far_off and level > LIKE_DB:
        return Cause("device", level, 0.0)
    when = _when(model, difference, size, hz, good)
    if when is None:
        return None
    before, near, after, share = when
    if after > LATER * before and share < 0.5:
        return Cause("room", level, 0.0)
    if near < NEARER * (before + after) / 2:
        return Cause("noise", level, 0.0)
    return Cause("device", level, 0.0) if level > LIKE_DB else None


def _when(
    model: Complex, difference: Complex, size: Real, frequency_hz: Real, good: Boolean
) -> tuple[float, float, float, float] | None:
    """Mean powers of a difference (angles, F) before, at and after the direct sound, and the share of all that comes at
    it; over the longest span of time that the spacing of the frequencies can tell."""
    step = np.gradient(frequency_hz)
    for span_s in SPANS_S:
        dense = good & (step <= 1 / (2 * span_s))
        hz = frequency_hz[dense]
        if len(hz) >= 8 and np.ptp(hz) * span_s >= 4:
            break
    else:
        return None
    lag = np.arange(-span_s, span_s, 1 / (4 * hz[-1]))
    weight = step[dense] / size[dense]
    cross = weight * model[:, dense].conj() * difference[:, dense]
    power = np.mean(np.abs(cross @ np.exp(2j * np.pi * hz[:, None] * lag)) ** 2, axis=0)
    about = np.abs(lag) <= max(ABOUT_S, 1 / np.ptp(hz))
    before, near, after = (
        float(power[part].mean()) for part in (~about & (lag < 0), about, ~about & (lag > 0))
    )
    return before, near, after, float(power[about].sum() / power.sum())
