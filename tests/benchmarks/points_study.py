"""Does the study of the number of points tell the truth? ``python -m tests.benchmarks.points_study``.

Two questions for each device, surface and noise level, against fields in closed form (a horn made of point sources, a
sphere with two vibrating caps):

- enough: a study of a scan calls a number of points enough, band by band. A fresh scan of that size, from other
  positions, is fitted: does its true far-field error meet the target within 1.5 dB?
- carried on: a study of half as many points tells the number for bands that these do not serve. Is it within 25 % of
  the number at which the true error of a series of fresh scans crosses the target?

About ten minutes on one core; ``--quick`` takes every third case.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.records.scan import Scan
from scanproc.records.study import Study
from scanproc.steps.extrapolate import far_field
from scanproc.steps.fit import fit
from scanproc.steps.points_law import crossing
from scanproc.steps.study import StudyChoices, study
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.directions import lebedev_grid
from synthetic_scans.recipe import load, make_scan, truth
from synthetic_scans.settings import Recipe

TARGET_DB = -25.0
TOLERANCE_DB = 1.5
TOLERANCE_SHARE = 0.25
DIRECTION, WEIGHT = lebedev_grid(71)
CHOICES = StudyChoices(sizes=8, draws=3, per_band=2)
SERIES = 1.12
"""Ratio of neighbouring sizes in the series of fresh scans."""


@dataclass(frozen=True)
class Case:
    """A device on a surface: the most points scanned, frequencies of interest, signal-to-noise ratio."""

    recipe: str
    surface: str
    points: int
    stop_hz: float
    snr_db: float

    @property
    def name(self) -> str:
        return f"{self.recipe:>13} {self.surface:<10} {self.snr_db:>3.0f} dB"


SURFACES = {
    "shell": {"kind": "shells", "layers": 1},
    "two shells": {"kind": "shells", "layers": 2},
    "drum": {"kind": "drum", "layers": 1},
    "two drums": {"kind": "drum", "layers": 2},
    "gap": {"kind": "spiral", "layers": 1, "gap_deg": 25.0},
}
INNER_M = {"demo": 0.44, "capped-sphere": 0.27}
CASES = [
    Case(recipe, surface, points, stop, snr)
    for snr in (60.0, 45.0)
    for recipe, points, stop in (("demo", 700, 4500.0), ("capped-sphere", 600, 5600.0))
    for surface in SURFACES
]


def recipe_of(case: Case, points: int, seed: int) -> Recipe:
    """The case with so many points; positions are a little different for every seed (5 mm, reported as they are)."""
    found = load(case.recipe)
    kind = dict(SURFACES[case.surface])
    layers = kind.pop("layers")
    inner = INNER_M[case.recipe]
    radii = [inner * (1 + 0.1 * index) for index in range(layers)]
    surface = found.surface.model_copy(
        update={**kind, "points": points, "radii_m": radii, "half_heights_m": radii, "jitter_m": 0.0}
    )
    if case.surface not in ("shell", "two shells"):
        surface = surface.model_copy(update={"jitter_m": 0.005})
    detail = {"detail": 0.3} if found.device.kind == "paging_loudspeaker" else {}
    frequencies = found.frequencies.model_copy(
        update={"spacing": "log", "start_hz": 700.0, "stop_hz": case.stop_hz, "count": 27}
    )
    return found.model_copy(
        update={
            "seed": seed,
            "surface": surface,
            "device": found.device.model_copy(update=detail),
            "frequencies": frequencies,
            "noise": found.noise.model_copy(update={"snr_db": case.snr_db}),
        }
    )


def true_error_db(recipe: Recipe, scan: Scan) -> Real:
    """True far-field error of a fit by band, (bands,), over the sphere by a Lebedev rule."""
    exact = truth(recipe).far_field(DIRECTION, scan.frequency_hz)
    error = far_field(fit(scan), DIRECTION) - exact
    ratio = (WEIGHT @ np.abs(error) ** 2) / (WEIGHT @ np.abs(exact) ** 2)
    band = third_octave_index(scan.frequency_hz)
    return 10 * np.log10([ratio[band == one].mean() for one in np.unique(band)])


def fresh_error_db(case: Case, points: int, seed: int) -> Real:
    recipe = recipe_of(case, points, seed)
    return true_error_db(recipe, make_scan(recipe))


def enough(case: Case, found: Study) -> Iterator[tuple[float, int, float]]:
    """Band, number called enough, true error of a fresh scan of that size; bands whose number was seen in between."""
    for index in np.flatnonzero((found.needed > found.size[0]) & (found.needed <= found.points))[-3:]:
        points = int(np.ceil(found.needed[index]))
        yield float(found.band_hz[index]), points, float(fresh_error_db(case, points, 500 + index)[index])


def carried_on(case: Case, half: Study) -> Iterator[tuple[float, float, float]]:
    """Band, number told beyond the points studied, number that a series of fresh scans shows."""
    beyond = np.flatnonzero((half.needed > half.points) & (half.needed < 1.1 * case.points))
    unknown = np.flatnonzero(np.isnan(half.needed))
    if not len(beyond):
        return
    size = np.unique(np.geomspace(half.points, 1.5 * case.points, 10).round().astype(int))
    errors = np.stack([fresh_error_db(case, int(n), 900 + i) for i, n in enumerate(size)])
    assert set(beyond).isdisjoint(unknown)
    for index in beyond:
        shown = crossing(size.astype(np.float64), errors[:, index], TARGET_DB)
        yield float(half.band_hz[index]), float(half.needed[index]), shown


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    cases = CASES[::3] if parser.parse_args().quick else CASES
    tally: dict[str, list[bool]] = {"enough": [], "carried on": []}
    print(f"{'case':<31} {'question':<10} {'band':>6} {'study':>6} {'truth':>14}")
    for case in cases:
        found = study(make_scan(recipe_of(case, case.points, 1)), target_db=TARGET_DB, choices=CHOICES)
        for band, points, error in enough(case, found):
            good = error <= TARGET_DB + TOLERANCE_DB
            tally["enough"].append(good)
            show(case, "enough", band, points, f"{error:.1f} dB", good)
        half = study(make_scan(recipe_of(case, case.points // 2, 2)), target_db=TARGET_DB, choices=CHOICES)
        for band, told, shown in carried_on(case, half):
            good = abs(told / shown - 1) <= TOLERANCE_SHARE
            tally["carried on"].append(good)
            show(case, "carried on", band, told, f"{shown:.0f} points", good)
        refused = [
            third_octave_centre(third_octave_index(half.band_hz[[i]]))[0]
            for i in range(len(half.band_hz))
            if np.isnan(half.needed[i])
        ]
        for band in refused:
            print(f"{case.name:<31} {'carried on':<10} {band:>6.0f}  refused")
    for question, answers in tally.items():
        print(f"{question}: right in {sum(answers)} of {len(answers)}")


def show(case: Case, question: str, band: float, told: float, truth_text: str, good: bool) -> None:
    print(
        f"{case.name:<31} {question:<10} {band:>6.0f} {told:>6.0f} {truth_text:>14}{'' if good else '  WRONG'}",
        flush=True,
    )


if __name__ == "__main__":
    main()
