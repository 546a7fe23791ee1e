"""Does the study of the number of points tell the truth? ``python -m tests.benchmarks.points_study``.

Two questions for each device, surface and noise level, against fields in closed form (a horn made of point sources, a
sphere with two vibrating caps) and a boundary-element box with diffraction:

- enough: a study of a scan calls a number of points enough, band by band. A fresh scan of that size, from other
  positions, is fitted: does its true far-field error meet the target within 1.5 dB?
- carried on: a study of half as many points tells the number for bands that these do not serve. Is it within 25 % of
  the number at which the true error of a series of fresh scans crosses the target?

Besides: how often the 95 % bars of each full scan hold the truth, band by band.

A fresh scan is planned anew and fitted at the frequencies of the bands in question and those beside them. The cases go
over as many processes as there are cores, about ten minutes each; ``--every 3`` takes every third.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

import h5py
import numpy as np
from threadpoolctl import threadpool_limits
from truth import FOLDER

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.answers.study import Study
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field, far_field_variance, pressure_at
from scanproc.steps.field.residuals import band_middles
from scanproc.steps.fit.expand import fit, fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.points.curve import crossing
from scanproc.steps.points.study import StudyChoices, study
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.directions import fibonacci_sphere, lebedev_grid
from synthetic_scans.recipe import load, make_scan, truth
from synthetic_scans.settings import Recipe

TARGET_DB = -25.0
TOLERANCE_DB = 1.5
TOLERANCE_SHARE = 0.25
DIRECTION, WEIGHT = lebedev_grid(71)
CHOICES = StudyChoices(sizes=8, draws=3)


class Case(Protocol):
    """A device on a surface: the most points scanned, fresh scans of it, and the truth of its far field."""

    @property
    def points(self) -> int: ...

    @property
    def name(self) -> str: ...

    def scan(self, points: int, seed: int) -> Scan:
        """A scan of so many points, others for every seed."""

    def far(self, expansion: Expansion) -> tuple[Complex, Complex, Real, Real]:
        """Far pressures of a fit and of the truth (directions, F), the variance told, the directions' weights."""


@dataclass(frozen=True)
class Synthetic:
    """A recipe of synthetic_scans on another surface, up to a frequency, with a signal-to-noise ratio."""

    recipe: str
    surface: str
    points: int
    stop_hz: float
    snr_db: float

    @property
    def name(self) -> str:
        return f"{self.recipe:>13} {self.surface:<10} {self.snr_db:>3.0f} dB"

    def scan(self, points: int, seed: int) -> Scan:
        scan = make_scan(self.changed(points, seed))
        assert isinstance(scan, Scan)
        return scan

    def far(self, expansion: Expansion) -> tuple[Complex, Complex, Real, Real]:
        exact = truth(self.changed(self.points, 0)).far_field(DIRECTION, expansion.frequency_hz)
        return far_field(expansion, DIRECTION), exact, far_field_variance(expansion, DIRECTION), WEIGHT

    def changed(self, points: int, seed: int) -> Recipe:
        """The recipe; positions are a little different for every seed (5 mm, reported as they are)."""
        found = load(self.recipe)
        kind = dict(SURFACES[self.surface])
        layers = kind.pop("layers")
        inner = INNER_M[self.recipe]
        radii = [inner * (1 + 0.1 * index) for index in range(layers)]
        jitter = 0.0 if self.surface in ("shell", "two shells") else 0.005
        surface = {**kind, "points": points, "radii_m": radii, "half_heights_m": radii, "jitter_m": jitter}
        detail = {"detail": 0.3} if found.device.kind == "paging_loudspeaker" else {}
        frequencies = {"spacing": "log", "start_hz": 700.0, "stop_hz": self.stop_hz, "count": 27}
        return found.model_copy(
            update={
                "seed": seed,
                "surface": found.surface.model_copy(update=surface),
                "device": found.device.model_copy(update=detail),
                "frequencies": found.frequencies.model_copy(update=frequencies),
                "noise": found.noise.model_copy(update={"snr_db": self.snr_db}),
            }
        )


@dataclass(frozen=True)
class Box:
    """The boundary-element box of tests/truth on one of its surfaces, above 400 Hz: of its points those nearest to an
    even set of directions, turned at random."""

    surface: str
    points: int
    snr_db: float

    @property
    def name(self) -> str:
        return f"{'box':>13} {self.surface:<10} {self.snr_db:>3.0f} dB"

    def scan(self, points: int, seed: int) -> Scan:
        with h5py.File(FOLDER / "bem-box.h5") as file:
            use = file["frequency_hz"][:] > LOWEST_HZ
            rng = np.random.default_rng([seed, points])
            position = file[f"{self.surface}_position_m"][:]
            chosen = evenly_chosen(position - file.attrs["box_centre_m"], points, rng)
            pressure = file[f"{self.surface}_pressure"][:][np.ix_(chosen, use)]
            level = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * 10 ** (-self.snr_db / 20)
            noise = rng.standard_normal((2, *pressure.shape))
            setup = ScanSetup(
                position[chosen],
                speed_of_sound_m_s=file.attrs["speed_of_sound_m_s"],
                device_size_m=file.attrs["box_size_xyz_m"],
                device_centre_m=file.attrs["box_centre_m"],
            )
            noisy = pressure + level * (noise[0] + 1j * noise[1]) / np.sqrt(2)
            return Scan(setup, file["frequency_hz"][:][use], noisy, level)

    def far(self, expansion: Expansion) -> tuple[Complex, Complex, Real, Real]:
        with h5py.File(FOLDER / "bem-box.h5") as file:
            use = np.isin(file["frequency_hz"][:], expansion.frequency_hz)
            place, exact = file["far_position_m"][:], file["far_pressure"][:, use]
        distance = np.linalg.norm(place, axis=1)[:, None]
        variance = far_field_variance(expansion, place / distance) / distance**2
        return pressure_at(expansion, place), exact, variance, np.ones(len(place))


def evenly_chosen(offset_m: Real, count: int, rng: np.random.Generator) -> Integer:
    """Indices, rising, of so many points: half of them among the inner and half among the outer ones."""
    distance = np.linalg.norm(offset_m, axis=1)
    direction = offset_m / distance[:, None]
    outer = np.max(np.abs(offset_m), axis=1)
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    chosen: list[int] = []
    for layer, share in (
        (outer <= np.median(outer), count // 2),
        (outer > np.median(outer), count - count // 2),
    ):
        free = np.flatnonzero(layer)
        for wanted in fibonacci_sphere(share) @ turn:
            nearest = int(np.argmax(direction[free] @ wanted))
            chosen.append(int(free[nearest]))
            free = np.delete(free, nearest)
    return np.sort(np.array(chosen))


SURFACES = {
    "shell": {"kind": "shells", "layers": 1},
    "two shells": {"kind": "shells", "layers": 2},
    "drum": {"kind": "drum", "layers": 1},
    "two drums": {"kind": "drum", "layers": 2},
    "gap": {"kind": "spiral", "layers": 1, "gap_deg": 25.0},
}
INNER_M = {"demo": 0.44, "capped-sphere": 0.27}
LOWEST_HZ = 400.0
SEEDS = (900, 901, 902)
"""Fresh scans of each size of a series; their error scatters by 1 to 2 dB, and their mean says where the target is."""
CASES: list[Case] = [
    Synthetic(recipe, surface, points, stop, snr)
    for snr in (60.0, 45.0)
    for recipe, points, stop in (("demo", 700, 4500.0), ("capped-sphere", 600, 5600.0))
    for surface in SURFACES
] + [Box(surface, 400, snr) for snr in (60.0, 45.0) for surface in ("shell", "cylinder")]


def true_error_db(case: Case, expansion: Expansion) -> Real:
    """True far-field error by band, (bands,), over the sphere."""
    found, exact, _, weight = case.far(expansion)
    ratio = (weight @ np.abs(found - exact) ** 2) / (weight @ np.abs(exact) ** 2)
    band = third_octave_index(expansion.frequency_hz)
    return 10 * np.log10([ratio[band == one].mean() for one in np.unique(band)])


def fresh_error_db(case: Case, points: int, seed: int, band_hz: Real) -> Real:
    """True error of a fresh scan in the given bands, (bands,); its plan hears the bands beside them, too."""
    scan = case.scan(points, seed)
    band, wanted = third_octave_index(scan.frequency_hz), third_octave_index(band_hz)
    near = np.isin(band, np.concatenate([wanted - 1, wanted, wanted + 1]))
    plan = prepare(scan.take_frequencies(np.flatnonzero(near)))
    return true_error_db(
        case, fit_planned(scan.take_frequencies(np.flatnonzero(np.isin(band, wanted))), plan)
    )


@dataclass(frozen=True)
class Answer:
    """What the study told for a band, what the truth was, and whether they agree; a refusal has no ``good``."""

    question: str
    band_hz: float
    told: str
    truth: str
    good: bool | None


def enough(case: Case, found: Study) -> Iterator[Answer]:
    """The number called enough in the top three bands where it lies between the sizes tried, on a fresh scan of it."""
    for index in np.flatnonzero((found.needed > found.size[0]) & (found.needed <= found.points))[-3:]:
        points = int(np.ceil(found.needed[index]))
        error = float(fresh_error_db(case, points, 500 + index, found.band_hz[[index]])[0])
        good = bool(error <= TARGET_DB + TOLERANCE_DB)
        yield Answer("enough", found.band_hz[index], f"{points}", f"{error:.1f} dB", good)


def carried_on(case: Case, half: Study) -> Iterator[Answer]:
    """The number told beyond the points studied, against the one that a series of fresh scans shows."""
    beyond = np.flatnonzero((half.needed > half.points) & (half.needed < 1.1 * case.points))
    if len(beyond):
        size = np.unique(np.geomspace(half.points, 1.5 * case.points, 6).round().astype(int))
        series = [
            np.mean([fresh_error_db(case, int(n), seed, half.band_hz[beyond]) for seed in SEEDS], axis=0)
            for n in size
        ]
        for index, errors in zip(beyond, np.transpose(series), strict=True):
            shown = crossing(size.astype(np.float64), errors, TARGET_DB)
            good = bool(abs(half.needed[index] / shown - 1) <= TOLERANCE_SHARE)
            told = f"{half.needed[index]:.0f}"
            yield Answer("carried on", half.band_hz[index], told, f"{shown:.0f} points", good)
    for index in np.flatnonzero(np.isnan(half.needed)):
        yield Answer("carried on", half.band_hz[index], "refused", "", None)


def bars(case: Case, scan: Scan) -> Iterator[Answer]:
    """How often the 95 % bars of a full scan hold the truth, by band, over directions and frequencies."""
    found, exact, variance, weight = case.far(fit(scan))
    held = np.abs(found - exact) ** 2 <= np.log(20) * variance
    band = third_octave_index(scan.frequency_hz)
    for one in np.unique(band):
        share = 100 * float(np.average(held[:, band == one].mean(axis=1), weights=weight))
        yield Answer("bars", float(third_octave_centre(one)), "95 %", f"{share:.0f} %", None)


def studied(scan: Scan) -> Study:
    """The study of one frequency in each band."""
    some = scan.take_frequencies(band_middles(scan.frequency_hz))
    return study([(some, prepare(some))], target_db=TARGET_DB, choices=CHOICES)


def asked_of_the_scan(case: Case) -> list[Answer]:
    """What a study of all its points calls enough, and the bars of its fit."""
    scan = case.scan(case.points, 1)
    return [*enough(case, studied(scan)), *bars(case, scan)]


def asked_of_half(case: Case) -> list[Answer]:
    """What a study of half as many points tells beyond them."""
    half = case.scan(case.points // 2, 2)
    return list(carried_on(case, studied(half)))


def answers(job: tuple[Case, Callable[[Case], list[Answer]]]) -> tuple[Case, list[Answer]]:
    """One of the questions to one case."""
    case, ask = job
    with threadpool_limits(1):
        return case, ask(case)


QUESTIONS = {"scan": asked_of_the_scan, "half": asked_of_half}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="take every so many-th case only")
    parser.add_argument("--first", type=int, default=0, help="begin with this case, counted from 0")
    parser.add_argument("--only", choices=QUESTIONS, help="ask nothing else")
    given = parser.parse_args()
    asked = [ask for name, ask in QUESTIONS.items() if given.only in (None, name)]
    jobs = [(case, ask) for case in CASES[given.first :: given.every] for ask in asked]
    every: list[Answer] = []
    print(f"{'case':<31} {'question':<10} {'band':>6} {'study':>7} {'truth':>14}")
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        for case, found in pool.imap(answers, jobs, chunksize=1):
            for one in found:
                print(line(case, one), flush=True)
            every += found
    for question in ("enough", "carried on"):
        judged = [one.good for one in every if one.question == question and one.good is not None]
        print(f"{question}: right in {sum(judged)} of {len(judged)}")
    print(f"refused: {sum(one.told == 'refused' for one in every)}")
    held: dict[float, list[float]] = {}
    for one in every:
        if one.question == "bars":
            held.setdefault(one.band_hz, []).append(float(one.truth.split()[0]))
    for band, shares in sorted(held.items()):
        print(
            f"95 % bars at {band:.0f} Hz hold the truth in {np.mean(shares):.0f} % ({min(shares):.0f} at least)"
        )


def line(case: Case, one: Answer) -> str:
    wrong = "  WRONG" if one.good is False else ""
    return f"{case.name:<31} {one.question:<10} {one.band_hz:>6.0f} {one.told:>7} {one.truth:>14}{wrong}"


if __name__ == "__main__":
    main()
