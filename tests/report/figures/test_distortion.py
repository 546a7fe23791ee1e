"""What the figures of distortion claim, by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from scanproc.records.answers.distortion import Distortion
from scanproc.report.figures.distortion import by_place, on_axis


def planted(level_db: np.ndarray, floor_db: float) -> Distortion:
    """The second harmonic at the three places (3, F), the fundamental at 90 dB."""
    level = level_db[None]
    known: dict[str, Any] = {
        "standard_error_db": np.full(level.shape, 0.25),
        "floor_db": np.full(level.shape, floor_db),
        "own_db": np.full(level.shape, 90.0),
    }
    hz = np.array([100.0, 200.0, 400.0])[: level.shape[2]]
    return Distortion(hz, np.array([2]), level, **known, fundamental_db=np.full(level.shape[1:], 90.0))


def test_the_findings_are_the_largest_above_the_noise() -> None:
    """-30 dB is 3.2 %, -36 dB 1.6 %; 40 dB of noise hide 38 dB at 400 Hz."""
    found = planted(np.array([[50.0, 60.0, 38.0], [50.0, 50.0, 38.0], [54.0, 50.0, 38.0]]), 40.0)
    assert on_axis(found).text.finding == (
        "On the axis harmonic 2 adds up to at most 3.2 % of the fundamental (-30.0 ± 0.2 dB), when excited at "
        "200 Hz. At 1 of 3 frequencies that is less than the noise would hide."
    )
    assert by_place(found).text.finding == (
        "In the sound power the harmonics add up to at most 1.6 % of the fundamental."
    )
    shown = {line.name: line.y for line in on_axis(found).lines}
    assert shown["harmonic 2"][:2] == pytest.approx([-40, -30])
    assert np.isnan(shown["harmonic 2"][2])


def test_noise_alone_is_called_noise() -> None:
    """-50 dB is 0.32 %."""
    found = planted(np.full((3, 2), 30.0), 40.0)
    assert on_axis(found).text.finding == (
        "On the axis harmonic 2 does not rise above the noise, which would hide 0.32 % of distortion."
    )
    assert by_place(found).text.finding == "The harmonics of the sound power do not rise above the noise."
    unknown = planted(np.full((3, 2), np.nan), 40.0)
    assert on_axis(unknown).text.finding == "Harmonic 2 could not be told at any frequency."
