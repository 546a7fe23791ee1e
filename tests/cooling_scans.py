"""Scans whose air cools by 3 K while they run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.records.measured.scan import Scan
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit
from scanproc.steps.sound.mean_air import mean_air
from scanproc.waves.directions import lebedev_grid


def cooling(**changes):
    """The paging loudspeaker, 3 K cooler at the end than at the start, in free field."""
    return {
        "name": "cooling",
        "temperature_drift_k": 3.0,
        "device": {
            "kind": "sources",
            "source": [{"position_m": [0.12, 0.01, -0.06]}, {"position_m": [0.1, 0.0, 0.1]}],
        },
        "surface": {"kind": "shells", "points": 1500, "radii_m": [0.4]},
    } | changes


def far_error_db(scan: Scan, truth) -> np.ndarray:
    direction, weight = lebedev_grid(65)
    want = truth.far_field(direction, scan.frequency_hz)
    missed = weight @ np.abs(far_field(fit(scan, order=34), direction) - want) ** 2
    return 10 * np.log10(missed / (weight @ np.abs(want) ** 2))


def unaware(scan):
    """The same scan with nothing known of the change."""
    return replace(scan, setup=mean_air(scan.setup))
