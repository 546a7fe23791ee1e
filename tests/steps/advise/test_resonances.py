"""Poles common to all directions are found; what only looks like one is not.

Truth: a rational transfer function of scipy.signal with poles of known frequency and Q (those of s² + s ω/Q + ω²), and
random boxes in closed form with a resonance planted (``tests/benchmarks/advise.py``, which counts more of them).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks import advise as boxes
from patterns import pattern_expansion
from scipy.signal import freqs_zpk

from scanproc.conventions import Complex, Real, mode_degrees
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.advise.resonances import resonances

HZ = np.geomspace(200, 4000, 140)
POLES = ((520.0, 18.0), (1650.0, 9.0))
ERROR = 0.01


def transfer() -> Complex:
    """Of scipy: each pole with a zero pair 3 % above that is damped alike, so that it stands alone on a flat line."""
    value = np.ones(len(HZ), dtype=np.complex128)
    for at, q in POLES:
        omega = 2 * np.pi * at
        pole = omega * (-1 / (2 * q) + 1j * np.sqrt(1 - 1 / (4 * q * q)))
        zero = complex(pole.real, 1.03 * pole.imag)
        value *= freqs_zpk([zero, zero.conjugate()], [pole, pole.conjugate()], 1.0, 2 * np.pi * HZ)[1]
    return value


def made(drive: Complex) -> Expansion:
    """A source and a weaker one 12 cm above, whose sound interferes, with errors of 1 %."""
    rng = np.random.default_rng(4)

    def pattern(direction: Real) -> Complex:
        path = 2 * np.pi * HZ / 343.2 * 0.12 * direction[:, 2:]
        return drive * (1 + 0.3 * direction[:, :1] + 0.6 * np.exp(1j * path))

    clean = pattern_expansion(pattern, HZ, 8, relative_variance=ERROR**2)
    noise = rng.standard_normal((2, *clean.coefficients_pa.shape))
    level = np.sqrt(clean.coefficient_variance_pa2[mode_degrees(8)] / 2)
    return replace(clean, coefficients_pa=clean.coefficients_pa + level * (noise[0] + 1j * noise[1]))


def test_poles_of_a_rational_transfer_function_are_found() -> None:
    found = resonances(made(transfer())).found
    assert len(found) == 2
    for one, (at, q) in zip(found, POLES, strict=True):
        assert one.frequency_hz.value == pytest.approx(at, rel=0.005)
        assert one.q.value == pytest.approx(q, rel=0.1)
        assert abs(one.frequency_hz.value - at) < 4 * one.frequency_hz.error
        assert abs(one.q.value - q) < 4 * one.q.error
        assert one.common > 0.9
        assert one.ring_s == pytest.approx(np.log(1000) * one.q.value / np.pi / one.frequency_hz.value)


def test_interference_and_smooth_drives_are_no_resonances() -> None:
    shelf = freqs_zpk([-2 * np.pi * 900], [-2 * np.pi * 600], 1.0, 2 * np.pi * HZ)[1]
    assert resonances(made(shelf)).found == ()


@pytest.mark.parametrize("kind", boxes.PLANTED)
def test_a_planted_resonance_is_found_with_its_level(kind: str) -> None:
    rng = np.random.default_rng(21)
    box = boxes.random_box(rng, 160)
    added = boxes.planted(rng, box, kind, 480.0, 12.0, 2.0)
    (one,) = boxes.found(box.frequency_hz, *boxes.with_errors(rng, box.frequency_hz, box.whole + added)).found
    assert one.frequency_hz.value == pytest.approx(480, rel=0.02)
    assert one.q.value == pytest.approx(12, rel=0.25)
    assert one.power_db.value == pytest.approx(2.0, abs=0.4)


@pytest.mark.parametrize("kind", boxes.OTHERS)
def test_notches_without_a_pole_are_not_called_resonances(kind: str) -> None:
    rng = np.random.default_rng(22)
    box = boxes.random_box(rng, 160)
    value = boxes.spoilt(rng, box, kind)
    assert boxes.found(box.frequency_hz, *boxes.with_errors(rng, box.frequency_hz, value)).found == ()


def test_with_too_few_frequencies_none_is_told() -> None:
    few = made(np.ones(len(HZ)))
    assert resonances(few).highest_q > 20
    assert resonances(few.take_frequencies(np.arange(10))).highest_q == 0
    assert resonances(few.take_frequencies(np.arange(0, 140, 14))).highest_q == 0
