"""What a fit leaves over at each point, at one frequency of each third-octave band."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.point_errors import PointErrors
from scanproc.records.measured.scan import Scan
from scanproc.steps.field.near import series
from scanproc.steps.field.view import relative_wavenumber, view_from
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.harmonics import real_harmonics


def band_middles(frequency_hz: Real) -> Integer:
    """Of each third-octave band the index of the frequency nearest its middle."""
    band = third_octave_index(frequency_hz)
    away = np.abs(np.log(frequency_hz / third_octave_centre(band)))
    groups = [np.flatnonzero(band == one) for one in np.unique(band)]
    return np.array([group[np.argmin(away[group])] for group in groups], dtype=np.int64)


def point_errors(scan: Scan, left_pa: Complex) -> PointErrors:
    """What a fit left over of a scan's pressures, complex (points, F) in Pa, at all of its frequencies."""
    with np.errstate(divide="ignore", invalid="ignore"):
        error = 10 * np.log10(np.abs(left_pa) ** 2 / np.mean(np.abs(scan.pressure_pa) ** 2, axis=0))
    error[~np.isfinite(error)] = np.nan
    error = error.astype(
        np.float32
    )  # as files hold it, so that a page is the same from memory and from a file
    setup = scan.setup
    return PointErrors(setup.position_m, scan.frequency_hz, error, setup.layer, tuple(setup.names.tolist()))


def left_over(expansion: Expansion, scan: Scan) -> Complex:
    """Measured less expanded, complex (points, F) in Pa, of coefficients about one centre fitted to this very scan."""
    view = view_from(scan.setup.position_m, expansion.centre_m[0])
    radius = view.radius_m * relative_wavenumber(scan.setup)
    harmonics = real_harmonics(expansion.max_order, view.direction)
    fitted = [
        series(terms, k, scaling, radius, harmonics)
        for terms, k, scaling in zip(
            expansion.coefficients_pa.T,
            expansion.wavenumber_rad_m.tolist(),
            expansion.scaling_radius_m.tolist(),
            strict=True,
        )
    ]
    return scan.pressure_pa - np.stack(fitted, axis=1)


def one_in_a_band(points: PointErrors) -> PointErrors | None:
    """The frequency nearest the middle of each third-octave band, where blocks of a fit left several."""
    return points.among(points.frequency_hz[band_middles(points.frequency_hz)])
