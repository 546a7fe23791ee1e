"""Whether the device is where and as large as it is said to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.conventions import Integer
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.each import Each
from scanproc.steps.field.view import wavenumbers
from scanproc.steps.fit.weights import log_evidence
from scanproc.steps.model.box import Box, device_box, heard_at
from scanproc.steps.model.field_model import Device, make_model
from scanproc.steps.model.room_waves import Scattering

FREQUENCIES = 2
FIRST_KR = 1.0
"""Below this k times the reach any device sounds alike; the lowest frequencies above tell with the fewest points."""
SURELY = 7.0
"""Natural log of the odds for what is stated, before anything is heard: one statement in a thousand is wrong."""


def credible_box(scan: Scan, chosen: Integer, room: bool, each: Each) -> Box:
    """The stated box, or with its middle, its size or both guessed from the scanned surface where the sound speaks for
    that.

    By the evidence of some of the ``chosen`` frequencies (indices, rising) for sound from anywhere on the box. A device
    that sticks out of the stated box cannot be fitted, and leaving points out need not show it. ``room``: there is one,
    and what the cabinet scatters of it is not yet known.
    """
    setup = scan.setup
    stated, k = device_box(setup), wavenumbers(setup, scan.frequency_hz)
    said = [name for name in ("device_centre_m", "device_size_m") if getattr(setup, name) is not None]
    telling = [int(index) for index in chosen if k[index] * np.linalg.norm(stated.size_m) / 2 >= FIRST_KR]
    if not said or not telling:
        return stated
    without = [{name: None} for name in said] + ([dict.fromkeys(said)] if len(said) > 1 else [])
    boxes = [stated, *(device_box(replace(setup, **names)) for names in without)]

    def of_box(which: tuple[Box, int]) -> float:
        box, index = which
        device, scattering = Device(box, box.centre_m[None]), Scattering() if room else None
        model = make_model(heard_at(scan, box), float(k[index]), device, scattering)
        return log_evidence(model, scan.pressure_pa[:, index])

    found = each(of_box, [(box, index) for box in boxes for index in telling[:FREQUENCIES]])
    total = np.array(found).reshape(len(boxes), -1).sum(axis=1)
    total[0] += SURELY
    return boxes[int(np.argmax(total))]


def contradicted(setup: ScanSetup, plan: FitPlan) -> tuple[str, ...]:
    """What of the stated device a plan does not follow: "device_centre_m", "device_size_m"."""
    stated = device_box(setup)
    pairs = {
        "device_centre_m": (stated.centre_m, plan.box_centre_m),
        "device_size_m": (stated.size_m, plan.box_size_m),
    }
    return tuple(name for name, (said, taken) in pairs.items() if not np.allclose(said, taken))
