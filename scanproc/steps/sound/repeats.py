"""Points that were measured again: how gain and delay drifted over the scan, and the scan without that."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.measured.scan import Scan, ScanSetup

SAME_M = 2e-4
"""Points nearer than this are one place measured again."""
FIRST_HZ = 2000.0
"""A delay is sought up to here first, where its phase cannot be taken for another turn."""
MOST_TERMS = 3
"""Highest power of time in the drift."""


@dataclass(frozen=True, eq=False)
class GainDelayDrift:
    """Drift against the start of the scan, as powers 1, 2, ... of its share of time.

    ``log_gain`` and ``delay_s`` (terms,); ``repeats`` counts the measurements that came again.
    """

    log_gain: Real
    delay_s: Real
    repeats: int

    def gain(self, share: Real) -> Real:
        """Gain (points,) at shares of the scan's time, relative to its start."""
        return np.exp(_powers(share, len(self.log_gain)) @ self.log_gain)

    def delay(self, share: Real) -> Real:
        """Delay in s (points,), relative to the start."""
        late: Real = _powers(share, len(self.delay_s)) @ self.delay_s
        return late

    @property
    def total_db(self) -> float:
        return float(20 * np.log10(self.gain(np.ones(1))[0]))

    @property
    def total_delay_s(self) -> float:
        return float(self.delay(np.ones(1))[0])


def repeated(setup: ScanSetup) -> list[Integer]:
    """Indices of the points at each place that was measured more than once, in order of time."""
    pairs = cKDTree(setup.position_m).query_pairs(SAME_M, output_type="ndarray")
    first = np.arange(setup.points)
    for one, other in pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]:
        first[other] = min(first[other], first[one])
    moment = share_from_start(setup)
    groups = [np.flatnonzero(first == place) for place in np.unique(first[pairs.ravel()])]
    return [group[np.argsort(moment[group], kind="stable")] for group in groups]


def share_from_start(setup: ScanSetup) -> Real:
    """Each point's time as a share of the scan, 0 to 1 (points,); by order of the points without time_s."""
    moment = np.arange(setup.points, dtype=np.float64) if setup.time_s is None else setup.time_s
    span = float(np.ptp(moment))
    return (moment - moment.min()) / span if span > 0 else np.zeros(setup.points)


def drift_of_repeats(scan: Scan) -> GainDelayDrift | None:
    """Drift of gain and delay, from repeated points; None where no place was measured again, or no time is known."""
    if scan.setup.time_s is None:
        return None
    share, rows = share_from_start(scan.setup), []
    for group in repeated(scan.setup):
        for again in group[1:]:
            change = _change(scan.frequency_hz, scan.pressure_pa[group[0]], scan.pressure_pa[again])
            rows.append((share[group[0]], share[again], *change))
    if not rows:
        return None
    before, after, log_gain, delay = np.array(rows).T
    terms = min(MOST_TERMS, len(np.unique(after)))
    design = _powers(after, terms) - _powers(before, terms)
    gains = np.linalg.lstsq(design, log_gain, rcond=1e-9)[0]
    delays = np.linalg.lstsq(design, delay, rcond=1e-9)[0]
    return GainDelayDrift(gains, delays, len(rows))


def without_drift_of_repeats(scan: Scan, drift: GainDelayDrift) -> Scan:
    """The pressures as they would have been with gain and delay as at the start."""
    share = share_from_start(scan.setup)
    turn = np.exp(2j * np.pi * drift.delay(share)[:, None] * scan.frequency_hz)
    return replace(scan, pressure_pa=scan.pressure_pa * turn / drift.gain(share)[:, None])


def without_repeats(scan: Scan) -> Scan:
    """One point for each place: the mean of all measurements there, where the first of them stood."""
    pressure = np.array(scan.pressure_pa)
    dropped: list[int] = []
    for group in repeated(scan.setup):
        pressure[group[0]] = scan.pressure_pa[group].mean(axis=0)
        dropped.extend(int(again) for again in group[1:])
    kept = np.setdiff1d(np.arange(scan.points), np.array(dropped, dtype=np.int64))
    return replace(scan, pressure_pa=pressure).take_points(kept)


def _change(frequency: Real, first: Complex, again: Complex) -> tuple[float, float]:
    """ln gain and delay in s from one measurement to the next, weighted by power."""
    cross, delay = again * first.conj(), 0.0
    for top in (FIRST_HZ, np.inf):
        use = frequency <= max(top, float(frequency[min(2, len(frequency) - 1)]))
        angle = 2 * np.pi * frequency[use]
        left = np.angle(cross[use] * np.exp(1j * angle * delay))
        weight = np.abs(cross[use]) * angle
        delay -= float(np.sum(weight * left) / np.sum(weight * angle))
    turned = cross * np.exp(2j * np.pi * frequency * delay)
    gain = float(np.sum(turned.real) / np.sum(np.abs(first) ** 2))
    return float(np.log(max(gain, 1e-6))), delay


def _powers(share: Real, terms: int) -> Real:
    """share, share², ... (points, terms)."""
    return np.asarray(share, np.float64)[:, None] ** np.arange(1, terms + 1)
