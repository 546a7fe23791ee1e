"""A scan's expansion against a far-field reference."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, Boolean, Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.comparison import Alignment, BandErrors, Cause, Comparison, Reference
from scanproc.records.expansion import Expansion
from scanproc.steps.compare import causes
from scanproc.steps.compare.alignment import align, factor, turn_of
from scanproc.steps.compare.microphones import Prediction, gate_left, predict, pressure_turned
from scanproc.steps.compare.reference import at_frequencies, common_frequencies
from scanproc.steps.farfield.sets import Turn, speed_of_sound
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.smoothing import smoothed

WITHIN = 1.96
"""Standard errors of a 95 % interval."""
ALL = ("gain", "slope", "delay", "turn")
REFLECTION_ROUNDS = 2
GATE_ROUNDS, SETTLED_S = 4, 1e-6
EXCEEDS_DB = 3.0
"""A difference twice the power that the error bars expect calls for a cause."""


@dataclass(frozen=True)
class CompareChoices:
    """``tolerance_db`` at 1/``per_octave`` octave; levels more than ``floor_db`` below the loudest angle are raised to
    that floor; ``from_hz`` and ``up_to_hz`` bound what is judged; ``apply``: the parts of the alignment to take out
    ("gain", "delay", "turn")."""

    tolerance_db: float = 1.0
    per_octave: float = 12.0
    floor_db: float = 20.0
    from_hz: float | None = None
    up_to_hz: float | None = None
    apply: tuple[str, ...] = ("delay",)


def compare(expansion: Expansion, reference: Reference, choices: CompareChoices | None = None) -> Comparison:
    """Compares at the reference's microphones, at the coarser of both frequency grids.

    Where the reference's unit is not Pa the gain is always taken out. Raises ScanDataError without a common band.
    """
    choices = choices or CompareChoices()
    reference = at_frequencies(reference, common_frequencies(expansion, reference))
    judged = _judged(reference, choices)
    if reference.relative and "gain" not in choices.apply:
        choices = replace(choices, apply=(*choices.apply, "gain"))
    base, expected, alignment = _first_alignment(expansion, reference, judged)
    alignment = replace(alignment, applied=choices.apply)
    model = _model(expansion, reference, base, alignment, choices.apply)
    levels = _levels(model, reference, choices)
    difference = levels[0] - levels[1]
    agrees = np.abs(difference) <= choices.tolerance_db
    run = [_run(reference.frequency_hz, judged, row) for row in (np.all(agrees, axis=0), *agrees)]
    bands = _bands(expansion, reference, model, expected, difference, judged)
    wanted = choices.up_to_hz or float(reference.frequency_hz[judged][-1])
    uncertainty = _uncertainty_db(expected, model, reference, choices)
    found = Comparison(
        reference=reference.name,
        label=reference.label,
        direction=reference.direction,
        distance_m=reference.distance_m,
        frequency_hz=reference.frequency_hz,
        predicted_db=levels[0],
        reference_db=levels[1],
        uncertainty_db=uncertainty,
        judged=judged,
        agrees=agrees,
        tolerance_db=choices.tolerance_db,
        per_octave=choices.per_octave,
        floor_db=choices.floor_db,
        wanted_hz=min(wanted, float(reference.frequency_hz[judged][-1])),
        met_from_hz=run[0][0],
        met_up_to_hz=run[0][1],
        angle_up_to_hz=np.array([np.nan if end is None else end for _, end in run[1:]]),
        lowest_valid_hz=reference.lowest_valid_hz,
        gate_s=reference.gate_s,
        has_phase=reference.has_phase,
        clock_known=reference.clock_known,
        relative=reference.relative,
        speed_of_sound_m_s=speed_of_sound(expansion),
        points=expansion.points,
        alignment=alignment,
        bands=replace(bands, within=_within(reference, judged, difference, uncertainty)),
        causes=(),
    )
    return replace(found, causes=_causes(expansion, reference, base, found, expected))


def _first_alignment(
    expansion: Expansion, reference: Reference, judged: Boolean
) -> tuple[Prediction, Real, Alignment]:
    """Prediction, expected error and alignment; where the gate ends is settled by the delay that they find."""
    delay: float | None = None
    for _ in range(GATE_ROUNDS):
        base = predict(expansion, reference, delay)
        expected = _expected(base, reference)
        alignment = _aligned(expansion, reference, base, expected, judged)
        before, delay = delay, alignment.delay_s
        known = reference.onset_s is not None and reference.gate_s is not None and np.isfinite(delay)
        if not known or (before is not None and abs(delay - before) < SETTLED_S):
            break
    return base, expected, alignment


def _judged(reference: Reference, choices: CompareChoices) -> Boolean:
    """(F,) which frequencies are judged. Raises ScanDataError when fewer than four are."""
    hz = reference.frequency_hz
    low = max(choices.from_hz or 0.0, reference.lowest_valid_hz)
    high = choices.up_to_hz or float(hz[-1])
    judged: Boolean = (hz >= low * (1 - 1e-9)) & (hz <= high * (1 + 1e-9))
    if np.count_nonzero(judged) < 4:
        why = f" (the gate of the reference allows {reference.lowest_valid_hz:.0f} Hz and above)"
        raise ScanDataError(
            f"nothing left to judge between {low:.0f} and {high:.0f} Hz"
            f"{why if reference.lowest_valid_hz else ''}: at least 4 of the common frequencies, {hz[0]:.0f} to "
            f"{hz[-1]:.0f} Hz, must lie there; widen the band or the gate"
        )
    return judged


def _at(reference: Reference, which: Boolean) -> Reference:
    error = reference.standard_error_db
    return replace(
        reference,
        frequency_hz=reference.frequency_hz[which],
        pressure_pa=reference.pressure_pa[:, which],
        standard_error_db=None if error is None else error[:, which],
    )


def _expected(base: Prediction, reference: Reference) -> Real:
    """Relative rms error of the difference (angles, F): fit, reference, and what the gate changes."""
    own = 0.0 if reference.standard_error_db is None else reference.standard_error_db * np.log(10) / 20
    error: Real = np.sqrt(base.relative_error**2 + 2 * np.square(own) + np.abs(base.gate_ratio - 1) ** 2)
    return error


def _model(
    expansion: Expansion,
    reference: Reference,
    base: Prediction,
    alignment: Alignment,
    parts: tuple[str, ...],
) -> Complex:
    """The prediction with parts of the alignment taken out, (angles, F)."""
    turn = turn_of(alignment, parts)
    pressure = base.pressure_pa if turn == Turn() else pressure_turned(expansion, reference, turn)
    return pressure * base.gate_ratio * factor(alignment, reference.frequency_hz, parts)


def _levels(model: Complex, reference: Reference, choices: CompareChoices) -> tuple[Real, Real]:
    """Prediction and reference (angles, F) in dB, smoothed alike, raised to the floor."""
    scale = REFERENCE_VOLTAGE_V / reference.drive_voltage_v / REFERENCE_PRESSURE_PA
    power = [
        smoothed(reference.frequency_hz, np.abs(value * scale) ** 2, choices.per_octave)
        for value in (model, reference.pressure_pa)
    ]
    lowest = power[1].max(axis=0) * 10 ** (-choices.floor_db / 10)
    one, other = (10 * np.log10(np.maximum(value, lowest)) for value in power)
    return one, other


def _uncertainty_db(expected: Real, model: Complex, reference: Reference, choices: CompareChoices) -> Real:
    """One standard error of the level difference (angles, F), smoothed as the levels are and floored alike."""
    power = smoothed(reference.frequency_hz, np.abs(model) ** 2, choices.per_octave)
    error = smoothed(reference.frequency_hz, (expected * np.abs(model)) ** 2, choices.per_octave)
    floor = power.max(axis=0) * 10 ** (-choices.floor_db / 10)
    relative = np.sqrt(error / np.maximum(power, floor) / 2)
    return 20 / np.log(10) * relative


def _run(frequency_hz: Real, judged: Boolean, agrees: Boolean) -> tuple[float | None, float | None]:
    """First and last frequency of the unbroken agreement from the lowest judged one."""
    hz, good = frequency_hz[judged], agrees[judged]
    if not good[0]:
        return None, None
    last = len(good) - 1 if np.all(good) else int(np.argmin(good)) - 1
    return float(hz[0]), float(hz[last])


def _bands(
    expansion: Expansion,
    reference: Reference,
    model: Complex,
    expected: Real,
    difference: Real,
    judged: Boolean,
) -> BandErrors:
    number = third_octave_index(reference.frequency_hz)
    bands = np.unique(number[judged])
    which = [np.flatnonzero((number == band) & judged) for band in bands]
    missed = _missed(model, reference)
    size = np.abs(reference.pressure_pa)
    part = 1.0 if reference.has_phase else 0.5
    held_out = _held_out(expansion, reference.frequency_hz)
    per_angle = [_over(missed[:, w], size[:, w], axis=1) for w in which]
    return BandErrors(
        band_hz=third_octave_centre(bands),
        mean_db=np.stack([difference[:, w].mean(axis=1) for w in which], axis=1),
        rms_db=np.stack([np.sqrt(np.mean(difference[:, w] ** 2, axis=1)) for w in which], axis=1),
        largest_db=np.stack([np.abs(difference[:, w]).max(axis=1) for w in which], axis=1),
        complex_db=np.stack(per_angle, axis=1)
        if reference.has_phase
        else np.full((reference.angles, len(which)), np.nan),
        within=np.full((reference.angles, len(which)), np.nan),
        held_out_db=np.array([10 * np.log10(np.mean(held_out[w] ** 2)) for w in which]),
        predicted_db=np.array(
            [float(_over(np.sqrt(part) * (expected * size)[:, w], size[:, w])) for w in which]
        ),
        actual_db=np.array([float(_over(missed[:, w], size[:, w])) for w in which]),
    )


def _within(reference: Reference, judged: Boolean, difference: Real, uncertainty: Real) -> Real:
    """Share of the frequencies of each band within the interval (angles, bands)."""
    number = third_octave_index(reference.frequency_hz)
    good = np.abs(difference) <= WITHIN * uncertainty
    columns = [good[:, (number == band) & judged].mean(axis=1) for band in np.unique(number[judged])]
    return np.stack(columns, axis=1)


def _aligned(
    expansion: Expansion, reference: Reference, base: Prediction, expected: Real, judged: Boolean
) -> Alignment:
    size = np.abs(base.pressure_pa[:, judged])
    error = np.sqrt(_mean_power(expected[:, judged] * size) / _mean_power(size))
    return align(
        lambda turn: pressure_turned(expansion, reference, turn)[:, judged] * base.gate_ratio[:, judged],
        _at(reference, judged),
        error,
    )


def _causes(
    expansion: Expansion, reference: Reference, base: Prediction, found: Comparison, expected: Real
) -> tuple[Cause, ...]:
    """Likely causes, if the difference exceeds the tolerance or what the error bars expect.

    A reflection is taken out before gain, slope, delay and angles are judged.
    """
    if found.matches and not np.any(found.bands.actual_db > found.bands.predicted_db + EXCEEDS_DB):
        return ()
    alignment, judged = found.alignment, found.judged
    limit = 10 ** (found.tolerance_db / 20) - 1
    held_out = _held_out(expansion, reference.frequency_hz)
    model = _model(expansion, reference, base, alignment, ALL)
    left = gate_left(expansion, reference, alignment.delay_s if np.isfinite(alignment.delay_s) else None)
    good, clean, copy = judged & (held_out <= limit), reference, None
    for _ in range(REFLECTION_ROUNDS):
        better = causes.reflection(
            reference.pressure_pa - model,
            model,
            reference,
            good,
            lambda late_s: left(late_s) / base.gate_ratio,
        )
        if better is None:
            break
        copy = better
        clean = replace(reference, pressure_pa=reference.pressure_pa - copy.pressure_pa)
        alignment = _aligned(expansion, clean, base, expected, judged)
        model = _model(expansion, clean, base, alignment, ALL)
    actual = np.sqrt(_mean_power(_missed(model, clean)) / _mean_power(np.abs(clean.pressure_pa)))
    few = causes.too_few_points(reference.frequency_hz[judged], actual[judged], held_out[judged], limit)
    heard = None if copy is None else copy.cause
    named = (*causes.aligned_causes(alignment, reference), heard, few)
    return tuple(cause for cause in named if cause is not None)


def _missed(model: Complex, reference: Reference) -> Real:
    """|difference| (angles, F), of magnitudes where the reference has no phase."""
    if reference.has_phase:
        return np.abs(model - reference.pressure_pa)
    missed: Real = np.abs(np.abs(model) - np.abs(reference.pressure_pa))
    return missed


def _held_out(expansion: Expansion, frequency_hz: Real) -> Real:
    """Held-out relative error of the order used, at frequencies (F,)."""
    used = np.take_along_axis(expansion.held_out_db, expansion.order[None, :], axis=0)[0]
    return 10 ** (np.interp(np.log(frequency_hz), np.log(expansion.frequency_hz), used) / 20)


def _mean_power(value: Real) -> Real:
    """Over the angles, (F,)."""
    power: Real = np.mean(value**2, axis=0)
    return power


def _over(part: Real, whole: Real, axis: int | None = None) -> Real:
    """Power of a part over the power of the whole, dB."""
    ratio = np.sum(part**2, axis=axis) / np.sum(whole**2, axis=axis)
    level: Real = 10 * np.log10(np.maximum(ratio, 1e-30))
    return level
