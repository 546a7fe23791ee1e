"""The harmonics in a scan file of impulse responses: datasets ``harmonic_2`` to ``harmonic_5`` (points, samples).

Each is the response of a harmonic at its own frequencies, as :mod:`scanproc.steps.sound.harmonics` makes it, with the
attributes ``sampling_rate_hz``, ``time_zero_s``, and ``lowest_hz`` and ``highest_hz`` of the band in which its window
tells it. Files of earlier versions have none; readers of earlier versions pass over them with a warning.
"""

from __future__ import annotations

from typing import Any

from scanproc.files.hdf5 import Group, Malformed, dataset, number

ORDERS = (2, 3, 4, 5)
BAND = ("lowest_hz", "highest_hz")


def harmonic_name(order: int) -> str:
    """What the dataset of a harmonic is called."""
    return f"harmonic_{order}"


def open_harmonics(file: Group) -> dict[int, Any]:
    """The datasets by order. Raises Malformed."""
    found = {}
    for order in ORDERS:
        name = harmonic_name(order)
        if name in file:
            found[order] = dataset(file, name, "real", ("points", "samples"))
            low, high = harmonic_band(found[order])
            if not 0 < low < high:
                raise Malformed(f"{name} must state lowest_hz below highest_hz, got {low:g} and {high:g}")
    return found


def harmonic_band(data: Any) -> tuple[float, float]:
    """Lowest and highest frequency of a harmonic, Hz. Raises Malformed."""
    low, high = (number(data, name) for name in BAND)
    return low, high
