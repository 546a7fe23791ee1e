"""Gaussian regression against dense algebra that shares no code with it."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.waves.algebra.gaussian_fit import (
    Problem,
    Weights,
    learn_weights,
    misfit,
    reduced_factor,
    regress,
    whole_factor,
)

POINTS, COLUMNS = 40, 70
WEIGHT, NOISE = np.array([0.5, 0.05]), 0.01


def circular(rng: np.random.Generator, *shape: int) -> np.ndarray:
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def drawn(seed: int, points: int = POINTS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns (points, M), two overlapping blocks of them (2, M), and data drawn with the weights and noise above."""
    rng = np.random.default_rng(seed)
    columns = circular(rng, points, COLUMNS)
    block = np.zeros((2, COLUMNS))
    block[0, : COLUMNS // 2] = 1
    block[1, COLUMNS // 3 :] = 1
    strength = np.sqrt(WEIGHT @ block) * circular(rng, COLUMNS)
    return columns, block, columns @ strength + np.sqrt(NOISE) * circular(rng, points)


def kernels(columns: np.ndarray, block: np.ndarray) -> np.ndarray:
    return np.array([(columns * share) @ columns.conj().T for share in block])


def covariance(columns: np.ndarray, block: np.ndarray) -> np.ndarray:
    return np.tensordot(WEIGHT, kernels(columns, block), 1) + NOISE * np.eye(len(columns))


def test_posterior_equals_dense_algebra() -> None:
    columns, block, data = drawn(1)
    whole = covariance(columns, block)
    found = regress(whole_factor(whole.copy()), data)
    inverse = np.linalg.inv(whole)
    np.testing.assert_allclose(found.solved, inverse @ data, atol=1e-10)
    functional = circular(np.random.default_rng(5), 6, COLUMNS)
    variance = WEIGHT @ block
    cross, prior = (functional * variance) @ columns.conj().T, np.abs(functional) ** 2 @ variance
    want = prior - np.einsum("ij,jk,ik->i", cross, inverse, cross.conj()).real
    np.testing.assert_allclose(found.variance(cross.copy(), prior), want, rtol=1e-9)


def test_leave_one_out_equals_refits() -> None:
    columns, block, data = drawn(2)
    whole = covariance(columns, block)
    found = regress(whole_factor(whole.copy()), data)
    for left_out in (0, 17, POINTS - 1):
        kept = np.delete(np.arange(POINTS), left_out)
        towards = np.linalg.solve(whole[np.ix_(kept, kept)], whole[kept, left_out])
        predicted = towards.conj() @ data[kept]
        assert abs(found.held_out[left_out] - (data[left_out] - predicted)) < 1e-10
        left = whole[left_out, left_out] - whole[left_out, kept] @ towards
        assert found.held_out_variance[left_out] == pytest.approx(left.real)


def test_calibration_is_one_on_average_and_follows_errors_that_are_larger() -> None:
    """Data from the model itself; then the same with ten times the power."""
    found = []
    for seed in range(60):
        columns, block, data = drawn(100 + seed)
        found.append(regress(whole_factor(covariance(columns, block)), data).calibration)
    assert np.mean(found) == pytest.approx(1.0, abs=0.06)
    columns, block, data = drawn(3, 200)
    assert regress(whole_factor(covariance(columns, block)), np.sqrt(10) * data).calibration > 7


def test_evidence_and_its_slope() -> None:
    columns, block, data = drawn(4)
    given = Problem(kernels(columns, block), data)
    weight = np.array([0.3, 0.1, 0.02])

    def dense(log_weight: np.ndarray) -> float:
        w = np.exp(log_weight)
        kernel = columns * (w[:2] @ block) @ columns.conj().T + w[2] * np.eye(POINTS)
        quadratic = np.vdot(data, np.linalg.solve(kernel, data)).real
        return float(np.linalg.slogdet(kernel)[1] + quadratic)

    value, slope = misfit(given, weight)
    assert value == pytest.approx(dense(np.log(weight)), rel=1e-10)
    for axis in range(3):
        step = 1e-5 * np.eye(3)[axis]
        numeric = (dense(np.log(weight) + step) - dense(np.log(weight) - step)) / 2e-5
        assert slope[axis] * weight[axis] == pytest.approx(numeric, rel=1e-5)


def test_weights_come_back() -> None:
    rng = np.random.default_rng(8)
    block = np.kron(np.eye(2), np.ones(60))
    given = []
    for _ in range(3):
        columns = circular(rng, 150, 120)
        strength = np.sqrt(np.array([1.0, 0.01]) @ block) * circular(rng, 120)
        given.append(
            Problem(kernels(columns, block), columns @ strength + np.sqrt(0.02) * circular(rng, 150))
        )
    found = learn_weights(given, Weights(np.array([0.1, 0.1]), 1e-3), iterations=40)
    assert 10 * np.log10(found.block[0] / found.block[1]) == pytest.approx(20, abs=2)
    assert 10 * np.log10(found.block[0] / found.noise) == pytest.approx(10 * np.log10(1 / 0.02), abs=2)


def test_sound_that_few_points_tell_needs_few_columns() -> None:
    """400 points on 30 fields, each with its own noise: the same numbers as from the whole, from 30 columns."""
    rng = np.random.default_rng(9)
    columns, points = circular(rng, 400, 30), 400
    sound, noise = columns @ columns.conj().T, rng.uniform(0.5e-5, 2e-5, 400)
    data = columns @ circular(rng, 30) + np.sqrt(noise) * circular(rng, points)
    functional = circular(rng, 6, 30)
    cross, prior = functional @ columns.conj().T, np.sum(np.abs(functional) ** 2, axis=1)
    whole = regress(whole_factor(sound + np.diag(noise)), data)
    factor = reduced_factor(lambda chosen: sound[:, chosen], np.diag(sound).real, noise, 200)
    assert factor is not None
    assert len(factor.pivot) == 30
    found = regress(factor, data)
    np.testing.assert_allclose(found.held_out, whole.held_out, atol=1e-6 * np.abs(whole.held_out).max())
    np.testing.assert_allclose(found.held_out_variance, whole.held_out_variance, rtol=1e-6)
    want = np.linalg.inv(np.eye(30) + (columns / noise[:, None]).conj().T @ columns)
    exact = np.einsum("ij,jk,ik->i", functional, want, functional.conj()).real
    np.testing.assert_allclose(found.variance(cross.copy(), prior), exact, rtol=1e-3)


def test_sound_of_too_many_fields_is_not_reduced() -> None:
    rng = np.random.default_rng(10)
    columns = circular(rng, 200, 300)
    sound = columns @ columns.conj().T
    assert reduced_factor(lambda c: sound[:, c], np.diag(sound).real, np.full(200, 1e-4), 100) is None


def test_what_values_share_of_their_errors() -> None:
    """Of 6 values of 30 fields: V - V Aᴴ K⁻¹ A Vᴴ by a dense solver, from the whole and from few columns."""
    rng = np.random.default_rng(11)
    columns, noise = circular(rng, 200, 30), rng.uniform(0.5e-2, 2e-2, 200)
    sound = columns @ columns.conj().T
    functional = circular(rng, 6, 30)
    cross, prior = functional @ columns.conj().T, functional @ functional.conj().T
    exact = prior - cross @ np.linalg.solve(sound + np.diag(noise), cross.conj().T)
    few = reduced_factor(lambda chosen: sound[:, chosen], np.diag(sound).real, noise, 100)
    assert few is not None
    for factor in (whole_factor(sound + np.diag(noise)), few):
        found = regress(factor, columns[:, 0])
        np.testing.assert_allclose(found.joint_variance(cross, prior), exact, atol=1e-3 * np.abs(exact).max())
        alone = found.variance(cross.copy(), np.diag(prior).real)
        np.testing.assert_allclose(np.diag(found.joint_variance(cross, prior)).real, alone, rtol=1e-6)
