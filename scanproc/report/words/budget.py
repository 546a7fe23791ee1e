"""What limits a result, in one sentence and in numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from scanproc.conventions import Real
from scanproc.records.fitted.budget import CAUSES, Budget
from scanproc.report.words.bands import Band
from scanproc.report.words.sentences import frequency

LIMITS = {
    "points": "the number of points limits it",
    "room": "the room limits it, which these points cannot tell from the device",
    "places": "errors of the points' places limit it",
    "level": "errors of the points' level limit it",
    "noise": "noise limits it",
}


def budget_numbers(budget: Budget, found: Sequence[Band], target_db: float) -> dict[str, Any]:
    """What summary.json holds under ``budget``: by cause the share of the error's power and, in dB, what would be left
    without that cause, at each of ``frequency_hz``; None where nothing would be left, or nothing is known."""
    return {
        "sentence": limit_sentence(budget, found, target_db),
        "frequency_hz": budget.frequency_hz.tolist(),
        "error_db": _known(budget.error_db),
        "limiting": budget.limiting(),
        "share": {cause: _known(row) for cause, row in zip(CAUSES, budget.share, strict=True)},
        "cured_db": {cause: _known(row) for cause, row in zip(CAUSES, budget.cured_db, strict=True)},
        "place_error_mm": 1000 * budget.place_error_m,
        "moved_rms_mm": 1000 * budget.moved_rms_m,
        "level_error_percent": 100 * budget.level_error,
    }


def _known(values: Real) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]


def limit_sentence(budget: Budget, found: Sequence[Band], target_db: float) -> str:
    """What limits the lowest and the highest bands that miss the target; where none does, what does at the top."""
    judged = [band for band in found if band.far_field_error_db is not None]
    if not judged:
        return "What limits it cannot be told."
    cause = [budget.limiting()[_nearest(budget, band)] for band in judged]
    missed = [not band.meets(target_db) for band in judged]
    if not any(missed):
        return _limit(budget, judged[-1], cause[-1], "Nothing misses the target; at the top")
    last = max(index for index, one in enumerate(missed) if one)
    first = last
    while first and missed[first - 1] and cause[first - 1] == cause[last]:
        first -= 1
    top = _limit(budget, judged[last], cause[last], _where(judged, first, last))
    if not missed[0] or not first:
        return top
    end = next(index for index in range(first) if not (missed[index + 1] and cause[index + 1] == cause[0]))
    return f"{_limit(budget, judged[0], cause[0], f'Up to {frequency(judged[end].nominal_hz)}')} {top}"


def _limit(budget: Budget, band: Band, cause: str, where: str) -> str:
    """What limits some bands, and what would be left in one of them without it."""
    of = f" ({1000 * budget.place_error_m:.1f} mm along each axis)" if cause == "places" else ""
    start, name = f"{where} {LIMITS[cause]}{of}", frequency(band.nominal_hz)
    if cause == "points":
        return f"{start}."
    sample, error = _nearest(budget, band), band.far_field_error_db or 0.0
    left = error + float(budget.cured_db[CAUSES.index(cause), sample] - budget.error_db[sample])
    remains = f"{left:.1f} dB" if np.isfinite(left) else "nothing"
    return f"{start}: without that {remains} would be left of {error:.1f} dB at {name}."


def _where(judged: Sequence[Band], first: int, last: int) -> str:
    low, high = (frequency(judged[index].nominal_hz) for index in (first, last))
    if last + 1 == len(judged):
        return f"From {low}"
    return f"At {low}" if first == last else f"From {low} to {high}"


def _nearest(budget: Budget, band: Band) -> int:
    """The frequency of the budget next to a band's middle."""
    return int(np.argmin(np.abs(np.log(budget.frequency_hz / band.nominal_hz))))
