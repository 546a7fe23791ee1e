"""How many points the whole model saves against truncation: ``python -m tests.benchmarks.fewer_points``.

Two diffracting devices whose fields come from outside the fit: the boundary-element box of tests/truth (a rigid
0.30 m box with a piston and a port) and the rigid sphere with two polar caps (Legendre series, closed form).
Points are drawn at random from even shells or a drum, with noise 50 dB below the mean pressure, which the scan
states. Truncation has the better of two centres, the device's middle and its first driver, judged by the truth. For
each number of points: the true far-field error, what was predicted, and how often the 95 % bars hold the truth.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing.pool import Pool

import h5py
import numpy as np
from rich.console import Console
from rich.table import Table
from threadpoolctl import threadpool_limits
from truth import FOLDER

from scanproc.conventions import Complex, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field_variance, pressure_at
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import fibonacci_sphere
from synthetic_scans.caps import Cap, CappedSphere

SPEED_M_S = 343.2
SNR_DB = 50.0
TARGET_DB = -25.0
FAR_M = 10.0


@dataclass(frozen=True)
class Case:
    """One device at one frequency on one surface: ``pressure`` (points,) at all positions, and the far truth."""

    name: str
    setup: ScanSetup
    pressure: Complex
    frequency_hz: float
    far_m: Real
    far_pressure: Complex
    driver_m: Real
    sizes: tuple[int, ...]


@dataclass(frozen=True)
class Outcome:
    """True and predicted far-field error in dB, and the share of truths inside the 95 % bars."""

    error_db: float
    predicted_db: float
    held: float


def box_cases() -> Iterator[Case]:
    """The boundary-element box at 2.4 and 3 kHz, on its two shells and on its drum."""
    with h5py.File(FOLDER / "bem-box.h5") as file:
        frequency = file["frequency_hz"][:]
        for surface in ("shell", "cylinder"):
            setup = ScanSetup(
                file[f"{surface}_position_m"][:],
                speed_of_sound_m_s=SPEED_M_S,
                device_size_m=file.attrs["box_size_xyz_m"],
                device_centre_m=file.attrs["box_centre_m"],
            )
            for index in (-2, -1):
                yield Case(
                    f"box, {surface}, {frequency[index]:.0f} Hz",
                    setup,
                    file[f"{surface}_pressure"][:, index],
                    float(frequency[index]),
                    file["far_position_m"][:],
                    file["far_pressure"][:, index],
                    file.attrs["piston_centre_m"],
                    (120, 160, 200, 250, 300, 400),
                )


def sphere_cases() -> Iterator[Case]:
    """Two caps on a rigid sphere of 0.15 m, on two shells."""
    radius = 0.15
    axes = np.array([[1.0, 0.3, 0.4], [-0.2, -1.0, 0.5]])
    sphere = CappedSphere(radius, (Cap(tuple(axes[0]), 18.0), Cap(tuple(axes[1]), 10.0, "axial")))
    far = FAR_M * fibonacci_sphere(400)
    for ka, sizes in (
        (10, (120, 160, 200, 250, 300)),
        (16, (200, 250, 300, 400, 500)),
        (22, (300, 400, 600, 800)),
    ):
        frequency = ka / radius * SPEED_M_S / (2 * np.pi)
        count = 3 * max(sizes)
        shell = fibonacci_sphere(count) * np.where(np.arange(count) % 2, 0.21, 0.25)[:, None]
        hz = np.array([frequency])
        yield Case(
            f"sphere, ka {ka}",
            ScanSetup(
                shell,
                speed_of_sound_m_s=SPEED_M_S,
                device_size_m=np.full(3, 2 * radius),
                device_centre_m=np.zeros(3),
            ),
            sphere.pressure(shell, hz, SPEED_M_S)[:, 0],
            frequency,
            far,
            sphere.pressure(far, hz, SPEED_M_S)[:, 0],
            radius * axes / np.linalg.norm(axes, axis=1)[:, None],
            sizes,
        )


def drawn(case: Case, size: int, seed: int) -> Scan:
    """A random subset of the points, with noise."""
    rng = np.random.default_rng([seed, size])
    chosen = np.sort(rng.choice(len(case.pressure), size, replace=False))
    level = np.sqrt(np.mean(np.abs(case.pressure) ** 2)) * 10 ** (-SNR_DB / 20)
    noise = level * (rng.standard_normal(size) + 1j * rng.standard_normal(size)) / np.sqrt(2)
    pressure = case.pressure[chosen] + noise
    return Scan(case.setup.take(chosen), np.array([case.frequency_hz]), pressure[:, None], np.array([level]))


def judged(case: Case, expansion: Expansion) -> Outcome:
    """An expansion against the far pressures."""
    error = np.abs(pressure_at(expansion, case.far_m)[:, 0] - case.far_pressure)
    relative = 10 * np.log10(np.sum(error**2) / np.sum(np.abs(case.far_pressure) ** 2))
    distance = np.linalg.norm(case.far_m, axis=1)
    variance = far_field_variance(expansion, case.far_m / distance[:, None])[:, 0] / distance**2
    held = float(np.mean(error**2 <= variance * np.log(20)))
    return Outcome(float(relative), float(expansion.far_field_error_db[0]), held)


def truncated(case: Case, scan: Scan) -> Outcome:
    """The better of two centres, by the truth."""
    centres = (case.setup.device_centre_m, np.atleast_2d(case.driver_m)[0])
    fits = [fit(scan, estimator="truncated", centre_m=centre) for centre in centres]
    return min((judged(case, each) for each in fits), key=lambda outcome: outcome.error_db)


def points_for_target(sizes: tuple[int, ...], error_db: list[float]) -> float:
    """Where the error passes the target, linear in between; NaN where it never does."""
    falling = np.minimum.accumulate(error_db)
    if falling[-1] > TARGET_DB:
        return float("nan")
    return float(np.interp(-TARGET_DB, -falling, sizes))


VARIANTS = (
    "as told",
    "drivers not told",
    "box 20 % too large",
    "drivers 5 cm off",
    "a driver that is silent",
)


def told(case: Case, scan: Scan, variant: str) -> tuple[Scan, Real]:
    """What the fit is told of the device: the scan with its box, and the drivers' places."""
    drivers = case.driver_m
    if variant == "drivers not told":
        drivers = np.empty((0, 3))
    elif variant == "box 20 % too large":
        scan = replace(
            scan, setup=replace(scan.setup, device_size_m=1.2 * np.asarray(scan.setup.device_size_m))
        )
    elif variant == "drivers 5 cm off":
        drivers = drivers + np.array([0.0, 0.05, 0.0])
    elif variant == "a driver that is silent":
        drivers = np.vstack(
            [
                drivers,
                np.asarray(case.setup.device_centre_m)
                + 0.45 * np.asarray(case.setup.device_size_m) * [0, 1, 0],
            ]
        )
    return scan, drivers


def fits(job: tuple[int, int, int, tuple[str, ...]]) -> tuple[Outcome, list[Outcome]]:
    """One random subset of one case: truncated, and the whole model as told in each variant."""
    index, size, seed, variants = job
    with threadpool_limits(1):
        case = all_cases()[index]
        scan = drawn(case, size, seed)
        found = []
        for variant in variants:
            as_told, drivers = told(case, scan, variant)
            found.append(judged(case, fit(as_told, driver_m=drivers)))
        return truncated(case, scan), found


@cache
def all_cases() -> tuple[Case, ...]:
    return (*box_cases(), *sphere_cases())


def run(draws: int, variants: tuple[str, ...]) -> None:
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        _tables(draws, variants, pool)


def _tables(draws: int, variants: tuple[str, ...], pool: Pool) -> None:
    console = Console(width=150)
    fits_of: dict[str, list[tuple[int, list[tuple[Outcome, float]]]]] = {name: [] for name in variants}
    for number, case in enumerate(all_cases()):
        table = Table(
            "points",
            "truncated dB",
            *(f"{name} dB" for name in variants),
            "predicted dB",
            "bars hold",
            title=case.name,
        )
        rows: list[list[float]] = []
        for size in case.sizes:
            found = pool.map(fits, [(number, size, seed, variants) for seed in range(draws)], chunksize=1)
            row = [float(np.mean([plain.error_db for plain, _ in found]))]
            for index, name in enumerate(variants):
                fits_of[name].append((size, [(told_so[index], plain.error_db) for plain, told_so in found]))
                row.append(float(np.mean([told_so[index].error_db for _, told_so in found])))
            first = [told_so[0] for _, told_so in found]
            rows.append(row)
            table.add_row(
                str(size),
                *(f"{value:.1f}" for value in row),
                f"{np.mean([o.predicted_db for o in first]):.1f}",
                f"{100 * np.mean([o.held for o in first]):.0f} %",
            )
        needed = [points_for_target(case.sizes, [row[i] for row in rows]) for i in range(len(variants) + 1)]
        table.add_row(f"for {TARGET_DB:g} dB", *(f"{value:.0f}" for value in needed))
        table.add_row("times fewer", "", *(f"{needed[0] / value:.2f}" for value in needed[1:]))
        console.print(table)
    summary = Table(
        "from 150 to 500 points, %",
        "sizes predicted within 2 dB",
        "single fits within 2 dB",
        "bars hold the truth",
        "fits worse than truncation by over 1 dB",
        "worst dB",
    )
    for name, every in fits_of.items():
        summary.add_row(name, *_summary([of_size for size, of_size in every if 150 <= size <= 500]))
    console.print(summary)


def _summary(by_size: list[list[tuple[Outcome, float]]]) -> Iterator[str]:
    """What the fits of all sizes of all cases show together; a size's error is the mean over its subsets."""
    miss = [[outcome.predicted_db - outcome.error_db for outcome, _ in found] for found in by_size]
    worse = [outcome.error_db - plain for found in by_size for outcome, plain in found]
    yield f"{100 * np.mean([abs(np.mean(one)) <= 2 for one in miss]):.0f}"
    yield f"{100 * np.mean([abs(value) <= 2 for one in miss for value in one]):.0f}"
    yield f"{100 * np.mean([outcome.held for found in by_size for outcome, _ in found]):.1f}"
    yield f"{100 * np.mean([value > 1 for value in worse]):.0f}"
    yield f"{max(worse):.1f}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=4, help="random subsets per size")
    parser.add_argument("--short", action="store_true", help="only what is told as it is")
    given = parser.parse_args()
    run(given.draws, VARIANTS[:1] if given.short else VARIANTS)
