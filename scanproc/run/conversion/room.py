"""The room taken out: a plan for a whole scan, then any part of its frequencies by that plan.

Low frequencies: outgoing and incoming sound told apart by two layers. High frequencies: responses gated before
the first reflection. Between them the two are crossfaded. The plan depends on scan and settings alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.expansion import Expansion
from scanproc.records.fit_plan import FitPlan
from scanproc.records.fit_plan import join as join_plans
from scanproc.records.room import Gate, RoomReport, Separation
from scanproc.records.scan import Scan, beside
from scanproc.run.conversion.fitting import fit_block, fixed_centre, make_plan
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.layer_step import settle_layers
from scanproc.run.settings.conversion import RoomSettings, Settings
from scanproc.steps.field.crossfade import best_octave, blend, columns, mismatch_db, upper_share
from scanproc.steps.field.view import speed_of_sound, view_from
from scanproc.steps.fit.expand import fit
from scanproc.steps.fit.plan import sample_frequencies
from scanproc.steps.separation.layers import ONE_LAYER, depth_of_layers_m
from scanproc.steps.separation.separate import separate, without_incoming
from scanproc.steps.sound.gate import gate_after, gate_in_room, gate_until
from scanproc.steps.sound.reflections import gap_s

SAMPLES = 16
"""Frequencies at which separation is tried, and compared with the gated result, before the whole is fitted."""
LARGEST_ERROR_DB = -20.0
"""Separation ends where its predicted far-field error passes this."""
ANECHOIC_DB = -40.0
"""Incoming sound below this, re the device's, is not worth taking out."""


class Split(Protocol):
    """:func:`separate` with order and centre as the settings want them."""

    def __call__(self, scan: Scan, *, refuse: bool = True) -> Separation: ...


@dataclass(frozen=True)
class Ways:
    """How scans are fitted: ``fit`` for a first look, ``plan`` and ``planned`` in earnest; how separated, and how
    rid of incoming sound."""

    fit: Callable[[Scan], Expansion]
    split: Split
    clean: Callable[[Scan], Scan]
    plan: Callable[[Scan, Real], FitPlan]
    planned: Callable[[Scan, FitPlan], Expansion]


@dataclass(frozen=True, eq=False)
class RoomPlan:
    """``separated``: whether the low side is separated; ``gate``: the window of the high side, if any;
    ``blend_hz``: where the low side passes to the high side, None where one of them takes all; ``fit``: how all that
    is not separated is fitted, None where there is nothing."""

    separated: bool
    gate: Gate | None
    blend_hz: tuple[float, float] | None
    fit: FitPlan | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...] = ()


def ways_of(settings: Settings, progress: Callable[[int], None] | None = None) -> Ways:
    """Fit and separation with order and centre as the settings want them."""
    order = None if settings.fit.order == "auto" else settings.fit.order
    centre = fixed_centre(settings.fit) or (0.0, 0.0, 0.0)
    chosen: dict[str, Any] = {"order": order, "max_order": settings.fit.max_order}
    return Ways(
        partial(fit, centre_m=centre, estimator="truncated", **chosen),
        partial(separate, centre_m=centre, progress=progress, **chosen),
        partial(without_incoming, centre_m=centre, **chosen),
        partial(make_plan, settings=settings.fit),
        partial(fit_block, progress=progress),
    )


def plan_room(heard: Heard, settings: RoomSettings, frequency_hz: Real, ways: Ways) -> RoomPlan:
    """What to do about the room at the wanted frequencies (F,).

    Raises ScanDataError where the user asked for what the scan does not allow.
    """
    heard.learn_drift(spread(frequency_hz))
    notes = _drift_notes(heard)
    if settings.method == "none":
        fit_plan = _plan_fit(heard, False, None, None, frequency_hz, ways)
        return RoomPlan(False, None, None, fit_plan, (*notes, "the room was left in, as the settings ask"))
    gate = None if settings.method == "separate" else find_gate(heard, settings)
    if gate is None and settings.method == "auto":
        uneven = heard.some_responses is None
        notes.append("no gate: spectra at uneven steps" if uneven else "no gate: no reflection known")
    trial = None
    if settings.method in ("separate", "auto"):
        trial = _trial(heard, settings, ways, frequency_hz, notes)
    stepped: list[str] = []
    if trial is not None:
        said, stepped = settle_layers(heard, trial, partial(ways.split, refuse=False), settings.match_layers)
        notes.extend(said)
    band = _blend_band(heard, trial, gate, frequency_hz, ways)
    left = [*stepped, *_gaps(trial, gate, band, frequency_hz)]
    fit_plan = _plan_fit(heard, trial is not None, gate, band, frequency_hz, ways)
    return RoomPlan(trial is not None, gate, band, fit_plan, tuple(notes), tuple(left))


def fit_in_room(heard: Heard, plan: RoomPlan, frequency_hz: Real, ways: Ways) -> tuple[Expansion, RoomReport]:
    """The device's expansion at some frequencies (F,), without the room as far as the plan goes."""
    start, end = _sides(plan.separated, plan.blend_hz)
    low, high = frequency_hz[frequency_hz < end], frequency_hz[frequency_hz > start]
    separation = ways.split(heard.whole(low), refuse=False) if plan.separated and len(low) else None
    parts = []
    if len(low):
        parts.append(_planned(heard.steady(low), plan, ways) if separation is None else separation.outgoing)
    if len(high):
        parts.append(_planned(_upper(heard, plan.gate, high), plan, ways))
    expansion = parts[0] if len(parts) == 1 else blend(parts[0], parts[1], start, end)
    return expansion, _report(plan, frequency_hz, separation)


def as_fitted(heard: Heard, plan: RoomPlan, frequency_hz: Real, ways: Ways) -> tuple[Scan, FitPlan]:
    """The device's sound at some of the plan's frequencies (F,), without the room, and how it is fitted.

    Where outgoing and incoming sound are told apart, this takes the incoming sound out.
    """
    start, _ = _sides(plan.separated, plan.blend_hz)
    low, high = frequency_hz[frequency_hz <= start], frequency_hz[frequency_hz > start]
    scans, plans = [], [] if plan.fit is None else [plan.fit]
    if len(low):
        clean = heard.in_mean_air(ways.clean(heard.whole(low))) if plan.separated else heard.steady(low)
        scans.append(clean)
    if len(low) and plan.separated:
        plans.insert(0, ways.plan(scans[0], low))
    if len(high):
        scans.append(_upper(heard, plan.gate, high))
    return beside(scans), join_plans(plans)


def _sides(separated: bool, blend_hz: tuple[float, float] | None) -> tuple[float, float]:
    """Where the crossfade starts and ends, Hz; all high side from 0, or all low side to infinity, without one."""
    return blend_hz or ((np.inf, np.inf) if separated else (0.0, 0.0))


def _plan_fit(
    heard: Heard,
    separated: bool,
    gate: Gate | None,
    blend_hz: tuple[float, float] | None,
    frequency_hz: Real,
    ways: Ways,
) -> FitPlan | None:
    """The plan for all frequencies that are not separated, from a few of them as they will be fitted."""
    start, _ = _sides(separated, blend_hz)
    fitted = frequency_hz[frequency_hz > start] if separated else frequency_hz
    if not len(fitted):
        return None
    sample = fitted[sample_frequencies(fitted)]
    low, high = sample[sample <= start], sample[sample > start]
    parts = [heard.steady(low)] if len(low) else []
    parts += [_upper(heard, gate, high)] if len(high) else []
    return ways.plan(beside(parts), fitted)


def _planned(scan: Scan, plan: RoomPlan, ways: Ways) -> Expansion:
    assert plan.fit is not None
    return ways.planned(scan, plan.fit)


def find_gate(heard: Heard, settings: RoomSettings) -> Gate | None:
    """The gate from the user, the room's dimensions, the file or the responses, in this order."""
    setup, late = heard.setup, heard.latency_s
    if heard.some_responses is None:
        if settings.method == "gate" or settings.gate_end_s or settings.size_m:
            raise ScanDataError(
                "gating needs impulse responses or spectra at even steps of frequency, this scan's are uneven: "
                "export linear spacing or impulse responses, or leave [room] alone"
            )
        return None
    if settings.gate_end_s is not None:
        return gate_until(setup, settings.gate_end_s, "settings", late)
    if settings.size_m is not None and settings.origin_m is not None:
        return gate_in_room(setup, settings.size_m, settings.origin_m, late)
    if setup.first_reflection_s is not None:
        return gate_until(setup, setup.first_reflection_s, "first_reflection_s of the file", late)
    gap = gap_s(heard.some_responses) if heard.has_responses or settings.method == "gate" else None
    if gap is None and settings.method == "gate":
        raise ScanDataError(
            "no reflection was found in the responses: state the end of the gate (room.gate_end_s)"
        )
    return None if gap is None else gate_after(setup, gap, "estimated from the responses", late)


def spread(frequency_hz: Real) -> Real:
    """About ``SAMPLES`` of the frequencies, evenly over their logarithm."""
    wanted = np.geomspace(frequency_hz[0], frequency_hz[-1], SAMPLES)
    return frequency_hz[np.unique(np.abs(frequency_hz[:, None] - wanted).argmin(axis=0))]


def _trial(
    heard: Heard, settings: RoomSettings, ways: Ways, frequency_hz: Real, notes: list[str]
) -> Separation | None:
    """Separation at a few frequencies up to where it can be trusted; None, with a note, where it is not used."""
    try:
        found = _try_separation(heard, ways, frequency_hz)
    except ScanDataError as error:
        if settings.method == "separate":
            raise
        notes.append(
            "one layer of points" if error.message == ONE_LAYER else f"not separated: {error.message}"
        )
        return None
    incoming = float(np.median(found.incoming_db))
    if settings.method == "auto" and incoming < ANECHOIC_DB:
        notes.append(f"incoming sound lies {-incoming:.0f} dB below the device's: not separated")
        return None
    return found


def _try_separation(heard: Heard, ways: Ways, frequency_hz: Real) -> Separation:
    view = view_from(heard.setup.position_m, (0.0, 0.0, 0.0))
    half_wave = speed_of_sound(heard.setup) / (2 * depth_of_layers_m(heard.setup, view))
    below = frequency_hz[frequency_hz < half_wave]
    if not len(below):
        raise ScanDataError(
            f"layers are half a wavelength apart at {half_wave:.0f} Hz, the lowest frequency is "
            f"{frequency_hz[0]:g} Hz: scan layers closer to each other"
        )
    found = ways.split(heard.whole(spread(below)))
    good = found.usable & (found.outgoing.far_field_error_db <= LARGEST_ERROR_DB)
    if not np.any(good):
        best = float(found.outgoing.far_field_error_db.min())
        raise ScanDataError(
            f"separating the room would leave a far-field error of {best:.0f} dB at best, at most "
            f"{LARGEST_ERROR_DB:g} dB are allowed: add points"
        )
    first = int(np.argmax(good))
    stop = len(good) if np.all(good[first:]) else first + int(np.argmin(good[first:]))
    used = slice(first, stop)
    return Separation(
        columns(found.outgoing, used), found.incoming_db[used], found.noise_gain_db[used], found.usable[used]
    )


def _blend_band(
    heard: Heard, trial: Separation | None, gate: Gate | None, frequency_hz: Real, ways: Ways
) -> tuple[float, float] | None:
    """Where the low side passes to the high side; None where there is one side only."""
    if trial is None:
        return None if gate is None else (gate.lowest_valid_hz, 2 * gate.lowest_valid_hz)
    tried = trial.outgoing.frequency_hz
    top = float(tried[-1])
    if gate is None:
        return None if top >= spread(frequency_hz)[-1] else (top / 2, top)
    least = 2 * gate.lowest_valid_hz if 4 * gate.lowest_valid_hz <= top else gate.lowest_valid_hz
    if top <= least * 1.1:
        return top / 2, top
    shared = np.flatnonzero(tried >= least)
    if len(shared) < 2:
        return least, top
    gated = ways.fit(heard.gated(tried[shared], gate))
    return best_octave(tried[shared], mismatch_db(columns(trial.outgoing, shared), gated))


def _upper(heard: Heard, gate: Gate | None, frequency_hz: Real) -> Scan:
    return heard.steady(frequency_hz) if gate is None else heard.gated(frequency_hz, gate)


def _report(plan: RoomPlan, frequency_hz: Real, separation: Separation | None) -> RoomReport:
    if plan.blend_hz is None:
        upper = np.full(len(frequency_hz), 0.0 if plan.separated else 1.0)
    else:
        upper = upper_share(frequency_hz, *plan.blend_hz)
    incoming, gain = np.full((2, len(frequency_hz)), np.nan)
    if separation is not None:
        low = slice(0, len(separation.incoming_db))
        incoming[low], gain[low] = separation.incoming_db, separation.noise_gain_db
    return RoomReport(
        frequency_hz,
        upper if plan.gate else 0 * upper,
        1 - upper if plan.separated else 0 * upper,
        incoming,
        gain,
        plan.gate.source if plan.gate else None,
        plan.gate.length_s if plan.gate else None,
        plan.blend_hz if plan.separated or plan.gate else None,
        plan.notes,
        plan.warnings,
    )


def _drift_notes(heard: Heard) -> list[str]:
    drift = heard.drift
    if drift is None:
        return []
    return [
        f"{drift.repeats} repeated measurements show a drift of {drift.total_db:+.2f} dB and "
        f"{1e6 * drift.total_delay_s:+.1f} µs over the scan: taken out, repeats merged"
    ]


def _gaps(
    trial: Separation | None, gate: Gate | None, band: tuple[float, float] | None, frequency_hz: Real
) -> list[str]:
    """Where the room remains although something was done about it."""
    found: list[str] = []
    if band is None:
        return found
    start, end = band
    if trial is None and gate is not None and frequency_hz[0] < end:
        found.append(
            f"below {end:.0f} Hz the gate is too short, and there is no second layer: the room is in the results"
        )
    if gate is None and frequency_hz[-1] > start:
        found.append(f"above {start:.0f} Hz the points cannot carry the room's sound: it is in the results")
    if gate is not None and trial is not None and end < 1.1 * gate.lowest_valid_hz:
        found.append(f"from {start:.0f} to {2 * gate.lowest_valid_hz:.0f} Hz neither gate nor layers suffice")
    return found
