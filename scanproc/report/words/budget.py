"""What limits a result, in one sentence and in numbers."""

from __future__ import annotations

from typing import Any

import numpy as np

from scanproc.conventions import Real
from scanproc.records.budget import CAUSES, Budget
from scanproc.report.words.sentences import frequency

LIMITS = {
    "points": "the number of points limits it",
    "room": "the room limits it, which these points cannot tell from the device",
    "places": "errors of the points' places limit it",
    "level": "errors of the points' level limit it",
    "noise": "noise limits it",
}


def budget_numbers(budget: Budget, target_db: float) -> dict[str, Any]:
    """What summary.json holds under ``budget``: by cause the share of the error's power and, in dB, what would be left
    without that cause, at each of ``frequency_hz``; None where nothing would be left, or nothing is known."""
    return {
        "sentence": limit_sentence(budget, target_db),
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


def limit_sentence(budget: Budget, target_db: float) -> str:
    """What limits the highest band of frequencies that misses the target; where none does, what does at the top."""
    limiting = budget.limiting()
    missed = np.flatnonzero(budget.error_db > target_db)
    if len(missed):
        last = int(missed[-1])
        first = last
        while first - 1 in missed and limiting[first - 1] == limiting[last]:
            first -= 1
        where = f"From {frequency(float(budget.frequency_hz[first]))}"
        if last + 1 < len(budget.frequency_hz):
            where += f" to {frequency(float(budget.frequency_hz[last]))}"
    else:
        last, where = len(limiting) - 1, "Nothing misses the target; at the top"
    cause = limiting[last]
    of = f" ({1000 * budget.place_error_m:.1f} mm along each axis)" if cause == "places" else ""
    if cause == "points":
        return f"{where} {LIMITS[cause]}."
    left = float(budget.cured_db[CAUSES.index(cause), last])
    remains = f"{left:.0f} dB" if np.isfinite(left) else "nothing"
    return (
        f"{where} {LIMITS[cause]}{of}: without that {remains} would be left of {budget.error_db[last]:.0f} dB at "
        f"{frequency(float(budget.frequency_hz[last]))}."
    )
