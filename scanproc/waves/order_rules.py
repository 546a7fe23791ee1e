"""How many degrees a field needs, by published rules and exactly for a source on the smallest sphere around it."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Real
from scanproc.waves.radial import spherical_bessel, spherical_hankel

HANSEN_MARGIN = 10
"""k·r0 + 10 (Hansen, Spherical Near-Field Antenna Measurements, 1988; from memory)."""


def hansen_order(size: float) -> int:
    """Degrees by k·r0 + 10, rounded up."""
    return int(np.ceil(size)) + HANSEN_MARGIN


def jensen_frandsen_order(size: float, error_db: float) -> int:
    """k·r0 + 0.045·(k·r0)^(1/3)·(-error), rounded up (Jensen and Frandsen, AMTA 2004; the factor from memory)."""
    return int(np.ceil(size - 0.045 * np.cbrt(size) * error_db))


def far_order(size: float, error_db: float) -> int:
    """Smallest N with at most ``error_db`` of a monopole's power above degree N, for k·r0 = ``size``.

    The shares (2n+1)·j_n²(k r0) sum to one (DLMF 10.60.12).
    """
    mantissa, exponent = spherical_bessel(_enough(size), size)
    share = np.ldexp(mantissa[:, 0], exponent[:, 0]) ** 2
    return _smallest(share, error_db)


def near_order(size: float, ratio: float, error_db: float) -> int:
    """Smallest N with at most ``error_db`` of the mean square at the scan radius above degree N.

    A monopole at r0, k·r0 = ``size``, scanned at r = ``ratio``·r0: shares (2n+1)·j_n²(k r0)·|h_n(k r)|², normalised
    (Green's function in spherical waves, DLMF 10.60.1 and .2). A close scan takes many degrees at any frequency.
    """
    top = _enough(size) + int(-error_db / (20 * np.log10(ratio))) + 20
    inner, inner_power = spherical_bessel(top, size)
    outer, outer_power = spherical_hankel(top, size * ratio)
    share = np.ldexp(np.abs(inner * outer)[:, 0], (inner_power + outer_power)[:, 0]) ** 2
    return _smallest(share, error_db)


def _smallest(share: Real, error_db: float) -> int:
    weighted = (2 * np.arange(len(share)) + 1) * share
    rest = np.cumsum(weighted[::-1])[::-1]
    above = np.append(rest[1:], 0.0)
    return int(np.argmax(above <= 10 ** (error_db / 10) * rest[0]))


def _enough(size: float) -> int:
    """A degree far beyond what any target asks for."""
    return int(size + 12 * np.cbrt(size)) + 60
