"""Scans that are still being taken: one file that grows, or a folder that fills with recordings."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import ScanFileError, SettingsError
from scanproc.files.stored.scan_file import ScanFile, open_scan
from scanproc.run.incoming.import_scan import finished_points, import_finished, recording_times
from scanproc.run.settings.imports import ImportSettings


class Growing(Protocol):
    """What is there of a scan at any moment. Both raise InputError when it cannot be read just then."""

    @property
    def path(self) -> Path:
        """The file or folder."""

    def points(self) -> int:
        """Complete points now."""

    def opened(self) -> AbstractContextManager[ScanFile]:
        """A context with the scan as it is now."""

    def times_s(self) -> Real | None:
        """When the points were taken, rising, None if that is not known."""


def growing(path: Path, settings: ImportSettings | None = None) -> Growing:
    """The scan at ``path``. Raises ScanFileError when nothing is there, SettingsError when a file has settings of an
    import."""
    if path.is_dir():
        return GrowingFolder(path, settings or ImportSettings())
    if not path.is_file():
        raise ScanFileError("no such scan: start it first, then watch it", path=path)
    if settings is not None:
        raise SettingsError(
            "settings of an import belong to a folder of recordings, this is a file: leave them out",
            path=path,
        )
    return GrowingFile(path)


@dataclass(frozen=True)
class GrowingFile:
    """A scan file with points appended to it."""

    path: Path

    def points(self) -> int:
        with open_scan(self.path) as file:
            return file.points

    def times_s(self) -> Real | None:
        with open_scan(self.path) as file:
            return None if file.setup.time_s is None else np.sort(file.setup.time_s)

    @contextmanager
    def opened(self) -> Iterator[ScanFile]:
        with open_scan(self.path) as file:
            yield file


@dataclass(frozen=True)
class GrowingFolder:
    """A folder of WAV files with a table of positions, as ``scanproc import`` takes it; files may still be missing."""

    path: Path
    settings: ImportSettings

    def points(self) -> int:
        return finished_points(self.path, self.settings)

    def times_s(self) -> Real | None:
        return recording_times(self.path, self.settings)

    @contextmanager
    def opened(self) -> Iterator[ScanFile]:
        with tempfile.TemporaryDirectory(prefix="scanproc-") as folder:
            copy = Path(folder) / "scan.h5"
            import_finished(self.path, copy, self.settings)
            with open_scan(copy) as file:
                yield file
