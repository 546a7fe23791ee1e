"""How much of what a rigid cabinet would scatter of the room's sound is in a scan.

At one frequency nothing tells a scattered wave from the device's own. Over frequency something does: a device changes
slowly, a room of many reflections quickly, and what is scattered changes with the room. So of all shares of a rigid
cabinet's scattering that one is taken which leaves the device smoothest over frequency.
"""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.each import Each
from scanproc.steps.field.view import wavenumbers
from scanproc.steps.fit.plan import fitted
from scanproc.steps.fit.stated import credible_box
from scanproc.steps.fit.weights import learn
from scanproc.steps.model.box import device_box, heard_at
from scanproc.steps.model.dictionary import is_rigid
from scanproc.steps.model.field_model import Device, make_model
from scanproc.steps.model.room_waves import Scattering
from scanproc.waves.radial import far_radial

POINTS = 300
FREQUENCIES = 16
LEAST_FREQUENCIES = 6
STEP = 2 ** (1 / 6)
"""Frequencies this factor apart, or as near to it as the scan has them: a room of a few metres has changed, a device
has not."""
SMALLEST_KR, LARGEST_KR = 0.3, 4.0
"""k times the device's reach: below, a cabinet scatters next to nothing; above, its shape matters too much."""
FEW = 4
"""Every fourth of these frequencies tells of the box."""
DEGREE = 4
NEIGHBOURS = 2
"""On each side, through which the device's course is taken to run."""


def learn_scattering(scan: Scan, each: Each) -> Scattering:
    """The share for a scan with a room at :func:`useful_frequencies` (F,), in rising order.

    Where they are too few it is half, give or take half.
    """
    if len(scan.frequency_hz) < LEAST_FREQUENCIES:
        return Scattering()
    box = credible_box(scan, np.arange(0, len(scan.frequency_hz), FEW), True, each)
    few = np.sort(np.random.default_rng(0).permutation(scan.points)[:POINTS])
    sample = scan.take_points(few)
    k = wavenumbers(sample.setup, sample.frequency_hz)
    device, position = Device(box, box.centre_m[None]), heard_at(sample, box)

    def both(index: int) -> Complex:
        pressure = sample.pressure_pa[:, index]
        found, weights = [], None
        for scattering in (Scattering(0.0, 0.0), Scattering(1.0, 0.0)):
            model = make_model(position, float(k[index]), device, scattering)
            weights = weights or learn([model], [pressure])
            coefficients = fitted(model, pressure, weights).coefficients_pa
            kept = np.zeros(mode_count(DEGREE), dtype=np.complex128)
            count = min(len(kept), len(coefficients))
            kept[:count] = coefficients[:count]
            far = far_radial(DEGREE, model.wavenumber, model.wavenumber * model.scaling_m)
            found.append(kept * far[mode_degrees(DEGREE)])
        return np.array(found)

    without, rigid = np.moveaxis(np.array(each(both, range(len(k)))), 1, 0)
    return smoothest_share(sample.frequency_hz, without, rigid)


def smoothest_share(frequency_hz: Real, without: Complex, rigid: Complex) -> Scattering:
    """The share for which (1 - share) · ``without`` + share · ``rigid`` (F, modes) runs smoothest over log frequency.

    Each frequency against the polynomial through its neighbours (Lagrange); least squares for the share, whose
    standard error follows from what is left. That is weighed against knowing nothing.
    """
    level = np.sqrt(np.sum(np.abs(without) ** 2, axis=1))[:, None]
    place = np.log(frequency_hz)
    own, change = without / level, (rigid - without) / level
    rough, bent = [], []
    for index in range(len(place)):
        near = [
            n for n in range(index - NEIGHBOURS, index + NEIGHBOURS + 1) if 0 <= n < len(place) and n != index
        ]
        if len(near) < NEIGHBOURS + 1:
            continue
        weight = np.array(
            [
                np.prod([(place[index] - place[m]) / (place[n] - place[m]) for m in near if m != n])
                for n in near
            ]
        )
        scale = 1 / np.sqrt(1 + np.sum(weight**2))
        rough.append(scale * (own[index] - weight @ own[near]))
        bent.append(scale * (change[index] - weight @ change[near]))
    left, slope = np.concatenate(rough), np.concatenate(bent)
    power = float(np.sum(np.abs(slope) ** 2))
    share = -float(np.real(np.vdot(slope, left))) / power
    variance = float(np.mean(np.abs(left + share * slope) ** 2)) / (2 * power)
    prior = Scattering()
    weighed = (share / variance + prior.share / prior.error**2) / (1 / variance + 1 / prior.error**2)
    kept = min(max(weighed, 0.0), 1.0)
    error = 1 / np.sqrt(1 / variance + 1 / prior.error**2)
    return Scattering(kept, float(error))


def useful_frequencies(setup: ScanSetup, frequency_hz: Real) -> Integer:
    """Indices of frequencies about ``STEP`` apart, the highest ``FREQUENCIES`` at which a cabinet scatters, rising."""
    box = device_box(setup)
    reach = float(box.reach_m(box.centre_m))
    k = wavenumbers(setup, frequency_hz)
    fits = [is_rigid(box, float(one)) for one in k]
    inside = np.flatnonzero((k * reach >= SMALLEST_KR) & (k * reach <= LARGEST_KR) & np.array(fits))
    chosen: list[int] = []
    for index in inside[::-1]:
        if not chosen or frequency_hz[index] * STEP <= frequency_hz[chosen[-1]] * 1.01:
            chosen.append(int(index))
    return np.array(chosen[:FREQUENCIES][::-1], dtype=np.int64)
