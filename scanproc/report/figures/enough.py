"""Figures of the question whether the points were enough."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.expansion import ESTIMATORS, Expansion
from scanproc.records.study import Study
from scanproc.report.figures.kinds import Axis, Figure, HeatMap, Line, Lines, Steps, Text
from scanproc.report.figures.material import Material, frequency_axis, rounded_span, spans
from scanproc.report.words.bands import held_out_at_order
from scanproc.report.words.sentences import frequency

ERROR_FLOOR_DB = -60.0
"""Errors below it share the darkest colour of a map."""

STRIP = " The strip above the map is the error of the fit that was used."
ONE_ERROR = "one error only: see the strip"
POSTERIOR = ESTIMATORS.index("posterior")


def enough_figures(material: Material) -> tuple[Figure, ...]:
    """Errors against frequency and the map over orders; with a study also by number of points."""
    expansion, target = material.result.expansion, float(material.summary["target_db"])
    if material.study is None:
        return (errors(expansion, target), order_map(expansion))
    study = material.study
    return (
        errors(expansion, target),
        errors_by_points(study),
        study_map(study),
        needed(study),
        learning(study),
    )


def errors(expansion: Expansion, target_db: float) -> Lines:
    """Held-out and predicted far-field error against frequency, all points used."""
    held_out, far = held_out_at_order(expansion), expansion.far_field_error_db
    low, high = rounded_span(np.append(np.concatenate([held_out, far]), target_db), 10, (-60, 0))
    text = Text(
        "errors",
        "Error against frequency",
        _where_met(expansion.frequency_hz, far, target_db),
        f"Held-out error: each of the {expansion.points:,} points predicted from all the others, at the order used. "
        "Predicted far-field error: what the fit expects of its own far field.",
        "Lower is better. Near 0 dB the points cannot carry the field there and its curves mean nothing.",
        "Where the held-out error climbs towards high frequencies, add points or move the expansion's centre to "
        "where the sound comes from; a level floor at all frequencies is noise or drift.",
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
        "Dark is a small error. A dark valley wide enough to hold the line is healthy; a line at the upper edge of "
        "the map wants more orders than the points can carry.",
        "If only a thin valley is left at high frequencies, more points or a better centre would widen it.",
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
    return (
        f" At {int(single.sum())} of {len(single)} frequencies there is one error and not one for each order, since "
        f"{'the fit weighs all orders at once' if modelled else 'two fits are blended'}."
    )


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
        "The far-field error predicted with fewer of this scan's points, by third-octave band; mean of "
        f"{study.draws} well-spread subsets.",
        "Curves that lie on each other mean that the added points bought nothing there; a wide fan means that "
        "points are what is missing.",
        "Move the slider to see what a shorter night would have cost.",
    )
    chosen = sorted({int(i) for i in np.linspace(0, len(study.size) - 1, 4).round()})
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
    orders = max(int(known.max(initial=0)), int(study.order.max())) + 1
    top = study.order[-1]
    text = Text(
        "orders",
        "Error of every order, by points",
        f"With all {study.points:,} points the best order runs from {int(top.min())} to {int(top.max())}.",
        "The held-out error of least squares up to each order about the middle of the device, by third-octave band. "
        "The line is the order that does best with that many points; the strip above the map is its error.",
        "Dark is a small error. With more points the dark valley opens towards higher orders and frequencies.",
        "A line pressed against the upper edge wants more orders than the points can carry.",
    )
    return HeatMap(
        text,
        frequency_axis(study.band_hz),
        Axis("Order", "", 0, float(orders - 1), digits=0),
        Axis("Held-out error", "dB", ERROR_FLOOR_DB, 0.0),
        study.band_hz,
        np.arange(orders, dtype=np.float64),
        study.held_out_db[:, :orders],
        path=study.order.astype(np.float64),
        path_name="best order",
        strip=_at_order(study),
        steps=_steps(study),
    )


def needed(study: Study) -> Lines:
    """The least number of points that meets the target, by band."""
    known = study.needed[np.isfinite(study.needed)]
    over = study.needed > study.points
    refused = int(np.sum(np.isnan(study.needed)))
    if not known.size:
        finding = "No band allows an honest estimate of the points needed."
    elif np.any(over):
        first = study.band_hz[np.argmax(over)]
        finding = (
            f"From {frequency(float(first))} the target needs more than the {study.points:,} points taken; "
            f"at most about {_two_digits(float(known.max()))}."
        )
    else:
        most = _two_digits(float(known.max()))
        finding = f"About {most} points would have met the target in every band that can be judged."
    if refused:
        finding += f" {refused} of {len(study.band_hz)} bands cannot be judged."
    text = Text(
        "needed",
        "Points needed",
        finding,
        f"The least number of points that meets {study.target_db:g} dB, by third-octave band, with its 95 % interval.",
        "Below the line of points taken there were enough; above it, more are needed. Gaps are bands where neither "
        "the data nor the model allow an honest number.",
        "Plan the next scan of a like device by the highest band that matters to you.",
    )
    top = np.nanmax(np.append(np.nan_to_num(study.needed_high, nan=0.0), study.points)) * 1.2
    low = np.nanmin(np.append(study.needed_low, study.size[0])) / 1.2
    return Lines(
        text,
        frequency_axis(study.band_hz),
        Axis("Points", "", float(max(low, 1.0)), float(top), "log", 0),
        study.band_hz,
        (Line("points needed", study.needed, low=study.needed_low, high=study.needed_high, marks=True),),
        levels=(("points taken", float(study.points)),),
        steps=_steps(study),
        step_mark="y",
    )


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
        f"{frequency(float(study.band_hz[best]))}, by {gain[best]:.1f} dB.",
        f"Predicted far-field error against the number of points, in bands across the range; the bars span two "
        f"standard deviations over {study.draws} subsets to either side.",
        "A curve that still falls at its right end would gain from more points; a flat one at a low error has had "
        "enough; a flat one near 0 dB has not begun to fall.",
        "Stop the scan where all bands that matter lie below the target with their bars.",
    )
    lines = tuple(
        Line(frequency(float(study.band_hz[i])), predicted[:, i], error=2 * spread[:, i], marks=True)
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


def _where_met(frequency_hz: Real, far_db: Real, target_db: float) -> str:
    met = far_db <= target_db
    total = len(met)
    worst = int(np.nanargmax(np.where(np.isnan(far_db), -np.inf, far_db)))
    return (
        f"The predicted far-field error is at or below {target_db:g} dB at {int(met.sum())} of {total} frequencies; "
        f"it is largest at {frequency(float(frequency_hz[worst]))}, {far_db[worst]:.1f} dB."
    )


def _two_digits(number: float) -> str:
    return f"{float(f'{number:.2g}'):,.0f}"
