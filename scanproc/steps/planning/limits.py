"""What would limit a planned scan, and how much better it would have to be."""

from __future__ import annotations

import numpy as np

from scanproc.records.answers.scan_plan import Limit
from scanproc.records.fitted.budget import CAUSES
from scanproc.steps.fit.budget import error_budget
from scanproc.steps.model.field_model import model_at
from scanproc.steps.planning.expected import Expected
from scanproc.steps.planning.surfaces import Layers

REMEDIES = {
    "points": "a smaller surface",
    "room": "a second layer, a gate or absorbers",
    "places": "a steadier arm",
    "level": "a steadier gain",
    "noise": "less noise, by averages or a louder drive",
}
"""Of each cause, where no number of points does."""


def limit_of(
    expected: Expected,
    layers: Layers,
    points: float,
    band_hz: float,
    error_db: float,
    target_db: float,
    *,
    missed: bool,
) -> Limit:
    """The largest share of the error ``error_db`` that so many points leave, and to what part of its power that cause
    would have to fall for the target alone, everything else as it is.

    An estimate made for the larger cause errs no more when that falls, and one made for the smaller errs less still:
    with x of it left the error's power is at most 1 - s + s x of what it was, s its share.
    """
    formula, position = expected.formula, np.concatenate(layers(points))
    noise = {name: np.full(len(position), value) for name, value in expected.noise.items()}
    share, cured = error_budget(model_at(formula.model, position), formula.weight, noise)
    first = int(np.argmax(share))
    needed = 1 - (1 - 10 ** ((target_db - error_db) / 10)) / float(share[first])
    return Limit(
        band_hz=band_hz,
        points=len(position),
        error_db=error_db,
        cause=CAUSES[first],
        share=float(share[first]),
        left_db=error_db + float(10 * np.log10(max(cured[first], 1e-12))),
        needed=needed if 0 < needed < 1 else None,
        arm_mm=expected.arm_mm,
        missed=missed,
    )
