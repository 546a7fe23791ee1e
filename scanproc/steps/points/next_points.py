"""Where further points would help a scan most: the largest fall of the far field's variance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import solve_triangular
from scipy.spatial import cKDTree

from scanproc.conventions import Complex, Integer, Real
from scanproc.steps.model.field_model import far_covariance, model_at
from scanproc.steps.points.formula import FarError, noisy_covariance, sphere
from scanproc.steps.points.like_these import layers_like_these
from scanproc.waves.algebra.dense import lower_factor
from scanproc.waves.algebra.least_squares import decibels

CANDIDATES = 600
"""At least so many, or"""
CANDIDATES_PER_POINT = 3
"""so many for each point that is chosen, up to"""
MOST_CANDIDATES = 2000
SAME_PLACE_M = 0.005


@dataclass(frozen=True, eq=False)
class NextPoints:
    """``position_m`` (places, 3) in ``layer`` (places,), most useful first, and ``gain`` (places,): the share of the
    far field's error power that a point there takes away, over that of the median candidate at first. On an evenly
    scanned surface all gains are near one; in a gap they are large. ``error_db`` (bands,) with all of them."""

    position_m: Real
    layer: Integer
    gain: Real
    error_db: Real


def next_points(
    formulas: Sequence[FarError],
    number: int,
    layer: Integer | None = None,
    candidate_m: Real | None = None,
    target_db: float = -np.inf,
) -> NextPoints:
    """The candidates that lower the error most, each chosen as if those before were scanned.

    ``formulas`` of one or more bands of one scan, its points in ``layer`` (points,), count alike by the share of their
    error that goes, until they meet ``target_db``; no more points than that takes. ``candidate_m`` (candidates, 3), by
    default even points on the scan's surface; those scanned already are left out.
    """
    scanned = formulas[0].model.position_m
    candidates, of_layer = _candidates(scanned, layer, number, candidate_m)
    free = cKDTree(scanned).query(candidates)[0] > SAME_PLACE_M
    candidates, of_layer = candidates[free], of_layer[free]
    states = [_state(one, candidates, min(number, len(candidates))) for one in formulas]
    chosen, gain = _greedy(states, min(number, len(candidates)), target_db)
    error = np.array([state.error_db for state in states])
    return NextPoints(candidates[chosen], of_layer[chosen], gain, error)


def _candidates(
    scanned: Real, layer: Integer | None, number: int, candidate_m: Real | None
) -> tuple[Real, Integer]:
    """Positions (candidates, 3) and the layer of each, that of the nearest scanned point where they are given."""
    layers = np.zeros(len(scanned), np.int64) if layer is None else layer
    if candidate_m is not None:
        return candidate_m, layers[cKDTree(scanned).query(candidate_m)[1]]
    wanted = int(np.clip(CANDIDATES_PER_POINT * number, CANDIDATES, MOST_CANDIDATES))
    parts = layers_like_these(scanned, layer, wanted)
    return np.concatenate(parts), np.repeat(np.unique(layers), [len(part) for part in parts])


@dataclass(eq=False)
class _State:
    """One band, given what is scanned: covariance ``among`` the candidates' pressures, noise included, (candidates,
    candidates), and ``far`` (directions, candidates) with the far field, each direction weighted; the far field's
    ``variance``, and ``error_db`` with it.

    A candidate that joins takes a column (candidates,) of a Cholesky factor off ``among``, which itself stays.
    """

    among: Complex
    far: Complex
    variance: float
    error_db: float
    most: int
    own: Real = field(init=False)
    columns: Complex = field(init=False)
    joined: int = 0

    def __post_init__(self) -> None:
        self.own = np.diag(self.among).real.copy()
        self.columns = np.zeros((len(self.among), self.most), dtype=np.complex128)

    def falls(self) -> Real:
        """Share of the variance that one more point takes away, (candidates,)."""
        own = np.maximum(self.own, np.finfo(float).tiny)
        fall: Real = np.sum(np.abs(self.far) ** 2, axis=0) / own / self.variance
        return fall

    def scanned(self, index: int) -> None:
        """A candidate joins the points."""
        left = 1 - float(self.falls()[index])
        self.variance *= left
        self.error_db += float(decibels(np.asarray(left)))
        before = self.columns[:, : self.joined]
        column = (self.among[:, index] - before @ before[index].conj()) / np.sqrt(self.own[index])
        row = self.far[:, index] / np.sqrt(self.own[index])
        self.far = self.far - np.outer(row, column.conj())
        self.own = self.own - np.abs(column) ** 2
        self.columns[:, self.joined] = column
        self.joined += 1


def _state(formula: FarError, candidate_m: Real, most: int) -> _State:
    scanned = len(formula.model.position_m)
    model = model_at(formula.model, np.concatenate([formula.model.position_m, candidate_m]))
    usual = np.full(len(candidate_m), np.mean(formula.noise))
    sound = noisy_covariance(model, formula.weight, np.append(formula.noise, usual))
    direction, solid_angle = sphere()
    cross, _ = far_covariance(model, formula.weight, direction)
    triangle = np.tril(lower_factor(sound[:scanned, :scanned].copy()))
    both = np.concatenate([sound[scanned:, :scanned], cross[:, :scanned]])
    solved = solve_triangular(triangle, both.conj().T, lower=True, check_finite=False)
    ours, fars = solved[:, : len(candidate_m)], solved[:, len(candidate_m) :]
    among = sound[scanned:, scanned:] - ours.conj().T @ ours
    far = (cross[:, scanned:] - fars.conj().T @ ours) * np.sqrt(solid_angle / (4 * np.pi))[:, None]
    return _State(among, far, formula.variance, formula.error_db, most)


def _greedy(states: Sequence[_State], number: int, target_db: float) -> tuple[Integer, Real]:
    """Candidates of the largest mean fall over the bands that still miss the target, and that fall over the median one
    at first."""
    chosen: list[int] = []
    gain: list[float] = []
    usual = 0.0
    while len(chosen) < number:
        missing = [state for state in states if state.error_db > target_db]
        if not missing:
            break
        fall = np.mean([state.falls() for state in missing], axis=0)
        usual = usual or float(np.median(fall))
        fall[chosen] = -1.0
        best = int(np.argmax(fall))
        chosen.append(best)
        gain.append(float(fall[best]) / usual)
        for state in states:
            state.scanned(best)
    return np.array(chosen, dtype=np.int64), np.array(gain)
