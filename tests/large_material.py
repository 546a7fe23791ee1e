"""A large result in closed form, made without a fit: point sources as an expansion of 480 frequencies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from page_material import study
from small_scans import even_points

from scanproc.conventions import Complex, Real, mode_count
from scanproc.files.outgoing.curve_table import write_curves
from scanproc.files.outgoing.tables import write_direction_tables
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.point_errors import PointErrors
from scanproc.report.words.summary import summarise
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.conversion.page import Extras, write_page
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.field.extrapolate import orbits
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import spherical_bessel, spherical_hankel

POINTS = 4000
FREQUENCIES = 480
HIGHEST_ORDER = 50
SPEED_M_S = 343.0
SCAN_RADIUS_M = 0.45
SOURCES = ((0.16, 0.0, 0.1, 1.0), (0.14, 0.02, -0.15, -0.6), (0.1, -0.05, 0.0, 0.4))
"""Place (m) and strength (Pa·m) of each point source."""


def large_expansion() -> Expansion:
    """e^{-jkR}/R about the origin: -jk Σ j_n(k r0) h_n(kr) 4π Σ Y_nm(u0) Y_nm(u), cut off (Abramowitz and Stegun
    10.1.45, 10.1.46, with the addition theorem)."""
    hz = np.geomspace(20.0, 20000.0, FREQUENCIES)
    k = 2 * np.pi * hz / SPEED_M_S
    order = np.clip(np.ceil(0.2 * k + 4), 4, HIGHEST_ORDER).astype(int)
    top = int(order.max())
    degree = np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)
    coefficients = np.zeros((mode_count(top), FREQUENCIES), dtype=np.complex128)
    for *place, strength in SOURCES:
        radius = float(np.linalg.norm(place))
        harmonics = real_harmonics(top, np.array([place]) / radius)[0]
        coefficients += strength * _radial(top, k, radius)[degree] * harmonics[:, None]
    coefficients *= degree[:, None] <= order
    power = np.array([np.mean(np.abs(coefficients[degree == n]) ** 2, axis=0) for n in range(top + 1)])
    error_db = np.interp(np.log(hz), np.log([20, 100, 4000, 20000]), [-30, -42, -38, -8])
    away = np.abs(np.arange(top + 1)[:, None] - order)
    return Expansion(
        frequency_hz=hz,
        order=order,
        centre_m=np.zeros((FREQUENCIES, 3)),
        scaling_radius_m=np.full(FREQUENCIES, SCAN_RADIUS_M),
        wavenumber_rad_m=k,
        coefficients_pa=coefficients,
        held_out_db=error_db + 1.2 * away,
        far_field_error_db=error_db - 4,
        coefficient_variance_pa2=power * 10 ** (error_db / 10),
        variance_pattern=np.full((1, FREQUENCIES), np.sqrt(4 * np.pi)),
        estimator=np.zeros(FREQUENCIES, dtype=np.int64),
        points=POINTS,
    )


def large_point_errors() -> PointErrors:
    """Residuals of 4,000 points in 30 bands, a bump of the arm among them."""
    rng = np.random.default_rng(7)
    error = -40 + 4 * rng.standard_normal((POINTS, 30))
    error[1200:1212] += 22
    return PointErrors(even_points(POINTS, SCAN_RADIUS_M), np.geomspace(25, 20000, 30), error)


def prepared(folder: Path) -> Callable[[], None]:
    """Writes the direction tables to a folder; what is handed back writes the page beside them."""
    expansion = replace(large_expansion(), residual=large_point_errors())
    directions, curves = orbits(expansion), all_curves(expansion, CurveSettings())
    write_direction_tables(folder / "directions" / directions.name, directions)
    write_curves(folder / "directions" / "curves.csv", curves)
    result = Result(expansion, {directions.name: directions}, {"scan": "large.h5"})
    summary = summarise(result, "ferry terminal paging horn", -25.0, "default")
    extras = Extras(study=study())
    return lambda: write_page(folder, result, summary, curves, extras)


def far_pressure(direction: Real, frequency_hz: float) -> complex:
    """The far field at 1 m in one direction (3,), exactly, Pa."""
    k = 2 * np.pi * frequency_hz / SPEED_M_S
    return complex(sum(s * np.exp(1j * k * np.dot(place, direction)) for *place, s in SOURCES))


def _radial(top: int, k: Real, radius: float) -> Complex:
    """-jk 4π j_n(k r0) |h_n(k r_s)| (degrees, F)."""
    near, near_power = spherical_bessel(top, k * radius)
    far, far_power = spherical_hankel(top, k * SCAN_RADIUS_M)
    scaled: Complex = -4j * np.pi * k * np.ldexp(near * np.abs(far), near_power + far_power)
    return scaled
