"""Harmonic distortion in words, numbers and rows: of the far field, never below its noise without saying so."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.answers.distortion import PLACES, Distortion
from scanproc.report.words.sentences import frequency
from scanproc.steps.farfield.distortion import Ratio, Reference, harmonic_ratio, total_ratio

HEADER = (
    "place",
    "harmonic",
    "excitation_hz",
    "harmonic_hz",
    "level_db",
    "standard_error_db",
    "floor_db",
    "above_floor",
    "distortion_db",
    "distortion_percent",
    "input_distortion_db",
    "input_distortion_percent",
)
TOTAL = "total"


def percent(ratio_db: Real) -> Real:
    """Ratios of pressures in per cent."""
    return np.asarray(100 * 10 ** (ratio_db / 20), np.float64)


def told(ratio: Ratio) -> Boolean:
    """Where a ratio is more than noise could be, (F,)."""
    with np.errstate(invalid="ignore"):
        return np.asarray(ratio.value_db > ratio.floor_db)


def distortion_rows(found: Distortion) -> Iterator[tuple[Any, ...]]:
    """The rows of distortion.csv under ``HEADER``, of what is within the band of a harmonic."""
    for p, place in enumerate(PLACES):
        for n, order in enumerate(found.order.tolist()):
            ratios = [harmonic_ratio(found, n, p, reference) for reference in ("excitation", "own")]
            levels = (found.level_db[n, p], found.standard_error_db[n, p], found.floor_db[n, p])
            yield from _rows(place, str(order), found.excitation_hz, order, levels, ratios)
        ratios = [total_ratio(found, p, reference) for reference in ("excitation", "own")]
        base = found.fundamental_db[p]
        levels = (ratios[0].value_db + base, ratios[0].standard_error_db, ratios[0].floor_db + base)
        yield from _rows(place, TOTAL, found.excitation_hz, np.nan, levels, ratios)


def _rows(
    place: str, name: str, hz: Real, order: float, levels: tuple[Real, ...], ratios: list[Ratio]
) -> Iterator[tuple[Any, ...]]:
    above = told(ratios[0])
    for f in np.flatnonzero(np.isfinite(levels[0])):
        values = [float(part[f]) for part in levels]
        shares = [float(x) for one in ratios for x in (one.value_db[f], percent(one.value_db)[f])]
        yield (place, name, float(hz[f]), float(hz[f] * order), *values, bool(above[f]), *shares)


def distortion_numbers(found: Distortion) -> dict[str, Any]:
    """What summary.json holds under ``distortion``: totals in per cent by place; None where no harmonic is known."""
    document: dict[str, Any] = {
        "sentence": distortion_sentence(found),
        "excitation_hz": found.excitation_hz.tolist(),
        "harmonics": found.order.tolist(),
        "places": {},
    }
    references: dict[str, Reference] = {
        "total_harmonic_distortion": "excitation",
        "equivalent_input_distortion": "own",
    }
    for p, place in enumerate(PLACES):
        document["places"][place] = {}
        for name, reference in references.items():
            ratio = total_ratio(found, p, reference)
            document["places"][place][name] = {
                "percent": _known(percent(ratio.value_db)),
                "standard_error_db": _known(ratio.standard_error_db),
                "floor_percent": _known(percent(ratio.floor_db)),
            }
    return document


def distortion_sentence(found: Distortion) -> str:
    """The most on the axis, where it is above the noise, and where the noise hides the rest."""
    ratio = total_ratio(found, 0, "excitation")
    above, known = told(ratio), np.isfinite(ratio.value_db)
    several = len(found.order) > 1
    orders = f"harmonics {found.order[0]} to {found.order[-1]}" if several else f"harmonic {found.order[0]}"
    lifts = "do not rise" if several else "does not rise"
    if not above.any():
        if not known.any():
            return f"{orders.capitalize()} could not be told at any frequency."
        ends = dict.fromkeys(f"{end:.2g}" for end in np.sort(percent(ratio.floor_db[known]))[[0, -1]])
        return f"On the axis {orders} {lifts} above the noise, which would hide {' to '.join(ends)} % of distortion."
    worst = int(np.nanargmax(np.where(above, ratio.value_db, np.nan)))
    value, error = float(ratio.value_db[worst]), float(ratio.standard_error_db[worst])
    hidden = int(np.count_nonzero(known & ~above))
    noise = (
        f" At {hidden} of {int(known.sum())} frequencies that is less than the noise would hide."
        if hidden
        else ""
    )
    return (
        f"On the axis {orders} {'add' if several else 'adds'} up to at most {percent(ratio.value_db)[worst]:.2g} % of "
        f"the fundamental ({value:.1f} ± {error:.1f} dB), when excited at "
        f"{frequency(float(found.excitation_hz[worst]))}.{noise}"
    )


def _known(values: Real) -> list[float | None]:
    return [round(float(value), 4) if np.isfinite(value) else None for value in values]
