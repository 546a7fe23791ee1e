"""Ratios of harmonics by hand."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.errors import ScanDataError
from scanproc.records.answers.distortion import PLACES, Distortion
from scanproc.steps.farfield.distortion import harmonic_ratio, total_ratio


def planted(**changes: np.ndarray) -> Distortion:
    """Fundamental 90 dB, harmonics 2 and 3 at 60 and 50 dB; excited at their own frequencies 84 and 80 dB; the third
    is beyond its band at the second frequency, both at the third."""
    shape = (2, len(PLACES), 3)
    level = np.broadcast_to(np.array([60.0, 50.0])[:, None, None], shape).copy()
    level[1, :, 1:], level[0, :, 2] = np.nan, np.nan
    own = np.broadcast_to(np.array([84.0, 80.0])[:, None, None], shape)
    fields = {
        "excitation_hz": np.array([100.0, 200.0, 400.0]),
        "order": np.array([2, 3]),
        "level_db": level,
        "standard_error_db": np.where(np.isfinite(level), 0.1, np.nan),
        "floor_db": np.where(np.isfinite(level), 30.0, np.nan),
        "fundamental_db": np.full(shape[1:], 90.0),
        "own_db": own,
    }
    return Distortion(**fields | changes)  # type: ignore[arg-type]


def test_single_harmonics() -> None:
    found = planted()
    assert harmonic_ratio(found, 0, 0, "excitation").value_db[:2] == pytest.approx(-30)
    assert harmonic_ratio(found, 0, 0, "own").value_db[:2] == pytest.approx(-24)
    assert harmonic_ratio(found, 1, 2, "own").value_db[0] == pytest.approx(-30)
    assert harmonic_ratio(found, 1, 2, "own").floor_db[0] == pytest.approx(-50)


def test_totals_are_roots_of_sums_of_squares() -> None:
    """10^-3 + 10^-4 of the power; 10^-2.4 + 10^-3 against the harmonics' own frequencies."""
    total, own = (total_ratio(planted(), 1, reference) for reference in ("excitation", "own"))
    assert total.value_db[:2] == pytest.approx([10 * np.log10(1.1e-3), -30])
    assert own.value_db[0] == pytest.approx(10 * np.log10(10**-2.4 + 10**-3))
    assert np.isnan(total.value_db[2])
    assert total.floor_db[0] == pytest.approx(-60 + 10 * np.log10(2))
    assert total.standard_error_db[0] == pytest.approx(0.1 * np.hypot(1e-3, 1e-4) / 1.1e-3)


def test_the_record_refuses_nonsense() -> None:
    with pytest.raises(ScanDataError, match="order must be 2 or more"):
        planted(order=np.array([1, 2]))
    with pytest.raises(ScanDataError, match="level_db"):
        planted(level_db=np.zeros((2, 3, 4)))
