"""Outgoing multipoles about a place as columns of the model, in groups of degrees that share a weight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real, mode_degrees
from scanproc.steps.model.box import Box
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial, outgoing_radial

LOW_DEGREES = (
    (0, 1), (2, 3), (4, 5), (6, 7), (8, 9), (10, 11), (12, 14), (15, 17), (18, 20), (21, 24), (25, 28),
)  # fmt: skip
"""Degrees of the multipoles about a place that share one weight.

Chosen by true errors on the demo's horn, the capped sphere and the boundary-element box: groups of three degrees or
more, or none above 14, are up to 3 dB worse."""
LOW_USUAL = (0.05, 0.02, 0.005, 0.001, 5e-4, 3e-4, 2e-4, 1e-4, 5e-5, 3e-5, 3e-5)
PLACE_SHARE = 0.25
"""Sources farther from a place than this share of the box's longest side belong to the surface: higher degrees of a
place than k times that would make sound that another place made."""
MARGIN = 4


@dataclass(frozen=True, eq=False)
class Multipoles:
    """Terms about ``place_m`` (3,): ``last_degree`` of each group, its ``names`` and ``usual`` weights."""

    place_m: Real
    last_degree: tuple[int, ...]
    names: tuple[str, ...]
    usual: tuple[float, ...]

    @property
    def order(self) -> int:
        """The highest degree."""
        return self.last_degree[-1]

    def share(self) -> Real:
        """Which group each mode is in, (groups, modes)."""
        group = np.searchsorted(self.last_degree, mode_degrees(self.order))
        return (group == np.arange(len(self.last_degree))[:, None]).astype(np.float64)

    def columns_at(self, position_m: Real, wavenumber: float, scaling_m: float) -> Complex:
        """Fields at positions (points, 3), scaled at a radius, (points, modes)."""
        offset = position_m - self.place_m
        radius = np.linalg.norm(offset, axis=1)
        radial = outgoing_radial(self.order, wavenumber * radius, wavenumber * scaling_m)
        return real_harmonics(self.order, offset / radius[:, None]) * radial[mode_degrees(self.order)].T

    def far_columns(self, direction: Real, centre_m: Real, wavenumber: float, scaling_m: float) -> Complex:
        """Far field p·r·e^{jkr} about ``centre_m`` at unit vectors (directions, 3), (directions, modes)."""
        radial = far_radial(self.order, wavenumber, wavenumber * scaling_m)[mode_degrees(self.order)]
        turn = np.exp(1j * wavenumber * (direction @ (self.place_m - centre_m)))
        return real_harmonics(self.order, direction) * radial * turn[:, None]


def low_multipoles(places_m: Real, wavenumber: float, scanned_m: Real, box: Box) -> list[Multipoles]:
    """Low degrees about the places (places, 3).

    Only groups that end by k times the reach of a place, and by about k times the distance of the nearest point: nearer
    than degree over k a field of that degree rises so steeply that no driver makes it, and one near point would decide
    on the weight.
    """
    found = []
    of_place = wavenumber * PLACE_SHARE * float(box.size_m.max()) + MARGIN
    for number, place in enumerate(places_m, start=1):
        near = wavenumber * float(np.linalg.norm(scanned_m - place, axis=1).min())
        count = max(1, sum(high <= min(near + 1, of_place) for _, high in LOW_DEGREES))
        names = tuple(f"multipoles {low} to {high} about place {number}" for low, high in LOW_DEGREES[:count])
        last = tuple(high for _, high in LOW_DEGREES[:count])
        found.append(Multipoles(place, last, names, LOW_USUAL[:count]))
    return found
