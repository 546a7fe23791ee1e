"""What every point should have heard by an outgoing expansion about the origin: what drift and arm are judged by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.measured.scan import Scan
from scanproc.steps.field.basis import ends, outgoing_basis
from scanproc.steps.field.order import highest_order
from scanproc.steps.field.view import View, view_from, wavenumbers
from scanproc.waves.algebra.left_out_values import left_out_values
from scanproc.waves.harmonics import real_harmonics

HIGHEST_ORDER = 24
"""Points are judged where this order is enough; it bounds the time a check takes."""
HIGHEST_KR = 15.0
"""Largest wave number times median radius at which points are judged, so that the order above suffices."""
FREQUENCIES = 6
"""Frequencies at which points are judged."""
NUMERICAL_FLOOR = 1e-7


@dataclass(frozen=True, eq=False)
class Prediction:
    """At the frequencies (F,) of a scan: ``error`` complex (points, F), ``order`` (F,).

    ``size`` (F,) is the median pressure, ``typical`` (F,) the median error, both over the points in use.
    """

    order: Integer
    error: Complex
    size: Real
    typical: Real

    @property
    def level_db(self) -> Real:
        """Typical error re typical pressure, (F,)."""
        level: Real = 20 * np.log10(np.maximum(self.typical / self.size, NUMERICAL_FLOOR))
        return level


def judging_columns(frequency_hz: Real, highest_hz: float, count: int = FREQUENCIES) -> Integer:
    """Indices of up to ``count`` frequencies, evenly over log frequency up to ``highest_hz``."""
    allowed = max(1, int(np.searchsorted(frequency_hz, highest_hz, side="right")))
    lowest = frequency_hz[0]
    wanted = np.geomspace(max(lowest, frequency_hz[allowed - 1] / 16), frequency_hz[allowed - 1], count)
    nearest = np.abs(frequency_hz[:allowed, None] - wanted).argmin(axis=0)
    return np.unique(nearest)


def highest_judging_hz(view: View, speed_m_s: float) -> float:
    """Where ``HIGHEST_KR`` is reached."""
    return HIGHEST_KR * speed_m_s / (2 * np.pi * view.scaling_radius_m)


def predict(scan: Scan, used: Boolean) -> Prediction:
    """Predictions of all points from those in ``used``, at the order with the least median error."""
    view = view_from(scan.setup.position_m, (0.0, 0.0, 0.0))
    k = wavenumbers(scan.setup, scan.frequency_hz)
    top = min(HIGHEST_ORDER, highest_order(int(used.sum())))
    harmonics = real_harmonics(top, view.direction)
    groups = [slice(0, len(k))] if view.is_shell else [slice(i, i + 1) for i in range(len(k))]
    parts = []
    for group in groups:
        basis = harmonics if view.is_shell else outgoing_basis(view, harmonics, top, float(k[group][0]))
        parts.append(_best(basis, scan.pressure_pa[:, group], ends(top), used))
    order, error = (np.concatenate(part, axis=-1) for part in zip(*parts, strict=True))
    size = np.median(np.abs(scan.pressure_pa[used]), axis=0)
    typical = np.median(np.abs(error[used]), axis=0)
    return Prediction(order, error, np.maximum(size, 1e-300), typical)


def _best(basis: Real | Complex, data: Complex, ends: list[int], used: Boolean) -> tuple[Integer, Complex]:
    """Order (F,) and errors (points, F) with the least median error of the used points."""
    least = np.full(data.shape[1], np.inf)
    order = np.zeros(data.shape[1], dtype=np.int64)
    error = np.empty_like(data)
    for n, (missed, _) in enumerate(left_out_values(basis, data, ends, used)):
        median = np.median(np.abs(missed[used]), axis=0)
        better = median < least
        least[better], order[better] = median[better], n
        error[:, better] = missed[:, better]
    return order, error
