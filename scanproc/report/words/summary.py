"""The headline numbers of a conversion: what summary.json holds and the terminal shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from scanproc.records.answers.comparison import Comparison
from scanproc.records.answers.result import Result
from scanproc.report.words import sentences
from scanproc.report.words.bands import Band, bands, widest_run
from scanproc.report.words.budget import budget_numbers
from scanproc.report.words.comparison import compared_in_words
from scanproc.report.words.distortion import distortion_numbers
from scanproc.report.words.points import PointsAnswer
from scanproc.report.words.room import room_numbers


@dataclass(frozen=True)
class Summary:
    """What one conversion found; all but ``written_at`` follow from scan, settings and version.

    ``met_from_hz`` and ``met_up_to_hz``: the third-octave bands from which to which the predicted far-field error meets
    the target, by their nominal frequencies; ``held_out_met_up_to_hz`` likewise of the held-out error.
    """

    verdict: str
    device: str
    points: int
    points_dropped: int
    frequencies: int
    lowest_hz: float
    highest_hz: float
    target_db: float
    target_set_by: str
    met_from_hz: float | None
    met_up_to_hz: float | None
    held_out_met_up_to_hz: float | None
    bands: tuple[Band, ...]
    warnings: tuple[str, ...]
    headline: Mapping[str, Any]
    room: Mapping[str, Any]
    provenance: Mapping[str, Any]
    written_at: str
    budget: Mapping[str, Any] | None = None
    points_study: Mapping[str, Any] | None = None
    comparison: Mapping[str, Any] | None = None
    distortion: Mapping[str, Any] | None = None

    def as_json(self) -> dict[str, Any]:
        """What summary.json holds."""
        found = {"format": "scanproc summary", "layout_version": 1, **asdict(self)}
        for band, entry in zip(self.bands, found["bands"], strict=True):
            entry["meets_target"] = band.meets(self.target_db)
        if self.distortion is None:  # most scans hold no harmonics
            del found["distortion"]
        return found

    def lines(self) -> list[str]:
        """What the terminal shows."""
        study = [] if self.points_study is None else [str(self.points_study["verdict"])]
        room = [str(self.room["sentence"])] if self.room else []
        match = [] if self.comparison is None else [str(self.comparison["verdict"])]
        harmonics = [] if self.distortion is None else [str(self.distortion["sentence"])]
        return [
            self.verdict,
            *study,
            *match,
            *room,
            *harmonics,
            *(f"Warning: {warning}" for warning in self.warnings),
        ]


def summarise(
    result: Result,
    device: str,
    target_db: float,
    target_set_by: str,
    warnings: Sequence[str] = (),
    points_dropped: int = 0,
    written_at: str = "",
    headline: Mapping[str, Any] | None = None,
    points_study: PointsAnswer | None = None,
    comparison: Comparison | None = None,
) -> Summary:
    """The summary of a result; ``target_set_by`` is "default" or "settings"."""
    expansion = result.expansion
    found = bands(expansion)
    met = widest_run(found, [band.meets(target_db) for band in found])
    held_out_met = widest_run(found, [band.held_out_meets(target_db) for band in found])
    answer = sentences.verdict(
        found,
        target_db,
        target_set_by,
        points=expansion.points,
        dropped=points_dropped,
        warnings=len(warnings),
    )
    budget = None if result.budget is None else budget_numbers(result.budget, found, target_db)
    return Summary(
        verdict=f"{answer} {budget['sentence']}" if budget else answer,
        device=device,
        points=expansion.points,
        points_dropped=points_dropped,
        frequencies=len(expansion.frequency_hz),
        lowest_hz=float(expansion.frequency_hz[0]),
        highest_hz=float(expansion.frequency_hz[-1]),
        target_db=target_db,
        target_set_by=target_set_by,
        met_from_hz=met[0].nominal_hz if met else None,
        met_up_to_hz=met[-1].nominal_hz if met else None,
        held_out_met_up_to_hz=held_out_met[-1].nominal_hz if held_out_met else None,
        bands=found,
        warnings=tuple(warnings),
        headline=dict(headline or {}),
        room={} if result.room is None else room_numbers(result.room),
        provenance=dict(result.provenance),
        written_at=written_at,
        budget=budget,
        points_study=None if points_study is None else points_study.headline(),
        comparison=None if comparison is None else compared_in_words(comparison),
        distortion=None if result.distortion is None else distortion_numbers(result.distortion),
    )
