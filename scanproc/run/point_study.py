"""The study of the number of points as the settings want it, on spectra read block by block."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from scanproc.records.scan import Scan
from scanproc.records.study import Study
from scanproc.run.fitting import fixed_centre
from scanproc.run.progress import Progress, silent
from scanproc.run.settings import Settings
from scanproc.steps.study import StudyChoices, band_frequencies, study

DRAWS_IN_CONVERT = 2


def studied(
    scans: Iterable[Scan],
    settings: Settings,
    progress: Progress = silent,
    *,
    target_db: float | None = None,
    draws: int | None = None,
) -> Study:
    """The study of a scan that comes in blocks of frequencies, with the settings' fit and frequencies."""
    wanted = settings.points
    choices = StudyChoices(
        wanted.sizes, wanted.draws if draws is None else min(draws, wanted.draws), wanted.smallest_share
    )
    return study(
        some_frequencies(scans, choices.per_band),
        target_db=settings.fit.target_db if target_db is None else target_db,
        centre_m=fixed_centre(settings.fit) or (0.0, 0.0, 0.0),
        max_order=settings.fit.max_order,
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
