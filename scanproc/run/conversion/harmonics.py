"""The harmonics that a scan file holds, fitted by the model of the fundamental: distortion in the far field."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from scanproc.conventions import Real
from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.distortion import Distortion
from scanproc.records.expansion import Expansion
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import ImpulseScan, Scan
from scanproc.run.conversion.datasheet import curve_choices
from scanproc.run.conversion.fitting import make_plan_like
from scanproc.run.conversion.heard import BLOCK_SAMPLES, Heard
from scanproc.run.conversion.preparation import Prepared
from scanproc.run.conversion.room import RoomPlan, fit_in_room, sides
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.each import Each
from scanproc.steps.farfield.distortion import Harmonic, distortion
from scanproc.steps.field.view import view_from
from scanproc.steps.fit.plan import sample_frequencies
from scanproc.steps.sound.gate import device_centre_m
from scanproc.steps.sound.harmonics import noise_ahead

PER_OCTAVE = 6
"""Excitation frequencies at which harmonics are fitted: each costs as much as one of the fundamental."""


def distortion_of(
    heard: Heard,
    settings: Settings,
    plan: Prepared,
    fundamental: Expansion,
    each: Each,
    progress: Progress = silent,
) -> Distortion | None:
    """Distortion by the plan of the fundamental; None where the file holds no harmonics within the band wanted.

    A harmonic has its own weights; places of sources, displacements of points, scattering, gate and drift are the
    fundamental's. Drift of gain counts as the microphone's.
    """
    all_hz = plan.frequency_hz
    excitation = sample_frequencies(all_hz, PER_OCTAVE)
    found = {}
    for order, (low, high) in heard.file.harmonics.items():
        own_hz = order * all_hz[excitation]
        at = np.flatnonzero((own_hz >= low) & (own_hz <= min(high, all_hz[-1])))
        if len(at):
            found[order] = replace(_fitted(heard, settings, plan, order, own_hz[at], each, progress), at=at)
    return distortion(fundamental, excitation, found, curve_choices(settings.curves)) if found else None


def _fitted(
    heard: Heard,
    settings: Settings,
    plan: Prepared,
    order: int,
    own_hz: Real,
    each: Each,
    progress: Progress,
) -> Harmonic:
    """A harmonic at its own frequencies (F,)."""
    other = replace(heard, file=heard.file.harmonic(order))
    done = 0

    def count(more: int) -> None:
        nonlocal done
        done = min(done + more, len(own_hz))
        progress(f"frequencies of harmonic {order} fitted", done, len(own_hz))

    progress(f"frequencies of harmonic {order} fitted", 0, len(own_hz))
    room = _plan(other, settings, plan.room, own_hz, each)
    expansion, _ = fit_in_room(other, room, own_hz, each, count)
    return Harmonic(expansion, np.arange(len(own_hz)), _least_error(other.file, own_hz))


def _plan(heard: Heard, settings: Settings, known: RoomPlan, frequency_hz: Real, each: Each) -> RoomPlan:
    """The room's plan with the weights of other sound."""
    low, high = sides(known, frequency_hz)

    def again(fit: FitPlan | None, wanted_hz: Real, gated: bool) -> FitPlan | None:
        if fit is None or not len(wanted_hz):
            return None
        few = wanted_hz[sample_frequencies(wanted_hz)]
        sample: Scan = heard.steady(few)
        if gated and known.gate is not None:
            sample = heard.gated(few, known.gate)
        return make_plan_like(sample, wanted_hz, settings.fit, fit, each)

    return replace(known, whole=again(known.whole, low, False), gated=again(known.gated, high, True))


def _least_error(file: ScanFile, frequency_hz: Real) -> Real:
    """Least rms error of a far-field pressure (F,), Pa·m, that any fit could have: that of one monopole in noise.

    Its strength A from p_i = A/r_i has the variance σ²/Σ r_i^-2, and more sources only add to it.
    """
    count = max(1, -(-file.points * file.samples // BLOCK_SAMPLES))
    edges = np.linspace(0, file.points, count + 1).round().astype(int)
    power = np.zeros(len(frequency_hz))
    for a, b in pairwise(edges):
        block = file.read_points(slice(int(a), int(b)))
        assert isinstance(block, ImpulseScan)
        ahead = noise_ahead(
            block.impulse_response_pa, -block.time_zero_s, block.sampling_rate_hz, frequency_hz
        )
        power += ahead * (b - a) / file.points
    radius = view_from(file.setup.position_m, device_centre_m(file.setup)).radius_m
    least: Real = np.sqrt(power / np.sum(radius**-2.0))
    return least
