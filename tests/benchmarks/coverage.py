"""How often the error bars of the curves hold the truth: ``python -m tests.benchmarks.coverage``.

Scans of boxes of the fleet are drawn again and again, a part with the same points and new noise, and fitted as by
default (one plan for all scans of the same points). The truth shares no code with the fit: point sources inside the
box, by plain least squares on all noise-free pressures (the method of fundamental solutions: Fairweather and
Karageorghis 1998, from memory), give the far field in closed form. They are held against the true pressures 10 m away.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import h5py
import numpy as np

from scanproc.records.answers.curves import Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.farfield.beamwidth import DROPS_DB, beamwidths
from scanproc.steps.farfield.curves import INDICES, average_weights, derived_curves
from scanproc.steps.fit import plan as fit_plan
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.model.field_model import FieldModel, make_model
from scanproc.waves.directions import horizontal_orbit, lebedev_grid, vertical_orbit
from scanproc.waves.orbit_sets import directions

TRUTH = Path(__file__).parents[1] / "truth"
SPEED_M_S = 343.2
SOURCES, SHRUNK = 1400, 0.9
WORST_DB = -80.0
"""The point sources must give the pressures 10 m away this well, far better than any fit of a noisy scan."""
FREQUENCIES = 4
STEP_DEG = 0.02
LEVELS = ("on axis", "listening window", "sound power")
TWO_INDICES = ("sound power directivity index", "early reflections directivity index")
EXACT = "sound power, exact"
WIDTHS = tuple(
    f"{orbit} beamwidth, -{drop:g} dB" for orbit in ("horizontal", "vertical") for drop in DROPS_DB
)


@dataclass(frozen=True, eq=False)
class Device:
    """All noise-free pressures (points, F) of a box on two shells, and true values (F,) by name."""

    setup: ScanSetup
    frequency_hz: np.ndarray
    pressure: np.ndarray
    true: dict[str, np.ndarray]


def device(name: str, count: int = FREQUENCIES) -> Device:
    """A box of the fleet at ``count`` frequencies, evenly over its band without the highest quarter and the lowest."""
    with h5py.File(TRUTH / f"{name}.h5") as file:
        total = len(file["frequency_hz"])
        used = np.unique(np.linspace(total // 4, 3 * total // 4, count).round().astype(int))
        hz, position = file["frequency_hz"][:][used], file["shell_position_m"][:]
        pressure = file["shell_pressure"][:][:, used].astype(complex)
        far_m, far = file["far_position_m"][:], file["far_pressure"][:][:, used].astype(complex)
        size, middle = file.attrs["box_size_xyz_m"], file.attrs["box_centre_m"]
    columns = []
    for index, one in enumerate(hz):
        sources = Sources.inside(size, middle, 2 * np.pi * one / SPEED_M_S, position, pressure[:, index])
        missed = np.linalg.norm(sources.pressure(far_m) - far[:, index]) / np.linalg.norm(far[:, index])
        if 20 * np.log10(missed) > WORST_DB:
            raise AssertionError(
                f"{name} at {one:.0f} Hz: no truth, {20 * np.log10(missed):.0f} dB off at 10 m"
            )
        columns.append(true_values(sources))
    setup = ScanSetup(
        position,
        device_size_m=size,
        device_centre_m=middle,
        speed_of_sound_m_s=SPEED_M_S,
        environment="anechoic",
    )
    return Device(setup, hz, pressure, {key: np.array([one[key] for one in columns]) for key in columns[0]})


@dataclass(frozen=True, eq=False)
class Sources:
    """Point sources of a field: places (sources, 3), complex strengths (sources,), wave number in rad/m."""

    place_m: np.ndarray
    strength: np.ndarray
    wavenumber: float

    @classmethod
    def inside(
        cls, size: np.ndarray, middle: np.ndarray, k: float, at: np.ndarray, heard: np.ndarray
    ) -> Sources:
        """Those on the faces of a smaller box that give what is ``heard`` (points,) ``at`` (points, 3)."""
        place = np.concatenate(list(_faces(size * SHRUNK))) + middle
        distance = np.linalg.norm(at[:, None] - place, axis=2)
        strength = np.linalg.lstsq(np.exp(-1j * k * distance) / distance, heard, rcond=1e-11)[0]
        return cls(place, strength, k)

    def pressure(self, at: np.ndarray) -> np.ndarray:
        """(points,) in Pa."""
        distance = np.linalg.norm(at[:, None] - self.place_m, axis=2)
        return (np.exp(-1j * self.wavenumber * distance) / distance) @ self.strength

    def power(self, unit: np.ndarray) -> np.ndarray:
        """Squared far field (angles,), of the limit p·r·e^{jkr} = Σ q e^{jk u·x}."""
        return np.abs(np.exp(1j * self.wavenumber * unit @ self.place_m.T) @ self.strength) ** 2


def _faces(size: np.ndarray) -> Iterator[np.ndarray]:
    """Even points on the six faces of a box about the origin."""
    area = 2 * (size[0] * size[1] + size[1] * size[2] + size[2] * size[0])
    number = np.maximum(2, np.rint(size / np.sqrt(area / SOURCES))).astype(int)
    for axis in range(3):
        along = [(np.arange(n) + 0.5) / n - 0.5 for n in number]
        for side in (-0.5, 0.5):
            along[axis] = np.array([side])
            yield np.stack(np.meshgrid(*along), axis=-1).reshape(-1, 3) * size


def true_values(sources: Sources) -> dict[str, float]:
    """Levels in dB (re 20 µPa at 2.83 V), their differences in dB, beamwidths in deg; 360 where there is no fall."""
    at_angles = sources.power(directions())
    power = {name: float(row @ at_angles) for name, row in average_weights().items()}
    unit, weight = lebedev_grid(41)
    power[EXACT] = float(weight @ sources.power(unit) / weight.sum())
    found = {name: 10 * np.log10(value / 20e-6**2) for name, value in power.items()}
    found |= {name: found[minuend] - found[subtrahend] for name, (minuend, subtrahend) in INDICES.items()}
    angle = np.arange(0, 180 + STEP_DEG / 2, STEP_DEG)
    for orbit, of in (("horizontal", horizontal_orbit), ("vertical", vertical_orbit)):
        sides = [sources.power(of(side * angle)) for side in (1, -1)]
        for drop in DROPS_DB:
            falls = [angle[level < level[0] * 10 ** (-drop / 10)][:1] for level in sides]
            width = sum(float(fall[0]) for fall in falls) if all(map(len, falls)) else 360.0
            found[f"{orbit} beamwidth, -{drop:g} dB"] = width
    return found


def drawn(
    one: Device, points: int, snr_db: float, draws: int, rng: np.random.Generator
) -> Iterator[Expansion]:
    """Fits of ``draws`` scans of the same points, drawn from all, with one plan made from the first."""
    chosen = np.sort(rng.permutation(one.setup.points)[:points])
    clean = Scan(one.setup, one.frequency_hz, one.pressure).take_points(chosen)
    size = np.sqrt(np.mean(np.abs(clean.pressure_pa) ** 2, axis=0)) * 10 ** (-snr_db / 20)
    made: dict[bytes, FieldModel] = {}

    def kept(position_m: np.ndarray, wavenumber: float, *more: Any) -> FieldModel:
        """A model knows no pressures: one for all scans of the same points."""
        key = position_m.tobytes() + np.float64(wavenumber).tobytes()
        if key not in made:
            made[key] = make_model(position_m, wavenumber, *more)
        return made[key]

    plan = None
    for _ in range(draws):
        noise = rng.standard_normal((*clean.pressure_pa.shape, 2)) @ [1, 1j] / np.sqrt(2)
        scan = Scan(clean.setup, clean.frequency_hz, clean.pressure_pa + size * noise)
        plan = plan or prepare(scan)
        with patch.object(fit_plan, "make_model", kept):
            yield fit_planned(scan, plan)


def misses(found: Curves, true: dict[str, np.ndarray], name: str) -> np.ndarray:
    """Errors over their standard errors (values,): found less true. Where nothing falls, and none is said to, nothing
    is stated that could be wrong."""
    curve = found.get(name)
    value = np.where(np.isnan(curve.value), 360.0, curve.value)
    off, stated = value - true[name], curve.standard_error
    silent = np.isnan(stated) & (value == true[name])
    told: np.ndarray = off[~silent] / np.nan_to_num(stated[~silent], nan=1e-9)
    return told


def scores(
    one: Device, points: int, snr_db: float, draws: int, scans: int, seed: int
) -> dict[str, np.ndarray]:
    """Errors over standard errors of every quantity, over all frequencies and ``draws``, of so many sets of points."""
    found: dict[str, list[np.ndarray]] = defaultdict(list)
    for number in range(scans):
        rng = np.random.default_rng([seed, number])
        for expansion in drawn(one, points, snr_db, draws // scans, rng):
            for curves, names in (
                (derived_curves(expansion), (*LEVELS, EXACT, *TWO_INDICES)),
                (beamwidths(expansion), WIDTHS),
            ):
                for name in names:
                    found[name.split(",")[0] if name in WIDTHS else name].append(
                        misses(curves, one.true, name)
                    )
    return {name: np.concatenate(each) for name, each in found.items()}


def held(score: np.ndarray) -> float:
    """Share of errors within 1.96 standard errors."""
    return float(np.mean(np.abs(score) < 1.96))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--devices", nargs="+", default=["bem-box-f", "bem-box-c"])
    ask.add_argument("--points", nargs="+", type=int, default=[200, 600])
    ask.add_argument("--draws", type=int, default=300)
    ask.add_argument("--scans", type=int, default=30, help="sets of points among which the draws are shared")
    ask.add_argument("--snr-db", type=float, default=40.0)
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    for name in given.devices:
        one = device(name)
        print(name, "at", ", ".join(f"{hz:.0f}" for hz in one.frequency_hz), "Hz", flush=True)
        for points in given.points:
            found = scores(one, points, given.snr_db, given.draws, given.scans, given.seed)
            for quantity, score in found.items():
                rms = np.sqrt(np.mean(score**2))
                print(
                    f"  {points:4} points  {quantity:35} {100 * held(score):5.1f} % of {len(score)}, rms {rms:.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
