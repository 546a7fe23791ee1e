"""Before a scan: how many points, on which surface, in which order of travel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.scan_plan import Positions, ScanPlan
from scanproc.steps.fit.box import Box
from scanproc.steps.fit.dictionary import columns_at, far_columns, level_shares, make_dictionary
from scanproc.steps.planning.positions import drum, shell, travel_order
from scanproc.steps.points.study import SECONDS_PER_POINT
from scanproc.waves.air import speed_of_sound_m_s
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.order_rules import far_order, hansen_order, jensen_frandsen_order, near_order

LOWEST_HZ = 100.0
POINTS_PER_MODE = 1.2
"""Scanned points per field that the device can radiate; fewer leave nothing to judge the fit by."""
POINTS_PER_TERM = 1.3
"""Near-even points per spherical term, (N + 1)² of them (common practice, no source)."""
USUAL_CLEARANCE = 0.10
"""Metres between the device's farthest corner and the nearest point."""
BANDS_PER_SVD = 3
MOST_DIRECTIONS = 4000
"""More directions would not tell more fields apart; a dictionary has about 1,500."""
FEWEST_POINTS = 60
SCATTER_POINTS = 600
"""Points on the surface at which the levels of the device's possible fields are compared."""


@dataclass(frozen=True)
class PlanChoices:
    """What is known of the device and wanted of the scan; lengths in m, in the scan's frame.

    ``source_m``: where the high-frequency source sits, ``source_radius_m`` its extent. ``clearance_m`` between the
    device and the inner layer; ``separate_up_to_hz``: with two layers, up to where the room is to be taken out.
    """

    size_m: tuple[float, float, float]
    up_to_hz: float
    centre_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    source_m: tuple[float, float, float] | None = None
    source_radius_m: float = 0.08
    target_db: float = -25.0
    layers: int = 1
    surface: Literal["shell", "drum"] = "shell"
    clearance_m: float = USUAL_CLEARANCE
    separate_up_to_hz: float = 1000.0
    seconds_per_point: float = SECONDS_PER_POINT
    temperature_c: float = 20.0


def plan_scan(choices: PlanChoices) -> ScanPlan:
    """The plan of a scan that should meet the target up to the highest frequency.

    The number of points follows from how many different far fields a device of this size and place of its source can
    radiate above the target (one singular value decomposition per band); the orders by rule stand beside it.
    Raises SettingsError when the choices contradict each other.
    """
    if choices.layers not in (1, 2):
        raise SettingsError(f"a scan has 1 or 2 layers, got {choices.layers}")
    if choices.up_to_hz < LOWEST_HZ:
        raise SettingsError(
            f"the highest frequency must be at least {LOWEST_HZ:g} Hz, got {choices.up_to_hz:g}"
        )
    speed = float(speed_of_sound_m_s(choices.temperature_c))
    box = Box(np.array(choices.centre_m), np.array(choices.size_m))
    source = box.centre_m if choices.source_m is None else np.array(choices.source_m)
    if np.any(np.abs(source - box.centre_m) > box.size_m / 2 + 0.05):
        raise SettingsError(
            "the source must lie on the device, not more than 5 cm outside its box: correct source_m"
        )
    first, last = third_octave_index(np.array([LOWEST_HZ, choices.up_to_hz]))
    band = third_octave_centre(np.arange(first, last + 1))
    r0 = float(np.linalg.norm(box.size_m) / 2)
    radii = layer_radii(choices, r0, speed)
    scanned = box.centre_m + _surface(choices, box, radii[0], SCATTER_POINTS, 0)
    nearest = float(np.linalg.norm(scanned - source, axis=1).min())
    size = 2 * np.pi * band / speed * r0
    modes = _modes(box, source, 2 * np.pi * band / speed, scanned, choices.target_db)
    points = np.maximum.accumulate(np.ceil(POINTS_PER_MODE * modes).astype(np.int64)).clip(FEWEST_POINTS)
    if choices.layers == 2:
        points = np.where(band <= choices.separate_up_to_hz, 2 * points, points)
        points = np.maximum.accumulate(points)
    reach = choices.source_radius_m
    return ScanPlan(
        target_db=choices.target_db,
        band_hz=band,
        size=size,
        hansen=np.array([hansen_order(x) for x in size]),
        jensen_frandsen=np.array([jensen_frandsen_order(x, choices.target_db) for x in size]),
        far=np.array([far_order(x, choices.target_db) for x in size]),
        near=np.array([near_order(x, radii[0] / r0, choices.target_db) for x in size]),
        source_order=np.array(
            [near_order(x / r0 * reach, max(nearest / reach, 1.02), choices.target_db) for x in size]
        ),
        modes=modes,
        points=points,
        surface=choices.surface,
        radii_m=radii,
        positions=_positions(choices, box, radii, int(points[-1])),
        seconds_per_point=choices.seconds_per_point,
    )


def layer_radii(choices: PlanChoices, r0: float, speed: float) -> Real:
    """Distances of the layers' nearest points from the middle of the device, (layers,).

    The second layer is a quarter of a wavelength farther out at the highest frequency that is to be separated:
    at half a wavelength outgoing and incoming sound of degree 0 look the same.
    """
    inner = r0 + choices.clearance_m
    gap = speed / choices.separate_up_to_hz / 4
    return np.array([inner + index * gap for index in range(choices.layers)])


def mode_number(box: Box, source_m: Real, wavenumber: float, scanned_m: Real, target_db: float) -> int:
    """How many far fields together hold all but ``target_db`` of what the device may radiate.

    Eigenvalues of the far field's covariance under the device-informed prior with its usual weights.
    """
    dictionary = make_dictionary(box, source_m, wavenumber, scanned_m)
    radius = float(np.median(np.linalg.norm(scanned_m - source_m, axis=1)))
    share = level_shares(dictionary, columns_at(dictionary, scanned_m, wavenumber, radius))
    count = int(1.5 * (wavenumber * float(box.reach_m(box.centre_m)) + 4) ** 2) + 60
    direction = fibonacci_sphere(min(count, MOST_DIRECTIONS))
    far = far_columns(dictionary, direction, box.centre_m, wavenumber, radius)
    power = np.linalg.svd(far * np.sqrt(dictionary.usual @ share), compute_uv=False) ** 2
    rest = power.sum() - np.cumsum(power)
    return int(np.argmax(rest <= 10 ** (target_db / 10) * power.sum())) + 1


def _modes(box: Box, source_m: Real, wavenumber: Real, scanned_m: Real, target_db: float) -> Integer:
    """Mode numbers of all bands: worked out an octave apart and at the last, in between by a power law."""
    chosen = np.unique(np.r_[np.arange(len(wavenumber) - 1, -1, -BANDS_PER_SVD), 0])
    found = [mode_number(box, source_m, float(wavenumber[i]), scanned_m, target_db) for i in chosen]
    log = np.interp(np.log(wavenumber), np.log(wavenumber[chosen]), np.log(found))
    return np.ceil(np.exp(log) - 1e-9).astype(np.int64)


def _positions(choices: PlanChoices, box: Box, radii: Real, total: int) -> Positions:
    share: Integer = np.full(len(radii), total // len(radii))
    share[: total % len(radii)] += 1
    parts = [
        box.centre_m + _surface(choices, box, float(radius), int(count), turn)
        for turn, (radius, count) in enumerate(zip(radii, share, strict=True))
    ]
    layer = np.repeat(np.arange(len(radii)), share)
    return travel_order(np.concatenate(parts), layer, np.random.default_rng(0))


def _surface(choices: PlanChoices, box: Box, radius_m: float, count: int, turn: int) -> Real:
    """Even points about the device's middle, nearest at ``radius_m``; a drum clears the box by as much as a shell."""
    if choices.surface == "shell":
        return shell(radius_m, count, turn)
    clear = radius_m - float(np.linalg.norm(box.size_m) / 2)
    flat = float(np.linalg.norm(box.size_m[:2]) / 2)
    return drum(flat + clear, float(box.size_m[2]) / 2 + clear, count, turn)
