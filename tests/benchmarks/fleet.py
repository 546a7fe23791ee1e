"""True against predicted far-field error over random scenarios: ``python -m tests.benchmarks.fleet``.

Devices with odd frames (boundary elements, tests/truth/README.md), surfaces, numbers of points, noise, rooms, and
wrong words about the device, drawn from a seed. Constants may be chosen on the half called "choose" and are reported on
the half called "report".
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

from scanproc.conventions import mode_degrees
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field, far_field_variance
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial

TRUTH = Path(__file__).parents[1] / "truth"
HALVES = {"choose": ("bem-box-a", "bem-box", "bem-box-d"), "report": ("bem-box-c", "bem-box-e", "bem-box-f")}
ROOMS = {"choose": ("bem-box-a-room",), "report": ("bem-box-c-room", "bem-box-e-room")}
"""Without what the cabinet scatters of the room's sound: make_room leaves that out."""
FREQUENCIES = 6
SPEED_M_S = 343.2


@dataclass(frozen=True)
class Scenario:
    """One scan of the fleet, and what is said about its device."""

    device: str
    surface: str
    points: int
    snr_db: float
    room: bool
    size_factor: float
    shift_m: float

    def __str__(self) -> str:
        said = f"size x{self.size_factor:g}, {100 * self.shift_m:.0f} cm off"
        return f"{self.device:15} {self.surface:9} {self.points:5} points {self.snr_db:3.0f} dB  {said}"


def scenarios(half: str, count: int, seed: int) -> list[Scenario]:
    """Random scenarios of one half of the fleet; a fifth in rooms, a quarter with wrong words about the device."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        room = bool(rng.random() < 0.25)
        device = str(rng.choice(ROOMS[half] if room else HALVES[half]))
        surface = "two" if room else str(rng.choice(["two", "one", "drum"]))
        points = int(np.exp(rng.uniform(np.log(150), np.log(900))))
        wrong = rng.random() < 0.25
        factor = float(rng.choice([0.5, 0.7, 1.4, 2.0])) if wrong else 1.0
        shift = float(rng.choice([0.0, 0.05, 0.1])) if wrong else 0.0
        found.append(
            Scenario(device, surface, points, float(rng.choice([40.0, 50.0, 60.0])), room, factor, shift)
        )
    return found


def make(
    scenario: Scenario, seed: int, frequencies: int = FREQUENCIES
) -> tuple[Scan, np.ndarray, np.ndarray]:
    """The scan, and the true far pressures (positions, F) with their positions."""
    rng = np.random.default_rng(seed)
    with h5py.File(TRUTH / f"{scenario.device}.h5") as file:
        name = "cylinder" if scenario.surface == "drum" else "shell"
        position = file[f"{name}_position_m"][:]
        every = file["frequency_hz"][:]
        used = np.unique(np.linspace(0, len(every) - 1, frequencies).astype(int))
        pressure = file[f"{name}_pressure"][:][:, used].astype(complex)
        far_m, far = file["far_position_m"][:], file["far_pressure"][:][:, used].astype(complex)
        pool = np.arange(len(position))
        if scenario.surface == "one":
            radius = np.linalg.norm(
                position - file.attrs.get("shell_centre_m", position.mean(axis=0)), axis=1
            )
            pool = np.flatnonzero(radius < np.median(radius) + 1e-9)
        size, middle = file.attrs["box_size_xyz_m"], file.attrs["box_centre_m"]
    chosen = np.sort(rng.permutation(pool)[: scenario.points])
    pressure, position = pressure[chosen], position[chosen]
    noise = rng.standard_normal(pressure.shape) + 1j * rng.standard_normal(pressure.shape)
    rms = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0))
    pressure = pressure + noise * rms * 10 ** (-scenario.snr_db / 20) / np.sqrt(2)
    direction = rng.standard_normal(3)
    setup = ScanSetup(
        position,
        device_size_m=np.asarray(size) * scenario.size_factor,
        device_centre_m=np.asarray(middle) + scenario.shift_m * direction / np.linalg.norm(direction),
        speed_of_sound_m_s=SPEED_M_S,
        environment="room" if scenario.room else "anechoic",
    )
    return Scan(setup, every[used], pressure), far, far_m


def distant(expansion: Expansion, index: int, position_m: np.ndarray) -> np.ndarray:
    """Pressure of one frequency far outside the device, from the coefficients, by plain addition."""
    offset = position_m - expansion.centre_m[index]
    radius = np.linalg.norm(offset, axis=1)
    k, order = expansion.wavenumber_rad_m[index], int(expansion.order[index])
    radial = outgoing_radial(order, k * radius, k * expansion.scaling_radius_m[index])
    terms = real_harmonics(order, offset / radius[:, None]) * radial[mode_degrees(order)].T
    return terms @ expansion.coefficients_pa[: terms.shape[1], index]


def judged(scenario: Scenario, seed: int) -> list[tuple[float, float, float, float]]:
    """Frequency, true and predicted error in dB, share of values inside their 95 % bars, at each frequency."""
    scan, far, far_m = make(scenario, seed)
    expansion = fit(scan, room=scenario.room)
    directions, _ = lebedev_grid(14)
    rows = []
    for index, hz in enumerate(scan.frequency_hz):
        found = distant(expansion, index, far_m)
        missed, power = np.abs(found - far[:, index]) ** 2, np.sum(np.abs(far[:, index]) ** 2)
        unit = far_m / np.linalg.norm(far_m, axis=1)[:, None]
        one = expansion.take_frequencies(np.array([index]))
        shape = far_field_variance(one, unit)[:, 0]
        level = np.mean(np.abs(found) ** 2) / np.mean(np.abs(far_field(one, directions)) ** 2)
        inside = float(np.mean(missed < shape * level * np.log(20)))
        true = float(10 * np.log10(np.sum(missed) / power))
        rows.append((float(hz), true, float(expansion.far_field_error_db[index]), inside))
    return rows


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--half", choices=tuple(HALVES), default="report")
    ask.add_argument("--count", type=int, default=24)
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    every = []
    for number, scenario in enumerate(scenarios(given.half, given.count, given.seed)):
        rows = judged(scenario, given.seed + number)
        every += rows
        print(scenario, flush=True)
        print("   " + "  ".join(f"{hz:.0f} Hz {t:.0f}/{p:.0f}" for hz, t, p, _ in rows), flush=True)
    _, true, predicted, inside = np.array(every).T
    useful = predicted < -10
    off = (true - predicted)[useful]
    print(
        f"{len(off)} fits predicted below -10 dB: within 3 dB {100 * np.mean(np.abs(off) <= 3):.0f} %, "
        f"true worse by over 3 dB {100 * np.mean(off > 3):.0f} %, by over 6 dB {100 * np.mean(off > 6):.0f} %, "
        f"largest {off.max():.1f} dB; bars hold {100 * np.mean(inside[useful]):.1f} %"
    )


if __name__ == "__main__":
    main()
