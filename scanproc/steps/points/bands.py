"""One band of a study: errors told for parts of a scan and for more points, and parts fitted anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_degrees
from scanproc.records.fitted.budget import CAUSES
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan
from scanproc.steps.fit.budget import error_budget
from scanproc.steps.fit.expand import fit_one
from scanproc.steps.fit.plan import fitted, planned_model
from scanproc.steps.fit.posterior import Posterior
from scanproc.steps.fit.weights import NOISE, learn
from scanproc.steps.model.field_model import FieldModel, model_at
from scanproc.steps.points.curve import crossing
from scanproc.steps.points.formula import FarError, far_error
from scanproc.waves.algebra.least_squares import decibels
from scanproc.waves.radial import far_radial

MOST_TIMES = 4.0
"""No number beyond this multiple of the points taken."""
MOST_POINTS = 4000
"""Nor beyond so many, for the time and memory that it takes to tell."""
STEP = 1.7
LEAST_EXPLAINED = 0.5
"""Share of the sound's power that the weights must explain: below it they are guesses."""


@dataclass(frozen=True, eq=False)
class Band:
    """One frequency, by its ``index``, of a scan and its plan."""

    scan: Scan
    plan: FitPlan
    index: int


@dataclass(frozen=True, eq=False)
class Told:
    """What the fit of all points tells: ``error_db`` of it, and ``parts_db`` (parts,) of parts of the points.

    ``weights`` by name, ``noise`` (points,) and ``variance`` as in :class:`FarError`; ``far_terms`` (modes,) the far
    field's coefficients.
    """

    error_db: float
    parts_db: Real
    weights: Mapping[str, float]
    noise: Real
    variance: float
    far_terms: Complex

    @property
    def reason(self) -> str:
        """Why nothing can be told, or nothing."""
        if 1 - self.weights[NOISE] < LEAST_EXPLAINED:
            return "the points explain less than half of the sound there"
        return "all points together show nothing of the far field there" if self.error_db >= 0 else ""


def tell(band: Band, parts: Sequence[Integer]) -> Told:
    """The fit of all points of a scan at one frequency, and the error that it tells for parts of them."""
    fit = fit_one(band.scan, band.plan, band.index)
    formula = far_error(fit)
    errors = np.array(formula.with_parts(parts)) if len(parts) else np.empty(0)
    terms = _far_terms(fit.model, fit.found)
    return Told(formula.error_db, errors, fit.weights, fit.noise, formula.variance, terms)


def formula_of(band: Band, told: Told) -> FarError:
    """The formula again, from what was told."""
    model, _ = planned_model(band.plan, band.scan, band.index)
    return FarError(model, model.weights(told.weights), told.noise, told.error_db, told.variance)


def explained(bands: Sequence[Band]) -> list[tuple[Told, FarError | None]]:
    """What is told of each band, and the formula where the points explain it."""
    told = [tell(band, ()) for band in bands]
    return [
        (one, None if one.reason else formula_of(band, one)) for band, one in zip(bands, told, strict=True)
    ]


def refit_db(band: Band, told: Told, chosen: Integer) -> float:
    """Far-field error of a fit of some points (indices) that knows nothing of the others, dB.

    Its distance from the fit of all points, and the error of that: posterior means move by what the variance falls.
    """
    part = band.scan.take_points(chosen)
    model, _ = planned_model(band.plan.of_points(chosen), part, band.index)
    pressure = part.pressure_pa[:, band.index]
    own = _far_terms(model, fitted(model, pressure, learn([model], [pressure])))
    count = max(len(own), len(told.far_terms))
    apart = np.pad(own, (0, count - len(own))) - np.pad(told.far_terms, (0, count - len(told.far_terms)))
    share = np.sum(np.abs(apart) ** 2) / np.sum(np.abs(told.far_terms) ** 2)
    return float(decibels(np.asarray(share + 10 ** (told.error_db / 10))))


def beyond(
    formula: FarError, points: int, target_db: float, surely_db: float, more: Callable[[int], Real]
) -> tuple[Real, Real]:
    """Numbers of points above those of a scan, rising, and the errors with them, until ``surely_db`` is met or the
    number before met the target.

    ``more``: positions for a number of points. One of the numbers lies where the target seems to be met.
    """
    size, error = [float(points)], [formula.error_db]
    most = 1.01 * min(MOST_TIMES * points, MOST_POINTS)
    while error[-1] > surely_db and min(error[:-1], default=0.0) > target_db and size[-1] * STEP <= most:
        size.append(size[-1] * STEP)
        error.append(formula.at(more(round(size[-1]))))
    seems = crossing(np.array(size), np.array(error), target_db)
    if points < seems < size[-1]:
        at = int(np.searchsorted(size, seems))
        size.insert(at, seems)
        error.insert(at, formula.at(more(round(seems))))
    return np.array(size[1:]), np.array(error[1:])


def what_limits(band: Band, told: Told, position_m: Real, error_db: float) -> tuple[str, float]:
    """The cause with the largest share of the error that points (points, 3) on the scan's surface would leave, and what
    that is without the points' own share; NaN where it is the largest.

    Errors of places, of the level and noise are told apart as the plan's budget does at its nearest frequency.
    """
    formula = formula_of(band, told)
    model = model_at(formula.model, position_m)
    none = np.zeros(len(position_m))
    noise = {"places": none, "level": none, "noise": none + np.mean(formula.noise)}
    shares = dict(zip(CAUSES, error_budget(model, formula.weight, noise)[0], strict=True))
    cause = max(CAUSES, key=lambda name: shares[name])
    if cause == "points":
        return cause, np.nan
    budget = band.plan.budget
    if cause == "noise" and budget is not None:
        hz = band.scan.frequency_hz[band.index]
        near = int(np.argmin(np.abs(np.log(budget.frequency_hz / hz))))
        of_noise = ("places", "level", "noise")
        cause = max(of_noise, key=lambda name: budget.share[CAUSES.index(name), near])
    return cause, error_db + float(decibels(np.asarray(1 - shares["points"])))


def _far_terms(model: FieldModel, found: Posterior) -> Complex:
    far = far_radial(found.order, model.wavenumber, model.wavenumber * model.scaling_m)
    terms: Complex = far[mode_degrees(found.order)] * found.coefficients_pa
    return terms
