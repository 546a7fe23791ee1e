"""The spectra of a scan file as the room's removal needs them: whole, or gated; of all points, at any frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.room import Gate
from scanproc.records.scan import ImpulseScan, Scan, ScanSetup, beside
from scanproc.steps.field.view import relative_wavenumber
from scanproc.steps.separation.gain_step import LayerMatch, with_layers_matched
from scanproc.steps.sound.gate import gate, latency_s
from scanproc.steps.sound.mean_air import in_mean_air, mean_air, stretched_spectra
from scanproc.steps.sound.repeats import GainDelayDrift, find_drift, merged, without_drift
from scanproc.steps.sound.responses import evenly_spaced, responses
from scanproc.steps.sound.spectra import spectra

FEW_POINTS = 300
"""Responses of about so many points tell latency and first reflection."""
BLOCK_SAMPLES = 2**24
"""Values of responses or spectra read at once."""
LEAST_REPEATS = 3
"""Drift is taken out when at least so many measurements came again."""


class Heard:
    """A scan file, read as often as needed; drift that repeated points show is taken out.

    ``centre_m`` (3,): where the sound comes from, for spectra of changing air; None for the middle of the device.
    """

    def __init__(self, file: ScanFile, centre_m: Sequence[float] | None = None) -> None:
        self.file, self.centre_m = file, centre_m
        self.setup: ScanSetup = file.setup
        self.has_responses = file.kind == "impulse responses"
        can_gate = self.has_responses or evenly_spaced(file.frequency_hz)
        self.stretch: Real = 1 / relative_wavenumber(file.setup)
        self.some_responses = self._some_responses() if can_gate else None
        self.latency_s = latency_s(self.some_responses) if self.some_responses is not None else 0.0
        self.drift: GainDelayDrift | None = None
        self.layers: LayerMatch | None = None

    def learn_drift(self, frequency_hz: Real) -> None:
        """Takes note of what repeated points show at some frequencies."""
        found = find_drift(self.steady(frequency_hz))
        self.drift = found if found is not None and found.repeats >= LEAST_REPEATS else None

    def whole(self, frequency_hz: Real) -> Scan:
        """For separation: responses in mean air, spectra with each point's own temperature."""
        if self.has_responses:
            return self._steadied(self._transformed(frequency_hz, None))
        return self._steadied(self._read(frequency_hz))

    def steady(self, frequency_hz: Real) -> Scan:
        """As if the air had kept its mean speed of sound, with the room."""
        if self.has_responses:
            return self.whole(frequency_hz)
        return self._steadied(in_mean_air(self._read(frequency_hz), self.centre_m))

    def in_mean_air(self, scan: Scan) -> Scan:
        """A scan of these points as if the air had kept its mean speed of sound."""
        return in_mean_air(scan, self.centre_m)

    def gated(self, frequency_hz: Real, window: Gate) -> Scan:
        """Cut by the window, as if the air had kept its mean speed of sound."""
        if self.has_responses:
            return self._steadied(self._transformed(frequency_hz, window))
        return self._steadied(spectra(gate(responses(self._file_in_mean_air()), window), frequency_hz))

    def _steadied(self, scan: Scan) -> Scan:
        if self.layers is not None:
            scan = with_layers_matched(scan, self.layers)
        return scan if self.drift is None else merged(without_drift(scan, self.drift))

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

    def _some_responses(self) -> ImpulseScan:
        few = self.file.read_points(slice(0, None, max(1, self.file.points // FEW_POINTS)))
        return few if isinstance(few, ImpulseScan) else responses(few)
