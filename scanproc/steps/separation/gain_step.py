"""Whether the layers of a scan were taken with the same gain.

A layer scanned after the other with another gain leaves no residual: outgoing and regular terms of one mode are two
numbers for two values, and take up the step. But a room has no fine structure near the device: regular terms of high
degree n from sources at R fall as (r/R)^n (addition theorem). With regular terms up to a low degree only, the layers
are held together by the high degrees of the device, and a common factor of one layer shows. It follows with the
field, as in :mod:`scanproc.steps.check.nuisance`, at low frequencies, where the device's near field has degrees to
spare.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import qr

from scanproc.conventions import Complex, Integer, Real, mode_count
from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.field.view import View, relative_wavenumber, view_from, wavenumbers
from scanproc.steps.separation.layers import LEAST_DEPTH
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial, regular_radial

SIGNIFICANT = 4.0
"""A step counts as found beyond so many standard errors."""
LEAST_DB = 0.005
PRIOR = 0.1
"""How large a relative step may plausibly be."""
INCOMING_ABOVE, OUTGOING_ABOVE = 3, 1
"""Regular terms are fitted up to degree k·r plus the first: images 1.5 m away are then 45 dB down at 0.4 m; outgoing
ones up to the device's order plus the second, since what is left of the device looks like a step."""
MOST_SHARE = 0.8
"""Terms per point beyond which no degree is added."""
MOST_KR = 6.0
"""Frequencies up to this wave number times radius are used."""
FREQUENCIES = 10


@dataclass(frozen=True, eq=False)
class LayerMatch:
    """``gain_db`` of the other layers against the first with ``error_db``, its standard error, (layers - 1,) each.

    ``label`` (layers - 1,) are the labels of those layers.
    """

    label: Integer
    gain_db: Real
    error_db: Real

    @property
    def found(self) -> bool:
        """Whether any layer differs beyond doubt."""
        return bool(np.any(np.abs(self.gain_db) > np.maximum(LEAST_DB, SIGNIFICANT * self.error_db)))

    def words(self) -> str:
        """What was found."""
        rows = zip(self.label, self.gain_db, self.error_db, strict=True)
        return ", ".join(
            f"layer {label} is {gain:+.3f} dB (± {2 * error:.3f}) against the first"
            for label, gain, error in rows
        )


def match_layers(scan: Scan, order: Integer) -> LayerMatch | None:
    """The step between layers at some frequencies of a scan, whose device needs ``order`` (F,).

    None where there is one layer only, or no frequency is low enough.
    """
    label = layers_of(scan.setup)
    view = view_from(scan.setup.position_m, (0.0, 0.0, 0.0))
    k = wavenumbers(scan.setup, scan.frequency_hz)
    use = np.flatnonzero(k * view.scaling_radius_m <= MOST_KR)
    if label is None or not len(use):
        return None
    use = use[np.unique(np.linspace(0, len(use) - 1, min(FREQUENCIES, len(use))).round().astype(int))]
    others = np.unique(label)[1:]
    member = (label[:, None] == others).astype(np.float64)
    pairs = [_equations(scan, view, member, float(k[i]), int(i), int(order[i])) for i in use]
    value, error = _solved(pairs, np.eye(len(others)) / PRIOR**2)
    to_db = 20 / np.log(10)
    return LayerMatch(others, to_db * value, to_db * error)


def layers_of(setup: ScanSetup) -> Integer | None:
    """The layer of each point (points,), told, or seen by a gap in radius; None without."""
    if setup.layer is not None:
        return setup.layer if len(np.unique(setup.layer)) > 1 else None
    radius = np.linalg.norm(setup.position_m, axis=1)
    rising = np.sort(radius)
    gap = int(np.argmax(np.diff(rising)))
    wide = float(rising[gap + 1] - rising[gap])
    if wide < max(0.5 * float(np.ptp(radius)), LEAST_DEPTH * float(np.median(radius))):
        return None
    return np.asarray(radius > rising[gap] + wide / 2, np.int64)


def with_layers_matched(scan: Scan, match: LayerMatch) -> Scan:
    """The pressures as they would have been with the first layer's gain."""
    label = layers_of(scan.setup)
    assert label is not None
    gain = np.zeros(scan.points)
    for other, step in zip(match.label, match.gain_db, strict=True):
        gain[label == other] = step
    return replace(scan, pressure_pa=scan.pressure_pa * 10 ** (-gain / 20)[:, None])


def _equations(
    scan: Scan, view: View, member: Real, wavenumber: float, index: int, order: int
) -> tuple[Real, Real]:
    """Normal matrix and right side of the steps at one frequency, the field eliminated."""
    relative = relative_wavenumber(scan.setup)
    data = scan.pressure_pa[:, index]
    orthogonal = qr(_terms(view, wavenumber, relative, order), mode="economic", check_finite=False)[0]
    field = orthogonal @ (orthogonal.conj().T @ data)
    columns = member * field[:, None]
    columns = columns - orthogonal @ (orthogonal.conj().T @ columns)
    missed = data - field
    free = max(1, len(data) - orthogonal.shape[1])
    variance = max(float(np.sum(np.abs(missed) ** 2)), 1e-20 * float(np.sum(np.abs(data) ** 2))) / free
    return (
        2 * np.real(columns.conj().T @ columns) / variance,
        2 * np.real(columns.conj().T @ missed) / variance,
    )


def _terms(view: View, wavenumber: float, relative: Real, order: int) -> Complex:
    """Outgoing terms up to ``order``, regular ones up to a little above k·r, (points, columns)."""
    incoming = min(order, int(np.ceil(wavenumber * view.scaling_radius_m)) + INCOMING_ABOVE)
    if mode_count(order + OUTGOING_ABOVE) + mode_count(incoming) < MOST_SHARE * len(view.radius_m):
        order += OUTGOING_ABOVE
    harmonics = real_harmonics(order, view.direction)
    kr, scaling = wavenumber * relative * view.radius_m, wavenumber * view.scaling_radius_m
    out = np.repeat(outgoing_radial(order, kr, scaling).T, 2 * np.arange(order + 1) + 1, axis=1)
    into = np.repeat(regular_radial(incoming, kr, scaling).T, 2 * np.arange(incoming + 1) + 1, axis=1)
    return np.concatenate([harmonics * out, harmonics[:, : mode_count(incoming)] * into], axis=1)


def _solved(pairs: list[tuple[Real, Real]], prior: Real) -> tuple[Real, Real]:
    """Values and standard errors; what frequencies disagree about beyond their own errors widens the errors."""
    covariance = np.linalg.inv(prior + np.sum([normal for normal, _ in pairs], axis=0))
    value = covariance @ np.sum([target for _, target in pairs], axis=0)
    square = np.zeros(len(value))
    for normal, target in pairs:
        alone = np.linalg.inv(normal + prior)
        square += (alone @ target - value) ** 2 / np.diag(alone)
    return value, np.sqrt(np.diag(covariance) * np.maximum(1.0, square / max(1, len(pairs) - 1)))
