"""A scan with a known field, and the same with faults at known points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.records.measured.scan import Scan
from synthetic_scans import noise
from synthetic_scans.recipe import Recipe, Truth, make_scan, parse, truth

SPEED_M_S = 343.2
MISPLACED_M = 0.02


@dataclass(frozen=True, eq=False)
class Spoilt:
    """The clean scan, the spoilt one, and the points of each fault."""

    recipe: Recipe
    clean: Scan
    scan: Scan
    faults: dict[str, set[int]]

    @property
    def truth(self) -> Truth:
        return truth(self.recipe)


def two_layers(points: int = 600, frequencies: int = 24, snr_db: float = 50.0, seed: int = 3) -> Recipe:
    """Two shells about the paging loudspeaker in a free field."""
    return parse(
        {
            "name": "two layers",
            "seed": seed,
            "device": {"kind": "paging_loudspeaker", "detail": 0.3},
            "surface": {"kind": "shells", "points": points, "radii_m": [0.44, 0.49]},
            "frequencies": {"spacing": "log", "start_hz": 100.0, "stop_hz": 2000.0, "count": frequencies},
            "noise": {"snr_db": snr_db},
        }
    )


def spoilt(recipe: Recipe, drift_db: float = 1.0, seed: int = 5) -> Spoilt:
    """5 outliers, 3 polarity flips, 10 points 2 cm off, 10 dead points, 40 repeats at the end, gain drift."""
    rng = np.random.default_rng(seed)
    clean = make_scan(recipe)
    assert isinstance(clean, Scan)
    order = rng.permutation(clean.points)
    where = dict(
        zip(("outlier", "polarity", "position", "no signal"), np.split(order[:28], [5, 8, 18]), strict=True)
    )
    again = order[28:68]
    pressure = clean.pressure_pa.copy()
    pressure[where["position"]] = moved(clean, recipe, where["position"], rng)
    turn = np.exp(2j * np.pi * rng.uniform(size=(5, pressure.shape[1])))
    pressure[where["outlier"]] *= rng.uniform(0.3, 2.5, (5, 1)) * turn
    pressure[where["polarity"]] *= -1
    repeated = clean.pressure_pa[again] + noise.complex_noise(clean.noise_pa, 40, rng)
    position = np.concatenate([clean.setup.position_m, clean.setup.position_m[again]])
    pressure = np.concatenate([pressure, repeated])
    time = np.arange(len(position), dtype=np.float64) * recipe.seconds_per_point
    pressure *= noise.gain_drift(time, drift_db)[:, None]
    pressure[where["no signal"]] = noise.complex_noise(clean.noise_pa, 10, rng)
    setup = replace(
        clean.setup,
        position_m=position,
        time_s=time,
        layer=np.concatenate([clean.setup.layer, clean.setup.layer[again]]),
    )
    faults = {kind: {int(point) for point in points} for kind, points in where.items()}
    faults["duplicate"] = set(range(clean.points, clean.points + 40))
    return Spoilt(recipe, clean, Scan(setup, clean.frequency_hz, pressure, clean.noise_pa), faults)


def moved(clean: Scan, recipe: Recipe, points: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What is heard 2 cm from where the points are said to be, in any direction."""
    offset = rng.standard_normal((len(points), 3))
    offset *= MISPLACED_M / np.linalg.norm(offset, axis=1)[:, None]
    field = truth(recipe).pressure(clean.setup.position_m[points] + offset, clean.frequency_hz)
    return field + noise.complex_noise(clean.noise_pa, len(points), rng)
