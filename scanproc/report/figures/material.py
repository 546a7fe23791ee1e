"""Everything that a page about one scan is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.answers.advice import Advice
from scanproc.records.answers.comparison import Comparison
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.result import Result
from scanproc.records.answers.study import Study
from scanproc.records.fitted.point_errors import PointErrors
from scanproc.records.measured.check import CheckReport
from scanproc.records.measured.scan import ScanSetup
from scanproc.report.drawing.kinds import Axis, Spans

LEVEL_UNIT = "dB re 20 µPa at 1 m, 2.83 V"
"""What far-field levels are counted in."""


@dataclass(frozen=True, eq=False)
class Material:
    """``summary`` is what summary.json holds. What is None was not done, and the page says so."""

    result: Result
    summary: Mapping[str, Any]
    curves: Curves
    point_errors: PointErrors | None = None
    study: Study | None = None
    check: CheckReport | None = None
    comparison: Comparison | None = None
    setup: ScanSetup | None = None
    advice: Advice | None = None

    @property
    def level_error_db(self) -> float:
        """The standard error that all levels share, calibration and drift."""
        return float(self.result.provenance.get("level_error_db") or 0.0)


def frequency_axis(frequency_hz: Real) -> Axis:
    """The band of the data on a log axis."""
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    if low == high:
        low, high = low / 2**0.5, high * 2**0.5
    return Axis("Frequency", "Hz", low, high, "log", 0)


def nearest(frequency_hz: Real, wanted_hz: float) -> int:
    """Index of the frequency next to the wanted one on a log axis."""
    return int(np.argmin(np.abs(np.log(frequency_hz / wanted_hz))))


def rounded_span(values: Real, step: float, fallback: tuple[float, float]) -> tuple[float, float]:
    """Multiples of ``step`` around all finite values."""
    known = values[np.isfinite(values)]
    if not known.size:
        return fallback
    low, high = np.floor(known.min() / step) * step, np.ceil(known.max() / step) * step
    return (float(low), float(high)) if high > low else (float(low - step), float(high + step))


def level_axis(levels: Real, label: str, span_db: float = 50.0) -> Axis:
    """The uppermost ``span_db`` of some levels, from a multiple of 5 dB that clears the highest."""
    known = levels[np.isfinite(levels)]
    top = float(np.ceil((known.max() + 1) / 5) * 5) if known.size else 0.0
    return Axis(label, "dB", top - span_db, top)


def doubtful(material: Material) -> Spans:
    """Where the predicted far-field error misses the target: from the frequency halfway after the last that meets it
    to the one halfway before the next, on a log axis."""
    expansion = material.result.expansion
    missed = ~(expansion.far_field_error_db <= float(material.summary["target_db"]))
    return spans(expansion.frequency_hz, missed)


def trusted(material: Material) -> Boolean:
    """(F,) where the predicted far-field error meets the target; everywhere, if it nowhere does."""
    met: Boolean = material.result.expansion.far_field_error_db <= float(material.summary["target_db"])
    return met if np.any(met) else ~met


def spans(frequency_hz: Real, chosen: Boolean) -> Spans:
    """Stretches of neighbouring chosen frequencies (F,), each to halfway to its neighbours on a log axis."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(int)))
    hz = frequency_hz
    between = np.concatenate([hz[:1], np.sqrt(hz[:-1] * hz[1:]), hz[-1:]])
    return tuple((float(between[a]), float(between[b])) for a, b in zip(edge[::2], edge[1::2], strict=True))
