"""A calibration's uncertainty joins the errors of levels, as independent errors do, and of nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.answers.directions import DirectionSet
from scanproc.steps.farfield.calibration import curves_with, directions_with

HZ = np.array([100.0, 200.0])


def test_levels_take_it_and_differences_do_not() -> None:
    one = np.array([0.3, 0.0])
    names = (("on axis", "dB"), ("directivity index, exact", "dB"), ("horizontal beamwidth, -6 dB", "deg"))
    curves = Curves(HZ, tuple(Curve(name, unit, one, one) for name, unit in names))
    found = curves_with(curves, 0.4)
    assert found["on axis"].standard_error == pytest.approx([0.5, 0.4])  # 3, 4, 5
    for name, _ in names[1:]:
        assert found[name].standard_error == pytest.approx(one)
    assert curves_with(curves, 0.0) is curves


def test_sets_of_directions_take_it() -> None:
    error = np.full((1, 2), 0.3)
    plain = DirectionSet("a", np.array([[1.0, 0, 0]]), HZ, np.ones((1, 2), complex), error)
    assert directions_with(plain, 0.4).standard_error_db == pytest.approx(np.full((1, 2), 0.5))
