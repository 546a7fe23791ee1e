"""How a batch shows itself: a live table on a terminal, dated plain lines in a log. Always on stderr."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from statistics import median
from typing import TextIO

from rich.console import Console
from rich.live import Live
from rich.table import Table

from scanproc.cli.terminal.frame import duration, say_dated
from scanproc.cli.terminal.progress import is_plain_terminal
from scanproc.errors import printable
from scanproc.run.night.batch import Watcher
from scanproc.run.night.state import Course
from scanproc.run.progress import LONGEST_SILENCE_S

REFRESH_S = 0.5
LONGEST_TABLE = 30
AT_WORK = ("read", "fit", "study", "write")


@contextmanager
def watched() -> Iterator[Watcher]:
    """Whoever watches on stderr, in the way that suits it."""
    if not is_plain_terminal(sys.stderr):
        yield Lines(sys.stderr)
        return
    console = Console(stderr=True)
    with Live(console=console, auto_refresh=False, transient=True) as live:
        yield LiveTable(live)


class Lines(Watcher):
    """A dated line for each event, and one a minute when nothing happens."""

    def __init__(self, stream: TextIO, longest_silence_s: float = LONGEST_SILENCE_S) -> None:
        self._stream, self._longest_silence_s = stream, longest_silence_s
        self._spoke = time.monotonic()

    def line(self, text: str) -> None:
        say_dated(text, self._stream)
        self._spoke = time.monotonic()

    def standing(self, courses: Sequence[Course], seconds_left: float | None) -> None:
        if time.monotonic() - self._spoke >= self._longest_silence_s:
            self.line(first_line(courses, seconds_left))


class LiveTable(Watcher):
    """The scans at work, what failed, and the totals."""

    def __init__(self, live: Live) -> None:
        self._live, self._shown = live, 0.0

    def line(self, text: str) -> None:
        self._live.console.print(printable(text), markup=False, highlight=False)

    def standing(self, courses: Sequence[Course], seconds_left: float | None) -> None:
        now = time.monotonic()
        if now - self._shown >= REFRESH_S:
            self._shown = now
            self._live.update(table(courses, seconds_left), refresh=True)


def table(courses: Sequence[Course], seconds_left: float | None) -> Table:
    """Scans at work first, then the next ones in line, as many as fit."""
    view = Table(caption=first_line(courses, seconds_left), caption_justify="left")
    for title in ("scan", "stage", "frequencies", "held-out error"):
        view.add_column(title, justify="left" if title in ("scan", "stage") else "right")
    active = [course for course in courses if course.state in AT_WORK]
    queue = [course for course in courses if course.state == "waiting"]
    for course in [*active, *queue][:LONGEST_TABLE]:
        done = f"{course.fitted} of {course.frequencies}" if course.frequencies else ""
        error = f"{median(course.held_out_db):.1f} dB" if course.held_out_db else ""
        view.add_row(printable(course.job.name), course.state, done, error)
    return view


def first_line(courses: Sequence[Course], seconds_left: float | None) -> str:
    """ "3 of 12 done, 1 failed, 2 at work, about 14 min left"."""
    states = Counter(course.state for course in courses)
    done, working = states["done"] + states["done before"], sum(states[state] for state in AT_WORK)
    left = "" if seconds_left is None else f", about {duration(seconds_left)} left"
    return f"{done} of {len(courses)} done, {states['failed']} failed, {working} at work{left}"
