"""Gaussian regression against dense algebra that shares no code with it."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.waves.gaussian_fit import Problem, Weights, fit_gaussian, learn_weights, make_kernels


def circular(rng: np.random.Generator, *shape: int) -> np.ndarray:
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def problem(points: int, columns: int) -> tuple[Problem, np.ndarray, np.ndarray]:
    """A drawn problem with two overlapping blocks, and the column variances it was drawn with."""
    rng = np.random.default_rng([points, columns])
    field = circular(rng, points, columns)
    block = np.zeros((2, columns))
    block[0, : columns // 2] = 1
    block[1, columns // 3 :] = 1
    variance = np.array([0.5, 0.05]) @ block
    data = field @ (np.sqrt(variance) * circular(rng, columns)) + 0.1 * circular(rng, points)
    return Problem(field, data), block, variance


@pytest.mark.parametrize("shape", [(40, 70), (70, 40)])
def test_posterior_equals_dense_algebra(shape: tuple[int, int]) -> None:
    given, _, variance = problem(*shape)
    found = fit_gaussian(given, variance, 0.01)
    inverse = np.linalg.inv(given.columns * variance @ given.columns.conj().T + 0.01 * np.eye(shape[0]))
    weighted = variance[:, None] * given.columns.conj().T @ inverse
    np.testing.assert_allclose(found.mean, weighted @ given.data, atol=1e-11)
    np.testing.assert_allclose(found.amplitude, np.vdot(given.data, inverse @ given.data).real / shape[0])
    functional = circular(np.random.default_rng(5), 6, shape[1])
    covariance = np.diag(variance) - weighted @ given.columns * variance
    want = np.einsum("ij,jk,ik->i", functional, covariance, functional.conj()).real
    np.testing.assert_allclose(found.functional_variance(functional), want, rtol=1e-9)


@pytest.mark.parametrize("shape", [(40, 70), (70, 40)])
def test_leave_one_out_equals_refits(shape: tuple[int, int]) -> None:
    given, _, variance = problem(*shape)
    found = fit_gaussian(given, variance, 0.01)
    for left_out in (0, 17, shape[0] - 1):
        kept = np.delete(np.arange(shape[0]), left_out)
        columns = given.columns[kept]
        kernel = columns * variance @ columns.conj().T + 0.01 * np.eye(len(kept))
        solved = np.linalg.solve(kernel, given.data[kept])
        predicted = given.columns[left_out] @ (variance * (columns.conj().T @ solved))
        assert abs(found.held_out[left_out] - (given.data[left_out] - predicted)) < 1e-10


@pytest.mark.parametrize("shape", [(40, 70), (70, 40)])
def test_evidence_and_its_slope(shape: tuple[int, int]) -> None:
    drawn, block, _ = problem(*shape)
    given = Problem(drawn.columns, drawn.data / np.sqrt(np.mean(np.abs(drawn.data) ** 2)))
    weight = np.array([0.3, 0.1, 0.02])

    def dense(log_weight: np.ndarray) -> float:
        w = np.exp(log_weight)
        kernel = given.columns * (w[:2] @ block) @ given.columns.conj().T + w[2] * np.eye(shape[0])
        quadratic = np.vdot(given.data, np.linalg.solve(kernel, given.data)).real
        return float(np.linalg.slogdet(kernel)[1] + quadratic)

    value, slope = make_kernels(given, block).misfit(weight)
    assert value == pytest.approx(dense(np.log(weight)), rel=1e-10)
    for axis in range(3):
        step = 1e-5 * np.eye(3)[axis]
        numeric = (dense(np.log(weight) + step) - dense(np.log(weight) - step)) / 2e-5
        assert slope[axis] * weight[axis] == pytest.approx(numeric, rel=1e-5)


def test_weights_come_back() -> None:
    rng = np.random.default_rng(8)
    block = np.kron(np.eye(2), np.ones(60))
    given, blocks = [], []
    for _ in range(3):
        field = circular(rng, 150, 120)
        strength = np.sqrt(np.array([1.0, 0.01]) @ block) * circular(rng, 120)
        data = field @ strength + np.sqrt(0.02) * circular(rng, 150)
        given.append(Problem(field, data))
        blocks.append(block)
    found = learn_weights(given, blocks, Weights(np.array([0.1, 0.1]), 1e-3), iterations=40)
    assert 10 * np.log10(found.block[0] / found.block[1]) == pytest.approx(20, abs=2)
    assert 10 * np.log10(found.block[0] / found.noise) == pytest.approx(10 * np.log10(1 / 0.02), abs=2)
