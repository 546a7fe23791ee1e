"""Material for pages: a small scan converted, and a made-up study."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from small_scans import even_points
from written_curves import read_curves

from scanproc.conventions import Complex, Real
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.answers.study import Study
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.report.figures.material import Material
from scanproc.steps.field.residuals import one_in_a_band

FREQUENCY_HZ = np.geomspace(100, 5000, 40)
NASTY = '<script>window.owned = 1</script><img src=x onerror="window.owned = 2"> & "it\'s" ‹Fähre› 港 '


def two_sources(points: int = 200, device: str = "quay horn", notes: str = "") -> Scan:
    """Two monopoles in opposite phase, 0.1 m apart on x and 0.04 m off on y: a beam that turns with frequency."""
    position = even_points(points, 0.4)
    pressure = heard(position)
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((2, *pressure.shape))
    pressure += 1e-3 * np.abs(pressure).mean() * (noise[0] + 1j * noise[1])
    pressure[17] *= 3  # a bump
    setup = ScanSetup(position, device=device, speed_of_sound_m_s=343.0, notes=notes)
    return Scan(setup, FREQUENCY_HZ, pressure)


def heard(position_m: Real) -> Complex:
    """What the two monopoles send to positions (points, 3), exactly; (points, F)."""
    k = 2 * np.pi * FREQUENCY_HZ / 343.0
    pressure = np.zeros((len(position_m), len(k)), dtype=complex)
    for sign, place in ((1.0, [0.05, 0.04, 0.0]), (-0.6, [-0.05, 0.0, 0.02])):
        distance = np.linalg.norm(position_m - place, axis=1)[:, None]
        pressure += sign * np.exp(-1j * k * distance) / distance
    return pressure


def at_two_metres(folder: Path, gain_db: float = 0.0) -> Path:
    """A scan file of exact pressures at 12 microphones 2 m away, every 30 deg: a reference."""
    angle = np.deg2rad(np.arange(0, 360, 30))
    position = 2.0 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    setup = ScanSetup(position, device="hall", speed_of_sound_m_s=343.0)
    path = folder / "hall <2 m>.h5"
    write_scan(path, Scan(setup, FREQUENCY_HZ, heard(position) * 10 ** (gain_db / 20)))
    return path


def material(results: Path, study: Study | None = None) -> Material:
    """What the page of a finished conversion is made from."""
    result = read_result(results / "result.h5")
    return Material(
        result,
        json.loads((results / "summary.json").read_text(encoding="utf-8")),
        read_curves(results / "directions" / "curves.csv"),
        None if result.expansion.residual is None else one_in_a_band(result.expansion.residual),
        study,
    )


def study() -> Study:
    """Errors that fall steeply where (ka + 4)² points are reached, as on a scanned device."""
    band = 1000 * 10 ** (np.arange(-10, 8) / 10)
    size = np.array([100, 200, 400, 700, 1000, 1400])
    enough = (2 * np.pi * band / 343 * 0.3 + 4) ** 2
    predicted = np.clip(-10 * (size[:, None] / enough - 0.7) * 6, -50, 2)
    orders = np.arange(30)
    best = np.minimum(np.sqrt(size)[:, None] * 0.8, np.sqrt(enough) * 1.1).astype(int)
    shape = (len(size), len(orders), len(band))
    away = np.abs(orders[None, :, None] - best[:, None, :]) * np.ones(shape)
    held_out = predicted[:, None, :] + 8 + 1.5 * away
    held_out[:, -3:, :] = np.nan
    needed = np.where(band < 4500, enough * 1.2, np.nan)
    return Study(
        target_db=-25.0,
        band_hz=band,
        size=size,
        draws=5,
        held_out_db=held_out,
        predicted_by_order_db=held_out - 8,
        predicted_db=predicted,
        predicted_spread_db=np.full(predicted.shape, 1.2),
        order=best,
        needed=needed,
        needed_low=needed * 0.85,
        needed_high=needed * 1.25,
        reason=tuple("" if np.isfinite(n) else "no band below tells" for n in needed),
        curve_size=np.repeat(size[:, None], len(band), axis=1),
        curve_db=predicted,
        limit=tuple("" if np.isfinite(n) else "points" for n in needed),
        left_db=np.full(len(band), np.nan),
        refit_size=np.array([400, 700]),
        refit_band_hz=band[[10, 10]],
        refit_told_db=predicted[[2, 3], 10],
        refit_db=predicted[[2, 3], 10] + 1.0,
        seconds_per_point=12.0,
        points=1400,
    )


def write(scan: Scan, folder: Path) -> Path:
    path = folder / "scan.h5"
    write_scan(path, scan)
    return path
