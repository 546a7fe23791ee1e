"""The fit of a scan file: a plan from a few frequencies, then all frequencies side by side."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import count
from typing import Any, TypeVar

import numpy as np
import scipy.linalg  # noqa: F401  its BLAS must be loaded before it is limited
from threadpoolctl import threadpool_limits

from scanproc.conventions import Real
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan
from scanproc.run.progress import Progress
from scanproc.run.settings.conversion import FitSettings
from scanproc.steps.each import Each, nobody, told
from scanproc.steps.fit.expand import fit_planned, pieces
from scanproc.steps.fit.placement import sensor_share
from scanproc.steps.fit.plan import prepare, sample_frequencies
from scanproc.steps.model.box import Box
from scanproc.steps.model.room_waves import Scattering

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


def in_threads(
    work: Callable[[Item], Outcome], items: Iterable[Item], done: Callable[[Outcome], None] = nobody
) -> list[Outcome]:
    """Results in the order of the items, one thread per core, each with a BLAS of one thread.

    Frequencies are independent and spend their time in BLAS and numpy, which let go of the interpreter; threads
    share the scan without copies.
    """
    with (
        threadpool_limits(limits=1, user_api="blas"),
        ThreadPoolExecutor(len(os.sched_getaffinity(0))) as cores,
    ):
        return told(cores.map(work, items), done)


def in_parts(each: Each, progress: Progress, what: str) -> Each:
    """The map ``each`` of a job of several loops, which tells how far each of them is."""
    parts = count(1)

    def run(
        work: Callable[[Item], Outcome], items: Iterable[Item], done: Callable[[Outcome], None] = nobody
    ) -> list[Outcome]:
        listed, name, counted = list(items), f"{what}, part {next(parts)}", count(1)
        progress(name, 0, len(listed))

        def heard(outcome: Outcome) -> None:
            progress(name, next(counted), len(listed))
            done(outcome)

        return each(work, listed, heard)

    return run


def make_plan(
    sample: Scan, frequency_hz: Real, settings: FitSettings, scattering: Scattering | None, each: Each
) -> FitPlan:
    """The plan for all frequencies from a scan that holds at least the sample frequencies."""
    return prepare(
        sample,
        frequency_hz=frequency_hz,
        place_m=settings.driver_m,
        scattering=scattering,
        each=each,
        **_choices(settings),
    )


def make_plan_like(
    sample: Scan, frequency_hz: Real, settings: FitSettings, known: FitPlan, each: Each
) -> FitPlan:
    """The plan for other sound of the same device at the same points: weights of its own, all else as is known.

    Its noise is no less than the sample states: sound that is all noise may suit a field that fits it exactly.
    """
    moved = sample
    if len(known.moved_m):
        position = sample.setup.position_m + known.moved_m
        moved = replace(sample, setup=replace(sample.setup, position_m=position))
    found = prepare(
        moved,
        frequency_hz=frequency_hz,
        place_m=() if known.truncated else known.place_m,
        scattering=None if known.scattering is None else Scattering(*known.scattering),
        box=Box(known.box_centre_m, known.box_size_m),
        find_positions=False,
        each=each,
        **_choices(settings),
    )
    if known.truncated:
        return found
    stated = sensor_share(sample.take_frequencies(sample_frequencies(sample.frequency_hz)))
    return replace(
        found,
        noise=np.fmax(found.noise, stated),
        position_error_m=known.position_error_m,
        level_error=known.level_error,
        moved_m=known.moved_m,
        moved_variance_m2=known.moved_variance_m2,
    )


def _choices(settings: FitSettings) -> dict[str, Any]:
    return {
        "order": None if settings.order == "auto" else settings.order,
        "max_order": settings.max_order,
        "centre_m": fixed_centre(settings),
        "estimator": settings.estimator,
    }


def fit_block(
    scan: Scan, plan: FitPlan, each: Each, progress: Callable[[int], None] | None = None
) -> Expansion:
    """The expansion of some frequencies of a scan; ``progress`` is told how many more are fitted."""

    def done(part: Expansion) -> None:
        if progress is not None:
            progress(len(part.frequency_hz))

    parts = [scan.take_frequencies(piece) for piece in pieces(scan.frequency_hz, plan)]
    return join(each(partial(fit_planned, plan=plan), parts, done))


def fixed_centre(settings: FitSettings) -> tuple[float, ...] | None:
    """The expansion centre that the settings ask for, or None for the middle of the device."""
    if settings.centre_m == "auto":
        return None
    return (0.0, 0.0, 0.0) if settings.centre_m == "origin" else tuple(settings.centre_m)
