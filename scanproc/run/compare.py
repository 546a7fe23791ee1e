"""A result against a far-field reference, another result, or a scan against itself: ``scanproc compare``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from scanproc.conventions import Integer
from scanproc.errors import InputError, naming
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan
from scanproc.records.answers.comparison import Comparison
from scanproc.records.fitted.expansion import Expansion
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.pipeline import without_room
from scanproc.run.conversion.reference import ReferenceChoices, compared, is_result, result_at
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.compare.differences import CompareChoices, compare
from scanproc.steps.compare.reference import far_field_reference
from scanproc.steps.points.subsets import spread_subset

HALVES_SEED = 5


@one_blas_thread
def compare_files(
    result_path: Path | str, reference_path: Path | str, wanted: ReferenceChoices | None = None
) -> Comparison:
    """Compares a result with a reference or with another result. Raises InputError or SettingsError."""
    wanted = wanted or ReferenceChoices()
    expansion = read_result(result_at(Path(result_path))).expansion
    return compared(expansion, reference_path, wanted)


def compare_each(
    result_path: Path | str, references: Sequence[Path], wanted: ReferenceChoices | None = None
) -> list[Comparison]:
    """A result with each of the others; more than one must be results. Raises InputError or SettingsError."""
    if len(references) > 1:
        for path in references:
            if not is_result(result_at(path)):
                what = "is no result" if path.exists() else "is not there"
                raise InputError(
                    f"{what}: give any number of results, or one reference of another kind", path=path
                )
    return [compare_files(result_path, path, wanted) for path in references]


@one_blas_thread
def compare_halves(
    scan_path: Path | str,
    settings: Settings | None = None,
    choices: CompareChoices | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Converts two well-spread halves of a scan apart and compares their far fields on both orbits.

    What both halves share (calibration, position of the device, what is left of the room) does not show. Raises
    ScanFileError or ScanDataError.
    """
    settings = settings or Settings()
    with open_scan(Path(scan_path)) as file:
        half = spread_subset(file.setup, file.points // 2, np.random.default_rng(HALVES_SEED))
        other = np.setdiff1d(np.arange(file.points), half)
    with naming(scan_path):
        first, second = (_converted(Path(scan_path), part, settings, progress) for part in (half, other))
        return compare(first, far_field_reference("its other half", second), choices)


def _converted(path: Path, points: Integer, settings: Settings, progress: Progress) -> Expansion:
    with open_scan(path) as file:
        file.use(np.sort(points))
        return without_room(file, settings, progress)[0]
