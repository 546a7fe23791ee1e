"""The sentences of the page against the field of the demo's device in closed form.

A coarse copy of the device (fewer sources per diaphragm), scanned at few points and fitted by least squares, so that it
takes seconds; every number in a sentence is computed again from the sources themselves.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.signal import freqz
from small_scans import even_points

from scanproc.records.answers.advice import Band
from scanproc.records.answers.result import Result
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.report.drawing.kinds import Figure, HeatMap, Lines, Polar
from scanproc.report.figures.material import Material
from scanproc.report.pages.sections import clean, device, enough, mend
from scanproc.report.words.plate import conditions, plate
from scanproc.report.words.summary import summarise
from scanproc.run.conversion.datasheet import all_curves, datasheet
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.advise.advice import Wish, advice
from scanproc.steps.farfield.curves import average_weights
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit
from scanproc.waves.orbit_sets import directions
from synthetic_scans.device import SIZE_M, paging_loudspeaker

SPEED_M_S = 343.0
HZ = np.geomspace(50, 2600, 35)
SOURCE = paging_loudspeaker(0.1)
SETUP = ScanSetup(
    even_points(700, 0.46),
    time_s=10.0 * np.arange(700),
    device="ferry terminal paging horn",
    device_size_m=np.array(SIZE_M),
    device_centre_m=np.zeros(3),
    temperature_c=18.0,
    speed_of_sound_m_s=SPEED_M_S,
    environment="anechoic",
    date="an evening in May",
)


def level_db(direction: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """dB re 20 µPa at 1 m along directions (angles, 3), of the sources themselves; (angles, F)."""
    return 20 * np.log10(
        np.abs(SOURCE.far_field(np.atleast_2d(direction), np.atleast_1d(hz), SPEED_M_S)) / 20e-6
    )


def around(angle_deg: np.ndarray, orbit: str) -> np.ndarray:
    """Unit vectors at angles from +x towards +y (left), or towards +z (up)."""
    turn = np.deg2rad(np.atleast_1d(angle_deg))
    x, off, zero = np.cos(turn), np.sin(turn), 0 * turn
    return np.stack([x, off, zero] if orbit == "horizontal" else [x, zero, off], axis=1)


def hertz(words: str) -> float:
    number, unit = words.split(" ")
    return float(number) * (1000 if unit == "kHz" else 1)


def at(words: str) -> np.ndarray:
    """The scan's frequency that the words round."""
    return HZ[[np.argmin(np.abs(np.log(HZ / hertz(words))))]]


@pytest.fixture(scope="module")
def made() -> Material:
    pressure = SOURCE.pressure(SETUP.position_m, HZ, SPEED_M_S)
    rng = np.random.default_rng(6)
    noise = rng.standard_normal((2, *pressure.shape))
    pressure += 1e-4 * np.abs(pressure).mean() * (noise[0] + 1j * noise[1])
    expansion = fit(Scan(SETUP, HZ, pressure), centre_m=(0.0, 0.0, 0.0), estimator="truncated")
    curves = all_curves(expansion, CurveSettings())
    summary = summarise(
        Result(expansion), SETUP.device, -25.0, "default", headline=datasheet(curves, CurveSettings())
    )
    plain = json.loads(json.dumps(summary.as_json()))
    return Material(Result(expansion), plain, curves, setup=SETUP)


@pytest.fixture(scope="module")
def shown(made: Material) -> dict[str, Figure]:
    assert np.all(made.result.expansion.far_field_error_db < -35)
    return {figure.text.key: figure for figure in device(made).figures}


@pytest.fixture(scope="module")
def said(shown: dict[str, Figure]) -> dict[str, str]:
    return {key: figure.text.finding for key, figure in shown.items()}


@pytest.mark.parametrize(
    ("orbit", "sides"), [("horizontal", ("left", "right")), ("vertical", ("up", "down"))]
)
def test_lines_and_maps_lie_on_the_side_they_name(
    shown: dict[str, Figure], orbit: str, sides: tuple[str, str]
) -> None:
    """Left is towards +y and up towards +z, and positive in maps and polars."""
    lines, chart = shown[f"off-axis-{orbit}"], shown[f"{orbit}-map"]
    assert isinstance(lines, Lines)
    assert isinstance(chart, HeatMap)
    polar = shown["polar"]
    assert isinstance(polar, Polar)
    for angle, side in ((30, sides[0]), (-30, sides[1])):
        true = level_db(around(np.array([angle]), orbit), HZ)[0]
        line = next(one for one in lines.lines if one.name == f"30 deg {side}")
        row = int(np.flatnonzero(chart.y == angle)[0])
        for level in (line.y, chart.value[row], polar.value[polar.orbits.index(orbit)][row]):
            assert np.abs(level - true).max() < 0.3


def test_the_axis_and_the_sensitivity(said: dict[str, str]) -> None:
    found = re.fullmatch(
        r"From 300 Hz to 2.6 kHz the level on the reference axis stays within ±(\S+) dB; the sensitivity, its mean "
        r"from 300 Hz to 2.6 kHz, is (\S+) dB\.",
        said["response"],
    )
    assert found, said["response"]
    axis = np.array([[1.0, 0.0, 0.0]])
    inside = level_db(axis, HZ[HZ >= 299])[0]
    assert float(found[1]) == pytest.approx(np.ptp(inside) / 2, abs=0.06)
    low, high = np.log(300), np.log(HZ[-1])
    mean = quad(lambda u: level_db(axis, np.exp(u))[0, 0], low, high, limit=200)[0] / (high - low)
    assert float(found[2]) == pytest.approx(mean, abs=0.1)


@pytest.mark.parametrize(
    ("orbit", "one", "other"), [("horizontal", "left", "right"), ("vertical", "up", "down")]
)
def test_both_sides_of_an_orbit(said: dict[str, str], orbit: str, one: str, other: str) -> None:
    finding = said[f"off-axis-{orbit}"]
    found = re.fullmatch(
        rf"At equal angles {one} and {other} differ most at (.*Hz) and (\d+) deg, by (\S+) dB\.", finding
    )
    assert found, finding
    angle = np.arange(15, 91, 15)
    apart = np.abs(level_db(around(angle, orbit), HZ) - level_db(around(-angle, orbit), HZ))
    assert float(found[3]) == pytest.approx(apart.max(), abs=0.3)
    here = level_db(around(np.array([float(found[2])]), orbit), at(found[1]))
    there = level_db(around(np.array([-float(found[2])]), orbit), at(found[1]))
    assert float(found[3]) == pytest.approx(float(np.abs(here - there)[0, 0]), abs=0.3)


def test_behind_the_device_and_above_the_axis(said: dict[str, str]) -> None:
    finding = said["horizontal-map"]
    octaves = re.findall(r"(\S+) dB at ([\d.]+ k?Hz)", finding.split("(octaves)")[0])
    assert [name for _, name in octaves] == ["63 Hz", "125 Hz", "250 Hz", "500 Hz", "1 kHz", "2 kHz"]
    drop = level_db(np.array([[1.0, 0, 0]]), HZ)[0] - level_db(np.array([[-1.0, 0, 0]]), HZ)[0]
    for value, name in octaves:
        here = np.abs(np.log2(HZ / hertz(name))) <= 0.5
        assert float(value) == pytest.approx(drop[here].mean(), abs=0.2), name
    for orbit in ("horizontal", "vertical"):
        words = said[f"{orbit}-map"]
        angle = np.arange(-178.0, 181, 2)
        over = level_db(around(angle, orbit), HZ) - level_db(np.array([[1.0, 0, 0]]), HZ)
        most = re.search(r"Most above the axis is (\S+) deg at ([\d.]+ k?Hz), by (\S+) dB", words)
        if most is None:
            assert over.max() < 0.15
        else:
            assert float(most[3]) == pytest.approx(over.max(), abs=0.15)


def test_the_beamwidth_jumps_where_it_is_said_to(said: dict[str, str]) -> None:
    found = re.fullmatch(
        r"The (\w+) beamwidth, -6 dB jumps most within a third of an octave: from (\d+) deg at (.*Hz) to (\d+) deg at "
        r"(.*Hz)\.",
        said["beamwidth"],
    )
    assert found, said["beamwidth"]
    for width, name in ((found[2], found[3]), (found[4], found[5])):
        hz = at(name)
        axis = level_db(np.array([[1.0, 0, 0]]), hz)[0, 0]

        def over(angle: float, hz: np.ndarray = hz, axis: float = axis) -> float:
            return float(level_db(around(np.array([angle]), found[1]), hz)[0, 0] - axis + 6)

        edges = []
        for side in (1, -1):
            grid = np.arange(0, 181, 1.0)
            first = next(a for a in grid if over(side * a) < 0)
            edges.append(brentq(lambda a, side=side: over(side * a), first - 1, first))
        assert float(width) == pytest.approx(sum(edges), abs=2)


def mean_level_db(hz: np.ndarray) -> np.ndarray:
    """Over the sphere, by Gauss-Legendre in the polar angle and equal steps of azimuth."""
    z, weight = np.polynomial.legendre.leggauss(40)
    azimuth = 2 * np.pi * np.arange(80) / 80
    ring = np.sqrt(1 - z**2)[:, None]
    every = np.stack([ring * np.cos(azimuth), ring * np.sin(azimuth), z[:, None] + 0 * azimuth], axis=-1)
    level = level_db(every.reshape(-1, 3), hz).reshape(40, 80, -1)
    return 10 * np.log10(weight @ np.mean(10 ** (level / 10), axis=1) / 2)


def test_directivity_index_and_sound_power(said: dict[str, str], made: Material) -> None:
    ends = re.findall(r"(\S+) dB at ([\d.]+ k?Hz)", said["index"])
    mean = mean_level_db(HZ)
    index = level_db(np.array([[1.0, 0, 0]]), HZ)[0] - mean
    inside = HZ >= 299
    assert float(ends[0][0]) == pytest.approx(index[inside].min(), abs=0.1)
    assert float(ends[1][0]) == pytest.approx(index[inside].max(), abs=0.1)
    loudest = re.search(r"in the band of (.*Hz), (\S+) dB re 1 pW", said["sound-power"])
    assert loudest
    # L_W = L_p + 10 lg 4π - 10 lg(ρc/400 Pa s/m), at 1 m (ISO 3745, from memory)
    impedance = made.result.expansion.air_density_kg_m3 * SPEED_M_S
    power = mean + 10 * np.log10(4 * np.pi) - 10 * np.log10(impedance / 400)
    band = np.floor(10 * np.log10(HZ / 1000) + 0.5)
    by_band = [10 * np.log10(np.mean(10 ** (power[band == one] / 10))) for one in np.unique(band)]
    assert float(loudest[2]) == pytest.approx(max(by_band), abs=0.1)


def test_when_the_impulse_is_largest(said: dict[str, str]) -> None:
    """Of the sources' own spectrum, faded out by raised cosines over an octave below and a third of one above."""
    found = re.search(
        r"largest (\S+) ms re sound from the scan's origin, (above|below) zero", said["impulse"]
    )
    assert found
    bins = np.fft.rfftfreq(16384, 1 / 48000.0)[1:]
    outside = np.clip(np.maximum(np.log2(HZ[0] / bins), 3 * np.log2(bins / HZ[-1])), 0, 1)
    spectrum = (
        SOURCE.far_field(np.array([[1.0, 0, 0]]), bins, SPEED_M_S)[0] * (1 + np.cos(np.pi * outside)) / 2
    )
    impulse = np.fft.irfft(np.append(0, spectrum))
    peak = int(np.abs(impulse).argmax())
    assert float(found[1]) == pytest.approx(1000 * ((peak + 8192) % 16384 - 8192) / 48000, abs=0.05)
    assert (found[2] == "above") == (impulse[peak] > 0)


def test_the_plate_and_the_conditions(made: Material) -> None:
    entries = {entry.name: entry for entry in plate(made.summary["headline"])}
    axis = np.array([[1.0, 0.0, 0.0]])
    sensitivity = float(entries["Sensitivity"].value.split(" ")[0])
    limit = brentq(lambda hz: level_db(axis, hz)[0, 0] - sensitivity + 6, 40, 300)
    assert float(entries["Lower limit"].value.split(" / ")[1]) == pytest.approx(limit, rel=0.03)
    shown = {entry.name: entry.value for entry in conditions(made.setup, made.summary)}
    assert shown["Reference axis"] == "leaves from the middle of the front, 200 mm before the origin"
    assert shown["Surface"] == "1 layer, 0.46 m from the origin"
    assert shown["Points"] == "700, 0 dropped, in 1.9 h"
    assert shown["Air"] == "18.0 °C"
    assert shown["Room"] == "anechoic"
    assert shown["Date"] == "an evening in May"
    assert shown["Microphone"] == "not stated"


def loudest(hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """On both orbits, by steps of 2 deg: how far off the axis the loudest angle lies, and how much louder it is."""
    angle = np.arange(-178.0, 181, 2)
    level = np.stack([level_db(around(angle, orbit), hz) for orbit in ("horizontal", "vertical")])
    return np.abs(angle[level.argmax(axis=1)]), level.max(axis=1) - level[:, angle == 0][:, 0]


def test_the_loudest_angle_on_orbits_and_sphere(said: dict[str, str]) -> None:
    found = re.fullmatch(
        r"The loudest angle lies farthest off the axis at (.*Hz): (-?\d+) deg on the (\w+) orbit, (\S+) dB above the "
        r"axis\.",
        said["polar"],
    )
    assert found, said["polar"]
    off, over = loudest(HZ)
    assert abs(float(found[2])) == pytest.approx(off.max(), abs=2)
    row, column = ("horizontal", "vertical").index(found[3]), int(np.flatnonzero(at(found[1]) == HZ)[0])
    assert float(found[4]) == pytest.approx(over[row, column], abs=0.15)
    found = re.search(r"off the reference axis at (.*Hz), by (\d+) deg\.", said["balloon"])
    assert found, said["balloon"]
    polar, azimuth = np.deg2rad(np.arange(0, 181, 2.0))[:, None], np.deg2rad(np.arange(0, 360, 2.0))[None, :]
    every = [np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), np.cos(polar) + 0 * azimuth]
    sphere = np.stack(every, axis=-1).reshape(-1, 3)
    most = sphere[level_db(sphere, at(found[1]))[:, 0].argmax()]
    assert float(found[2]) == pytest.approx(np.rad2deg(np.arccos(most[0])), abs=5)


def test_how_much_of_an_orbit_lies_within_6_db(said: dict[str, str]) -> None:
    parts = re.findall(
        r"(\d+) % of the horizontal and (\d+) % of the vertical orbit at ([\d.]+ k?Hz)", said["polar-sheet"]
    )
    assert [name for *_, name in parts] == ["125 Hz", "2 kHz"]
    angle = np.arange(-178.0, 181, 2)
    for horizontal, vertical, name in parts:
        for told, orbit in ((horizontal, "horizontal"), (vertical, "vertical")):
            level = level_db(around(angle, orbit), at(name))[:, 0]
            share = 100 * np.mean(level >= level[angle == 0] - 6)
            assert float(told) == pytest.approx(share, abs=2), (name, orbit)


def true_average_db(name: str) -> np.ndarray:
    """Of squared pressures at the 70 angles; weights checked against tables in tests/steps/farfield/test_curves.py."""
    power = average_weights()[name] @ 10 ** (level_db(directions(), HZ) / 10)
    return 10 * np.log10(power)


def true_in_room_db() -> np.ndarray:
    shares = {"listening window": 0.12, "early reflections": 0.44, "sound power": 0.44}
    return 10 * np.log10(sum(share * 10 ** (true_average_db(name) / 10) for name, share in shares.items()))


def test_the_trend_of_the_in_room_response(said: dict[str, str]) -> None:
    found = re.fullmatch(
        r"From 100 Hz to 2.6 kHz the estimated in-room response changes by (\S+) dB per octave and stays within "
        r"±(\S+) dB of that line\.",
        said["in-room"],
    )
    assert found, said["in-room"]
    inside = HZ >= 99.9
    octave, level = np.log2(HZ[inside]), true_in_room_db()[inside]
    slope, height = np.polyfit(octave, level, 1, w=np.sqrt(np.gradient(octave)))
    assert float(found[1]) == pytest.approx(slope, abs=0.03)
    assert float(found[2]) == pytest.approx(np.abs(level - slope * octave - height).max(), abs=0.15)


def true_phase_rad(hz: np.ndarray) -> np.ndarray:
    return np.unwrap(np.angle(SOURCE.far_field(np.array([[1.0, 0, 0]]), hz, SPEED_M_S)[0]))


def test_group_delay_and_phase(said: dict[str, str], shown: dict[str, Figure]) -> None:
    """The delay by differences of the sources' own phase, the minimum phase by the cepstrum of their level."""
    found = re.fullmatch(
        r"The group delay is largest at (.*Hz), (\S+) ms, and (\S+) ms in the median, both re sound .*",
        said["group-delay"],
    )
    assert found, said["group-delay"]
    either = np.stack([HZ * 0.999, HZ * 1.001], axis=1)
    turned = np.array(
        [np.ptp(true_phase_rad(pair)) * -np.sign(np.diff(true_phase_rad(pair)))[0] for pair in either]
    )
    delay = 1000 * turned / (2 * np.pi * np.diff(either)[:, 0])
    assert float(found[2]) == pytest.approx(delay.max(), abs=0.25)
    assert float(found[3]) == pytest.approx(np.median(delay), abs=0.03)
    fine = np.arange(1, 2**15 + 1) * 1.0
    level = np.log(np.abs(SOURCE.far_field(np.array([[1.0, 0, 0]]), fine, SPEED_M_S)[0]))
    level = np.interp(fine, fine[fine <= 16000], level[fine <= 16000])
    cepstrum = np.fft.irfft(np.concatenate([level[:1], level]))
    half = len(cepstrum) // 2
    cepstrum[1:half] *= 2
    cepstrum[half + 1 :] = 0
    least = np.rad2deg(np.interp(HZ, fine, np.fft.rfft(cepstrum).imag[1:]))
    drawn = shown["phase"]
    assert isinstance(drawn, Lines)
    phase, minimum = drawn.lines
    assert minimum.low is not None
    assert minimum.high is not None
    assert np.all((least > minimum.low - 2) & (least < minimum.high + 2))
    found = re.match(r"Less a delay of (\S+) ms re .* at (.*Hz), by at least (\d+) deg\.", said["phase"])
    assert found, said["phase"]
    true = np.rad2deg(true_phase_rad(HZ) + 2e-3 * np.pi * HZ * float(found[1]))
    assert phase.y == pytest.approx(true, abs=2)
    assert abs(true - least)[at(found[2]) == HZ][0] >= float(found[3])


def cookbook(one: Band) -> tuple[list[float], list[float]]:
    """W3C note Audio EQ Cookbook (2021): peakingEQ, lowShelf, highShelf; from memory."""
    turn, a = 2 * np.pi * one.frequency_hz / 48000, 10 ** (one.gain_db / 40)
    alpha, cosine = np.sin(turn) / (2 * one.q), np.cos(turn)
    if one.kind == "peaking":
        return [1 + alpha * a, -2 * cosine, 1 - alpha * a], [1 + alpha / a, -2 * cosine, 1 - alpha / a]
    sign, wide = (1 if one.kind == "low_shelf" else -1), 2 * np.sqrt(a) * alpha
    up, down = a + 1, sign * (a - 1)
    top = [up - down * cosine + wide, 2 * (down - up * cosine), up - down * cosine - wide]
    bottom = [up + down * cosine + wide, -2 * (down + up * cosine), up + down * cosine - wide]
    return [a * value for value in top], bottom


def test_what_a_filter_can_mend(made: Material) -> None:
    """The sources hold no section of a quality that rings; departures from their own curves, filters by scipy."""
    assert all((one.q or 0) < 1 for part in SOURCE.parts for one in part.response.sections)
    told = advice(made.result.expansion, Wish())
    section = mend(replace(made, advice=told))
    assert section is not None
    found = re.fullmatch(
        r"No resonances from 50 Hz to 2.6 kHz\. (\d) filters? would bring the estimated in-room response from (.*) to "
        r"2.6 kHz from (\S+) to (\S+) dB rms off its target, (\S+) dB quieter at the same drive\.",
        section.figures[0].text.finding,
    )
    assert found, section.figures[0].text.finding
    assert int(found[1]) == len(told.proposal.bands)
    inside = told.departures.frequency_hz[0] * 0.999 <= HZ
    octave, weight = np.log2(HZ[inside]), np.gradient(np.log(HZ[inside]))
    room, axis = true_in_room_db()[inside], true_average_db("on axis")[inside]
    falls = np.polyval(np.polyfit(octave, room - axis, 1, w=np.sqrt(weight)), octave)
    response = np.zeros(len(octave))
    for one in told.proposal.bands:
        response += 20 * np.log10(np.abs(freqz(*cookbook(one), worN=HZ[inside], fs=48000)[1]))

    def rms(off: np.ndarray) -> float:
        return float(np.sqrt(np.average((off - np.average(off, weights=weight)) ** 2, weights=weight)))

    assert float(found[3]) == pytest.approx(rms(room - falls), abs=0.1)
    assert float(found[4]) == pytest.approx(rms(room - falls + response), abs=0.1)
    most = max(0.0, response.max())
    assert float(found[5]) == pytest.approx(most - np.average(response, weights=weight), abs=0.15)


def test_errors_points_and_centre(made: Material, shown: dict[str, Figure]) -> None:
    """What the page says of errors, against the true far field at 300 directions."""
    assert shown
    asked = (enough(made), clean(made))
    words = {one.text.key: one.text.finding for part in asked for one in (*part.figures, *part.folded)}
    found = re.match(
        r"The predicted far-field error meets -25 dB in (\d+) of (\d+) third-octave bands; it is",
        words["errors"],
    )
    assert found, words["errors"]
    assert found[1] == found[2] == str(len(made.summary["bands"]))
    unit = even_points(300, 1.0)
    true = SOURCE.far_field(unit, HZ, SPEED_M_S)
    missed = far_field(made.result.expansion, unit) - true
    error = 10 * np.log10(np.sum(np.abs(missed) ** 2, axis=0) / np.sum(np.abs(true) ** 2, axis=0))
    assert error.max() < -25
    told = float(re.search(r"largest at .*Hz, (\S+) dB\.", words["errors"])[1])  # type: ignore[index]
    assert told == pytest.approx(error.max(), abs=4)
    assert "stays in one place; at the highest frequency it lies at x 0, y 0, z 0 mm" in words["centre"]
