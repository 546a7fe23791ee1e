"""Scans in the boat-shed workshop, made small, and their error against the free field."""

from __future__ import annotations

import numpy as np

from scanproc.steps.field.extrapolate import far_field
from scanproc.waves.directions import lebedev_grid
from synthetic_scans import recipe as recipes

DIRECTION, WEIGHT = lebedev_grid(41)


def workshop(name: str = "workshop", **changes):
    """A workshop recipe made smaller: fewer points, images and details."""
    table = recipes.load(name).model_dump(mode="json", exclude_none=True)
    table["device"]["detail"] = 0.2
    table["room"]["reflections"] = 3
    if "impulse" in table:
        table["impulse"] |= {"sampling_rate_hz": 6000.0, "length_s": 0.15, "before_s": 0.006}
    for section, values in changes.items():
        if values is None:
            table.pop(section)
        else:
            table[section] = table.get(section, {}) | values if isinstance(values, dict) else values
    return recipes.parse(table)


def far_error_db(expansion, truth) -> np.ndarray:
    want = truth.far_field(DIRECTION, expansion.frequency_hz)
    missed = WEIGHT @ np.abs(far_field(expansion, DIRECTION) - want) ** 2
    return 10 * np.log10(missed / (WEIGHT @ np.abs(want) ** 2))
