"""Studies of the number of points whose numbers are set by hand."""

from __future__ import annotations

import numpy as np

from scanproc.records.answers.study import Study


def tiny_study(needed: np.ndarray, error_db: np.ndarray) -> Study:
    """100 points, four octaves from 250 Hz, one size, one order."""
    bands = len(needed)
    return Study(
        target_db=-25.0,
        band_hz=250.0 * 2.0 ** np.arange(bands),
        size=np.array([100]),
        draws=1,
        held_out_db=np.zeros((1, 1, bands)),
        predicted_by_order_db=np.zeros((1, 1, bands)),
        predicted_db=error_db[None],
        predicted_spread_db=np.zeros((1, bands)),
        order=np.zeros((1, bands), dtype=int),
        needed=needed,
        needed_low=needed,
        needed_high=needed,
        reason=tuple("too noisy" if np.isnan(one) else "" for one in needed),
        curve_size=np.full((1, bands), 100.0),
        curve_db=error_db[None],
        limit=("",) * bands,
        left_db=np.full(bands, np.nan),
        refit_size=np.zeros(0, dtype=int),
        refit_band_hz=np.zeros(0),
        refit_told_db=np.zeros(0),
        refit_db=np.zeros(0),
        seconds_per_point=10.0,
        points=100,
    )
