"""How long a job will take, asked before it starts."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from scanproc.conventions import Integer, Real, mode_count
from scanproc.errors import ScanDataError
from scanproc.files.stored.scan_file import ScanFile
from scanproc.run.conversion.preparation import wanted_frequencies
from scanproc.run.settings.conversion import Settings
from scanproc.steps.field.order import highest_order
from scanproc.steps.fit.plan import SAMPLES_PER_OCTAVE, sample_frequencies
from scanproc.steps.model.field_model import model_columns

PLAN_SHARE, FIT_SHARE = 0.9, 0.2
"""Work at a sample of the plan and at a frequency of the fit, over that of one least-squares fit at the highest order
tried."""
PLAN_SECONDS, FIT_SECONDS, PAGE_SECONDS = 0.7, 0.1, 8.0
"""Smallest time of a sample, of a frequency, and of all that is done once, on one core."""
MODEL_SHARE = 0.7
"""Work of the model's fit over that of a full product of its columns with themselves at all points."""
LEARNING_SECONDS = 2.0
"""At a sample of the plan, on top of a fit."""
HARMONICS_PER_OCTAVE = 6
"""Excitation frequencies at which harmonics are fitted: each costs as much as one of the fundamental."""
SIZE = 700


def expected_seconds(
    points: int,
    frequency_hz: np.ndarray,
    settings: Settings,
    flop_per_s: float,
    cores: int,
    harmonics: Mapping[int, tuple[float, float]] = MappingProxyType({}),
) -> float:
    """Time of a conversion; a study of the points adds up to as much again, not of the ``harmonics``, which are given
    by their bands."""
    plan, fit = _seconds_each(points, settings, flop_per_s)

    def seconds(hz: np.ndarray) -> float:
        if not len(hz):
            return 0.0
        octaves = float(np.log2(hz[-1] / hz[0]))
        return min(len(hz), int(np.ceil(octaves * SAMPLES_PER_OCTAVE)) + 1) * plan + len(hz) * fit

    whole = seconds(frequency_hz) * (2 if settings.points.in_convert else 1)
    of_harmonics = sum(
        seconds(own_hz) for _, own_hz in harmonic_frequencies(frequency_hz, harmonics).values()
    )
    return (whole + of_harmonics) / cores + PAGE_SECONDS


def harmonic_frequencies(
    frequency_hz: np.ndarray, harmonics: Mapping[int, tuple[float, float]]
) -> dict[int, tuple[Integer, Real]]:
    """By order the excitation frequencies (indices) at which a harmonic is fitted within its band and that of the
    results, and its own frequencies there."""
    excitation, found = excitations(frequency_hz), {}
    for order, (low, high) in harmonics.items():
        own_hz = order * frequency_hz[excitation]
        at = np.flatnonzero((own_hz >= low) & (own_hz <= min(high, float(frequency_hz[-1]))))
        found[order] = at, own_hz[at]
    return found


def excitations(frequency_hz: np.ndarray) -> Integer:
    """Indices of the frequencies of excitation."""
    return sample_frequencies(frequency_hz, HARMONICS_PER_OCTAVE)


def _seconds_each(points: int, settings: Settings, flop_per_s: float) -> tuple[float, float]:
    """Of a sample of the plan, and of a frequency of the fit."""
    order = settings.fit.order
    if settings.fit.estimator == "truncated" or isinstance(order, int):
        tried = highest_order(points, settings.fit.max_order)
        whole = 8.0 * points * mode_count(order if isinstance(order, int) else tried) ** 2 / flop_per_s
        return max(PLAN_SHARE * whole, PLAN_SECONDS), max(FIT_SHARE * whole, FIT_SECONDS)
    fit = FIT_SECONDS + MODEL_SHARE * 8.0 * points**2 * model_columns(points) / flop_per_s
    return fit + LEARNING_SECONDS, fit


def flop_per_second() -> float:
    """Real floating-point operations a second in a complex matrix product here and now."""
    matrix = np.ones((SIZE, SIZE), dtype=np.complex128)
    start = time.perf_counter()
    matrix @ matrix
    return 8.0 * SIZE**3 / (time.perf_counter() - start)


def job_seconds(file: ScanFile, settings: Settings) -> float:
    """Time of a job on this scan file here and now. Raises ScanDataError when the band holds no frequency."""
    frequency = wanted_frequencies(file, settings.frequencies)
    cores = len(os.sched_getaffinity(0))
    return expected_seconds(file.points, frequency, settings, flop_per_second(), cores, file.harmonics)


def require_time(file: ScanFile, settings: Settings) -> None:
    """Raises ScanDataError, with the estimate, when a job on this scan file takes longer than ``limits.hours``."""
    allowed = settings.limits.hours
    if allowed is None:
        return
    frequency = wanted_frequencies(file, settings.frequencies)
    cores = len(os.sched_getaffinity(0))
    hours = job_seconds(file, settings) / 3600
    if hours > allowed:
        raise ScanDataError(
            f"{file.points} points and {len(frequency)} frequencies take about {hours:.2g} h on {cores} cores, "
            f"{allowed:g} h are allowed (limits.hours): lower fit.max_order, take fewer frequencies, set "
            'fit.estimator to "truncated", or allow more'
        )
