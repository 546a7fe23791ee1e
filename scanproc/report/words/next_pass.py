"""What to scan next in numbers and words."""

from __future__ import annotations

from typing import Any

import numpy as np

from scanproc.records.answers.next_pass import NextPass
from scanproc.report.words import sentences
from scanproc.waves.bands import third_octave_name


def next_pass_json(found: NextPass) -> dict[str, Any]:
    """All but the positions."""
    return {
        "verdict": sentence(found),
        "target_db": found.target_db,
        "points_scanned": found.points,
        "points": found.total,
        "hours": round(found.total * found.seconds_per_point / 3600, 2),
        "bands": [
            {
                "nominal_hz": third_octave_name(found.band_hz[i]),
                "now_db": _plain(found.now_db[i]),
                "then_db": _plain(found.then_db[i]),
                "reason": found.reason[i],
            }
            for i in range(len(found.band_hz))
        ],
    }


def next_pass_lines(found: NextPass) -> list[str]:
    """The sentence and a row per band."""
    rows = [
        f"{sentences.frequency(third_octave_name(found.band_hz[i])):>9} {found.now_db[i]:>7.1f} "
        + (found.reason[i] or f"{found.then_db[i]:>8.1f}")
        for i in range(len(found.band_hz))
    ]
    return [sentence(found), "", f"{'band':>9} {'now dB':>7} {'then dB':>8}", *rows]


def sentence(found: NextPass) -> str:
    """How many points, how long, and up to where they should do."""
    time = sentences.hours(found.total * found.seconds_per_point)
    start = f"Scan {found.total:,} more points, {time}, beside the {found.points:,}"
    met = found.then_db <= found.target_db
    aim = f"the target of {found.target_db:g} dB"
    if met.all():
        return f"{start}: they should meet {aim} everywhere."
    first = int(np.argmin(met))
    name = sentences.frequency(third_octave_name(found.band_hz[first]))
    if found.reason[first]:
        return f"{start}: they should meet {aim} below {name}, where {found.reason[first]}."
    gain = f"{found.now_db[first]:.1f} to {found.then_db[first]:.1f} dB"
    return f"{start}: they should bring the far-field error at {name} from {gain}; {aim} is missed there."


def _plain(value: float) -> float | None:
    return round(float(value), 2) if np.isfinite(value) else None
