"""What a fit leaves over at each point, at one frequency of each third-octave band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.expansion import Expansion
from scanproc.records.point_errors import PointErrors
from scanproc.records.scan import Scan
from scanproc.steps.field.extrapolate import pressure_at
from scanproc.waves.bands import third_octave_centre, third_octave_index


def band_middles(frequency_hz: Real) -> Integer:
    """Of each third-octave band the index of the frequency nearest its middle."""
    band = third_octave_index(frequency_hz)
    away = np.abs(np.log(frequency_hz / third_octave_centre(band)))
    groups = [np.flatnonzero(band == one) for one in np.unique(band)]
    return np.array([group[np.argmin(away[group])] for group in groups], dtype=np.int64)


def point_errors(expansion: Expansion, scan: Scan, among: Real | None = None) -> PointErrors:
    """Residual of the expansion at the scan's points, at the frequencies ``among`` (default: band middles)."""
    wanted = expansion.frequency_hz[band_middles(expansion.frequency_hz)] if among is None else among
    which = np.flatnonzero(np.isin(expansion.frequency_hz, wanted))
    measured = scan.pressure_pa[:, np.isin(scan.frequency_hz, wanted)]
    found: Complex = pressure_at(expansion.take_frequencies(which), scan.setup.position_m)
    with np.errstate(divide="ignore"):
        error = 10 * np.log10(np.abs(measured - found) ** 2 / np.mean(np.abs(measured) ** 2, axis=0))
    error[~np.isfinite(error)] = np.nan
    return PointErrors(scan.setup.position_m, expansion.frequency_hz[which], error, scan.setup.layer)


def join(parts: Sequence[PointErrors]) -> PointErrors:
    """Blocks of frequencies of the same points side by side."""
    return replace(
        parts[0],
        frequency_hz=np.concatenate([part.frequency_hz for part in parts]),
        error_db=np.concatenate([part.error_db for part in parts], axis=1),
    )
