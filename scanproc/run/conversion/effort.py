"""How long a job will take, asked before it starts."""

from __future__ import annotations

import os
import time

import numpy as np

from scanproc.conventions import mode_count
from scanproc.errors import ScanDataError
from scanproc.files.stored.scan_file import ScanFile
from scanproc.run.conversion.preparation import wanted_frequencies
from scanproc.run.settings.conversion import Settings
from scanproc.steps.field.order import highest_order
from scanproc.steps.fit.plan import RUNGS, SAMPLES_PER_OCTAVE

PLAN_SHARE, FIT_SHARE = 0.9, 0.2
"""Work at a sample of the plan and at a frequency of the fit, over that of one least-squares fit at the highest order
tried, where the informed fit does not compete."""
PLAN_SECONDS, FIT_SECONDS, PAGE_SECONDS = 0.7, 0.1, 8.0
"""Smallest time of a sample, of a frequency, and of all that is done once, on one core."""
INFORMED_COLUMNS = 5000
INFORMED_PLAN_SHARE, INFORMED_FIT_SHARE = 0.6, 0.3
"""The same where it competes, over the work of a Gram matrix of so many columns at all points; on top of the times
below: what conversions of 170 to 3,800 points took, to within a factor of one and a half."""
INFORMED_PLAN_SECONDS, INFORMED_FIT_SECONDS = 1.2, 0.15
SIZE = 700


def expected_seconds(
    points: int, frequency_hz: np.ndarray, settings: Settings, flop_per_s: float, cores: int
) -> float:
    """Time of a conversion; a study of the points adds up to as much again."""
    octaves = float(np.log2(frequency_hz[-1] / frequency_hz[0]))
    samples = min(len(frequency_hz), int(np.ceil(octaves * SAMPLES_PER_OCTAVE)) + 1)
    order = settings.fit.order
    if settings.fit.estimator == "truncated" or isinstance(order, int):
        tried = min(highest_order(points, settings.fit.max_order), RUNGS[-1])
        whole = 8.0 * points * mode_count(order if isinstance(order, int) else tried) ** 2 / flop_per_s
        plan, fit = max(PLAN_SHARE * whole, PLAN_SECONDS), max(FIT_SHARE * whole, FIT_SECONDS)
    else:
        informed = 8.0 * points**2 * INFORMED_COLUMNS / flop_per_s
        plan = INFORMED_PLAN_SECONDS + INFORMED_PLAN_SHARE * informed
        fit = INFORMED_FIT_SECONDS + INFORMED_FIT_SHARE * informed
    both = (samples * plan + len(frequency_hz) * fit) * (2 if settings.points.in_convert else 1)
    return both / cores + PAGE_SECONDS


def flop_per_second() -> float:
    """Real floating-point operations a second in a complex matrix product here and now."""
    matrix = np.ones((SIZE, SIZE), dtype=np.complex128)
    start = time.perf_counter()
    matrix @ matrix
    return 8.0 * SIZE**3 / (time.perf_counter() - start)


def require_time(file: ScanFile, settings: Settings) -> None:
    """Raises ScanDataError, with the estimate, when a job on this scan file takes longer than ``limits.hours``."""
    allowed = settings.limits.hours
    if allowed is None:
        return
    frequency = wanted_frequencies(file, settings.frequencies)
    cores = len(os.sched_getaffinity(0))
    hours = expected_seconds(file.points, frequency, settings, flop_per_second(), cores) / 3600
    if hours > allowed:
        raise ScanDataError(
            f"{file.points} points and {len(frequency)} frequencies take about {hours:.2g} h on {cores} cores, "
            f"{allowed:g} h are allowed (limits.hours): lower fit.max_order, take fewer frequencies, set "
            'fit.estimator to "truncated", or allow more'
        )
