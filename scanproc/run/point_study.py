"""The study of the number of points as the settings want it, on spectra read block by block."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from scanproc.records.scan import Scan
from scanproc.records.study import Study
from scanproc.run.fitting import fixed_centre, in_threads
from scanproc.run.progress import Progress, silent
from scanproc.run.settings import Settings
from scanproc.steps.study import StudyChoices, band_frequencies, study

SHORT_SIZES = 5


def studied(
    scans: Iterable[Scan],
    settings: Settings,
    progress: Progress = silent,
    *,
    target_db: float | None = None,
    short: bool = False,
) -> Study:
    """The study of a scan that comes in blocks of frequencies, with the settings' fit and frequencies.

    A ``short`` one has fewer sizes, one subset of each and one frequency in each band.
    """
    wanted = settings.points
    choices = StudyChoices(wanted.sizes, wanted.draws, wanted.smallest_share)
    if short:
        choices = StudyChoices(min(SHORT_SIZES, wanted.sizes), 1, wanted.smallest_share, 1)
    return study(
        some_frequencies(scans, choices.per_band),
        target_db=settings.fit.target_db if target_db is None else target_db,
        centre_m=fixed_centre(settings.fit),
        max_order=settings.fit.max_order,
        estimator=settings.fit.estimator,
        driver_m=settings.fit.driver_m,
        each=in_threads,
        seconds_per_point=wanted.seconds_per_point,
        choices=choices,
        progress=lambda done, total: progress("subsets of points fitted", done, total),
    )


def some_frequencies(scans: Iterable[Scan], per_band: int) -> Scan:
    """The scan at the few frequencies that stand for their bands."""
    parts = [scan.take_frequencies(band_frequencies(scan.frequency_hz, per_band)) for scan in scans]
    noise = None if parts[0].noise_pa is None else np.concatenate([_noise(part) for part in parts], axis=-1)
    return Scan(
        parts[0].setup,
        np.concatenate([part.frequency_hz for part in parts]),
        np.concatenate([part.pressure_pa for part in parts], axis=1),
        noise,
    )


def _noise(part: Scan) -> np.ndarray:
    assert part.noise_pa is not None
    return part.noise_pa
