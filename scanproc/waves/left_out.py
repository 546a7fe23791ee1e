"""Errors of nested least-squares fits at points that took no part in them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.linalg import solve_triangular

from scanproc.conventions import Complex, Integer, Real
from scanproc.waves.least_squares import NestedFit


def solved_rows(fit: NestedFit, basis: Real | Complex) -> Real | Complex:
    """B R⁻¹, (points, columns), for the basis B at any points; at the fit's own points it is Q.

    Each column, times the same row of Qᴴp, is what that column adds to the prediction at each point.
    """
    count = fit.ends[-1]
    rows: Real | Complex = solve_triangular(
        fit.triangle[:count, :count], basis[:, :count].T, trans="T", check_finite=False
    ).T
    return rows


def power_elsewhere(fit: NestedFit, columns: Integer, rows: Real | Complex, data: Complex) -> Real:
    """Σ|p - prediction|² over points that the fit has not seen, for every truncation, (orders, columns).

    ``columns``: which of the fit's data; ``rows`` from :func:`solved_rows` and ``data`` (points, columns) there.
    """
    power = np.empty((len(fit.ends), len(columns)))
    for index, _, error in _errors(fit, columns, rows, data):
        power[index] = _column_power(error)
    return power


def power_with_neighbours(
    fit: NestedFit, columns: Integer, rows: Real | Complex, data: Complex, group: Integer
) -> Real:
    """Σ|e_i|² over the tested points, each left out together with its group, (orders, columns).

    ``group`` (tests, members): the fit's points, the tested one first; it stands in for members that do not
    exist. Without a set g of points its residuals r_g become (I - H_gg)⁻¹ r_g, exactly (the block form of Allen
    1974). ``rows`` and ``data`` are at the fit's own points.
    """
    present = np.ones(group.shape, dtype=bool)
    present[:, 1:] = group[:, 1:] != group[:, :1]
    together = present[:, :, None] & present[:, None, :]
    free = np.tile(np.eye(group.shape[1], dtype=rows.dtype), (len(group), 1, 1))
    power = np.empty((len(fit.ends), len(columns)))
    for index, block, residual in _errors(fit, columns, rows, data):
        part = rows[:, block][group]
        free -= np.where(together, part @ part.conj().swapaxes(1, 2), 0)
        first = np.linalg.inv(free)[:, 0, :] * present
        power[index] = _column_power(np.einsum("tg,tgf->tf", first, residual[group]))
    return power


def _errors(
    fit: NestedFit, columns: Integer, rows: Real | Complex, data: Complex
) -> Iterator[tuple[int, slice, Complex]]:
    """Data less prediction of each truncation: its number, its last block of columns, (points, columns)."""
    error: Complex = np.array(data, order="C")
    starts = (0, *fit.ends[:-1])
    for index, (start, end) in enumerate(zip(starts, fit.ends, strict=True)):
        block = slice(start, end)
        _subtract(error, rows[:, block], fit.projection[block][:, columns])
        yield index, block, error


def _subtract(error: Complex, rows: Real | Complex, projection: Complex) -> None:
    """error -= rows·projection, without complex products where the rows are real."""
    if np.isrealobj(rows):
        product: Complex = (rows @ np.ascontiguousarray(projection).view(np.float64)).view(np.complex128)
    else:
        product = rows @ projection
    error -= product


def _column_power(values: Complex) -> Real:
    power: Real = np.sum(values.real**2 + values.imag**2, axis=0)
    return power
