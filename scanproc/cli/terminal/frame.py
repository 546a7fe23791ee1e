"""What every command shares: its help, its ``--json``, and the form of its answer."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TextIO

import click

from scanproc.errors import printable

EXIT_CODES = """\b
Exit codes:
    0  done
    1  the job failed; one line on stderr says why
    2  the call or a setting is wrong
    3  a command that judges answers "no": not enough, does not match
  130  interrupted
"""
NO = 3
"""The exit code of a command that judges, where the answer is no."""


@dataclass(frozen=True)
class Outcome:
    """What a command answers: a document for machines, lines for people, an exit code."""

    document: Mapping[str, Any]
    lines: Sequence[str]
    exit_code: int = 0


Command = Callable[..., Outcome]


def say_dated(line: str, stream: TextIO | None = None) -> None:
    """A line with the time, on stderr unless said; nobody need be there to read it."""
    now = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    with suppress(BrokenPipeError):
        print(f"{now} {printable(line)}", file=stream or sys.stderr, flush=True)


def duration(seconds: float) -> str:
    """Seconds, minutes or hours, whichever reads best."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


class FiniteCommand(click.Command):
    """A command none of whose numbers may be NaN or infinite, which click's ranges let pass."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        rest = super().parse_args(ctx, args)
        for option in self.params:
            for number in _numbers(ctx.params.get(option.name or "")):
                if not math.isfinite(number):
                    raise click.BadParameter(f"must be a finite number, got {number}.", ctx, option)
        return rest


def _numbers(value: object) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, tuple):
        for one in value:
            yield from _numbers(one)


def as_command(name: str, *, example: str, topic: str | None = None) -> Callable[[Command], click.Command]:
    """A click command whose help ends with an example and the exit codes, and which takes ``--json``.

    ``topic`` of the guide has more to say.
    """
    more = f"More: scanproc guide {topic}\n\n" if topic else ""
    epilog = f"\b\nExample:\n  {example}\n\n{more}{EXIT_CODES}"

    def build(function: Command) -> click.Command:
        with_json = click.option(
            "--json",
            "as_json",
            is_flag=True,
            help="One JSON document on stdout, also on failure; all else on stderr.",
        )
        return click.command(name, FiniteCommand, epilog=epilog)(with_json(function))

    return build
