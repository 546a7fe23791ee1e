"""Impulse responses as WAV: one file of 32-bit floats per angle, time zero alike in all, in Pa: the far field
normalised to 1 m, or the pressure at the seat. ``reference.toml`` beside them says which.

Written by scipy: the same content gives the same bytes (other writers put the time of day into float files).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.io import wavfile

from scanproc.conventions import Real
from scanproc.errors import OutputError
from scanproc.files.outgoing.reference_list import write_impulse_list
from scanproc.records.answers.impulse import ImpulseSet

LARGEST_BYTES = 2**32 - 1024
"""Sizes in WAV have 32 bits."""


def write_wav(directory: Path, responses: ImpulseSet, names: list[str]) -> None:
    """One file per angle into a new directory. Raises OutputError for a rate or length that WAV cannot hold."""
    rate, samples = responses.sampling_rate_hz, responses.response_pa_m.shape[1]
    if rate != round(rate) or rate >= 2**32 or 4 * samples > LARGEST_BYTES:
        raise OutputError(
            f"WAV needs a whole sampling rate and less than 4 GiB, got {rate:g} Hz and {samples} samples: change them",
            path=directory,
        )
    directory.mkdir(parents=True)
    pressure = in_pascal(responses)
    for name, response in zip(names, pressure, strict=True):
        wavfile.write(directory / f"{name}.wav", int(rate), response.astype(np.float32))
    write_impulse_list(directory, responses, [f"{name}.wav" for name in names])


def in_pascal(responses: ImpulseSet) -> Real:
    """The responses (angles, samples) in Pa: the far field normalised to 1 m, or the pressure at seats."""
    if responses.distance_m is None:
        return responses.response_pa_m
    pressure: Real = responses.response_pa_m / responses.distance_m[:, None]
    return pressure
