"""How many points are enough: the recipe of ``scanproc points``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from scanproc.errors import SettingsError, naming
from scanproc.files.stored.scan_file import open_scan
from scanproc.report.words.points import PointsAnswer, points_answer
from scanproc.report.words.sentences import hours
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.check import handle
from scanproc.run.conversion.effort import job_seconds, require_time
from scanproc.run.conversion.fitting import in_threads
from scanproc.run.conversion.memory import require_memory
from scanproc.run.conversion.point_study import studied
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.each import Each
from scanproc.steps.points.study import curve_target_db


@one_blas_thread
def points(
    scan_path: Path | str,
    settings: Settings | None = None,
    progress: Progress = silent,
    say: Callable[[str], None] = lambda line: None,
    *,
    target_db: float | None = None,
    curve_db: float | None = None,
    up_to_hz: float | None = None,
    each: Each = in_threads,
) -> PointsAnswer:
    """Studies a scan file. The target is ``target_db`` or ``curve_db`` if given, else that of the settings.

    ``say`` hears at once about how long that takes. ``each`` spreads bands over this machine's cores, or a cluster.

    Raises ScanFileError, ScanDataError or SettingsError.

    >>> sp.study(folder / "scan.h5", up_to_hz=315.0).points
    40
    """
    settings = settings or Settings()
    if target_db is not None and curve_db is not None:
        raise SettingsError("--target-db and --curve-db say the same in two ways: give one of them")
    given = target_db if curve_db is None else curve_target_db(curve_db)
    set_by = settings.who_set("fit", "target_db") if given is None else "settings"
    with open_scan(Path(scan_path)) as file, naming(scan_path):
        require_memory(file, settings)
        require_time(file, settings)
        say(f"at most about {hours(job_seconds(file, settings))} for all of it, roughly")
        handle(file, settings.check)
        found = studied(file, settings, progress, target_db=given, each=each)
    return points_answer(found, set_by, up_to_hz)
