"""The command ``scanproc``: finds the subcommand, prints what it found, turns what went wrong into a line.

To add a command, write ``scanproc/cli/NAME.py`` with a click command called ``command`` (see
:func:`scanproc.cli.terminal.frame.as_command`) and add its name to ``COMMANDS``.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import warnings
from collections.abc import Callable, Mapping, Sequence
from difflib import get_close_matches
from importlib import import_module
from typing import Any

import click

from scanproc.cli.terminal.frame import EXIT_CODES, Outcome
from scanproc.errors import ScanprocError, printable
from scanproc.version import VERSION

COMMANDS: Mapping[str, str] = {
    "demo": "scanproc.cli.demo",
    "guide": "scanproc.cli.guide",
    "plan": "scanproc.cli.plan",
    "watch": "scanproc.cli.watch",
    "import": "scanproc.cli.import_scan",
    "check": "scanproc.cli.check",
    "convert": "scanproc.cli.convert",
    "points": "scanproc.cli.points",
    "compare": "scanproc.cli.compare",
    "export": "scanproc.cli.export",
    "advise": "scanproc.cli.advise",
    "levels": "scanproc.cli.levels",
    "batch": "scanproc.cli.batch",
    "synth": "scanproc.cli.synth",
}
"""Subcommand -> module that holds it, in the order of a night."""

INTERRUPTED = 130


class Commands(click.Group):
    """A group that loads a subcommand's module only when that subcommand is wanted."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        found = import_module(COMMANDS[cmd_name]).command
        assert isinstance(found, click.Command)
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name in COMMANDS or name.startswith("-"):
            return super().resolve_command(ctx, args)
        near = get_close_matches(name, COMMANDS, n=1)
        guess = f"did you mean '{near[0]}'?" if near else "known are " + ", ".join(COMMANDS)
        raise click.UsageError(f"no command '{name}': {guess}", ctx)


@click.group(cls=Commands, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, message="%(prog)s %(version)s")
def scanproc() -> None:
    """Near-field loudspeaker scans to anechoic far-field data.

    \b
    Example:
      scanproc demo
      scanproc convert scan.h5 -o results
      scanproc guide

    "scanproc guide" lists what there is to read: points, room, limits, methods, ...
    """


def main() -> None:
    """The command ``scanproc``."""
    warnings.simplefilter("ignore")  # what a library warns of is no use to who runs a command
    interrupts: list[int] = []

    def interrupt(number: int, _: object) -> None:
        interrupts.append(number)
        raise KeyboardInterrupt

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else it is to be ignored
        signal.signal(signal.SIGINT, interrupt)
    try:
        code = run(sys.argv[1:], lambda: bool(interrupts))
    except BrokenPipeError:  # whoever read the answer has left; nothing more can be said
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 1
    sys.exit(code)


def run(arguments: Sequence[str], interrupted: Callable[[], bool] = lambda: False) -> int:
    """Runs a command line; returns its exit code. Every failure is one line, never a traceback.

    Whatever fails once ``interrupted`` failed for that: libraries that are just being loaded call it by other names.
    """
    as_json = "--json" in arguments
    try:
        outcome = scanproc.main(list(arguments), prog_name="scanproc", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return error.exit_code
    except Exception as error:
        if os.environ.get("SCANPROC_TRACEBACK"):
            raise
        return _report(click.Abort() if interrupted() else error, as_json)
    return _show(outcome, as_json)


def _show(outcome: object, as_json: bool) -> int:
    """Prints what a command found; returns the exit code. ``--help`` yields a bare exit code."""
    if not isinstance(outcome, Outcome):
        return int(outcome) if isinstance(outcome, int) else 0
    if as_json:
        click.echo(_document(outcome.document))
    else:
        click.echo(printable("\n".join(outcome.lines)))
    return outcome.exit_code


def _document(content: Mapping[str, Any]) -> str:
    """One JSON document; letters that a terminal would obey as JSON escapes."""
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    odd = {letter for letter in set(text) if letter != "\n" and printable(letter) != letter}
    for letter in odd:
        text = text.replace(letter, json.dumps(letter)[1:-1])
    return text


def _report(error: Exception, as_json: bool) -> int:
    """Prints what went wrong, a line per mistake; returns the exit code."""
    code, message = _in_words(error)
    if as_json:
        document = {"error": {"kind": type(error).__name__, "message": message, "exit_code": code}}
        click.echo(_document(document))
    else:
        for line in printable(message).split("\n"):
            click.echo(f"scanproc: {line}", err=True)
    return code


def _in_words(error: Exception) -> tuple[int, str]:
    if isinstance(error, ScanprocError):
        return error.exit_code, str(error)
    if isinstance(error, click.Abort):
        return INTERRUPTED, "interrupted, nothing was written"
    if isinstance(error, click.ClickException):
        return error.exit_code, " ".join(error.format_message().split()) + _where_help_is(error)
    if isinstance(error, MemoryError):
        return 1, "not enough memory for this job: close other programs, or convert fewer frequencies"
    if isinstance(error, OSError):
        return 1, f"{error.filename or 'system'}: {error.strerror or error}"
    kind = type(error).__name__
    detail = " ".join(str(error).split())
    return 1, f"a bug in scanproc: {kind}: {detail} (SCANPROC_TRACEBACK=1 shows where; please report it)"


def _where_help_is(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    return f" (see '{context.command_path} --help')" if context else ""
