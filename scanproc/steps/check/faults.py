"""Points that disagree with all the others, and what is wrong with each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.measured.scan import Scan
from scanproc.steps.check.chance import FREEDOM, freedom_of, highest_mean
from scanproc.steps.check.displacement import TOLERATED_M, displaced, displacement
from scanproc.steps.check.drift import Drift, estimate_drift
from scanproc.steps.check.left_out import AROUND, LeftOut, Weights, expected, models_of, score

ROUNDS = 8
SETTLING = 5
"""From this round on nobody is taken back, so that it ends."""
MOST_SHARE = 0.3
"""With more faulty points than this, neither they nor the others can be told."""
SILENT_DB = -30.0
"""A point so far below its neighbours' median level, at the median frequency, may hear nothing; the model decides."""
SILENT_SHARE = 0.03
"""A point with less than this part of the power expected there hears nothing."""
EXPLAINED = 0.1
"""A cause counts as found when it leaves no more than this part of the error's power."""
LONGEST_DELAY_S = 3e-3


@dataclass(frozen=True, eq=False)
class Fault:
    """A faulty point: ``kind`` of records.measured.check, ``detail`` in words."""

    point: int
    kind: str
    detail: str


@dataclass(frozen=True, eq=False)
class Judgement:
    """Faults, and the prediction and the drift found without the faulty points.

    ``noticed_m`` (points,): how far off each point must be, in any direction, to be noticed.
    """

    faults: tuple[Fault, ...]
    prediction: LeftOut
    drift: Drift
    noticed_m: Real


def silent_points(scan: Scan) -> Boolean:
    """Points that seem to have no signal, (points,): far quieter than those around."""
    size = np.abs(scan.pressure_pa)
    around = np.median(size[_neighbours(scan, AROUND)], axis=1)
    quiet = np.median(size / np.maximum(around, 1e-300), axis=1) < 10 ** (SILENT_DB / 20)
    dead = np.median(size / np.maximum(np.median(size, axis=0), 1e-300), axis=1) < 10 ** (SILENT_DB / 20)
    return np.asarray(quiet & dead)


def judge(scan: Scan, silent: Boolean) -> Judgement:
    """The faulty points of a scan at its (few) frequencies, those first left out that seem ``silent`` (points,).

    A fault spoils the prediction of its neighbours, so points are left out worst first, the rest is predicted
    anew, and whoever then agrees is taken back; at last those, too, who are no worse than points of this scan are.
    """
    close, near = _neighbours(scan, 6), _neighbours(scan, AROUND)
    bad, models = silent.copy(), models_of(scan)
    learnt: Sequence[Weights] = ()
    drift = estimate_drift(scan, ~bad)
    for turn in range(ROUNDS):
        steady = without_even_drift(scan, drift)
        found = expected(steady, models, ~bad, learnt)
        learnt = found.weights
        usual = found.usual(near)
        guilt = _evidence(found, usual, FREEDOM[-1]).guilt
        worst_around = guilt >= np.where(bad[close], 0.0, guilt[close]).max(axis=1)
        now = (guilt > 1) & (bad | worst_around)
        if turn >= SETTLING:
            now = now | bad
        if np.array_equal(now, bad) or now.mean() > MOST_SHARE:
            break
        bad = now
        drift = estimate_drift(scan, ~bad)
    shown = _evidence(found, usual, freedom_of(np.abs(found.error) ** 2 / found.variance))
    faults = _explained(steady, found, usual, bad & (shown.guilt > 1), shown.odd <= 1)
    return Judgement(faults, found, drift, shown.noticed_m)


@dataclass(frozen=True, eq=False)
class _Evidence:
    """How far points (points,) stand out: of all by their error, by where they seem to be, by either; above one that is
    more than chance."""

    odd: Real
    guilt: Real
    noticed_m: Real


def _evidence(found: LeftOut, usual: Real, freedom: float) -> _Evidence:
    test = displacement(found, usual, freedom)
    points, frequencies = usual.shape
    odd = score(found, usual) / highest_mean(points, frequencies, freedom)
    return _Evidence(odd, np.maximum(odd, test.excess / test.chance), test.noticed_m)


def _neighbours(scan: Scan, count: int) -> Integer:
    """The nearest other points of each, (points, up to ``count``)."""
    position = scan.setup.position_m
    nearest = cKDTree(position).query(position, k=min(count + 1, scan.points))[1]
    return np.asarray(nearest[:, 1:], np.int64)


def without_even_drift(scan: Scan, drift: Drift) -> Scan:
    """The scan with the found gain drift taken out (the scan itself when none was found)."""
    if not drift.found:
        return scan
    return replace(scan, pressure_pa=scan.pressure_pa / drift.gain(scan.setup)[:, None])


def _explained(
    scan: Scan, found: LeftOut, usual: Real, bad: Boolean, only_moved: Boolean
) -> tuple[Fault, ...]:
    """The faults of the points in ``bad``; those in ``only_moved`` stand out by their place alone.

    A place as good as an arm accuses nobody, nor does one that explains no more than chance would.
    """
    points, faults = np.flatnonzero(bad), []
    if not len(points):
        return ()
    weight = 1 / usual[points]
    shift, left = displaced(found, points, weight)
    for row, point in enumerate(points):
        given = scan.pressure_pa[point]
        told = given - found.error[point]
        kind, detail = _cause(given, told, scan.frequency_hz, weight[row], shift[row], float(left[row]))
        if only_moved[point] and left[row] <= 2 * len(given):
            kind, detail = "position", _off_by(shift[row])
        at_its_place = kind == "position" and np.linalg.norm(shift[row]) <= TOLERATED_M
        if not at_its_place and not (only_moved[point] and kind == "outlier"):
            faults.append(Fault(int(point), kind, detail))
    return tuple(faults)


def _off_by(shift: Real) -> str:
    x, y, z = 1e3 * shift
    return f"off by about ({x:.0f}, {y:.0f}, {z:.0f}) mm"


def _cause(
    given: Complex, told: Complex, frequency: Real, weight: Real, moved: Real, left_moved: float
) -> tuple[str, str]:
    """Kind and detail of one fault.

    ``weight`` (F,) is one over the variance of the usual error, so that noise alone leaves a power of F. A delay,
    one number, goes before a shift, three numbers, when it explains the point down to the noise.
    """
    missed = _power(given - told, weight)
    gain = float(np.real(np.sum(weight * np.conj(told) * given)) / _power(told, weight))
    if _power(given, weight) < SILENT_SHARE * _power(told, weight):
        return "no signal", "no signal"
    if _power(given + told, weight) < EXPLAINED * missed:
        return "polarity", "opposite sign"
    if gain > 0 and _power(given - gain * told, weight) < EXPLAINED * missed:
        return "gain", f"{20 * np.log10(gain):+.1f} dB"
    if len(given) < 3:
        return "outlier", "disagrees with its neighbours"
    delay, left = _delay(given, told, frequency, weight)
    if left < EXPLAINED * missed and left <= max(left_moved, 2 * len(given)):
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
