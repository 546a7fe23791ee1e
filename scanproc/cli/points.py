"""``scanproc points``: how many points are enough."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import NO, Outcome, as_command, say_dated
from scanproc.cli.terminal.options import with_settings, with_target, with_up_to
from scanproc.cli.terminal.progress import shown


@as_command("points", example="scanproc points scan.h5 --up-to 8000", topic="points")
@click.argument("scan", type=click.Path(path_type=Path))
@with_target
@click.option(
    "--curve-db",
    type=click.FloatRange(0, 20, min_open=True),
    help="The same as a standard error of the curves, dB.",
)
@with_up_to
@with_settings
@click.option("--scheduler", metavar="ADDRESS", help="Fit on a running dask cluster, not on this machine.")
def command(
    scan: Path,
    target_db: float | None,
    curve_db: float | None,
    up_to_hz: float | None,
    config: Path | None,
    scheduler: str | None,
    as_json: bool,
) -> Outcome:
    """Say how many points of a SCAN are enough, or how many more it takes.

    Fits random parts of the scan, predicts the far-field error of each, and carries the number of points on to
    bands where the scan falls short. Exit code 3 when its points do not meet the target.
    Fewer frequencies, sizes or draws in the settings ([frequencies], [points]) take less time.
    """
    from scanproc.run.cluster import each_on
    from scanproc.run.points import points
    from scanproc.run.settings.conversion import Settings, read_settings

    settings = Settings() if config is None else read_settings(config)
    with shown() as progress, each_on(scheduler) as each:
        answer = points(
            scan,
            settings,
            progress,
            say_dated,
            target_db=target_db,
            curve_db=curve_db,
            up_to_hz=up_to_hz,
            each=each,
        )
    return Outcome(answer.as_json(), answer.lines(), 0 if answer.enough else NO)
