"""``scanproc levels``: compression and harmonics by drive level."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import NO, Outcome, as_command
from scanproc.cli.terminal.options import Positive, with_force


@as_command(
    "levels",
    example="scanproc levels sweeps --compression-db 1 --distortion-percent 3 -o levels",
    topic="distortion",
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--compression-db", type=Positive, default=1.0, show_default=True, help="Compression allowed, dB."
)
@click.option(
    "--distortion-percent",
    type=Positive,
    default=3.0,
    show_default=True,
    help="Total harmonic distortion allowed, %.",
)
@click.option("--from", "from_hz", type=Positive, help="Lowest frequency to judge, Hz.")
@click.option("--up-to", "up_to_hz", type=Positive, help="Highest frequency to judge, Hz.")
@click.option(
    "-c", "--config", type=click.Path(path_type=Path), help="Settings as for import; see configs/import/."
)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write a page, JSON and a table here.")
@with_force
def command(
    folder: Path,
    compression_db: float,
    distortion_percent: float,
    from_hz: float | None,
    up_to_hz: float | None,
    config: Path | None,
    output: Path | None,
    force: bool,
    as_json: bool,
) -> Outcome:
    """Compression and harmonics of sweeps at rising drive levels in FOLDER, one microphone place.

    \b
    Cautions first
      Local electrical and workplace rules, and ratings of drivers and amplifier.
      High levels: ear protection, nobody in the room; start low, rise by a few dB.
      Hot voice coils fail within seconds: pause between sweeps.

    FOLDER holds drive.wav, a logarithmic sweep, a WAV recording of it at each level, and levels.csv with the columns
    file and drive_v (V, of full scale of drive.wav) in the order in which they were played. The first level is the
    reference of the others, so let it be low; play it once more at the end, so that warming can be told from
    compression. Exit code 3 when no level stays within the limits.
    """
    from scanproc.files.json_file import plain
    from scanproc.files.replacing import LEVELS, check_directory
    from scanproc.report.words.drive_levels import highest_within, level_facts, level_lines, levels_json
    from scanproc.run.levels import measure_levels, write_levels
    from scanproc.run.settings.conversion import read_sections
    from scanproc.run.settings.imports import ImportSettings

    settings = ImportSettings() if config is None else read_sections(config, ImportSettings)
    if output is not None:
        check_directory(output, LEVELS, reads=[folder / "levels.csv"], force=force)
    measured = measure_levels(folder, settings, compression_db, distortion_percent, from_hz, up_to_hz)
    found, limits, warnings = measured.found, measured.limits, measured.warnings
    lines = level_lines(found, limits, warnings)
    if output is not None:
        write_levels(output, measured, force=force)
        lines.append(f"The page is {output / 'report.html'}")
    none = highest_within(level_facts(found, limits)) is None
    return Outcome(plain(levels_json(found, limits, warnings)), lines, NO if none else 0)
