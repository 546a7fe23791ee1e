"""A box with a driver and a port, by boundary elements: scan points in, pressures 10 m away out.

Origin and contents of the file: tests/truth/README.md. Near and far pressures belong to the same discrete field
exactly, so what is left is the error of the fit. The expansion centre is the middle of the box, as the file states.
"""

from __future__ import annotations

import h5py
import numpy as np
import pytest
from threadpoolctl import threadpool_limits
from truth import FOLDER

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field, pressure_at
from scanproc.steps.fit.expand import fit

SURFACES = {"shells": "shell", "drum": "cylinder"}
MAX_ORDER = 20
"""Enough for -80 dB at 3 kHz (k·a = 14), and quick."""


@pytest.fixture(autouse=True)
def _one_thread():
    """Many small factorisations: more threads would only wait for each other."""
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def box():
    with h5py.File(FOLDER / "bem-box.h5") as file:
        values = {name: data[()] for name, data in file.items()}
        return {**values, **file.attrs}


def scan_of(box, surface, noise_db=None):
    """The scan, with complex noise this far below the rms over points, if given."""
    prefix = SURFACES[surface]
    pressure = box[f"{prefix}_pressure"]
    if noise_db is not None:
        draw = np.random.default_rng(20).standard_normal((*pressure.shape, 2)) @ [1, 1j] / np.sqrt(2)
        pressure = pressure + draw * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * 10 ** (noise_db / 20)
    setup = ScanSetup(box[f"{prefix}_position_m"], speed_of_sound_m_s=float(box["speed_of_sound_m_s"]))
    return Scan(setup, box["frequency_hz"], pressure)


def least_squares(box, scan, max_order):
    return fit(scan, centre_m=box["shell_centre_m"], max_order=max_order, estimator="truncated")


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize(("noise_db", "allowed_db"), [(None, -80), (-50, -52)])
def test_pressures_ten_metres_away(box, surface, noise_db, allowed_db):
    found = least_squares(box, scan_of(box, surface, noise_db), MAX_ORDER)
    error = pressure_at(found, box["far_position_m"]) - box["far_pressure"]
    ratio = np.sum(np.abs(error) ** 2, axis=0) / np.sum(np.abs(box["far_pressure"]) ** 2, axis=0)
    error_db = 10 * np.log10(ratio)
    assert np.all(error_db < allowed_db), f"{np.round(error_db, 1)} dB with orders {found.order}"


def test_far_field_is_the_limit_of_the_pressures(box):
    """For every part of the device within d of the origin, p·r·e^{+jkr} at r misses its limit by at most about
    d/r in size and k·d²/(2r) in phase; d = 0.37 m, the farthest corner. A wrong sign of the centre's phase
    would miss by 2·k·0.15 m."""
    scan = scan_of(box, "shells").take_frequencies(slice(0, 12))
    found = least_squares(box, scan, 12)
    k, reach, distance = found.wavenumber_rad_m, 0.37, 10.0
    limit = distance * np.exp(1j * k * distance) * box["far_pressure"][:, :12]
    field = far_field(found, box["far_position_m"] / distance)
    error = np.linalg.norm(field - limit, axis=0) / np.linalg.norm(limit, axis=0)
    assert np.all(error < reach / distance + k * reach**2 / (2 * distance))
