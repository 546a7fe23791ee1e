"""Filters undo a known error, leave jumps of directivity alone, and more bands never do worse.

The error to undo is made by scipy.signal.freqz from the bilinear transform of the analogue prototypes of the Audio EQ
Cookbook (W3C note, 2021; prototypes from memory), not by the code that proposes.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import bilinear, freqz

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.answers.curves import Curve, Curves
from scanproc.steps.advise.bands import Limits, bands_level_db, changed_rms, propose
from scanproc.steps.advise.departures import IN_ROOM, SERVED, Target, at_seats, in_room

RATE = 48000.0
HZ = np.geomspace(50, 16000, 180)
BAND = (60.0, 15000.0)
INSIDE = (BAND[0] <= HZ) & (BAND[1] >= HZ)


def by_scipy(top: list[float], bottom: list[float], at: float) -> Real:
    digital = bilinear(top, bottom, fs=1 / np.tan(np.pi * at / RATE) / 2)
    return 20 * np.log10(np.abs(freqz(*digital, worN=HZ, fs=RATE)[1]))


def error_db() -> Real:
    """Peaking +4 dB at 2.5 kHz, Q 3, and a high shelf of -3 dB at 6 kHz, Q 0.7."""
    a, b = 10 ** (4 / 40), 10 ** (-3 / 40)
    peak = by_scipy([1, a / 3, 1], [1, 1 / (3 * a), 1], 2500)
    shelf = by_scipy([b * b, b * b**0.5 / 0.7, b], [1, b**0.5 / 0.7, b], 6000)
    return peak + shelf


def curves(off_db: Real, jump_db: float = 0.0, error: float = 0.02) -> Curves:
    """A device whose directivity rises steadily, but for a jump at 1.5 kHz, off by the same in all directions."""
    step = jump_db / (1 + np.exp(-8 * np.log2(HZ / 1500)))
    rise = np.log2(HZ / 50)
    level = {
        "on axis": off_db,
        "listening window": off_db - 0.3 * rise,
        "early reflections": off_db - 0.6 * rise - step / 2,
        "sound power": off_db - rise - step,
        IN_ROOM: off_db - 0.75 * rise - 0.7 * step,
    }
    return Curves(
        HZ, tuple(Curve(name, "dB", value, np.full(len(HZ), error)) for name, value in level.items())
    )


def test_the_inverse_of_a_known_error_is_found() -> None:
    off = in_room(curves(error_db()), Target(), BAND)
    found = propose(off, Limits(boost_db=6.0))
    assert changed_rms(off, error_db()[INSIDE] + found.level_db) < 0.3
    assert len(found.bands) == 2
    assert found.off_db[0] == pytest.approx(changed_rms(off, error_db()[INSIDE]), abs=0.01)


def test_nothing_is_proposed_at_a_jump_of_directivity() -> None:
    assert propose(in_room(curves(np.zeros(len(HZ)), 4.0), Target(), BAND), Limits()).bands == ()


def test_a_peak_beside_a_jump_is_mended_and_the_jump_is_not() -> None:
    off = in_room(curves(error_db(), 4.0), Target(), BAND)
    found = propose(off, Limits(boost_db=6.0))
    near = np.abs(np.log2(off.frequency_hz / 2500)) < 0.1
    assert found.level_db[near].mean() - np.median(found.level_db) < -1.5
    for name in SERVED:
        value = off.others_db[off.others.index(name)]
        assert changed_rms(off, value + found.level_db) <= changed_rms(off, value) + 0.05


@pytest.mark.parametrize("seed", range(3))
def test_more_bands_never_do_worse(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bumps = sum(
        rng.uniform(-3, 3) * np.exp(-((np.log2(HZ / at) / rng.uniform(0.2, 1)) ** 2))
        for at in np.geomspace(80, 12000, 7)
    )
    left = propose(in_room(curves(bumps), Target(), BAND), Limits(most=5)).left_db
    assert len(left) == 6
    assert np.all(np.diff(left) <= 1e-12)
    assert left[3] < 0.8 * left[0]


def test_no_more_is_mended_than_the_error_bars_bear() -> None:
    assert propose(in_room(curves(error_db(), error=3.0), Target(), BAND), Limits()).bands == ()
    off = in_room(curves(error_db(), error=0.5), Target(), BAND)
    assert np.all(np.abs(off.bears_db) <= np.maximum(np.abs(off.off_db) - 1.96 * 0.5, 0) + 1e-12)


def test_boost_and_headroom() -> None:
    off = in_room(curves(-3 * error_db()), Target(), BAND)
    found = propose(off, Limits(boost_db=2.0))
    assert found.bands
    assert found.level_db.max() - np.median(found.level_db) < 2.2
    everywhere = bands_level_db(found.bands, np.geomspace(1, 23900, 4000), RATE)
    assert everywhere.max() - found.headroom_db == pytest.approx(0, abs=0.01)


def test_a_slope_and_a_table_are_followed() -> None:
    off = in_room(curves(0 * HZ), Target(-0.75), BAND)
    assert changed_rms(off, off.off_db) < 1e-9
    table = Target(None, np.array([20.0, 20000.0]), np.array([0.0, -0.75 * np.log2(1000)]))
    np.testing.assert_allclose(
        in_room(curves(error_db()), table, BAND).off_db,
        in_room(curves(error_db()), Target(), BAND).off_db,
        atol=1e-9,
    )
    with pytest.raises(ScanDataError, match="the target covers 100 to 200 Hz"):
        in_room(curves(0 * HZ), Target(None, np.array([100.0, 200.0]), np.zeros(2)), BAND)


def test_seats_together() -> None:
    """Two seats that are off in opposite ways, one twice as much: the mean serves the sum, minimax the worse."""
    bump = 3 * np.exp(-((np.log2(HZ / 1000) / 0.5) ** 2))
    seats = [
        Curve(f"seat {n}", "dB", value, np.full(len(HZ), 0.01))
        for n, value in enumerate((2 * bump, -bump, -bump))
    ]
    worst = {}
    for together in ("mean", "minimax"):
        off = at_seats(HZ, seats, Target(), BAND, together)
        found = propose(off, Limits(boost_db=6.0))
        worst[together] = max(np.abs(row + found.level_db).max() for row in off.others_db)
    assert worst["minimax"] < worst["mean"] - 1


def test_too_narrow_a_band_is_refused() -> None:
    with pytest.raises(ScanDataError, match="at least 5 frequencies, there are 1 from 1000 to 1010 Hz"):
        in_room(curves(0 * HZ), Target(), (1000.0, 1010.0))
