"""``scanproc compare``: does a scan match an independent far-field measurement?"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from scanproc.cli.terminal.frame import NO, Outcome, as_command
from scanproc.cli.terminal.options import Positive, with_force
from scanproc.cli.terminal.progress import shown

FREE = ("gain", "delay", "turn", "place")


@as_command(
    "compare", example="scanproc compare results hall-2m --distance 2 --unit pa --height 1.2", topic="compare"
)
@click.argument("result", type=click.Path(path_type=Path))
@click.argument("references", metavar="[REFERENCE]...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="Write a page, JSON and a table to this directory.",
)
@with_force
@click.option("--halves", is_flag=True, help="RESULT is a scan: compare two halves of its points.")
@click.option("--distance", "distance_m", type=Positive, help="Of the microphones, m.")
@click.option(
    "--unit",
    type=click.Choice(["pa", "relative"]),
    help="Of WAV and plain text: Pa (dB re 20 µPa) or unknown.",
)
@click.option("--channel", type=click.IntRange(1), help="Of WAV files with several, from 1.")
@click.option("--gate-ms", type=Positive, help="Cut responses so long after the direct sound.")
@click.option(
    "--height",
    "height_m",
    type=Positive,
    help="Of device and microphone above the floor, m: gate before its reflection.",
)
@click.option(
    "--align",
    default="delay",
    show_default=True,
    help="What to take out: any of gain,delay,turn,place, or none.",
)
@click.option("--tolerance-db", type=click.FloatRange(0, 20, min_open=True), default=1.0, show_default=True)
@click.option(
    "--smooth",
    "per_octave",
    type=click.FloatRange(0.5, 96),
    default=12.0,
    show_default=True,
    help="1/N octave, both alike.",
)
@click.option(
    "--floor-db",
    type=click.FloatRange(0, 100, min_open=True),
    default=20.0,
    show_default=True,
    help="Levels so far below the loudest angle count as that floor.",
)
@click.option("--from", "from_hz", type=Positive, help="Lowest frequency to judge, Hz.")
@click.option("--up-to", "up_to_hz", type=Positive, help="Highest that matters, Hz.")
@click.option("-c", "--config", type=click.Path(path_type=Path), help="Settings in TOML for --halves.")
def command(
    result: Path,
    references: tuple[Path, ...],
    output: Path | None,
    force: bool,
    halves: bool,
    distance_m: float | None,
    unit: Literal["pa", "relative"] | None,
    channel: int | None,
    gate_ms: float | None,
    height_m: float | None,
    align: str,
    tolerance_db: float,
    per_octave: float,
    floor_db: float,
    from_hz: float | None,
    up_to_hz: float | None,
    config: Path | None,
    as_json: bool,
) -> Outcome:
    """Compare a RESULT with a far-field REFERENCE, with another result, or a scan with itself.

    \b
    REFERENCE is one of
      a folder of horizontal_030.wav, .csv or .txt (vertical_..., a file per angle)
      a TOML file that lists such files with their angles
      a scan file whose points are the microphones
      AES69, or what scanproc export wrote
      another result; of results any number, each compared with the first

    The scan is predicted at the true microphone positions, near-field terms included, gated and smoothed as the
    reference is. Likely causes of a difference are named and sized. -o writes report.html, comparison.json and
    differences.csv; results are overlaid there. Exit code 3 when one does not match.
    """
    from scanproc.files.json_file import plain
    from scanproc.report.words.comparison import lines, several_as_json
    from scanproc.run.compare import compare_each, compare_halves
    from scanproc.run.compare_page import may_write, write_comparison
    from scanproc.run.conversion.reference import ReferenceChoices
    from scanproc.run.settings.conversion import Settings, read_settings
    from scanproc.steps.compare.differences import CompareChoices

    choices = CompareChoices(tolerance_db, per_octave, floor_db, from_hz, up_to_hz, _parts(align))
    if halves == bool(references):
        raise click.UsageError("give a REFERENCE, or --halves without one")
    if output is not None:
        may_write(output, result, references, force)
    if halves:
        settings = Settings() if config is None else read_settings(config)
        with shown() as progress:
            found = [compare_halves(result, settings, choices, progress)]
    else:
        gate_s = None if gate_ms is None else gate_ms / 1000
        wanted = ReferenceChoices(distance_m, unit, gate_s, height_m, channel, choices)
        found = compare_each(result, references, wanted)
    shown_lines = [line for one in found for line in lines(one)]
    if output is not None:
        write_comparison(output, found, result, references, force=force)
        shown_lines.append(f"The page is {output / 'report.html'}")
    matches = all(one.matches for one in found)
    return Outcome(plain(several_as_json(found)), shown_lines, 0 if matches else NO)


def _parts(align: str) -> tuple[str, ...]:
    words = tuple(word for word in align.replace(" ", "").split(",") if word not in ("", "none"))
    wrong = [word for word in words if word not in FREE]
    if wrong:
        raise click.UsageError(f"--align knows {', '.join(FREE)} and none, got '{wrong[0]}'")
    return words
