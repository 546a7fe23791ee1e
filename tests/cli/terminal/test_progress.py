"""Progress in a log: dated plain lines, never silent for long. On a terminal: a bar, unless NO_COLOR."""

from __future__ import annotations

import io
import os
import pty
import re
import subprocess
import sys
import time
from datetime import datetime

import pytest

from scanproc.cli.terminal.progress import dated_lines

SHOW = """
from scanproc.cli.terminal.progress import shown
with shown() as progress:
    progress("points read", 0, 2)
    progress("points read", 2, 2)
"""


def test_each_line_is_dated_and_says_how_far() -> None:
    stream = io.StringIO()
    with dated_lines(stream) as progress:
        for done in range(4):
            progress("points read", done, 3)
    lines = stream.getvalue().splitlines()
    assert [line[26:] for line in lines] == ["points read: 0 of 3", "points read: 3 of 3"]
    for line in lines:
        assert abs((datetime.now().astimezone() - datetime.fromisoformat(line[:25])).total_seconds()) < 60


def test_silence_is_filled() -> None:
    stream = io.StringIO()
    with dated_lines(stream, longest_silence_s=0.02) as progress:
        progress("points read", 0, 3)
        progress("points read", 1, 3)
        waited = time.monotonic() + 10
        while stream.getvalue().count("\n") < 3 and time.monotonic() < waited:
            time.sleep(0.005)
    assert re.search(
        r"points read: 1 of 3, still at work, about \d+ s left$", stream.getvalue().splitlines()[2]
    )


def test_the_time_left_is_told_as_soon_as_it_is_known() -> None:
    stream = io.StringIO()
    with dated_lines(stream, first_estimate_s=0.05) as progress:
        progress("subsets fitted", 0, 30)
        time.sleep(0.1)
        for done in (10, 20, 30):
            progress("subsets fitted", done, 30)
    lines = [line[26:] for line in stream.getvalue().splitlines()]
    assert lines[0] == "subsets fitted: 0 of 30"
    assert re.fullmatch(r"subsets fitted: 10 of 30, about \d+ s left", lines[1])
    assert lines[2:] == ["subsets fitted: 30 of 30"]


def on_a_terminal(**environment: str) -> str:
    """What a terminal gets to see on stderr."""
    ours, theirs = pty.openpty()
    plain = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "TERM")}
    subprocess.run(
        [sys.executable, "-c", SHOW],
        stderr=theirs,
        check=True,
        timeout=60,
        env={**plain, "TERM": "xterm", **environment},
    )
    os.close(theirs)
    seen = b""
    try:
        while part := os.read(ours, 4096):
            seen += part
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    return seen.decode()


def test_a_terminal_gets_a_bar() -> None:
    seen = on_a_terminal()
    assert "\x1b[" in seen
    assert "points read" in seen


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}])
def test_a_terminal_without_colour_gets_lines(environment: dict[str, str]) -> None:
    seen = on_a_terminal(**environment)
    assert "\x1b" not in seen
    assert re.search(r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\S+ points read: 2 of 2", seen, re.MULTILINE)
