"""What a study of the number of points found: the numbers behind the sentence, and the table below it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from scanproc.records.answers.study import Study
from scanproc.report.words import sentences
from scanproc.steps.points.curve import round_points
from scanproc.waves.bands import third_octave_name

WITHOUT_END = {
    "room": "the room's sound, which these points cannot tell from the device,",
    "places": "the error of the points' places",
    "level": "the error of the points' level",
    "noise": "noise",
}
"""What more points do not cure."""


@dataclass(frozen=True)
class BandNeed:
    """One third-octave band: far-field error with all points, and the points that the target takes there.

    ``needed`` with its 95 % interval, whose ends are None where they are not known; None where the study cannot tell,
    with the ``reason``; ``never``: what makes that no number will, or nothing; ``order``: what least squares do best
    with; ``few``: met with the fewest points tried, so ``needed`` may be less.
    """

    nominal_hz: float
    predicted_db: float
    held_out_db: float | None
    order: int
    needed: int | None
    needed_low: int | None
    needed_high: int | None
    hours: float | None
    reason: str
    never: str
    few: bool


@dataclass(frozen=True)
class PointsAnswer:
    """How many points are enough up to ``wanted_hz``; ``enough`` says whether the scan's own are.

    ``met_from_hz`` and ``met_up_to_hz`` are the first and last band of the longest unbroken row that the scan's points
    serve, and ``needed_there`` the points that this takes.
    """

    verdict: str
    enough: bool
    target_db: float
    target_set_by: str
    wanted_hz: float
    met_from_hz: float | None
    met_up_to_hz: float | None
    needed_there: int | None
    points: int
    seconds_per_point: float
    bands: tuple[BandNeed, ...]
    by_size: tuple[Mapping[str, Any], ...]
    refits: tuple[Mapping[str, Any], ...]

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    def headline(self) -> dict[str, Any]:
        """All but the table by size."""
        return {key: value for key, value in self.as_json().items() if key != "by_size"}

    def lines(self) -> list[str]:
        """The sentence, a row per band, how the numbers were checked."""
        head = f"{'band':>9} {'error dB':>8} {'points needed':>22} {'hours':>6}"
        checked = [(one["told_db"], one["refitted_db"]) for one in self.refits]
        sentence = sentences.refits(checked)
        return [
            self.verdict,
            "",
            head,
            *(_row(band) for band in self.bands),
            *(["", sentence] if sentence else []),
        ]


def points_answer(study: Study, target_set_by: str, up_to_hz: float | None = None) -> PointsAnswer:
    """The answer of a study; ``up_to_hz`` is the highest frequency that matters (all if None)."""
    bands = tuple(_band(study, index) for index in range(len(study.band_hz)))
    wanted = [band for band in bands if up_to_hz is None or band.nominal_hz <= up_to_hz * 1.12] or [bands[0]]
    run = _served(wanted, study.points)
    served = wanted[run]
    wanted_hz = wanted[-1].nominal_hz if up_to_hz is None else up_to_hz
    answer = PointsAnswer(
        verdict="",
        enough=len(served) == len(wanted),
        target_db=round(study.target_db, 2),
        target_set_by=target_set_by,
        wanted_hz=wanted_hz,
        met_from_hz=served[0].nominal_hz if served else None,
        met_up_to_hz=served[-1].nominal_hz if served else None,
        needed_there=max((band.needed or 0 for band in served), default=None),
        points=study.points,
        seconds_per_point=round(study.seconds_per_point, 3),
        bands=bands,
        by_size=tuple(_size(study, index) for index in range(len(study.size))),
        refits=tuple(_refit(study, index) for index in range(len(study.refit_size))),
    )
    sentence = sentences.points_verdict(
        answer.target_db,
        target_set_by,
        points=study.points,
        met_from_hz=answer.met_from_hz if run.start else None,
        met_up_to_hz=wanted_hz if answer.enough else answer.met_up_to_hz,
        needed=answer.needed_there,
        missing=[_missing(band) for band in (wanted[run.stop :] or wanted[: run.start])],
        seconds_per_point=study.seconds_per_point,
    )
    return replace(answer, verdict=sentence)


def _missing(band: BandNeed) -> sentences.Missing:
    interval = (band.needed, band.needed_low, band.needed_high)
    return (band.nominal_hz, *interval, band.hours, band.reason, band.never)


def _served(bands: list[BandNeed], points: int) -> slice:
    """The longest row of neighbouring bands that the points serve; the lower of equals."""
    best, start = slice(0, 0), 0
    for index, band in enumerate(bands):
        if band.needed is None or band.needed > points:
            start = index + 1
        elif index + 1 - start > best.stop - best.start:
            best = slice(start, index + 1)
    return best


def _band(study: Study, index: int) -> BandNeed:
    known = bool(np.isfinite(study.needed[index]))
    return BandNeed(
        nominal_hz=third_octave_name(study.band_hz[index]),
        predicted_db=round(float(study.predicted_db[-1, index]), 2),
        held_out_db=round(float(np.nanmin(study.held_out_db[-1, :, index])), 2),
        order=int(study.order[-1, index]),
        needed=_points(study.needed[index]),
        needed_low=_points(study.needed_low[index]),
        needed_high=_points(study.needed_high[index]),
        hours=round(float(study.needed[index] * study.seconds_per_point / 3600), 2) if known else None,
        reason=study.reason[index],
        never=_never(study, index),
        few=bool(study.needed[index] <= study.size[0]),
    )


def _never(study: Study, index: int) -> str:
    """What leaves a band above the target however many points there are, and at which error."""
    what = WITHOUT_END.get(study.limit[index])
    if what is None or not study.left_db[index] > study.target_db:
        return ""
    arm = f" ({1000 * study.place_error_m:.2g} mm along each axis)" if study.limit[index] == "places" else ""
    return f"{what}{arm} leaves {study.left_db[index]:.0f} dB"


def _points(number: float) -> int | None:
    return round_points(number) if np.isfinite(number) else None


def _refit(study: Study, index: int) -> Mapping[str, Any]:
    """A part fitted with nothing but its own points."""
    return {
        "nominal_hz": third_octave_name(study.refit_band_hz[index]),
        "points": int(study.refit_size[index]),
        "told_db": round(float(study.refit_told_db[index]), 2),
        "refitted_db": round(float(study.refit_db[index]), 2),
    }


def _size(study: Study, row: int) -> Mapping[str, Any]:
    """One number of points: errors and orders of every band."""
    return {
        "points": int(study.size[row]),
        "predicted_db": _plain(study.predicted_db[row]),
        "predicted_spread_db": _plain(study.predicted_spread_db[row]),
        "order": [int(order) for order in study.order[row]],
        "held_out_db": [_plain(line) for line in study.held_out_db[row]],
        "predicted_by_order_db": [_plain(line) for line in study.predicted_by_order_db[row]],
    }


def _plain(values: Any) -> list[float | None]:
    """Numbers as JSON can hold them."""
    return [round(float(value), 3) if np.isfinite(value) else None for value in values]


def _row(band: BandNeed) -> str:
    name = sentences.frequency(band.nominal_hz)
    if band.needed is None:
        why = f"no number will do: {band.never}" if band.never else band.reason
        return f"{name:>9} {band.predicted_db:>8.1f}   {why}"
    interval = f" ({sentences.interval(band.needed_low, band.needed_high)})"
    span = f"{band.needed:,}" + (" or fewer" if band.few else interval)
    return f"{name:>9} {band.predicted_db:>8.1f} {span:>22} {band.hours:>6.1f}"
