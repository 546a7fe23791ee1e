"""How many points are enough: parts of a scan fitted, judged, and carried on to more points."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Boolean, Integer, Real
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.records.study import Study
from scanproc.steps.each import Each, in_turn
from scanproc.steps.extrapolate import DB_PER_RELATIVE_ERROR, far_field
from scanproc.steps.more_points import by_posterior
from scanproc.steps.order_choice import highest_order
from scanproc.steps.points_law import (
    NORMAL_95,
    Projection,
    by_curve,
    carried_on,
    crossing,
    project,
    with_other,
)
from scanproc.steps.prepare import Estimator, prepare
from scanproc.steps.subsets import spread_subset, subset_sizes
from scanproc.steps.trial import Stage, Trial, make_stages, run_trials, with_plan
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.directions import horizontal_orbit, vertical_orbit

SECONDS_PER_POINT = 11.0
"""Common practice, no source: about 3,800 points in 12 hours."""
SAFETY_DB = 2.0
"""A number of points below that of the scan counts as enough when the predicted error is this far below the target:
fresh scans scatter, by 1.8 dB (standard deviation) about what a study predicts for their number of points. Numbers
beyond the scan are the likeliest ones, without it, and have an interval."""
USUAL_SPREAD_DB = 0.7
"""Standard deviation over draws that is assumed at least; one or two draws say little."""
EASY_DB = 3.0
"""Where the truncated fits beat the target by this, nothing else is tried: the answer is yes already."""
CLOSER_DRAWS = 2
"""Subsets at most of the number of points that a band seems to need, where there are several of each size."""
ORBIT_STEP_DEG = 10
DEEPEST_LEVEL_DB = -20.0
"""Curves are compared where they lie no farther than this below the strongest direction."""

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

    def closer(members: Integer, count: int) -> float:
        part = some.take_frequencies(members)
        few = replace(fits, scan=part, stages=make_stages(part, fit_plan, max_order))
        again = few.of_size(
            count, min(choices.draws, CLOSER_DRAWS), np.full(len(members), estimator != "truncated")
        )
        error = np.stack([trial.expansion.far_field_error_db for trial in again])
        return float(_by_band(error, [np.arange(len(members))]).mean())

    ordered = [trials[int(s)] for s in size]
    found = _gathered(some.frequency_hz, ordered, size, target_db, time, choices.draws, closer, model, each)
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
        has centre, orders and estimator found anew, as a scan of its size would.
        """
        drawn = self.each(lambda draw: self._truncated(count, draw), range(draws))
        error = np.max([trial.expansion.far_field_error_db for _, trial in drawn], axis=0)
        tried: Boolean = worth & ~(error <= self.target_db - EASY_DB)
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


def _gathered(
    frequency: Real,
    trials: list[list[Trial]],
    size: Integer,
    target_db: float,
    seconds: float,
    draws: int,
    closer: Callable[[Integer, int], float],
    model: Callable[[float, float], Projection | None],
    each: Each,
) -> Study:
    """Everything by size and band.

    ``closer``: the predicted error at some frequencies with a number of points between the sizes; ``model``: a
    projection from frequency and error.
    """
    band = third_octave_index(frequency)
    bands = np.unique(band)
    members = [np.flatnonzero(band == one) for one in bands]
    predicted = [_by_band(np.stack([t.expansion.far_field_error_db for t in one]), members) for one in trials]
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
    seen = each(lambda one: closer(members[one[0]], one[1]), between)
    looked = {index: (count, error) for (index, count), error in zip(between, seen, strict=True)}
    found = _needed(sizes, mean, spread, centre, target_db, looked)
    missed = np.flatnonzero(mean[-1] > target_db).tolist()
    told = each(lambda index: model(float(frequency[members[index]].mean()), mean[-1, index]), missed)
    for index, by_model in zip(missed, told, strict=True):
        if by_model is not None:
            found[index] = with_other(by_model, found[index])
        elif found[index].reason:
            found[index] = by_curve(sizes, mean[:, index], target_db) or found[index]
    order = np.array([[int(np.median(_orders(one)[:, m])) for m in members] for one in trials])
    return Study(
        target_db=target_db,
        band_hz=centre,
        size=size,
        draws=draws,
        held_out_db=_with_plans(
            _by_order(trials, "left_out_db", members), _used_held_out, order, trials, members
        ),
        predicted_by_order_db=_with_plans(
            _by_order(trials, "predicted_db", members), _used_predicted, order, trials, members
        ),
        predicted_db=mean,
        predicted_spread_db=spread,
        order=order,
        curve_spread_db=_curve_spread(trials, members),
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


def _by_band(error_db: Real, members: list[Integer]) -> Real:
    """Power means over the frequencies of each band, dB: (draws, F) to (draws, bands)."""
    power = 10 ** (error_db / 10)
    return 10 * np.log10(np.stack([power[:, m].mean(axis=1) for m in members], axis=1))


def _by_order(trials: list[list[Trial]], name: str, members: list[Integer]) -> Real:
    """Errors (orders, F) of that name as (sizes, orders, bands), NaN above the orders of a size."""
    orders = max(len(getattr(one[0], name)) for one in trials)
    table = np.full((len(trials), orders, len(members)), np.nan)
    for row, one in zip(table, trials, strict=True):
        power = _mean_power([getattr(trial, name) for trial in one])
        for column, inside in enumerate(members):
            row[: len(power), column] = 10 * np.log10(power[:, inside].mean(axis=1))
    return table


def _with_plans(
    table: Real,
    used: Callable[[Trial], Real],
    order: Integer,
    trials: list[list[Trial]],
    members: list[Integer],
) -> Real:
    """The table with the error of the fits by plans at their order, where they were taken."""
    tall = np.pad(
        table, ((0, 0), (0, max(0, int(order.max()) + 1 - table.shape[1])), (0, 0)), constant_values=np.nan
    )
    for row, one in enumerate(trials):
        error = np.stack([used(trial) for trial in one])
        by_plan = np.stack([trial.by_plan for trial in one])
        for column, inside in enumerate(members):
            if by_plan[:, inside].any():
                tall[row, order[row, column], column] = 10 * np.log10(np.mean(10 ** (error[:, inside] / 10)))
    return tall


def _used_held_out(trial: Trial) -> Real:
    """Held-out error of what was used at each frequency, (F,)."""
    found = trial.expansion
    used: Real = np.take_along_axis(found.held_out_db, found.order[None], axis=0)[0]
    return used


def _used_predicted(trial: Trial) -> Real:
    return trial.expansion.far_field_error_db


def _mean_power(error_db: list[Real]) -> Real:
    """Mean over draws that tried every order, (orders, F)."""
    orders = min(len(one) for one in error_db)
    power: Real = np.mean([10 ** (one[:orders] / 10) for one in error_db], axis=0)
    return power


def _orders(trials: list[Trial]) -> Integer:
    return np.stack([trial.expansion.order for trial in trials])


def _curve_spread(trials: list[list[Trial]], members: list[Integer]) -> Real:
    """Rms departure of the levels on both orbits from those of all points, dB, (sizes, bands)."""
    angle = np.arange(0, 360, ORBIT_STEP_DEG)
    direction = np.concatenate([horizontal_orbit(angle), vertical_orbit(angle)])
    all_points = np.abs(far_field(trials[-1][0].expansion, direction))
    loud = all_points > 10 ** (DEEPEST_LEVEL_DB / 20) * all_points.max(axis=0)
    squared = []
    for one in trials:
        levels = [np.abs(far_field(trial.expansion, direction)) for trial in one]
        departure = [20 * np.log10(np.maximum(level, 1e-300) / all_points) for level in levels]
        squared.append(np.mean([np.sum(d**2 * loud, axis=0) / loud.sum(axis=0) for d in departure], axis=0))
    return np.sqrt(np.stack([[row[m].mean() for m in members] for row in squared]))


def _needed(
    size: Real,
    mean: Real,
    spread: Real,
    frequency: Real,
    target_db: float,
    looked: Mapping[int, tuple[int, float]],
) -> list[Projection]:
    """Points for the target in each band: read from the table, or carried on from other bands.

    ``looked``: for some bands one more number of points, between the sizes, and its error: errors fall ever faster
    with more points, so that a straight line from size to size promises too much.

    A band that all points serve, though without the safety, asks for all of them: no fresh scan has to be as lucky.
    """
    served: Boolean = mean[-1] <= target_db
    wide = NORMAL_95 * np.maximum(_filled(spread), USUAL_SPREAD_DB)

    def crossings(shift_db: Real) -> Real:
        columns = zip(mean.T, shift_db.T, strict=True)
        return np.array([_crossing(size, c, target_db, looked.get(b), s) for b, (c, s) in enumerate(columns)])

    middle, low, high = (crossings(SAFETY_DB + side * wide) for side in (0, -1, 1))
    likely = crossings(0 * wide)
    inside: Boolean = (likely > size[0]) & (likely <= size[-1])
    found = []
    for index, points in enumerate(middle):
        if np.isnan(points) and served[index]:
            found.append(Projection(size[-1], low[index] if np.isfinite(low[index]) else size[-1], size[-1]))
        elif np.isnan(points):
            by_law = project(frequency, likely, inside, frequency[index])
            found.append(carried_on(by_law, size, mean[:, index], target_db))
        else:
            top = high[index] if np.isfinite(high[index]) else float(size[-1])
            found.append(Projection(points, low[index], max(top, points)))
    return found


def _crossing(
    size: Real, error_db: Real, target_db: float, looked: tuple[int, float] | None, shift_db: Real
) -> float:
    """As :func:`crossing` with the errors shifted, and with one more size where one was looked at."""
    error = error_db + shift_db
    if looked is not None and looked[0] not in size:
        at = int(np.searchsorted(size, looked[0]))
        size = np.insert(size, at, looked[0])
        error = np.insert(error, at, looked[1] + shift_db[at])
    return crossing(size, error, target_db)


def _filled(spread: Real) -> Real:
    """Spreads with those of the size before where one draw shows none; zero where nothing is known."""
    filled = spread.copy()
    for row in range(1, len(filled)):
        missing = np.isnan(filled[row])
        filled[row, missing] = filled[row - 1, missing]
    return np.nan_to_num(filled)
