"""What is decided about a scan before any part of it is fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.files.stored.scan_file import ScanFile
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.room import RoomPlan, plan_room, ways_of
from scanproc.run.settings.conversion import FrequencySettings, Settings
from scanproc.steps.separation.gain_step import LayerMatch
from scanproc.steps.sound.repeats import GainDelayDrift
from scanproc.steps.sound.spectra import usual_frequencies


@dataclass(frozen=True, eq=False)
class Prepared:
    """What is decided about a scan as a whole; small, and the same for whatever part of it is fitted next."""

    frequency_hz: Real
    room: RoomPlan
    drift: GainDelayDrift | None
    layers: LayerMatch | None = None


def hearing(file: ScanFile, settings: Settings, plan: Prepared | None = None) -> Heard:
    """The sound of a scan file; with a plan, what the plan knows of drift and layers is taken out."""
    heard = Heard(file, None if isinstance(settings.fit.centre_m, str) else settings.fit.centre_m)
    heard.drift, heard.layers = (plan.drift, plan.layers) if plan else (None, None)
    return heard


def prepare(heard: Heard, settings: Settings) -> Prepared:
    """The decisions about a scan. Raises ScanDataError where the settings ask for what it does not allow."""
    frequency = wanted_frequencies(heard.file, settings.frequencies)
    room = plan_room(heard, settings.room, frequency, ways_of(settings))
    return Prepared(frequency, room, heard.drift, heard.layers)


def wanted_frequencies(file: ScanFile, band: FrequencySettings) -> Real:
    """The frequencies of the results (F,), Hz. Raises ScanDataError when none is left."""
    if file.kind == "impulse responses":
        rate, per_octave = file.sampling_rate_hz, band.per_octave
        return usual_frequencies(file.samples, rate, per_octave, band.lowest_hz, band.highest_hz)
    return file.frequency_hz[slice(*wanted_columns(file, band))]


def wanted_columns(file: ScanFile, band: FrequencySettings) -> tuple[int, int]:
    """First and one beyond the last frequency in the band. Raises ScanDataError when none is."""
    have = file.frequency_hz
    lowest, highest = band.lowest_hz or 0.0, band.highest_hz or np.inf
    start, stop = int(np.searchsorted(have, lowest)), int(np.searchsorted(have, highest, side="right"))
    if start >= stop:
        raise ScanDataError(
            f"no frequency lies between {lowest:g} and {highest:g} Hz, the scan has "
            f"{have[0]:g} to {have[-1]:g} Hz: widen [frequencies] in the settings"
        )
    return start, stop
