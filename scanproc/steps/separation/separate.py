"""The device's sound told from what the room sends back, by two layers of points.

Outgoing terms a_nm h_n and regular terms b_nm j_n are fitted together (after Weinreich and Arnold, J. Acoust.
Soc. Am. 68 (1980) 404). Columns are sorted by degree, outgoing beside regular, so one factorisation holds every
order. On two concentric shells the two sets together span what each shell's own harmonics span, so each shell
is fitted on its own, once for all frequencies, and 2 x 2 equations per mode remain.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Real, mode_count
from scanproc.errors import ScanDataError
from scanproc.records.expansion import Expansion
from scanproc.records.room import Separation
from scanproc.records.scan import Scan
from scanproc.steps.field.order import POINTS_PER_MODE
from scanproc.steps.field.uncertainty import far_field_error_db
from scanproc.steps.field.view import View, density, relative_wavenumber, view_from, wavenumbers
from scanproc.steps.separation.any_surface import split_on_any_surface
from scanproc.steps.separation.coefficients import Split, incoming_at, incoming_db
from scanproc.steps.separation.layers import ONE_LAYER, depth_of_layers_m, two_shells
from scanproc.steps.separation.two_shells import split_on_shells

MOST_NOISE_GAIN_DB = 30.0
"""Above it the layers do not tell outgoing from incoming sound (a choice of this project)."""
ONE_LAYER_NOISE_GAIN_DB = 60.0
"""Above it at every frequency the points lie on one surface, whatever its shape."""


def separate(
    scan: Scan,
    *,
    order: int | None = None,
    max_order: int | None = None,
    centre_m: ArrayLike = (0.0, 0.0, 0.0),
    progress: Callable[[int], None] | None = None,
    refuse: bool = True,
) -> Separation:
    """Outgoing and incoming field of a scan in two layers, of the same order, about ``centre_m``.

    The order is chosen by held-out error unless given. A temperature per point gives each point its own wave
    number. Raises ScanDataError when there is one layer only, the points are too few for the order, or the layers are
    too close to tell outgoing from incoming at any of the frequencies (unless ``refuse`` is off: then ``usable`` is
    all there is to say so).
    """
    view = view_from(scan.setup.position_m, centre_m)
    k = wavenumbers(scan.setup, scan.frequency_hz)
    split, depth = _split(scan, view, k, order, max_order, progress or _silent)
    return _separation(scan, view, k, split, depth, refuse)


def without_incoming(
    scan: Scan,
    *,
    order: int | None = None,
    max_order: int | None = None,
    centre_m: ArrayLike = (0.0, 0.0, 0.0),
) -> Scan:
    """The scan as it would be without what arrives from outside, told apart as :func:`separate` does.

    Raises ScanDataError as :func:`separate` does, but for layers that are too close.
    """
    view = view_from(scan.setup.position_m, centre_m)
    k = wavenumbers(scan.setup, scan.frequency_hz)
    split, _ = _split(scan, view, k, order, max_order, _silent)
    incoming = incoming_at(split, view, k, relative_wavenumber(scan.setup))
    return Scan(scan.setup, scan.frequency_hz, scan.pressure_pa - incoming, scan.noise_pa)


def _split(
    scan: Scan,
    view: View,
    k: Real,
    order: int | None,
    max_order: int | None,
    progress: Callable[[int], None],
) -> tuple[Split, float]:
    """Both fields' coefficients, and the distance of the layers in metres."""
    depth = depth_of_layers_m(scan.setup, view)
    relative = relative_wavenumber(scan.setup)
    shells = two_shells(view) if np.all(relative == 1) else None
    smallest = scan.points // 2 if shells is None else min(len(shell) for shell in shells)
    limit = _limit(smallest, order, max_order)
    if shells is None:
        return split_on_any_surface(scan, view, k, relative, limit, order, progress), depth
    split = split_on_shells(scan, view, k, shells, limit, order)
    progress(len(k))
    return split, depth


def _limit(points_per_layer: int, order: int | None, max_order: int | None) -> int:
    """The highest order to try. Raises ScanDataError when the points cannot carry the order, or order 1."""
    limit = int(np.sqrt(points_per_layer / POINTS_PER_MODE)) - 1
    asked = 1 if order is None else order
    if limit < asked:
        needed = int(np.ceil(mode_count(asked) * POINTS_PER_MODE))
        raise ScanDataError(
            f"separating the room at order {asked} needs at least {needed} points in each layer, the scan has "
            f"{points_per_layer}: lower the order or add points"
        )
    return limit if max_order is None or order is not None else min(limit, max_order)


def _separation(scan: Scan, view: View, k: Real, split: Split, depth_m: float, refuse: bool) -> Separation:
    usable = split.noise_gain_db <= MOST_NOISE_GAIN_DB
    if refuse and not np.any(usable):
        best = int(np.argmin(split.noise_gain_db))
        if split.noise_gain_db[best] > ONE_LAYER_NOISE_GAIN_DB:
            raise ScanDataError(ONE_LAYER)
        raise ScanDataError(
            f"layers {1000 * depth_m:.0f} mm apart cannot tell the device from the room at "
            f"{scan.frequency_hz[best]:g} Hz: noise would grow by {split.noise_gain_db[best]:.0f} dB, at most "
            f"{MOST_NOISE_GAIN_DB:g} dB are allowed: scan layers about a tenth of their radius apart, and less "
            "than half a wavelength"
        )
    uncertainty, radius = split.uncertainty, view.scaling_radius_m
    outgoing = Expansion(
        frequency_hz=scan.frequency_hz,
        order=split.order,
        centre_m=np.tile(view.centre_m, (len(k), 1)),
        scaling_radius_m=np.full(len(k), radius),
        wavenumber_rad_m=k,
        coefficients_pa=split.outgoing,
        held_out_db=split.held_out_db,
        far_field_error_db=far_field_error_db(split.outgoing, uncertainty.variance_pa2, k, radius),
        coefficient_variance_pa2=uncertainty.variance_pa2,
        variance_pattern=uncertainty.pattern,
        estimator=np.zeros(len(k), dtype=np.int64),
        points=scan.points,
        drive_voltage_v=scan.setup.drive_voltage_v,
        air_density_kg_m3=density(scan.setup),
    )
    return Separation(outgoing, incoming_db(split, k, radius), split.noise_gain_db, usable)


def _silent(_: int) -> None:
    pass
