"""Gain, slope, delay, polarity, place and mounting angles between a scan's prediction and a reference.

Least squares on reference ≈ ± prediction(turned, moved) · e^{g + s·log2(f/f_p)} · e^{-jωτ}. One part of a residual is
the difference of the magnitudes, the other the angle between the two times the reference's magnitude: so phases that
disagree make no reference look quieter. Magnitudes alone where the reference has no phase. Each third-octave band and
angle counts once, each frequency in proportion to its share of the loudest angles, less where the fit expects large
errors. What does not differ from zero is left out, one after the other, so that what is left is told well. Standard
errors: the larger of the posterior's and of jackknifes over bands and over angles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares, minimize_scalar

from scanproc.conventions import Boolean, Complex, Real
from scanproc.records.answers.comparison import Alignment, Reference
from scanproc.steps.compare.microphones import HERE, Pose
from scanproc.steps.farfield.sets import STRAIGHT, Turn
from scanproc.waves.bands import THIRD_OCTAVES_PER_DECADE, third_octave_index

NAMES = ("gain", "slope", "delay", "toe-in", "tilt", "x", "y", "z")
ALWAYS = np.array([name in ("gain", "delay") for name in NAMES])
"""Left free whatever they come to: these are what is taken out of a comparison."""
PRIOR = np.array([3.0, 1.0, 1e-3, 0.5, 0.5, 0.1, 0.1, 0.1])
"""Standard deviations before the data: gain and slope in Np, delay in s after a first search, toe-in and tilt in rad,
the device's place in m."""
NEPER_DB = 20 / np.log(10)
NOTEWORTHY = np.array([0.1 / NEPER_DB, 0.05 / NEPER_DB, 5e-6, *np.deg2rad([0.5, 0.5]), 2e-3, 2e-3, 2e-3])
"""Smaller ones are not worth a mention (common practice, no source): 0.1 dB, 0.05 dB per octave, 5 µs, half a degree,
2 mm."""
SIGNIFICANT = 3.0
"""Standard errors that a value must differ from zero by."""
LEAST_SHARE = 0.1
"""Share of what remains without it that a cause must explain."""
LEAST_ERROR = 0.01
"""No frequency is trusted to better than this relative error."""
SEARCH_S = 0.05
CLEARLY = 1.05
"""In a narrow band half a period is as good as a turned sign: the phases must agree so much better with it."""
FEWEST_ANGLES = 3
"""Fewer tell neither a turn nor a move from a delay or a gain."""
WIDEST_TURN_DEG = 5.0
"""A toe-in or tilt with a larger standard error is not told; nor a place that is not known to 30 mm."""
WIDEST_M = 0.03
RISING, FEWEST_LOW = (4.0, 16.0), 8
"""The lowest two octaves are fitted first, then four: there a move of the device turns no phase by more than half a
circle."""
ROUNDS, FEW_ROUNDS = 20, 3

Predict = Callable[[Pose], Complex]


@dataclass(frozen=True, eq=False)
class Sums:
    """Normal equations in units of the prior, by angle and third octave: ``normal`` (angles, bands, values, values),
    ``right`` (angles, bands, values), ``power`` (angles, bands); rows count ``parts`` times."""

    normal: Real
    right: Real
    power: Real
    parts: int


@dataclass(frozen=True, eq=False)
class AlignmentFit:
    """``value`` of ``NAMES`` and their standard ``error``, in Np, Np per octave, s, rad and m; ``differs`` tells which
    are not zero."""

    value: Real
    error: Real
    differs: Boolean
    sign: float
    sums: Sums


@dataclass(frozen=True, eq=False)
class _Task:
    predict: Predict
    reference: Reference
    weight: Real
    octave: Real
    sign: float
    start: Real

    def rows(self, scaled: Real) -> Real:
        """Weighted residuals (rows,) at values in units of the prior: magnitudes, then angles."""
        model = _model(self, scaled * PRIOR)
        size, measured = np.abs(model), self.reference.pressure_pa
        rest = self.weight * (np.abs(measured) - size)
        if not self.reference.has_phase:
            return rest.ravel()
        angle = np.angle(measured * model.conj())
        return np.concatenate([rest, self.weight * np.abs(measured) * angle]).ravel()


def align(predict: Predict, reference: Reference, expected: Real, near: Alignment | None = None) -> Alignment:
    """The alignment of a prediction; ``expected`` (F,) is its relative error by the error bars. ``near``: an alignment
    that cannot be far from it."""
    hz = reference.frequency_hz
    pivot = float(np.exp(np.log(hz).mean()))
    weight = weights(reference, expected)
    sign, delay = first_delay(predict(HERE), reference, weight)
    start = np.zeros(len(NAMES))
    start[2] = delay / PRIOR[2]
    task = _Task(predict, reference, weight, np.log2(hz / pivot), sign, start)
    fit = _sparse(task, None if near is None or near.inverted != (sign < 0) else _values(near) / PRIOR)
    return _alignment(task, fit, pivot)


def _values(alignment: Alignment) -> Real:
    """The values of ``NAMES`` of an alignment, zero where the data cannot tell."""
    turn = np.deg2rad([alignment.toe_in_deg, alignment.tilt_deg])
    levels = np.array([alignment.gain_db, alignment.slope_db]) / NEPER_DB
    found: Real = np.nan_to_num([*levels, alignment.delay_s, *turn, *alignment.offset_m])
    return found


def _alignment(task: _Task, fit: AlignmentFit, pivot_hz: float) -> Alignment:
    value, error = fit.value.copy(), fit.error.copy()
    if not task.reference.has_phase:
        value[2] = error[2] = np.nan
    unknown = error > np.array([np.inf] * 3 + [np.deg2rad(WIDEST_TURN_DEG)] * 2 + [WIDEST_M] * 3)
    value[unknown] = np.nan
    if task.reference.angles < FEWEST_ANGLES:
        value[3:] = error[3:] = np.nan
    levels, turn, turn_error = value[:2] * NEPER_DB, np.rad2deg(value[3:5]), np.rad2deg(error[3:5])
    return Alignment(
        gain_db=float(levels[0]),
        gain_error_db=float(error[0] * NEPER_DB),
        slope_db=float(levels[1]),
        slope_error_db=float(error[1] * NEPER_DB),
        pivot_hz=pivot_hz,
        delay_s=float(value[2]),
        delay_error_s=float(error[2]),
        inverted=fit.sign < 0,
        toe_in_deg=float(turn[0]),
        toe_in_error_deg=float(turn_error[0]),
        tilt_deg=float(turn[1]),
        tilt_error_deg=float(turn_error[1]),
        offset_m=(float(value[5]), float(value[6]), float(value[7])),
        offset_error_m=(float(error[5]), float(error[6]), float(error[7])),
        differs=tuple(name for name, kept in zip(NAMES, fit.differs, strict=True) if kept),
        residual_db=float(10 * np.log10(max(_left(task, value), 1e-30))),
    )


def far_off(alignment: Alignment) -> bool:
    """Whether a turn or a place lies outside what is taken to be a mounting error, its standard deviation before the
    data."""
    return bool(np.any(np.abs(_values(alignment)[3:]) > PRIOR[3:]))


def factor(alignment: Alignment, frequency_hz: Real, parts: tuple[str, ...]) -> Complex:
    """What the prediction is multiplied by (F,) to take out "gain", "slope" and "delay" (with polarity)."""
    level = alignment.gain_db * ("gain" in parts)
    tilt = alignment.slope_db * ("slope" in parts) * np.log2(frequency_hz / alignment.pivot_hz)
    gain = np.asarray(10 ** ((level + tilt) / 20), dtype=np.complex128)
    if "delay" in parts and np.isfinite(alignment.delay_s):
        gain = gain * np.exp(-2j * np.pi * frequency_hz * alignment.delay_s)
        gain = -gain if alignment.inverted else gain
    return gain


def pose_of(alignment: Alignment, parts: tuple[str, ...]) -> Pose:
    """The device's "turn" and "place" if they are among the parts and could be told."""
    turn, offset = STRAIGHT, (0.0, 0.0, 0.0)
    if "turn" in parts:
        toe_in, tilt = np.nan_to_num([alignment.toe_in_deg, alignment.tilt_deg])
        turn = Turn(float(toe_in), float(tilt))
    if "place" in parts:
        x, y, z = np.nan_to_num(alignment.offset_m)
        offset = (float(x), float(y), float(z))
    return Pose(turn, offset)


def weights(reference: Reference, expected: Real) -> Real:
    """(F,): the root of the share of a third octave, over the rms of the angles, over the error to be expected."""
    place = np.log10(reference.frequency_hz)
    width = np.gradient(place) * THIRD_OCTAVES_PER_DECADE
    rms = np.sqrt(np.mean(np.abs(reference.pressure_pa) ** 2, axis=0))
    weight: Real = np.sqrt(width) / np.maximum(rms, 1e-300) / np.hypot(expected, LEAST_ERROR)
    return weight


def _model(task: _Task, value: Real) -> Complex:
    """The model (angles, F) at values in their own units."""
    gain = task.sign * np.exp(value[0] + value[1] * task.octave)
    late = np.exp(-2j * np.pi * task.reference.frequency_hz * value[2])
    toe_in, tilt = np.rad2deg(value[3:5])
    x, y, z = (float(one) for one in value[5:])
    model: Complex = task.predict(Pose(Turn(float(toe_in), float(tilt)), (x, y, z))) * gain * late
    return model


def _sparse(task: _Task, near: Real | None) -> AlignmentFit:
    """The fit with only those values free that differ from zero; gain and delay always are.

    Once all are fitted, the one least significant is set to zero, then the next, on the straight-line model of the
    rows; then those that are left are fitted anew. The errors of those left out are those of the whole fit.
    """
    free = np.full(len(NAMES), True)
    free[2] = free[5:] = task.reference.has_phase  # levels alone tell next to nothing of a place
    if task.reference.angles < FEWEST_ANGLES:
        free[3:] = False
    whole = _fitted(task, free, _start(task, free) if near is None else near * free)
    kept = _significant(task, whole, free)
    again = _fitted(task, kept, np.where(kept, whole.value / PRIOR, 0.0))
    error = np.where(kept, again.error, whole.error)
    differs = kept & (np.abs(again.value) >= NOTEWORTHY) & (np.abs(again.value) > SIGNIFICANT * error)
    differs &= ALWAYS | (_shares(task, again, kept) >= LEAST_SHARE)
    return replace(again, error=error, differs=differs)


def _start(task: _Task, free: Boolean) -> Real:
    """Values that the lowest octaves tell."""
    start = task.start
    for limit in task.reference.frequency_hz[0] * np.array(RISING):
        low = task.reference.frequency_hz <= limit
        if np.count_nonzero(low) >= FEWEST_LOW and not np.all(low):
            start = _fitted(replace(task, weight=task.weight * low), free, start, FEW_ROUNDS).value / PRIOR
    return start


def _significant(task: _Task, whole: AlignmentFit, free: Boolean) -> Boolean:
    """Which values cannot be set to zero, told on the straight-line model."""
    kept = free.copy()
    while True:
        value, error, _ = _solved(whole.sums, task.start, kept)
        worth = np.minimum(np.abs(value) / (SIGNIFICANT * error), np.abs(value) / NOTEWORTHY)
        worth[~kept | ALWAYS] = np.inf
        least = int(worth.argmin())
        if worth[least] >= 1:
            return kept
        kept[least] = False


def _shares(task: _Task, fit: AlignmentFit, kept: Boolean) -> Real:
    """How much of what would remain without it each value explains (values,), on the straight-line model."""
    power, share = _solved(fit.sums, task.start, kept)[2], np.zeros(len(NAMES))
    for index in np.flatnonzero(kept):
        without = kept.copy()
        without[index] = False
        share[index] = 1 - power / _solved(fit.sums, task.start, without)[2]
    return share


def _fitted(task: _Task, free: Boolean, start: Real, rounds: int = ROUNDS) -> AlignmentFit:
    """Least squares over the ``free`` values from ``start``; the others stay zero."""

    def rows(part: Real) -> Real:
        scaled = start * free
        scaled[free] += part
        return np.concatenate([task.rows(scaled), (scaled - task.start)[free]])

    still = np.zeros(int(free.sum()))
    found = least_squares(rows, still, max_nfev=rounds, xtol=1e-5, ftol=1e-5)
    scaled = start * free
    scaled[free] += found.x
    count = len(found.fun) - len(still)
    matrix = np.zeros((count, len(NAMES)))
    matrix[:, free] = -found.jac[:count]
    sums = _sums(matrix, found.fun[:count] + matrix @ scaled, task.reference)
    error = _solved(sums, task.start, free)[1]
    return AlignmentFit(scaled * PRIOR, error, free, task.sign, sums)


def _sums(matrix: Real, target: Real, reference: Reference) -> Sums:
    """The normal equations of the straight-line model rest = target - matrix @ value, by angle and third octave."""
    hz = reference.frequency_hz
    first = np.unique(third_octave_index(hz), return_index=True)[1]
    all_of = np.column_stack([matrix, target]).reshape(-1, reference.angles, len(hz), len(NAMES) + 1)
    products = np.einsum("pafv,pafw->afvw", all_of, all_of)
    by_band = np.add.reduceat(products, first, axis=1)
    return Sums(by_band[..., :-1, :-1], by_band[..., :-1, -1], by_band[..., -1, -1], len(all_of))


def _solved(sums: Sums, start: Real, kept: Boolean) -> tuple[Real, Real, float]:
    """Values, standard errors and remaining power if only the ``kept`` are free, the others zero."""
    normal = sums.normal[..., kept, :][..., kept]
    right = sums.right[..., kept]
    prior = np.eye(int(kept.sum()))
    whole = normal.sum(axis=(0, 1)) + prior
    solution = np.linalg.solve(whole, right.sum(axis=(0, 1)) + start[kept])
    left = sums.power - 2 * (right @ solution) + ((normal @ solution) @ solution)
    pull = right - normal @ solution
    freedom = max(1, sums.parts * left.size - len(solution))
    posterior = np.diag(np.linalg.inv(whole)) * max(float(left.sum()) / freedom, 1e-12)
    spreads = [_jackknife(whole, normal.sum(axis=axis), pull.sum(axis=axis)) for axis in (0, 1)]
    value, error = np.zeros(len(NAMES)), PRIOR.copy()
    value[kept] = solution * PRIOR[kept]
    error[kept] = np.sqrt(np.maximum.reduce([posterior, *spreads])) * PRIOR[kept]
    return value, error, float(left.sum()) + 1e-9


def _jackknife(whole: Real, normal: Real, pull: Real) -> Real:
    """Variances (values,) from leaving out one group at a time, groups (groups, ...); zero with fewer than three."""
    count = len(normal)
    if count < 3:
        return np.zeros(len(whole))
    moved = -np.linalg.solve(whole - normal, pull[..., None])[..., 0]
    variance: Real = (count - 1) * np.var(moved, axis=0)
    return variance


def _left(task: _Task, value: Real) -> float:
    """Power of the difference that is left, over that of the reference."""
    model = _model(task, np.nan_to_num(value))
    measured = task.reference.pressure_pa
    missed = (
        np.abs(model - measured) if task.reference.has_phase else np.abs(np.abs(model) - np.abs(measured))
    )
    return float(np.sum((task.weight * missed) ** 2) / np.sum((task.weight * np.abs(measured)) ** 2))


def first_delay(model: Complex, reference: Reference, weight: Real) -> tuple[float, float]:
    """Sign and delay in s at which the phases of all angles agree best."""
    if not reference.has_phase:
        return 1.0, 0.0
    hz = reference.frequency_hz
    cross = np.sum(weight**2 * reference.pressure_pa * model.conj(), axis=0)
    lag = np.arange(-SEARCH_S, SEARCH_S, 1 / (8 * hz[-1]))
    blocks = np.array_split(lag, max(1, len(lag) * len(hz) // 10**6))
    found = np.concatenate([(np.exp(2j * np.pi * part[:, None] * hz) @ cross).real for part in blocks])
    inverted = -found.min() > CLEARLY * found.max()
    sign = -1.0 if inverted else 1.0
    at = float(lag[np.argmax(sign * found)])
    step = float(lag[1] - lag[0])

    def worth(late_s: float) -> float:
        return -sign * float((np.exp(2j * np.pi * late_s * hz) @ cross).real)

    best = minimize_scalar(worth, bounds=(at - step, at + step), method="bounded", options={"xatol": 1e-8})
    return sign, float(best.x)
