"""Speed against the plain way, as ratios in one run on one machine: ``python -m tests.benchmarks``.

The plain way is a loop over frequencies: harmonics from scipy, spherical Hankel functions from scipy, then
numpy.linalg.lstsq at one order. It is timed at a few frequencies and scaled to all of them; it yields no held-out
error. The floor is the floating-point operations of the one unavoidable factorisation at this machine's measured rate
of matrix products.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.special import sph_harm_y, spherical_jn, spherical_yn

from scanproc.conventions import Complex, Real
from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.box import device_box
from scanproc.steps.fit import fit
from scanproc.steps.informed import Device, fit_informed, learn
from scanproc.steps.separation import separate
from scanproc.waves.directions import fibonacci_sphere

SPEED_M_S = 343.2


def plain_basis(position_m: Real, wavenumber: float, order: int, *, regular: bool = False) -> Complex:
    """Outgoing (and regular) terms by scipy alone, (points, modes), columns scaled to one."""
    radius = np.linalg.norm(position_m, axis=1)
    polar, azimuth = np.arccos(position_m[:, 2] / radius), np.arctan2(position_m[:, 1], position_m[:, 0])
    columns = []
    for n in range(order + 1):
        bessel = spherical_jn(n, wavenumber * radius)
        hankel = bessel - 1j * spherical_yn(n, wavenumber * radius)
        for m in range(-n, n + 1):
            harmonic = sph_harm_y(n, m, polar, azimuth)
            columns.append(harmonic * hankel)
            if regular:
                columns.append(harmonic * bessel)
    basis = np.array(columns).T
    return basis / np.linalg.norm(basis, axis=0)


def plain_seconds(scan: Scan, order: np.ndarray, tried: list[int], *, regular: bool = False) -> float:
    """Seconds that the plain loop takes over all frequencies, from those tried."""
    k = 2 * np.pi * scan.frequency_hz / SPEED_M_S
    spent, work = 0.0, 0.0
    for index in tried:
        start = time.perf_counter()
        basis = plain_basis(scan.setup.position_m, float(k[index]), int(order[index]), regular=regular)
        np.linalg.lstsq(basis, scan.pressure_pa[:, index], rcond=None)
        spent += time.perf_counter() - start
        work += (int(order[index]) + 1) ** 4
    return spent * float(np.sum((order + 1.0) ** 4)) / work


def timed(work: Callable[[], object]) -> float:
    """Seconds of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def products_per_second(dtype: type) -> float:
    """Real floating-point operations a second in a matrix product."""
    matrix = np.random.default_rng(0).standard_normal((1500, 1500)).astype(dtype)
    seconds = min(timed(lambda: matrix @ matrix) for _ in range(3))
    return 2 * 1500**3 * (4 if np.iscomplexobj(matrix) else 1) / seconds


def monopoles(position_m: Real, frequency_hz: Real) -> Complex:
    """Pressures of a few monopoles within 0.2 m, (points, F), with some noise."""
    rng = np.random.default_rng(1)
    source = rng.uniform(-0.12, 0.12, (6, 3))
    distance = np.linalg.norm(position_m[:, None] - source[None], axis=2)
    wave = -2j * np.pi / SPEED_M_S * distance
    pressure = np.stack([(np.exp(wave * f) / distance).sum(axis=1) for f in frequency_hz], axis=1)
    return pressure + 1e-3 * (rng.standard_normal(pressure.shape) + 1j * rng.standard_normal(pressure.shape))


def shell(points: int, frequencies: int) -> Scan:
    """An even shell of 0.5 m."""
    position = 0.5 * fibonacci_sphere(points)
    return _scan(position, np.linspace(40, 19200, frequencies))


def two_shells(points: int, frequencies: int) -> Scan:
    """Two shells of different directions, 0.40 and 0.48 m."""
    half = fibonacci_sphere(points // 2)
    turn = np.linalg.qr(np.random.default_rng(2).standard_normal((3, 3)))[0]
    return _scan(np.concatenate([0.40 * half, 0.48 * half @ turn]), np.geomspace(50, 1500, frequencies))


def drum(points: int, frequencies: int) -> Scan:
    """A cylinder: an even shell pushed out onto it."""
    direction = fibonacci_sphere(points)
    flat = np.maximum(np.hypot(direction[:, 0], direction[:, 1]) / 0.4, np.abs(direction[:, 2]) / 0.5)
    return _scan(direction / flat[:, None], np.geomspace(50, 8000, frequencies))


def _scan(position_m: Real, frequency_hz: Real) -> Scan:
    setup = ScanSetup(position_m, speed_of_sound_m_s=SPEED_M_S, device_size_m=np.array([0.3, 0.3, 0.4]))
    return Scan(setup, frequency_hz, monopoles(position_m, frequency_hz))


def compare_all(points: int, frequencies: int) -> Table:
    """The table of all workloads."""
    table = Table("work", "scanproc s", "plain loop s", "ratio", "must reach", "floor s")
    real_rate, complex_rate = products_per_second(np.float64), products_per_second(np.complex128)
    order = int(np.sqrt(points / 1.1)) - 1
    top = min(40, order)

    scan = shell(points, frequencies)
    ours = timed(lambda: fit(scan, order=top))
    plain = plain_seconds(scan, np.full(frequencies, top), [frequencies // 2])
    floor = (2 * points * (top + 1) ** 4 + 4 * points * (top + 1) ** 2 * frequencies) / real_rate
    table.add_row(
        f"shell, order {top}, {frequencies} frequencies, all orders' held-out error",
        *_cells(ours, plain),
        "500",
        f"{floor:.2f}",
    )

    scan, count = two_shells(points, frequencies // 2), frequencies // 2
    low = min(30, int(np.sqrt(points / 2 / 1.1)) - 1)
    ours = timed(lambda: separate(scan, order=low, refuse=False))
    plain = plain_seconds(scan, np.full(count, low), [count // 2], regular=True)
    table.add_row(f"two shells separated, order {low}, {count} frequencies", *_cells(ours, plain), "15", "")

    scan = drum(points, frequencies // 2)
    found = fit(
        scan.take_frequencies(slice(None, None, max(1, count // 12))),
        centre_m=(0, 0, 0),
        estimator="truncated",
        max_order=top,
    )
    orders = np.minimum(np.interp(scan.frequency_hz, found.frequency_hz, found.order).astype(int) + 1, top)
    tried = np.linspace(count // 4, count - 1, 4).astype(int)
    few = scan.take_frequencies(tried)
    ours = timed(
        lambda: [
            fit(few.take_frequencies(slice(i, i + 1)), order=int(orders[j])) for i, j in enumerate(tried)
        ]
    )
    ours *= float(np.sum((orders + 1.0) ** 4) / np.sum((orders[tried] + 1.0) ** 4))
    plain = plain_seconds(scan, orders, list(tried))
    table.add_row(
        f"drum, orders to {orders.max()}, {count} frequencies (both scaled from 4)",
        *_cells(ours, plain),
        "5",
        f"{8 * points * np.sum((orders + 1.0) ** 4) / complex_rate / 2:.1f}",
    )

    scan = drum(points, frequencies).take_frequencies(slice(-1, None))
    k, device = 2 * np.pi * scan.frequency_hz[0] / SPEED_M_S, Device(device_box(scan.setup), np.empty((0, 3)))
    position, pressure, centre = scan.setup.position_m, scan.pressure_pa[:, 0], np.zeros(3)
    weights: list[dict[str, float]] = []
    search = timed(lambda: weights.append(learn(position, pressure, k, device, centre, 1e-5)))
    one = timed(lambda: fit_informed(position, pressure, k, device, centre, weights[0], 1e-5))
    table.add_row(
        "informed fit, one frequency at the top", f"{one:.1f} + {search:.1f} for weights", "", "", "10 s", ""
    )

    for call in ("--version", "--help"):
        seconds = min(
            timed(
                lambda c=call: subprocess.run(
                    [sys.executable, "-m", "scanproc", c], capture_output=True, check=True
                )
            )
            for _ in range(5)
        )
        table.add_row(
            f"scanproc {call}", f"{seconds:.2f}", "", "", "0.15 s" if call == "--version" else "0.25 s", ""
        )
    return table


def growth(points: int, frequencies: int) -> str:
    """Exponents of the time of a shell fit against frequencies, points and modes."""
    order = int(np.sqrt(points / 1.1) / 1.5) - 1
    base = timed(lambda: fit(shell(points, frequencies), order=order))
    more = timed(lambda: fit(shell(points, 2 * frequencies), order=order))
    wider = timed(lambda: fit(shell(2 * points, frequencies), order=order))
    higher = timed(lambda: fit(shell(points, frequencies), order=round(1.41 * order)))
    return (
        f"twice the frequencies: {more / base:.2f} times the time; twice the points: {wider / base:.2f}; "
        f"twice the modes: {higher / base:.2f}"
    )


def _cells(ours: float, plain: float) -> tuple[str, str, str]:
    return f"{ours:.2f}", f"{plain:.0f}", f"{plain / ours:.0f}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=3800)
    parser.add_argument("--frequencies", type=int, default=480)
    given = parser.parse_args()
    console = Console(width=150)
    console.print(compare_all(given.points, given.frequencies))
    console.print(growth(given.points // 2, given.frequencies))
