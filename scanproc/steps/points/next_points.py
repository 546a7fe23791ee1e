"""Where further points would help a scan most: the largest fall of the far field's variance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.spatial import cKDTree

from scanproc.conventions import Complex, Integer, Real
from scanproc.steps.fit.plan import heard_at
from scanproc.steps.model.box import Box
from scanproc.steps.model.field_model import far_covariance, model_at
from scanproc.steps.points.bands import Band, formula_of, tell
from scanproc.steps.points.formula import FarError, noisy_covariance, sphere
from scanproc.steps.points.like_these import like_these
from scanproc.waves.algebra.dense import lower_factor

CANDIDATES = 600
SAME_PLACE_M = 0.005


@dataclass(frozen=True, eq=False)
class NextPoints:
    """``position_m`` (places, 3), most useful first, and ``gain`` (places,): the share of the far field's error power
    that a point there takes away, over that of the median candidate. On an evenly scanned surface all gains are near
    one; in a gap they are large."""

    position_m: Real
    gain: Real


def next_points(bands: Sequence[Band], number: int, candidate_m: Real | None = None) -> NextPoints:
    """The candidates that lower the error most, each chosen as if those before were scanned.

    ``bands`` of one scan count alike, by the share of their error that goes; those that the points do not explain are
    left out. ``candidate_m`` (candidates, 3), by default even points on the scan's surface; those scanned already are
    left out.
    """
    told = [(band, tell(band, ())) for band in bands]
    known = [(band, one) for band, one in told if not one.reason]
    nowhere = NextPoints(np.empty((0, 3)), np.empty(0))
    if not known:
        return nowhere
    scan, plan = bands[0].scan, bands[0].plan
    heard = heard_at(scan, Box(plan.box_centre_m, plan.box_size_m))
    candidates = like_these(heard, scan.setup.layer, CANDIDATES) if candidate_m is None else candidate_m
    candidates = candidates[cKDTree(heard).query(candidates)[0] > SAME_PLACE_M]
    if not len(candidates):
        return nowhere
    states = [_state(formula_of(band, one), candidates) for band, one in known]
    chosen, gain = _greedy(states, number)
    return NextPoints(candidates[chosen], gain)


@dataclass(eq=False)
class _State:
    """Given what is scanned: covariance ``among`` the candidates' pressures, noise included, (candidates, candidates),
    and ``far`` (directions, candidates) with the far field, each direction weighted; the far field's ``variance``."""

    among: Complex
    far: Complex
    variance: float

    def falls(self) -> Real:
        """Share of the variance that one more point takes away, (candidates,)."""
        own = np.maximum(np.diag(self.among).real, np.finfo(float).tiny)
        fall: Real = np.sum(np.abs(self.far) ** 2, axis=0) / own / self.variance
        return fall

    def scanned(self, index: int) -> None:
        """A candidate joins the points (rank-one update)."""
        self.variance *= 1 - float(self.falls()[index])
        column = self.among[:, index] / np.sqrt(self.among[index, index].real)
        row = self.far[:, index] / np.sqrt(self.among[index, index].real)
        self.far = self.far - np.outer(row, column.conj())
        self.among = self.among - np.outer(column, column.conj())


def _state(formula: FarError, candidate_m: Real) -> _State:
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
    return _State(among, far, formula.variance)


def _greedy(states: Sequence[_State], number: int) -> tuple[Integer, Real]:
    """Candidates of the largest mean fall, and that over the median one."""
    chosen: list[int] = []
    gain: list[float] = []
    usual = float(np.median(np.mean([state.falls() for state in states], axis=0)))
    for _ in range(min(number, len(states[0].among))):
        fall = np.mean([state.falls() for state in states], axis=0)
        fall[chosen] = -1.0
        best = int(np.argmax(fall))
        chosen.append(best)
        gain.append(float(fall[best]) / usual)
        for state in states:
            state.scanned(best)
    return np.array(chosen, dtype=np.int64), np.array(gain)
