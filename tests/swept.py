"""Recorded sweeps of a source with known harmonics, made by general libraries and closed forms alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import chirp
from small_scans import even_points

RATE, SPEED_M_S = 12000, 343.0
LOW_HZ, HIGH_HZ, SECONDS = 60.0, 1900.0, 2.0
SOURCE_M = np.array([[0.1, 0.0, 0.1], [0.1, 0.0, -0.1]])
LOUD_PA_M = 0.1
SECOND, THIRD = np.array([0.02, 0.005]), np.array([0.002, 0.01])
"""Of each source what it adds of the square and the cube of its drive."""
GROWTH_S = SECONDS / np.log(HIGH_HZ / LOW_HZ)


def drive(
    rate: int = RATE, seconds: float = SECONDS, low: float = LOW_HZ, high: float = HIGH_HZ
) -> np.ndarray:
    time = np.arange(int(seconds * rate)) / rate
    fade = np.minimum(1, np.minimum(time, seconds - time) / 0.02)
    return fade * chirp(time, low, seconds, high, "logarithmic", phi=-90)


def distorted(wave: np.ndarray, second: float, third: float) -> np.ndarray:
    """x + a x² + b x³ of a cosine holds a/2 of twice and b/4 of three times its phase, and 1 + 3b/4 of itself."""
    return wave + second * wave**2 + third * wave**3


def harmonic_far_field(order: int, direction: np.ndarray, frequency_hz: np.ndarray) -> np.ndarray:
    """The pressure times distance of a harmonic (directions, F), Pa·m: monopoles at the sources, driven at nf."""
    share = {1: 1 + 0.75 * THIRD, 2: SECOND / 2, 3: THIRD / 4}[order]
    way = direction @ SOURCE_M.T
    turn = np.exp(2j * np.pi * frequency_hz / SPEED_M_S * way[:, :, None])
    return LOUD_PA_M * np.einsum("s,dsf->df", share, turn)


def recorded(folder: Path, *, points: int = 60, noise: float = 2e-4, linear: bool = False) -> Path:
    """A folder of recordings on a sphere of 0.4 m in free field, with positions.csv and drive.wav."""
    folder.mkdir()
    wave, samples = drive(), int((SECONDS + 0.4) * RATE)
    place = even_points(points, 0.4)
    grid = np.fft.rfftfreq(2 * samples, 1 / RATE)
    sound = noise * np.random.default_rng(1).standard_normal((points, samples))
    for at, second, third in zip(SOURCE_M, SECOND, THIRD, strict=True):
        spectrum = np.fft.rfft(wave if linear else distorted(wave, second, third), 2 * samples)
        far = np.linalg.norm(place - at, axis=1)[:, None]
        heard = np.fft.irfft(
            spectrum * np.exp(-2j * np.pi * grid * far / SPEED_M_S) * LOUD_PA_M / far, 2 * samples
        )
        sound += heard[:, :samples]
    for number, row in enumerate(sound, start=1):
        soundfile.write(folder / f"{number:04d}.wav", row, RATE, "FLOAT")
    soundfile.write(folder / "drive.wav", wave, RATE, "FLOAT")
    np.savetxt(folder / "positions.csv", place, delimiter=",", header="x_m,y_m,z_m", comments="")
    return folder


IMPORT = {
    "drive": {"lowest_hz": LOW_HZ, "highest_hz": 1800.0, "length_s": 0.2, "before_s": 0.05, "harmonics": 3},
    "scan": {
        "device": "ferry terminal paging horn",
        "environment": "anechoic",
        "temperature_c": 19.8,  # 343.0 m/s
        "device_size_m": [0.3, 0.2, 0.4],
    },
}


VOLTS = (1.0, 2.0, 4.0, 8.0, 1.0)
BEND = 0.1
"""The soft clipper gives tanh(BEND · V) for V volts."""


def level_folder(
    folder: Path,
    volts: tuple[float, ...] = VOLTS,
    noise: float = 1e-6,
    warm: float = 0.0,
    linear: bool = False,
) -> Path:
    """Sweeps played at rising levels, 40 samples late; each level loses ``warm`` dB more than the one before."""
    folder.mkdir()
    wave, rng = np.pad(drive(24000, 2.0, 50.0, 1500.0), (0, 12000)), np.random.default_rng(2)
    for number, level in enumerate(volts):
        sound = 0.1 * (BEND * level * wave if linear else np.tanh(BEND * level * wave))
        sound = np.roll(sound, 40) * 10 ** (-warm * number / 20) + noise * rng.standard_normal(len(wave))
        soundfile.write(folder / f"level-{number + 1}.wav", sound, 24000, "FLOAT")
    soundfile.write(folder / "drive.wav", wave[:-12000], 24000, "FLOAT")
    rows = [f"level-{number + 1}.wav,{level}" for number, level in enumerate(volts)]
    (folder / "levels.csv").write_text("\n".join(["file,drive_v", *rows]), encoding="utf-8")
    return folder
