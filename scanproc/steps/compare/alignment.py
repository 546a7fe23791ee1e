"""Gain, slope, delay, polarity and mounting angles between a scan's prediction and a reference.

Gauss-Newton on reference ≈ ± prediction(turned) · e^{g + s·log2(f/f_p)} · e^{-jωτ}, on magnitudes alone where the
reference has no phase. Each third-octave band and angle counts once, each frequency in proportion to its share of the
loudest angles, less where the fit expects large errors. Standard errors: the larger of the posterior's and of
jackknifes over bands and over angles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.comparison import Alignment, Reference
from scanproc.steps.farfield.sets import Turn
from scanproc.waves.bands import THIRD_OCTAVES_PER_DECADE, third_octave_index

PRIOR = np.array([3.0, 1.0, 1e-3, 0.5, 0.5])
"""Standard deviations before the data: gain and slope in Np, delay in s after a first search, yaw and pitch in rad."""
LEAST_ERROR = 0.01
"""No frequency is trusted to better than this relative error."""
SEARCH_S = 0.05
DIFFERENCE_DEG = 0.25
ROUNDS = 8
WIDEST_TURN_DEG = 5.0
"""A yaw or pitch with a larger standard error is not told."""
NEPER_DB = 20 / np.log(10)

Predict = Callable[[Turn], Complex]


@dataclass(frozen=True, eq=False)
class Fit:
    """``value``: gain (Np), slope (Np per octave), delay (s), yaw and pitch (rad); ``error`` their standard errors."""

    value: Real
    error: Real
    sign: float
    residual: float


def align(predict: Predict, reference: Reference, expected: Real) -> Alignment:
    """The alignment of a prediction; ``expected`` (F,) is its relative error by the error bars."""
    hz = reference.frequency_hz
    pivot = float(np.exp(np.log(hz).mean()))
    weight = _weights(reference, expected)
    fit = _gauss_newton(predict, reference, weight, np.log2(hz / pivot))
    gain, slope, delay, yaw, pitch = fit.value
    errors = fit.error
    turn, turn_error = np.rad2deg([yaw, pitch]), np.rad2deg(errors[3:])
    turn[(turn_error > WIDEST_TURN_DEG) | (reference.angles < 3)] = np.nan
    known = np.nan if not reference.has_phase else 1.0
    return Alignment(
        gain_db=float(gain * NEPER_DB),
        gain_error_db=float(errors[0] * NEPER_DB),
        slope_db=float(slope * NEPER_DB),
        slope_error_db=float(errors[1] * NEPER_DB),
        pivot_hz=pivot,
        delay_s=float(delay * known),
        delay_error_s=float(errors[2] * known),
        inverted=fit.sign < 0,
        yaw_deg=float(turn[0]),
        yaw_error_deg=float(turn_error[0]),
        pitch_deg=float(turn[1]),
        pitch_error_deg=float(turn_error[1]),
        residual_db=float(10 * np.log10(max(fit.residual, 1e-30))),
    )


def factor(alignment: Alignment, frequency_hz: Real, parts: tuple[str, ...]) -> Complex:
    """What the prediction is multiplied by (F,) to take out "gain", "slope" and "delay" (with polarity)."""
    level = alignment.gain_db * ("gain" in parts)
    tilt = alignment.slope_db * ("slope" in parts) * np.log2(frequency_hz / alignment.pivot_hz)
    gain = np.asarray(10 ** ((level + tilt) / 20), dtype=np.complex128)
    if "delay" in parts and np.isfinite(alignment.delay_s):
        gain = gain * np.exp(-2j * np.pi * frequency_hz * alignment.delay_s)
        gain = -gain if alignment.inverted else gain
    return gain


def turn_of(alignment: Alignment, parts: tuple[str, ...]) -> Turn:
    """The device's turn if "turn" is among the parts and could be told."""
    if "turn" not in parts:
        return Turn()
    return Turn(*np.nan_to_num([alignment.yaw_deg, alignment.pitch_deg]))


def _weights(reference: Reference, expected: Real) -> Real:
    """(F,): the root of the share of a third octave, over the rms of the angles, over the error to be expected."""
    place = np.log10(reference.frequency_hz)
    width = np.gradient(place) * THIRD_OCTAVES_PER_DECADE
    rms = np.sqrt(np.mean(np.abs(reference.pressure_pa) ** 2, axis=0))
    weight: Real = np.sqrt(width) / np.maximum(rms, 1e-300) / np.hypot(expected, LEAST_ERROR)
    return weight


def _gauss_newton(predict: Predict, reference: Reference, weight: Real, octave: Real) -> Fit:
    omega = 2 * np.pi * reference.frequency_hz
    value = np.zeros(5)
    sign, value[2] = _first_delay(predict(Turn()), reference, weight)
    start = value.copy()
    for _ in range(ROUNDS):
        model, columns = _model(predict, value, sign, octave, omega)
        matrix, rest = _rows(model, columns, reference, weight)
        move = np.linalg.solve(
            matrix.T @ matrix + np.diag(PRIOR**-2), matrix.T @ rest - (value - start) / PRIOR**2
        )
        move[3:] = np.clip(move[3:], -0.1, 0.1)
        value = value + move
        if np.all(np.abs(move) < 1e-6 * PRIOR):
            break
    model, columns = _model(predict, value, sign, octave, omega)
    matrix, rest = _rows(model, columns, reference, weight)
    error = _errors(matrix, rest, reference)
    power = np.sum(rest**2) / np.sum((weight * np.abs(reference.pressure_pa)) ** 2)
    return Fit(value, error, sign, float(power))


def _model(
    predict: Predict, value: Real, sign: float, octave: Real, omega: Real
) -> tuple[Complex, list[Complex]]:
    """The model (angles, F) and its derivatives by the five values."""
    gain = sign * np.exp(value[0] + value[1] * octave - 1j * omega * value[2])
    yaw, pitch = np.rad2deg(value[3:])
    model = predict(Turn(yaw, pitch)) * gain
    step = DIFFERENCE_DEG
    turns = [
        (Turn(yaw + step, pitch), Turn(yaw - step, pitch)),
        (Turn(yaw, pitch + step), Turn(yaw, pitch - step)),
    ]
    turned = [(predict(up) - predict(down)) * (gain / np.deg2rad(2 * step)) for up, down in turns]
    return model, [model, octave * model, -1j * omega * model, *turned]


def _rows(model: Complex, columns: list[Complex], reference: Reference, weight: Real) -> tuple[Real, Real]:
    """Weighted derivatives (rows, 5) and residuals (rows,): real and imaginary parts, or magnitudes."""
    if reference.has_phase:
        rest = weight * (reference.pressure_pa - model)
        turned = np.stack([(weight * column).ravel() for column in columns], axis=1)
        return np.concatenate([turned.real, turned.imag]), np.concatenate([rest.real, rest.imag]).ravel()
    size = np.abs(model)
    unit = np.divide(model.conj(), size, out=np.zeros_like(model), where=size > 0)
    matrix = np.stack([(weight * (unit * column).real).ravel() for column in columns], axis=1)
    return matrix, (weight * (np.abs(reference.pressure_pa) - size)).ravel()


def _first_delay(model: Complex, reference: Reference, weight: Real) -> tuple[float, float]:
    """Sign and delay at which the phases of all angles agree best."""
    if not reference.has_phase:
        return 1.0, 0.0
    hz = reference.frequency_hz
    cross = np.sum(weight**2 * reference.pressure_pa * model.conj(), axis=0)
    lag = np.arange(-SEARCH_S, SEARCH_S, 1 / (8 * hz[-1]))
    best, at = -np.inf, 0
    found = np.empty(len(lag))
    for block in np.array_split(np.arange(len(lag)), max(1, len(lag) * len(hz) // 10**6)):
        found[block] = (np.exp(2j * np.pi * lag[block, None] * hz) @ cross).real
    at = int(np.argmax(np.abs(found)))
    best = found[at]
    return (1.0 if best >= 0 else -1.0), float(lag[at])


def _errors(matrix: Real, rest: Real, reference: Reference) -> Real:
    """Standard errors of the five values (5,)."""
    angles, hz = reference.angles, reference.frequency_hz
    parts = 2 if reference.has_phase else 1
    band = np.unique(third_octave_index(hz), return_inverse=True)[1]
    by_band = np.tile(band, parts * angles)
    by_angle = np.tile(np.repeat(np.arange(angles), len(hz)), parts)
    prior = np.diag(PRIOR**-2)
    freedom = max(1, parts * angles * (int(band.max()) + 1) - matrix.shape[1])
    posterior = np.diag(np.linalg.inv(matrix.T @ matrix + prior)) * max(np.sum(rest**2) / freedom, 1e-12)
    spreads = [_jackknife(matrix, rest, group, prior) for group in (by_band, by_angle)]
    error: Real = np.sqrt(np.maximum.reduce([posterior, *spreads]))
    return error


def _jackknife(matrix: Real, rest: Real, group: Integer, prior: Real) -> Real:
    """Variances (5,) from leaving out one group of rows at a time; zero with fewer than three groups."""
    count = int(group.max()) + 1
    if count < 3:
        return np.zeros(matrix.shape[1])
    normal, right = matrix.T @ matrix + prior, matrix.T @ rest
    moved = np.empty((count, matrix.shape[1]))
    for index in range(count):
        part = matrix[group == index]
        moved[index] = np.linalg.solve(normal - part.T @ part, right - part.T @ rest[group == index])
    variance: Real = (count - 1) * np.var(moved, axis=0)
    return variance
