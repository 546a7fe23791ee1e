"""Figures of the question whether the points were enough."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.answers.study import Study
from scanproc.records.fitted.expansion import ESTIMATORS, Expansion
from scanproc.report.drawing.kinds import Axis, Figure, HeatMap, Line, Lines, Steps, Text
from scanproc.report.drawing.tables import Table
from scanproc.report.figures.material import Material, frequency_axis, rounded_span, spans
from scanproc.report.words.bands import held_out_at_order
from scanproc.report.words.sentences import frequency
from scanproc.steps.points.curve import round_points
from scanproc.waves.bands import third_octave_name

ERROR_FLOOR_DB = -60.0
"""Errors below it share the darkest colour of a map."""

STRIP = " The strip above the map is the error of the fit that was used."
ONE_ERROR = "one error only: see the strip"
HEADROOM = 4
"""Orders of room above the highest one that a map shows."""
POSTERIOR = ESTIMATORS.index("posterior")


def enough_figures(material: Material) -> tuple[Figure, ...]:
    """Errors against frequency; with a study also the points needed."""
    first = errors(material.result.expansion, material.summary)
    return (first,) if material.study is None else (first, needed(material.study))


def specialist_figures(material: Material) -> tuple[Figure, ...]:
    """How the errors come about: by number of points with a study, by order."""
    if material.study is None:
        return (order_map(material.result.expansion),)
    return (errors_by_points(material.study), learning(material.study), study_map(material.study))


def errors(expansion: Expansion, summary: Mapping[str, Any]) -> Lines:
    """Held-out and predicted far-field error against frequency, all points used."""
    held_out, far = held_out_at_order(expansion), expansion.far_field_error_db
    target_db = float(summary["target_db"])
    low, high = rounded_span(np.append(np.concatenate([held_out, far]), target_db), 10, (-60, 0))
    text = Text(
        "errors",
        "Error against frequency",
        _where_met(summary),
        f"Held-out error: each of the {expansion.points:,} points predicted from all the others, at the order used: a "
        "harder test, but blind to what a gate cuts off. Predicted far-field error: what the fit expects of its own "
        "far field. Both in dB re the field's rms; an error of -25 dB is a standard deviation of about 0.35 dB where "
        "the level is the mean of all directions, and of 1 dB where it lies 9 dB below.",
        "Lower is better. Near 0 dB the points cannot carry the field there and its curves mean nothing.",
        "What limits the error where it climbs is told by the error budget above; a level floor at all frequencies is "
        "noise or drift.",
    )
    return Lines(
        text,
        frequency_axis(expansion.frequency_hz),
        Axis("Error", "dB", low, min(max(high, 0.0), 10.0)),
        expansion.frequency_hz,
        (Line("held-out error", held_out), Line("predicted far-field error", far)),
        levels=(("target", target_db),),
    )


def order_map(expansion: Expansion) -> HeatMap:
    """Held-out error of every order at every frequency, with the order used and its own error as a strip."""
    held_out = expansion.held_out_db
    single = (np.sum(np.isfinite(held_out), axis=0) <= 1) | (expansion.estimator == POSTERIOR)
    text = Text(
        "orders",
        "Error of every order",
        f"The order used runs from {int(expansion.order.min())} to {int(expansion.order.max())}; the scan allows "
        f"judging orders up to {int(held_out.shape[0] - 1)}.{_single(expansion, single)}",
        f"The held-out error of an expansion cut at each order. The line is the order that was used.{STRIP}",
        "Dark is a small error. The line follows the darkest valley where there is one error for each order.",
        "For those who know expansions: if only a thin valley is left at high frequencies, more points would widen it.",
    )
    return HeatMap(
        text,
        frequency_axis(expansion.frequency_hz),
        Axis("Order", "", 0, float(len(held_out) - 1), digits=0),
        Axis("Held-out error", "dB", ERROR_FLOOR_DB, 0.0),
        expansion.frequency_hz,
        np.arange(len(held_out), dtype=np.float64),
        held_out,
        path=expansion.order.astype(np.float64),
        path_name="order used",
        strip=held_out_at_order(expansion),
        strip_only=spans(expansion.frequency_hz, single),
        strip_name=ONE_ERROR if np.any(single) else "",
    )


def _single(expansion: Expansion, single: Boolean) -> str:
    """Where there is one error and not one for each order, and why."""
    if not np.any(single):
        return ""
    modelled = bool(np.any(expansion.estimator[single] == POSTERIOR))
    why = "the fit weighs all orders at once" if modelled else "whole and gated sound are joined there"
    where = f"At {int(single.sum())} of {len(single)} frequencies"
    return f" {where} there is one error and not one for each order, since {why}."


def errors_by_points(study: Study) -> Lines:
    """Predicted far-field error by band for each number of points tried."""
    predicted = study.predicted_db
    low, high = rounded_span(np.append(predicted, study.target_db), 10, (-60, 0))
    met = [int(np.sum(row <= study.target_db)) for row in predicted]
    text = Text(
        "errors-by-points",
        "Error with fewer points",
        f"With {study.size[0]:,} points {met[0]} of {len(study.band_hz)} third-octave bands meet "
        f"{study.target_db:g} dB, with {study.size[-1]:,} points {met[-1]} do.",
        "The far-field error predicted with fewer of this scan's points, at one frequency in each third-octave band, "
        f"so it may differ from the band's mean above; {_subsets(study)}.",
        "Curves that lie on each other mean that the added points bought nothing there; a wide fan means that "
        "points are what is missing.",
        "Move the slider to see what a shorter night would have cost.",
        on_screen=True,
    )
    chosen = sorted({int(i) for i in np.linspace(0, len(study.size) - 1, 4).round()})[:-1]
    fixed = tuple(Line(f"{study.size[i]:,} points", predicted[i]) for i in chosen)
    return Lines(
        text,
        frequency_axis(study.band_hz),
        Axis("Predicted far-field error", "dB", low, min(max(high, 0.0), 10.0)),
        study.band_hz,
        (Line("points of the slider", predicted, marks=True), *fixed),
        levels=(("target", study.target_db),),
        steps=_steps(study),
    )


def study_map(study: Study) -> HeatMap:
    """Held-out error over order and band for each number of points."""
    known = np.flatnonzero(np.any(np.isfinite(study.held_out_db), axis=(0, 2)))
    orders = max(int(known.max(initial=0)), int(study.order.max())) + 1 + HEADROOM
    top = study.order[-1]
    text = Text(
        "orders",
        "Error of every order, by points",
        f"With all {study.points:,} points the best order runs from {int(top.min())} to {int(top.max())}.",
        "The held-out error of least squares up to each order about the middle of the device, by third-octave band. "
        "The line is the order that does best with that many points; the strip above the map is its error.",
        "Dark is a small error. With more points the dark valley opens towards higher orders and frequencies. Grey: "
        "orders that so many points cannot carry by least squares.",
        "For those who know expansions. Results do not rest on it where the whole model was fitted.",
    )
    return HeatMap(
        text,
        frequency_axis(study.band_hz),
        Axis("Order", "", 0, float(orders - 1), digits=0),
        Axis("Held-out error", "dB", ERROR_FLOOR_DB, 0.0),
        study.band_hz,
        np.arange(orders, dtype=np.float64),
        _filled(study.held_out_db, orders),
        path=study.order.astype(np.float64),
        path_name="best order",
        strip=_at_order(study),
        steps=_steps(study),
    )


def needed(study: Study) -> Lines:
    """The least number of points that meets the target, by band."""
    few = study.needed <= study.size[0]
    text = Text(
        "needed",
        "Points needed",
        _needed_in_words(study),
        f"The least number of points that meets {study.target_db:g} dB, by third-octave band, with its 95 % interval.",
        "Below the line of points taken there were enough; above it, more are needed. Gaps are bands where neither "
        "the data nor the model allow an honest number.",
        "Plan the next scan of a like device by the highest band that matters to you.",
    )
    lowest = np.where(few, 0.0, study.needed_low)
    most = np.nanmax(np.append(np.nan_to_num(study.needed_high, nan=0.0), study.points)) * 1.2
    low = np.nanmin(np.append(study.needed_low, study.size[0])) / 1.2
    return Lines(
        text,
        frequency_axis(study.band_hz),
        Axis("Points", "", float(max(low, 1.0)), float(most), "log", 0),
        study.band_hz,
        (Line("points needed", study.needed, low=lowest, high=study.needed_high, marks=True),),
        levels=(("points taken", float(study.points)),),
    )


def _needed_in_words(study: Study) -> str:
    known = study.needed[np.isfinite(study.needed)]
    over = study.needed > study.points
    refused = [_band(hz) for hz in study.band_hz[np.isnan(study.needed)]]
    few = study.needed <= study.size[0]
    top = int(np.flatnonzero(np.isfinite(study.needed))[-1]) if known.size else 0
    if not known.size:
        finding = "No band allows an honest estimate of the points needed."
    elif np.any(over):
        first = study.band_hz[np.argmax(over)]
        finding = (
            f"From {_band(first)} the target needs more than the {study.points:,} points taken; "
            f"{_band(study.band_hz[top])} would take about {round_points(float(study.needed[top])):,}."
        )
    else:
        most = f"{round_points(float(known.max())):,}"
        finding = f"About {most} points would have met the target in every band that can be judged."
    if refused:
        finding += f" What {_some(refused)} would take cannot be told."
    if np.any(few):
        finding += (
            f" {study.size[0]:,} points, the fewest tried, or fewer would do in {int(few.sum())} bands."
        )
    return finding


def learning(study: Study) -> Lines:
    """The predicted far-field error against the number of points, in some bands."""
    count = len(study.band_hz)
    chosen = sorted({int(i) for i in np.linspace(0, count - 1, min(6, count)).round()})
    predicted, spread = study.predicted_db, study.predicted_spread_db
    gain = predicted[0] - predicted[-1]
    best = int(np.nanargmax(gain)) if np.any(np.isfinite(gain)) else 0
    low, high = rounded_span(np.append(predicted[:, chosen], study.target_db), 10, (-60, 0))
    text = Text(
        "learning",
        "What each point bought",
        f"From {study.size[0]:,} to {study.size[-1]:,} points the predicted far-field error falls most at "
        f"{_band(study.band_hz[best])}, by {gain[best]:z.1f} dB.",
        f"Predicted far-field error against the number of points, in bands across the range; {_subsets(study)}"
        f"{', the bars span two standard deviations to either side' if study.draws > 1 else ''}.",
        "A curve that still falls at its right end would gain from more points; a flat one at a low error has had "
        "enough; a flat one near 0 dB has not begun to fall.",
        "A scan may stop where all bands that matter lie below the target.",
    )
    lines = tuple(
        Line(
            _band(study.band_hz[i]),
            predicted[:, i],
            error=2 * spread[:, i] if study.draws > 1 else None,
            marks=True,
        )
        for i in chosen
    )
    size = study.size.astype(np.float64)
    return Lines(
        text,
        Axis("Points", "", float(size[0]), float(size[-1]), "log", 0),
        Axis("Predicted far-field error", "dB", low, min(max(high, 0.0), 10.0)),
        size,
        lines,
        levels=(("target", study.target_db),),
        steps=_steps(study),
        step_mark="x",
    )


def _at_order(study: Study) -> Real:
    """Held-out error at the best order, (sizes, bands)."""
    found: Real = np.take_along_axis(study.held_out_db, study.order[:, None, :], axis=1)[:, 0]
    return found


def _steps(study: Study) -> Steps:
    return Steps("points", "points", tuple(map(float, study.size)), len(study.size) - 1)


def _where_met(summary: Mapping[str, Any]) -> str:
    """By third-octave band, as the verdict counts; and where the held-out error ends."""
    bands, target_db = summary["bands"], summary["target_db"]
    judged = [band for band in bands if band["far_field_error_db"] is not None]
    met, total = sum(band["meets_target"] for band in bands), len(bands)
    start = f"The predicted far-field error meets {target_db:g} dB in {met} of {total} third-octave bands"
    if not judged:
        return f"{start}; in none is it known."
    worst = max(judged, key=lambda band: band["far_field_error_db"])
    held_out = summary["held_out_met_up_to_hz"]
    reach = "in no band" if held_out is None else f"up to {frequency(held_out)}"
    return (
        f"{start}; it is largest at {frequency(worst['nominal_hz'])}, {worst['far_field_error_db']:z.1f} dB. The "
        f"held-out error meets it {reach}."
    )


def _band(hz: float) -> str:
    return frequency(third_octave_name(hz))


def _subsets(study: Study) -> str:
    return "one well-spread subset each" if study.draws == 1 else f"mean of {study.draws} well-spread subsets"


def _some(names: list[str]) -> str:
    return (
        names[0]
        if len(names) == 1
        else f"{names[0]} to {names[-1]}"
        if len(names) > 2
        else " and ".join(names)
    )


def _filled(held_out_db: Real, orders: int) -> Real:
    """The first ``orders`` rows, unknown beyond those there are."""
    found = np.full((len(held_out_db), orders, held_out_db.shape[2]), np.nan)
    have = held_out_db[:, :orders]
    found[:, : have.shape[1]] = have
    return found


def refit_table(study: Study) -> Table:
    """Errors told for parts of the points, and found by fits that knew no other points."""
    found = zip(study.refit_band_hz, study.refit_size, study.refit_told_db, study.refit_db, strict=True)
    rows = tuple(
        (_band(float(hz)), f"{size:,}", f"{told:.1f}", f"{refitted:.1f}")
        for hz, size, told, refitted in found
    )
    return Table(("Band", "Points", "Told [dB]", "Fitted again [dB]"), rows)
