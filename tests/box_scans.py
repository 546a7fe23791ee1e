"""The boundary-element box of tests/truth at some frequencies: scans of parts of it, and the true far-field error."""

from __future__ import annotations

from functools import cache

import h5py
import numpy as np
from truth import FOLDER

from scanproc.conventions import Complex, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import pressure_at
from scanproc.steps.points.subsets import spread_subset

FREQUENCIES = slice(-5, None, 2)
"""1.3, 2 and 3 kHz."""


@cache
def whole(surface: str = "shell") -> Scan:
    """All points of two shells or of two drums ("cylinder"), 50 dB signal-to-noise."""
    rng = np.random.default_rng(1)
    with h5py.File(FOLDER / "bem-box.h5") as file:
        position, pressure = file[f"{surface}_position_m"][:], file[f"{surface}_pressure"][:, FREQUENCIES]
        layer = file["shell_layer"][:] if surface == "shell" else file["cylinder_part"][:] // 3
        setup = ScanSetup(
            position,
            layer=layer.astype(np.int64),
            speed_of_sound_m_s=float(file.attrs["speed_of_sound_m_s"]),
            device_size_m=file.attrs["box_size_xyz_m"],
            device_centre_m=file.attrs["box_centre_m"],
            environment="anechoic",
        )
        frequency = file["frequency_hz"][FREQUENCIES]
    noise = rng.normal(size=(*pressure.shape, 2)) @ [1, 1j] * 10 ** (-50 / 20) / np.sqrt(2)
    return Scan(setup, frequency, pressure + noise * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)))


def taken(points: int, seed: int, surface: str = "shell") -> Scan:
    """A well-spread part of it."""
    every = whole(surface)
    return every.take_points(spread_subset(every.setup, points, np.random.default_rng(seed)))


def true_db(found: Expansion, which: slice | int = slice(None)) -> Real:
    """Error at the far microphones, 10 m away, (F,): of all frequencies, or of an expansion of some."""
    position, every = _far()
    far = every[:, which].reshape(len(every), -1)
    error = pressure_at(found, position) - far
    return 10 * np.log10(np.sum(np.abs(error) ** 2, axis=0) / np.sum(np.abs(far) ** 2, axis=0))


def _far() -> tuple[Real, Complex]:
    with h5py.File(FOLDER / "bem-box.h5") as file:
        return file["far_position_m"][:], file["far_pressure"][:, FREQUENCIES]
