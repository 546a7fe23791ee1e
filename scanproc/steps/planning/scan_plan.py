"""Before a scan: how many points, on which surface, in which order of travel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from typing import Any, Literal

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.answers.scan_plan import Limit, Placing, Positions, ScanPlan
from scanproc.steps.model.box import Box
from scanproc.steps.model.field_model import Device
from scanproc.steps.planning.earlier import Earlier
from scanproc.steps.planning.expected import USUAL_ROOM_DB, Conditions, Expected, as_before, usual
from scanproc.steps.planning.limits import REMEDIES, limit_of
from scanproc.steps.planning.needs import LEVEL_POINTS, Needs, Question, needs
from scanproc.steps.planning.positions import travel_order
from scanproc.steps.planning.surfaces import (
    Layers,
    LayersFrom,
    earlier_layers,
    even_layers,
    layer_radii,
    nearest_radii,
)
from scanproc.steps.planning.viewpoint import View, best_view, views
from scanproc.steps.points.bands import beyond
from scanproc.steps.points.study import SECONDS_PER_POINT
from scanproc.waves.air import speed_of_sound_m_s
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.order_rules import far_order, hansen_order, jensen_frandsen_order, near_order

LOWEST_HZ = 100.0
AS_BEFORE = "as before"
"""The surface of an earlier scan."""
USUAL_CLEARANCE = 0.10
"""Metres between the device's farthest corner and the nearest point."""
BANDS_APART = 3
"""Bands are worked out an octave apart and at the last; with an earlier scan, all that it holds."""


@dataclass(frozen=True)
class PlanChoices:
    """What is known of the device and wanted of the scan; lengths in m, in the scan's frame.

    With an earlier scan ``size_m`` and ``centre_m`` are that device's unless given, and so is the surface if neither
    ``surface``, ``layers`` nor ``clearance_m`` is. ``source_m``: where the high-frequency source sits,
    ``source_radius_m`` its extent. ``clearance_m`` between the device and the inner layer; ``room_up_to_hz``: above, a
    gate cuts the room off. ``snr_db``, ``arm_mm`` and ``room_db`` as :class:`Conditions`.
    ``toward_m``: places that points may lie denser around; ``points``: so many, whatever the target takes.
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
    seconds_per_point: float | None = None
    temperature_c: float = 20.0
    toward_m: tuple[tuple[float, float, float], ...] = ()
    points: int | None = None


@dataclass(frozen=True, eq=False)
class _Job:
    """A plan's choices made definite: the device, where points lie, and what is asked about even ones."""

    box: Box
    source_m: Real
    surface: str
    radii_m: Real
    layers_from: LayersFrom
    speed_m_s: float
    question: Question


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
    done, total = count(), len(job.question.worked) * (2 if choices.toward_m else 1)
    found, placing = _placed(job, choices, lambda _: progress(next(done), total))
    progress(total, total)
    if not found.total:
        raise _nothing_does(job, found)
    planned = choices.points or found.total
    view = np.array(placing.view_m) if placing is not None and placing.share else None
    return ScanPlan(
        target_db=choices.target_db,
        band_hz=job.question.band_hz,
        **_orders(choices, job),
        modes=found.modes,
        points=found.points,
        surface=job.surface,
        radii_m=job.radii_m,
        positions=_positions(found.question.layers, planned, view),
        seconds_per_point=choices.seconds_per_point or pace_of(earlier),
        limit=_limit(found, planned),
        planned=planned,
        like=earlier.name if earlier else "",
        untold=_untold(job, found),
        placing=placing,
    )


def _placed(job: _Job, choices: PlanChoices, progress: Callable[[int], None]) -> tuple[Needs, Placing | None]:
    """What even points take, or points around a place where fewer of these do, or as many do better."""
    even = needs(job.question, progress)
    if not choices.toward_m or not even.total:
        return even, None
    found = best_view(
        job.question, job.layers_from, views(job.box, choices.toward_m), choices.points or even.total
    )
    middle = View(job.box.centre_m, 0.0, np.array(choices.toward_m[0]))
    if found is None:
        return even, _placing(middle, even)
    seen = needs(replace(job.question, layers=job.layers_from(found.at_m), modes=even.modes_by_hz), progress)
    better = len(seen.missed) < len(even.missed) or seen.total < even.total
    return (seen, _placing(found, even)) if better or choices.points else (even, _placing(middle, even))


def _placing(view: View, even: Needs) -> Placing:
    at, toward = (tuple(float(value) for value in place) for place in (view.at_m, view.toward_m))
    return Placing(at, toward, view.share, even.points)


def pace_of(earlier: Earlier | None) -> float:
    """Seconds per point: those of the earlier scan, if it was asked, else the usual ones."""
    return SECONDS_PER_POINT if earlier is None or earlier.study is None else earlier.study.seconds_per_point


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
    unsaid = choices.toward_m[0] if choices.toward_m else box.centre_m
    source = np.array(unsaid if choices.source_m is None else choices.source_m)
    _require_on_device("source_m", box, source)
    if choices.points is not None and choices.points < 1:
        raise SettingsError(f"a scan needs at least 1 point, got {choices.points}")
    for place in choices.toward_m:
        _require_on_device("toward_m", box, np.array(place))
    surface, layers_from, radii = _surface(choices, box, earlier, speed)
    at = np.concatenate(layers_from(None)(LEVEL_POINTS))
    band, worked = _bands(choices.up_to_hz, earlier)

    def expected(hz: float) -> Expected:
        room = _room_db(choices, earlier) if hz <= choices.room_up_to_hz else None
        given = Conditions(choices.snr_db, choices.arm_mm, room)
        if earlier is None:
            return usual(Device(box, source[None]), 2 * np.pi * hz / speed, at, given)
        index = int(np.flatnonzero(earlier.band == third_octave_index(np.array([hz]))[0])[0])
        told = as_before(earlier, index, at, given)
        return replace(told, reason=told.reason or earlier.refused(hz))

    question = Question(band, worked, expected, layers_from(None), choices.target_db)
    if earlier is not None:
        question = replace(question, corrected_db=earlier.corrected_db)
        if surface == AS_BEFORE and (choices.snr_db, choices.arm_mm, choices.room_db) == (None, None, None):
            question = replace(question, tried=partial(_tried_before, earlier, question))
    return _Job(box, source, surface, radii, layers_from, speed, question)


def _tried_before(earlier: Earlier, question: Question, hz: float, expected: Expected) -> tuple[Real, Real]:
    """Numbers of points and errors as the earlier scan's study has them; for another target it goes on beyond."""
    size, error = earlier.curve_at(hz)
    if earlier.study is None or not len(size) or error[-1] <= question.target_db:
        return size, error
    if earlier.study.target_db == question.target_db:
        return size, error
    scanned = earlier.study.points
    larger, there = beyond(
        expected.formula,
        scanned,
        question.target_db,
        question.target_db,
        lambda number: np.concatenate(question.layers(number)),
    )
    within = size <= scanned
    return np.append(size[within], larger), np.append(error[within], there)


def _require_on_device(name: str, box: Box, place_m: Real) -> None:
    if np.any(np.abs(place_m - box.centre_m) > box.size_m / 2 + 0.05):
        raise SettingsError(
            f"the source must lie on the device, not more than 5 cm outside its box: correct {name}"
        )


def _box(choices: PlanChoices, earlier: Earlier | None) -> Box:
    """The device's, given or as the earlier one's."""
    if choices.size_m is None and earlier is None:
        raise SettingsError("the size of the device is needed: give --size, or --like with an earlier result")
    size = earlier.box.size_m if choices.size_m is None and earlier else np.array(choices.size_m)
    usual_centre = earlier.box.centre_m if earlier else np.zeros(3)
    return Box(usual_centre if choices.centre_m is None else np.array(choices.centre_m), size)


def _surface(
    choices: PlanChoices, box: Box, earlier: Earlier | None, speed: float
) -> tuple[str, LayersFrom, Real]:
    """Its name, the points on it by where they look even from, and the layers' distances: those of the earlier scan if
    nothing else is asked for.

    A second layer is a quarter of a wavelength farther out at the highest frequency at which the room is heard: at
    half a wavelength outgoing and incoming sound of degree 0 look the same.
    """
    unsaid = choices.surface is None and choices.layers is None and choices.clearance_m is None
    if earlier is not None and unsaid:
        even = earlier_layers(earlier, None)
        radii = nearest_radii(even(LEVEL_POINTS), box)
        return AS_BEFORE, lambda view: earlier_layers(earlier, view), radii
    clear = USUAL_CLEARANCE if choices.clearance_m is None else choices.clearance_m
    surface = choices.surface or "shell"
    radii = layer_radii(box, clear, choices.layers or 1, speed / choices.room_up_to_hz / 4)
    return surface, lambda view: even_layers(surface, box, radii, view), radii


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


def _limit(found: Needs, planned: int) -> Limit:
    """Of the lowest band that misses the target, with the most points tried or those planned; where none does, of the
    highest."""
    question, worked = found.question, found.question.worked
    told = [i for i, one in enumerate(found.found) if not one.reason]
    short = [i for i in told if not 0 < found.points[worked[i]] <= planned]
    first = short[0] if short else told[-1]
    band_hz, one = float(question.band_hz[worked[first]]), found.found[first]
    points = one.most if np.isnan(one.points) and one.most > planned else float(planned)
    expected = question.told(band_hz)
    error_db = expected.formula.at(np.concatenate(question.layers(points)))
    return limit_of(
        expected, question.layers, points, band_hz, error_db, question.target_db, missed=bool(short)
    )


def _nothing_does(job: _Job, found: Needs) -> SettingsError:
    told = [(i, one) for i, one in enumerate(found.found) if not one.reason]
    if not told:
        return SettingsError(f"{found.found[0].reason}: plan without that scan")
    (at, one), question = told[0], job.question
    hz = float(question.band_hz[question.worked[at]])
    cause = limit_of(
        question.told(hz), question.layers, one.most, hz, one.error_db, question.target_db, missed=True
    ).cause
    return SettingsError(
        f"{one.most:,.0f} points would bring {one.error_db:.0f} dB at {hz:.0f} Hz, the target is "
        f"{question.target_db:g} dB: choose {REMEDIES[cause]}, or another target"
    )


def _untold(job: _Job, found: Needs) -> tuple[str, ...]:
    """Why a band cannot be told, or nothing, (bands,)."""
    reasons = dict(zip(job.question.worked.tolist(), (one.reason for one in found.found), strict=True))
    return tuple(reasons.get(index, "") for index in range(len(job.question.band_hz)))


def _orders(choices: PlanChoices, job: _Job) -> dict[str, Any]:
    """Orders for the target by band, and the size k·r0 that they rest on."""
    target, reach, r0 = choices.target_db, choices.source_radius_m, float(np.linalg.norm(job.box.size_m) / 2)
    scanned = np.concatenate(job.question.layers(LEVEL_POINTS))
    nearest = float(np.linalg.norm(scanned - job.source_m, axis=1).min())
    apart, around = max(nearest / reach, 1.02), max(float(job.radii_m[0]) / r0, 1.02)
    size = 2 * np.pi * job.question.band_hz / job.speed_m_s * r0
    return {
        "size": size,
        "hansen": np.array([hansen_order(x) for x in size]),
        "jensen_frandsen": np.array([jensen_frandsen_order(x, target) for x in size]),
        "far": np.array([far_order(x, target) for x in size]),
        "near": np.array([near_order(x, around, target) for x in size]),
        "source_order": np.array([near_order(x / r0 * reach, apart, target) for x in size]),
    }


def _positions(layers: Layers, total: int, view_m: Real | None) -> Positions:
    parts = layers(total)
    layer = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return travel_order(np.concatenate(parts), layer, np.random.default_rng(0), view_m)
