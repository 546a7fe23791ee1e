"""How loud the parts of a device's model usually are, where nobody has scanned a like one.

Geometric means of what was learnt of three boxes of boundary elements at five frequencies each, 200 Hz to 5 kHz;
``python -m tests.benchmarks.usual_weights`` makes them from the half "choose" of the fleet and judges them on the
other. The weights with which the evidence starts to learn are no such means: they allow for what is seldom there.
"""

from __future__ import annotations

import re

import numpy as np

from scanproc.conventions import Real
from scanproc.steps.model.field_model import FieldModel

NEAR = "rigid cabinet near place"
OF_A_RIGID_CABINET = {
    "surface": 6.4e-4,
    "edges": 3.0e-4,
    "sources near the places": 2.2e-3,
    "rigid cabinet": 5.3e-3,
    NEAR: 0.28,
}
"""Where waves are too short for a rigid cabinet these blocks mean something else; of that nothing was learnt."""
MULTIPOLES = (0.028, 1.9e-3, 6.3e-4, 1.4e-4, 1.3e-4, 1.7e-4)
"""About the places, by pairs of degrees from 0 and 1 on; the last also for all above."""
DEGREES = (-4.89, -7.44)
"""About the middle: logarithm of the weight of the lowest, and how it changes with their share of k times the reach."""


def usual_weights(model: FieldModel) -> Real:
    """Weights of the device's blocks (blocks,), which add up to one."""
    rigid = any(name.startswith(NEAR) for name in model.names)
    weight = np.array(
        [_usual(name, rigid) or usual for name, usual in zip(model.names, model.usual, strict=True)]
    )
    found: Real = weight[: len(weight) - (model.room is not None)]
    return found / found.sum()


def _usual(name: str, rigid: bool) -> float | None:
    if degrees := re.match(r"degrees up to (\S+) of the reach", name):
        return float(np.exp(DEGREES[0] + DEGREES[1] * float(degrees[1])))
    if multipoles := re.match(r"multipoles (\d+) to \d+ about place", name):
        return MULTIPOLES[min(int(multipoles[1]) // 2, len(MULTIPOLES) - 1)]
    return OF_A_RIGID_CABINET.get(NEAR if name.startswith(NEAR) else name) if rigid else None
