"""Tables of a study: errors and orders by number of points and band, from the trials of each size."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.points.trial import Trial
from scanproc.waves.directions import horizontal_orbit, vertical_orbit

ORBIT_STEP_DEG = 10
DEEPEST_LEVEL_DB = -20.0
"""Curves are compared where they lie no farther than this below the strongest direction."""


def by_band(error_db: Real, members: list[Integer]) -> Real:
    """Power means over the frequencies of each band, dB: (draws, F) to (draws, bands)."""
    power = 10 ** (error_db / 10)
    return 10 * np.log10(np.stack([power[:, m].mean(axis=1) for m in members], axis=1))


def by_order(trials: list[list[Trial]], name: str, members: list[Integer]) -> Real:
    """Errors (orders, F) of that name as (sizes, orders, bands), NaN above the orders of a size."""
    orders = max(len(getattr(one[0], name)) for one in trials)
    table = np.full((len(trials), orders, len(members)), np.nan)
    for row, one in zip(table, trials, strict=True):
        power = _mean_power([getattr(trial, name) for trial in one])
        for column, inside in enumerate(members):
            row[: len(power), column] = 10 * np.log10(power[:, inside].mean(axis=1))
    return table


def with_plans(
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


def used_held_out(trial: Trial) -> Real:
    """Held-out error of what was used at each frequency, (F,)."""
    found = trial.expansion
    used: Real = np.take_along_axis(found.held_out_db, found.order[None], axis=0)[0]
    return used


def used_predicted(trial: Trial) -> Real:
    return trial.expansion.far_field_error_db


def orders_used(trials: list[Trial]) -> Integer:
    return np.stack([trial.expansion.order for trial in trials])


def curve_spread(trials: list[list[Trial]], members: list[Integer]) -> Real:
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


def _mean_power(error_db: list[Real]) -> Real:
    """Mean over draws that tried every order, (orders, F)."""
    orders = min(len(one) for one in error_db)
    power: Real = np.mean([10 ** (one[:orders] / 10) for one in error_db], axis=0)
    return power
