"""``reference.toml`` beside exported WAV and text files: where each file looks and what its numbers are, in the words
that ``compare`` reads references by (see :mod:`scanproc.files.incoming.reference_files`)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from scanproc.conventions import REFERENCE_VOLTAGE_V, Real
from scanproc.files.outgoing.tables import FAR_FIELD
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet

REFERENCE_FILE = "reference.toml"


def write_direction_list(directory: Path, directions: DirectionSet, names: Sequence[str]) -> None:
    """For text files, whose levels are scaled to 2.83 V."""
    _write(directory, directions, names, {"drive_voltage_v": REFERENCE_VOLTAGE_V})


def write_impulse_list(directory: Path, responses: ImpulseSet, names: Sequence[str]) -> None:
    """For WAV files."""
    facts = {
        "drive_voltage_v": responses.drive_voltage_v,
        "time_zero_sample": responses.time_zero_sample,
        "lowest_valid_hz": responses.band_hz[0],
    }
    _write(directory, responses, names, facts)


def _write(
    directory: Path, what: DirectionSet | ImpulseSet, names: Sequence[str], facts: dict[str, Any]
) -> None:
    far = what.distance_m is None
    says = FAR_FIELD if far else "rms pressure in Pa at the microphone"
    facts = {"name": what.name, "unit": "pa", "far_field": far, "delay": what.delay, **facts}
    lines = [
        f"# {says}",
        *(f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in facts.items()),
    ]
    for index, name in enumerate(names):
        place = what.direction[index] * (1.0 if what.distance_m is None else what.distance_m[index])
        lines += ["", "[[microphone]]", f"file = {json.dumps(name)}", *_where(what, index, place)]
    (directory / REFERENCE_FILE).write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _where(what: DirectionSet | ImpulseSet, index: int, place: Real) -> list[str]:
    found = [f"position_m = {place.tolist()}"]
    if what.orbit is not None and what.angle_deg is not None:
        found.append(f'label = "{what.orbit[index]} {what.angle_deg[index]:zg} deg"')
    return found
