"""A step of gain between layers, which separating the room turns into an error many times as large."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from scanproc.records.room import Separation
from scanproc.records.scan import Scan
from scanproc.run.conversion.heard import Heard
from scanproc.steps.field.crossfade import mismatch_db
from scanproc.steps.separation.gain_step import match_layers, with_layers_matched


def settle_layers(
    heard: Heard, trial: Separation, split: Callable[[Scan], Separation], take_out: bool
) -> tuple[list[str], list[str]]:
    """Notes and warnings about a step between layers; with ``take_out`` the sound heard is rid of it from now on."""
    scan = heard.whole(trial.outgoing.frequency_hz)
    match = match_layers(scan, trial.outgoing.order)
    if match is None or not match.found:
        return [], []
    if take_out:
        heard.layers = match
        return [f"{match.words()}: taken out, as asked (room.match_layers)"], []
    better = split(with_layers_matched(scan, match)).outgoing
    error = float(np.median(mismatch_db(trial.outgoing, better)))
    return [], [
        f"{match.words()}: separating the room turns that into an error of about {error:.0f} dB; take it out "
        "(room.match_layers), or scan the layers in turn, point by point"
    ]
