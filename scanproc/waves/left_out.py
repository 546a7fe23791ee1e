"""Errors of nested least-squares fits at points that took no part in them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

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


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Errors e at left-out points for every truncation, (orders, columns): ``power`` Σ|e_i|², and ``noise_power`` the
    mean of |e_i|²/v_i, v_i the variance of e_i if the data were the fit's field plus white noise of variance one."""

    power: Real
    noise_power: Real


def errors_elsewhere(fit: NestedFit, columns: Integer, rows: Real | Complex, data: Complex) -> LeftOut:
    """Errors at points that the fit has not seen; v_i = 1 + |row_i|².

    ``columns``: which of the fit's data; ``rows`` from :func:`solved_rows` and ``data`` (points, columns) there.
    """
    power = np.empty((len(fit.ends), len(columns)))
    noise = np.empty_like(power)
    variance = np.ones(len(rows))
    for index, block, error in _errors(fit, columns, rows, data):
        variance += np.sum(np.abs(rows[:, block]) ** 2, axis=1)
        power[index] = _column_power(error)
        noise[index] = _column_power(error / np.sqrt(variance)[:, None]) / len(rows)
    return LeftOut(power, noise)


def errors_with_neighbours(
    fit: NestedFit, columns: Integer, rows: Real | Complex, data: Complex, group: Integer
) -> LeftOut:
    """Errors at the tested points, each left out together with its group; v_i = [(I - H_gg)⁻¹]_ii.

    ``group`` (tests, members): the fit's points, the tested one first; it stands in for members that do not
    exist. Without a set g of points its residuals r_g become (I - H_gg)⁻¹ r_g, exactly (the block form of Allen
    1974). ``rows`` and ``data`` are at the fit's own points.
    """
    present = np.ones(group.shape, dtype=bool)
    present[:, 1:] = group[:, 1:] != group[:, :1]
    together = present[:, :, None] & present[:, None, :]
    free = np.tile(np.eye(group.shape[1], dtype=rows.dtype), (len(group), 1, 1))
    power = np.empty((len(fit.ends), len(columns)))
    noise = np.empty_like(power)
    for index, block, residual in _errors(fit, columns, rows, data):
        part = rows[:, block][group]
        free -= np.where(together, part @ part.conj().swapaxes(1, 2), 0)
        first = np.linalg.inv(free)[:, 0, :] * present
        error = np.einsum("tg,tgf->tf", first, residual[group])
        power[index] = _column_power(error)
        noise[index] = _column_power(error / np.sqrt(first[:, :1].real)) / len(group)
    return LeftOut(power, noise)


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
