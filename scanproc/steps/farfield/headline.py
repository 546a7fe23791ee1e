"""The few numbers of a datasheet, each with a standard error and the band it was taken over.

Errors of neighbouring frequencies are taken as fully dependent within a third-octave band and independent between
bands.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.interpolate import BSpline, make_interp_spline
from scipy.optimize import brentq

from scanproc.conventions import Boolean, Real
from scanproc.records.answers.curves import Curve, Curves
from scanproc.waves.bands import third_octave_index

SENSITIVITY_BAND_HZ = (300.0, 3000.0)
"""Band of the sensitivity unless stated; common practice, no source."""
TILT_BAND_HZ = (100.0, 10000.0)
"""Band of the tilt of the estimated in-room response unless stated; common practice, no source."""
COVERAGE_BAND_HZ = (1000.0, 4000.0)
"""Band of the nominal coverage: the octaves about 2 kHz, to which speech owes most of being understood."""
EVEN_DB = 3.0
LIMITS_DB = (3.0, 6.0, 10.0)


@dataclass(frozen=True)
class Figure:
    """One number with its standard error, and the band in Hz it rests on."""

    value: float
    standard_error: float
    unit: str
    from_hz: float
    to_hz: float


@dataclass(frozen=True)
class Span:
    """A stretch of frequencies, in which a level stays within so many dB of another."""

    from_hz: float
    to_hz: float
    within_db: float


@dataclass(frozen=True)
class Headline:
    """What a datasheet states; None where the scan's band does not reach that far.

    ``sensitivity``: mean level on the axis, dB at 1 m and 2.83 V. ``low_limit``: for each drop, the frequency at
    which the axis falls that far below the sensitivity. ``roll_off``: slope below, dB per octave.
    ``directivity_index`` and ``listening_window_spread``: means over the sensitivity's band. ``in_room_tilt``: dB per
    octave. ``even_range``: where the axis stays within ``EVEN_DB`` of the sensitivity. ``coverage``: by orbit the
    included angle at -6 dB.
    """

    sensitivity: Figure | None
    low_limit: dict[str, Figure | None]
    roll_off: Figure | None
    directivity_index: Figure | None
    listening_window_spread: Figure | None
    in_room_tilt: Figure | None
    even_range: Span | None = None
    coverage: dict[str, Figure | None] = field(default_factory=dict)


def headline(curves: Curves, sensitivity_band_hz: tuple[float, float] = SENSITIVITY_BAND_HZ) -> Headline:
    """Datasheet numbers, each with a standard error, of :func:`~scanproc.steps.farfield.curves.derived_curves`.

    >>> sp.headline(result.curves).sensitivity is not None
    True
    """
    hz, axis = curves.frequency_hz, curves.get("on axis")
    sensitivity = band_mean(hz, axis, sensitivity_band_hz)
    limits: dict[str, Figure | None] = {f"-{drop:g} dB": None for drop in LIMITS_DB}
    slope = None
    if sensitivity is not None:
        limits = {f"-{drop:g} dB": low_limit(hz, axis, sensitivity, drop) for drop in LIMITS_DB}
        slope = roll_off(hz, axis, limits["-10 dB"])
    return Headline(
        sensitivity,
        limits,
        slope,
        band_mean(hz, curves.get("directivity index, exact"), sensitivity_band_hz),
        band_mean(hz, curves.get("listening window spread"), sensitivity_band_hz),
        _over(band_slope(hz, curves.get("estimated in-room response"), TILT_BAND_HZ), hz, TILT_BAND_HZ),
        None if sensitivity is None else even_range(hz, axis, sensitivity),
        {orbit: coverage(curves, f"{orbit} beamwidth, -6 dB") for orbit in ("horizontal", "vertical")},
    )


def even_range(frequency_hz: Real, axis: Curve, reference: Figure) -> Span | None:
    """The widest stretch in which the level stays within ``EVEN_DB`` of the reference, along the spline of
    :func:`low_limit` between frequencies; None where it nowhere does."""
    octave, level = np.log2(frequency_hz), axis.value - reference.value
    line = _between(octave, level)

    def edge(inner: int, outer: int) -> float:
        """Between a frequency within and its neighbour beyond; the inner one at the end of the scan."""
        if not 0 <= outer < len(octave):
            return float(octave[inner])
        return float(brentq(lambda at: abs(line(at)) - EVEN_DB, octave[inner], octave[outer]))

    step = np.flatnonzero(np.diff(np.concatenate([[False], np.abs(level) <= EVEN_DB, [False]]).astype(int)))
    found = [(edge(a, a - 1), edge(b - 1, b)) for a, b in zip(step[::2], step[1::2], strict=True)]
    if not found:
        return None
    low, high = max(found, key=lambda span: span[1] - span[0])
    return Span(2**low, 2**high, EVEN_DB)


def coverage(curves: Curves, name: str) -> Figure | None:
    """Median of a beamwidth over ``COVERAGE_BAND_HZ``; None where that is no angle, or outside the scan's band."""
    if name not in curves.names:
        return None
    inside, curve = _inside(curves.frequency_hz, COVERAGE_BAND_HZ), curves.get(name)
    if not np.any(inside):
        return None
    middle = float(np.median(np.where(np.isnan(curve.value[inside]), 360.0, curve.value[inside])))
    if middle >= 360.0:
        return None
    hz = curves.frequency_hz
    error = float(np.nanmedian(curve.standard_error[inside]))
    return _over(Figure(middle, error, "deg", float(hz[0]), float(hz[-1])), hz, COVERAGE_BAND_HZ)


def _over(found: Figure | None, frequency_hz: Real, band_hz: tuple[float, float]) -> Figure | None:
    """The number with the band that was asked for, as far as the scan reaches."""
    if found is None:
        return None
    low, high = max(band_hz[0], float(frequency_hz[0])), min(band_hz[1], float(frequency_hz[-1]))
    return replace(found, from_hz=low, to_hz=high)


def band_mean(frequency_hz: Real, curve: Curve, band_hz: tuple[float, float]) -> Figure | None:
    """Mean over a logarithmic frequency axis of a curve in the band; None with under two frequencies there.

    The curve is carried to the band's edges where the scan reaches beyond them, and between frequencies follows a
    spline. Its standard error counts how far that misses the frequencies left out one by one.
    """
    inside = _inside(frequency_hz, band_hz)
    if np.count_nonzero(inside) < 2:
        return None
    octave, value = np.log2(frequency_hz), curve.value
    low, high = (float(np.clip(np.log2(edge), octave[0], octave[-1])) for edge in band_hz)
    line = _between(octave, value)
    mean = float(line.integrate(low, high)) / (high - low)
    weight = _trapezoid_weights(octave, low, high)
    sampled = float(np.sqrt(np.sum((weight * _missed(octave, value)) ** 2)))
    found = _linear(frequency_hz, value, curve.standard_error, weight, curve.unit)
    error = float(np.hypot(found.standard_error, sampled))
    return Figure(mean, error, curve.unit, float(2**low), float(2**high))


def _between(octave: Real, value: Real) -> BSpline:
    """A curve through all its frequencies: cubic, or as high a degree as they allow."""
    return make_interp_spline(octave, value, k=min(3, len(octave) - 1))


def _missed(octave: Real, value: Real) -> Real:
    """How far the curve between two frequencies may be off, at each of them (F,): by what a spline through its
    neighbours, spaced twice as wide, misses it, over four (the square of the spacing; smoother curves are missed
    by less)."""
    if len(octave) < 5:
        return np.full(len(octave), float(np.ptp(value)) / 4)
    missed = np.zeros(len(octave))
    for start in (0, 1):
        kept = np.arange(start, len(octave), 2)
        out = kept[:-1] + 1
        missed[out] = np.abs(_between(octave[kept], value[kept])(octave[out]) - value[out]) / 4
    missed[[0, -1]] = missed[[1, -2]]
    return missed


def _trapezoid_weights(octave: Real, low: float, high: float) -> Real:
    """Weight (F,) of each frequency in the mean of the straight lines between them from ``low`` to ``high``."""
    unit = np.eye(len(octave))
    edges = np.clip(octave, low, high)
    places = np.unique(np.concatenate([[low], edges, [high]]))
    values = np.stack([np.interp(places, octave, row) for row in unit])
    weight: Real = np.trapezoid(values, places, axis=1) / (high - low)
    return weight


def band_slope(frequency_hz: Real, curve: Curve, band_hz: tuple[float, float]) -> Figure | None:
    """Slope per octave of the straight line through a curve in the band, by least squares."""
    inside = _inside(frequency_hz, band_hz)
    if np.count_nonzero(inside) < 3:
        return None
    octave = np.log2(frequency_hz[inside])
    step = np.gradient(octave)
    centred = octave - np.sum(step * octave) / step.sum()
    weight = step * centred / np.sum(step * centred**2)
    unit = f"{curve.unit} per octave"
    return _linear(frequency_hz[inside], curve.value[inside], curve.standard_error[inside], weight, unit)


def low_limit(frequency_hz: Real, axis: Curve, reference: Figure, drop_db: float) -> Figure | None:
    """Where the curve, followed downwards from the lower end of the reference's band, first falls ``drop_db`` below.

    Between frequencies the level follows a spline over log f; the standard error counts how far that misses the
    frequencies around. None when it never falls that far.
    """
    octave = np.log2(frequency_hz)
    level = axis.value - (reference.value - drop_db)
    above = np.flatnonzero((level >= 0) & (frequency_hz >= reference.from_hz * (1 - 1e-9)))
    below = np.flatnonzero(level[: above[0]] < 0) if len(above) else above
    if not len(below):
        return None
    i = int(below[-1])
    line = _between(octave, level)
    at = float(brentq(line, octave[i], octave[i + 1]))
    steep = max(
        abs(float(line(at, 1))), abs(float(level[i + 1] - level[i])) / float(octave[i + 1] - octave[i]) / 4
    )
    sampled = _missed(octave, level)[i : i + 2].max()
    error_db = np.sqrt(axis.standard_error[i : i + 2].mean() ** 2 + reference.standard_error**2 + sampled**2)
    hz = float(2**at)
    return Figure(
        hz, float(hz * np.log(2) * error_db / steep), "Hz", float(frequency_hz[i]), float(frequency_hz[i + 1])
    )


def roll_off(frequency_hz: Real, axis: Curve, limit: Figure | None) -> Figure | None:
    """Slope below the -10 dB limit, dB per octave: over the octave that ends an octave lower, if the scan goes that
    low, else over the lowest octave up to the limit that it has."""
    if limit is None:
        return None
    lowest = max(float(frequency_hz[0]), limit.value / 4)
    highest = max(limit.value / 2, min(limit.value, 2 * lowest))
    return band_slope(frequency_hz, axis, (lowest, highest))


def _inside(frequency_hz: Real, band_hz: tuple[float, float]) -> Boolean:
    edge = 1e-9
    inside: Boolean = (frequency_hz >= band_hz[0] * (1 - edge)) & (frequency_hz <= band_hz[1] * (1 + edge))
    return inside


def _linear(frequency_hz: Real, value: Real, error: Real, weight: Real, unit: str) -> Figure:
    """Σ w v with its standard error."""
    band = third_octave_index(frequency_hz)
    together = np.bincount(band - band.min(), np.abs(weight) * error)
    return Figure(
        float(weight @ value),
        float(np.sqrt(np.sum(together**2))),
        unit,
        float(frequency_hz[0]),
        float(frequency_hz[-1]),
    )
