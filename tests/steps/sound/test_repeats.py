"""A known drift of gain and delay, injected and taken out again by points measured more than once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_scans import FREQUENCY_HZ, monopole_scan

from scanproc.records.measured.scan import Scan
from scanproc.steps.sound.repeats import (
    drift_of_repeats,
    repeated,
    share_from_start,
    without_drift_of_repeats,
    without_repeats,
)


def with_checks(
    every: int = 12, gain_db: float = -0.6, delay_s: float = 4e-6, noise: float = 1e-4
) -> tuple[Scan, Scan]:
    """A scan that comes back to its first point after every few, steady and with drift."""
    plain = monopole_scan(points=100, noise=0.0)
    order = np.concatenate([[0, *range(start, min(start + every, 100))] for start in range(1, 100, every)])
    steady = plain.take_points(order)
    time = np.arange(len(order)) * 11.0
    steady = replace(steady, setup=replace(steady.setup, time_s=time))
    share = time / time[-1]
    factor = 10 ** (gain_db * share**2 / 20)[:, None] * np.exp(
        -2j * np.pi * FREQUENCY_HZ * delay_s * share[:, None]
    )
    pair = np.random.default_rng(3).standard_normal((2, *steady.pressure_pa.shape))
    rms = np.sqrt(np.mean(np.abs(steady.pressure_pa) ** 2))
    spoilt = steady.pressure_pa * factor + noise * rms * (pair[0] + 1j * pair[1])
    return steady, replace(steady, pressure_pa=spoilt)


def test_repeated_places_are_found() -> None:
    steady, _ = with_checks()
    (group,) = repeated(steady.setup)
    assert len(group) == 9
    assert np.all(np.diff(share_from_start(steady.setup)[group]) > 0)
    assert repeated(monopole_scan().setup) == []


def test_injected_drift_is_measured_and_taken_out() -> None:
    steady, drifted = with_checks()
    drift = drift_of_repeats(drifted)
    assert drift is not None
    assert drift.repeats == 8
    assert drift.total_db == pytest.approx(-0.6, abs=0.02)
    assert drift.total_delay_s == pytest.approx(4e-6, abs=2e-7)
    back = without_drift_of_repeats(drifted, drift)

    def miss(scan: Scan) -> float:
        return float(
            np.linalg.norm(scan.pressure_pa - steady.pressure_pa) / np.linalg.norm(steady.pressure_pa)
        )

    assert miss(drifted) > 0.02
    assert miss(back) < 0.001


def test_repeats_become_one_point() -> None:
    steady, drifted = with_checks(gain_db=0.0, delay_s=0.0)
    once = without_repeats(drifted)
    assert once.points == 100
    assert repeated(once.setup) == []
    first = np.abs(once.pressure_pa[0] - steady.pressure_pa[0])
    assert np.linalg.norm(first) < np.linalg.norm(drifted.pressure_pa[0] - steady.pressure_pa[0])


def test_nothing_measured_again_tells_nothing() -> None:
    assert drift_of_repeats(monopole_scan()) is None
