"""What is decided about a scan before any part of it is fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.files.stored.scan_file import ScanFile
from scanproc.run.conversion.heard import Heard, drift_of, hear
from scanproc.run.conversion.room import RoomPlan, plan_room
from scanproc.run.settings.conversion import FrequencySettings, Settings
from scanproc.steps.each import Each
from scanproc.steps.fit.plan import sample_frequencies
from scanproc.steps.sound.repeats import GainDelayDrift
from scanproc.steps.sound.spectra import usual_frequencies


@dataclass(frozen=True, eq=False)
class Prepared:
    """What is decided about a scan as a whole; small, and the same for whatever part of it is fitted next."""

    frequency_hz: Real
    room: RoomPlan
    drift: GainDelayDrift | None


def hearing(file: ScanFile, settings: Settings, plan: Prepared | None = None) -> Heard:
    """The sound of a scan file; with a plan, the drift that it knows of is taken out."""
    heard = hear(file, None if isinstance(settings.fit.centre_m, str) else settings.fit.centre_m)
    return heard.knowing(plan.drift) if plan else heard


def prepare(heard: Heard, settings: Settings, each: Each) -> Prepared:
    """The decisions about a scan. Raises ScanDataError where the settings ask for what it does not allow."""
    frequency = wanted_frequencies(heard.file, settings.frequencies)
    drift = drift_of(heard, frequency[sample_frequencies(frequency)])
    return Prepared(frequency, plan_room(heard.knowing(drift), settings, frequency, each), drift)


def wanted_frequencies(file: ScanFile, band: FrequencySettings) -> Real:
    """The frequencies of the results (F,), Hz. Raises ScanDataError when none is left."""
    if file.kind == "impulse responses":
        return driven_frequencies(file, band.per_octave, band.lowest_hz, band.highest_hz)
    return file.frequency_hz[slice(*wanted_columns(file, band))]


def driven_frequencies(
    file: ScanFile, per_octave: int, lowest_hz: float | None = None, highest_hz: float | None = None
) -> Real:
    """The usual frequencies of responses (F,), Hz, within the stated band, else the driven one."""
    found = usual_frequencies(file.samples, file.sampling_rate_hz, per_octave, lowest_hz, highest_hz)
    low = lowest_hz or file.setup.lowest_hz or 0.0
    high = highest_hz or file.setup.highest_hz or np.inf
    driven = found[(found >= low) & (found <= high)]
    return driven if len(driven) else found


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
