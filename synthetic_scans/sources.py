"""Clusters of monopoles and dipoles: a field that is exact at any point, near or far."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Real
from scanproc.records.checked import real_array
from synthetic_scans.phasors import phasor_sums

BLOCK_DISTANCES = 200_000
"""Distances between sources and microphones that are held at one time."""


class Device(Protocol):
    """Anything with an exact field. ``pressure`` (points, F) in Pa, ``far_field`` (directions, F) in Pa·m."""

    def pressure(self, position_m: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike) -> Complex: ...

    def far_field(self, direction: Real, frequency_hz: Real, speed_of_sound_m_s: float) -> Complex: ...


@dataclass(frozen=True)
class Section:
    """A first-order (``q`` None) or second-order analogue filter section with unit pass-band gain."""

    kind: Literal["high_pass", "low_pass"]
    corner_hz: float
    q: float | None = None

    def at(self, frequency_hz: Real) -> Complex:
        s = np.asarray(1j * frequency_hz / self.corner_hz)
        low = 1 + s if self.q is None else 1 + s / self.q + s * s
        top = 1.0 if self.kind == "low_pass" else (s if self.q is None else s * s)
        return np.asarray(top / low, np.complex128)


def linkwitz_riley(kind: Literal["high_pass", "low_pass"], corner_hz: float) -> tuple[Section, Section]:
    """Fourth-order Linkwitz-Riley filter: two equal Butterworth sections (-6 dB at the corner)."""
    section = Section(kind, corner_hz, float(np.sqrt(0.5)))
    return section, section


@dataclass(frozen=True)
class Response:
    """A gain, a delay and filter sections in a row: gain · e^{-jωτ} · Π sections."""

    gain: float = 1.0
    delay_s: float = 0.0
    sections: tuple[Section, ...] = ()

    def at(self, frequency_hz: Real) -> Complex:
        value = self.gain * np.exp(-2j * np.pi * frequency_hz * self.delay_s)
        for section in self.sections:
            value = value * section.at(frequency_hz)
        return np.asarray(value, np.complex128)


@dataclass(frozen=True, eq=False)
class Part:
    """Sources that follow one response, e.g. one diaphragm.

    ``position_m`` (sources, 3); ``monopole_pa_m`` (sources,) pressure times distance; ``dipole_pa_m``
    (sources, 3), a vector along the dipole's axis whose length is the far-field pressure times distance
    there; ``delay_s`` (sources,). ``dipole_response`` acts on the dipoles, ``response`` on the monopoles.
    """

    position_m: Real
    monopole_pa_m: Real
    dipole_pa_m: Real | None = None
    delay_s: Real = field(default_factory=lambda: np.zeros(1))
    response: Response = field(default_factory=Response)
    dipole_response: Response = field(default_factory=Response)

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "position_m", real_array("position_m", self.position_m, ("sources", 3)))
        count = len(self.position_m)
        put(self, "monopole_pa_m", real_array("monopole_pa_m", self.monopole_pa_m, (count,)))
        delay = np.broadcast_to(self.delay_s, (count,))
        put(self, "delay_s", real_array("delay_s", delay, (count,)))
        if self.dipole_pa_m is not None:
            put(self, "dipole_pa_m", real_array("dipole_pa_m", self.dipole_pa_m, (count, 3)))


@dataclass(frozen=True, eq=False)
class Cluster:
    """Sources in free air: p = Σ e^{-jkR}/R · [m + d·n (1 + 1/(jkR))], n the unit vector source to point.

    The second term is the derivative of e^{-jkR}/R along the dipole's axis, over -jk.
    """

    parts: tuple[Part, ...]

    def pressure(self, position_m: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike) -> Complex:
        """Complex pressure (points, F) in Pa; ``speed_of_sound_m_s`` one value or one per point."""
        views = np.asarray(position_m, float)[:, None, :]
        return self.summed(views, np.ones(1), frequency_hz, speed_of_sound_m_s)

    def summed(
        self, views_m: Real, factor: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike
    ) -> Complex:
        """Σ_v factor_v · p(view v): views (points, views, 3), factors (views,) -> (points, F) in Pa.

        A view is the microphone as one mirror image sees it.
        """
        frequency = np.asarray(frequency_hz, float)
        speed = np.broadcast_to(np.asarray(speed_of_sound_m_s, float), (len(views_m),))
        total = np.zeros((len(views_m), len(frequency)), complex)
        for part in self.parts:
            filters = part.response.at(frequency), part.dipole_response.at(frequency)
            for block in _blocks(len(views_m), len(factor) * len(part.position_m)):
                total[block] += _part_pressure(
                    part, views_m[block], factor, frequency, speed[block], *filters
                )
        return total

    def far_field(self, direction: Real, frequency_hz: Real, speed_of_sound_m_s: float) -> Complex:
        """Limit of p·r·e^{+jkr} (directions, F) in Pa·m along unit vectors (directions, 3)."""
        direction = np.asarray(direction, float)
        frequency = np.asarray(frequency_hz, float)
        total = np.zeros((len(direction), len(frequency)), complex)
        for part in self.parts:
            travel = part.delay_s - direction @ part.position_m.T / speed_of_sound_m_s
            weight = np.broadcast_to(part.monopole_pa_m, travel.shape)[..., None]
            total += part.response.at(frequency) * phasor_sums(travel, weight, frequency)[..., 0]
            if part.dipole_pa_m is not None:
                weight = (direction @ part.dipole_pa_m.T)[..., None]
                total += part.dipole_response.at(frequency) * phasor_sums(travel, weight, frequency)[..., 0]
        return total


def _part_pressure(
    part: Part, views: Real, factor: Real, frequency: Real, speed: Real, monopole: Complex, dipole: Complex
) -> Complex:
    """The part's share of ``Cluster.summed``, with its filters (F,) for monopoles and dipoles."""
    apart = views[:, :, None, :] - part.position_m
    distance = np.sqrt(np.einsum("pvsx,pvsx->pvs", apart, apart))
    travel = part.delay_s + distance / speed[:, None, None]
    falling = factor[:, None] / distance
    weights = [falling * part.monopole_pa_m]
    if part.dipole_pa_m is not None:
        along = np.einsum("pvsx,sx->pvs", apart, part.dipole_pa_m) / distance * falling
        weights += [along, along / distance]
    flat = (len(views), -1)
    stacked = np.stack([weight.reshape(flat) for weight in weights], axis=-1)
    sums = phasor_sums(travel.reshape(flat), stacked, frequency)
    total = monopole * sums[..., 0]
    if part.dipole_pa_m is not None:
        total += dipole * (sums[..., 1] + speed[:, None] / (2j * np.pi * frequency) * sums[..., 2])
    return np.asarray(total, np.complex128)


def _blocks(points: int, distances: int) -> Iterator[slice]:
    size = max(1, BLOCK_DISTANCES // distances)
    return (slice(start, start + size) for start in range(0, points, size))


def monopole(position_m: ArrayLike, strength_pa_m: float = 1.0, response: Response | None = None) -> Part:
    """One monopole of the given pressure times distance."""
    return Part(
        np.atleast_2d(np.asarray(position_m, float)),
        np.array([strength_pa_m]),
        response=response or Response(),
    )


def dipole(position_m: ArrayLike, moment_pa_m: ArrayLike) -> Part:
    """One dipole: a vector (3,) along its axis, as long as its far-field pressure times distance."""
    moment = np.atleast_2d(np.asarray(moment_pa_m, float))
    return Part(np.atleast_2d(np.asarray(position_m, float)), np.zeros(1), moment)


def disc(radius_y_m: float, radius_z_m: float, count: int, rim: float = 1.0) -> tuple[Real, Real]:
    """Points (count, 3) spread evenly over an elliptic disc in the plane x = 0, and weights that sum to one.

    The weight falls from the middle to ``rim`` times as much at the rim, as (1 + cos(π ρ)) / 2 does
    (``rim`` 1: a flat piston). Sunflower layout: area in equal shares, golden angle between points.
    """
    index = np.arange(count)
    rho = np.sqrt((index + 0.5) / count)
    turn = index * np.pi * (3 - np.sqrt(5))
    weight = rim + (1 - rim) * (1 + np.cos(np.pi * rho)) / 2
    position = np.column_stack(
        [np.zeros(count), radius_y_m * rho * np.cos(turn), radius_z_m * rho * np.sin(turn)]
    )
    return position, weight / weight.sum()
