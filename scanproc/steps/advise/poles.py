"""Poles that many responses share, against a background of known covariance.

Each response is Σ_p R_p φ_p(f) + background, φ = 1/(1 + jQ(f/f_p - f_p/f)), with the (f_p, Q) of all responses and an
R of each. Given the poles the R follow by generalised least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from scanproc.conventions import Complex, Real
from scanproc.steps.advise.background import Background

LOWEST_Q = 4.0
"""Wider ones are not told from what crossovers and enclosures are meant to do (common practice, no source)."""
PER_DOUBLING, PER_BANDWIDTH = 3, 3
"""Poles tried: per doubling of Q, and per half-power bandwidth."""


def shapes(frequency_hz: Real, pole: Real) -> Complex:
    """φ of poles (poles, 2) of frequency and Q, (F, poles)."""
    ratio = frequency_hz[:, None] / pole[:, 0]
    detuning: Real = pole[:, 1] * (ratio - 1 / ratio)
    return np.asarray(1 / (1 + 1j * detuning), np.complex128)


def tried(frequency_hz: Real) -> Real:
    """Poles (poles, 2) that the frequencies resolve: a bandwidth is no narrower than the widest gap, and lies
    inside."""
    place = np.log(frequency_hz)
    highest = 1 / np.diff(place).max()
    doublings = max(0, int(PER_DOUBLING * np.log2(highest / LOWEST_Q)))
    every = [np.empty((0, 2))]
    for q in LOWEST_Q * 2 ** (np.arange(doublings + 1) / PER_DOUBLING):
        at = np.exp(np.arange(place[0] + 1 / q, place[-1] - 1 / q, 1 / q / PER_BANDWIDTH))
        every.append(np.column_stack([at, np.full(len(at), q)]))
    return np.concatenate(every)


@dataclass(frozen=True, eq=False)
class PoleFit:
    """``strength`` complex (poles, responses) R; ``covariance`` complex (poles, poles) of the R of any one response;
    ``left`` whitened residual (F, responses)."""

    strength: Complex
    covariance: Complex
    left: Complex


def fit_pole(frequency_hz: Real, pole: Real, response: Complex, background: Background) -> PoleFit:
    """The strengths of poles (poles, 2) in responses (responses, F)."""
    column = background.whitened(shapes(frequency_hz, pole))
    wanted = background.whitened(response.T)
    strength = np.linalg.lstsq(column, wanted, rcond=None)[0]
    return PoleFit(strength, np.linalg.inv(column.conj().T @ column), wanted - column @ strength)


def standing(
    frequency_hz: Real, candidate: Real, known: Real, response: Complex, background: Background
) -> Real:
    """|R|² over its variance (candidates, responses), each candidate joining the ``known`` poles alone."""
    column = background.whitened(shapes(frequency_hz, candidate))
    wanted = background.whitened(response.T)
    if len(known):
        basis = np.linalg.qr(background.whitened(shapes(frequency_hz, known)))[0]
        column, wanted = (one - basis @ (basis.conj().T @ one) for one in (column, wanted))
    power = np.maximum(np.sum(np.abs(column) ** 2, axis=0), 1e-300)
    square: Real = np.abs(column.conj().T @ wanted) ** 2 / power[:, None]
    return square


def refined(frequency_hz: Real, pole: Real, response: Complex, background: Background) -> tuple[Real, Real]:
    """Poles (poles, 2) that fit best near those given, and the covariance of log f_p, log Q of each, (poles, 2, 2).

    ``response`` (responses, F) are scaled by the roots of weights that sum to one. The covariance counts as many
    independent responses as the residual within an octave of the pole shows.
    """
    wanted = background.whitened(response.T)

    def left(flat: Real) -> Complex:
        basis = np.linalg.qr(background.whitened(shapes(frequency_hz, np.exp(flat).reshape(-1, 2))))[0]
        rest: Complex = wanted - basis @ (basis.conj().T @ wanted)
        return rest

    start = np.log(pole).ravel()
    room = np.column_stack([0.5 / pole[:, 1], np.full(len(pole), np.log(2))]).ravel()
    low = np.maximum(start - room, np.tile(np.log([frequency_hz[0], LOWEST_Q / 2]), len(pole)))
    high = np.minimum(start + room, np.tile([np.log(frequency_hz[-1]), np.inf], len(pole)))
    found = least_squares(
        lambda flat: left(flat).ravel().view(np.float64),
        start,
        bounds=(low, high),
        max_nfev=15,
    )
    curvature = np.linalg.pinv(2 * found.jac.T @ found.jac)
    rest, place = np.exp(found.x).reshape(-1, 2), np.log2(frequency_hz)
    spread = []
    for index, at in enumerate(np.log2(rest[:, 0])):
        near = left(found.x)[np.abs(place - at) < 0.5]
        total = np.sum(np.abs(near) ** 2)
        alike = total**2 / np.sum(np.abs(near @ near.conj().T) ** 2)
        block = slice(2 * index, 2 * index + 2)
        spread.append(curvature[block, block] * max(1.0, total / len(near)) / alike)
    return rest, np.array(spread)
