"""References in AES69 files: the same reader as for scans, and what references have beside it.

Two ways of putting a device's directivity are read. The device is the source and stands still, or says where it looks
(SourceView): then the receivers are the microphones, as in :mod:`scanproc.files.incoming.import_sofa`. Or
SourcePosition goes round a listener with one receiver and nothing says where the source looks (in the HRIR and HRTF
conventions one SourceView for all places says nothing either): then the device is at the listener and what is called
the source is the microphone, which by reciprocity is the same.

What this project wrote says so in ApplicationName, and in its description what the numbers are.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import InputError
from scanproc.files.hdf5 import Group, Malformed, input_errors, open_foreign, text
from scanproc.files.incoming.import_sofa import frames, read_sofa, vectors
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup

MOST_BYTES = 2**30


def sofa_words(path: Path) -> str:
    """What an export of this project says of its numbers, empty if another program wrote it. Raises InputError."""
    with input_errors(path, InputError):
        file = open_foreign(path, "SOFA file")
        try:
            if text(file, "ApplicationName") != "scanproc":
                return ""
            return f"{text(file, 'Description')} {text(file, 'Comment')}"
        finally:
            file.close()


def read_sofa_sound(path: Path) -> ImpulseScan | Scan:
    """Impulse responses or spectra at the microphones. Raises InputError."""
    stream = read_sofa(path)
    if stream.setup.points * stream.columns * stream.itemsize > MOST_BYTES:
        raise InputError(
            f"holds {stream.setup.points} responses of {stream.columns} values, over 1 GiB: export fewer angles",
            path=path,
        )
    setup = _with_places(path, stream.setup)
    values = np.concatenate(list(stream.blocks))
    with input_errors(path, InputError):
        if stream.frequency_hz is not None:
            return Scan(setup, stream.frequency_hz, values)
        return ImpulseScan(setup, values, stream.sampling_rate_hz, stream.time_zero_s)


def _with_places(path: Path, setup: ScanSetup) -> ScanSetup:
    with input_errors(path, InputError):
        file = open_foreign(path, "SOFA file")
        try:
            places = _round_the_listener(file, setup.points)
        finally:
            file.close()
    return setup if places is None else replace(setup, position_m=places)


def _round_the_listener(file: Group, points: int) -> Real | None:
    """Positions (points, 3) in the listener's frame where the source goes round it without saying where it looks."""
    moves = "SourcePosition" in file and file["SourcePosition"].shape[0] > 1
    looks = file["SourceView"].shape[0] if "SourceView" in file else 0
    about_a_head = "HRIR" in text(file, "SOFAConventions") or "HRTF" in text(file, "SOFAConventions")
    if not moves or looks > 1 or (looks == 1 and not about_a_head):
        return None
    measurements = int(file["SourcePosition"].shape[0])
    if points != measurements:
        raise Malformed(
            f"has {points // measurements} receivers while the source moves and nothing says where it looks: state "
            "SourceView, or export one receiver"
        )
    away = vectors(file, "SourcePosition", measurements) - vectors(file, "ListenerPosition", measurements)
    inverse = np.transpose(frames(file, "Listener", measurements), (0, 2, 1))
    places: Real = np.einsum("mij,mj->mi", inverse, away)
    return places
