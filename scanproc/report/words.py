"""What was found, in words: the same sentence on the terminal, in summary.json and on the page."""

from __future__ import annotations

from collections.abc import Sequence

from scanproc.report.bands import Band, widest_run

WHO = {"default": "the default", "settings": "set by you"}
"""Who set the target -> how it is said."""


def verdict(
    found: tuple[Band, ...], target_db: float, set_by: str, *, points: int, dropped: int, warnings: int
) -> str:
    """One sentence: the target and who set it, where it is met, points used, warnings, points dropped."""
    aim = f"the target of {target_db:g} dB ({WHO[set_by]})"
    run = widest_run(found, target_db)
    short = [band for band in found if not band.meets(target_db)]
    if not run:
        answer = f"does not meet {aim} in any band"
    elif not short:
        answer = (
            f"meets {aim} everywhere, from {frequency(run[0].lowest_hz)} to {frequency(run[-1].highest_hz)}"
        )
    else:
        answer = f"meets {aim} from {frequency(run[0].lowest_hz)} up to {frequency(run[-1].highest_hz)}"
    missed = f", {_shortfall(short, len(found))}" if short else ""
    notes = f"{count(warnings, 'warning')}, {count(dropped, 'point')} dropped"
    return f"The held-out error {answer} with {count(points, 'point')}{missed}; {notes}."


def frequency(hz: float) -> str:
    """A frequency to three digits, in Hz or kHz."""
    return f"{hz / 1000:.3g} kHz" if hz >= 999.5 else f"{hz:.3g} Hz"


def count(number: int, noun: str) -> str:
    """ "no warnings", "1 warning", "2 warnings"."""
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def _shortfall(short: Sequence[Band], total: int) -> str:
    known = [band for band in short if band.held_out_db is not None]
    missed = f"and misses it in {len(short)} of {total} third-octave bands"
    if not known:
        return missed
    worst = max(known, key=lambda band: band.held_out_db or 0.0)
    return f"{missed} (worst {worst.held_out_db:.1f} dB at {frequency(worst.nominal_hz)})"
