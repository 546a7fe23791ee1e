"""Resonances planted, and what only looks like one: ``python -m tests.benchmarks.advise``.

Random two-way boxes with far fields in closed form (diaphragms of monopoles and dipoles, diffracting edges,
crossovers), and errors drawn to the error bars handed on, independent over frequencies and directions. What a fit's
errors share over frequency is tried by ``--converted``: small scans of such boxes, converted.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.answers.advice import Resonances
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.run.conversion import pipeline
from scanproc.run.conversion.pipeline import convert
from scanproc.run.settings.conversion import Settings
from scanproc.steps.advise.background import learn
from scanproc.steps.advise.poles import fit_pole
from scanproc.steps.advise.resonances import (
    BESIDE_OCTAVES,
    GRID_DEGREE,
    _middle,
    _responses,
    _spread,
    found_in,
    resonances,
)
from scanproc.steps.field.extrapolate import far_field, far_field_variance
from scanproc.waves.directions import fibonacci_sphere, lebedev_grid
from scanproc.waves.orbit_sets import directions
from synthetic_scans.device import _rectangle
from synthetic_scans.sources import Cluster, Part, Response, Section, disc, linkwitz_riley

SPEED_M_S = 343.2
UNIT, WEIGHT = lebedev_grid(GRID_DEGREE)
WEIGHT = WEIGHT / (4 * np.pi)
DIRECTION = np.concatenate([UNIT, directions()])
CONVERTED = {"at": (200, 1600), "q": (5, 20), "rise_db": (0.5, 6)}
PLANTED = ("drive", "driver", "panel")
OTHERS = ("reflection", "two drivers", "echo", "edges")


@dataclass(frozen=True, eq=False)
class Box:
    """Far fields (directions, F) of woofer, its edges, tweeter, its edges."""

    frequency_hz: Real
    sources: tuple[Cluster, ...]
    parts: tuple[Complex, ...]
    size_m: Real

    @property
    def whole(self) -> Complex:
        return np.sum(self.parts, axis=0)


def random_box(rng: np.random.Generator, hz: int | Real, edges: float = 1.0) -> Box:
    """A box of 15 to 60 cm, crossed over at 1 to 3 kHz, at so many or these frequencies; ``edges`` scales what they
    scatter."""
    hz = np.geomspace(50, 16000, hz) if isinstance(hz, int) else hz
    size = np.array([rng.uniform(0.15, 0.45), rng.uniform(0.15, 0.4), rng.uniform(0.25, 0.6)])
    corner_hz, steep = rng.uniform(1000, 3000), bool(rng.integers(2))
    butterworth = [(Section(kind, corner_hz, 0.5**0.5),) for kind in ("low_pass", "high_pass")]
    steeper = [linkwitz_riley(kind, corner_hz) for kind in ("low_pass", "high_pass")]
    low, high = steeper if steep else butterworth
    bottom = Section("high_pass", rng.uniform(45, 120), rng.uniform(0.5, 1.2))
    gain = 10 ** (rng.uniform(-2, 2) / 20) * (1 if steep else -1)
    woofer = np.array([size[0] / 2, 0.0, -0.2 * size[2]]), 0.42 * min(size[1], size[2] / 2)
    tweeter = np.array([size[0] / 2, rng.uniform(-0.03, 0.03), 0.28 * size[2]]), rng.uniform(0.012, 0.06)
    parts = []
    for (centre, radius), response in (
        (woofer, Response(1.0, 0.0, (bottom, *low))),
        (tweeter, Response(gain, 0.0, high)),
    ):
        share = edges * rng.uniform(0.1, 0.3)
        parts += [_diaphragm(centre, radius, response, size), _edge(centre, response, size, share)]
    sources = tuple(Cluster((one,)) for one in parts)
    return Box(hz, sources, tuple(one.far_field(DIRECTION, hz, SPEED_M_S) for one in sources), size)


def _diaphragm(centre: Real, radius: float, response: Response, size: Real) -> Part:
    offset, weight = disc(radius, radius, 60, 0.2)
    dipole = np.zeros((60, 3))
    dipole[:, 0] = 0.45 * weight
    return Part(centre + offset, 0.55 * weight, dipole, np.zeros(60), response, _above(response, size))


def _edge(centre: Real, response: Response, size: Real, share: float) -> Part:
    rim = _rectangle(80) * [0, size[1] / 0.30, size[2] / 0.55]
    rim[:, 0] = size[0] / 2
    distance = np.linalg.norm(rim - centre, axis=1)
    weight = -share / distance / np.sum(1 / distance)
    return Part(rim, weight, delay_s=distance / SPEED_M_S, response=_above(response, size))


def _above(response: Response, size: Real) -> Response:
    """Only where the box is no longer small."""
    return Response(
        response.gain, 0.0, (*response.sections, Section("high_pass", SPEED_M_S / (1.2 * np.pi * size[1])))
    )


def resonator(hz: Real, at: float, q: float) -> Complex:
    """s/(s² + s/Q + 1) over Q, s = jf/f0."""
    s = 1j * hz / at
    shape: Complex = (s / q) / (s * s + s / q + 1)
    return shape


def planted(rng: np.random.Generator, box: Box, kind: str, at: float, q: float, rise_db: float) -> Complex:
    """What a resonance adds to the far field, (directions, F)."""
    ringing, spectrum = resonance(rng, box, kind, at, q, rise_db)
    added: Complex = spectrum * sum(one.far_field(DIRECTION, box.frequency_hz, SPEED_M_S) for one in ringing)
    return added


def resonance(
    rng: np.random.Generator, box: Box, kind: str, at: float, q: float, rise_db: float
) -> tuple[tuple[Cluster, ...], Complex]:
    """What rings, and how (F,): all in the drive, the louder driver, or a panel in a side wall with a phase of its own;
    at its frequency the sound power rises by ``rise_db``."""
    hz, shape = box.frequency_hz, resonator(box.frequency_hz, at, q)
    middle = int(np.abs(np.log(hz / at)).argmin())
    ringing = box.sources
    if kind == "driver":
        first = 0 if power(box.parts[0])[middle] > power(box.parts[2])[middle] else 2
        ringing = ringing[first : first + 2]
    elif kind == "panel":
        place = rng.uniform(-0.5, 0.5, 3) * box.size_m
        place[1] = rng.choice([-0.5, 0.5]) * box.size_m[1]
        one_sided = np.array([[0.0, 0.5 * np.sign(place[1]), 0.0]])
        ringing = (Cluster((Part(place[None], np.ones(1), one_sided),)),)
        shape = shape * np.exp(2j * np.pi * rng.random())
    added = shape * sum(one.far_field(DIRECTION, hz, SPEED_M_S) for one in ringing)
    part = added[: len(WEIGHT), middle] / resonator(hz[[middle]], at, q)
    before = box.whole[: len(WEIGHT), middle]
    square = np.array(
        [WEIGHT @ np.abs(part) ** 2, 2 * WEIGHT @ (before.conj() * part).real, WEIGHT @ np.abs(before) ** 2]
    )
    factor = np.roots([square[0], square[1], square[2] * (1 - 10 ** (rise_db / 10))]).max()
    return ringing, factor * shape


def spoilt(rng: np.random.Generator, box: Box, kind: str) -> Complex:
    """A field with notches and ripples but without a resonance."""
    hz, whole = box.frequency_hz, box.whole
    ahead = DIRECTION @ rng.standard_normal(3)
    if kind == "reflection":  # what a gate leaves of it, from an image 1 to 3 m away
        path_m = rng.uniform(1, 3) * ahead / np.abs(ahead).max()
        return whole * (1 + rng.uniform(0.03, 0.2) * np.exp(2j * np.pi * hz * path_m[:, None] / SPEED_M_S))
    if kind == "two drivers":
        apart_m = rng.uniform(0.1, 0.5) * DIRECTION[:, 2:]
        return whole * (1 + rng.uniform(0.6, 1) * np.exp(2j * np.pi * hz * apart_m / SPEED_M_S))
    if kind == "echo":  # alike in all directions, and yet no pole
        return whole * (1 + rng.uniform(0.1, 0.9) * np.exp(-2j * np.pi * hz * rng.uniform(0.2e-3, 2e-3)))
    return random_box(rng, len(hz), edges=2.5).whole


def power(value: Complex) -> Real:
    return WEIGHT @ np.abs(value[: len(WEIGHT)]) ** 2


def with_errors(rng: np.random.Generator, hz: Real, value: Complex) -> tuple[Complex, Real]:
    """Values with errors drawn, and their variance (F,): -90 to -40 dB at 50 Hz, -35 to -15 dB at 16 kHz."""
    level_db = [rng.uniform(-90, -40), rng.uniform(-55, -30), rng.uniform(-35, -15)]
    share = 10 ** (np.interp(np.log(hz), np.log([50, 1000, 16000]), level_db) / 10)
    variance = share * power(value)
    drawn = rng.standard_normal(value.shape) + 1j * rng.standard_normal(value.shape)
    return value + drawn * np.sqrt(variance / 2), variance


def true_standing(box: Box, errors: Complex, variance: Real, added: Complex, at: float, q: float) -> float:
    """The planted strength in standard errors, in the middle direction, against the background without it."""
    hz, octave = box.frequency_hz, np.log2(at)
    ends = octave - 0.5 - BESIDE_OCTAVES, octave + 0.5 + BESIDE_OCTAVES
    given = _responses(hz, box.whole + errors, variance, WEIGHT).within(*ends)
    background = learn(given.frequency_hz, _spread(given.value * np.sqrt(WEIGHT)[:, None]), given.noise)
    covariance = fit_pole(given.frequency_hz, np.array([[at, q]]), given.value, background).covariance
    middle = int(np.abs(np.log(hz / at)).argmin())
    share = (
        added[: len(WEIGHT), middle]
        / resonator(hz[[middle]], at, q)
        / (box.whole + errors)[: len(WEIGHT), middle]
    )
    strength = share * given.value[:, int(np.abs(np.log(given.frequency_hz / at)).argmin())]
    return float(np.sqrt(_middle(np.abs(strength[None]) ** 2 / np.real(covariance[0, 0]), WEIGHT)[0]))


def found(hz: Real, value: Complex, variance: Real) -> Resonances:
    return found_in(hz, value, variance, WEIGHT)


def words(told: Resonances) -> str:
    return ", ".join(
        f"{one.frequency_hz.value:.0f}±{one.frequency_hz.error:.0f} Hz Q {one.q.value:.1f}±{one.q.error:.1f} "
        f"{one.power_db.value:+.1f}±{one.power_db.error:.1f} dB"
        for one in told.found
    )


def plant_one(seed: int) -> tuple[float, bool, int, Sequence[float]]:
    """True standing, whether found within 2 % and 25 %, how many others were found, and errors of f, Q and sound
    power in their own standard errors."""
    rng = np.random.default_rng(seed)
    box = random_box(rng, 400)
    hz, kind = box.frequency_hz, PLANTED[seed % 3]
    at, q, rise = (float(np.exp(rng.uniform(*np.log(ends)))) for ends in ((150, 5000), (5, 60), (0.5, 6)))
    added = planted(rng, box, kind, at, q, rise)
    value, variance = with_errors(rng, hz, box.whole + added)
    told = found(hz, value, variance)
    stands = true_standing(box, value - box.whole - added, variance, added, at, q)
    hits = [
        one
        for one in told.found
        if abs(one.frequency_hz.value / at - 1) < 0.02 and abs(one.q.value / q - 1) < 0.25
    ]
    near = sum(abs(one.frequency_hz.value / at - 1) < 0.05 for one in told.found)
    away: list[float] = []
    if hits:
        one = hits[0]
        pairs = ((one.frequency_hz, at), (one.q, q), (one.power_db, rise))
        away = [(estimate.value - truth) / estimate.error for estimate, truth in pairs]
    verdict = "found" if hits else "missed"
    print(
        f"{kind:7} {at:5.0f} Hz Q {q:4.1f} {rise:3.1f} dB stands {stands:5.1f}  {verdict}: {words(told)}",
        flush=True,
    )
    return stands, bool(hits), len(told.found) - near, away


def convert_one(seed: int, folder: Path) -> tuple[float, bool, int]:
    """A box scanned at 100 to 400 points, 25 to 55 dB signal-to-noise, converted: true standing in the result's own
    error bars, whether its resonance was found, how many others were. Every fourth is clean."""
    rng = np.random.default_rng(seed)
    hz = np.geomspace(100, 2000, 120)
    box = random_box(rng, hz)
    kind, names = "clean" if seed % 4 == 3 else PLANTED[seed % 4], CONVERTED
    at, q, rise = (float(np.exp(rng.uniform(*np.log(names[key])))) for key in ("at", "q", "rise_db"))
    points, snr_db = int(rng.integers(100, 400)), rng.uniform(25, 55)
    ringing, spectrum = resonance(rng, box, PLANTED[seed % 4 % 3], at, q, rise)
    spectrum = spectrum * (kind != "clean")
    position = 0.55 * fibonacci_sphere(points)
    pressure = sum(one.pressure(position, hz, SPEED_M_S) for one in box.sources)
    pressure = pressure + spectrum * sum(one.pressure(position, hz, SPEED_M_S) for one in ringing)
    drawn = rng.standard_normal(pressure.shape) + 1j * rng.standard_normal(pressure.shape)
    pressure = pressure + drawn * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0) / 2) * 10 ** (-snr_db / 20)
    setup = ScanSetup(
        position, speed_of_sound_m_s=SPEED_M_S, device_size_m=box.size_m, environment="anechoic"
    )
    write_scan(folder / f"{seed}.h5", Scan(setup, hz, pressure))
    settings = Settings.model_validate({"points": {"in_convert": False}})
    convert(folder / f"{seed}.h5", folder / f"{seed}", settings)
    expansion = read_result(folder / f"{seed}" / "result.h5").expansion
    told = resonances(expansion)
    near = [one for one in told.found if abs(one.frequency_hz.value / at - 1) < 0.05]
    hit = [
        one for one in near if abs(one.frequency_hz.value / at - 1) < 0.02 and abs(one.q.value / q - 1) < 0.25
    ]
    value = far_field(expansion, DIRECTION)
    variance = WEIGHT @ far_field_variance(expansion, UNIT)
    added = spectrum * sum(one.far_field(DIRECTION, hz, SPEED_M_S) for one in ringing)
    stands = 0.0 if kind == "clean" else true_standing(box, value - box.whole - added, variance, added, at, q)
    error = float(np.median(expansion.far_field_error_db))
    print(
        f"{kind:7} {at:5.0f} Hz Q {q:4.1f} {rise:3.1f} dB stands {stands:5.1f}, {points} points, far field "
        f"{error:.0f} dB: "
        f"{words(told) or 'none'}",
        flush=True,
    )
    return stands, bool(hit), len(told.found) - (0 if kind == "clean" else len(near))


def converted(count: int, seed: int) -> None:
    pipeline.write_page = lambda directory, *_: (directory / "report.html").touch()
    with TemporaryDirectory() as folder:
        rows = [convert_one(1000 * seed + number, Path(folder)) for number in range(count)]
    clear = [row[1] for row in rows if row[0] >= 3]
    print(
        f"converted: {sum(clear)} of {len(clear)} that stand 3 errors out found, {sum(row[2] for row in rows)} false "
        f"in {count} devices"
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--planted", type=int, default=60)
    ask.add_argument("--clean", type=int, default=20)
    ask.add_argument("--others", type=int, default=20)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--converted", type=int, default=0, help="only so many small scans, converted")
    given = ask.parse_args()
    if given.converted:
        converted(given.converted, given.seed)
        return
    rows = [plant_one(1000 * given.seed + number) for number in range(given.planted)]
    clear = [row[1] for row in rows if row[0] >= 3]
    away = np.abs(np.array([row[3] for row in rows if row[3]]))
    print(
        f"planted: {sum(clear)} of {len(clear)} that stand 3 errors out found, {sum(row[2] for row in rows)} false"
    )
    print(f"truth within two errors, f, Q, sound power: {np.round(100 * np.mean(away < 2, axis=0))} %")
    for name, count in (("clean", given.clean), ("others", given.others)):
        called = 0
        for number in range(count):
            rng = np.random.default_rng(1000 * given.seed + 500 + number)
            box = random_box(rng, 400)
            kind = "clean" if name == "clean" else OTHERS[number % len(OTHERS)]
            value = box.whole if name == "clean" else spoilt(rng, box, kind)
            told = found(box.frequency_hz, *with_errors(rng, box.frequency_hz, value))
            called += bool(told.found)
            print(f"{kind}: {words(told) or 'none'}", flush=True)
        print(f"{name}: resonances called in {called} of {count}", flush=True)


if __name__ == "__main__":
    main()
