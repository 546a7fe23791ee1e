"""What a gate cuts off of the device, in the study of the number of points."""

from __future__ import annotations

import numpy as np
from small_studies import tiny_study

from scanproc.run.conversion.point_study import with_cut_off


def test_points_do_not_bring_back_what_a_gate_cuts_off() -> None:
    """-40 dB told, -5 dB of the join: refused. At -35 dB the powers add up to the join's, and the answer stands."""
    told = tiny_study(np.array([20.0, 30.0, 60.0]), np.array([-40.0, -40.0, -40.0]))
    found = with_cut_off(told, np.array([0, 1]), np.array([-5.0, -35.0]))
    np.testing.assert_allclose(found.predicted_db, [[-5.0, -35.0, -40.0]])
    np.testing.assert_array_equal(found.needed, [np.nan, 30.0, 60.0])
    assert "what the gate cuts off" in found.reason[0]
    assert found.reason[1:] == ("", "")


def test_a_join_that_is_no_worse_changes_nothing() -> None:
    told = tiny_study(np.array([20.0, 30.0]), np.array([-40.0, -40.0]))
    found = with_cut_off(told, np.array([0]), np.array([-41.0]))
    np.testing.assert_allclose(found.predicted_db, told.predicted_db)
    np.testing.assert_array_equal(found.needed, told.needed)
