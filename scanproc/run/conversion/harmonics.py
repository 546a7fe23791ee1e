"""The harmonics that a scan file holds, fitted by the model of the fundamental: distortion in the far field."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from scanproc.conventions import Real
from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.answers.distortion import Distortion
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.run.conversion.datasheet import curve_choices
from scanproc.run.conversion.effort import excitations, harmonic_frequencies
from scanproc.run.conversion.fitting import make_plan_like
from scanproc.run.conversion.heard import BLOCK_SAMPLES, Heard
from scanproc.run.conversion.preparation import Prepared
from scanproc.run.conversion.room import RoomPlan, as_fitted, fit_in_room, sides
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.each import Each
from scanproc.steps.farfield.distortion import Harmonic, distortion
from scanproc.steps.field.view import device_centre_m, view_from
from scanproc.steps.fit.plan import sample_frequencies
from scanproc.steps.sound.gate import gate
from scanproc.steps.sound.harmonics import FADE_SHARE, noise_density, window_of


@dataclass(frozen=True, eq=False)
class HeardHarmonic(Heard):
    """A harmonic of a scan file, with the noise that comes ahead of it."""

    def steady(self, frequency_hz: Real) -> Scan:
        return self._with_noise(super().steady(frequency_hz), None)

    def gated(self, frequency_hz: Real, window: Gate) -> Scan:
        return self._with_noise(super().gated(frequency_hz, window), window)

    def _with_noise(self, scan: Scan, window: Gate | None) -> Scan:
        file = self.file
        kept = window_of(file.samples, round(-file.time_zero_s * file.sampling_rate_hz))
        cut = ImpulseScan(
            file.setup, np.tile(kept, (file.points, 1)), file.sampling_rate_hz, file.time_zero_s
        )
        cut = cut if window is None else gate(cut, window)
        energy = np.mean(np.sum(cut.impulse_response_pa**2, axis=1))
        return replace(scan, noise_pa=np.sqrt(_density(file, scan.frequency_hz) * energy))


def distortion_of(
    heard: Heard,
    settings: Settings,
    plan: Prepared,
    fundamental: Expansion,
    each: Each,
    progress: Progress = silent,
) -> tuple[Distortion | None, tuple[str, ...]]:
    """Distortion by the plan of the fundamental, and warnings; None where no harmonic lies within the band wanted."""
    found = fit_harmonics(heard, settings, plan, each, progress)
    lost = sorted(set(heard.file.harmonics) - set(found))
    warnings = tuple(
        f"harmonic {order} is left out: its window ends before the gate, or its band lies outside the results; sweep "
        "more slowly"
        for order in lost
    )
    if not found:
        return None, warnings
    return distortion(
        fundamental, excitations(plan.frequency_hz), found, curve_choices(settings.curves)
    ), warnings


def fit_harmonics(
    heard: Heard, settings: Settings, plan: Prepared, each: Each, progress: Progress = silent
) -> dict[int, Harmonic]:
    """The harmonics of a file by order, within the band of the results; without those that the gate would outlast.

    A harmonic has its own weights; places of sources, displacements of points, scattering, gate and drift are the
    fundamental's. Drift of gain counts as the microphone's.
    """
    found = {}
    for order, (at, own_hz) in harmonic_frequencies(plan.frequency_hz, heard.file.harmonics).items():
        names = [entry.name for entry in fields(Heard)]
        other = HeardHarmonic(
            **{name: getattr(heard, name) for name in names} | {"file": heard.file.harmonic(order)}
        )
        if len(at) and _outlasts(other.file, plan.room.gate):
            fitted = _fitted(other, settings, plan, f"harmonic {order}", own_hz, each, progress)
            found[order] = replace(fitted, at=at)
    return found


def _outlasts(file: ScanFile, window: Gate | None) -> bool:
    """Whether the window of a harmonic is open until a gate has closed."""
    end_s = file.time_zero_s + (1 - FADE_SHARE) * file.samples / file.sampling_rate_hz
    return window is None or float(window.end_s.max()) < end_s


def _fitted(
    heard: HeardHarmonic,
    settings: Settings,
    plan: Prepared,
    name: str,
    own_hz: Real,
    each: Each,
    progress: Progress,
) -> Harmonic:
    """A harmonic at its own frequencies (F,)."""
    done = 0

    def count(more: int) -> None:
        nonlocal done
        done = min(done + more, len(own_hz))
        progress(f"frequencies of {name} fitted", done, len(own_hz))

    progress(f"plans of {name} made", 0, 1)
    own_plan = _plan(heard, settings, plan.room, own_hz, each)
    progress(f"plans of {name} made", 1, 1)
    progress(f"frequencies of {name} fitted", 0, len(own_hz))
    expansion, _ = fit_in_room(heard, own_plan, own_hz, each, count)
    return Harmonic(expansion, np.arange(len(own_hz)), _least_error(heard, plan.room, own_hz))


def _plan(heard: Heard, settings: Settings, known: RoomPlan, frequency_hz: Real, each: Each) -> RoomPlan:
    """The room's plan with the weights of other sound."""
    low, high = sides(known, frequency_hz)

    def again(fit: FitPlan | None, scan: Callable[[Real], Scan], wanted_hz: Real) -> FitPlan | None:
        if fit is None or not len(wanted_hz):
            return None
        sample = scan(wanted_hz[sample_frequencies(wanted_hz)])
        return make_plan_like(sample, wanted_hz, settings.fit, fit, each)

    window = known.gate
    gated = None if window is None else again(known.gated, lambda hz: heard.gated(hz, window), high)
    return replace(known, whole=again(known.whole, heard.steady, low), gated=gated)


def _least_error(heard: HeardHarmonic, known: RoomPlan, frequency_hz: Real) -> Real:
    """Least rms error of a far-field pressure (F,), Pa·m, that any fit could have: that of one monopole in noise.

    Its strength A from p_i = A/r_i has the variance σ²/Σ r_i^-2, and more sources only add to it.
    """
    scans = [
        as_fitted(heard, known, frequency_hz[index : index + 1])[0] for index in range(len(frequency_hz))
    ]
    setup = scans[0].setup
    radius = view_from(setup.position_m, device_centre_m(setup)).radius_m
    noise = np.concatenate([scan.noise_pa for scan in scans if scan.noise_pa is not None])
    least: Real = noise / np.sqrt(np.sum(radius**-2.0))
    return least


def _density(file: ScanFile, frequency_hz: Real) -> Real:
    """Power per sample (F,) of the noise ahead of a harmonic, mean of all points, Pa²."""
    count = max(1, -(-file.points * file.samples // BLOCK_SAMPLES))
    edges = np.linspace(0, file.points, count + 1).round().astype(int)
    total = np.zeros(len(frequency_hz))
    for a, b in pairwise(edges):
        block = file.read_points(slice(int(a), int(b)))
        assert isinstance(block, ImpulseScan)
        response, rate = block.impulse_response_pa, block.sampling_rate_hz
        total += (b - a) * noise_density(response, -block.time_zero_s, rate, frequency_hz)
    return total / file.points
