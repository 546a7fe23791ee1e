"""Everything that one conversion yields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.distortion import Distortion
from scanproc.records.answers.study import Study
from scanproc.records.checked import short_repr
from scanproc.records.fitted.budget import Budget
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.fitted.room import RoomReport


@short_repr
@dataclass(frozen=True, eq=False)
class Result:
    """The expansion, its direction sets by name, and where they came from.

    ``provenance`` holds what JSON can hold: scanproc's version, the hash of the scan file, the settings.
    ``room`` tells how the room was taken out, ``budget`` where the predicted error comes from, ``distortion`` what
    harmonics of sweeps show, where the scan holds them; ``learnt`` how loud the parts of the device's model are, for
    plans of scans of like devices, each from its first frequency on; empty where least squares alone was asked for;
    ``study`` how many points are enough, None where nobody asked.

    >>> sp.Result(result.expansion, provenance={"device": "quay horn"}).provenance["device"]
    'quay horn'
    """

    expansion: Expansion
    directions: Mapping[str, DirectionSet] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)
    room: RoomReport | None = None
    budget: Budget | None = None
    distortion: Distortion | None = None
    learnt: tuple[FitPlan, ...] = ()
    study: Study | None = None
