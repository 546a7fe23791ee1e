"""How many points are enough: parts of a scan fitted, judged, and carried on to more points."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Boolean, Integer, Real
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.records.study import Study
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.extrapolate import DB_PER_RELATIVE_ERROR
from scanproc.steps.field.order import highest_order
from scanproc.steps.fit.plan import Estimator, prepare
from scanproc.steps.points.law import Projection, by_curve, crossing, with_other
from scanproc.steps.points.more_points import by_posterior, complete_with_more_points
from scanproc.steps.points.needed import SAFETY_DB, needed_points
from scanproc.steps.points.subsets import spread_subset, subset_sizes
from scanproc.steps.points.tables import (
    by_band,
    by_order,
    curve_spread,
    orders_used,
    used_held_out,
    used_predicted,
    with_plans,
)
from scanproc.steps.points.trial import Stage, Trial, make_stages, run_trials, with_plan
from scanproc.waves.bands import third_octave_centre, third_octave_index

SECONDS_PER_POINT = 11.0
"""Common practice, no source: about 3,800 points in 12 hours."""
EASY_DB = 3.0
"""Where the truncated fits beat the target by this, nothing else is tried: the answer is yes already."""
CLOSER_DRAWS = 2
"""Subsets at most of the number of points that a band seems to need, where there are several of each size."""

Progress = Callable[[int, int], None]
"""Called with the number of subsets done and of all."""


@dataclass(frozen=True)
class StudyChoices:
    """Sizes from ``smallest_share`` of the points to all in equal ratios, ``draws`` subsets of each, judged at up to
    ``per_band`` frequencies in each third-octave band. Where a size misses the target by more than ``hopeless_db``,
    fewer points are fitted by truncation only, about the centre of all points."""

    sizes: int = 8
    draws: int = 5
    smallest_share: float = 0.1
    per_band: int = 3
    hopeless_db: float = 20.0
    seed: int = 0


def study(
    scan: Scan,
    *,
    target_db: float = -25.0,
    centre_m: ArrayLike | None = None,
    max_order: int | None = None,
    estimator: Estimator = "auto",
    driver_m: ArrayLike = (),
    plan: FitPlan | None = None,
    seconds_per_point: float | None = None,
    choices: StudyChoices = StudyChoices(),
    progress: Progress = lambda done, total: None,
    each: Each = in_turn,
) -> Study:
    """Errors by number of points, order and band, and the points that a far-field error of ``target_db`` takes.

    Each band is judged at a few of its frequencies: the error hardly changes within a third of an octave, so the
    rest would add time and nothing else. A ``plan`` for the frequencies of the scan spares finding centre and
    estimator again. Raises ScanDataError when the points are too few for any fit.
    """
    some = scan.take_frequencies(band_frequencies(scan.frequency_hz, choices.per_band))
    decide = partial(
        prepare, max_order=max_order, centre_m=centre_m, estimator=estimator, driver_m=driver_m, each=each
    )
    fit_plan = plan or decide(some)
    stages = make_stages(some, fit_plan, max_order)
    size = subset_sizes(scan.points, choices.sizes, choices.smallest_share)
    subsets = {int(count): choices.draws if count < scan.points else 1 for count in size}
    fits = _Fits(some, fit_plan, stages, decide, target_db, choices.seed, each)
    worth: Boolean = np.full(len(some.frequency_hz), estimator != "truncated")
    trials: dict[int, list[Trial]] = {}
    done = 0
    progress(done, sum(subsets.values()))
    for count, draws in reversed(subsets.items()):
        trials[count] = fits.of_size(count, draws, worth)
        error = np.min([trial.expansion.far_field_error_db for trial in trials[count]], axis=0)
        worth = worth & (error < min(target_db + choices.hopeless_db, 0))
        done += draws
        progress(done, sum(subsets.values()))
    time = seconds_per_point or pace_s(scan) or SECONDS_PER_POINT

    def model(frequency_hz: float, error_db: float) -> Projection | None:
        return by_posterior(scan.setup, fit_plan, frequency_hz, error_db, target_db)

    def complete(frequency_hz: float) -> bool:
        return complete_with_more_points(scan.setup, fit_plan, frequency_hz)

    def closer(members: Integer, count: int) -> float:
        part = some.take_frequencies(members)
        few = replace(fits, scan=part, stages=make_stages(part, fit_plan, max_order))
        again = few.of_size(
            count, min(choices.draws, CLOSER_DRAWS), np.full(len(members), estimator != "truncated")
        )
        error = np.stack([trial.expansion.far_field_error_db for trial in again])
        return float(by_band(error, [np.arange(len(members))]).mean())

    ordered = [trials[int(s)] for s in size]
    found = _gathered(
        some.frequency_hz,
        ordered,
        size,
        target_db,
        time,
        choices.draws,
        _Asked(closer, model, complete),
        each,
    )
    capped = max_order is not None and max_order < highest_order(scan.points)
    return (
        _without_projections(found, f"the order is capped at {max_order}, so that more points cannot help")
        if capped
        else found
    )


@dataclass(frozen=True, eq=False)
class _Fits:
    """How subsets of a scan are fitted: the plan for all its points, and how to decide one for fewer."""

    scan: Scan
    plan: FitPlan
    stages: Sequence[Stage]
    decide: Callable[[Scan], FitPlan]
    target_db: float
    seed: int
    each: Each

    def of_size(self, count: int, draws: int, worth: Boolean) -> list[Trial]:
        """The trials of so many subsets of ``count`` points.

        Where truncation does not do by the centre of all points, and where it is ``worth`` it (F,), the first subset
        has centre, orders and estimator found anew, as a scan of its size would. All points are fitted as the plan
        says wherever it takes the informed fit.
        """
        drawn = self.each(lambda draw: self._truncated(count, draw), range(draws))
        error = np.max([trial.expansion.far_field_error_db for _, trial in drawn], axis=0)
        easy: Boolean = error <= self.target_db - EASY_DB
        if count == self.scan.points:
            easy &= self.plan.informed[self.plan.at(self.scan.frequency_hz)] == 0
        tried: Boolean = worth & ~easy
        if not tried.any():
            return [trial for _, trial in drawn]
        plan = self.plan
        if count < self.scan.points:
            first, _ = drawn[0]
            plan = self.decide(self.scan.take_points(first).take_frequencies(np.flatnonzero(tried)))
        return self.each(lambda one: with_plan(one[1], self.scan, plan, one[0], tried, self.each), drawn)

    def _truncated(self, count: int, draw: int) -> tuple[Integer, Trial]:
        """The points chosen, and their truncated fits."""
        rng = np.random.default_rng([self.seed, count, draw])
        chosen = spread_subset(self.scan.setup, count, rng)
        return chosen, run_trials(self.stages, chosen, rng, self.each)


def band_frequencies(frequency_hz: Real, per_band: int) -> Integer:
    """Indices of up to ``per_band`` frequencies spread over each third-octave band."""
    band = third_octave_index(frequency_hz)
    picked = []
    for one in np.unique(band):
        inside = np.flatnonzero(band == one)
        share = (np.arange(per_band) + 0.5) / per_band
        picked.append(inside[np.minimum((share * len(inside)).astype(int), len(inside) - 1)])
    return np.unique(np.concatenate(picked))


def pace_s(scan: Scan) -> float | None:
    """Seconds per point by the scan's time stamps (the median step, so that pauses do not count), or None."""
    time = scan.setup.time_s
    if time is None or len(time) < 2:
        return None
    step = float(np.median(np.diff(np.sort(time))))
    return step if step > 0 else None


def curve_target_db(curve_db: float) -> float:
    """The far-field error at which levels have a standard error of ``curve_db`` where the level is the mean one."""
    return float(20 * np.log10(curve_db / DB_PER_RELATIVE_ERROR))


@dataclass(frozen=True, eq=False)
class _Asked:
    """What is asked of single bands. ``closer``: the predicted error at some frequencies with a number of points
    between the sizes; ``model``: a projection from frequency and error; ``complete``: whether a fit of enough points
    holds all that is radiated at a frequency."""

    closer: Callable[[Integer, int], float]
    model: Callable[[float, float], Projection | None]
    complete: Callable[[float], bool]


def _gathered(
    frequency: Real,
    trials: list[list[Trial]],
    size: Integer,
    target_db: float,
    seconds: float,
    draws: int,
    asked: _Asked,
    each: Each,
) -> Study:
    """Everything by size and band."""
    band = third_octave_index(frequency)
    bands = np.unique(band)
    members = [np.flatnonzero(band == one) for one in bands]
    predicted = [by_band(np.stack([t.expansion.far_field_error_db for t in one]), members) for one in trials]
    mean = np.stack([p.mean(axis=0) for p in predicted])
    spread = np.stack(
        [p.std(axis=0, ddof=1) if len(p) > 1 else np.full(len(bands), np.nan) for p in predicted]
    )
    centre = third_octave_centre(bands)
    sizes = size.astype(np.float64)
    between = [
        (index, int(np.ceil(crossing(sizes, column + SAFETY_DB, target_db))))
        for index, column in enumerate(mean.T)
        if draws > 1 and column[-1] + SAFETY_DB <= target_db < column[0] + SAFETY_DB
    ]
    seen = each(lambda one: asked.closer(members[one[0]], one[1]), between)
    looked = {index: (count, error) for (index, count), error in zip(between, seen, strict=True)}
    complete = np.array([asked.complete(float(frequency[m].mean())) for m in members])
    found = needed_points(sizes, mean, spread, centre, target_db, looked, complete)
    missed = np.flatnonzero(mean[-1] > target_db).tolist()
    told = each(lambda index: asked.model(float(frequency[members[index]].mean()), mean[-1, index]), missed)
    for index, by_model in zip(missed, told, strict=True):
        if by_model is not None:
            found[index] = with_other(by_model, found[index])
        elif found[index].reason and complete[index]:
            found[index] = by_curve(sizes, mean[:, index], target_db) or found[index]
    order = np.array([[int(np.median(orders_used(one)[:, m])) for m in members] for one in trials])
    return Study(
        target_db=target_db,
        band_hz=centre,
        size=size,
        draws=draws,
        held_out_db=with_plans(
            by_order(trials, "left_out_db", members), used_held_out, order, trials, members
        ),
        predicted_by_order_db=with_plans(
            by_order(trials, "predicted_db", members), used_predicted, order, trials, members
        ),
        predicted_db=mean,
        predicted_spread_db=spread,
        order=order,
        curve_spread_db=curve_spread(trials, members),
        needed=np.array([one.points for one in found]),
        needed_low=np.array([one.low for one in found]),
        needed_high=np.array([one.high for one in found]),
        reason=tuple(one.reason for one in found),
        seconds_per_point=seconds,
        points=int(size[-1]),
    )


def _without_projections(found: Study, reason: str) -> Study:
    """The study without numbers beyond the points tried."""
    beyond: Boolean = ~(found.needed <= found.points)
    reasons = tuple(reason if b else r for b, r in zip(beyond, found.reason, strict=True))
    return replace(
        found,
        needed=np.where(beyond, np.nan, found.needed),
        needed_low=np.where(beyond, np.nan, found.needed_low),
        needed_high=np.where(beyond, np.nan, found.needed_high),
        reason=reasons,
    )
