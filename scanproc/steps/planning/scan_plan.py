"""Before a scan: how many points, on which surface, in which order of travel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.answers.scan_plan import Limit, Positions, ScanPlan
from scanproc.steps.model.box import Box
from scanproc.steps.model.dictionary import far_columns
from scanproc.steps.model.field_model import Device, FieldModel, split
from scanproc.steps.planning.earlier import Earlier
from scanproc.steps.planning.expected import USUAL_ROOM_DB, Conditions, Expected, as_before, usual
from scanproc.steps.planning.limits import REMEDIES, limit_of
from scanproc.steps.planning.positions import travel_order
from scanproc.steps.planning.surfaces import (
    Layers,
    earlier_layers,
    even_layers,
    layer_radii,
    nearest_radii,
)
from scanproc.steps.points.curve import crossing
from scanproc.steps.points.study import SECONDS_PER_POINT
from scanproc.waves.air import speed_of_sound_m_s
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.order_rules import far_order, hansen_order, jensen_frandsen_order, near_order

LOWEST_HZ = 100.0
USUAL_CLEARANCE = 0.10
"""Metres between the device's farthest corner and the nearest point."""
BANDS_APART = 3
"""Bands are worked out an octave apart and at the last; with an earlier scan, all that it holds."""
MOST_DIRECTIONS = 4000
"""More directions would not tell more fields apart; a dictionary has about 1,500."""
FEWEST_POINTS, MOST_POINTS, STEP = 60, 4000, 2**0.5
"""Numbers of points that are tried."""
LEVEL_POINTS = 600
"""Points on the surface at which the levels of the device's possible fields are compared."""


@dataclass(frozen=True)
class PlanChoices:
    """What is known of the device and wanted of the scan; lengths in m, in the scan's frame.

    With an earlier scan ``size_m`` and ``centre_m`` are that device's unless given, and so is the surface if neither
    ``surface``, ``layers`` nor ``clearance_m`` is. ``source_m``: where the high-frequency source sits,
    ``source_radius_m`` its extent. ``clearance_m`` between the device and the inner layer; ``room_up_to_hz``: above, a
    gate cuts the room off. ``snr_db``, ``arm_mm`` and ``room_db`` as :class:`Conditions`.
    """

    size_m: tuple[float, float, float] | None
    up_to_hz: float
    centre_m: tuple[float, float, float] | None = None
    source_m: tuple[float, float, float] | None = None
    source_radius_m: float = 0.08
    target_db: float = -25.0
    layers: int | None = None
    surface: Literal["shell", "drum"] | None = None
    clearance_m: float | None = None
    room_up_to_hz: float = 1000.0
    snr_db: float | None = None
    arm_mm: float | None = None
    room_db: float | None = None
    seconds_per_point: float = SECONDS_PER_POINT
    temperature_c: float = 20.0


@dataclass(frozen=True, eq=False)
class _Job:
    """A plan's choices made definite: the device, where points lie, which bands, and what they sound like."""

    box: Box
    source_m: Real
    surface: str
    radii_m: Real
    layers: Layers
    speed_m_s: float
    band_hz: Real
    worked: Integer
    expected: Callable[[float], Expected]


def plan_scan(
    choices: PlanChoices,
    progress: Callable[[int, int], None] = lambda done, total: None,
    earlier: Earlier | None = None,
) -> ScanPlan:
    """The plan of a scan that should meet the target up to the highest frequency.

    The number of points is that from which on the far field's expected variance meets the target, by the weights of an
    ``earlier`` scan of a like device, or usual ones for a device of this size and place of its source; the orders by
    rule stand beside it. ``progress`` hears how many of how many bands are worked out, the slowest first.
    Raises SettingsError when the choices contradict each other, or no number of points does in any band.
    """
    job = _job(choices, earlier)
    found: list[_WorkedOut] = []
    for i in job.worked[::-1]:
        progress(len(found), len(job.worked))
        found.insert(0, _worked_out(job, float(job.band_hz[i]), choices.target_db))
    progress(len(found), len(job.worked))
    rising = np.fmax.accumulate([one.points for one in found])
    missed = np.cumsum([not one.reason and np.isnan(one.points) for one in found]) > 0
    unknown = missed | np.array([bool(one.reason) for one in found])
    needed = _between(job.band_hz, job.worked, np.where(unknown, np.nan, rising))
    modes = _between(job.band_hz, job.worked, np.array([one.modes for one in found]))
    points = np.where(np.isnan(needed), 0, np.ceil(np.nan_to_num(needed) - 1e-9)).astype(np.int64)
    if not points.any():
        raise _nothing_does(job, found, choices.target_db)
    first = int(np.argmax(missed)) if missed.any() else int(np.flatnonzero(~unknown)[-1])
    return ScanPlan(
        target_db=choices.target_db,
        band_hz=job.band_hz,
        **_orders(choices, job),
        modes=np.ceil(modes - 1e-9).astype(np.int64),
        points=points,
        surface=job.surface,
        radii_m=job.radii_m,
        positions=_positions(job.layers, int(points.max())),
        seconds_per_point=choices.seconds_per_point,
        limit=_limit(job, found[first], float(job.band_hz[job.worked[first]]), points, choices.target_db),
        like=earlier.name if earlier else "",
        untold=_untold(job, found),
    )


def _job(choices: PlanChoices, earlier: Earlier | None) -> _Job:
    """Raises SettingsError when the choices contradict each other."""
    if choices.layers not in (None, 1, 2):
        raise SettingsError(f"a scan has 1 or 2 layers, got {choices.layers}")
    if choices.up_to_hz < LOWEST_HZ:
        raise SettingsError(
            f"the highest frequency must be at least {LOWEST_HZ:g} Hz, got {choices.up_to_hz:g}"
        )
    box = _box(choices, earlier)
    earlier = earlier.moved_to(box) if earlier else None
    speed = float(speed_of_sound_m_s(choices.temperature_c))
    source = box.centre_m if choices.source_m is None else np.array(choices.source_m)
    if np.any(np.abs(source - box.centre_m) > box.size_m / 2 + 0.05):
        raise SettingsError(
            "the source must lie on the device, not more than 5 cm outside its box: correct source_m"
        )
    surface, layers, radii = _surface(choices, box, earlier, speed)
    at = np.concatenate(layers(LEVEL_POINTS))
    band, worked = _bands(choices.up_to_hz, earlier)

    def expected(hz: float) -> Expected:
        room = _room_db(choices, earlier) if hz <= choices.room_up_to_hz else None
        given = Conditions(choices.snr_db, choices.arm_mm, room)
        if earlier is None:
            return usual(Device(box, source[None]), 2 * np.pi * hz / speed, at, given)
        index = int(np.flatnonzero(earlier.band == third_octave_index(np.array([hz]))[0])[0])
        return as_before(earlier, index, at, given)

    return _Job(box, source, surface, radii, layers, speed, band, worked, expected)


def _box(choices: PlanChoices, earlier: Earlier | None) -> Box:
    """The device's, given or as the earlier one's."""
    if choices.size_m is None and earlier is None:
        raise SettingsError("the size of the device is needed: give --size, or --like with an earlier result")
    size = earlier.box.size_m if choices.size_m is None and earlier else np.array(choices.size_m)
    usual_centre = earlier.box.centre_m if earlier else np.zeros(3)
    return Box(usual_centre if choices.centre_m is None else np.array(choices.centre_m), size)


def _surface(
    choices: PlanChoices, box: Box, earlier: Earlier | None, speed: float
) -> tuple[str, Layers, Real]:
    """Its name, the points on it, and the layers' distances: those of the earlier scan if nothing else is asked for.

    A second layer is a quarter of a wavelength farther out at the highest frequency at which the room is heard: at
    half a wavelength outgoing and incoming sound of degree 0 look the same.
    """
    unsaid = choices.surface is None and choices.layers is None and choices.clearance_m is None
    if earlier is not None and unsaid:
        layers = earlier_layers(earlier)
        return "as before", layers, nearest_radii(layers(LEVEL_POINTS), box)
    clear = USUAL_CLEARANCE if choices.clearance_m is None else choices.clearance_m
    surface = choices.surface or "shell"
    radii = layer_radii(box, clear, choices.layers or 1, speed / choices.room_up_to_hz / 4)
    return surface, even_layers(surface, box, radii), radii


def _bands(up_to_hz: float, earlier: Earlier | None) -> tuple[Real, Integer]:
    """Third-octave bands from the lowest to that frequency, and the indices of those to work out."""
    first, last = third_octave_index(np.array([LOWEST_HZ, up_to_hz]))
    if earlier is None:
        count = last - first + 1
        worked = np.unique(np.r_[np.arange(count - 1, -1, -BANDS_APART), 0])
    else:
        if last > earlier.band[-1] or last < earlier.band[0]:
            low, high = earlier.frequency_hz[[0, -1]]
            raise SettingsError(
                f"the earlier scan holds {low:.0f} to {high:.0f} Hz, the plan goes up to {up_to_hz:.0f} Hz: choose "
                "a frequency within, or plan without that scan"
            )
        first = max(first, earlier.band[0])
        last = earlier.band[earlier.band <= last][-1]
        worked = earlier.band[(earlier.band >= first) & (earlier.band <= last)] - first
    return third_octave_centre(np.arange(first, last + 1)), worked


def _room_db(choices: PlanChoices, earlier: Earlier | None) -> float | None:
    """Two layers are there to take a room out; an earlier scan knows its own."""
    if choices.room_db is None and earlier is None and choices.layers == 2:
        return USUAL_ROOM_DB
    return choices.room_db


@dataclass(frozen=True, eq=False)
class _WorkedOut:
    """``modes``: far fields that together hold all but the target of what the device may radiate; ``points`` that the
    band takes, NaN where none tried do, and the error with the last number tried, the ``most``; a ``reason`` where
    nothing can be told."""

    modes: float
    points: float
    most: float
    error_db: float
    reason: str


def _worked_out(job: _Job, band_hz: float, target_db: float) -> _WorkedOut:
    """One band."""
    expected = job.expected(band_hz)
    formula = expected.formula
    modes = mode_number(formula.model, formula.weight, target_db)
    if expected.reason:
        return _WorkedOut(modes, np.nan, 0.0, np.nan, expected.reason)
    wanted = FEWEST_POINTS * STEP ** np.arange(int(np.log(MOST_POINTS / FEWEST_POINTS) / np.log(STEP)) + 1)
    tried: dict[float, float] = {}
    for count in wanted[max(int(np.searchsorted(wanted, modes / 2)) - 1, 0) :]:
        tried[float(count)] = formula.at(np.concatenate(job.layers(count)))
        if tried[float(count)] <= target_db:
            break
    most, error_db = max(tried), tried[max(tried)]
    seems = _crossed(tried, target_db)
    if min(tried) < seems < most:
        tried[seems] = formula.at(np.concatenate(job.layers(seems)))
    return _WorkedOut(modes, _crossed(tried, target_db), most, error_db, "")


def _crossed(tried: dict[float, float], target_db: float) -> float:
    """Number of points from which on the target is met, of numbers tried with their errors."""
    size = np.array(sorted(tried))
    return crossing(size, np.array([tried[one] for one in size]), target_db)


def _limit(job: _Job, found: _WorkedOut, band_hz: float, points: Integer, target_db: float) -> Limit:
    """Of a band with the most points tried if that misses the target, else with those planned."""
    expected = job.expected(band_hz)
    if np.isnan(found.points):
        return limit_of(expected, job.layers, found.most, band_hz, found.error_db, target_db)
    planned = float(points.max())
    error_db = expected.formula.at(np.concatenate(job.layers(planned)))
    return limit_of(expected, job.layers, planned, band_hz, error_db, target_db)


def _nothing_does(job: _Job, found: list[_WorkedOut], target_db: float) -> SettingsError:
    told = [(i, one) for i, one in enumerate(found) if not one.reason]
    if not told:
        return SettingsError(f"{found[0].reason}: plan without that scan")
    at, one = told[0]
    hz = float(job.band_hz[job.worked[at]])
    cause = limit_of(job.expected(hz), job.layers, one.most, hz, one.error_db, target_db).cause
    return SettingsError(
        f"{one.most:,.0f} points would bring {one.error_db:.0f} dB at {hz:.0f} Hz, the target is {target_db:g} dB: "
        f"choose {REMEDIES[cause]}, or another target"
    )


def _untold(job: _Job, found: list[_WorkedOut]) -> tuple[str, ...]:
    """Why a band cannot be told, or nothing, (bands,)."""
    reasons = dict(zip(job.worked.tolist(), (one.reason for one in found), strict=True))
    return tuple(reasons.get(index, "") for index in range(len(job.band_hz)))


def _orders(choices: PlanChoices, job: _Job) -> dict[str, Any]:
    """Orders for the target by band, and the size k·r0 that they rest on."""
    target, reach, r0 = choices.target_db, choices.source_radius_m, float(np.linalg.norm(job.box.size_m) / 2)
    scanned = np.concatenate(job.layers(LEVEL_POINTS))
    nearest = float(np.linalg.norm(scanned - job.source_m, axis=1).min())
    apart, around = max(nearest / reach, 1.02), max(float(job.radii_m[0]) / r0, 1.02)
    size = 2 * np.pi * job.band_hz / job.speed_m_s * r0
    return {
        "size": size,
        "hansen": np.array([hansen_order(x) for x in size]),
        "jensen_frandsen": np.array([jensen_frandsen_order(x, target) for x in size]),
        "far": np.array([far_order(x, target) for x in size]),
        "near": np.array([near_order(x, around, target) for x in size]),
        "source_order": np.array([near_order(x / r0 * reach, apart, target) for x in size]),
    }


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


def _positions(layers: Layers, total: int) -> Positions:
    parts = layers(total)
    layer = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return travel_order(np.concatenate(parts), layer, np.random.default_rng(0))
