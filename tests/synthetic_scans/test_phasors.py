"""Every road to the sum of delayed sources against the sum written out."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_scans import phasors

GRIDS = {
    "one": np.array([700.0]),
    "uneven steps": np.geomspace(30, 4000, 20),
    "few even steps": np.linspace(100, 4000, 14),
    "many even steps": np.linspace(50, 4000, 80),
}


@pytest.mark.parametrize("sources", [5, 3000], ids=["few sources", "bins of time"])
@pytest.mark.parametrize("frequency", GRIDS.values(), ids=GRIDS.keys())
def test_sums_equal_the_sum_written_out(frequency: np.ndarray, sources: int) -> None:
    rng = np.random.default_rng(sources)
    travel = 0.01 + 0.05 * rng.random((3, sources))
    weight = rng.standard_normal((3, sources, 2))
    got = phasors.phasor_sums(travel, weight, frequency)
    want = np.einsum("psf,psc->pfc", np.exp(-2j * np.pi * travel[..., None] * frequency), weight)
    assert np.abs(got - want).max() < 1e-12 * np.abs(weight).sum(axis=1).max()


def test_many_sources_are_gathered_and_few_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    called = []
    monkeypatch.setattr(phasors, "_binned", lambda *given: called.append(len(given)))
    phasors.phasor_sums(np.linspace(0, 0.05, 3000)[None], np.ones((1, 3000, 1)), GRIDS["uneven steps"])
    assert called
    phasors.phasor_sums(np.linspace(0, 0.05, 5)[None], np.ones((1, 5, 1)), GRIDS["uneven steps"])
    assert len(called) == 1


def test_more_bins_than_the_fft_is_long_fold() -> None:
    """A span of several periods of the frequency step."""
    frequency = np.linspace(100, 8000, 80)
    rng = np.random.default_rng(4)
    travel, weight = 0.2 * rng.random((1, 9000)), rng.standard_normal((1, 9000, 1))
    got = phasors.phasor_sums(travel, weight, frequency)
    want = np.einsum("psf,psc->pfc", np.exp(-2j * np.pi * travel[..., None] * frequency), weight)
    assert np.abs(got - want).max() < 1e-12 * np.abs(weight).sum()
