"""The plate of a device and the conditions of its measurement: names and values as the page states them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from scanproc.records.measured.scan import ScanSetup
from scanproc.report.words.sentences import count, frequency, hours

NOT_STATED = "not stated"
ABSENT = "–"
FIT = "fit error"
ROOMS = {"room": "ordinary, with reflections", "anechoic": "anechoic"}


@dataclass(frozen=True)
class Entry:
    """``key``: where the number stands in summary.json."""

    name: str
    value: str
    note: str = ""
    key: str = ""


def plate(headline: Mapping[str, Any], level_error_db: float = 0.0) -> list[Entry]:
    """What a datasheet states of the device; a dash where the scan's band does not reach that far. ``level_error_db``:
    of calibration and drift, joined to the fit's."""
    limits = headline.get("low_limit") or {}
    return [
        _number(
            "Sensitivity",
            headline.get("sensitivity"),
            "headline.sensitivity",
            1,
            "error" if level_error_db else FIT,
        ),
        Entry(
            "Lower limit",
            " / ".join(_limit(limits.get(f"-{drop} dB")) for drop in (3, 6, 10)) + " Hz",
            "-3 / -6 / -10 dB re the sensitivity",
            "headline.low_limit",
        ),
        _range(headline.get("even_range")),
        _coverage(headline.get("coverage") or {}),
        _number("Directivity index", headline.get("directivity_index"), "headline.directivity_index", 1),
        _number(
            "Window spread", headline.get("listening_window_spread"), "headline.listening_window_spread", 1
        ),
        _number("In-room slope", headline.get("in_room_tilt"), "headline.in_room_tilt", 2),
    ]


def _number(name: str, entry: Mapping[str, Any] | None, key: str, digits: int, of: str = FIT) -> Entry:
    if not entry:
        return Entry(name, ABSENT, "", key)
    value = f"{entry['value']:z.{digits}f} {entry['unit'].replace(' per octave', '/octave')}"
    return Entry(name, value, f"{of} {_error(entry, digits)}, {_band(entry)}", key)


def _error(entry: Mapping[str, Any], digits: int) -> str:
    error, least = entry["standard_error"], 10.0**-digits
    return f"{error:.{digits}f}" if error >= least / 2 else f"<{least:.{digits}f}"


def _band(entry: Mapping[str, Any]) -> str:
    return f"{frequency(entry['from_hz'])} to {frequency(entry['to_hz'])}"


def _limit(entry: Mapping[str, Any] | None) -> str:
    """In Hz, to three digits."""
    return f"{float('{:.3g}'.format(entry['value'])):g}" if entry else ABSENT


def _range(entry: Mapping[str, Any] | None) -> Entry:
    key = "headline.even_range"
    if not entry:
        return Entry("Range ±3 dB", ABSENT, "", key)
    return Entry(f"Range ±{entry['within_db']:g} dB", _band(entry), "re the sensitivity", key)


def _coverage(entries: Mapping[str, Any]) -> Entry:
    known = [entry for entry in entries.values() if entry]
    if not known:
        return Entry("Coverage", ABSENT, "no fall by 6 dB", "headline.coverage")
    value = " x ".join(f"{entry['value']:z.0f}°" if entry else "all round" for entry in entries.values())
    return Entry("Coverage", value, f"-6 dB, {' x '.join(entries)}, {_band(known[0])}", "headline.coverage")


def conditions(setup: ScanSetup | None, summary: Mapping[str, Any]) -> list[Entry]:
    """Under which conditions it was measured, as far as the scan says."""
    points = f"{summary['points']:,}, {summary['points_dropped']:,} dropped"
    if setup is None:
        return [Entry("Points", points)]
    return [
        Entry("Drive", f"{setup.drive_voltage_v:g} V; levels for 2.83 V at 1 m"),
        Entry("Air", _air(setup)),
        Entry("Surface", _surface(setup)),
        Entry("Points", points + _duration(setup)),
        Entry("Room", ROOMS.get(setup.environment or "", NOT_STATED)),
        Entry("Date", setup.date or NOT_STATED),
        Entry("Microphone", setup.microphone or NOT_STATED),
        Entry("Reference axis", _axis(setup)),
    ]


def _air(setup: ScanSetup) -> str:
    found = []
    if setup.point_temperature_c is not None and len(setup.point_temperature_c):
        low, high = float(setup.point_temperature_c.min()), float(setup.point_temperature_c.max())
        found.append(f"{low:z.1f} °C" if high - low < 0.05 else f"{low:z.1f} to {high:z.1f} °C")
    elif setup.temperature_c is not None:
        found.append(f"{setup.temperature_c:z.1f} °C")
    if setup.humidity_percent is not None:
        found.append(f"{setup.humidity_percent:z.0f} %")
    if setup.air_pressure_kpa is not None:
        found.append(f"{setup.air_pressure_kpa:z.1f} kPa")
    return ", ".join(found) or NOT_STATED


def _surface(setup: ScanSetup) -> str:
    """Layers, and how far their points lie from the scan's origin."""
    radius = np.linalg.norm(setup.position_m, axis=1)
    layer = np.zeros(len(radius), dtype=int) if setup.layer is None else setup.layer
    parts = []
    for one in np.unique(layer):
        low, high = float(radius[layer == one].min()), float(radius[layer == one].max())
        parts.append(f"{low:z.2f} m" if high - low < 0.005 else f"{low:z.2f} to {high:z.2f} m")
    return f"{count(len(parts), 'layer')}, {' and '.join(parts)} from the origin"


def _duration(setup: ScanSetup) -> str:
    return "" if setup.time_s is None or setup.points < 2 else f", in {hours(float(np.ptp(setup.time_s)))}"


def _axis(setup: ScanSetup) -> str:
    """Where the scan's x axis comes out of the device's box."""
    if setup.device_size_m is None:
        return "x; size of the device not stated"
    centre = np.zeros(3) if setup.device_centre_m is None else setup.device_centre_m
    front = 1000 * float(centre[0] + setup.device_size_m[0] / 2)
    left, up = (1000 * float(-centre[axis]) for axis in (1, 2))
    place = [
        f"{abs(value):z.0f} mm {words[value < 0]}"
        for value, words in ((left, ("left", "right")), (up, ("above", "below")))
        if abs(value) >= 0.5
    ]
    where = f"{' and '.join(place)} of the front's middle" if place else "from the middle of the front"
    return f"leaves {where}, {front:z.0f} mm before the origin"
