"""Compression and harmonics by drive level in words, numbers and rows; cautions first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.measured.drive_levels import DriveLevels, LevelLimits
from scanproc.report.words.distortion import percent
from scanproc.report.words.sentences import frequency

CAUTIONS = (
    "Local electrical and workplace rules come first, and the ratings of drivers and amplifier.",
    "Hearing: high levels; wear ear protection, nobody in the room while it plays, start low, rise by a few dB.",
    "Heat: a hot voice coil fails within seconds; pause between sweeps, stop when it smells or its level falls.",
)
HEADER = (
    "file",
    "drive_v",
    "frequency_hz",
    "level_db",
    "compression_db",
    "harmonic",
    "distortion_db",
    "distortion_percent",
    "floor_db",
    "above_floor",
)
NOT_REPEATED = (
    "the first level was not played again at the end: how much of the compression is warming is not known"
)


@dataclass(frozen=True)
class LevelFacts:
    """One drive level within the band of the limits: the most compression, dB, and distortion above the noise, per
    cent, and where; None for distortion that noise hides everywhere. ``within``: both limits are kept."""

    file: str
    drive_v: float
    compression_db: float
    compression_hz: float
    distortion_percent: float | None
    distortion_hz: float | None
    noise_percent: float | None
    within: bool


def level_facts(found: DriveLevels, limits: LevelLimits) -> tuple[LevelFacts, ...]:
    """The facts of each level in the order in which they were played, without the first one again at the end."""
    inside = (found.frequency_hz >= limits.lowest_hz) & (found.frequency_hz <= limits.highest_hz)
    rows = len(found.drive_v) - (found.drift_db is not None)
    return tuple(_facts(found, limits, row, inside) for row in range(rows))


def highest_within(facts: tuple[LevelFacts, ...]) -> float | None:
    """The highest drive level, V, that keeps the limits as all lower ones do; None where the lowest does not."""
    highest = None
    for one in sorted(facts, key=lambda one: one.drive_v):
        if not one.within:
            break
        highest = one.drive_v
    return highest


def levels_sentence(found: DriveLevels, limits: LevelLimits) -> str:
    """The highest level within the limits, and what the next one breaks."""
    facts = level_facts(found, limits)
    highest = highest_within(facts)
    aim = f"{limits.compression_db:g} dB of compression and {limits.distortion_percent:g} % of distortion"
    band = f"from {frequency(limits.lowest_hz)} to {frequency(limits.highest_hz)}{_told_in(found, limits)}"
    beyond = sorted((one for one in facts if not one.within), key=lambda one: one.drive_v)
    if highest is None:
        return f"No level stays within {aim} {band}: {_broken(beyond[0], limits)}."
    if not beyond:
        return f"All levels up to {highest:.3g} V stay within {aim} {band}."
    return f"Up to {highest:.3g} V it stays within {aim} {band}; {_broken(beyond[0], limits)}."


def _told_in(found: DriveLevels, limits: LevelLimits) -> str:
    """Where distortion can be told, unless that is the whole band: harmonics of its ends lie beyond the sweep."""
    hz = found.frequency_hz
    inside = (hz >= limits.lowest_hz) & (hz <= limits.highest_hz)
    known = np.flatnonzero(inside & np.isfinite(found.total_floor_db).any(axis=0))
    if len(known) == np.count_nonzero(inside):
        return ""
    if not len(known):
        return " (distortion cannot be told there)"
    low, high = (frequency(float(hz[at])) for at in known[[0, -1]])
    return f" (distortion: from {low} to {high}, beyond that it cannot be told)"


def level_notes(found: DriveLevels, limits: LevelLimits) -> list[str]:
    """What the repeat of the first level tells, and where noise hides distortion that would matter."""
    notes = []
    if found.drift_db is None:
        notes.append(f"Warning: {NOT_REPEATED}; play it again last.")
    else:
        worst = int(np.argmax(np.abs(found.drift_db)))
        notes.append(
            f"The first level, played again at the end, came {found.drift_db[worst]:+z.2f} dB off at "
            f"{frequency(float(found.frequency_hz[worst]))} at most, mean {found.drift_db.mean():+z.2f} dB: so much is "
            "warming, drift or noise."
        )
        if abs(found.drift_db[worst]) > limits.compression_db:
            notes.append(
                "Warning: that is more than the limit of compression; judge a narrower band (--from, --up-to)."
            )
    return notes + [
        f"At {one.drive_v:.3g} V ({one.file}) noise would hide up to {one.noise_percent:.2g} % of distortion."
        for one in level_facts(found, limits)
        if one.noise_percent is not None and one.noise_percent > limits.distortion_percent
    ]


def levels_json(found: DriveLevels, limits: LevelLimits, warnings: tuple[str, ...] = ()) -> dict[str, Any]:
    """What levels.json holds."""
    facts = level_facts(found, limits)
    return {
        "format": "scanproc levels",
        "layout_version": 1,
        "cautions": list(CAUTIONS),
        "verdict": levels_sentence(found, limits),
        "highest_within_v": highest_within(facts),
        "limits": asdict(limits),
        "levels": [asdict(one) for one in facts],
        "notes": level_notes(found, limits),
        "warnings": list(warnings),
    }


def level_lines(found: DriveLevels, limits: LevelLimits, warnings: tuple[str, ...] = ()) -> list[str]:
    """Cautions, the sentence, a row per level, notes."""
    head = f"{'drive':>9} {'compression':>22} {'distortion':>20}  file"
    rows = [_row(one) for one in level_facts(found, limits)]
    said = [f"Warning: {one}" for one in warnings]
    return [
        *CAUTIONS,
        "",
        levels_sentence(found, limits),
        "",
        head,
        *rows,
        "",
        *level_notes(found, limits),
        *said,
    ]


def level_rows(found: DriveLevels) -> Iterator[tuple[Any, ...]]:
    """The rows of levels.csv under ``HEADER``: harmonics and their total, by level and frequency."""
    for row, (name, volts) in enumerate(zip(found.names, found.drive_v.tolist(), strict=True)):
        kinds = [
            (str(order), found.harmonic_db[n, row], found.floor_db[n, row])
            for n, order in enumerate(found.order)
        ]
        kinds.append(("total", found.total_db[row], found.total_floor_db[row]))
        for kind, ratio, floor in kinds:
            for f, hz in enumerate(found.frequency_hz.tolist()):
                fundamental = (float(found.level_db[row, f]), float(found.compression_db[row, f]))
                value, least = float(ratio[f]), float(floor[f])
                share = float(percent(ratio[f]))
                yield (name, volts, hz, *fundamental, kind, value, share, least, value > least)


def _facts(found: DriveLevels, limits: LevelLimits, row: int, inside: Boolean) -> LevelFacts:
    hz = found.frequency_hz[inside]
    compression = found.compression_db[row, inside]
    total, floor = found.total_db[row, inside], found.total_floor_db[row, inside]
    with np.errstate(invalid="ignore"):
        above = total > floor
    worst = int(np.argmax(compression))
    most = int(np.nanargmax(np.where(above, total, np.nan))) if above.any() else None
    distortion = None if most is None else float(percent(total[most]))
    hidden: Real = percent(floor[np.isfinite(floor) & ~above])
    return LevelFacts(
        found.names[row],
        float(found.drive_v[row]),
        float(compression[worst]),
        float(hz[worst]),
        distortion,
        None if most is None else float(hz[most]),
        float(hidden.max()) if hidden.size else None,
        bool(
            compression[worst] <= limits.compression_db and (distortion or 0.0) <= limits.distortion_percent
        ),
    )


def _broken(one: LevelFacts, limits: LevelLimits) -> str:
    parts = []
    if one.compression_db > limits.compression_db:
        parts.append(f"compression reaches {one.compression_db:.2f} dB at {frequency(one.compression_hz)}")
    if one.distortion_percent is not None and one.distortion_percent > limits.distortion_percent:
        assert one.distortion_hz is not None
        parts.append(f"distortion {one.distortion_percent:.2g} % at {frequency(one.distortion_hz)}")
    return f"at {one.drive_v:.3g} V {' and '.join(parts)}"


def _row(one: LevelFacts) -> str:
    squeezed = f"{one.compression_db:.2f} dB at {frequency(one.compression_hz)}"
    added = "below the noise"
    if one.distortion_percent is not None and one.distortion_hz is not None:
        added = f"{one.distortion_percent:.2g} % at {frequency(one.distortion_hz)}"
    return f"{one.drive_v:>7.3g} V {squeezed:>22} {added:>20}  {one.file}{'' if one.within else '  beyond the limits'}"
