"""The loudspeaker of the examples: an invented two-way paging horn of a ferry terminal."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import REFERENCE_PRESSURE_PA, Real
from synthetic_scans.sources import Cluster, Part, Response, Section, disc, linkwitz_riley

NAME = "ferry terminal paging horn"
SIZE_M = (0.40, 0.30, 0.55)
"""Depth, width, height; the scan's origin is the middle of the box, the baffle lies at x = +0.20 m."""

CROSSOVER_HZ = 1800.0
BAFFLE_X_M = SIZE_M[0] / 2
WOOFER_M = np.array([BAFFLE_X_M, 0.0, -0.09])
HORN_M = np.array([BAFFLE_X_M, 0.01, 0.20])
EDGE_SHARE = 0.18
HORN_AIMED_HZ = 4000.0
"""Above it the horn throws less and less sound along the baffle."""

REFERENCE_SPEED_M_S = 343.2
"""For the delays from driver to edge only; the air between device and microphone has its own."""


def paging_loudspeaker(detail: float = 1.0) -> Cluster:
    """Woofer, horn and weak edge diffraction; about 95 dB at 1 m for 2.83 V on the axis.

    ``detail`` scales the number of points on the diaphragms (1: no more than half a wavelength apart at
    16 kHz). Directivity to the rear comes from dipoles that join the monopoles where the box is no longer
    small. The level, the crossover and the edges' share are plausible, not measured.
    """
    woofer_gain, horn_gain = _pressure(95.0), _pressure(96.0)
    low = Response(
        woofer_gain, sections=(Section("high_pass", 70.0, 0.8), *linkwitz_riley("low_pass", CROSSOVER_HZ))
    )
    high = Response(horn_gain, sections=linkwitz_riley("high_pass", CROSSOVER_HZ))
    woofer = _driver(WOOFER_M, 0.095, 0.095, max(7, round(70 * detail)), 0.15, low, 0.0)
    horn = _driver(HORN_M, 0.08, 0.045, max(7, round(120 * detail)), 0.25, high, 0.03)
    aimed = Response(high.gain, high.delay_s, (*high.sections, Section("low_pass", HORN_AIMED_HZ)))
    return Cluster((woofer, horn, _edge(WOOFER_M, low, detail), _edge(HORN_M, aimed, detail)))


def _pressure(level_db: float) -> float:
    return float(REFERENCE_PRESSURE_PA * 10 ** (level_db / 20))


def _driver(
    centre: Real,
    half_width: float,
    half_height: float,
    count: int,
    rim: float,
    response: Response,
    bulge: float,
) -> Part:
    """A diaphragm in the baffle: half monopole, half forward dipole, the rim later by a curved wavefront."""
    offset, weight = disc(half_width, half_height, count, rim)
    share = (offset[:, 1] / half_width) ** 2 + (offset[:, 2] / half_height) ** 2
    dipole = np.zeros((count, 3))
    dipole[:, 0] = 0.45 * weight
    rear = Section("high_pass", 300.0)
    return Part(
        centre + offset,
        0.55 * weight,
        dipole,
        bulge * share / REFERENCE_SPEED_M_S,
        response,
        Response(response.gain, response.delay_s, (*response.sections, rear)),
    )


def _edge(driver: Real, response: Response, detail: float) -> Part:
    """Points along the baffle's edges, later by the way from the driver, opposite in sign."""
    count = max(16, round(80 * detail))
    position = _rectangle(count)
    distance = np.linalg.norm(position - driver, axis=1)
    weight = -EDGE_SHARE * (1 / distance) / np.sum(1 / distance)
    sections = (*response.sections, Section("high_pass", 300.0))
    return Part(
        position,
        weight,
        delay_s=distance / REFERENCE_SPEED_M_S,
        response=Response(response.gain, response.delay_s, sections),
    )


def _rectangle(count: int) -> Real:
    """Points (count, 3) evenly along the rim of the baffle."""
    width, height = SIZE_M[1], SIZE_M[2]
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * [width / 2, height / 2]
    along = np.array([0, width, width + height, 2 * width + height, 2 * (width + height)])
    at = (np.arange(count) + 0.5) / count * along[-1]
    y, z = (np.interp(at, along, corner[:, axis]) for axis in (0, 1))
    return np.column_stack([np.full(count, BAFFLE_X_M), y, z])
