"""Gaussian regression on fields: evidence, exact leave-one-out, posterior variance.

Data p ~ CN(0, K), all circular complex, K = Σ_b w_b K_b + a diagonal of noise. The posterior of any other value u of
the same field has the mean k(u)ᴴK⁻¹p and the variance k(u, u) - k(u)ᴴK⁻¹k(u) (Rasmussen and Williams 2006, ch. 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve
from scipy.optimize import minimize

from scanproc.conventions import Complex, Real
from scanproc.waves.dense import inverse_from, lower_factor, row_power, solve_rows

NOISE_FLOOR = 1e-9
"""Smallest noise variance relative to the data's mean square."""
LARGEST_WEIGHT = 1e2
SMALLEST_WEIGHT = 1e-9
BLOCK_SPREAD = 2.0
"""Natural log of the factor by which a block's weight usually departs from what is usual for it."""
NOISE_SPREAD = 4.0
USUAL_COUNT = 10
"""The predicted variance counts for as much as so many points left out."""


@dataclass(frozen=True, eq=False)
class Regression:
    """``solved`` (points,) K⁻¹p, and per point the leave-one-out error and its own predicted variance.

    ``held_out`` complex (points,) e_i = [K⁻¹p]_i/[K⁻¹]_ii; ``held_out_variance`` (points,) 1/[K⁻¹]_ii (Rasmussen and
    Williams 2006, sec. 5.4.2). ``triangle``: the lower Cholesky factor of K.
    """

    solved: Complex
    held_out: Complex
    held_out_variance: Real
    triangle: Complex

    def variance(self, cross: Complex, prior: Real) -> Real:
        """Posterior variance (values,) of values with covariance ``cross`` (values, points) with the data.

        ``prior`` (values,): their variance before. ``cross`` is lost.
        """
        return np.maximum(prior - row_power(solve_rows(self.triangle, cross, overwrite=True)), 0)

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


def regress(covariance: Complex, data: Complex) -> Regression:
    """The regression of ``data`` (points,) with the covariance K (points, points), which is overwritten.

    Raises LinAlgError when K is not positive definite.
    """
    triangle = np.tril(lower_factor(covariance))
    solved = cho_solve((triangle, True), data, check_finite=False)
    diagonal = np.diag(inverse_from(triangle.copy())).real
    return Regression(solved, solved / diagonal, 1 / diagonal, triangle)


def posterior_variance(covariance: Complex, cross: Complex, prior: Real) -> Real:
    """Posterior variance (values,) as :meth:`Regression.variance`; it needs no data. Both matrices are lost."""
    triangle = np.tril(lower_factor(covariance))
    return np.maximum(prior - row_power(solve_rows(triangle, cross, overwrite=True)), 0)


@dataclass(frozen=True, eq=False)
class Problem:
    """``kernels`` complex (blocks, points, points), the covariance of each block for weight one; ``data`` (points,)."""

    kernels: Complex
    data: Complex


@dataclass(frozen=True, eq=False)
class Weights:
    """``block`` (blocks,) and ``noise``: variances relative to the mean square of the data."""

    block: Real
    noise: float


def learn_weights(problems: Sequence[Problem], usual: Weights, *, iterations: int = 30) -> Weights:
    """Block weights and noise that maximise the evidence, pooled over problems of like frequency.

    ``usual`` weights and noise are the middle of a broad log-normal prior, which keeps the search from following
    chance when the points are few. Each problem's data are scaled to a mean square of one first. L-BFGS over log
    weights with the exact gradient: K is a sum of matrices made once, so that a step costs a Cholesky factor.
    """
    expected = np.log(np.append(usual.block, usual.noise))
    spread = np.append(np.full(len(usual.block), BLOCK_SPREAD), NOISE_SPREAD)
    scaled = [Problem(p.kernels, p.data / np.sqrt(np.mean(np.abs(p.data) ** 2))) for p in problems]

    def loss(log_weight: Real) -> tuple[float, Real]:
        weight = np.exp(log_weight)
        off = (log_weight - expected) / spread
        value, slope = 0.5 * float(off @ off), off / spread
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
    return Weights(weight[:-1], float(weight[-1]))


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
