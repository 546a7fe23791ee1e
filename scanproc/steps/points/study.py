"""How many points are enough: told by the posterior variance, checked by fits of parts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from typing import Any, TypeVar

import numpy as np
from scipy.stats import t as student

from scanproc.conventions import Integer, Real
from scanproc.records.answers.study import Study, correction_db
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.each import Each, in_turn, nobody
from scanproc.steps.field.extrapolate import DB_PER_RELATIVE_ERROR
from scanproc.steps.field.order import choose_orders
from scanproc.steps.model.box import Box, heard_at
from scanproc.steps.points.bands import Band, Told, beyond, formula_of, refit_db, tell, what_limits
from scanproc.steps.points.by_order import order_tables
from scanproc.steps.points.curve import crossing
from scanproc.steps.points.like_these import like_these
from scanproc.steps.points.subsets import spread_subset, subset_sizes
from scanproc.waves.bands import third_octave_centre, third_octave_index

SECONDS_PER_POINT = 10.0
"""A round assumption where a scan has no time stamps: move, settle, play. 4,000 points then take 11 hours."""
REFIT_BANDS = 6
"""At most, first those that meet the target with fewer points than all."""
NEAREST_BANDS = 3
"""Bands without refits are as doubtful as what was told in so many with them, those nearest to the target."""
REFIT_SHARES = (0.5, 0.25)
"""Parts of the points that are fitted anew."""
TAIL = 0.975
NORMAL_95 = 1.96
ONLY_TRUNCATED = "least squares alone tells nothing beyond the points taken: fit the whole model"

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")
Progress = Callable[[int, int], None]
"""Called with the number of bands done and of all."""


@dataclass(frozen=True)
class StudyChoices:
    """Sizes from ``smallest_share`` of the points to all in equal ratios, ``draws`` parts of each."""

    sizes: int = 8
    draws: int = 5
    smallest_share: float = 0.1
    seed: int = 0


@dataclass(frozen=True, eq=False)
class _Parts:
    """``size`` (S,) rising and parts of each, the last all points."""

    size: Integer
    chosen: tuple[tuple[Integer, ...], ...]

    @property
    def every(self) -> list[Integer]:
        """All but the whole."""
        return [one for row in self.chosen[:-1] for one in row]

    def means_db(self, told: Told) -> tuple[Real, Real]:
        """Power means over the parts of each size, and their standard deviation, (S,)."""
        rows = np.split(told.parts_db, np.cumsum([len(row) for row in self.chosen[:-1]])[:-1])
        mean = [10 * np.log10(np.mean(10 ** (row / 10))) for row in rows if len(row)]
        spread = [np.std(row, ddof=1) if len(row) > 1 else np.nan for row in rows if len(row)]
        return np.array([*mean, told.error_db]), np.array([*spread, np.nan])


@dataclass(frozen=True)
class _Refit:
    band: int
    size: int
    told_db: float
    found_db: float

    @property
    def off_db(self) -> float:
        return self.found_db - self.told_db

    def halvings(self, size: Integer) -> float:
        """How often the last of some sizes would have to be halved."""
        return float(np.log2(size[-1] / self.size))


@dataclass(frozen=True, eq=False)
class _Need:
    """Points with a 95 % interval; NaN with a ``reason`` where there is no answer, and with what limits the band where
    no number tried serves it. ``size`` and ``error_db`` (K,): what that was read from."""

    points: float = np.nan
    low: float = np.nan
    high: float = np.nan
    reason: str = ""
    size: Real = field(default_factory=lambda: np.empty(0))
    error_db: Real = field(default_factory=lambda: np.empty(0))
    limit: str = ""
    left_db: float = np.nan


@dataclass(frozen=True, eq=False)
class _Curve:
    """Errors (S,) by number of points (S,), and their standard deviation over parts."""

    size: Real
    error_db: Real
    spread_db: Real


@dataclass(frozen=True, eq=False)
class _Answer:
    """``mean_db`` and ``spread_db`` (S, B), a need for each band."""

    mean_db: Real
    spread_db: Real
    needs: Sequence[_Need]
    refits: Sequence[_Refit]
    draws: int


def study(
    heard: Sequence[tuple[Scan, FitPlan]],
    *,
    target_db: float = -25.0,
    seconds_per_point: float | None = None,
    choices: StudyChoices = StudyChoices(),
    progress: Progress = lambda done, total: None,
    each: Each = in_turn,
) -> Study:
    """Errors by number of points and band, and the points that a far-field error of ``target_db`` takes.

    ``heard``: one frequency for each band as it is fitted (see :func:`band_middles`), rising, with the plan of the
    fit; several where the sound is not the same for all. Raises ScanDataError when the points are too few.
    """
    setup = heard[0][0].setup
    parts = _parts(setup, choices)
    first = [row[0] for row in parts.chosen]
    frequency = np.concatenate([scan.frequency_hz for scan, _ in heard])
    progress(0, len(frequency))
    held_out, by_order = order_tables(heard, first, each)
    order = np.stack([choose_orders(table, frequency) for table in held_out])
    centre = third_octave_centre(third_octave_index(frequency))
    bands = [Band(scan, plan, index) for scan, plan in heard for index in range(len(scan.frequency_hz))]
    if heard[0][1].truncated:
        order[-1] = [band.plan.order[band.plan.at(band.scan.frequency_hz)[band.index]] for band in bands]
        answer = _truncated(by_order, order, parts, target_db)
    else:
        answer = _modelled(bands, parts, target_db, _counted(each, progress, len(bands)), each)
    needs, refits = answer.needs, answer.refits
    return Study(
        target_db=target_db,
        band_hz=centre,
        size=parts.size,
        draws=answer.draws,
        held_out_db=held_out,
        predicted_by_order_db=by_order,
        predicted_db=answer.mean_db,
        predicted_spread_db=answer.spread_db,
        order=order,
        **_told(needs),
        refit_size=np.array([one.size for one in refits], dtype=np.int64),
        refit_band_hz=centre[np.array([one.band for one in refits], dtype=np.int64)],
        refit_told_db=np.array([one.told_db for one in refits]),
        refit_db=np.array([one.found_db for one in refits]),
        seconds_per_point=seconds_per_point or pace_s(setup) or SECONDS_PER_POINT,
        points=setup.points,
        place_error_m=heard[-1][1].position_error_m,
    )


def _told(needs: Sequence[_Need]) -> dict[str, Any]:
    """What a study says of the points that its bands take."""
    return {
        "needed": np.array([one.points for one in needs]),
        "needed_low": np.array([one.low for one in needs]),
        "needed_high": np.array([one.high for one in needs]),
        "reason": tuple(one.reason for one in needs),
        "curve_size": _padded([one.size for one in needs]),
        "curve_db": _padded([one.error_db for one in needs]),
        "limit": tuple(one.limit for one in needs),
        "left_db": np.array([one.left_db for one in needs]),
    }


def _padded(columns: Sequence[Real]) -> Real:
    """Columns of unlike length beside each other, NaN below."""
    found = np.full((max(len(one) for one in columns), len(columns)), np.nan)
    for at, one in enumerate(columns):
        found[: len(one), at] = one
    return found


def pace_s(setup: ScanSetup) -> float | None:
    """Seconds per point by the scan's time stamps (the median step, so that pauses do not count), or None."""
    if setup.time_s is None or len(setup.time_s) < 2:
        return None
    step = float(np.median(np.diff(np.sort(setup.time_s))))
    return step if step > 0 else None


def curve_target_db(curve_db: float) -> float:
    """The far-field error at which levels have a standard error of ``curve_db`` where the level is the mean one."""
    return float(20 * np.log10(curve_db / DB_PER_RELATIVE_ERROR))


def _parts(setup: ScanSetup, choices: StudyChoices) -> _Parts:
    size = subset_sizes(setup.points, choices.sizes, choices.smallest_share)

    def part(number: int, draw: int) -> Integer:
        return spread_subset(setup, number, np.random.default_rng([choices.seed, number, draw]))

    rows = [tuple(part(int(number), draw) for draw in range(choices.draws)) for number in size[:-1]]
    return _Parts(size, (*rows, (np.arange(setup.points),)))


def _truncated(by_order_db: Real, order: Integer, parts: _Parts, target_db: float) -> _Answer:
    """What fits by least squares alone say: nothing beyond the points taken."""
    mean = np.take_along_axis(by_order_db, order[:, None, :], axis=1)[:, 0]
    needs = [_within(parts.size, column, target_db) for column in mean.T]
    return _Answer(mean, np.full(mean.shape, np.nan), needs, [], 1)


def _modelled(bands: Sequence[Band], parts: _Parts, target_db: float, counted: Each, each: Each) -> _Answer:
    """What the formula says, with as much doubt as fits of parts leave."""
    told = counted(lambda band: tell(band, parts.every), bands)
    means = [parts.means_db(one) for one in told]
    mean, spread = (np.stack([one[i] for one in means], axis=1) for i in range(2))
    inside = np.flatnonzero((mean[0] > target_db) & (mean[-1] <= target_db))
    refits = _refits(bands, told, parts, target_db, inside.tolist(), each)
    by_band = {b: [one for one in refits if one.band == b] for b in sorted({one.band for one in refits})}
    for b, own in by_band.items():
        mean[:, b] += correction_db(parts.size, [(one.size, one.off_db) for one in own], int(parts.size[-1]))
    nearest = sorted(by_band, key=lambda b: abs(told[b].error_db - target_db))[:NEAREST_BANDS]
    told_only = _doubt_db([one.off_db / one.halvings(parts.size) for b in nearest for one in by_band[b]])
    corrected = _doubt_db([off for own in by_band.values() for off in _left_out_db(parts.size, own)])
    more = _more(bands[0])

    def need(b: int) -> _Need:
        curve = _Curve(parts.size.astype(np.float64), mean[:, b], spread[:, b])
        return _need(bands[b], told[b], curve, target_db, corrected if b in by_band else told_only, more)

    return _Answer(mean, spread, each(need, range(len(bands))), refits, len(parts.chosen[0]))


def _refits(
    bands: Sequence[Band],
    told: Sequence[Told],
    parts: _Parts,
    target_db: float,
    inside: Sequence[int],
    each: Each,
) -> list[_Refit]:
    """Parts of two sizes fitted anew, where something is told for them: in bands that meet the target ``inside`` the
    scan, then in those nearest to it."""
    known = [b for b, one in enumerate(told) if not one.reason]
    near = sorted(known, key=lambda b: (b not in inside, abs(told[b].error_db - target_db)))
    near = sorted(near[:REFIT_BANDS])
    rows = {int(np.abs(np.log(parts.size[:-1] / (s * parts.size[-1]))).argmin()) for s in REFIT_SHARES}
    first = np.cumsum([0, *(len(row) for row in parts.chosen[:-1])])
    wanted = [(b, row, float(told[b].parts_db[first[row]])) for b in near for row in sorted(rows)]
    wanted = [(b, row, error) for b, row, error in wanted if error < 0]
    found = each(lambda one: refit_db(bands[one[0]], told[one[0]], parts.chosen[one[1]][0]), wanted)
    return [
        _Refit(b, int(parts.size[row]), error, refit)
        for (b, row, error), refit in zip(wanted, found, strict=True)
    ]


def _left_out_db(size: Integer, refits: Sequence[_Refit]) -> list[float]:
    """By how much each refit of a band departs from what the others of it correct there, for each halving of all."""
    left = []
    for one in refits:
        others = [(other.size, other.off_db) for other in refits if other is not one]
        left.append(
            (one.off_db - float(correction_db(np.array([one.size]), others, int(size[-1]))[0]))
            / one.halvings(size)
        )
    return left


def _doubt_db(off_db: Sequence[float]) -> float:
    """By how much a told error may be wrong, either way, with 95 % confidence, for each doubling or halving.

    The error of all points is known. Infinite where nothing was fitted.
    """
    if not off_db:
        return np.inf
    return float(student.ppf(TAIL, len(off_db)) * np.sqrt(np.mean(np.square(off_db))))


def _need(
    band: Band, told: Told, curve: _Curve, target_db: float, doubt_db: float, more: Callable[[int], Real]
) -> _Need:
    """The points that a band takes, among those tried and beyond; ``doubt_db`` for each doubling or halving."""
    if told.reason:
        return _Need(reason=told.reason)
    spread = NORMAL_95 * curve.spread_db[np.isfinite(curve.spread_db)].max(initial=0.0)
    surely = target_db - (float(np.hypot(doubt_db, spread)) if np.isfinite(doubt_db) else 0.0)
    size, error = curve.size, curve.error_db
    if told.error_db > surely:
        larger, there = beyond(formula_of(band, told), band.scan.points, target_db, surely, more)
        size, error = np.append(size, larger), np.append(error, there)
    points = crossing(size, error, target_db)
    if np.isnan(points):
        reason = f"{size[-1]:,.0f} points would bring {error[-1]:.0f} dB, more were not tried"
        cause, left_db = what_limits(band, told, more(round(size[-1])), float(error[-1]))
        return _Need(reason=reason, size=size, error_db=error, limit=cause, left_db=left_db)
    if not np.isfinite(doubt_db):
        return _Need(points, size=size, error_db=error)
    shift = np.hypot(doubt_db * np.log2(size / curve.size[-1]), spread)
    low, high = (crossing(size, error + side * shift, target_db) for side in (-1, 1))
    return _Need(points, low, high, size=size, error_db=error)


def _within(size: Integer, error_db: Real, target_db: float) -> _Need:
    """Among the sizes fitted by least squares alone, with the sizes around as interval."""
    tried = size.astype(np.float64)
    points = crossing(tried, error_db, target_db)
    if np.isnan(points):
        return _Need(reason=ONLY_TRUNCATED)
    at = int(np.searchsorted(size, points))
    return _Need(points, float(size[max(at - 1, 0)]), float(size[at]), size=tried, error_db=error_db)


def _more(band: Band) -> Callable[[int], Real]:
    """Positions of more points on the surface of a scan, as the model takes them."""
    heard = heard_at(band.scan, Box(band.plan.box_centre_m, band.plan.box_size_m))
    layer = band.scan.setup.layer
    return partial(like_these, heard, layer)


def _counted(each: Each, progress: Progress, total: int) -> Each:
    """A map that tells how many of ``total`` items are done."""
    counted = count(1)

    def run(
        work: Callable[[Item], Outcome], items: Iterable[Item], done: Callable[[Outcome], None] = nobody
    ) -> list[Outcome]:
        def heard(outcome: Outcome) -> None:
            progress(next(counted), total)
            done(outcome)

        return each(work, items, heard)

    return run
