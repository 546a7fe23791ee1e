"""Open measured data of a small device: a microphone from 480 directions, out of the package of the measured sphere.

By reciprocity its responses are those of a source where the capsule is. The file's table of directions and its sound
are sorted each in its own way, and its angles are radians though it says degrees; here they are put together so that
neighbours agree: 30 azimuths on each of 16 rings, and on the outermost ring all are nearly alike.
"""

from __future__ import annotations

import h5py
import numpy as np
from measured_sphere import member

from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.steps.sound.gate import gate
from scanproc.steps.sound.spectra import spectra

SHA256 = "3e3d639cf3b0f8947cf85eaaa787453491821464717987cca95096fb107a9e49"
DISTANCE_M = 1.5
GATE = (90, 130)
"""Samples between which the window falls: behind them the room it was measured in is heard."""


def microphone(
    frequency_hz: np.ndarray, size_m: tuple[float, float, float] | None = None, channel: int = 0
) -> Scan:
    """All 480 directions; ``size_m``: what is said of the device."""
    with h5py.File(member("microphone.sofa", SHA256)) as file:
        azimuth, colatitude, _ = np.asarray(file["SourcePosition"]).T
        response = np.asarray(file["Data.IR"][:, channel], dtype=np.float64)
        rate = float(file["Data.SamplingRate"][0])
    around, polar = np.unique(azimuth.round(4)), np.unique(colatitude.round(4))
    azimuth, polar = np.tile(around, len(polar)), np.repeat(polar, len(around))
    direction = np.stack(
        [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=1
    )
    setup = ScanSetup(
        DISTANCE_M * direction,
        speed_of_sound_m_s=343.0,
        environment="anechoic",
        device="a microphone",
        device_size_m=size_m,
    )
    end, fall = GATE[1] / rate, (GATE[1] - GATE[0]) / rate
    whole = ImpulseScan(setup, response, rate)
    return spectra(gate(whole, Gate(np.full(480, end), fall, end, "samples")), frequency_hz)


def halves() -> tuple[np.ndarray, np.ndarray]:
    """240 directions at random, and the others."""
    shuffled = np.random.default_rng(1).permutation(480)
    return np.sort(shuffled[:240]), np.sort(shuffled[240:])
