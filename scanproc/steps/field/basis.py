"""Outgoing terms at the points of a scan."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, Real, mode_count
from scanproc.steps.field.view import View
from scanproc.waves.radial import outgoing_radial


def outgoing_basis(
    view: View, harmonics: Real, order: int, wavenumber: float, relative: Real | float = 1.0
) -> Complex:
    """h_n(kr)/|h_n(k r_s)| Y_nm at the points, (points, modes) complex in Fortran order.

    ``harmonics`` (points, at least as many modes); ``relative`` (points,): each point's own wave number over
    ``wavenumber``, where they differ.
    """
    kr = wavenumber * relative * view.radius_m
    radial = outgoing_radial(order, kr, wavenumber * view.scaling_radius_m)
    basis = np.empty((len(kr), mode_count(order)), dtype=np.complex128, order="F")
    for n in range(order + 1):
        block = slice(n * n, (n + 1) ** 2)
        np.multiply(harmonics[:, block], radial[n][:, None], out=basis[:, block])
    return basis


def ends(order: int) -> list[int]:
    """Numbers of leading modes that make up each order."""
    return [mode_count(n) for n in range(order + 1)]
