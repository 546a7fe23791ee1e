"""What a filter would do, in words: departures by hand."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.records.answers.advice import Departures
from scanproc.report.words.advice import FINE, SERVES, TRADES, UNSURE, mendable

HZ = np.array([990.0, 1000.0, 1010.0])


@pytest.mark.parametrize(
    ("off", "shared", "bears", "word"),
    [
        (0.06, 0.0, 0.0, FINE),
        (0.4, 0.0, 0.0, FINE),
        (0.5, 0.0, 0.0, TRADES),
        (2.0, 1.8, 1.5, SERVES),
        (-2.0, -1.8, -1.5, SERVES),
        (2.0, 1.8, 0.3, UNSURE),
        (2.0, 0.5, 0.4, TRADES),
    ],
)
def test_the_word_names_what_keeps_a_filter_off(off: float, shared: float, bears: float, word: str) -> None:
    one = np.ones(3)
    given = Departures(
        HZ, "room", off * one, 0.1 * one, shared * one, bears * one, (), np.empty((0, 3)), one / 3
    )
    assert mendable(given) == [
        {"nominal_hz": 1000, "off_db": abs(off), "mendable_db": abs(bears), "a_filter": word}
    ]
