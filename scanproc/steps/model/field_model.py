"""Everything that reaches the microphone at one frequency as a sum of Gaussian fields.

p = device + room + noise, p ~ CN(0, K), K = Σ_b w_b K_b + noise. The device: sources on its surface, a rigid cabinet,
multipoles about places, and always every degree about its middle, so that nothing outgoing is impossible.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_count
from scanproc.steps.model.box import Box
from scanproc.steps.model.degrees import Degrees, all_degrees
from scanproc.steps.model.dictionary import (
    LARGEST_PATCH,
    LARGEST_SURFACE,
    Dictionary,
    RigidAnswer,
    columns_at,
    far_columns,
    level_shares,
    make_dictionary,
    rigid_answer,
)
from scanproc.steps.model.multipoles import LOW_DEGREES
from scanproc.steps.model.room_waves import RoomSound, Scattering, room_sound
from scanproc.waves.algebra.dense import gram_of_rows, row_power, whole_of
from scanproc.waves.algebra.gaussian_fit import (
    BLOCK_SPREAD,
    NEGLIGIBLE_SHARE,
    Factor,
    reduced_factor,
    whole_factor,
)

ROOM = "room"
USUAL_ROOM = 0.05
ROOM_SPREAD = 4.0
"""As the noise's: there may be no room at all."""
FEW_POINTS = 400
"""So few are factorised whole."""
MARGIN_ORDERS = 6
SINGLE_TIMES = 300.0
"""Times the noise: columns that together are quieter are multiplied in single precision. With 4,000 points that rounds
by about 1e-4 of them in the norm, a thirtieth of the noise, which moves a predicted error by less than 1e-3 dB."""


@dataclass(frozen=True, eq=False)
class Device:
    """Where sound can come from: the box, and places (places, 3) where it leaves above all."""

    box: Box
    place_m: Real


@dataclass(frozen=True, eq=False)
class FieldModel:
    """What can be heard at ``position_m`` (points, 3) at one wave number.

    ``columns`` complex (points, M) are the dictionary's fields there, ``share`` (blocks, M) how each block spreads its
    variance over them; ``degrees`` and ``room`` have a block each, or several, without columns of their own. Each block
    of weight one has a mean square of one at the points of the scan. ``rigid`` and ``scattering`` make the room's.
    """

    position_m: Real
    wavenumber: float
    device: Device
    scaling_m: float
    dictionary: Dictionary
    columns: Complex
    share: Real
    degrees: Degrees
    room: RoomSound | None
    rigid: RigidAnswer | None = None
    scattering: Scattering | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Of all blocks."""
        return (*self.dictionary.names, *self.degrees.names, *((ROOM,) if self.room else ()))

    @property
    def usual(self) -> Real:
        """The weight that each block is expected to have, (blocks,)."""
        room = [USUAL_ROOM] if self.room else []
        return np.concatenate([self.dictionary.usual, self.degrees.usual, room])

    @property
    def spread(self) -> Real:
        """By which factor each block's weight usually departs from that, natural logarithm, (blocks,)."""
        spread = np.full(len(self.names), BLOCK_SPREAD)
        if self.room:
            spread[-1] = ROOM_SPREAD
        return spread

    def weights(self, named: Mapping[str, float]) -> Real:
        """Weights of the blocks (blocks,) by name; a block without one takes what is usual."""
        return np.array([named.get(name, usual) for name, usual in zip(self.names, self.usual, strict=True)])


def make_model(
    position_m: Real, wavenumber: float, device: Device, scattering: Scattering | None = None
) -> FieldModel:
    """The model at positions (points, 3); with a ``scattering`` the room is part of it."""
    box = device.box
    rigid = rigid_answer(box, wavenumber, position_m)
    dictionary = make_dictionary(box, device.place_m, wavenumber, position_m, rigid)
    scaling = float(np.median(np.linalg.norm(position_m - box.centre_m, axis=1)))
    columns = columns_at(dictionary, position_m, wavenumber, scaling)
    return FieldModel(
        position_m,
        wavenumber,
        device,
        scaling,
        dictionary,
        columns,
        level_shares(dictionary, columns),
        all_degrees(box, wavenumber, position_m),
        None if scattering is None else room_sound(box, wavenumber, position_m, rigid, scattering),
        None if scattering is None else rigid,
        scattering,
    )


def model_at(model: FieldModel, position_m: Real) -> FieldModel:
    """The same sound at other positions (points, 3): each block is as loud as it is at the model's own points."""
    k, room = model.wavenumber, None
    if model.scattering is not None:
        room = room_sound(model.device.box, k, position_m, model.rigid, model.scattering)
    columns = columns_at(model.dictionary, position_m, k, model.scaling_m)
    return replace(model, position_m=position_m, columns=columns, room=room)


def model_columns(points: int, places: int = 1) -> int:
    """About the most columns that a model has, for estimates of time and memory; K itself counts as one a point."""
    return LARGEST_SURFACE + (LARGEST_PATCH + mode_count(LOW_DEGREES[-1][1])) * places + points


def block_kernels(model: FieldModel, chosen: Integer | slice) -> Complex:
    """Covariance of each block of weight one between some of the points, (blocks, points, points)."""
    columns, kernels = model.columns[chosen], []
    for share in model.share:
        used = np.flatnonzero(share)
        kernels.append(whole_of(gram_of_rows(np.ascontiguousarray(columns[:, used] * np.sqrt(share[used])))))
    kernels += model.degrees.kernels(model.position_m[chosen])
    if model.room is not None:
        kernels.append(model.room.covariance(chosen, chosen))
    return np.array(kernels)


def covariance(model: FieldModel, weight: Real, noise: float = 0.0, *, whole: bool = True) -> Complex:
    """Covariance of the sound between all points for weights of the blocks, (points, points).

    Columns that together hold less than ``NEGLIGIBLE_SHARE`` of a ``noise``, a variance re the mean square of the
    pressures, are left out, and those of less than ``SINGLE_TIMES`` of it are multiplied in single precision; without
    a noise all is exact. Not ``whole``: what stands above the diagonal means nothing.
    """
    of_columns, of_degrees, of_room = split(model, weight)
    heard = of_columns * row_power(model.columns.T) / len(model.columns)
    rising = np.argsort(heard)
    below = np.searchsorted(np.cumsum(heard[rising]), np.array([NEGLIGIBLE_SHARE, SINGLE_TIMES]) * noise)
    quiet, loud = np.sort(rising[below[0] : below[1]]), np.sort(rising[below[1] :])
    total = gram_of_rows(model.columns[:, loud] * np.sqrt(of_columns[loud]))
    if len(quiet):
        total += gram_of_rows(
            model.columns[:, quiet].astype(np.complex64) * np.sqrt(of_columns[quiet]).astype(np.float32)
        )
    if whole:
        total = whole_of(total)
    total += model.degrees.covariance(of_degrees, model.position_m, model.position_m)
    if model.room is not None and of_room > 0:
        total += of_room * model.room.covariance()
    return total


def covariance_with(model: FieldModel, weight: Real, chosen: Integer) -> Complex:
    """The same between all points and some of them (indices), (points, chosen)."""
    of_columns, of_degrees, of_room = split(model, weight)
    total: Complex = model.columns @ (model.columns[chosen].conj() * of_columns).T
    total += model.degrees.covariance(of_degrees, model.position_m, model.position_m[chosen])
    if model.room is not None and of_room > 0:
        total += of_room * model.room.covariance(slice(None), chosen)
    return total


def variance_at_points(model: FieldModel, weight: Real) -> Real:
    """Of the sound at each point, before any is heard, (points,)."""
    of_columns, of_degrees, of_room = split(model, weight)
    total = row_power(model.columns * np.sqrt(of_columns))
    total += model.degrees.variance_at(of_degrees, model.position_m)
    return total if model.room is None else total + of_room * model.room.variance()


def sound_factor(model: FieldModel, weight: Real, noise: Real) -> Factor:
    """Factor of what is heard at the points, their noise (points,) re the mean square of the pressures included.

    Where waves are long few points tell all others' sound, see :func:`reduced_factor`.
    """
    points = len(noise)
    if points > FEW_POINTS and freedom(model) < points / 2:
        found = reduced_factor(
            lambda chosen: covariance_with(model, weight, chosen),
            variance_at_points(model, weight),
            noise,
            points // 2,
        )
        if found is not None:
            return found
    sound = covariance(model, weight, float(np.min(noise)), whole=False)
    sound[np.diag_indices(points)] += noise
    return whole_factor(sound)


def freedom(model: FieldModel) -> float:
    """About how many numbers the sound at the points consists of."""
    box, k = model.device.box, model.wavenumber
    of_device = (k * float(box.reach_m(box.centre_m)) + MARGIN_ORDERS) ** 2
    if model.room is None:
        return of_device
    radius = float(np.linalg.norm(model.position_m - box.centre_m, axis=1).max())
    return of_device + (k * radius + MARGIN_ORDERS) ** 2


def part_of(model: FieldModel, chosen: Integer) -> FieldModel:
    """The model at some of its points (indices)."""
    room = None if model.room is None else model.room.part_of(chosen)
    return replace(model, position_m=model.position_m[chosen], columns=model.columns[chosen], room=room)


def far_covariance(model: FieldModel, weight: Real, direction: Real) -> tuple[Complex, Real]:
    """Of the device's far field about its middle at unit vectors with the points, (directions, points), and its own
    variance (directions,)."""
    of_columns, of_degrees, _ = split(model, weight)
    far = far_columns(
        model.dictionary, direction, model.device.box.centre_m, model.wavenumber, model.scaling_m
    )
    cross = (far * of_columns) @ model.columns.conj().T
    cross += model.degrees.far_covariance(of_degrees, direction, model.position_m)
    return cross, np.abs(far) ** 2 @ of_columns + model.degrees.far_variance(of_degrees)


def far_prior(model: FieldModel, weight: Real, direction: Real) -> Complex:
    """Of the device's far field between unit vectors, before any point is heard, (directions, directions)."""
    of_columns, of_degrees, _ = split(model, weight)
    middle, k = model.device.box.centre_m, model.wavenumber
    far = far_columns(model.dictionary, direction, middle, k, model.scaling_m) * np.sqrt(of_columns)
    return far @ far.conj().T + model.degrees.far_prior(of_degrees, direction)


def split(model: FieldModel, weight: Real) -> tuple[Real, Real, float]:
    """Variances of the columns (M,), weights of the degrees' groups, of the room."""
    blocks, groups = len(model.share), len(model.degrees.names)
    room = float(weight[blocks + groups]) if model.room is not None else 0.0
    return weight[:blocks] @ model.share, weight[blocks : blocks + groups], room
