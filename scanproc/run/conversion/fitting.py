"""The fit of a scan file: a plan from a few frequencies, then all frequencies side by side."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

import dask
import numpy as np
import scipy.linalg  # noqa: F401  its BLAS must be loaded before it is limited
from threadpoolctl import threadpool_limits

from scanproc.records.expansion import Expansion, join
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.run.settings.conversion import FitSettings
from scanproc.steps.each import Each, in_turn
from scanproc.steps.fit.expand import fit_planned, pieces
from scanproc.steps.fit.plan import prepare

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


_alone: ContextVar[Each | None] = ContextVar("alone", default=None)


@contextmanager
def one_after_another(each: Each = in_turn) -> Iterator[None]:
    """For work that is spread over processes already: no threads of its own, ``each`` maps in their place."""
    token = _alone.set(each)
    try:
        yield
    finally:
        _alone.reset(token)


def in_threads(work: Callable[[Item], Outcome], items: Iterable[Item]) -> list[Outcome]:
    """Results in the order of the items, one thread per core, each with a BLAS of one thread.

    Frequencies are independent and spend their time in BLAS and numpy, which let go of the interpreter; threads
    share the scan without copies. Inside :func:`one_after_another` there is no thread but this.
    """
    alone = _alone.get()
    if alone is not None:
        return alone(work, items)
    listed, cores = list(items), len(os.sched_getaffinity(0))
    own = _in_its_thread(work) if len(listed) >= cores else work
    calls = [dask.delayed(own, pure=False)(item) for item in listed]
    with threadpool_limits(limits=1, user_api="blas"):
        return list(dask.compute(*calls, scheduler="threads", num_workers=cores))


def _in_its_thread(work: Callable[[Item], Outcome]) -> Callable[[Item], Outcome]:
    """The work without threads of its own, for as many items as keep all cores busy."""

    def one(item: Item) -> Outcome:
        with one_after_another():
            return work(item)

    return one


def make_plan(sample: Scan, frequency_hz: np.ndarray, settings: FitSettings) -> FitPlan:
    """The plan for all frequencies from a scan that holds at least the sample frequencies."""
    return prepare(
        sample,
        frequency_hz=frequency_hz,
        order=None if settings.order == "auto" else settings.order,
        max_order=settings.max_order,
        centre_m=fixed_centre(settings),
        estimator=settings.estimator,
        driver_m=settings.driver_m,
        each=in_threads,
    )


def fit_block(scan: Scan, plan: FitPlan, progress: Callable[[int], None] | None = None) -> Expansion:
    """The expansion of some frequencies of a scan; ``progress`` is told how many more are fitted."""

    def one(piece: slice) -> Expansion:
        expansion = fit_planned(scan.take_frequencies(piece), plan)
        if progress is not None:
            progress(len(expansion.frequency_hz))
        return expansion

    return join(in_threads(one, pieces(scan.frequency_hz, plan)))


def fixed_centre(settings: FitSettings) -> tuple[float, ...] | None:
    """The expansion centre that the settings ask for, or None to have it found."""
    if settings.centre_m == "auto":
        return None
    return (0.0, 0.0, 0.0) if settings.centre_m == "origin" else tuple(settings.centre_m)
