"""The room taken out: a plan for a whole scan, then any part of its frequencies by that plan.

The room's sound is part of the model where the points can tell it or the surroundings are known. Responses are also
gated before the first reflection, from 1/T up; what the gate left is again the model's. In the octave above 1/T both
are fitted and joined by their predicted errors. The plan depends on scan and settings alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.fitted.budget import Budget, join
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.fitted.room import Gate, RoomReport
from scanproc.records.measured.scan import Scan
from scanproc.run.conversion.fitting import fit_block, make_plan
from scanproc.run.conversion.heard import Heard
from scanproc.run.settings.conversion import RoomSettings, Settings
from scanproc.steps.each import Each
from scanproc.steps.field.crossfade import joined
from scanproc.steps.field.layers import has_two_layers
from scanproc.steps.fit.plan import sample_frequencies
from scanproc.steps.fit.scattering import learn_scattering, useful_frequencies
from scanproc.steps.fit.stated import contradicted
from scanproc.steps.fit.weights import room_level_db
from scanproc.steps.model.box import Box, device_box
from scanproc.steps.model.room_waves import Scattering
from scanproc.steps.sound.gate import gate_after, gate_in_room, gate_until
from scanproc.steps.sound.reflections import gap_s

WRONG_SHARE = 0.25
"""A middle that is stated farther off than this share of the smallest side is named; nearer, the device is in both."""
SHARED_OCTAVES = 1.0
"""So far above the gate's limit 1/T the whole responses are fitted too."""


@dataclass(frozen=True, eq=False)
class RoomPlan:
    """``whole``: the fit of the sound as it is, for frequencies below ``shared_hz``; ``gated``: of the sound cut by
    ``gate``, from 1/T up. Either is None where there is nothing of it. ``modelled``: the room is part of the model."""

    gate: Gate | None
    whole: FitPlan | None
    gated: FitPlan | None
    modelled: bool
    notes: tuple[str, ...]
    warnings: tuple[str, ...] = ()

    @property
    def budget(self) -> Budget | None:
        """Of the fit that is taken at each frequency: the gated one where it is valid."""
        start, _ = self.shared_hz
        whole, gated = (None if fit is None else fit.budget for fit in (self.whole, self.gated))
        parts = [] if whole is None else [whole.between(0.0, start)]
        parts += [] if gated is None else [gated.between(start, np.inf)]
        return join(parts) if parts else None

    @property
    def learnt(self) -> tuple[FitPlan, ...]:
        """What the fits know of the device, the gated one last: it is taken from its first frequency on."""
        fits = [fit for fit in (self.whole, self.gated) if fit is not None and not fit.truncated]
        return tuple(fit.of_device() for fit in fits)

    @property
    def shared_hz(self) -> tuple[float, float]:
        """From where the gated sound is fitted, up to where the whole is."""
        if self.gate is None:
            return np.inf, np.inf
        return self.gate.lowest_valid_hz, self.gate.lowest_valid_hz * 2**SHARED_OCTAVES


def plan_room(heard: Heard, settings: Settings, frequency_hz: Real, each: Each) -> RoomPlan:
    """What to do about the room at the wanted frequencies (F,).

    Raises ScanDataError where the user asked for what the scan does not allow.
    """
    modelled, notes, warnings = _modelled(heard, settings)
    gate = None if settings.room.method in ("none", "model") else find_gate(heard, settings.room)
    scattering = _scattering(heard, settings.room, frequency_hz, each) if modelled else None
    bare = RoomPlan(gate, None, None, modelled, (), ())
    low, high = sides(bare, frequency_hz)

    def plan(scan: Callable[[Real], Scan], wanted_hz: Real) -> FitPlan | None:
        if not len(wanted_hz):
            return None
        sample = scan(wanted_hz[sample_frequencies(wanted_hz)])
        return make_plan(sample, wanted_hz, settings.fit, scattering, each)

    whole = plan(heard.steady, low)
    gated = None if gate is None else plan(lambda hz: heard.gated(hz, gate), high)
    taken, wrong = taken_for(heard, whole or gated)
    notes = (*_drift_notes(heard), *notes, *taken)
    return RoomPlan(gate, whole, gated, modelled, notes, (*warnings, *wrong))


def fit_in_room(
    heard: Heard,
    plan: RoomPlan,
    frequency_hz: Real,
    each: Each,
    progress: Callable[[int], None] | None = None,
) -> tuple[Expansion, RoomReport]:
    """The device's expansion at some frequencies (F,), without the room as far as the plan goes."""
    low, high = sides(plan, frequency_hz)
    parts = []
    if len(low) and plan.whole is not None:
        parts.append(fit_block(heard.steady(low), plan.whole, each, progress))
    if len(high) and plan.gated is not None and plan.gate is not None:
        parts.append(fit_block(heard.gated(high, plan.gate), plan.gated, each, progress))
    expansion = parts[0] if len(parts) == 1 else joined(parts[0], parts[1])
    return expansion, _report(plan, frequency_hz)


def as_fitted(heard: Heard, plan: RoomPlan, frequency_hz: Real) -> tuple[Scan, FitPlan]:
    """The sound at one kind of the plan's frequencies, (F,), as it is fitted, and how: gated where a gate is valid."""
    start, _ = plan.shared_hz
    if plan.gate is not None and plan.gated is not None and frequency_hz[0] >= start:
        return heard.gated(frequency_hz, plan.gate), plan.gated
    assert plan.whole is not None
    return heard.steady(frequency_hz), plan.whole


def sides(plan: RoomPlan, frequency_hz: Real) -> tuple[Real, Real]:
    """The frequencies at which the whole sound is fitted, and those of the gated."""
    start, end = plan.shared_hz
    return frequency_hz[frequency_hz < end], frequency_hz[frequency_hz >= start]


def _modelled(heard: Heard, settings: Settings) -> tuple[bool, tuple[str, ...], tuple[str, ...]]:
    """Whether the room is part of the model, with notes and warnings about that."""
    environment = heard.setup.environment
    method = settings.room.method
    if method == "none":
        return False, ("the room was left out of the model, as the settings ask",), ()
    if settings.fit.estimator == "truncated" or settings.fit.order != "auto":
        return _of_least_squares(method, environment)
    if method in ("model", "gate"):
        return True, (), ()
    if environment == "anechoic":
        return False, ("the scan says that it was taken in free field",), ()
    if environment == "room" or has_two_layers(heard.setup, device_box(heard.setup).centre_m):
        return True, (), ()
    return (
        False,
        ("one layer of points, and nothing said about the surroundings: taken as free field",),
        ("one layer of points cannot tell the device from a room: what a room reflected is in the results",),
    )


def _of_least_squares(method: str, environment: str | None) -> tuple[bool, tuple[str, ...], tuple[str, ...]]:
    """Orders know no room, whoever asks for it. Raises ScanDataError where the settings ask for its model."""
    if method == "model":
        raise ScanDataError(
            'the room cannot be part of least squares up to an order: set fit.estimator and fit.order to "auto"'
        )
    if environment == "anechoic":
        return False, ("the scan says that it was taken in free field",), ()
    warning = "least squares up to an order cannot tell the device from a room: what no gate cut off is in the results"
    return False, ("least squares up to an order knows no room",), (warning,) if environment == "room" else ()


def _scattering(heard: Heard, settings: RoomSettings, frequency_hz: Real, each: Each) -> Scattering:
    """How much of the room's sound the cabinet scatters: as the settings say, or as the sound shows."""
    if settings.scattering == "none":
        return Scattering(0.0, 0.0)
    if settings.scattering == "rigid":
        return Scattering(1.0, 0.0)
    chosen = useful_frequencies(heard.setup, frequency_hz)
    return learn_scattering(heard.steady(frequency_hz[chosen]), each) if len(chosen) else Scattering()


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


def taken_for(heard: Heard, plan: FitPlan | None) -> tuple[list[str], list[str]]:
    """Notes and warnings where the device is not taken for what the scan says, by a centimetre or more."""
    if plan is None or not contradicted(heard.setup, plan):
        return [], []
    stated, taken = device_box(heard.setup), Box(plan.box_centre_m, plan.box_size_m)
    if _box_words(taken) == _box_words(stated):
        return [], []
    note = f"the sound is explained better by {_box_words(taken)} than by the stated one"
    off = float(np.linalg.norm(taken.centre_m - stated.centre_m))
    if off < WRONG_SHARE * float(taken.size_m.min()):
        return [note], []
    return [note], [
        f"{note}: the middle is stated {off:.2f} m off, check device_centre_m and the scan's origin"
    ]


def _box_words(box: Box) -> str:
    size = " x ".join(f"{value:.2f}" for value in box.size_m)
    middle = ", ".join(f"{value:.2f}" for value in (100 * box.centre_m).round() / 100 + 0.0)
    return f"a device of {size} m about {middle} m"


def _report(plan: RoomPlan, frequency_hz: Real) -> RoomReport:
    start, end = plan.shared_hz
    past = np.log(frequency_hz / start) / np.log(end / start) if plan.gate else np.zeros(len(frequency_hz))
    level = np.full(len(frequency_hz), np.nan)
    for fitted, here in ((plan.whole, frequency_hz < end), (plan.gated, frequency_hz >= end)):
        if plan.modelled and fitted is not None:
            level[here] = room_level_db(fitted, frequency_hz[here])
    return RoomReport(
        frequency_hz,
        gated_share=np.clip(past, 0, 1),
        modelled_share=np.full(len(frequency_hz), float(plan.modelled)),
        incoming_db=level,
        gate_source=plan.gate.source if plan.gate else None,
        gate_length_s=plan.gate.length_s if plan.gate else None,
        shared_hz=(start, end) if plan.gate else None,
        notes=plan.notes,
        warnings=plan.warnings,
    )


def _drift_notes(heard: Heard) -> list[str]:
    drift = heard.drift
    if drift is None:
        return []
    return [
        f"{drift.repeats} repeated measurements show a drift of {drift.total_db:+.2f} dB and "
        f"{1e6 * drift.total_delay_s:+.1f} µs over the scan: taken out, repeats merged"
    ]
