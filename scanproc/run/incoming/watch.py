"""The recipe of ``scanproc watch``: a scan that grows, judged again and again until its points are enough."""

from __future__ import annotations

import shlex
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import InputError, OutputError, ScanDataError, ScanFileError
from scanproc.files.stored.positions_file import read_positions
from scanproc.report.words import sentences
from scanproc.report.words.points import PointsAnswer, points_answer
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.fitting import in_parts, in_threads
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.point_study import in_bands, prepared, study_of
from scanproc.run.conversion.preparation import Prepared
from scanproc.run.incoming.growing import Growing, growing
from scanproc.run.progress import LONGEST_SILENCE_S, Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.points.bands import Band, explained
from scanproc.steps.points.next_points import next_points

GROWTH = 0.05
"""A new look is worth it when the points have grown by this part."""
FEWEST_POINTS = 40
SUGGESTIONS = 5
RECENT = 50
"""The pace is that of so many latest points."""
CLEAR_GAIN = 2.0
"""A place is worth naming when a point there helps this many times as much as at the median place."""
JUDGED_BANDS = 3
"""The lowest bands that fail decide where the next points go."""


@dataclass(frozen=True)
class WatchChoices:
    """``every_s`` between looks; after ``idle_s`` without a new point the scan counts as ended; ``run`` is a command
    for the shell when the target is met; ``positions`` a file of planned positions to choose the next from;
    ``recordings`` how a folder of recordings is to be read."""

    target_db: float | None = None
    up_to_hz: float | None = None
    every_s: float = 60.0
    idle_s: float = 3600.0
    run: str | None = None
    positions: Path | None = None
    recordings: ImportSettings | None = None


@dataclass(frozen=True)
class Look:
    """What one look found: the answer, the points still to go, the time that each takes (both None if it cannot be
    told), places that would help most with their gain, and the command that places the next pass, if one would."""

    answer: PointsAnswer
    missing_points: int | None
    seconds_per_point: float | None
    next_m: tuple[tuple[float, float, float], ...]
    gain: tuple[float, ...]
    next_command: str = ""

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self), "seconds_left": self.seconds_left, "answer": self.answer.headline()}

    @property
    def seconds_left(self) -> float | None:
        """Until the missing points are taken."""
        if self.missing_points is None or self.seconds_per_point is None:
            return None
        return self.missing_points * self.seconds_per_point

    def lines(self) -> list[str]:
        """The verdict, how far it still is, where to go next."""
        found = [self.answer.verdict]
        if self.missing_points:
            left, each = self.seconds_left, self.seconds_per_point
            when = "" if left is None else f", {sentences.hours(left)} at {each:.3g} s a point"
            found.append(f"About {self.missing_points:,} points to go{when}.")
        clear = [place for place, gain in zip(self.next_m, self.gain, strict=True) if gain >= CLEAR_GAIN]
        if clear:
            places = ", ".join(f"({x:.2f}, {y:.2f}, {z:.2f}) m" for x, y, z in clear)
            found.append(
                f"Points help most at {places}: up to {max(self.gain):.0f} times as much as elsewhere."
            )
        if self.next_command:
            found.append(f"To place the next ones by what these have told: {self.next_command}")
        return found


Say = Callable[[str], None]


@dataclass
class Pace:
    """How fast points come: by their own times, else by when this program saw them."""

    scan: Growing
    clock: Callable[[], float]
    _first: tuple[float, int] | None = None

    def see(self, points: int) -> None:
        """Takes note of how many there are now."""
        if self._first is None and points:
            self._first = self.clock(), points

    def seconds_per_point(self, points: int) -> float | None:
        """Over the latest points; None when it cannot be told."""
        times = self.scan.times_s()
        if times is not None and len(times) > 1 and times[-1] > times[0]:
            recent = times[-RECENT:]
            return float(recent[-1] - recent[0]) / (len(recent) - 1)
        if self._first is None or points <= self._first[1]:
            return None
        return (self.clock() - self._first[0]) / (points - self._first[1])


Telling = Callable[[], AbstractContextManager[Progress]]


@one_blas_thread
def watch(
    scan_path: Path | str,
    settings: Settings | None = None,
    choices: WatchChoices = WatchChoices(),
    say: Say = lambda line: None,
    wait: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
    telling: Telling = lambda: nullcontext(silent),
) -> Look:
    """Looks at a growing scan until its points meet the target or no new ones came for ``idle_s``; the last look.

    The scan is a file, or a folder of WAV files as ``import`` takes it. What cannot be read at a moment, as when its
    writer was killed in mid-append, is tried again. Raises ScanFileError when the scan is missing at the start, or was
    never fit to be judged. ``say`` gets a line at least every minute but while a look lasts; ``telling`` makes who is
    told how far that is.
    """
    scan = growing(Path(scan_path), choices.recordings)
    planned = None if choices.positions is None else read_positions(choices.positions).position_m
    latest: Look | None = None
    for look in looks(scan, settings or Settings(), choices, planned, say, wait, clock, telling):
        latest = look
        for line in look.lines():
            say(line)
        if look.answer.enough:
            break
    if latest is None:
        raise ScanFileError(
            f"held {_points(scan, say):,} points that could be read when the scan ended, {FEWEST_POINTS} are needed "
            "for a verdict: see what was said above, scan on and watch again",
            path=scan.path,
        )
    if latest.answer.enough and choices.run:
        run_command(choices.run)
    return latest


def looks(
    scan: Growing,
    settings: Settings,
    choices: WatchChoices,
    planned: Real | None,
    say: Say,
    wait: Callable[[float], None],
    clock: Callable[[], float],
    telling: Telling,
) -> Iterator[Look]:
    """A look whenever the points have grown enough, and a last one when they stopped growing."""
    seen, judged, since, pace = 0, 0, clock(), Pace(scan, clock)
    while True:
        points = _points(scan, say)
        pace.see(points)
        if points > seen:
            seen, since = points, clock()
        ended = clock() - since >= choices.idle_s
        if seen >= FEWEST_POINTS and seen > judged and (ended or seen >= (1 + GROWTH) * judged):
            say(f"{seen:,} points: looking")
            with telling() as progress:
                look = _look(scan, settings, choices, planned, say, pace, progress)
            if look is not None:
                judged = look.answer.points
                yield look
        if ended:
            return
        left = choices.every_s
        while left > 0:
            say(_standing(seen, judged))
            wait(min(left, LONGEST_SILENCE_S))
            left -= LONGEST_SILENCE_S


def _standing(seen: int, judged: int) -> str:
    """How many points there are, and how many make a look."""
    if not judged:
        return f"{seen:,} points, {FEWEST_POINTS} are needed before a verdict"
    return f"{seen:,} points, the next look is at {int(np.ceil((1 + GROWTH) * judged)):,}"


def run_command(command: str) -> None:
    """Runs the user's own command. Raises OutputError when it fails."""
    code = subprocess.run(command, shell=True, check=False).returncode
    if code:
        raise OutputError(
            f"the target is met, but the command {command!r} ended with code {code}: run it yourself"
        )


def _points(scan: Growing, say: Say) -> int:
    """Complete points now; 0, with a line, when they cannot be read."""
    try:
        return scan.points()
    except InputError as error:
        say(f"not readable at the moment, trying again: {error}")
        return 0


def _look(
    scan: Growing,
    settings: Settings,
    choices: WatchChoices,
    planned: Real | None,
    say: Say,
    pace: Pace,
    progress: Progress,
) -> Look | None:
    set_by = settings.who_set("fit", "target_db") if choices.target_db is None else "settings"
    try:
        with scan.opened() as file:
            heard, plan = prepared(file, settings, progress)
            each = in_parts(in_threads, progress, "study")
            study = study_of(heard, settings, plan, each, target_db=choices.target_db)
            answer = points_answer(study, set_by, choices.up_to_hz)
            place, gain = _where(heard, plan, answer, planned)
            each_s = settings.points.seconds_per_point or pace.seconds_per_point(file.setup.points)
    except (InputError, ScanDataError) as error:
        say(f"not to be judged at the moment, trying again: {error}")
        return None
    command = _next_command(scan.path, answer) if place and scan.path.is_file() else ""
    return Look(answer, _missing(answer), each_s, place, gain, command)


def _next_command(path: Path, answer: PointsAnswer) -> str:
    asked = f"--up-to {answer.wanted_hz:g} --target-db {answer.target_db:g} -o next.csv"
    return f"scanproc plan --continue {shlex.quote(str(path))} {asked}"


def _missing(answer: PointsAnswer) -> int | None:
    """Points still to go up to the highest wanted band; None when that cannot be told."""
    if answer.enough:
        return 0
    wanted = [band for band in answer.bands if band.nominal_hz <= answer.wanted_hz * 1.12]
    if wanted[-1].needed is None:
        return None
    return max(max(band.needed or 0 for band in wanted) - answer.points, 0)


def _where(
    heard: Heard, plan: Prepared, answer: PointsAnswer, planned: Real | None
) -> tuple[tuple[tuple[float, float, float], ...], tuple[float, ...]]:
    """Places where points would help most in the lowest bands that still fail."""
    fails = [band.needed is None or band.needed > answer.points for band in answer.bands]
    every = [Band(scan, fit, i) for scan, fit in in_bands(heard, plan) for i in range(len(scan.frequency_hz))]
    failing = [band for band, missed in zip(every, fails, strict=True) if missed and not band.plan.truncated]
    known = [formula for _, formula in explained(failing[:JUDGED_BANDS]) if formula is not None]
    if answer.enough or not known:
        return (), ()
    found = next_points(known, SUGGESTIONS, every[0].scan.setup.layer, planned)
    places = tuple((float(x), float(y), float(z)) for x, y, z in np.round(found.position_m, 4))
    return places, tuple(round(float(gain), 2) for gain in found.gain)
