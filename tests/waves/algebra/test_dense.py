"""Dense products and solves against NumPy, and two threads at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.linalg import LinAlgError

from scanproc.waves.algebra.dense import (
    gram_of_columns,
    gram_of_rows,
    inverse_from,
    inverse_of_lower,
    inverse_of_upper,
    lower_factor,
    reciprocal_condition,
    row_power,
    solve_rows,
)


def drawn(kind: str, *shape: int, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    real = rng.standard_normal(shape)
    found = real if kind.startswith("real") else real + 1j * rng.standard_normal(shape)
    return found.astype({"real": "f", "complex": "F"}[kind.split()[0]]) if kind.endswith("single") else found


KINDS = [("real", 1e-12), ("complex", 1e-12), ("real single", 2e-4), ("complex single", 2e-4)]


@pytest.mark.parametrize(("kind", "near"), KINDS)
@pytest.mark.parametrize("order", ["C", "F"])
def test_products_equal_numpy(kind: str, near: float, order: str) -> None:
    matrix = np.asarray(drawn(kind, 40, 17), order=order)
    want = np.tril(matrix.conj().T @ matrix)
    np.testing.assert_allclose(np.tril(gram_of_columns(matrix, 0.5)), 0.5 * want, atol=near)
    np.testing.assert_allclose(
        row_power(matrix), np.sum(np.abs(matrix) ** 2, axis=1), rtol=1e-4 if near > 1e-6 else near
    )
    np.testing.assert_allclose(np.tril(gram_of_rows(matrix)), np.tril(matrix @ matrix.conj().T), atol=near)


@pytest.mark.parametrize(("kind", "near"), KINDS)
def test_factor_solve_and_inverse_equal_numpy(kind: str, near: float) -> None:
    matrix = drawn(kind, 40, 17)
    whole = matrix.conj().T @ matrix
    lower = np.tril(lower_factor(gram_of_columns(matrix)))
    np.testing.assert_allclose(lower, np.linalg.cholesky(whole), atol=near)
    rows = drawn(kind, 5, 17, seed=1)
    want = np.linalg.solve(lower.conj(), rows.T).T
    np.testing.assert_allclose(solve_rows(lower, rows), want, atol=near)
    np.testing.assert_allclose(solve_rows(lower, np.asfortranarray(rows), overwrite=True), want, atol=near)
    np.testing.assert_allclose(
        inverse_of_upper(np.ascontiguousarray(lower.T)), np.linalg.inv(lower.T), atol=near
    )
    np.testing.assert_allclose(inverse_of_lower(lower + np.triu(whole, 1)), np.linalg.inv(lower), atol=near)
    np.testing.assert_allclose(inverse_from(lower.copy()), np.linalg.inv(whole), atol=near)


def test_no_columns_give_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    np.testing.assert_array_equal(gram_of_rows(np.empty((3, 0), dtype=complex)), np.zeros((3, 3)))
    assert "illegal" not in "".join(capfd.readouterr())


def test_a_row_is_overwritten_only_when_asked() -> None:
    lower, rows = np.eye(3) * 2, np.ones((2, 3))
    solve_rows(lower, rows)
    assert np.all(rows == 1)
    assert np.all(solve_rows(lower, rows, overwrite=True) == 0.5)
    assert np.all(rows == 0.5)


def test_what_is_not_positive_definite_is_told() -> None:
    with pytest.raises(LinAlgError, match="not positive definite"):
        lower_factor(np.diag([1.0, -1.0]))


def test_threads_do_not_disturb_each_other() -> None:
    matrices = [drawn("complex", 200, 150, seed=n) for n in range(8)]
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(gram_of_columns, matrices))
    for product, matrix in zip(found, matrices, strict=True):
        np.testing.assert_allclose(np.tril(product), np.tril(matrix.conj().T @ matrix), atol=1e-11)


@pytest.mark.parametrize(("kind", "near"), KINDS)
def test_the_condition_is_near_that_of_numpy(kind: str, near: float) -> None:
    """LAPACK estimates it from below, rarely by more than a factor of three (Higham 1987, from memory)."""
    upper = np.triu(drawn(kind, 17, 17)) + 3 * np.eye(17, dtype=drawn(kind, 1).dtype)
    want = 1 / np.linalg.cond(upper, 1)
    assert want * (1 - 10 * near) <= reciprocal_condition(upper) <= 3 * want
    upper[5, 5] = 0
    assert reciprocal_condition(upper) == 0


def test_products_of_no_columns_are_zero_and_silent(capfd: pytest.CaptureFixture[str]) -> None:
    """BLAS complains on stderr of a leading dimension of zero."""
    assert not gram_of_rows(np.empty((4, 0), dtype=np.complex128)).any()
    assert capfd.readouterr() == ("", "")
