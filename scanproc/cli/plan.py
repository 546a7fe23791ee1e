"""``scanproc plan``: what to scan, before scanning."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.options import Positive
from scanproc.cli.terminal.progress import shown

Metres = click.FloatRange(0, 20, min_open=True)
OF_A_NEXT_PASS = ("up_to_hz", "target_db", "points", "seconds_per_point")
OF_A_SCAN = {
    "size_m": "--size",
    "like": "--like",
    "source_m": "--source",
    "toward_m": "--toward",
    "centre_m": "--centre",
    "layers": "--layers",
    "surface": "--surface",
    "clearance_m": "--clearance",
    "snr_db": "--snr-db",
    "arm_mm": "--arm-mm",
    "room_db": "--room",
}
"""What is not said again beside --continue."""


@as_command(
    "plan",
    example="scanproc plan --size 0.40 0.30 0.55 --source 0.20 0 0.20 --up-to 8000 -o positions.csv",
    topic="points",
)
@click.option(
    "--size",
    "size_m",
    nargs=3,
    type=Metres,
    help="Depth, width, height of the device, m; with --like that device's, unless given.",
)
@click.option(
    "--like", type=click.Path(path_type=Path), help="Result of a like device, whose weights are taken."
)
@click.option(
    "--continue",
    "continued",
    type=click.Path(path_type=Path),
    help="Scan, or result, whose points do not suffice: place the next ones by what it has told.",
)
@click.option(
    "--up-to", "up_to_hz", type=click.FloatRange(20, 40000), required=True, help="Highest frequency, Hz."
)
@click.option(
    "--source",
    "source_m",
    nargs=3,
    type=float,
    help="Where the high-frequency source sits: x y z, m; as --toward says unless given.",
)
@click.option(
    "--source-radius", "source_radius_m", type=Metres, default=0.08, show_default=True, help="Its extent, m."
)
@click.option(
    "--toward",
    "toward_m",
    nargs=3,
    type=float,
    multiple=True,
    help="A place, x y z in m, from where the highest frequencies leave: points lie denser around it where that takes "
    "fewer. May be given again.",
)
@click.option("--points", type=click.IntRange(1), help="So many points, whatever the target takes.")
@click.option(
    "--centre", "centre_m", nargs=3, type=float, help="Middle of the device, m: 0 0 0, or as --like has it."
)
@click.option(
    "--target-db",
    type=click.FloatRange(-80, 0, max_open=True),
    default=-25.0,
    show_default=True,
    help="Far-field error to reach, dB.",
)
@click.option(
    "--layers", type=click.IntRange(1, 2), help="2 take the room out. 1 unless given, or as --like has them."
)
@click.option(
    "--surface", type=click.Choice(["shell", "drum"]), help="A shell unless given, or as --like has it."
)
@click.option(
    "--clearance",
    "clearance_m",
    type=Metres,
    help="From the device's farthest corner to the nearest point, m: 0.1, or as --like has it.",
)
@click.option("--snr-db", type=float, help="Signal-to-noise ratio expected, dB: 40, or as --like has it.")
@click.option(
    "--arm-mm",
    type=click.FloatRange(0),
    help="Rms error of a position in each axis, mm: 0, or as --like has it.",
)
@click.option(
    "--room",
    "room_db",
    type=float,
    help="Level of the room's sound over the device's at the points, dB; -13 with two layers.",
)
@click.option(
    "--room-up-to",
    "room_up_to_hz",
    type=Positive,
    default=1000.0,
    show_default=True,
    help="Above, a gate cuts the room off, Hz.",
)
@click.option("--seconds-per-point", type=Positive, default=10.0, show_default=True)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Positions to write, .csv or .h5.")
@click.option("--force", is_flag=True, help="Replace an earlier positions file.")
def command(
    output: Path | None,
    like: Path | None,
    continued: Path | None,
    force: bool,
    as_json: bool,
    **given: Any,
) -> Outcome:
    """Say how many points to scan, where and for how long, and write the positions for a robot.

    The order of the positions is short to travel, and after every pass those so far are spread all around: the scan
    may be stopped at any time. Without --like the number of points is a guess from usual weights. With --continue the
    points go where they lower the error most in the bands that miss the target, the most useful first.
    """
    from scanproc.run.plan import next_points, plan

    with shown() as progress:
        if continued is None:
            _, document, lines = plan(given, output, progress, like=like, force=force)
        else:
            _refuse_beside({**given, "like": like})
            asked = {name: given[name] for name in OF_A_NEXT_PASS}
            _, document, lines = next_points(continued, asked, output, progress, force=force)
    return Outcome(document, lines)


def _refuse_beside(given: Mapping[str, Any]) -> None:
    """Raises SettingsError when something is said that a scan to be continued says itself."""
    from scanproc.errors import SettingsError

    for name, option in OF_A_SCAN.items():
        if given[name]:
            raise SettingsError(f"--continue takes that from the scan: leave out {option}")
