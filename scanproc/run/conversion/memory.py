"""Whether a job fits into memory, asked before it starts."""

from __future__ import annotations

import os

import psutil

from scanproc.conventions import mode_count
from scanproc.errors import ScanDataError
from scanproc.files.stored.scan_file import ScanFile
from scanproc.run.conversion.preparation import wanted_frequencies
from scanproc.run.settings.conversion import Settings
from scanproc.steps.field.order import highest_order
from scanproc.steps.fit.places import MOST_PLACES
from scanproc.steps.fit.weights import MOST_LEARNING_POINTS
from scanproc.steps.model.degrees import SHARES
from scanproc.steps.model.field_model import model_columns
from scanproc.steps.model.multipoles import LOW_DEGREES

GIB = 2**30
PROGRAM_BYTES = 0.3 * GIB
"""Libraries, tables, the page."""
BLOCK_BYTES = 128 * 2**20
"""Pressures fitted at once."""
COPIES_OF_BLOCK, COPIES_OF_COLUMNS = 4, 3
"""A block as read, corrected, transformed and fitted; columns as made, factorised and in use."""
BLOCKS = 8 + len(SHARES)
"""Blocks beside those about the places."""
COMPLEX = 16


def estimated_bytes(points: int, frequencies: int, samples: int, settings: Settings, threads: int) -> float:
    """Memory that a conversion or a study of points needs at its peak.

    Per thread one frequency: points x columns, those of a fixed order or those of the model, K and
    its factor, and what weights are learnt from. An upper bound:
    measured peaks lay between half of it and all of it.
    """
    fit = settings.fit
    order = fit.order if isinstance(fit.order, int) else highest_order(points, fit.max_order)
    columns, learning = mode_count(order), 0
    if fit.estimator != "truncated" and not isinstance(fit.order, int):
        places = len(fit.driver_m) or MOST_PLACES
        columns = model_columns(points, places)
        learning = 2 * (BLOCKS + len(LOW_DEGREES) * places) * min(points, MOST_LEARNING_POINTS) ** 2
    each = COMPLEX * (learning + columns * (COPIES_OF_COLUMNS * points + 2 * min(columns, points)))
    whole = COMPLEX * points * max(frequencies, samples / 2)
    return PROGRAM_BYTES + COPIES_OF_BLOCK * min(whole, BLOCK_BYTES) + threads * each


SURELY = 0.5
"""Measured peaks were never below this share of the estimate."""


def require_memory(file: ScanFile, settings: Settings) -> None:
    """Raises ScanDataError, with the estimate, when a job on this scan file cannot fit into memory."""
    needed, what = _estimate(file, settings, len(os.sched_getaffinity(0)))
    allowed = settings.limits.memory_gib
    have = psutil.virtual_memory().available if allowed is None else allowed * GIB
    if needed <= have:
        return
    source = "are free" if allowed is None else "are allowed (limits.memory_gib)"
    raise ScanDataError(
        f"{what} need about {needed / GIB:.1f} GiB of memory, {have / GIB:.1f} GiB {source}: "
        'lower fit.max_order, set fit.estimator to "truncated", use fewer cores, or free memory'
    )


def require_memory_of_worker(file: ScanFile, settings: Settings, worker_bytes: int | None) -> None:
    """Raises ScanDataError, with the estimate, when a worker of a batch that may use so much surely cannot do it."""
    needed, what = _estimate(file, settings, 1)
    allowed = settings.limits.memory_gib
    if allowed is not None and needed > allowed * GIB:
        raise ScanDataError(
            f"{what} need about {needed / GIB:.1f} GiB of memory, {allowed:.1f} GiB are allowed "
            '(limits.memory_gib): lower fit.max_order, set fit.estimator to "truncated", or allow more'
        )
    if worker_bytes and SURELY * needed > worker_bytes:
        raise ScanDataError(
            f"{what} need {SURELY * needed / GIB:.1f} GiB of memory or more, a worker has "
            f"{worker_bytes / GIB:.1f} GiB: "
            'lower fit.max_order, set fit.estimator to "truncated", or give fewer workers more memory'
        )


def _estimate(file: ScanFile, settings: Settings, threads: int) -> tuple[float, str]:
    """Bytes, and of how much work."""
    samples = file.samples if file.kind == "impulse responses" else 0
    frequencies = len(wanted_frequencies(file, settings.frequencies))
    needed = estimated_bytes(file.points, frequencies, samples, settings, threads)
    return needed, f"{file.points} points and {frequencies} frequencies"
