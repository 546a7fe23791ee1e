"""How far-field responses vary over frequency where nothing resonates: a Gaussian process learnt from them.

Responses of all directions, their delays taken out, are draws of one process. Its covariance has four parts: what
filters and drivers do (smooth over the logarithm of frequency, Matérn 5/2) times what parts of the device at
different places do (delays spread like a Gaussian); what arrives late (delays spread like a Cauchy distribution:
reflections left in, diffraction); what the model misses; and the error bars. All sizes are learnt by the evidence.
The longer sound is found to linger in general, the less a narrow peak means.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cholesky, solve_triangular
from scipy.optimize import minimize

from scanproc.conventions import Real

STARTS = tuple(np.log([0.5, spread_s, 1.0, 1e-3, 1e-3, 1e-6]) for spread_s in (5e-5, 3e-4, 1.5e-3))
"""Where the search for the logarithms of the sizes starts: octaves, s, share, share, s, share."""
FIRST_TRIES, TRIES = 60, 120


@dataclass(frozen=True, eq=False)
class Background:
    """``lower`` (F, F): Cholesky factor of the covariance; ``sizes``: logarithms of what was learnt."""

    lower: Real
    sizes: Real

    def whitened(self, value: np.ndarray) -> np.ndarray:
        """Columns (F, columns) made white with variance one."""
        whole: np.ndarray = solve_triangular(self.lower, value, lower=True)
        return whole


def learn(frequency_hz: Real, spread: Real, noise: Real) -> Background:
    """The process of most evidence.

    ``spread`` (rows, F): any real matrix M with MᵀM = Re Σ w y yᴴ over directions of weights w that sum to one.
    ``noise`` (F,): variance of the error bars.
    """
    gap = _Gaps.of(frequency_hz)

    def misfit(sizes: Real) -> float:
        try:
            lower = cholesky(gap.covariance(sizes) + np.diag(noise), lower=True)
        except LinAlgError:
            return 1e300
        white = solve_triangular(lower, spread.T, lower=True)
        return float(2 * np.sum(np.log(np.diag(lower))) + np.sum(white**2))

    start = min((_search(misfit, one, FIRST_TRIES) for one in STARTS), key=misfit)
    sizes = _search(misfit, start, TRIES)
    return Background(cholesky(gap.covariance(sizes) + np.diag(noise), lower=True), sizes)


@dataclass(frozen=True, eq=False)
class _Gaps:
    octaves: Real
    hertz: Real

    @classmethod
    def of(cls, frequency_hz: Real) -> _Gaps:
        octave = np.log2(frequency_hz)
        return cls(np.abs(octave[:, None] - octave), np.abs(frequency_hz[:, None] - frequency_hz))

    def covariance(self, sizes: Real) -> Real:
        reach, spread_s, main, late, late_s, missed = np.exp(sizes)
        x = np.sqrt(5) * self.octaves / reach
        smooth = (1 + x + x * x / 3) * np.exp(-x - (2 * np.pi * spread_s * self.hertz) ** 2 / 2)
        lingers = np.exp(-2 * np.pi * late_s * self.hertz)
        whole: Real = main * smooth + late * lingers + missed * np.eye(len(x))
        return whole


def _search(misfit: object, start: Real, tries: int) -> Real:
    corner = np.vstack([start, start + 0.7 * np.eye(len(start))])
    ways = {"maxfev": tries, "xatol": 0.05, "fatol": 0.5, "initial_simplex": corner}
    found: Real = minimize(misfit, start, method="Nelder-Mead", options=ways).x
    return found
