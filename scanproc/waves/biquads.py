"""Second-order filters of the Audio EQ Cookbook (W3C Working Group Note, 2021; R. Bristow-Johnson), from memory."""

from __future__ import annotations

from typing import Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Real

Kind: TypeAlias = Literal[
    "low_pass", "high_pass", "band_pass", "notch", "all_pass", "peaking", "low_shelf", "high_shelf"
]
KINDS: tuple[Kind, ...] = get_args(Kind)


def biquad(
    kind: Kind, frequency_hz: float, q: float, gain_db: float, sampling_rate_hz: float
) -> tuple[Real, Real]:
    """Numerator and denominator in z^-1, each (3,). The gain counts for peaking and shelving filters only."""
    omega = 2 * np.pi * frequency_hz / sampling_rate_hz
    cosine, alpha = np.cos(omega), np.sin(omega) / (2 * q)
    if kind in ("low_shelf", "high_shelf"):
        return _shelf(1 if kind == "low_shelf" else -1, cosine, alpha, 10 ** (gain_db / 40))
    boost = 10 ** (gain_db / 40)
    plain = np.array([1 + alpha, -2 * cosine, 1 - alpha])
    top = {
        "low_pass": [(1 - cosine) / 2, 1 - cosine, (1 - cosine) / 2],
        "high_pass": [(1 + cosine) / 2, -(1 + cosine), (1 + cosine) / 2],
        "band_pass": [alpha, 0, -alpha],  # 0 dB at the middle
        "notch": [1, -2 * cosine, 1],
        "all_pass": [1 - alpha, -2 * cosine, 1 + alpha],
        "peaking": [1 + alpha * boost, -2 * cosine, 1 - alpha * boost],
    }[kind]
    if kind == "peaking":
        plain = np.array([1 + alpha / boost, -2 * cosine, 1 - alpha / boost])
    return np.array(top, dtype=np.float64), plain


def q_of_slope(slope: float, gain_db: float) -> float:
    """Q of a shelf from the cookbook's slope S (1: as steep as it can be while rising steadily)."""
    boost = 10 ** (gain_db / 40)
    return float(1 / np.sqrt((boost + 1 / boost) * (1 / slope - 1) + 2))


def response(numerator: Real, denominator: Real, frequency_hz: ArrayLike, sampling_rate_hz: float) -> Complex:
    """Frequency response (F,) of a filter in z^-1, z = e^{jω/f_s}."""
    back = np.exp(-2j * np.pi * np.asarray(frequency_hz, dtype=np.float64) / sampling_rate_hz)
    top: Complex = np.polynomial.polynomial.polyval(back, numerator)
    bottom: Complex = np.polynomial.polynomial.polyval(back, denominator)
    return top / bottom


def _shelf(side: int, cosine: float, alpha: float, boost: float) -> tuple[Real, Real]:
    """Low shelf for ``side`` 1, high shelf for -1."""
    root, up, down = 2 * np.sqrt(boost) * alpha, boost + 1, side * (boost - 1)
    top = [
        boost * (up - down * cosine + root),
        2 * boost * (down - up * cosine),
        boost * (up - down * cosine - root),
    ]
    bottom = [up + down * cosine + root, -2 * (down + up * cosine), up + down * cosine - root]
    return np.array(top), np.array(bottom)
