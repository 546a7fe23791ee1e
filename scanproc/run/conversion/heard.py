"""The spectra of a scan file as the room's removal needs them: whole, or gated; of all points, at any frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup, beside
from scanproc.steps.field.view import relative_wavenumber
from scanproc.steps.sound.gate import gate, latency_s
from scanproc.steps.sound.mean_air import in_mean_air, mean_air, stretched_spectra
from scanproc.steps.sound.repeats import (
    GainDelayDrift,
    drift_of_repeats,
    without_drift_of_repeats,
    without_repeats,
)
from scanproc.steps.sound.responses import evenly_spaced, responses
from scanproc.steps.sound.spectra import spectra

FEW_POINTS = 300
"""Responses of about so many points tell latency and first reflection."""
BLOCK_SAMPLES = 2**24
"""Values of responses or spectra read at once."""
LEAST_REPEATS = 3
"""Drift is taken out when at least so many measurements came again."""


@dataclass(frozen=True, eq=False)
class Heard:
    """A scan file, read as often as needed; with the ``drift`` that repeated points show taken out.

    ``centre_m`` (3,): where the sound comes from, for spectra of changing air; None for the middle of the device.
    ``stretch`` (points,) of each point's time in mean air; ``some_responses`` of a few points, None where there are
    only spectra at uneven steps; ``latency_s`` of the chain.
    """

    file: ScanFile
    centre_m: Sequence[float] | None
    stretch: Real
    some_responses: ImpulseScan | None
    latency_s: float
    drift: GainDelayDrift | None = None

    @property
    def setup(self) -> ScanSetup:
        return self.file.setup

    @property
    def has_responses(self) -> bool:
        return self.file.kind == "impulse responses"

    def knowing(self, drift: GainDelayDrift | None) -> Heard:
        """The same with a drift taken out."""
        return replace(self, drift=drift)

    def steady(self, frequency_hz: Real) -> Scan:
        """As if the air had kept its mean speed of sound, with the room."""
        if self.has_responses:
            return self._steadied(self._transformed(frequency_hz, None))
        return self._steadied(in_mean_air(self._read(frequency_hz), self.centre_m))

    def gated(self, frequency_hz: Real, window: Gate) -> Scan:
        """Cut by the window, as if the air had kept its mean speed of sound."""
        if self.has_responses:
            return self._steadied(self._transformed(frequency_hz, window))
        return self._steadied(spectra(gate(responses(self._file_in_mean_air()), window), frequency_hz))

    def _steadied(self, scan: Scan) -> Scan:
        return scan if self.drift is None else without_repeats(without_drift_of_repeats(scan, self.drift))

    def _transformed(self, frequency_hz: Real, window: Gate | None) -> Scan:
        """Spectra of a file of impulse responses, read by blocks of points."""
        file, parts = self.file, []
        count = max(1, -(-file.points * file.samples // BLOCK_SAMPLES))
        edges = np.linspace(0, file.points, count + 1).round().astype(int)
        for a, b in pairwise(edges):
            block = slice(int(a), int(b))
            heard = file.read_points(block)
            assert isinstance(heard, ImpulseScan)
            if window is not None:
                heard = gate(heard, replace(window, end_s=window.end_s[block]))
            parts.append(stretched_spectra(heard, frequency_hz, self.stretch[block], self.latency_s))
        pressure: Complex = np.concatenate(parts)
        return Scan(mean_air(file.setup), frequency_hz, pressure)

    def _read(self, frequency_hz: Real) -> Scan:
        """The columns of a file of spectra."""
        columns = np.searchsorted(self.file.frequency_hz, frequency_hz)
        step = max(1, BLOCK_SAMPLES // max(1, self.file.points))
        starts = np.unique(columns // step) * step
        parts = []
        for start in starts:
            inside = columns[(columns >= start) & (columns < start + step)]
            part = self.file.read_frequencies(slice(int(inside[0]), int(inside[-1]) + 1))
            parts.append(part.take_frequencies(inside - inside[0]))
        return beside(parts)

    def _file_in_mean_air(self) -> Scan:
        scan = self.file.read()
        assert isinstance(scan, Scan)
        return in_mean_air(scan, self.centre_m)


def hear(file: ScanFile, centre_m: Sequence[float] | None = None) -> Heard:
    """The sound of a scan file, with no drift taken out."""
    can_gate = file.kind == "impulse responses" or evenly_spaced(file.frequency_hz)
    some = _some_responses(file) if can_gate else None
    late = 0.0 if some is None else latency_s(some)
    return Heard(file, centre_m, 1 / relative_wavenumber(file.setup), some, late)


def drift_of(heard: Heard, frequency_hz: Real) -> GainDelayDrift | None:
    """What repeated points show at some frequencies (F,), if they are enough."""
    found = drift_of_repeats(heard.steady(frequency_hz))
    return found if found is not None and found.repeats >= LEAST_REPEATS else None


def _some_responses(file: ScanFile) -> ImpulseScan:
    few = file.read_points(slice(0, None, max(1, file.points // FEW_POINTS)))
    return few if isinstance(few, ImpulseScan) else responses(few)
