"""What was done about the room, in numbers for summary.json and in one sentence."""

from __future__ import annotations

from typing import Any

import numpy as np

from scanproc.conventions import Real
from scanproc.records.fitted.room import RoomReport
from scanproc.report.words.sentences import frequency
from scanproc.waves.bands import third_octave_index, third_octave_nominal


def room_numbers(room: RoomReport) -> dict[str, Any]:
    """What summary.json holds under ``room``; ``incoming_db`` by third-octave band, incoming over outgoing sound."""
    return {
        "sentence": room_sentence(room),
        "method": room.method,
        "gate_source": room.gate_source,
        "gate_length_s": room.gate_length_s,
        "lowest_valid_hz": room.lowest_valid_hz,
        "shared_hz": None if room.shared_hz is None else list(room.shared_hz),
        "incoming_db": _by_band(room.frequency_hz, room.incoming_db),
        "notes": list(room.notes),
    }


def room_sentence(room: RoomReport) -> str:
    """What was used where."""
    if room.method == "none":
        why = f" ({'; '.join(room.notes)})" if room.notes else ""
        return f"Room: not part of the model{why}."
    parts = []
    if np.any(room.modelled_share > 0):
        parts.append(f"told from the device by the points{_loudest(room)}")
    if room.gate_length_s is not None and room.lowest_valid_hz is not None:
        parts.append(
            f"gated {1000 * room.gate_length_s:.2f} ms after the direct sound ({room.gate_source}; "
            f"valid from {frequency(room.lowest_valid_hz)})"
        )
    if room.shared_hz is not None:
        low, high = (frequency(one) for one in room.shared_hz)
        parts.append(f"whole and gated sound joined by their predicted errors from {low} to {high}")
    notes = "".join(f" {note[0].upper()}{note[1:]}." for note in room.notes)
    return f"Room: {', '.join(parts)}.{notes}"


def _loudest(room: RoomReport) -> str:
    """Where the room is loudest against the device; after a gate it is what the gate left."""
    if not np.any(np.isfinite(room.incoming_db)):
        return ""
    at = int(np.nanargmax(np.where(np.isfinite(room.incoming_db), room.incoming_db, -np.inf)))
    where = frequency(float(room.frequency_hz[at]))
    return f" (at the points at most {room.incoming_db[at]:.1f} dB re the device's, at {where})"


def _by_band(frequency_hz: Real, values_db: Real) -> dict[str, float]:
    """Mean of powers by third-octave band, nominal mid frequency -> dB; bands without a value are left out."""
    number = third_octave_index(frequency_hz)
    found = {}
    for one in np.unique(number):
        known = values_db[(number == one) & np.isfinite(values_db)]
        if len(known):
            found[f"{third_octave_nominal(int(one)):g}"] = round(
                float(10 * np.log10(np.mean(10 ** (known / 10)))), 2
            )
    return found
