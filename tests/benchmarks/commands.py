"""What the commands take that people run: ``python -m tests.benchmarks.commands`` (with ``--large`` half an hour more).

Each command in a process of its own: seconds until its first line, until it ends, of both cores together, and the most
memory held. Beside each the plain loop of ``python -m tests.benchmarks`` over the same points and frequencies, at one
order, one BLAS thread, timed at two frequencies and scaled: no error, no page. Measure on a quiet machine.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from scanproc.files.stored.scan_file import read_scan, write_scan
from scanproc.records.measured.scan import Scan
from synthetic_scans import recipe
from tests.benchmarks.__main__ import plain_seconds

LARGE = {"points": 4000, "count": 480, "stop_hz": 20000.0}
"""A round assumption of a long night."""


@dataclass(frozen=True)
class Run:
    """Seconds and MiB of one command."""

    first_line: float
    wall: float
    cpu: float
    mib: float


def run(*arguments: str) -> Run:
    """One command to its end. Raises RuntimeError when it fails; exit code 3, a judgement, is none."""
    start = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-m", "scanproc", *arguments], stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    ) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        first = time.perf_counter() - start
        rest = process.stdout.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - start
    if process.returncode not in (0, 3):
        raise RuntimeError(f"{arguments[0]} failed: {(line + rest).decode()[-500:]}")
    return Run(first, wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def plain(scan_file: Path, order: int) -> float:
    """Seconds of the plain loop over a scan file's frequencies."""
    scan = read_scan(scan_file)
    assert isinstance(scan, Scan)
    count = len(scan.frequency_hz)
    return plain_seconds(scan, np.full(count, order), [count // 3, 2 * count // 3])


def rows(folder: Path, large: bool) -> Iterator[tuple[str, Run, float | None]]:
    """Each command's name, what it took, and the plain loop's seconds."""
    demo, scan = folder / "demo", folder / "demo" / "scan.h5"
    took = run("demo", "-o", str(demo))
    loop = plain(scan, 30)
    yield "demo", took, loop
    yield "convert, 1,200 x 96", run("convert", str(scan), "-o", str(folder / "a")), loop
    yield "points, 1,200 points", run("points", str(scan)), loop
    yield "check, 1,200 points", run("check", str(scan)), loop
    size = ("--size", "0.4", "0.3", "0.55", "--source", "0.2", "0", "0.2")
    yield "plan to 16 kHz", run("plan", *size, "--up-to", "16000", "-o", str(folder / "p.csv")), None
    if large:
        given = recipe.load("demo")
        surface = given.surface.model_copy(update={"points": LARGE["points"]})
        frequencies = given.frequencies.model_copy(
            update={"spacing": "linear", "count": LARGE["count"], "stop_hz": LARGE["stop_hz"]}
        )
        long = folder / "long.h5"
        write_scan(
            long, recipe.make_scan(given.model_copy(update={"surface": surface, "frequencies": frequencies}))
        )
        yield "convert, 4,000 x 480", run("convert", str(long), "-o", str(folder / "b")), plain(long, 40)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--large", action="store_true", help="also 4,000 points and 480 frequencies to 20 kHz")
    given = ask.parse_args()
    table = Table("command", "first line s", "wall s", "CPU s", "peak MiB", "plain loop s", "plain / wall")
    with tempfile.TemporaryDirectory() as folder:
        for name, one, loop in rows(Path(folder), given.large):
            measured = (f"{one.first_line:.1f}", f"{one.wall:.1f}", f"{one.cpu:.0f}", f"{one.mib:.0f}")
            beside = ("", "") if loop is None else (f"{loop:.0f}", f"{loop / one.wall:.2g}")
            table.add_row(name, *measured, *beside)
            print(name, *measured, *beside, flush=True)
    Console().print(table)


if __name__ == "__main__":
    main()
