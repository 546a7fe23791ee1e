"""The part of a result file that tells how the room was taken out: group ``room``.

Datasets ``gated_share``, ``modelled_share``, ``incoming_db`` (F,), NaN where not defined;
``words``, JSON text with ``gate_source``, ``gate_length_s``, ``shared_hz``, ``notes`` and ``warnings``.
"""

from __future__ import annotations

import json
from typing import Any

from scanproc.files.hdf5 import Group, Malformed, read_whole
from scanproc.files.json_file import json_text
from scanproc.records.fitted.room import RoomReport

ARRAYS = ("gated_share", "modelled_share", "incoming_db")
WORDS = ("gate_source", "gate_length_s", "shared_hz", "notes", "warnings")


def room_arrays(room: RoomReport) -> dict[str, Any]:
    """What the group's datasets hold, by name."""
    return {name: getattr(room, name) for name in ARRAYS}


def room_words(room: RoomReport) -> str:
    """What the group's text holds."""
    return json_text({name: getattr(room, name) for name in WORDS})


def read_room(group: Group, frequency_hz: Any) -> RoomReport:
    """The report of a group. Raises Malformed."""
    arrays: dict[str, Any] = {name: read_whole(group, name, "real", ("frequencies",)) for name in ARRAYS}
    try:
        words = json.loads(str(read_whole(group, "words", "text", ())))
        texts: dict[str, Any] = {name: words[name] for name in ("gate_source", "gate_length_s")}
        texts |= {name: tuple(words[name]) for name in ("notes", "warnings")}
        band = words["shared_hz"]
    except (ValueError, KeyError, TypeError) as error:
        raise Malformed(f"room/words cannot be read ({error}): convert the scan again") from error
    return RoomReport(frequency_hz, **arrays, **texts, shared_hz=None if band is None else (band[0], band[1]))
