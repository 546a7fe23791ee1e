"""Before a scan: how many points, on which surface, in which order of travel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.scan_plan import Positions, ScanPlan
from scanproc.steps.fit.box import Box
from scanproc.steps.fit.dictionary import far_columns
from scanproc.steps.fit.model import Device, FieldModel, make_model, split
from scanproc.steps.fit.room_waves import Scattering
from scanproc.steps.fit.weights import USUAL_NOISE
from scanproc.steps.planning.positions import drum, shell, travel_order
from scanproc.steps.points.curve import crossing
from scanproc.steps.points.formula import FarError, mean_prior
from scanproc.steps.points.study import SECONDS_PER_POINT
from scanproc.waves.air import speed_of_sound_m_s
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.order_rules import far_order, hansen_order, jensen_frandsen_order, near_order

LOWEST_HZ = 100.0
USUAL_CLEARANCE = 0.10
"""Metres between the device's farthest corner and the nearest point."""
BANDS_APART = 3
"""Bands are worked out an octave apart and at the last."""
MOST_DIRECTIONS = 4000
"""More directions would not tell more fields apart; a dictionary has about 1,500."""
FEWEST_POINTS, MOST_POINTS, STEP = 60, 4000, 2**0.5
"""Numbers of points that are tried."""
LEVEL_POINTS = 600
"""Points on the surface at which the levels of the device's possible fields are compared."""
USUAL_SNR_DB = -10 * float(np.log10(USUAL_NOISE))


@dataclass(frozen=True)
class PlanChoices:
    """What is known of the device and wanted of the scan; lengths in m, in the scan's frame.

    ``source_m``: where the high-frequency source sits, ``source_radius_m`` its extent. ``clearance_m`` between the
    device and the inner layer; ``separate_up_to_hz``: with two layers, up to where the room is to be taken out.
    ``snr_db`` of the mean square over the points; ``arm_mm``: rms error of a position in each axis.
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
    snr_db: float = USUAL_SNR_DB
    arm_mm: float = 0.0
    seconds_per_point: float = SECONDS_PER_POINT
    temperature_c: float = 20.0


def plan_scan(
    choices: PlanChoices, progress: Callable[[int, int], None] = lambda done, total: None
) -> ScanPlan:
    """The plan of a scan that should meet the target up to the highest frequency.

    The number of points is that from which on the far field's expected variance meets the target, for a device of this
    size and place of its source with usual weights of the model; the orders by rule stand beside it. ``progress`` hears
    how many of how many bands are worked out, the slowest first.
    Raises SettingsError when the choices contradict each other, or no number of points does in any band.
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
    scanned = box.centre_m + _surface(choices, box, radii[0], LEVEL_POINTS, 0)
    nearest = float(np.linalg.norm(scanned - source, axis=1).min())
    size = 2 * np.pi * band / speed * r0
    worked = np.unique(np.r_[np.arange(len(band) - 1, -1, -BANDS_APART), 0])
    found: list[_WorkedOut] = []
    for i in worked[::-1]:
        progress(len(found), len(worked))
        found.insert(0, _worked_out(choices, box, source, radii, float(band[i]), speed))
    progress(len(found), len(worked))
    modes = _between(band, worked, np.array([one.modes for one in found]))
    needed = _between(band, worked, np.maximum.accumulate([one.points for one in found]))
    points = np.where(np.isnan(needed), 0, np.ceil(np.nan_to_num(needed) - 1e-9)).astype(np.int64)
    if not points.any():
        raise SettingsError(
            f"{MOST_POINTS:,} points would bring {found[0].error_db:.0f} dB at {band[0]:.0f} Hz, the target is "
            f"{choices.target_db:g} dB: less noise, a steadier arm, or another target"
        )
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
        modes=np.ceil(modes - 1e-9).astype(np.int64),
        points=points,
        missed_db=found[-1].error_db if points[-1] == 0 else None,
        surface=choices.surface,
        radii_m=radii,
        positions=_positions(choices, box, radii, int(points.max())),
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


@dataclass(frozen=True)
class _WorkedOut:
    """``modes``: far fields that together hold all but the target of what the device may radiate; ``points`` that the
    band takes, NaN where none tried do, and the error with the last number tried."""

    modes: float
    points: float
    error_db: float


def _worked_out(
    choices: PlanChoices, box: Box, source_m: Real, radii_m: Real, frequency_hz: float, speed: float
) -> _WorkedOut:
    """One band."""
    k = 2 * np.pi * frequency_hz / speed
    separated = choices.layers == 2 and frequency_hz <= choices.separate_up_to_hz

    def at(count: float) -> Real:
        return np.concatenate(_layers(choices, box, radii_m, round(count)))

    model = make_model(at(LEVEL_POINTS), k, Device(box, source_m[None]), Scattering() if separated else None)
    weight = model.usual / model.usual.sum()
    noise = 10 ** (-choices.snr_db / 10) + (k * choices.arm_mm / 1000) ** 2
    formula = FarError(model, weight, np.full(LEVEL_POINTS, noise), 0.0, mean_prior(model, weight))
    modes = mode_number(model, weight, choices.target_db)
    size = FEWEST_POINTS * STEP ** np.arange(int(np.log(MOST_POINTS / FEWEST_POINTS) / np.log(STEP)) + 1)
    first = max(int(np.searchsorted(size, modes / 2)) - 1, 0)
    error = np.full(len(size), np.inf)
    for i in range(first, len(size)):
        error[i] = formula.at(at(size[i]))
        if error[i] <= choices.target_db:
            break
    tried = np.isfinite(error)
    points = crossing(size[tried], error[tried], choices.target_db)
    return _WorkedOut(modes, points, float(error[tried][-1]))


def mode_number(model: FieldModel, weight: Real, target_db: float) -> int:
    """How many far fields together hold all but ``target_db`` of what the device's columns may radiate.

    Eigenvalues of the far field's covariance before any point is heard.
    """
    box, k = model.device.box, model.wavenumber
    count = int(1.5 * (k * float(box.reach_m(box.centre_m)) + 4) ** 2) + 60
    direction = fibonacci_sphere(min(count, MOST_DIRECTIONS))
    of_columns, _, _ = split(model, weight)
    far = far_columns(model.dictionary, direction, box.centre_m, k, model.scaling_m)
    power = np.linalg.svd(far * np.sqrt(of_columns), compute_uv=False) ** 2
    rest = power.sum() - np.cumsum(power)
    return int(np.argmax(rest <= 10 ** (target_db / 10) * power.sum())) + 1


def _between(band_hz: Real, worked: Integer, found: Real) -> Real:
    """Numbers of all bands from those worked out, by a power law; NaN beside a NaN."""
    log: Real = np.interp(np.log(band_hz), np.log(band_hz[worked]), np.log(found))
    return np.exp(log)


def _positions(choices: PlanChoices, box: Box, radii: Real, total: int) -> Positions:
    parts = _layers(choices, box, radii, total)
    layer = np.repeat(np.arange(len(radii)), [len(part) for part in parts])
    return travel_order(np.concatenate(parts), layer, np.random.default_rng(0))


def _layers(choices: PlanChoices, box: Box, radii: Real, total: int) -> list[Real]:
    """Positions of each layer, as many on each."""
    share: Integer = np.full(len(radii), total // len(radii))
    share[: total % len(radii)] += 1
    return [
        box.centre_m + _surface(choices, box, float(radius), int(count), turn)
        for turn, (radius, count) in enumerate(zip(radii, share, strict=True))
    ]


def _surface(choices: PlanChoices, box: Box, radius_m: float, count: int, turn: int) -> Real:
    """Even points about the device's middle, nearest at ``radius_m``; a drum clears the box by as much as a shell."""
    if choices.surface == "shell":
        return shell(radius_m, count, turn)
    clear = radius_m - float(np.linalg.norm(box.size_m) / 2)
    flat = float(np.linalg.norm(box.size_m[:2]) / 2)
    return drum(flat + clear, float(box.size_m[2]) / 2 + clear, count, turn)
