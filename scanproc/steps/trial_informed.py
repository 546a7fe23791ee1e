"""The informed fit of a subset, where it may beat the truncated one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.conventions import Boolean, Integer
from scanproc.records.expansion import Expansion, join
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.steps.each import Each, in_turn
from scanproc.steps.fit import fit_planned
from scanproc.steps.prepare import CLEAR_GAIN_DB
from scanproc.steps.trial import Trial

WEIGHTS_REACH = 1.3
"""Weights serve frequencies within this ratio of those where they were learnt."""
EASY_DB = 3.0
"""Where the truncated fit beats the target by this, the informed one is not tried: the answer is yes already."""


def with_informed(
    truncated: Trial,
    scan: Scan,
    plan: FitPlan,
    chosen: Integer,
    worth: Boolean,
    target_db: float,
    each: Each = in_turn,
) -> Trial:
    """The trial with the informed fit at the frequencies where it predicts clearly less far-field error.

    It is tried where ``worth`` (F,) says so, the truncated fit has not met the target, and the plan has learnt
    weights. The tables by order stay those of the truncated fits.
    """
    first = truncated.expansion
    tried = worth & _learnt(plan, scan) & ~(first.far_field_error_db <= target_db - EASY_DB)
    parts = [_at(first, index) for index in range(len(scan.frequency_hz))]
    only = replace(plan, informed=np.ones(len(plan.informed)))
    part = scan.take_points(chosen)
    where = np.flatnonzero(tried).tolist()
    others = each(lambda index: fit_planned(part.take_frequencies(slice(index, index + 1)), only), where)
    for index, other in zip(where, others, strict=True):
        if other.far_field_error_db[0] < first.far_field_error_db[index] - CLEAR_GAIN_DB:
            parts[index] = other
    return replace(truncated, expansion=join(parts))


def _learnt(plan: FitPlan, scan: Scan) -> Boolean:
    """Where weights of the informed fit are known from samples nearby, (F,)."""
    known = plan.sample_hz[np.isfinite(plan.noise)]
    if not len(known):
        return np.zeros(len(scan.frequency_hz), dtype=bool)
    inside: Boolean = (scan.frequency_hz > known[0] / WEIGHTS_REACH) & (
        scan.frequency_hz < known[-1] * WEIGHTS_REACH
    )
    return inside


def _at(expansion: Expansion, index: int) -> Expansion:
    """The expansion of one frequency."""
    columns = {
        name: getattr(expansion, name)[..., [index]]
        for name in (
            "frequency_hz",
            "order",
            "scaling_radius_m",
            "wavenumber_rad_m",
            "coefficients_pa",
            "held_out_db",
            "far_field_error_db",
            "coefficient_variance_pa2",
            "variance_pattern",
            "estimator",
        )
    }
    return replace(expansion, centre_m=expansion.centre_m[[index]], **columns)
