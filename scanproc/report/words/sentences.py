"""What was found, in words: the same sentence on the terminal, in summary.json and on the page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeAlias

from scanproc.report.words.bands import Band, widest_run

WHO = {"default": "the default", "settings": "set by you"}
"""Who set the target -> how it is said."""


def verdict(
    found: tuple[Band, ...], target_db: float, set_by: str, *, points: int, dropped: int, warnings: int
) -> str:
    """One sentence: the target and who set it, where it is met, points used, warnings, points dropped."""
    aim = f"the target of {target_db:g} dB ({WHO[set_by]})"
    run = widest_run(found, [band.meets(target_db) for band in found])
    short = [band for band in found if not band.meets(target_db)]
    if not run:
        answer = f"does not meet {aim} in any band"
    elif not short:
        answer = (
            f"meets {aim} everywhere, from {frequency(run[0].nominal_hz)} to {frequency(run[-1].nominal_hz)}"
        )
    else:
        answer = f"meets {aim} from {frequency(run[0].nominal_hz)} up to {frequency(run[-1].nominal_hz)}"
    missed = f", {_shortfall(short, len(found))}" if short else ""
    notes = f"{count(warnings, 'warning')}, {count(dropped, 'point')} dropped"
    return f"The predicted far-field error {answer} with {count(points, 'point')}{missed}; {notes}."


def frequency(hz: float) -> str:
    """A frequency to three digits, in Hz or kHz."""
    return f"{hz / 1000:.3g} kHz" if hz >= 999.5 else f"{hz:.3g} Hz"


def count(number: int, noun: str) -> str:
    """ "no warnings", "1 warning", "2 warnings"."""
    many = f"{number:,}" if number else "no"
    return f"{many} {noun}{'' if number == 1 else 's'}"


def _shortfall(short: Sequence[Band], total: int) -> str:
    known = [band for band in short if band.far_field_error_db is not None]
    missed = f"and misses it in {len(short)} of {total} third-octave bands"
    if not known:
        return missed
    worst = max(known, key=lambda band: band.far_field_error_db or 0.0)
    return f"{missed} (worst {worst.far_field_error_db:.1f} dB at {frequency(worst.nominal_hz)})"


Missing: TypeAlias = tuple[float, int | None, int | None, int | None, float | None, str, str]
"""A band that the scan's points do not serve: mid frequency, points with their interval, hours, why that is not known,
why no number will do."""


def points_verdict(
    target_db: float,
    set_by: str,
    *,
    points: int,
    met_from_hz: float | None = None,
    met_up_to_hz: float | None,
    needed: int | None,
    missing: Sequence[Missing],
    seconds_per_point: float,
) -> str:
    """One sentence on the number of points: up to where they are enough (from where, if not from the lowest band), what
    was wasted or what is missing."""
    aim = f"for a far-field error of {target_db:g} dB ({WHO[set_by]})"
    if met_up_to_hz is None or needed is None:
        return f"Not enough {aim} in any band with {points:,} points; {_more(missing)}."
    where = "" if met_from_hz is None else f"from {frequency(met_from_hz)} "
    start = f"Enough {where}up to {frequency(met_up_to_hz)} with {needed:,} of {points:,} points {aim}"
    if missing:
        return f"{start}; {_more(missing)}."
    spare = points - needed
    if spare < 0.05 * points:
        return f"{start}."
    return f"{start}; the other {spare:,} ({hours(spare * seconds_per_point)}) were more than it takes."


def hours(seconds: float) -> str:
    """A time span in seconds, minutes or hours."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.2g} h"


def interval(low: int | None, high: int | None) -> str:
    """A 95 % interval of points, whose upper end, or all of it, may not be known."""
    if low is None:
        return "how surely is not known"
    return f"{low:,} or more" if high is None else f"{low:,} to {high:,}"


def refits(told_and_found: Sequence[tuple[float, float]]) -> str:
    """How fits of parts agreed with the errors told for them, in dB; nothing where there were none."""
    if not told_and_found:
        return ""
    off = math.sqrt(sum((found - told) ** 2 for told, found in told_and_found) / len(told_and_found))
    fits = count(len(told_and_found), "fit")
    return f"Corrected by {fits} of parts that knew no other points: told errors were {off:.1f} dB (rms) off."


def _more(missing: Sequence[Missing]) -> str:
    """What the highest wanted band would take, or the highest of which it can be told."""
    told = [band for band in missing if band[1] is not None]
    top = missing[-1]
    parts = []
    if told:
        hz, number, low, high, time, *_ = told[-1]
        parts.append(
            f"{frequency(hz)} would take about {number:,} ({interval(low, high)}), {hours((time or 0) * 3600)}"
        )
    if top[6]:
        parts.append(f"at {frequency(top[0])} no number will do: {top[6]}")
    elif top[1] is None:
        parts.append(f"what {frequency(top[0])} would take cannot be told ({top[5]})")
    return ", ".join(parts)
