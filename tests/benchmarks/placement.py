"""What it brings to place points by the formula, against the truth: ``python -m tests.benchmarks.placement``.

The demo's device, 60 dB signal-to-noise, its far field in closed form, on the demo's shell of 0.46 m.

- ``toward``: even points against points that look even from a place on the way to the horn, as ``plan --toward`` places
  them; the share of the way is given.
- ``continue``: even points, more even points, or as many placed by what the first have told (``plan --continue``).

True far-field error over the sphere, and the predicted one. Nothing of the placement was chosen on these figures: the
shares that ``plan`` tries are quarters of the way, and the formula chooses.
"""

from __future__ import annotations

import argparse

import numpy as np
from threadpoolctl import threadpool_limits

from scanproc.conventions import Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.planning.next_pass import PassChoices, Standing, next_pass
from scanproc.steps.planning.positions import shell, shell_seen_from
from scanproc.steps.points.bands import Band, explained
from scanproc.waves.directions import lebedev_grid
from synthetic_scans.device import HORN_M, SIZE_M
from synthetic_scans.recipe import load, truth

RADIUS_M = 0.46
SNR_DB = 60.0
TARGET_DB = -25.0
TRUTH = truth(load("demo"))
DIRECTION, WEIGHT = lebedev_grid(71)


def scanned(position_m: Real, frequency_hz: Real) -> Scan:
    """The demo's device at these points, with noise."""
    pressure = TRUTH.pressure(position_m, frequency_hz)
    noise = np.random.default_rng(1).normal(size=(*pressure.shape, 2)) @ [1, 1j] / np.sqrt(2)
    level = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * 10 ** (-SNR_DB / 20)
    setup = ScanSetup(
        position_m,
        device_size_m=np.array(SIZE_M),
        device_centre_m=np.zeros(3),
        speed_of_sound_m_s=TRUTH.speed_of_sound_m_s,
        environment="anechoic",
    )
    return Scan(setup, frequency_hz, pressure + noise * level, level)


def fitted(scan: Scan) -> Expansion:
    return fit_planned(scan, prepare(scan))


def told(name: str, found: Expansion) -> None:
    """A line: true and predicted error at each frequency."""
    exact = TRUTH.far_field(DIRECTION, found.frequency_hz)
    missed = WEIGHT @ np.abs(far_field(found, DIRECTION) - exact) ** 2
    true = 10 * np.log10(missed / (WEIGHT @ np.abs(exact) ** 2))
    pairs = zip(found.frequency_hz, true, found.far_field_error_db, strict=True)
    words = "  ".join(f"{hz / 1000:g} kHz {a:.1f} ({b:.1f})" for hz, a, b in pairs)
    print(f"{name:<34} {words} dB", flush=True)


def toward(frequency_hz: Real, points: int, share: float) -> None:
    place = share * HORN_M
    position = shell_seen_from(place, RADIUS_M, points, 0) if share else shell(RADIUS_M, points, 0)
    told(f"{points} points, share {share:g}", fitted(scanned(position, frequency_hz)))


def continued(frequency_hz: Real, points: int, more: int) -> None:
    first = shell(RADIUS_M, points, 0)
    scan = scanned(first, frequency_hz)
    plan = prepare(scan)
    told(f"{points} even points", fit_planned(scan, plan))
    bands = [Band(scan, plan, index) for index in range(len(frequency_hz))]
    standing = [
        Standing(float(hz), one.error_db, formula, one.reason)
        for hz, (one, formula) in zip(frequency_hz, explained(bands), strict=True)
    ]
    found = next_pass(standing, None, PassChoices(frequency_hz[-1], TARGET_DB, more), 10.0)
    print(f"told with {more} more: {np.round(found.then_db, 1)} dB", flush=True)
    placed = np.concatenate([first, found.positions.position_m])
    told(f"and {more} placed", fitted(scanned(placed, frequency_hz)))
    even = np.concatenate([first, shell(RADIUS_M, more, 1)])
    told(f"and {more} even ones", fitted(scanned(even, frequency_hz)))
    told(f"{points + more} even points", fitted(scanned(shell(RADIUS_M, points + more, 0), frequency_hz)))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("part", choices=["toward", "continue"])
    ask.add_argument("--frequencies", nargs="+", type=float, default=[2900.0, 8000.0, 10000.0, 12500.0])
    ask.add_argument("--points", type=int, default=600)
    ask.add_argument("--more", type=int, default=200)
    ask.add_argument("--shares", nargs="+", type=float, default=[0.0, 0.75])
    given = ask.parse_args()
    with threadpool_limits(1):
        if given.part == "continue":
            continued(np.array(given.frequencies), given.points, given.more)
        else:
            for share in given.shares:
                toward(np.array(given.frequencies), given.points, share)


if __name__ == "__main__":
    main()
