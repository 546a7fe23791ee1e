"""Figures and tables of advice with resonances written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from patterns import pattern_expansion

from scanproc.records.answers.advice import Advice, Estimate, Resonance, Resonances
from scanproc.report.drawing.static import drawn
from scanproc.report.figures.advice import advice_figures, price_table, resonance_figure, resonance_table
from scanproc.steps.advise.advice import Wish, advice

HZ = np.geomspace(100, 4000, 30)


def resonance(hz: float, q: float, level_db: float) -> Resonance:
    level = Estimate(level_db, 0.2)
    return Resonance(Estimate(hz, 3.0), Estimate(q, 0.4), level, level, level, standing=9.0, common=0.97)


@pytest.fixture(scope="module")
def found() -> Advice:
    """Of an even source; nothing to mend, two resonances."""
    even = pattern_expansion(
        lambda angle: np.ones((len(angle), len(HZ)), complex), HZ, 2, relative_variance=1e-6
    )
    told = Resonances((resonance(480, 12, 2.0), resonance(1500, 30, -0.7)), 40.0, (100.0, 4000.0))
    return replace(advice(even, Wish()), resonances=told)


def test_each_resonance_is_a_point_of_its_own(found: Advice) -> None:
    figure = resonance_figure(found)
    np.testing.assert_allclose(figure.x, [12, 30])
    assert all(line.marks and not line.joined for line in figure.lines)
    np.testing.assert_allclose(figure.lines[1].y, [2.0, -0.7])
    ring_ms = 1000 * np.log(1000) * 12 / (np.pi * 480)  # e^{-πft/Q} = 1/1000
    assert figure.text.finding == (
        "2 resonances from 100 Hz to 4 kHz; the sound power shows most the one at 480 Hz, Q 12.0: +2.0 dB, falling "
        f"by 60 dB in {ring_ms:.0f} ms."
    )
    assert not figure.levels
    drawing = drawn(figure, "svg", outlines=False).decode()
    assert "LineCollection" in drawing
    assert resonance_table(found).rows[0] == (
        "480 ± 3",
        "12.0 ± 0.4",
        *["2.0 ± 0.2"] * 3,
        "97",
        f"{ring_ms:.0f}",
    )


def test_without_filters_there_is_nothing_to_compare(found: Advice) -> None:
    assert not found.proposal.bands
    assert [one.text.key for one in advice_figures(found)] == ["advice", "resonances"]
    assert [row[0] for row in price_table(found).rows] == ["0", "1", "2", "3", "4", "5"]
