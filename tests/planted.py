"""References whose faults are known, of devices whose fields are exact, and scans of them that no fit has touched.

The expansion is that of the exact far field, projected on harmonics by quadrature: a_nm = k |h_n(k r_s)| j^{-(n+1)}
∫ F Y_nm dΩ (design, section 3; spherical functions by SciPy), with a circular error of known variance added.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from scanproc.conventions import Complex, Real
from scanproc.records.answers.comparison import Reference
from scanproc.records.fitted.expansion import Expansion
from synthetic_scans.device import paging_loudspeaker
from synthetic_scans.room import InRoom, Room
from synthetic_scans.sources import Cluster, Response, Section, monopole

SPEED = 343.2
ORDER = 30
RADIUS_M = 0.45
SCAN_HZ = np.geomspace(60, 4000, 74)
FIT_DB = -45.0
DISTANCE_M = 2.0
FIRST_HALF, SECOND_HALF = 0, 3
"""Thresholds were chosen on the first and on others of its kind (1, 2, 4, 6); none was looked at for the second."""


@cache
def device(name: str) -> Cluster:
    """ "horn": the paging loudspeaker; "mast": four monopoles with filters of their own; "other": none of them."""
    if name == "horn":
        return paging_loudspeaker(0.2)
    low = Response(1.0, sections=(Section("high_pass", 120.0, 0.9), Section("low_pass", 900.0, 0.7)))
    high = Response(0.8, 4e-5, (Section("high_pass", 900.0, 0.7),))
    if name == "mast":
        places = ([0.10, 0.02, -0.12], [0.11, -0.05, 0.10], [-0.08, 0.0, 0.02], [0.09, 0.08, 0.14])
    else:
        low, high = high, low
        places = ([0.02, 0.10, 0.15], [-0.1, 0.08, -0.1], [0.15, 0.0, 0.0], [-0.12, -0.09, 0.05])
    gains = (1.0, 0.9, 0.25, 0.4)
    return Cluster(
        tuple(
            monopole(place, gain, low if n in (0, 2) else high)
            for n, (place, gain) in enumerate(zip(places, gains, strict=True))
        )
    )


def harmonics(order: int, direction: Real) -> Real:
    """Real orthonormal harmonics without the Condon-Shortley sign from SciPy's complex ones, (directions, modes)."""
    polar = np.arccos(np.clip(direction[:, 2], -1, 1))
    azimuth = np.arctan2(direction[:, 1], direction[:, 0])
    columns = []
    for n in range(order + 1):
        for m in range(-n, n + 1):
            value = special.sph_harm_y(n, abs(m), polar, azimuth) * (-1) ** m * (np.sqrt(2) if m else 1)
            columns.append(value.imag if m < 0 else value.real)
    return np.stack(columns, axis=1)


@cache
def sphere() -> tuple[Real, Real]:
    """Directions and weights exact up to twice the order: Gauss-Legendre over cos(polar), even in azimuth."""
    z, weight = special.roots_legendre(ORDER + 12)
    azimuth = np.arange(2 * ORDER + 24) * 2 * np.pi / (2 * ORDER + 24)
    ring = np.sqrt(1 - z**2)
    direction = np.stack(
        [
            np.outer(ring, np.cos(azimuth)),
            np.outer(ring, np.sin(azimuth)),
            np.outer(z, np.ones(len(azimuth))),
        ],
        axis=2,
    ).reshape(-1, 3)
    return direction, np.repeat(weight, len(azimuth)) * 2 * np.pi / len(azimuth)


@cache
def expansion(name: str, seed: int = 0, fit_db: float = FIT_DB) -> Expansion:
    """A scan of the device whose far field is wrong by ``fit_db`` at random, and says so."""
    direction, weight = sphere()
    k = 2 * np.pi * SCAN_HZ / SPEED
    degree = np.repeat(np.arange(ORDER + 1), 2 * np.arange(ORDER + 1) + 1)
    far = device(name).far_field(direction, SCAN_HZ, SPEED)
    projected = (harmonics(ORDER, direction) * weight[:, None]).T @ far
    n = np.arange(ORDER + 1)[:, None]
    hankel = special.spherical_jn(n, k * RADIUS_M) - 1j * special.spherical_yn(n, k * RADIUS_M)
    factor = (1j ** (-(n + 1.0)) * k * np.abs(hankel))[degree]
    used = np.minimum(np.ceil(k * 0.33).astype(int) + 6, ORDER)
    error = np.sum(np.abs(projected) ** 2, axis=0) * 10 ** (fit_db / 10)  # far field, over all modes
    inside, spoilt = degree[:, None] <= used, degree[:, None] <= np.ceil(k * 0.33) + 1
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=projected.shape) + 1j * rng.normal(size=projected.shape)
    spread = np.sqrt(error / spoilt.sum(axis=0) / 2) * spoilt
    variance = error / spoilt.sum(axis=0) * (k * np.abs(hankel)) ** 2 * (n <= np.ceil(k * 0.33) + 1)
    held_out = np.full((ORDER + 1, len(SCAN_HZ)), fit_db)
    return Expansion(
        frequency_hz=SCAN_HZ,
        order=used,
        centre_m=np.zeros((len(SCAN_HZ), 3)),
        scaling_radius_m=np.full(len(SCAN_HZ), RADIUS_M),
        wavenumber_rad_m=k,
        coefficients_pa=(projected * inside + spread * noise) * factor,
        held_out_db=held_out,
        far_field_error_db=np.full(len(SCAN_HZ), fit_db),
        coefficient_variance_pa2=variance,
        variance_pattern=np.full((1, len(SCAN_HZ)), np.sqrt(4 * np.pi)),
        estimator=np.zeros(len(SCAN_HZ), dtype=int),
        points=600,
    )


@dataclass(frozen=True)
class Planted:
    """What is wrong with a reference: sizes by the names of causes, in their units. ``room`` and ``device`` by truth
    alone; ``magnitudes``: levels without phase."""

    device: str
    sizes: tuple[tuple[str, float], ...]
    seed: int
    magnitudes: bool = False

    @property
    def kinds(self) -> set[str]:
        return {name for name, _ in self.sizes}

    def size(self, kind: str) -> float:
        return dict(self.sizes).get(kind, 0.0)


def orbits() -> tuple[Real, tuple[str, ...]]:
    """Both orbits every 30 deg, 22 directions."""
    angle = np.arange(-180, 180, 30)
    around = np.deg2rad(angle)
    up = np.deg2rad([one for one in angle if one not in (-180, 0)])
    direction = np.concatenate(
        [
            np.stack([np.cos(around), np.sin(around), 0 * around], axis=1),
            np.stack([np.cos(up), 0 * up, np.sin(up)], axis=1),
        ]
    )
    label = [f"horizontal {one} deg" for one in angle] + [f"vertical {one:.0f} deg" for one in np.rad2deg(up)]
    return direction, tuple(label)


def seen_by_the_device(position_m: Real, planted: Planted) -> Real:
    """Microphones as a device sees them whose front was pitched up, then turned towards +y, then moved."""
    moved = position_m - np.array([planted.size("x"), planted.size("y"), planted.size("z")])
    a, b = np.deg2rad([planted.size("toe-in"), planted.size("tilt")])
    x, y, z = moved.T
    x, y = np.cos(a) * x + np.sin(a) * y, -np.sin(a) * x + np.cos(a) * y
    return np.stack([np.cos(b) * x + np.sin(b) * z, y, -np.sin(b) * x + np.cos(b) * z], axis=1)


HALL = Room((7.4, 5.3, 4.9), (3.1, 2.4, 2.3), (0.75, 0.7, 0.75, 0.7, 0.8, 0.75), 3)


def pressures(planted: Planted, frequency_hz: Real, distance_m: float = DISTANCE_M) -> Complex:
    """What the microphones of such a reference hear, (angles, F) in Pa."""
    rng = np.random.default_rng(planted.seed)
    direction, _ = orbits()
    source = device("other" if "device" in planted.kinds else planted.device)
    place = seen_by_the_device(direction * distance_m, planted)
    value = source.pressure(place, frequency_hz, SPEED)
    omega = 2 * np.pi * frequency_hz
    if "room" in planted.kinds:
        value = InRoom(source, HALL).pressure(direction * distance_m, frequency_hz, SPEED)
    if "reflection" in planted.kinds:
        late_s = rng.uniform(3e-3, 6e-3)
        value = value * (1 + 10 ** (planted.size("reflection") / 20) * np.exp(-1j * omega * late_s))
    octave = np.log2(frequency_hz / 500)
    value = value * 10 ** ((planted.size("gain") + planted.size("slope") * octave) / 20)
    value = value * np.exp(-1j * omega * planted.size("delay")) * (-1 if "polarity" in planted.kinds else 1)
    noise = rng.normal(size=value.shape) + 1j * rng.normal(size=value.shape)
    level = planted.size("noise") or -50.0
    own = np.sqrt(np.mean(np.abs(value) ** 2, axis=0) / 2) * 10 ** (level / 20)
    return value + noise * own


def reference(
    planted: Planted, frequency_hz: Real | None = None, distance_m: float = DISTANCE_M
) -> Reference:
    """The reference, on 200 frequencies of its own unless others are given."""
    hz = np.geomspace(70, 3800, 200) if frequency_hz is None else frequency_hz
    direction, label = orbits()
    value = pressures(planted, hz, distance_m)
    if planted.magnitudes:
        value = np.abs(value).astype(complex)
    place = np.full(len(direction), distance_m)
    return Reference("hall", label, direction, place, hz, value, has_phase=not planted.magnitudes)


SINGLE = (
    *(
        "gain",
        "slope",
        "delay",
        "polarity",
        "toe-in",
        "tilt",
        "x",
        "y",
        "z",
        "reflection",
        "noise",
        "room",
        "device",
    ),
)
PAIRS = (
    ("gain", "toe-in"),
    ("x", "gain"),
    ("polarity", "slope"),
    ("y", "delay"),
)
SPANS = {
    "gain": (0.7, 2.0),
    "slope": (0.3, 0.9),
    "delay": (3e-5, 4e-4),
    "toe-in": (2.0, 7.0),
    "tilt": (2.0, 7.0),
    "x": (0.008, 0.04),
    "y": (0.008, 0.04),
    "z": (0.008, 0.04),
}


def planted(half: int) -> list[Planted]:
    """Twenty references: three without a fault, thirteen with one, four with two."""
    rng = np.random.default_rng(100 + half)
    kinds: list[tuple[str, ...]] = [(), (), (), *((one,) for one in SINGLE), *PAIRS]
    found = []
    for number, names in enumerate(kinds):
        sizes = []
        for name in names:
            if name in SPANS:
                size = rng.uniform(*SPANS[name]) * rng.choice([-1, 1])
            else:
                size = {"reflection": rng.uniform(-18, -10), "noise": rng.uniform(-24, -16)}.get(name, -1.0)
            sizes.append((name, float(size)))
        chosen = ("horn", "mast")[(number + half) % 2]
        levels_only = number == 1 or (names in (("gain",), ("toe-in",)) and half == number % 2)
        found.append(Planted(chosen, tuple(sizes), 1000 * half + number, levels_only))
    return found
