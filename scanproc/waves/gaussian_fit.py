"""Linear Gaussian regression on a dictionary of fields: evidence, exact leave-one-out, posterior variance.

Data p = A c + noise with c_j ~ CN(0, W_j) and white noise of variance λ, all circular complex. With K = A W Aᴴ + λI
the posterior mean is c = W Aᴴ K⁻¹ p (kernel ridge regression; Rasmussen and Williams 2006, ch. 2). Column variances
are W_j = Σ_b w_b D_bj: blocks that each have one weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, lapack
from scipy.optimize import minimize

from scanproc.conventions import Complex, Real
from scanproc.waves.dense import (
    gram_of_columns,
    gram_of_rows,
    inverse_from,
    lower_factor,
    row_power,
    solve_rows,
)

NOISE_FLOOR = 1e-9
"""Smallest noise variance relative to the data's mean square."""
LARGEST_WEIGHT = 1e2
SMALLEST_WEIGHT = 1e-9
POINTS_AT_ONCE = 512
BLOCK_SPREAD = 2.0
"""Natural log of the factor by which a block's weight usually departs from what is usual for it."""
NOISE_SPREAD = 4.0


@dataclass(frozen=True, eq=False)
class Problem:
    """One set of data on one dictionary: ``columns`` complex (points, M), ``data`` complex (points,)."""

    columns: Complex
    data: Complex


@dataclass(frozen=True, eq=False)
class Weights:
    """``block`` (blocks,) and ``noise``: variances relative to the mean square of the data."""

    block: Real
    noise: float


@dataclass(frozen=True, eq=False)
class GaussianFit:
    """A posterior: ``mean`` (M,), and per point the leave-one-out error and its own predicted variance.

    ``held_out`` complex (points,) e_i = [K⁻¹p]_i/[K⁻¹]_ii; ``held_out_variance`` (points,) 1/[K⁻¹]_ii.
    ``amplitude`` pᴴK⁻¹p/points: by how much the data's own scale exceeds the prior's.
    """

    mean: Complex
    held_out: Complex
    held_out_variance: Real
    amplitude: float
    factor: _Factor

    def functional_variance(self, functional: Complex) -> Real:
        """Posterior variance of f·c for each row of ``functional`` (values, M), for amplitude one."""
        return self.factor.functional_variance(functional)


def fit_gaussian(
    problem: Problem, column_variance: Real, noise: float, *, overwrite: bool = False
) -> GaussianFit:
    """The posterior for given column variances (M,) and noise variance; ``overwrite`` the columns to save memory."""
    factor = _factorise(problem.columns, column_variance, noise, overwrite)
    return factor.fit(problem.data)


def posterior_variance(columns: Complex, column_variance: Real, noise: float, functional: Complex) -> Real:
    """Posterior variance of f·c for each row of ``functional`` (values, M): it needs no data. ``columns`` are lost."""
    return _factorise(columns, column_variance, noise, overwrite=True).functional_variance(functional)


def learn_weights(
    problems: Sequence[Problem],
    blocks: Sequence[Real],
    usual: Weights,
    *,
    start: Weights | None = None,
    iterations: int = 30,
) -> Weights:
    """Block weights and noise that maximise the evidence, pooled over problems of like frequency.

    ``usual`` weights and noise are the middle of a broad log-normal prior, which keeps the search from following
    chance when the points are few.

    ``blocks``: per problem (blocks, M), the share D_bj of each block in each column's variance. Each problem's data
    are scaled to a mean square of one first. L-BFGS over log weights with the exact gradient: K is the sum of one
    matrix for each block, made once, so that a step costs a Cholesky factor and no product with the columns.
    """
    kernels = [make_kernels(problem, block) for problem, block in zip(problems, blocks, strict=True)]

    expected = np.log(np.append(usual.block, usual.noise))
    spread = np.append(np.full(len(usual.block), BLOCK_SPREAD), NOISE_SPREAD)

    def loss(log_weight: Real) -> tuple[float, Real]:
        weight = np.exp(log_weight)
        off = (log_weight - expected) / spread
        value, slope = 0.5 * float(off @ off), off / spread
        for kernel in kernels:
            one, one_slope = kernel.misfit(weight)
            value += one
            slope += one_slope * weight
        return value, slope

    first = expected if start is None else np.log(np.append(start.block, start.noise))
    bounds = [(np.log(SMALLEST_WEIGHT), np.log(LARGEST_WEIGHT))] * len(usual.block)
    bounds.append((np.log(NOISE_FLOOR), np.log(LARGEST_WEIGHT)))
    first = np.clip(first, *np.transpose(bounds))
    found = minimize(
        loss,
        first,
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": iterations, "maxfun": 2 * iterations, "ftol": 1e-5},
    )
    weight = np.exp(found.x)
    return Weights(weight[:-1], float(weight[-1]))


@dataclass(frozen=True, eq=False)
class Kernels:
    """``stack`` complex (blocks + 1, points, points): the covariance that each block gives the data for weight one,
    the noise's last; ``data`` (points,) of mean square one."""

    stack: Complex
    data: Complex

    def misfit(self, weight: Real) -> tuple[float, Real]:
        """-log evidence (up to a constant) and its slope over (weights, noise).

        ∂log|K|/∂w_b = tr(K⁻¹K_b) and ∂(pᴴK⁻¹p)/∂w_b = -sᴴK_b s with s = K⁻¹p (Rasmussen and Williams 2006, sec. 5.4).
        """
        count, points = len(self.stack), len(self.data)
        flat = self.stack.reshape(count, -1).view(np.float64)
        covariance = (weight @ flat).view(np.complex128).reshape(points, points)
        triangle = lower_factor(covariance)
        logarithm = 2 * float(np.sum(np.log(np.diag(triangle).real)))
        inverse = inverse_from(triangle)
        solved = inverse @ self.data
        slope = inverse - np.outer(solved, solved.conj())
        value = logarithm + float(np.real(np.vdot(self.data, solved)))
        return value, flat @ np.ascontiguousarray(slope).reshape(-1).view(np.float64)


def make_kernels(problem: Problem, block: Real) -> Kernels:
    """The covariance of each block (blocks, M), and of white noise, at the points of a problem."""
    points = len(problem.data)
    stack = np.empty((len(block) + 1, points, points), dtype=np.complex128)
    for kernel, share in zip(stack, block, strict=False):
        used = np.flatnonzero(share)
        lower = gram_of_rows(problem.columns[:, used] * np.sqrt(share[used]))
        kernel[...] = np.tril(lower) + np.tril(lower, -1).conj().T
    stack[-1] = np.eye(points)
    return Kernels(stack, problem.data / np.sqrt(np.mean(np.abs(problem.data) ** 2)))


@dataclass(frozen=True, eq=False)
class _Factor:
    """What is common to both ways of factorising: columns times the ``root`` (M,) of their variance, the noise."""

    scaled: Complex
    root: Real
    noise: float
    triangle: Complex

    def functional_variance(self, functional: Complex) -> Real:
        """Posterior variance of f·c for each row, (values,)."""
        raise NotImplementedError


class _ByPoints(_Factor):
    """K itself, (points, points): for fewer points than columns. ``triangle`` is its lower Cholesky factor."""

    def fit(self, data: Complex) -> GaussianFit:
        inverse = _inverse_rows(self.triangle)
        diagonal = row_power(inverse.T)
        solved = cho_solve((self.triangle, True), data, check_finite=False)
        mean = self.root * (solved.conj() @ self.scaled).conj()
        amplitude = float(np.real(np.vdot(data, solved))) / len(data)
        return GaussianFit(mean, solved / diagonal, 1 / diagonal, amplitude, self)

    def functional_variance(self, functional: Complex) -> Real:
        weighted = functional * self.root
        prior = np.sum(weighted.real**2 + weighted.imag**2, axis=1)
        cross = weighted @ self.scaled.conj().T
        return np.maximum(prior - row_power(solve_rows(self.triangle, cross, overwrite=True)), 0)


class _ByColumns(_Factor):
    """B = I + W^½ AᴴA W^½/λ, (M, M): for fewer columns than points. ``triangle`` is its lower Cholesky factor."""

    def fit(self, data: Complex) -> GaussianFit:
        right = (data.conj() @ self.scaled).conj() / self.noise
        mean_scaled = cho_solve((self.triangle, True), right, check_finite=False)
        solved = (data - self.scaled @ mean_scaled) / self.noise
        diagonal = (1 - np.minimum(self._spread() / self.noise, 1 - 1e-12)) / self.noise
        amplitude = float(np.real(np.vdot(data, solved))) / len(data)
        return GaussianFit(self.root * mean_scaled, solved / diagonal, 1 / diagonal, amplitude, self)

    def functional_variance(self, functional: Complex) -> Real:
        return row_power(solve_rows(self.triangle, functional * self.root, overwrite=True))

    def _spread(self) -> Real:
        """Posterior variance at the points, (points,), by blocks to save memory."""
        starts = range(0, len(self.scaled), POINTS_AT_ONCE)
        blocks = [self.scaled[start : start + POINTS_AT_ONCE] for start in starts]
        return np.concatenate([row_power(solve_rows(self.triangle, block)) for block in blocks])


def _factorise(columns: Complex, variance: Real, noise: float, overwrite: bool) -> _ByPoints | _ByColumns:
    points, count = columns.shape
    root = np.sqrt(variance)
    scaled = np.multiply(columns, root, out=columns if overwrite else None)
    if points <= count:
        gram = gram_of_rows(scaled)
        gram[np.diag_indices(points)] += noise
        return _ByPoints(scaled, root, noise, lower_factor(gram))
    gram = gram_of_columns(scaled, 1.0 / noise)
    gram[np.diag_indices(count)] += 1.0
    return _ByColumns(scaled, root, noise, lower_factor(gram))


def _inverse_rows(triangle: Complex) -> Complex:
    """L⁻¹ of the lower Cholesky factor, zero above the diagonal."""
    inverse, _ = lapack.ztrtri(np.tril(triangle), lower=1)
    return inverse
