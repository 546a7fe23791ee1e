"""Where the microphone really was: displacements of points estimated from the sound of many frequencies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.records.measured.scan import Scan
from scanproc.steps.each import Each
from scanproc.steps.field.view import wavenumbers
from scanproc.steps.fit.noise import Heard, PointNoise, displacements, learn_point_noise
from scanproc.steps.fit.posterior import Posterior, gradient_at, posterior
from scanproc.steps.fit.weights import NOISE, learn
from scanproc.steps.model.field_model import Device, FieldModel, make_model
from scanproc.steps.model.room_waves import Scattering

MOST_FREQUENCIES = 10
LEAST_FREQUENCIES = 3
EXPLAINED_DB = -20.0
"""Only frequencies whose left-out errors are below this, re the sound, tell of places."""
LEAST_SHARE = 0.25
"""Errors that make up less of the noise at every frequency cost less than a decibel, and are left as noise."""
ROUNDS = 3
SMALLEST_M = 5e-5
"""No arm stands better: what looks like less is what the model itself misses (common practice, no source)."""
LARGEST_M = 0.02
"""No arm is worse: a larger displacement is a wrong table, which no fit should mend (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Placement:
    """What is known of the points' errors: standard deviations of places per axis and of gain.

    ``moved_m`` (points, 3) from the reported places, zero where nothing is moved; ``variance_m2`` (points, 3) that
    counts as left: the whole, since points that were moved to suit one fit err together, and what that leaves cannot
    be told from within. ``held_out_db``: errors at frequencies that took no part, without and with the displacements.
    """

    position_m: float
    level: float
    moved_m: Real
    variance_m2: Real
    held_out_db: tuple[float, float]

    @property
    def moved(self) -> bool:
        return bool(np.any(self.moved_m))


@dataclass(frozen=True, eq=False)
class LearntSample:
    """A sample frequency as the fit with plain noise found it: weights by name, errors in dB, the error's shares by
    cause and what each cure leaves, and what it tells of single points, or None where it tells nothing."""

    weights: Mapping[str, float]
    far_field_error_db: float
    held_out_db: float
    budget: tuple[Real, Real]
    heard: Heard | None


def tells_places(found: Posterior) -> bool:
    """Whether a fit explains so much that what is left tells of places."""
    return found.held_out_db < EXPLAINED_DB


def sensor_share(scan: Scan) -> Real:
    """The microphone's noise over the mean square pressure, (F,), where the scan states it, else NaN."""
    if scan.noise_pa is None:
        return np.full(len(scan.frequency_hz), np.nan)
    noise = scan.noise_pa**2
    power = np.mean(np.abs(scan.pressure_pa) ** 2, axis=0)
    share: Real = (noise if noise.ndim == 1 else noise.mean(axis=0)) / power
    return share


def heard_by(
    model: FieldModel, pressure: Complex, learnt: float, found: Posterior, noise: Real | None = None
) -> Heard:
    """What a fit tells of its points. ``learnt``: the plain noise; ``noise`` (points,) that of the fit, where it is
    another; both re the mean square of the pressures (points,)."""
    power, left = float(np.mean(np.abs(pressure) ** 2)), found.regression
    slope = gradient_at(model, found.strengths, model.position_m) / np.sqrt(power)
    return Heard(
        left.held_out,
        np.maximum(left.held_out_variance - (learnt if noise is None else noise), 0),
        slope,
        np.abs(pressure / np.sqrt(power) - left.held_out) ** 2,
        learnt,
    )


def learn_placement(
    sample: Scan,
    position_m: Real,
    device: Device,
    scattering: Scattering | None,
    learnt: Sequence[LearntSample],
    each: Each,
) -> Placement | None:
    """The points' errors from a scan at its sample frequencies (S,), each as it was learnt; None where none shows.

    ``position_m`` (points, 3) as reported. The evidence decides whether there is such an error (its rise against the
    logarithm of the number of data: Schwarz 1978), and frequencies that take no part in the estimate whether the
    displacements are used.
    """
    heard = {s: one.heard for s, one in enumerate(learnt) if one.heard is not None}
    plain = dict(list(heard.items())[-MOST_FREQUENCIES:])
    told = list(plain)
    if len(told) < LEAST_FREQUENCIES:
        return None
    sensor = sensor_share(sample)
    study = _Study(sample, position_m, device, scattering, [one.weights for one in learnt])
    found = learn_point_noise([plain[s] for s in told], sensor[told])
    shown = found.position_m >= SMALLEST_M and _share(plain, found, told) >= LEAST_SHARE
    if not shown or found.gain < np.log(len(told) * sample.points):
        return None
    still, whole = np.zeros_like(position_m), np.full_like(position_m, found.position_m**2)
    nothing = Placement(found.position_m, found.level, still, whole, (np.nan, np.nan))
    if found.position_m > LARGEST_M:
        return nothing
    teach, check = told[::2], told[1::2]
    moved, _ = study.moved(teach, plain, found, told, each)
    before, after = study.check(check, plain, still, each), study.check(check, plain, moved, each)
    if after >= before:
        return nothing
    moved, _ = study.moved(told, plain, found, told, each)
    return Placement(found.position_m, found.level, moved, whole, (before, after))


@dataclass(frozen=True, eq=False)
class _Study:
    sample: Scan
    position_m: Real
    device: Device
    scattering: Scattering | None
    weights: Sequence[Mapping[str, float]]

    def moved(
        self, used: list[int], plain: Mapping[int, Heard], found: PointNoise, told: list[int], each: Each
    ) -> tuple[Real, Real]:
        """Displacements (points, 3) by some samples, and their variance."""
        moved = np.zeros_like(self.position_m)
        variance = np.full_like(moved, found.position_m**2)
        heard = dict(plain)
        for _ in range(ROUNDS):
            noise = {s: float(found.noise[told.index(s)]) for s in used}
            once = partial(self._again, heard, noise, found.level, moved, variance)
            results = each(once, used)
            heard = {s: one for s, (one, _) in zip(used, results, strict=True)}
            step, variance = displacements(
                [heard[s] for s in used], moved, found.position_m, [spread for _, spread in results]
            )
            moved = moved + step
        return moved, variance

    def _again(
        self,
        heard: Mapping[int, Heard],
        noise: Mapping[int, float],
        level: float,
        moved: Real,
        variance: Real,
        s: int,
    ) -> tuple[Heard, Real]:
        """A sample with points moved and each one's own variance; and the variance of all but its displacement."""
        own = np.sum(variance * np.abs(heard[s].slope_per_m) ** 2, axis=1)
        rest = noise[s] + level**2 * heard[s].level
        again = self._heard(s, self.position_m + moved, rest + own, anew=True)
        return again, np.maximum(again.field_variance + rest, 1e-3 * noise[s])

    def check(self, used: list[int], plain: Mapping[int, Heard], moved: Real, each: Each) -> float:
        """Left-out error of some samples with points moved and plain noise, dB, mean over samples."""

        def one(s: int) -> float:
            if not np.any(moved):
                return _level_db(plain[s].error)
            return _level_db(
                self._heard(s, self.position_m + moved, np.full(len(moved), self.weights[s][NOISE])).error
            )

        return float(np.mean(each(one, used)))

    def _heard(self, s: int, position_m: Real, noise: Real, *, anew: bool = False) -> Heard:
        """``noise`` (points,) re the mean square; with weights learnt ``anew`` for these places."""
        pressure: Complex = self.sample.pressure_pa[:, s]
        power = float(np.mean(np.abs(pressure) ** 2))
        k = float(wavenumbers(self.sample.setup, self.sample.frequency_hz[[s]])[0])
        model = make_model(position_m, k, self.device, self.scattering)
        weights = learn([model], [pressure]) if anew else self.weights[s]
        found = posterior(model, pressure, model.weights(weights), power * noise)
        return heard_by(model, pressure, self.weights[s][NOISE], found, noise)


def _share(plain: Mapping[int, Heard], found: PointNoise, told: list[int]) -> float:
    """The largest share of places and levels in a frequency's noise."""
    shares = []
    for s, noise in zip(told, found.noise, strict=True):
        slope = np.mean(np.sum(np.abs(plain[s].slope_per_m) ** 2, axis=1))
        own = found.position_m**2 * float(slope) + found.level**2 * float(np.mean(plain[s].level))
        shares.append(own / (own + float(noise)))
    return max(shares)


def _level_db(error: Complex) -> float:
    return float(10 * np.log10(np.mean(np.abs(error) ** 2)))
