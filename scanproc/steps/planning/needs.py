"""How many points the bands of a plan take on given layers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import eigvalsh

from scanproc.conventions import Integer, Real
from scanproc.steps.model.dictionary import far_columns
from scanproc.steps.model.field_model import FieldModel, split
from scanproc.steps.planning.expected import Expected
from scanproc.steps.planning.surfaces import Layers
from scanproc.steps.points.curve import crossing, round_points
from scanproc.waves.algebra.dense import gram_of_columns
from scanproc.waves.directions import fibonacci_sphere

MOST_DIRECTIONS = 4000
"""More directions would not tell more fields apart; a dictionary has about 1,500."""
FEWEST_POINTS, MOST_POINTS, STEP = 60, 4000, 2**0.5
"""Numbers of points that are tried."""
LEVEL_POINTS = 600
"""Points on the surface at which levels and slopes are compared."""


def nothing_tried(band_hz: float, expected: Expected) -> tuple[Real, Real]:
    """Where nobody has scanned such points."""
    return np.empty(0), np.empty(0)


@dataclass(frozen=True, eq=False)
class Question:
    """Third-octave bands (B,), ``worked`` the indices of those to work out; what a band is expected to sound like; how
    points lie; and the target. ``modes``: numbers of modes by frequency, where they are known. ``corrected_db``: what
    is known to be added to the error that the formula tells in a band for so many points; ``tried``: numbers of points
    with their errors in a band, where an earlier scan of the same points was asked."""

    band_hz: Real
    worked: Integer
    expected: Callable[[float], Expected]
    layers: Layers
    target_db: float
    modes: Mapping[float, float] = field(default_factory=dict)
    corrected_db: Callable[[float, float], float] = lambda hz, points: 0.0
    tried: Callable[[float, Expected], tuple[Real, Real]] = nothing_tried

    def error_db(self, expected: Expected, band_hz: float, points: float) -> float:
        """Told for so many points."""
        told = expected.formula.at(np.concatenate(self.layers(points)))
        return told + self.corrected_db(band_hz, points)

    def told(self, band_hz: float) -> Expected:
        """What a band is expected to sound like where points lie so."""
        expected = self.expected(band_hz)
        return expected if expected.reason else expected.seen_at(np.concatenate(self.layers(LEVEL_POINTS)))


@dataclass(frozen=True, eq=False)
class BandNeed:
    """``modes``: far fields that together hold all but the target of what the device may radiate; ``points`` that the
    band takes, NaN where none tried do, and the error with the last number tried, the ``most``; a ``reason`` where
    nothing can be told."""

    modes: float
    points: float
    most: float
    error_db: float
    reason: str


@dataclass(frozen=True, eq=False)
class Needs:
    """What all bands take, ``found`` of those worked out: ``points`` and ``modes`` (B,), 0 points where none tried do
    or nothing can be told; ``total``: points that serve all bands below the first that cannot be served."""

    question: Question
    found: tuple[BandNeed, ...]
    points: Integer
    modes: Integer
    total: int

    @property
    def missed(self) -> Integer:
        """Of the bands worked out those that no number tried serves."""
        return np.flatnonzero([not one.reason and np.isnan(one.points) for one in self.found])

    @property
    def modes_by_hz(self) -> dict[float, float]:
        """Of the bands worked out, not between."""
        hz = self.question.band_hz[self.question.worked].tolist()
        return {one: found.modes for one, found in zip(hz, self.found, strict=True)}


def needs(question: Question, progress: Callable[[int], None]) -> Needs:
    """What the bands take; ``progress`` hears how many are worked out, the slowest first."""
    found: list[BandNeed] = []
    for band in question.worked[::-1]:
        progress(len(found))
        found.insert(0, _band_need(question, float(question.band_hz[band])))
    needed = _between(question, np.array([one.points for one in found]))
    modes = _between(question, np.array([one.modes for one in found]))
    points = np.array([0 if np.isnan(one) else round_points(one) for one in needed], np.int64)
    refused = np.isin(np.arange(len(points)), question.worked[[bool(one.reason) for one in found]])
    short = np.flatnonzero((points == 0) & ~refused)
    served = points[: short[0]] if len(short) else points
    return Needs(
        question, tuple(found), points, np.ceil(modes - 1e-9).astype(np.int64), int(served.max(initial=0))
    )


def _band_need(question: Question, band_hz: float) -> BandNeed:
    """What an earlier scan of the same points told, or what is tried now."""
    expected, target_db = question.told(band_hz), question.target_db
    formula = expected.formula
    modes = question.modes.get(band_hz) or mode_number(formula.model, formula.weight, target_db)
    if expected.reason:
        return BandNeed(modes, np.nan, 0.0, np.nan, expected.reason)
    size, error = question.tried(band_hz, expected)
    if not len(size):
        size, error = _tried(question, expected, band_hz, modes)
    return BandNeed(modes, crossing(size, error, target_db), float(size[-1]), float(error[-1]), "")


def _tried(question: Question, expected: Expected, band_hz: float, modes: float) -> tuple[Real, Real]:
    """Numbers in equal ratios, up or down from about half of the modes, until one meets the target and one does not,
    and one where it seems to be met; the errors with them."""
    wanted = FEWEST_POINTS * STEP ** np.arange(int(np.log(MOST_POINTS / FEWEST_POINTS) / np.log(STEP)) + 1)
    at = max(int(np.searchsorted(wanted, modes / 2)) - 1, 0)
    tried: dict[float, float] = {}
    step = 0
    while at in range(len(wanted)):
        count = float(wanted[at])
        tried[count] = question.error_db(expected, band_hz, count)
        met = tried[count] <= question.target_db
        if step and met == (step > 0):
            break
        step = -1 if met else 1
        at += step
    size = np.array(sorted(tried))
    seems = crossing(size, np.array([tried[one] for one in size]), question.target_db)
    if size[0] < seems < size[-1]:
        tried[seems] = question.error_db(expected, band_hz, seems)
        size = np.array(sorted(tried))
    return size, np.array([tried[one] for one in size])


def mode_number(model: FieldModel, weight: Real, target_db: float) -> int:
    """How many far fields together hold all but ``target_db`` of what the device's columns may radiate.

    Eigenvalues of the far field's covariance before any point is heard.
    """
    box, k = model.device.box, model.wavenumber
    count = int(1.5 * (k * float(box.reach_m(box.centre_m)) + 4) ** 2) + 60
    direction = fibonacci_sphere(min(count, MOST_DIRECTIONS))
    of_columns, _, _ = split(model, weight)
    far = far_columns(model.dictionary, direction, box.centre_m, k, model.scaling_m)
    power = eigvalsh(gram_of_columns(far * np.sqrt(of_columns)), check_finite=False)[::-1]
    rest = power.sum() - np.cumsum(power)
    return int(np.argmax(rest <= 10 ** (target_db / 10) * power.sum())) + 1


def _between(question: Question, found: Real) -> Real:
    """Numbers of all bands from those worked out, by a power law; NaN beside a NaN."""
    band_hz = question.band_hz
    log: Real = np.interp(np.log(band_hz), np.log(band_hz[question.worked]), np.log(found))
    return np.exp(log)
