"""Blocks of complex columns made orthonormal in single precision: against numpy.linalg.qr in double."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import LinAlgError

from scanproc.waves.algebra.three_products import COLUMNS_AT_ONCE, FEWEST_COLUMNS, orthogonalised_in_single

ROUNDING = float(np.finfo(np.float32).eps)


def columns(count: int, order: str = "F") -> np.ndarray:
    """Complex columns of very different lengths, told apart well."""
    rng = np.random.default_rng(count)
    parts = rng.standard_normal((2, 4 * count, count))
    return np.asarray((parts[0] + 1j * parts[1]) * 10.0 ** rng.uniform(-3, 3, count), order=order)


@pytest.mark.parametrize("count", [1, 300, FEWEST_COLUMNS + 1, 3 * COLUMNS_AT_ONCE, 3 * COLUMNS_AT_ONCE + 1])
def test_factors_are_those_of_reflections(count: int) -> None:
    """To some tens of single precision's rounding, each column relative to its length."""
    basis = columns(count)
    orthogonal, triangle = orthogonalised_in_single(basis)
    assert orthogonal.dtype == triangle.dtype == np.complex64
    assert not np.any(np.tril(triangle, -1))
    length = np.linalg.norm(basis, axis=0)
    assert np.abs((orthogonal @ triangle - basis) / length).max() < 30 * ROUNDING
    assert np.abs(orthogonal.conj().T @ orthogonal - np.eye(count)).max() < 30 * ROUNDING
    truth = np.linalg.qr(basis, mode="r")
    turned = truth * (np.abs(np.diag(truth)) / np.diag(truth))[:, None]
    assert np.abs((triangle - turned) / length).max() < 30 * ROUNDING


@pytest.mark.parametrize("count", [300, FEWEST_COLUMNS + 60])
def test_rows_in_one_piece_serve_as_well(count: int) -> None:
    by_columns, by_rows = (orthogonalised_in_single(columns(count, order)) for order in ("F", "C"))
    np.testing.assert_allclose(by_rows[0], by_columns[0], atol=30 * ROUNDING)


@pytest.mark.parametrize("again", [3, FEWEST_COLUMNS + 50])
def test_a_column_told_twice_is_refused(again: int) -> None:
    """Within one block and across blocks."""
    basis = columns(FEWEST_COLUMNS + 60)
    basis[:, again] = basis[:, 1]
    with pytest.raises(LinAlgError):
        orthogonalised_in_single(basis)
