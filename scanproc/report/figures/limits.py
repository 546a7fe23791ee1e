"""Figures of what limits the result: shares of the error, and what each cure would leave of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from scanproc.records.fitted.budget import CAUSES, Budget
from scanproc.report.drawing.kinds import Axis, Line, Lines, Text
from scanproc.report.figures.material import frequency_axis, nearest, rounded_span
from scanproc.report.words.sentences import frequency

NAMES = {
    "points": "too few points",
    "room": "the room",
    "places": "places of the points",
    "level": "level of the points",
    "noise": "noise and the rest",
}
CURES = {
    "points": "if points were plenty",
    "room": "without the room's share",
    "places": "with exact places",
    "level": "with exact levels",
    "noise": "without noise",
}


def limit_figures(budget: Budget | None, summary: Mapping[str, Any]) -> tuple[Lines, ...]:
    """Both figures; nothing without a budget."""
    return (
        ()
        if budget is None or not len(budget.frequency_hz)
        else (shares(budget, summary), cures(budget, summary))
    )


def shares(budget: Budget, summary: Mapping[str, Any]) -> Lines:
    """Stacked shares of the predicted error's power, by cause."""
    seen = {
        cause: budget.share[index]
        for index, cause in enumerate(CAUSES)
        if np.nanmax(budget.share[index]) > 5e-3
    }
    text = Text(
        "budget",
        "What the error is made of",
        (summary.get("budget") or {}).get("sentence", ""),
        "Shares of the predicted far-field error's power by cause, at three frequencies an octave: what each height "
        "says counts only against how large the error is, in the next figure.",
        "Where the error is far below the target, its cause does not matter.",
        "Work on the cause with the largest share in the bands that miss the target.",
    )
    lines = tuple(Line(NAMES[cause], 100 * share) for cause, share in seen.items())
    hz = budget.frequency_hz
    return Lines(text, frequency_axis(hz), Axis("Share", "%", 0.0, 100.0, digits=0), hz, lines, stacked=True)


def cures(budget: Budget, summary: Mapping[str, Any]) -> Lines:
    """The error as it is, and what would be left if one cause alone were gone."""
    left = np.where(np.isfinite(budget.cured_db), budget.cured_db, np.nan)
    gain = budget.error_db - left
    useful = [index for index in range(len(CAUSES)) if np.nanmax(np.nan_to_num(gain[index])) >= 0.1]
    best = _best(budget, left, summary)
    text = Text(
        "cures",
        "What each cure would leave",
        best,
        "The predicted far-field error at three frequencies an octave, and what would be left of it if one cause alone "
        "were gone; for the points: what the other causes leave.",
        "A line well below the error as it is marks the cure that pays; lines that lie on it buy nothing.",
        "Choose the cure that brings the bands you need below the target.",
    )
    target = float(summary["target_db"])
    shown = np.append(np.concatenate([budget.error_db[None], left[useful]]).ravel(), target)
    low, high = rounded_span(shown, 10, (-60, 0))
    hz = budget.frequency_hz
    return Lines(
        text,
        frequency_axis(hz),
        Axis("Predicted far-field error", "dB", max(low, -120.0), min(max(high, 0.0), 10.0)),
        hz,
        (
            Line("as it is", budget.error_db, marks=True),
            *(Line(CURES[CAUSES[index]], left[index], marks=True) for index in useful),
        ),
        levels=(("target", target),),
    )


def _best(budget: Budget, left: Any, summary: Mapping[str, Any]) -> str:
    """In the highest band that misses the target, or the highest of all: the cure that leaves least."""
    judged = [band for band in summary["bands"] if band["far_field_error_db"] is not None]
    if not judged:
        return "No band's error is known."
    band = next((one for one in reversed(judged) if not one["meets_target"]), judged[-1])
    at = nearest(budget.frequency_hz, band["nominal_hz"])
    known = np.where(np.isnan(left[:, at]), np.inf, left[:, at])
    known = np.where(np.isneginf(budget.cured_db[:, at]), -np.inf, known)
    best = int(known.argmin())
    name = frequency(band["nominal_hz"])
    shift = band["far_field_error_db"] - budget.error_db[at]
    limiting = CAUSES.index(budget.limiting()[at])
    told = [f"to {_remains(known[limiting] + shift)} {CURES[CAUSES[limiting]]}"]
    if best != limiting:
        told.append(f"most, to {_remains(known[best] + shift)}, {CURES[CAUSES[best]]}")
    return f"At {name} the error of {band['far_field_error_db']:z.1f} dB would fall {', and '.join(told)}."


def _remains(error_db: float) -> str:
    return "nothing" if np.isneginf(error_db) else f"{error_db:z.1f} dB"
