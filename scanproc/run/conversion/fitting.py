"""The fit of a scan file: a plan from a few frequencies, then all frequencies side by side."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from typing import TypeVar

import scipy.linalg  # noqa: F401  its BLAS must be loaded before it is limited
from threadpoolctl import threadpool_limits

from scanproc.conventions import Real
from scanproc.records.expansion import Expansion, join
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.run.progress import Progress
from scanproc.run.settings.conversion import FitSettings
from scanproc.steps.each import Each
from scanproc.steps.fit.expand import fit_planned, pieces
from scanproc.steps.fit.plan import prepare
from scanproc.steps.fit.room_waves import Scattering

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


def in_threads(work: Callable[[Item], Outcome], items: Iterable[Item]) -> list[Outcome]:
    """Results in the order of the items, one thread per core, each with a BLAS of one thread.

    Frequencies are independent and spend their time in BLAS and numpy, which let go of the interpreter; threads
    share the scan without copies.
    """
    with (
        threadpool_limits(limits=1, user_api="blas"),
        ThreadPoolExecutor(len(os.sched_getaffinity(0))) as cores,
    ):
        return list(cores.map(work, items))


def in_parts(each: Each, progress: Progress, what: str) -> Each:
    """The map ``each`` of a job of several loops, which tells how far each of them is."""
    parts = count(1)

    def run(work: Callable[[Item], Outcome], items: Iterable[Item]) -> list[Outcome]:
        listed, name, done = list(items), f"{what}, part {next(parts)}", count(1)
        progress(name, 0, len(listed))

        def one(item: Item) -> Outcome:
            outcome = work(item)
            progress(name, next(done), len(listed))
            return outcome

        return each(one, listed)

    return run


def make_plan(
    sample: Scan, frequency_hz: Real, settings: FitSettings, scattering: Scattering | None, each: Each
) -> FitPlan:
    """The plan for all frequencies from a scan that holds at least the sample frequencies."""
    return prepare(
        sample,
        frequency_hz=frequency_hz,
        order=None if settings.order == "auto" else settings.order,
        max_order=settings.max_order,
        centre_m=fixed_centre(settings),
        estimator=settings.estimator,
        place_m=settings.driver_m,
        scattering=scattering,
        each=each,
    )


def fit_block(
    scan: Scan, plan: FitPlan, each: Each, progress: Callable[[int], None] | None = None
) -> Expansion:
    """The expansion of some frequencies of a scan; ``progress`` is told how many more are fitted."""

    def one(piece: slice) -> Expansion:
        expansion = fit_planned(scan.take_frequencies(piece), plan)
        if progress is not None:
            progress(len(expansion.frequency_hz))
        return expansion

    return join(each(one, pieces(scan.frequency_hz, plan)))


def fixed_centre(settings: FitSettings) -> tuple[float, ...] | None:
    """The expansion centre that the settings ask for, or None for the middle of the device."""
    if settings.centre_m == "auto":
        return None
    return (0.0, 0.0, 0.0) if settings.centre_m == "origin" else tuple(settings.centre_m)
