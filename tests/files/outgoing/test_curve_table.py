"""Tables of curves come back as they went."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from written_curves import read_curves

from scanproc.files.outgoing.curve_table import write_curves
from scanproc.records.answers.curves import Curve, Curves


def some_curves() -> Curves:
    hz = np.array([50.0, 1000 / 3, 16000.0])
    level = Curve(
        "sound power, exact", "dB", np.array([90.1, np.pi, -np.inf]), np.array([0.1, np.nan, np.inf])
    )
    return Curves(hz, (level, Curve("horizontal beamwidth, -6 dB", "deg", hz / 100, hz * 0)))


def test_round_trip(tmp_path: Path) -> None:
    curves = some_curves()
    write_curves(tmp_path / "curves.csv", curves)
    back = read_curves(tmp_path / "curves.csv")
    assert back.names == curves.names
    assert [curve.unit for curve in back.curves] == ["dB", "deg"]
    np.testing.assert_array_equal(back.frequency_hz, curves.frequency_hz)
    for found, wanted in zip(back.curves, curves.curves, strict=True):
        np.testing.assert_array_equal(found.value, wanted.value)
        np.testing.assert_array_equal(found.standard_error, wanted.standard_error)
