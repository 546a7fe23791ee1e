"""``scanproc plan``: what to scan, before scanning."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from scanproc.cli.frame import Outcome, as_command
from scanproc.cli.progress import shown

Metres = click.FloatRange(0, 20, min_open=True)


@as_command(
    "plan",
    example="scanproc plan --size 0.40 0.30 0.55 --source 0.20 0 0.20 --up-to 8000 -o positions.csv",
    topic="points",
)
@click.option(
    "--size", "size_m", nargs=3, type=Metres, required=True, help="Depth, width, height of the device, m."
)
@click.option(
    "--up-to", "up_to_hz", type=click.FloatRange(20, 40000), required=True, help="Highest frequency, Hz."
)
@click.option(
    "--source", "source_m", nargs=3, type=float, help="Where the high-frequency source sits: x y z, m."
)
@click.option(
    "--source-radius", "source_radius_m", type=Metres, default=0.08, show_default=True, help="Its extent, m."
)
@click.option(
    "--centre", "centre_m", nargs=3, type=float, default=(0.0, 0.0, 0.0), help="Middle of the device, m."
)
@click.option(
    "--target-db",
    type=click.FloatRange(-80, 0, max_open=True),
    default=-25.0,
    show_default=True,
    help="Far-field error to reach, dB.",
)
@click.option(
    "--layers", type=click.IntRange(1, 2), default=1, show_default=True, help="2 take the room out."
)
@click.option("--surface", type=click.Choice(["shell", "drum"]), default="shell", show_default=True)
@click.option(
    "--clearance",
    "clearance_m",
    type=Metres,
    default=0.10,
    show_default=True,
    help="From the device's farthest corner to the nearest point, m.",
)
@click.option(
    "--snr-db", type=float, default=40.0, show_default=True, help="Signal-to-noise ratio expected, dB."
)
@click.option(
    "--arm-mm",
    type=click.FloatRange(0),
    default=0.0,
    show_default=True,
    help="Rms error of a position in each axis, mm.",
)
@click.option("--seconds-per-point", type=click.FloatRange(0, min_open=True), default=10.0, show_default=True)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Positions to write, .csv or .h5.")
@click.option("--force", is_flag=True, help="Replace an earlier positions file.")
def command(output: Path | None, force: bool, as_json: bool, **given: Any) -> Outcome:
    """Say how many points to scan, where and for how long, and write the positions for a robot.

    The order of the positions is short to travel, and after every pass those so far are spread all around: the scan
    may be stopped at any time.
    """
    from scanproc.run.plan import plan

    with shown() as progress:
        found, document, lines = plan(given, output, progress, force=force)
    if output is not None:
        document["output"] = str(output)
        lines.append(f"Positions are in {output}: {found.total:,} points in the order of travel")
    return Outcome(document, lines)
