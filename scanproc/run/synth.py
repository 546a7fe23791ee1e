"""Scan files from recipes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from scanproc.files.replacing import check_file
from scanproc.files.stored.scan_file import is_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.steps.sound.harmonics import window_of
from synthetic_scans.impulse import PASS_BAND
from synthetic_scans.recipe import load, make_sounds


def synth(recipe: Path | str, output: Path | str, *, force: bool = False) -> Scan | ImpulseScan:
    """Makes the scan of a recipe (a TOML file or a name) and writes it. Raises SettingsError, OutputError."""
    path = Path(output)
    wanted = load(recipe)
    check_file(path, "scan file", is_scan, force=force)
    scan, responses = make_sounds(wanted)
    harmonics = {
        table.order: (
            _in_window(responses[table.order]),
            (table.lowest_hz, _highest_hz(responses[table.order])),
        )
        for table in wanted.harmonic
    }
    write_scan(path, scan, harmonics)
    return scan


def _in_window(heard: ImpulseScan) -> ImpulseScan:
    """As the deconvolution of a sweep cuts a harmonic out."""
    response = heard.impulse_response_pa
    before = round(-heard.time_zero_s * heard.sampling_rate_hz)
    return replace(heard, impulse_response_pa=response * window_of(response.shape[1], before))


def _highest_hz(heard: ImpulseScan) -> float:
    return PASS_BAND * heard.sampling_rate_hz / 2
