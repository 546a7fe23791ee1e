"""Speed against the plain way, as ratios in one run on one machine: ``python -m tests.benchmarks``.

The plain way is a loop over frequencies: harmonics from scipy, spherical Hankel functions from scipy, then
numpy.linalg.lstsq at one order. It is timed at a few frequencies and scaled to all of them; it yields no held-out
error. The floor is the floating-point operations of the one unavoidable factorisation at this machine's measured rate
of matrix products.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from dask.distributed import Client, LocalCluster
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table
from scipy.special import sph_harm_y, spherical_jn, spherical_yn
from threadpoolctl import threadpool_limits

from scanproc.conventions import Complex, Real
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.run.conversion.fitting import in_threads
from scanproc.steps.each import in_turn
from scanproc.steps.field.residuals import band_middles
from scanproc.steps.field.view import view_from
from scanproc.steps.fit.expand import fit, fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.fit.truncated import fit_any
from scanproc.steps.points.study import study
from scanproc.waves.directions import fibonacci_sphere

SPEED_M_S = 343.2
RADIATING_M = 0.2
"""Reach of what radiates on the drum, which sets the order there."""


def plain_basis(position_m: Real, wavenumber: float, order: int) -> Complex:
    """Outgoing terms by scipy alone, (points, modes), columns scaled to one."""
    radius = np.linalg.norm(position_m, axis=1)
    polar, azimuth = np.arccos(position_m[:, 2] / radius), np.arctan2(position_m[:, 1], position_m[:, 0])
    columns = []
    for n in range(order + 1):
        hankel = spherical_jn(n, wavenumber * radius) - 1j * spherical_yn(n, wavenumber * radius)
        columns += [sph_harm_y(n, m, polar, azimuth) * hankel for m in range(-n, n + 1)]
    basis = np.array(columns).T
    return basis / np.linalg.norm(basis, axis=0)


def plain_seconds(scan: Scan, order: np.ndarray, tried: list[int]) -> float:
    """Seconds that the plain loop takes over all frequencies, from those tried; in a child, as scanproc's own."""
    return in_child(lambda: _plain_seconds(scan, order, tried))[0]


def _plain_seconds(scan: Scan, order: np.ndarray, tried: list[int]) -> float:
    k = 2 * np.pi * scan.frequency_hz / SPEED_M_S
    spent, work = 0.0, 0.0
    for index in tried:
        start = time.perf_counter()
        basis = plain_basis(scan.setup.position_m, float(k[index]), int(order[index]))
        np.linalg.lstsq(basis, scan.pressure_pa[:, index], rcond=None)
        spent += time.perf_counter() - start
        work += (int(order[index]) + 1) ** 4
    return spent * float(np.sum((order + 1.0) ** 4)) / work


def timed(work: Callable[[], object]) -> float:
    """Seconds of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


@dataclass(frozen=True)
class Measured:
    """Seconds of one run in a process of its own, and the most memory that process held."""

    seconds: float
    mib: float


def measured(work: Callable[[], object]) -> Measured:
    """One run of some work in a forked child."""
    return Measured(*in_child(lambda: timed(work)))


def in_child(seconds: Callable[[], float]) -> tuple[float, float]:
    """What some measurement yields in a forked child, where no memory is at hand from earlier work, and the MiB it held
    at most."""
    context = multiprocessing.get_context("fork")
    receiver, sender = context.Pipe(duplex=False)

    def child() -> None:
        found = seconds()
        sender.send((found, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024))

    process = context.Process(target=child)
    process.start()
    found: tuple[float, float] = receiver.recv()
    process.join()
    return found


def products_per_second(dtype: type) -> float:
    """Real floating-point operations a second in a matrix product."""
    matrix: NDArray[Any] = np.random.default_rng(0).standard_normal((1500, 1500)).astype(dtype)
    seconds = min(timed(lambda: matrix @ matrix) for _ in range(3))
    return 2 * 1500**3 * (4 if np.iscomplexobj(matrix) else 1) / seconds


def monopoles(position_m: Real, frequency_hz: Real) -> Complex:
    """Pressures of a few monopoles within 0.2 m, (points, F), with some noise."""
    rng = np.random.default_rng(1)
    source = rng.uniform(-0.12, 0.12, (6, 3))
    distance = np.linalg.norm(position_m[:, None] - source[None], axis=2)
    wave = -2j * np.pi / SPEED_M_S * distance
    pressure: Complex = np.stack([(np.exp(wave * f) / distance).sum(axis=1) for f in frequency_hz], axis=1)
    pressure += 1e-3 * (rng.standard_normal(pressure.shape) + 1j * rng.standard_normal(pressure.shape))
    return pressure


def shell(points: int, frequencies: int) -> Scan:
    """An even shell of 0.5 m."""
    position = 0.5 * fibonacci_sphere(points)
    return _scan(position, np.linspace(40, 19200, frequencies))


def drum(points: int, frequencies: int) -> Scan:
    """A cylinder: an even shell pushed out onto it."""
    direction = fibonacci_sphere(points)
    flat = np.maximum(np.hypot(direction[:, 0], direction[:, 1]) / 0.4, np.abs(direction[:, 2]) / 0.5)
    return _scan(direction / flat[:, None], np.geomspace(50, 10000, frequencies))


def _scan(position_m: Real, frequency_hz: Real) -> Scan:
    setup = ScanSetup(position_m, speed_of_sound_m_s=SPEED_M_S, device_size_m=np.array([0.3, 0.3, 0.4]))
    return Scan(setup, frequency_hz, monopoles(position_m, frequency_hz))


def compare_all(points: int, frequencies: int) -> Iterator[tuple[str, ...]]:
    """The rows of all workloads, one by one as they are measured."""
    real_rate, complex_rate = products_per_second(np.float64), products_per_second(np.complex128)
    order = int(np.sqrt(points / 1.1)) - 1
    top = min(40, order)

    scan = shell(points, frequencies)
    one_fit = measured(lambda: fit(scan, order=top))
    plain = plain_seconds(scan, np.full(frequencies, top), [frequencies // 2])
    floor = (2 * points * (top + 1) ** 4 + 4 * points * (top + 1) ** 2 * frequencies) / real_rate
    name = f"shell, order {top}, {frequencies} frequencies, every order's held-out error"
    yield row(name, one_fit, plain, "500", f"{floor:.2f}")

    some = scan.take_frequencies(band_middles(scan.frequency_hz))
    plan = prepare(some)
    ours = measured(lambda: study([(some, plan)]))
    times = f"{ours.seconds / one_fit.seconds:.1f} fits"
    yield (
        "study of that shell, 8 sizes x 5 parts",
        f"{ours.seconds:.2f}",
        "",
        times,
        "",
        f"{ours.mib:.0f}",
        "",
    )

    scan, count = drum(points, frequencies // 2), frequencies // 2
    wavenumber = 2 * np.pi * scan.frequency_hz / SPEED_M_S
    orders = np.minimum(np.ceil(RADIATING_M * wavenumber).astype(int) + 8, top)
    tried = np.linspace(count // 4, count - 1, 8).astype(int)
    few = [(scan.take_frequencies(slice(j, j + 1)), int(orders[j])) for j in tried]
    rounds = [
        (measured(lambda: in_turn(_fit_one, few)), plain_seconds(scan, orders, list(tried))) for _ in range(3)
    ]
    ours = min((one for one, _ in rounds), key=lambda one: one.seconds)
    plain = min(other for _, other in rounds)
    scaled = float(np.sum((orders + 1.0) ** 4) / np.sum((orders[tried] + 1.0) ** 4))
    floor = 4 * points * np.sum((orders + 1.0) ** 4) / complex_rate
    name = f"drum, orders {orders.min()} to {orders.max()}, {count} frequencies (scaled from {len(few)}, best of 3)"
    yield row(name, Measured(ours.seconds * scaled, ours.mib), plain, "5", f"{floor:.0f}")

    items = 3 * few[::-1]
    alone, threads = timed(lambda: in_turn(_fit_one, items)), timed(lambda: in_threads(_fit_one, items))
    yield "two threads against one on it", f"{threads:.2f}", "", f"{alone / threads:.2f}", "1.6", "", ""
    with threadpool_limits(limits=len(os.sched_getaffinity(0)), user_api="blas"):
        plain = min(plain_seconds(scan, orders, list(tried)) for _ in range(3))
    everywhere = ours.seconds * scaled * threads / alone
    name = "that drum in threads (from the two rows above), the plain loop with BLAS threads"
    yield name, f"{everywhere:.2f}", f"{plain:.0f}", f"{plain / everywhere:.3g}", "", "", ""
    pairs = [[seconds_on_workers(count, items) for count in (1, 2)] for _ in range(3)]
    one, two = np.min(pairs, axis=0)
    yield "two worker processes against one on it", f"{two:.2f}", "", f"{one / two:.2f}", "1.6", "", ""

    scan = drum(points, frequencies).take_frequencies(slice(-1, None))
    plans: list[FitPlan] = []
    planned = timed(lambda: plans.append(prepare(scan)))
    ours = measured(lambda: fit_planned(scan, plans[0]))
    name = f"the whole model, one frequency at the top ({planned:.1f} s more where it is planned)"
    yield name, f"{ours.seconds:.2f}", "", "", "10 s", f"{ours.mib:.0f}", ""

    for call in ("--version", "--help"):
        command = [sys.executable, "-m", "scanproc", call]
        seconds = min(
            timed(partial(subprocess.run, command, capture_output=True, check=True)) for _ in range(5)
        )
        yield f"scanproc {call}", f"{seconds:.2f}", "", "", "0.25 s", "", ""


def _fit_one(one: tuple[Scan, int]) -> object:
    """One frequency at a given order: every order's held-out error, coefficients, their uncertainty."""
    scan, order = one
    view = view_from(scan.setup.position_m, (0.0, 0.0, 0.0))
    return fit_any(scan, view, np.array([order]), np.array([1e-6]), lambda _: None)


def seconds_on_workers(count: int, items: list[tuple[Scan, int]]) -> float:
    """Seconds that so many worker processes of a local cluster take, once they are warm."""
    with (
        LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        client.gather(client.map(_fit_one, items[:count], pure=False))
        return timed(lambda: client.gather(client.map(_fit_one, items, pure=False)))


def growth(points: int, frequencies: int) -> str:
    """By what the time of a shell fit grows with frequencies, points and modes."""
    order = int(np.sqrt(points / 1.1) / 1.5) - 1
    scan, more, wider = (
        shell(points, frequencies),
        shell(points, 2 * frequencies),
        shell(2 * points, frequencies),
    )
    base, twice, points_twice, modes_twice = (
        min(timed(partial(fit, s, order=n)) for _ in range(3))
        for s, n in ((scan, order), (more, order), (wider, order), (scan, round(1.41 * order)))
    )
    return (
        f"twice the frequencies: {twice / base:.2f} times the time; "
        f"twice the points: {points_twice / base:.2f}; twice the modes: {modes_twice / base:.2f}"
    )


def growth_on_drum(points: int, frequencies: int) -> str:
    """By what the time of any-geometry fits grows with frequencies, from half as many."""
    scan = drum(points, frequencies)
    half = scan.take_frequencies(slice(None, None, 2))
    order = int(np.sqrt(points / 1.1) / 1.5) - 1
    few, all_of_them = (timed(partial(fit, s, order=order)) for s in (half, scan))
    return f"drum, {frequencies} frequencies against {len(half.frequency_hz)}: {all_of_them / few:.2f}"


def row(name: str, ours: Measured, plain: float, must: str, floor: str) -> tuple[str, ...]:
    cells = f"{ours.seconds:.2f}", f"{plain:.0f}", f"{plain / ours.seconds:.3g}"
    return name, *cells, must, f"{ours.mib:.0f}", floor


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=4000)
    parser.add_argument("--frequencies", type=int, default=480)
    given = parser.parse_args()
    console = Console(width=150)
    table = Table("work", "scanproc s", "plain loop s", "ratio", "must reach", "peak MiB", "floor s")
    with threadpool_limits(limits=1, user_api="blas"):
        for cells in compare_all(given.points, given.frequencies):
            print("  ".join(cells), file=sys.stderr, flush=True)
            table.add_row(*cells)
        console.print(table)
        console.print(growth(given.points // 2, given.frequencies))
        console.print(growth_on_drum(given.points // 4, given.frequencies // 2))
