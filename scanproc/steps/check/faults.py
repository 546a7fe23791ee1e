"""Points that disagree with all the others, and what is wrong with each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.scan import Scan
from scanproc.steps.check.displacement import displaced, displacement
from scanproc.steps.check.drift import Drift, estimate_drift
from scanproc.steps.check.prediction import Field, Prediction, predict

BAD_SCORE, BAD_SCORE_OF_FEW = 3.0, 4.0
"""A point that misses by so many times the usual error at a quarter of the frequencies is at fault (the second
value counts below ``FEW`` frequencies). Of circular normal errors 1 in 500 exceeds three times the median, 1 in 65,000
four times; three of ten frequencies exceed three times in one of a million points."""
FEW = 8
TAIL = 1.6
"""The bar is no lower than this many times what 95 % of the points stay below: where the field itself makes
some points hard to predict (close to an edge of the device), more is allowed to all."""
ROUNDS, FINE_ROUNDS = 8, 3
SETTLING = 5
"""From this round on nobody is taken back, so that it ends."""
MOST_SHARE = 0.3
"""With more faulty points than this, neither they nor the others can be told."""
SILENT_DB = -30.0
"""A point so far below the scan's median level, at the median frequency, hears nothing."""
EXPLAINED = 0.1
"""A cause counts as found when it leaves no more than this part of the error's power."""
LONGEST_DELAY_S = 3e-3


@dataclass(frozen=True, eq=False)
class Fault:
    """A faulty point: ``kind`` of records.check, ``detail`` in words."""

    point: int
    kind: str
    detail: str


@dataclass(frozen=True, eq=False)
class Judgement:
    """Faults, and the prediction and the drift found without the faulty points.

    ``noticed_m`` (points,): how far off each point must be, in any direction, to be noticed.
    """

    faults: tuple[Fault, ...]
    prediction: Prediction
    drift: Drift
    noticed_m: Real


def silent_points(scan: Scan) -> Boolean:
    """Points without a signal, (points,)."""
    size = np.abs(scan.pressure_pa)
    usual = np.maximum(np.median(size, axis=0), 1e-300)
    return np.median(size / usual, axis=1) < 10 ** (SILENT_DB / 20)


def judge(scan: Scan, silent: Boolean, fine: Scan | None = None) -> Judgement:
    """The faulty points of a scan at its (few) frequencies.

    A fault spoils the prediction of its neighbours, so points are left out worst first, the rest is predicted
    anew, and whoever then agrees is taken back. ``fine`` is the same scan at more frequencies, at which small
    displacements are looked for afterwards.
    """
    near = _neighbours(scan)
    position = scan.setup.position_m
    bad, steady, prediction = silent.copy(), scan, predict(scan, ~silent)
    drift = estimate_drift(scan, prediction)
    limit = BAD_SCORE if len(scan.frequency_hz) >= FEW else BAD_SCORE_OF_FEW
    for turn in range(ROUNDS):
        steady = without_drift(scan, drift)
        prediction = predict(steady, ~bad, prediction)
        score = np.where(silent, 0.0, prediction.score(position))
        worst_around = score >= np.where(bad, 0.0, score)[near].max(axis=1)
        bar = max(limit, TAIL * float(np.quantile(score[~bad], 0.95)))
        now = silent | (score > bar) & (bad | worst_around)
        if turn >= SETTLING:
            now = now | bad
        if np.array_equal(now, bad) or now.mean() > MOST_SHARE:
            break
        bad = now
        drift = estimate_drift(scan, replace(prediction, used=~bad))
    return _judged_finely(without_drift(fine or scan, drift), prediction, drift, bad, silent)


def _neighbours(scan: Scan) -> Integer:
    """The nearest points of each, itself first, (points, up to 7)."""
    position = scan.setup.position_m
    return np.asarray(cKDTree(position).query(position, k=min(7, scan.points))[1], np.int64)


def _judged_finely(
    steady: Scan, coarse: Prediction, drift: Drift, bad: Boolean, silent: Boolean
) -> Judgement:
    """The judgement, with those points added that are off by little but beyond doubt."""
    near, moved = _neighbours(steady), np.zeros_like(bad)
    for _ in range(FINE_ROUNDS):
        fine = predict(steady, ~(bad | moved), coarse)
        field = Field(steady, fine)
        test = displacement(steady, fine, field)
        excess = np.where(bad, 0.0, test.excess)
        worst_around = excess >= np.where(moved, 0.0, excess)[near].max(axis=1)
        now = ~bad & test.beyond(fine.used) & (moved | worst_around)
        if np.array_equal(now, moved):
            break
        moved = now
    faults = _explained(steady, fine, field, bad | moved, moved, silent)
    return Judgement(faults, coarse, drift, test.noticed_m)


def without_drift(scan: Scan, drift: Drift) -> Scan:
    """The scan with the found gain drift taken out (the scan itself when none was found)."""
    if not drift.found:
        return scan
    return replace(scan, pressure_pa=scan.pressure_pa / drift.gain(scan.setup)[:, None])


def _explained(
    scan: Scan, prediction: Prediction, field: Field, bad: Boolean, moved: Boolean, silent: Boolean
) -> tuple[Fault, ...]:
    points = np.flatnonzero(bad & ~silent)
    faults = [Fault(int(point), "no signal", "no signal") for point in np.flatnonzero(silent)]
    if len(points):
        weight = 1 / np.maximum(prediction.typical, 1e-7 * prediction.size) ** 2
        shift, left = displaced(scan, field, points, weight)
        for row, point in enumerate(points):
            given, told = scan.pressure_pa[point], prediction.predicted[point]
            if moved[point]:
                kind, detail = "position", _off_by(shift[row])
            else:
                kind, detail = _cause(given, told, scan.frequency_hz, weight, shift[row], float(left[row]))
            faults.append(Fault(int(point), kind, detail))
    return tuple(sorted(faults, key=lambda fault: fault.point))


def _off_by(shift: Real) -> str:
    x, y, z = 1e3 * shift
    return f"off by about ({x:.0f}, {y:.0f}, {z:.0f}) mm"


def _cause(
    given: Complex, told: Complex, frequency: Real, weight: Real, moved: Real, left_moved: float
) -> tuple[str, str]:
    """Kind and detail of one fault.

    ``weight`` is one over the squared median error, so that noise alone leaves a power of F / ln 2. A delay,
    one number, goes before a shift, three numbers, when it explains the point down to the noise.
    """
    missed = _power(given - told, weight)
    gain = float(np.real(np.sum(weight * np.conj(told) * given)) / _power(told, weight))
    if _power(given, weight) < 0.03 * _power(told, weight):
        return "no signal", "no signal"
    if _power(given + told, weight) < EXPLAINED * missed:
        return "polarity", "opposite sign"
    if gain > 0 and _power(given - gain * told, weight) < EXPLAINED * missed:
        return "gain", f"{20 * np.log10(gain):+.1f} dB"
    if len(given) < 3:
        return "outlier", "disagrees with its neighbours"
    delay, left = _delay(given, told, frequency, weight)
    if left < EXPLAINED * missed and left <= max(left_moved, 2 * len(given) / np.log(2)):
        return "delay", f"{1e6 * delay:+.0f} us"
    if left_moved < EXPLAINED * missed:
        return "position", _off_by(moved)
    return "outlier", "disagrees with its neighbours"


def _delay(given: Complex, told: Complex, frequency: Real, weight: Real) -> tuple[float, float]:
    """The delay that explains a point best, s, and the power that it leaves."""
    step = 1 / (16 * frequency[-1])
    delays = np.arange(-LONGEST_DELAY_S, LONGEST_DELAY_S + step, step)
    later = told * np.exp(-2j * np.pi * delays[:, None] * frequency)
    left = np.sum(weight * np.abs(given - later) ** 2, axis=1)
    best = int(np.argmin(left))
    turned = np.imag(np.sum(weight * np.conj(later[best]) * given * 2 * np.pi * frequency))
    finer = delays[best] - turned / np.sum(weight * np.abs(told * 2 * np.pi * frequency) ** 2)
    exact = told * np.exp(-2j * np.pi * finer * frequency)
    return float(finer), float(np.sum(weight * np.abs(given - exact) ** 2))


def _power(value: Complex, weight: Real) -> Real:
    return np.asarray(np.sum(weight * np.abs(value) ** 2, axis=-1))
