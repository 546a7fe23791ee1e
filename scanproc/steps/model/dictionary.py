"""Fields that a device of known place and size can radiate: sources on its surface, a rigid cabinet, multipoles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, lapack

from scanproc.conventions import Complex, Real, mode_count
from scanproc.steps.model.box import Box, Surface, box_surface, edge_nearness
from scanproc.steps.model.multipoles import Multipoles, low_multipoles
from scanproc.waves.algebra.dense import gram_of_columns, gram_of_rows, lower_factor
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import spherical_bessel, spherical_hankel

SOURCES_PER_WAVELENGTH = 4.0
FEWEST_PER_SIDE = 6
"""Of the box's smallest side. Eight gave 0.03 dB on the fleet's choosing half; five lose up to 5 dB near the box."""
LARGEST_RIGID = 1000
"""Sources inside a rigid cabinet at most;"""
FEWEST_RIGID = 2.6
"""where these are fewer to a wavelength the surface is left to loose sources."""
FEWEST_PER_WAVELENGTH = 2.4
"""Loose sources on the surface are this dense, or as dense as ``LARGEST_SURFACE`` allows."""
LARGEST_SURFACE = 600
LARGEST_PATCH = 300
"""Sources of a fine patch about each place, for waves too short for a rigid cabinet."""
CELLS_PER_SOURCE_SPACING = 1.3
"""Cells of the rigid cabinet are finer than the sources inside it by this factor in each direction."""
INSET_SHARE = 0.1
"""Sources sit inside the surface by this share of the smallest side."""
PATCH_RADIUS_SHARE = 0.10
"""Radius of a driver's patch as a share of the box's longest side."""
NEGLIGIBLE = 1e-9
"""Cells that move by less than this share of the power of those that move most are left out."""
KEPT_VARIANCE = 1e-7
"""Combinations of sources that hold less than this share of a block's largest variance are left out."""


@dataclass(frozen=True, eq=False)
class Dictionary:
    """Columns: fields of single sources, of combinations of sources, then multipoles.

    ``source_m`` (S, 3); ``mixture`` complex (sources of a rigid cabinet, combinations), the strengths of the leading
    sources in each combination;
    ``multipoles`` about the places.
    ``share`` (blocks, M): how each block's variance is spread over the columns, before it is scaled to the mean
    level at the points. ``usual`` (blocks,): the weight a block is expected to have.
    """

    source_m: Real
    mixture: Complex
    multipoles: tuple[Multipoles, ...]
    share: Real
    names: tuple[str, ...]
    usual: Real


@dataclass(frozen=True, eq=False)
class _Part:
    """Columns with their blocks of variances: ``share`` (blocks, columns)."""

    share: Real
    names: tuple[str, ...]
    usual: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class RigidAnswer:
    """Sources inside a rigid cabinet: ``strength`` complex (sources, cells) for a unit normal velocity of each cell."""

    source: Surface
    cells: Surface
    strength: Complex
    wavenumber: float

    def field(self, position_m: Real, slope: Complex | Real) -> Complex:
        """Fields at positions (points, 3) for normal derivatives (cells, fields) on the surface, (points, fields)."""
        return point_sources(self.source.position_m, position_m, self.wavenumber) @ (self.strength @ slope)


def point_sources(source_m: Real, position_m: Real, wavenumber: float) -> Complex:
    """e^{-jkR}/R from sources (S, 3) to positions (points, 3), (points, S)."""
    distance = np.sqrt(squared_distance(position_m, source_m))
    return _phasor(-wavenumber * distance) / distance


def rigid_answer(box: Box, wavenumber: float, scanned_m: Real) -> RigidAnswer | None:
    """The cabinet's answer, or None where the waves are too short for so few sources."""
    if not is_rigid(box, wavenumber):
        return None
    spacing = _rigid_spacing(box, 2 * np.pi / wavenumber)
    source = box_surface(box, spacing, INSET_SHARE * float(box.size_m.min()), scanned_m)
    cells = box_surface(box, spacing / CELLS_PER_SOURCE_SPACING, 0.0, scanned_m)
    return RigidAnswer(
        source, cells, _strengths_of_velocity(source.position_m, cells, wavenumber), wavenumber
    )


def make_dictionary(
    box: Box, places_m: Real, wavenumber: float, scanned_m: Real, rigid: RigidAnswer | None
) -> Dictionary:
    """The dictionary at a wave number; ``places_m`` (places, 3): where sound may leave above all, one or more.

    Blocks: sources all over the surface, on its edges and near the places, each on its own; the surface of a rigid
    cabinet of the box's shape that vibrates anywhere, or only near one of the places; multipoles about the places.
    """
    inset = INSET_SHARE * float(box.size_m.min())
    places = np.atleast_2d(places_m)
    multipoles = low_multipoles(places, wavenumber, scanned_m, box)
    if rigid is not None:
        parts = _rigid(rigid, box, places)
        return _assembled(rigid.source.position_m, [_loose(rigid.source, box, places)], parts, multipoles)
    wavelength = 2 * np.pi / wavenumber
    spacing = max(wavelength / FEWEST_PER_WAVELENGTH, np.sqrt(box.area_m2 / LARGEST_SURFACE))
    source = box_surface(box, float(spacing), inset, scanned_m)
    patch = _nearest(box_surface(box, wavelength / 3, inset, scanned_m), places)
    position = np.concatenate([source.position_m, patch.position_m])
    loose = [_loose(source, box, places), _loose_patch(patch, box, places)]
    return _assembled(position, loose, [], multipoles)


def is_rigid(box: Box, wavenumber: float) -> bool:
    """Whether the surface is a rigid cabinet's at a wave number, or loose sources with a fine patch about each place: a
    block's weight means something else in either."""
    wavelength = 2 * np.pi / wavenumber
    return _rigid_spacing(box, wavelength) <= wavelength / FEWEST_RIGID


def columns_at(dictionary: Dictionary, position_m: Real, wavenumber: float, scaling_m: float) -> Complex:
    """Fields of all columns at positions (points, 3), (points, M); multipoles are scaled at the radius given."""
    columns = np.empty((len(position_m), dictionary.share.shape[1]), dtype=np.complex128)
    count = len(dictionary.source_m)
    distance = np.sqrt(squared_distance(position_m, dictionary.source_m))
    sources = _phasor(-wavenumber * distance, columns[:, :count])
    sources /= distance
    start = count + dictionary.mixture.shape[1]
    columns[:, count:start] = _combined(dictionary, sources)
    for one in dictionary.multipoles:
        part = columns[:, start : start + mode_count(one.order)]
        part[...] = one.columns_at(position_m, wavenumber, scaling_m)
        start += part.shape[1]
    return columns


def level_shares(dictionary: Dictionary, columns: Complex) -> Real:
    """``share`` scaled so that each block alone gives a mean square of one at the points, (blocks, M)."""
    power = np.einsum("ij,ij->j", columns.real, columns.real) + np.einsum(
        "ij,ij->j", columns.imag, columns.imag
    )
    return dictionary.share * len(columns) / (dictionary.share @ power)[:, None]


def far_columns(
    dictionary: Dictionary, direction: Real, centre_m: Real, wavenumber: float, scaling_m: float
) -> Complex:
    """Far field p·r·e^{jkr} of all columns about ``centre_m`` at unit vectors (directions, 3), (directions, M)."""
    sources = _phasor(wavenumber * (direction @ (dictionary.source_m - centre_m).T))
    multipoles = [
        one.far_columns(direction, centre_m, wavenumber, scaling_m) for one in dictionary.multipoles
    ]
    return np.concatenate([sources, _combined(dictionary, sources), *multipoles], axis=1)


def source_coefficients(
    source_m: Real, strength: Complex, order: int, centre_m: Real, wavenumber: float, scaling_m: float
) -> Complex:
    """Outgoing coefficients about ``centre_m`` of sources (S, 3) together, (modes,), in the scaling of Expansion.

    ``strength`` (S,). A source at d gives e^{-jkR}/R = -4πjk Σ j_n(kd) h_n(kr) Y_nm(d) Y_nm (DLMF 10.60.1 and .2,
    14.30.9).
    """
    offset = source_m - centre_m
    radius = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    mantissa, exponent = spherical_bessel(order, wavenumber * radius)
    size, size_exponent = spherical_hankel(order, wavenumber * scaling_m)
    weighted = np.ldexp(mantissa * np.abs(size), exponent + size_exponent) * strength
    harmonics = real_harmonics(order, offset / radius[:, None]).T
    coefficients = np.empty(mode_count(order), dtype=np.complex128)
    for n in range(order + 1):
        block = slice(n * n, (n + 1) ** 2)
        coefficients[block] = harmonics[block] @ weighted[n]
    return -4j * np.pi * wavenumber * coefficients


def _rigid_spacing(box: Box, wavelength: float) -> float:
    least = np.sqrt(box.area_m2 / LARGEST_RIGID)
    return float(max(min(wavelength / SOURCES_PER_WAVELENGTH, box.size_m.min() / FEWEST_PER_SIDE), least))


def _loose(source: Surface, box: Box, places_m: Real) -> _Part:
    """Every source on its own: anywhere, near the edges, near the places."""
    edges = edge_nearness(box, source.position_m, 0.08 * float(box.size_m.min()))
    area = source.area_m2
    shares = [area, area * edges, area * _nearness(source.position_m, box, places_m)]
    return _Part(np.array(shares), ("surface", "edges", "sources near the places"), (0.01, 0.003, 0.01))


def _loose_patch(source: Surface, box: Box, places_m: Real) -> _Part:
    """Fine sources about the places, for wavelengths that the whole surface is too coarse for."""
    share = source.area_m2 * _nearness(source.position_m, box, places_m)
    return _Part(share[None], ("fine patch",), (0.3,))


def _rigid(rigid: RigidAnswer, box: Box, places_m: Real) -> list[tuple[Complex, _Part]]:
    """A rigid cabinet whose surface moves here or there: strengths of the sources inside that give the velocity.

    The method of fundamental solutions (Fairweather, Karageorghis and Martin 2003): least squares on the normal
    derivative at the cells. Velocities that are independent from cell to cell then give strengths with a
    covariance, whose leading directions are the combinations.
    """
    cells = rigid.cells
    moving = [("rigid cabinet", 0.3, cells.area_m2)]
    for number, place in enumerate(places_m, start=1):
        nearness = _nearness(cells.position_m, box, place[None])
        moving.append((f"rigid cabinet near place {number}", 0.5 / len(places_m), cells.area_m2 * nearness))
    parts = []
    for name, usual, area in moving:
        heard = area > NEGLIGIBLE * area.max()
        mixture = _leading(rigid.strength[:, heard] * np.sqrt(area[heard]))
        parts.append((mixture, _Part(np.ones((1, mixture.shape[1])), (name,), (usual,))))
    return parts


def _strengths_of_velocity(source_m: Real, cells: Surface, wavenumber: float) -> Complex:
    """Strengths (S, cells) of the sources for unit normal velocity of each cell, in the least-squares sense."""
    offset = cells.position_m[:, None, :] - source_m[None, :, :]
    distance = np.sqrt(np.einsum("ijk,ijk->ij", offset, offset))
    outward = np.einsum("ijk,ik->ij", offset, cells.normal) / distance
    slope = -(1j * wavenumber + 1 / distance) * np.exp(-1j * wavenumber * distance) / distance * outward
    slope *= np.sqrt(cells.area_m2)[:, None]
    gram = gram_of_columns(slope)
    gram[np.diag_indices(len(gram))] += 1e-5 * np.trace(gram).real / len(gram)
    right = (slope * np.sqrt(cells.area_m2)[:, None]).conj().T
    return cho_solve((lower_factor(gram), True), right, check_finite=False)


def _leading(strengths: Complex) -> Complex:
    """Combinations (S, few) with the same covariance as the given columns, to within ``KEPT_VARIANCE``.

    Pivoted Cholesky factor of the covariance (Higham 2002, sec. 10.3).
    """
    covariance = gram_of_rows(strengths)
    largest = float(np.max(np.diag(covariance).real))
    factor, pivot, rank, _ = lapack.zpstrf(covariance, tol=KEPT_VARIANCE * largest, lower=1)
    leading = np.tril(factor)[:, :rank]
    combinations = np.empty_like(leading)
    combinations[pivot - 1] = leading
    return combinations


def _nearness(position_m: Real, box: Box, places_m: Real) -> Real:
    """Sum of Gaussians about the places, (positions,)."""
    width = PATCH_RADIUS_SHARE * float(box.size_m.max())
    return np.exp(-0.5 * squared_distance(position_m, places_m) / width**2).sum(axis=1) + 1e-12


def _nearest(surface: Surface, places_m: Real) -> Surface:
    squared = squared_distance(surface.position_m, places_m)
    chosen = np.unique(np.argsort(squared, axis=0, kind="stable")[:LARGEST_PATCH])
    return Surface(surface.position_m[chosen], surface.normal[chosen], surface.area_m2[chosen])


def _combined(dictionary: Dictionary, sources: Complex) -> Complex:
    """Fields of the combinations from those of the single sources, (rows, combinations)."""
    return sources[:, : len(dictionary.mixture)] @ dictionary.mixture


def source_strengths(dictionary: Dictionary, strength: Complex) -> tuple[Complex, list[Complex]]:
    """Strengths of columns as those of the single sources (S,) and of each of the multipoles (modes,)."""
    count, combinations = len(dictionary.source_m), dictionary.mixture.shape[1]
    sources = strength[:count].copy()
    sources[: len(dictionary.mixture)] += dictionary.mixture @ strength[count : count + combinations]
    sizes = [mode_count(one.order) for one in dictionary.multipoles]
    return sources, np.split(strength[count + combinations :], np.cumsum(sizes)[:-1])


def _assembled(
    position: Real, loose: list[_Part], rigid: list[tuple[Complex, _Part]], multipoles: list[Multipoles]
) -> Dictionary:
    parts = loose + [part for _, part in rigid]
    blocks = [part.share for part in parts] + [one.share() for one in multipoles]
    share = np.zeros((sum(len(b) for b in blocks), sum(b.shape[1] for b in blocks)))
    row = column = 0
    for block in blocks:
        share[row : row + len(block), column : column + block.shape[1]] = block
        row, column = row + len(block), column + block.shape[1]
    together: list[_Part | Multipoles] = [*parts, *multipoles]
    names = [name for one in together for name in one.names]
    usual = [value for one in together for value in one.usual]
    mixture = np.concatenate([np.empty((0, 0))] if not rigid else [m for m, _ in rigid], axis=1).astype(
        np.complex128
    )
    return Dictionary(position, mixture, tuple(multipoles), share, tuple(names), np.array(usual))


def _phasor(phase: Real, out: Complex | None = None) -> Complex:
    """e^{j phase}: sine and cosine apart are faster than a complex exponential."""
    phasor = np.empty(phase.shape, dtype=np.complex128) if out is None else out
    np.cos(phase, out=phasor.real)
    np.sin(phase, out=phasor.imag)
    return phasor


def squared_distance(first: Real, second: Real) -> Real:
    """(rows of first, rows of second) squared distances."""
    squared: Real = (
        np.sum(first**2, axis=1)[:, None] + np.sum(second**2, axis=1)[None, :] - 2 * first @ second.T
    )
    return np.maximum(squared, 0)
