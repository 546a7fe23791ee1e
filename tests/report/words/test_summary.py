"""Bands, the verdict and the summary of expansions whose errors are set by hand."""

from __future__ import annotations

import json

import numpy as np
import pytest
from small_studies import tiny_study

from scanproc.records.answers.result import Result
from scanproc.records.fitted.budget import Budget
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.room import RoomReport
from scanproc.report.words import sentences
from scanproc.report.words.bands import Band, bands, widest_run
from scanproc.report.words.budget import limit_sentence
from scanproc.report.words.points import points_answer
from scanproc.report.words.room import room_sentence
from scanproc.report.words.summary import summarise


def expansion(
    frequency_hz: list[float],
    held_out_db: list[float],
    orders: list[int] | None = None,
    far_below_db: float = 10.0,
) -> Expansion:
    """An expansion whose held-out error is as given at the order used and useless elsewhere."""
    count = len(frequency_hz)
    order = np.array(orders or [2] * count)
    errors = np.full((order.max() + 2, count), np.nan)
    errors[order, np.arange(count)] = held_out_db
    return Expansion(
        frequency_hz=np.array(frequency_hz),
        order=order,
        centre_m=np.zeros((count, 3)),
        scaling_radius_m=np.ones(count),
        wavenumber_rad_m=np.array(frequency_hz) / 54,
        coefficients_pa=np.zeros(((order.max() + 1) ** 2, count)),
        held_out_db=errors,
        far_field_error_db=np.array(held_out_db) - far_below_db,
        coefficient_variance_pa2=np.zeros((1, count)),
        variance_pattern=np.ones((1, count)),
        estimator=np.zeros(count, dtype=int),
        points=321,
    )


def band(held_out_db: float | None, hz: float = 1000.0) -> Band:
    return Band(hz, hz, hz, 1, 2, 2, held_out_db, held_out_db)


def test_a_band_holds_the_mean_power_and_the_span_of_orders() -> None:
    low, high = bands(expansion([900.0, 1000.0, 1100.0, 1130.0], [-20.0, -30.0, -30.0, -40.0], [2, 3, 4, 5]))
    assert (low.nominal_hz, low.frequencies, low.lowest_hz, low.highest_hz) == (1000.0, 3, 900.0, 1100.0)
    assert (low.lowest_order, low.highest_order) == (2, 4)
    assert low.held_out_db == pytest.approx(10 * np.log10((0.01 + 0.001 + 0.001) / 3), abs=0.005)
    assert low.far_field_error_db == pytest.approx(10 * np.log10((0.001 + 2e-4) / 3), abs=0.005)
    assert (high.nominal_hz, high.held_out_db) == (1250.0, -40.0)


def test_an_unknown_error_meets_nothing() -> None:
    (only,) = bands(expansion([1000.0], [np.nan]))
    assert only.held_out_db is None
    assert not only.meets(0.0)


def test_the_widest_run_is_the_longest_and_the_lower_of_equals() -> None:
    errors = [-30, -30, -10, -30, -30, None, -30]
    found = tuple(band(error, 100.0 * (i + 1)) for i, error in enumerate(errors))
    met = [one.meets(-25) for one in found]
    assert [b.nominal_hz for b in widest_run(found, met)] == [100.0, 200.0]
    assert widest_run(found, [False] * len(found)) == ()


@pytest.mark.parametrize(
    ("errors", "sentence"),
    [
        (
            [-30.0, -25.0],
            "The predicted far-field error meets the target of -25 dB (the default) everywhere, from 1 kHz to 12.5 kHz "
            "with 321 points; no warnings, 1 point dropped.",
        ),
        (
            [-30.0, -12.34],
            "The predicted far-field error meets the target of -25 dB (the default) from 1 kHz up to 1 kHz with "
            "321 points, and misses it in 1 of 2 third-octave bands (worst -12.3 dB at 12.5 kHz); "
            "no warnings, 1 point dropped.",
        ),
        (
            [-3.0, None],
            "The predicted far-field error does not meet the target of -25 dB (the default) in any band with "
            "321 points, and misses it in 2 of 2 third-octave bands (worst -3.0 dB at 1 kHz); "
            "no warnings, 1 point dropped.",
        ),
    ],
)
def test_the_verdict_is_one_sentence(errors: list[float | None], sentence: str) -> None:
    found = tuple(band(error, hz) for error, hz in zip(errors, (1000.0, 12500.0), strict=True))
    assert sentences.verdict(found, -25.0, "default", points=321, dropped=1, warnings=0) == sentence


@pytest.mark.parametrize(
    ("hz", "text"), [(31.5, "31.5 Hz"), (999.4, "999 Hz"), (999.6, "1 kHz"), (16000.0, "16 kHz")]
)
def test_frequencies_in_words(hz: float, text: str) -> None:
    assert sentences.frequency(hz) == text


def test_the_summary_says_the_same_everywhere_and_is_plain_json() -> None:
    result = Result(expansion([1000.0, 4000.0, 8000.0], [-30.0, -20.0, np.nan]), {}, {"scan": "a.h5"})
    summary = summarise(result, "buoy horn", -25.0, "settings", ["odd", "rare"], written_at="now")
    document = json.loads(json.dumps(summary.as_json(), allow_nan=False))
    assert document["verdict"] == summary.lines()[0]
    assert "(set by you)" in document["verdict"]
    assert "2 warnings" in document["verdict"]
    assert summary.lines()[1:] == ["Warning: odd", "Warning: rare"]
    assert (document["met_from_hz"], document["met_up_to_hz"]) == (1000.0, 4000.0)
    assert document["held_out_met_up_to_hz"] == 1000.0
    assert [entry["meets_target"] for entry in document["bands"]] == [True, True, False]
    assert document["provenance"] == {"scan": "a.h5"}


def test_what_limits_the_lowest_bands_is_said_too() -> None:
    """Missed below by the room and at the top by the points; met between."""
    hz, error = np.array([250.0, 1000.0, 4000.0]), np.array([-5.0, -40.0, -21.0])
    share = np.array([[0.1, 0.5, 0.9], [0.9, 0.5, 0.1], *np.zeros((3, 3))])
    cured = np.full((5, 3), -50.0)
    found = [band(level, one) for one, level in zip(hz, error, strict=True)]
    said = limit_sentence(Budget(hz, error, share, cured), found, -25.0)
    assert said == (
        "Up to 250 Hz the room limits it, which these points cannot tell from the device: without that -50.0 dB would "
        "be left of -5.0 dB at 250 Hz. From 4 kHz the number of points limits it."
    )
    assert limit_sentence(Budget(hz, error, share, cured), found[1:], -25.0).startswith("From 4 kHz")


def test_a_row_of_bands_that_begins_higher_is_named() -> None:
    needed, error = np.array([np.nan, 50.0, 60.0, 500.0]), np.array([-5.0, -40.0, -35.0, -20.0])
    answer = points_answer(tiny_study(needed, error), "default")
    assert answer.verdict.startswith("Enough from 500 Hz up to 1 kHz with 60 of 100 points")
    assert "2 kHz would take about 500" in answer.verdict
    assert (answer.met_from_hz, answer.met_up_to_hz, answer.enough) == (500.0, 1000.0, False)


def test_the_room_is_stated_where_it_is_loudest() -> None:
    hz = np.array([200.0, 400.0, 800.0])
    told = RoomReport(hz, np.ones(3), np.ones(3), np.array([-3.0, -60.0, np.nan]))
    assert "(at the points at most -3.0 dB re the device's, at 200 Hz)" in room_sentence(told)
