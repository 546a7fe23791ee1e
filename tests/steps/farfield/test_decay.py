"""The decay of a burst against the closed form: a pole of quality Q falls by 20π/(Q ln 10) dB a period."""

from __future__ import annotations

import numpy as np
import pytest
from patterns import pattern_expansion

from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.decay import axis_decay

HZ = 100 * 2 ** (np.arange(289) / 48)
AT, Q = 800.0, 12.0


def ringing(strength: float, variance: float = 1e-9) -> Expansion:
    """A flat device 0.1 m before the origin, and a resonance of so much more level."""
    s = 1j * HZ / AT
    drive = 1 + strength * (s / Q) / (s * s + s / Q + 1)
    delay = np.exp(2j * np.pi * HZ * 0.1 / 343.2)
    return pattern_expansion(
        lambda direction: drive * delay * np.ones((len(direction), 1)), HZ, 2, relative_variance=variance
    )


def test_a_resonance_falls_as_its_q_says() -> None:
    found = axis_decay(ringing(3.0))
    assert found is not None
    at = int(np.abs(np.log(found.frequency_hz / AT)).argmin())
    late = (found.period >= 6) & (found.period <= 14)
    slope = np.polyfit(found.period[late], found.level_db[late, at], 1)[0]
    assert slope == pytest.approx(-20 * np.pi / (Q * np.log(10)), rel=0.01)


def test_a_flat_device_falls_as_the_burst_itself_does() -> None:
    found = axis_decay(ringing(0.0))
    assert found is not None
    width = np.log(2) / 3 / 2.3548
    short = found.period <= 3
    wanted = -10 * np.log10(np.e) * (2 * np.pi * found.period[short] * width) ** 2
    np.testing.assert_allclose(
        found.level_db[short].T, wanted[None] * np.ones((found.level_db.shape[1], 1)), atol=1.0
    )


def test_the_error_and_the_gate_hide_what_is_not_known() -> None:
    loud, gated = axis_decay(ringing(3.0, variance=1e-2)), axis_decay(ringing(3.0), 5e-3)
    assert loud is not None
    assert gated is not None
    assert np.nanmin(loud.level_db) > -22
    after = gated.period[:, None] / gated.frequency_hz > 5e-3
    assert np.all(np.isnan(gated.level_db[after]))


def test_frequencies_too_far_apart_tell_nothing() -> None:
    assert axis_decay(ringing(3.0).take_frequencies(np.arange(0, 289, 6))) is None
