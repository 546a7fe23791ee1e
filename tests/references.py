"""A synthetic scan in free field and references of its device whose pressures are exact."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.steps.fit.expand import fit
from synthetic_scans.impulse import ImpulseGrid
from synthetic_scans.recipe import Truth, load, make_scan, truth
from synthetic_scans.settings import Recipe

DISTANCE_M = 2.0
HEIGHT_M = 1.2
FLOOR = 0.8
STEP_DEG = 30.0
POINTS = 200


@cache
def workshop() -> Recipe:
    """The workshop's device in free field, with fewer points and frequencies, and nothing that drifts."""
    recipe = load("workshop-two-layer")
    update = {
        "temperature_drift_k": 0.0,
        "surface": recipe.surface.model_copy(update={"points": POINTS}),
        "frequencies": recipe.frequencies.model_copy(
            update={"start_hz": 150.0, "stop_hz": 2400.0, "count": 48}
        ),
        "room": None,
        "noise": recipe.noise.model_copy(update={"gain_drift_db": 0.0}),
    }
    return recipe.model_copy(update=update)


@cache
def workshop_scan() -> Scan:
    scan = make_scan(workshop())
    assert isinstance(scan, Scan)
    return scan


def quick_fit(scan: Scan) -> Expansion:
    """Least squares about the origin, which takes no time: what is compared matters here, not how it was fitted."""
    return fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated")


@cache
def workshop_expansion() -> Expansion:
    return quick_fit(workshop_scan())


@cache
def workshop_truth() -> Truth:
    return truth(workshop())


@dataclass(frozen=True)
class Faults:
    """What is wrong with a reference: gain, slope, distance, how the device is turned, a floor."""

    gain_db: float = 0.0
    slope_db: float = 0.0
    distance_error_m: float = 0.0
    toe_in_deg: float = 0.0
    tilt_deg: float = 0.0
    floor: bool = False


def circle() -> Real:
    """Directions every 30 deg on the horizontal orbit, (12, 3)."""
    angle = np.deg2rad(np.arange(-180, 180, STEP_DEG))
    return np.stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))], axis=1)


def both_orbits() -> Real:
    """The same with the vertical orbit, (22, 3)."""
    angle = np.deg2rad([a for a in np.arange(-180, 180, STEP_DEG) if a not in (-180, 0)])
    return np.concatenate([circle(), np.stack([np.cos(angle), 0 * angle, np.sin(angle)], axis=1)])


def turned(direction: Real, faults: Faults) -> Real:
    """Directions as a device sees them whose front was pitched up and then turned towards +y."""
    a, b = np.deg2rad([faults.toe_in_deg, faults.tilt_deg])
    x, y, z = direction.T
    x, y = np.cos(a) * x + np.sin(a) * y, -np.sin(a) * x + np.cos(a) * y
    return np.stack([np.cos(b) * x + np.sin(b) * z, y, -np.sin(b) * x + np.cos(b) * z], axis=1)


def at_floor(direction: Real) -> Real:
    """Where the device's sound leaves (angles, 3) that the floor sends on to microphones at its height."""
    down = np.hypot(DISTANCE_M, 2 * HEIGHT_M)
    return (direction * DISTANCE_M - np.array([0, 0, 2 * HEIGHT_M])) / down


def direct_and_floor(direction: Real, frequency_hz: Real, faults: Faults) -> tuple[Complex, Complex]:
    """Exact pressures at the microphones: the direct sound and the floor's reflection, (angles, F)."""
    source = workshop_truth()
    direct = source.pressure(turned(direction, faults) * (DISTANCE_M + faults.distance_error_m), frequency_hz)
    path = np.hypot(DISTANCE_M, 2 * HEIGHT_M)
    floor = FLOOR * source.pressure(turned(at_floor(direction), faults) * path, frequency_hz)
    octaves = np.log2(frequency_hz / 600)
    gain = 10 ** ((faults.gain_db + faults.slope_db * octaves) / 20)
    return direct * gain, floor * gain * faults.floor


def responses(direction: Real, faults: Faults | None = None, rate_hz: float = 24000.0) -> ImpulseScan:
    """Impulse responses of a reference that is said to stand at 2 m, 120 ms long."""
    grid = ImpulseGrid(rate_hz, 0.12)
    direct, floor = direct_and_floor(direction, grid.frequency_hz, faults or Faults())
    setup = ScanSetup(direction * DISTANCE_M, speed_of_sound_m_s=workshop_truth().speed_of_sound_m_s)
    return grid.scan(replace(setup, device="reference"), direct + floor)
