"""Gaussian regression on fields: evidence, exact leave-one-out, posterior variance.

Data p ~ CN(0, K), all circular complex, K = Σ_b w_b K_b + a diagonal of noise. The posterior of any other value u of
the same field has the mean k(u)ᴴK⁻¹p and the variance k(u, u) - k(u)ᴴK⁻¹k(u) (Rasmussen and Williams 2006, ch. 2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.linalg import cho_solve, lapack
from scipy.optimize import minimize

from scanproc.conventions import Complex, Integer, Real
from scanproc.waves.algebra.dense import (
    gram_of_columns,
    gram_of_rows,
    inverse_from,
    inverse_of_lower,
    lower_factor,
    row_power,
    solve_rows,
    whole_of,
)

NOISE_FLOOR = 1e-9
"""Smallest noise variance relative to the data's mean square."""
LARGEST_WEIGHT = 1e2
SMALLEST_WEIGHT = 1e-9
BLOCK_SPREAD = 2.0
"""Natural log of the factor by which a block's weight usually departs from what is usual for it."""
NOISE_SPREAD = 4.0
NEGLIGIBLE_SHARE = 1e-3
"""Of the noise: what a reduced covariance may leave out."""
SMALLEST_PIVOT = 1e-13
PIVOTS_AT_ONCE = 64
USUAL_COUNT = 10
"""The predicted variance counts for as much as so many points left out."""


class Factor(Protocol):
    """K = sound + noise, factorised."""

    def solve(self, data: Complex) -> tuple[Complex, Real]:
        """K⁻¹ data (points,), and the diagonal of K⁻¹ (points,)."""
        ...

    def variance(self, cross: Complex, prior: Real) -> Real:
        """Posterior variance (values,) of values with covariance ``cross`` (values, points) with the data.

        ``prior`` (values,): their variance before. ``cross`` may be lost.
        """
        ...

    def covariance(self, chosen: Integer | slice = slice(None)) -> Complex:
        """K between some of the points, (chosen, chosen), whole."""
        ...

    def joint_variance(self, cross: Complex, prior: Complex) -> Complex:
        """Posterior variance with what the values share: ``prior`` and what comes back are (values, values)."""
        ...


@dataclass(frozen=True, eq=False)
class WholeFactor:
    """``triangle``: the lower Cholesky factor of K (points, points); what stands above the diagonal is not read."""

    triangle: Complex

    def solve(self, data: Complex) -> tuple[Complex, Real]:
        inverse = inverse_of_lower(self.triangle)
        return ((inverse @ data).conj() @ inverse).conj(), row_power(inverse.T)

    def variance(self, cross: Complex, prior: Real) -> Real:
        return np.maximum(prior - row_power(solve_rows(self.triangle, cross, overwrite=True)), 0)

    def covariance(self, chosen: Integer | slice = slice(None)) -> Complex:
        return whole_of(gram_of_rows(np.tril(self.triangle)[chosen]))

    def joint_variance(self, cross: Complex, prior: Complex) -> Complex:
        told = solve_rows(self.triangle, cross)
        left: Complex = prior - told @ told.conj().T
        return left


@dataclass(frozen=True, eq=False)
class ReducedFactor:
    """Sound that few points tell: it is B Bᴴ, K = B Bᴴ + Λ, to within a small part of the noise.

    ``half`` (points, r) is Λ^-½ B; ``root`` (points,) Λ^½; ``pivot`` (r,) the points whose sound tells all others',
    ``pivot_triangle`` (r, r) the lower factor of its covariance; ``triangle`` (r, r) that of I + Bᴴ Λ⁻¹ B.
    """

    half: Complex
    root: Real
    pivot: Integer
    pivot_triangle: Complex
    triangle: Complex

    def solve(self, data: Complex) -> tuple[Complex, Real]:
        scaled = data / self.root
        inner = cho_solve((self.triangle, True), self.half.conj().T @ scaled, check_finite=False)
        spread = np.minimum(row_power(solve_rows(self.triangle, self.half.copy(), overwrite=True)), 1 - 1e-12)
        return (scaled - self.half @ inner) / self.root, (1 - spread) / self.root**2

    def variance(self, cross: Complex, prior: Real) -> Real:
        """By the values' covariance with the pivots' sound, so that nothing large is taken from nothing larger."""
        feature = solve_rows(self.pivot_triangle, np.ascontiguousarray(cross[:, self.pivot]))
        untold = np.maximum(prior - row_power(feature), 0)
        return untold + row_power(solve_rows(self.triangle, feature))

    def covariance(self, chosen: Integer | slice = slice(None)) -> Complex:
        root = self.root[chosen]
        heard = whole_of(gram_of_rows(self.half[chosen] * root[:, None]))
        heard[np.diag_indices(len(heard))] += root**2
        return heard

    def joint_variance(self, cross: Complex, prior: Complex) -> Complex:
        feature = solve_rows(self.pivot_triangle, np.ascontiguousarray(cross[:, self.pivot]))
        told = solve_rows(self.triangle, feature.copy())
        left: Complex = prior - feature @ feature.conj().T + told @ told.conj().T
        return left


@dataclass(frozen=True, eq=False)
class Regression:
    """``solved`` (points,) K⁻¹p, and per point the leave-one-out error and its own predicted variance.

    ``held_out`` complex (points,) e_i = [K⁻¹p]_i/[K⁻¹]_ii; ``held_out_variance`` (points,) 1/[K⁻¹]_ii (Rasmussen and
    Williams 2006, sec. 5.4.2).
    """

    solved: Complex
    held_out: Complex
    held_out_variance: Real
    factor: Factor

    def variance(self, cross: Complex, prior: Real) -> Real:
        """As :meth:`Factor.variance`."""
        return self.factor.variance(cross, prior)

    def joint_variance(self, cross: Complex, prior: Complex) -> Complex:
        """As :meth:`Factor.joint_variance`."""
        return self.factor.joint_variance(cross, prior)

    @property
    def calibration(self) -> float:
        """Factor on the posterior's variance by what leaving points out shows.

        Power over power: points of large variance, near gaps, tell most about the far field's error. Few such points
        tell little, so the factor is drawn towards one.
        """
        variance = self.held_out_variance
        shown = float(np.sum(np.abs(self.held_out) ** 2) / np.sum(variance))
        count = float(np.sum(variance) ** 2 / np.sum(variance**2))
        return (count * shown + USUAL_COUNT) / (count + USUAL_COUNT)


def regress(factor: Factor, data: Complex) -> Regression:
    """The regression of ``data`` (points,)."""
    solved, diagonal = factor.solve(data)
    return Regression(solved, solved / diagonal, 1 / diagonal, factor)


def whole_factor(covariance: Complex) -> WholeFactor:
    """Of K (points, points), which is overwritten. Raises LinAlgError when it is not positive definite."""
    return WholeFactor(lower_factor(covariance))


def reduced_factor(
    columns: Callable[[Integer], Complex], prior: Real, noise: Real, most: int
) -> ReducedFactor | None:
    """K from a few of its columns: ``columns`` of points' indices (n,) gives the sound's covariance (points, n).

    ``prior`` (points,) is its diagonal, ``noise`` (points,) the noise's. Points are taken in a random order, some at
    a time (a Cholesky factor with pivots, Higham 2002, sec. 10.3), until what they leave of all points' variance is
    ``NEGLIGIBLE_SHARE`` of the noise. None where ``most`` points do not suffice.
    """
    points = len(prior)
    order = np.random.default_rng(0).permutation(points)
    found = np.zeros((points, most), dtype=np.complex128, order="F")
    pivot: list[int] = []
    left, rank, start = prior.copy(), 0, 0
    while np.mean(left) > NEGLIGIBLE_SHARE * np.mean(noise):
        block = order[start : start + PIVOTS_AT_ONCE]
        start += PIVOTS_AT_ONCE
        block = block[left[block] > NEGLIGIBLE_SHARE * noise[block]]
        if rank + len(block) > most or start >= points:
            return None
        if not len(block):
            continue
        own = columns(block) - found[:, :rank] @ found[block, :rank].conj().T
        factor, at, kept, _ = lapack.zpstrf(own[block], tol=SMALLEST_PIVOT * float(prior.max()), lower=1)
        chosen = at[:kept] - 1
        triangle = np.tril(factor)[:kept, :kept]
        new = solve_rows(triangle, np.ascontiguousarray(own[:, chosen]), overwrite=True)
        found[:, rank : rank + kept] = new
        pivot += block[chosen].tolist()
        left, rank = np.maximum(left - row_power(new), 0), rank + kept
    root = np.sqrt(noise)
    half = np.ascontiguousarray(found[:, :rank] / root[:, None])
    inner = gram_of_columns(half)
    inner[np.diag_indices(rank)] += 1
    chosen_points = np.array(pivot, dtype=np.int64)
    pivots = np.tril(found[chosen_points, :rank])
    return ReducedFactor(half, root, chosen_points, pivots, np.tril(lower_factor(inner)))


@dataclass(frozen=True, eq=False)
class Problem:
    """``kernels`` complex (blocks, points, points), the covariance of each block for weight one; ``data`` (points,)."""

    kernels: Complex
    data: Complex


@dataclass(frozen=True, eq=False)
class Weights:
    """``block`` (blocks,) and ``noise``: variances relative to the mean square of the data; the log ``evidence`` for
    them where they were learnt, up to a constant that the number of data sets."""

    block: Real
    noise: float
    evidence: float = np.nan


def learn_weights(
    problems: Sequence[Problem], usual: Weights, spread: Real | float = BLOCK_SPREAD, *, iterations: int = 100
) -> Weights:
    """Block weights and noise that maximise the evidence, pooled over problems of like frequency.

    ``usual`` weights and noise are the middle of a broad log-normal prior, which keeps the search from following
    chance when the points are few; ``spread``: of the blocks' natural logarithms (blocks,), or of all. Each problem's
    data are scaled to a mean square of one first. L-BFGS over log weights with the exact gradient: K is a sum of
    matrices made once, so that a step costs a Cholesky factor.
    """
    expected = np.log(np.append(usual.block, usual.noise))
    spreads = np.append(np.broadcast_to(spread, usual.block.shape), NOISE_SPREAD)
    scaled = [Problem(p.kernels, p.data / np.sqrt(np.mean(np.abs(p.data) ** 2))) for p in problems]

    def loss(log_weight: Real) -> tuple[float, Real]:
        weight = np.exp(log_weight)
        off = (log_weight - expected) / spreads
        value, slope = 0.5 * float(off @ off), off / spreads
        for problem in scaled:
            one, one_slope = misfit(problem, weight)
            value += one
            slope += one_slope * weight
        return value, slope

    bounds = [(np.log(SMALLEST_WEIGHT), np.log(LARGEST_WEIGHT))] * len(usual.block)
    bounds.append((np.log(NOISE_FLOOR), np.log(LARGEST_WEIGHT)))
    found = minimize(
        loss,
        np.clip(expected, *np.transpose(bounds)),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": iterations, "maxfun": 2 * iterations, "ftol": 1e-5},
    )
    weight = np.exp(found.x)
    return Weights(weight[:-1], float(weight[-1]), -float(found.fun))


def misfit(problem: Problem, weight: Real) -> tuple[float, Real]:
    """-log evidence (up to a constant) and its slope over ``weight`` (blocks + 1,), the noise's last.

    ∂log|K|/∂w_b = tr(K⁻¹K_b) and ∂(pᴴK⁻¹p)/∂w_b = -sᴴK_b s with s = K⁻¹p (Rasmussen and Williams 2006, sec. 5.4).
    """
    count, points = len(problem.kernels), len(problem.data)
    flat = problem.kernels.reshape(count, -1).view(np.float64)
    covariance = (weight[:-1] @ flat).view(np.complex128).reshape(points, points)
    covariance[np.diag_indices(points)] += weight[-1]
    triangle = lower_factor(covariance)
    logarithm = 2 * float(np.sum(np.log(np.diag(triangle).real)))
    inverse = inverse_from(triangle)
    solved = inverse @ problem.data
    slope = inverse - np.outer(solved, solved.conj())
    value = logarithm + float(np.real(np.vdot(problem.data, solved)))
    by_block = flat @ np.ascontiguousarray(slope).reshape(-1).view(np.float64)
    return value, np.append(by_block, np.trace(slope).real)
