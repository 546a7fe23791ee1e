"""A scan's expansion against a far-field reference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, Boolean, Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.answers.comparison import Alignment, BandErrors, Cause, Comparison, Reference
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.compare import causes
from scanproc.steps.compare.alignment import align, factor, far_off, first_delay, pose_of, weights
from scanproc.steps.compare.microphones import HERE, AtMicrophones, Pose, at_microphones, field_of, gate_left
from scanproc.steps.compare.reference import in_band
from scanproc.steps.farfield.sets import speed_of_sound
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.smoothing import smoothed

WITHIN = 1.96
"""Standard errors of a 95 % interval."""
ALL = ("gain", "slope", "delay", "turn", "place")
REFLECTION_ROUNDS = 4
GATE_ROUNDS, SETTLED_S = 4, 1e-6
MOSTLY_LEFT = 0.5
"""Where a room or another device is left, what is aligned is named only if it explains half of the difference."""
EXCEEDS_DB = 3.0
"""A difference twice the power that the error bars expect calls for a cause."""


@dataclass(frozen=True)
class CompareChoices:
    """``tolerance_db`` at 1/``per_octave`` octave; levels more than ``floor_db`` below the loudest angle are raised to
    that floor; ``from_hz`` and ``up_to_hz`` bound what is judged; ``apply``: the parts of the alignment to take out
    ("gain", "delay", "turn", "place").

    >>> sp.compare(result, result, sp.CompareChoices(tolerance_db=0.5)).matches
    True
    """

    tolerance_db: float = 1.0
    per_octave: float = 12.0
    floor_db: float = 20.0
    from_hz: float | None = None
    up_to_hz: float | None = None
    apply: tuple[str, ...] = ("delay",)


def compare(expansion: Expansion, reference: Reference, choices: CompareChoices | None = None) -> Comparison:
    """Compares at the reference's microphones and at its own frequencies, as far as the scan's band reaches.

    Where the reference's unit is not Pa the gain is always taken out. Raises ScanDataError without a common band.
    """
    choices = choices or CompareChoices()
    reference = in_band(expansion, reference, choices.per_octave)
    judged = _judged(reference, choices)
    if reference.relative and "gain" not in choices.apply:
        choices = replace(choices, apply=(*choices.apply, "gain"))
    case = _first_alignment(expansion, reference, judged)
    alignment, expected = case.alignment, case.expected
    turned = ("polarity",) if alignment.inverted and "delay" in choices.apply else ()
    alignment = replace(alignment, applied=(*choices.apply, *turned))
    case = replace(case, alignment=alignment)
    model = case.model(choices.apply)
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
    return _explained(case, replace(found, beyond_errors=_beyond_errors(found)), choices)


def _beyond_errors(found: Comparison) -> bool:
    """Whether a band in which the two disagree holds a difference of more than the errors allow."""
    number = third_octave_index(found.frequency_hz)
    bad = np.any(~found.agrees, axis=0) & found.judged
    disagree = np.isin(np.unique(number[found.judged]), number[bad])
    return bool(np.any(disagree & (found.bands.actual_db > found.bands.predicted_db + EXCEEDS_DB)))


@dataclass(frozen=True, eq=False)
class _Case:
    """A reference and all that is known of it: prediction, expected error (angles, F), alignment, judged (F,)."""

    expansion: Expansion
    reference: Reference
    field: Callable[[Pose], Complex]
    base: AtMicrophones
    expected: Real
    judged: Boolean
    alignment: Alignment

    def model(self, parts: tuple[str, ...]) -> Complex:
        """The prediction with parts of the alignment taken out, (angles, F)."""
        pose = pose_of(self.alignment, parts)
        pressure = self.base.pressure_pa if pose == HERE else self.field(pose)
        gain = factor(self.alignment, self.reference.frequency_hz, parts)
        return pressure * self.base.gate_ratio * gain


def _first_alignment(expansion: Expansion, reference: Reference, judged: Boolean) -> _Case:
    """Prediction, expected error and alignment; where the gate ends is settled by the delay that they find."""
    field = field_of(expansion, reference)
    delay: float | None = None
    for _ in range(GATE_ROUNDS):
        base = at_microphones(expansion, reference, delay)
        expected = _expected(base, reference)
        if reference.onset_s is None or reference.gate_s is None or not reference.has_phase:
            break
        before, delay = delay, _late_s(base, _at(reference, judged), expected, judged)
        if before is not None and abs(delay - before) < SETTLED_S:
            break
    alignment = _aligned(field, reference, base, expected, judged)
    return _Case(expansion, reference, field, base, expected, judged, alignment)


def _late_s(base: AtMicrophones, reference: Reference, expected: Real, judged: Boolean) -> float:
    """By how much the reference is late, before anything else is known of it."""
    weight = weights(reference, np.sqrt(_mean_power(expected[:, judged])))
    return first_delay((base.pressure_pa * base.gate_ratio)[:, judged], reference, weight)[1]


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


def _expected(base: AtMicrophones, reference: Reference) -> Real:
    """Relative rms error of the difference (angles, F): fit, reference, and what the gate changes."""
    own = 0.0 if reference.standard_error_db is None else reference.standard_error_db * np.log(10) / 20
    error: Real = np.sqrt(base.relative_error**2 + 2 * np.square(own) + np.abs(base.gate_ratio - 1) ** 2)
    return error


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
    field: Callable[[Pose], Complex],
    reference: Reference,
    base: AtMicrophones,
    expected: Real,
    judged: Boolean,
    near: Alignment | None = None,
) -> Alignment:
    size = np.abs(base.pressure_pa[:, judged])
    error = np.sqrt(_mean_power(expected[:, judged] * size) / _mean_power(size))
    return align(
        lambda pose: field(pose)[:, judged] * base.gate_ratio[:, judged],
        _at(reference, judged),
        error,
        near,
    )


def _explained(case: _Case, found: Comparison, choices: CompareChoices) -> Comparison:
    """With likely causes, if the difference exceeds the tolerance or what the error bars expect, and with how much of
    it they explain. Inverted polarity is named in any case."""
    polarity = (Cause("polarity", -1.0, 0.0),) if found.alignment.inverted else ()
    late = found.clock_known and "delay" in found.alignment.differs
    exceeds = np.any(found.bands.actual_db > found.bands.predicted_db + EXCEEDS_DB)
    if found.matches and not exceeds:
        delay = causes.aligned_causes(found.alignment, case.reference) if late else []
        return replace(found, causes=(*polarity, *(cause for cause in delay if cause.kind == "delay")))
    case, heard, copy = _without_reflection(case)
    model, reference, judged = case.model(ALL), case.reference, case.judged
    limit = 10 ** (found.tolerance_db / 20) - 1
    held_out = _held_out(case.expansion, reference.frequency_hz)
    missed, size = _missed(model, reference), np.abs(reference.pressure_pa)
    actual = np.sqrt(_mean_power(missed) / _mean_power(size))
    few = causes.too_few_points(reference.frequency_hz[judged], actual[judged], held_out[judged], limit)
    expected = np.sqrt(_mean_power(case.expected * size) / _mean_power(size))
    rest = causes.unexplained(
        model, reference, _good(case, held_out, limit), expected, far_off(case.alignment)
    )
    aligned = causes.aligned_causes(case.alignment, reference)
    if rest is not None and rest.kind == "room" and heard is not None:
        rest = None  # what the reflection's copy leaves of it comes late, too
    if rest is not None and rest.kind in ("room", "device"):
        plain = _missed(case.model(("delay", "gain") if reference.relative else ("delay",)), reference)
        if rest.kind == "device" or np.sum(missed**2) > MOSTLY_LEFT * np.sum(plain**2):
            aligned, heard = [], None  # what fits best to what is not there says nothing of the device
    named = (*polarity, *aligned, heard, few, rest)
    levels = _levels(model + copy, replace(reference, pressure_pa=reference.pressure_pa + copy), choices)
    return replace(
        found,
        causes=tuple(cause for cause in named if cause is not None),
        rms_db=_rms(found.difference_db[:, judged]),
        left_rms_db=_rms((levels[0] - levels[1])[:, judged]),
    )


def _without_reflection(case: _Case) -> tuple[_Case, Cause | None, Complex]:
    """The case with a reflection, if one is heard, taken out before gain, slope, delay, place and angles are judged;
    its cause and its pressures (angles, F)."""
    reference, base = case.reference, case.base
    delay = case.alignment.delay_s
    left = gate_left(case.expansion, reference, delay if np.isfinite(delay) else None)
    good = _good(case, _held_out(case.expansion, reference.frequency_hz), 10 ** (1 / 20) - 1)
    cause, copy, clean = None, np.zeros(reference.pressure_pa.shape, dtype=np.complex128), case
    for _ in range(REFLECTION_ROUNDS):
        model = clean.model(ALL)
        better = causes.reflection(
            reference.pressure_pa - model,
            model,
            reference,
            good,
            lambda late_s: left(late_s) / base.gate_ratio,
        )
        if better is None:
            break
        cause, copy = better.cause, better.pressure_pa
        alone = replace(reference, pressure_pa=reference.pressure_pa - copy)
        again = _aligned(case.field, alone, base, case.expected, case.judged, clean.alignment)
        clean = replace(case, reference=alone, alignment=again)
    return clean, cause, copy


def _good(case: _Case, held_out: Real, limit: float) -> Boolean:
    """Judged frequencies (F,) at which the fit is good enough to show what is wrong with the reference."""
    good: Boolean = case.judged & (held_out <= limit)
    return good


def _rms(value: Real) -> float:
    return float(np.sqrt(np.mean(value**2)))


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
