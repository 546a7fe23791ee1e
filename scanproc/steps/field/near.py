"""The field of sources inside a device's box, and what is known of its error."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, Integer, Real, order_of
from scanproc.records.fitted.near_field import NearField
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial

BESIDE_SOURCE_M = 1e-6


def near_pressure(near: NearField, wavenumber: float, scaling_radius_m: float, position_m: Real) -> Complex:
    """Complex pressure in Pa at positions (positions, 3) outside the box, (positions,)."""
    distance = np.linalg.norm(position_m[:, None] - near.source_m[None], axis=2)
    distance = np.maximum(distance, BESIDE_SOURCE_M)
    pressure: Complex = (np.exp(-1j * wavenumber * distance) / distance) @ near.source_pa_m
    for one in near.multipoles:
        offset = position_m - one.place_m
        radius = np.maximum(np.linalg.norm(offset, axis=1), BESIDE_SOURCE_M)
        order = order_of(len(one.terms_pa))
        harmonics = real_harmonics(order, offset / radius[:, None])
        pressure += series(one.terms_pa, wavenumber, scaling_radius_m, radius, harmonics)
    return pressure


def series(
    terms_pa: Complex, wavenumber: float, scaling_radius_m: float, radius_m: Real, harmonics: Real
) -> Complex:
    """Sum of outgoing terms (modes,) at points given by radius and harmonics (points, at least as many), (points,)."""
    order = order_of(len(terms_pa))
    radial = outgoing_radial(order, wavenumber * radius_m, wavenumber * scaling_radius_m)
    pressure = np.zeros(len(radius_m), dtype=np.complex128)
    for n in range(order + 1):
        block = slice(n * n, (n + 1) ** 2)
        pressure += radial[n] * (harmonics[:, block] @ terms_pa[block])
    return pressure


def near_levels(near: NearField, position_m: Real) -> tuple[Real, Real]:
    """Predicted error in dB and the rms pressure in Pa that it refers to, each (positions,).

    Between and beyond the distances of the record along straight lines over log distance; inside the box infinite.
    """
    distance = near.from_box_m(position_m)
    outside: Integer = np.flatnonzero(distance > 0)
    known, here = np.log(near.distance_m), np.log(distance[outside])
    nearer = np.minimum(here - known[0], 0)
    error, rms = np.full(len(distance), np.inf), np.full(len(distance), near.rms_pa[0])
    slope = min((near.error_db[1] - near.error_db[0]) / (known[1] - known[0]), 0.0)
    error[outside] = np.interp(here, known, near.error_db) + slope * nearer
    rms[outside] = np.exp(np.interp(here, known, np.log(near.rms_pa)))
    return error, rms
