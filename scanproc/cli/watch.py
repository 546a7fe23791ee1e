"""``scanproc watch``: a scan that is still being taken."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import NO, Outcome, as_command, say_dated
from scanproc.cli.terminal.options import Positive, with_settings, with_target, with_up_to
from scanproc.cli.terminal.progress import shown


@as_command("watch", example="scanproc watch scan.h5 --up-to 8000 --every 300", topic="points")
@click.argument("scan", type=click.Path(path_type=Path))
@with_target
@with_up_to
@click.option(
    "--every",
    "every_s",
    type=Positive,
    default=60.0,
    show_default=True,
    help="Seconds between looks at the file.",
)
@click.option(
    "--idle",
    "idle_s",
    type=Positive,
    default=3600.0,
    show_default=True,
    help="Seconds without a new point after which the scan counts as ended.",
)
@click.option("--run", help="Command for the shell when the target is met.")
@click.option(
    "--positions", type=click.Path(path_type=Path), help="Planned positions to choose the next from."
)
@click.option(
    "--import-config",
    type=click.Path(path_type=Path),
    help="How a folder of recordings is read: settings of an import in TOML.",
)
@with_settings
def command(
    scan: Path,
    target_db: float | None,
    up_to_hz: float | None,
    every_s: float,
    idle_s: float,
    run: str | None,
    positions: Path | None,
    import_config: Path | None,
    config: Path | None,
    as_json: bool,
) -> Outcome:
    """Watch a SCAN that is still growing until its points are enough.

    SCAN is a scan file that points are appended to, or a folder of WAV files with its table positions.csv, as import
    takes it, that fills while the scan runs; the table may list all points beforehand.
    Refits as points come in and says on stderr how far the target is met, how many points and how much time are left,
    and where points help most. Ends with code 0 when the target is met, 3 when the scan ended short of it.
    """
    from scanproc.run.incoming.watch import WatchChoices, watch
    from scanproc.run.settings.conversion import Settings, read_sections, read_settings
    from scanproc.run.settings.imports import ImportSettings

    settings = Settings() if config is None else read_settings(config)
    recordings = None if import_config is None else read_sections(import_config, ImportSettings)
    choices = WatchChoices(target_db, up_to_hz, every_s, idle_s, run, positions, recordings)
    look = watch(scan, settings, choices, say_dated, telling=shown)
    return Outcome(look.as_json(), look.lines(), 0 if look.answer.enough else NO)
