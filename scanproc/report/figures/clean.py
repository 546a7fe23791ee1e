"""Figures of the question whether the measurement is clean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from scipy import stats

from scanproc.conventions import Boolean, Real
from scanproc.records.fitted.point_errors import PointErrors
from scanproc.records.fitted.room import RoomReport
from scanproc.records.measured.check import BAD_POINTS, CheckReport
from scanproc.records.measured.scan import ScanSetup
from scanproc.report.drawing.kinds import Axis, Cloud, Figure, Line, Lines, Steps, Text
from scanproc.report.drawing.tables import Table
from scanproc.report.figures.material import Material, doubtful, frequency_axis, nearest, rounded_span
from scanproc.report.words.sentences import count, frequency

ODD_DB = 15.0
"""A point this far above the median of all points is called odd: one value of noise alone in 3·10^9 is."""
STRETCHES = 12
MOST_BINS = 300
NAMED_POINTS = 8
START_HZ = 1000.0


def point_figures(material: Material) -> tuple[Figure, ...]:
    """What the fit leaves over at each point, where and when."""
    if material.point_errors is None:
        return ()
    points = replace(cloud(material.point_errors, material.check), doubtful=doubtful(material))
    return (points, along_the_scan(material.point_errors, material.setup))


def cloud(points: PointErrors, check: CheckReport | None = None) -> Cloud:
    """Where the points lie, coloured by what the fit leaves over."""
    start = nearest(points.frequency_hz, START_HZ)
    relative = points.error_db - np.nanmedian(points.error_db, axis=0)
    steps = Steps("band", "Hz", tuple(map(float, points.frequency_hz)), start)
    odd = _odd(points)
    if np.any(odd):
        middle = points.position_m[odd].mean(axis=0)
        finding = (
            f"{count(int(odd.sum()), 'point')} of {len(odd):,} {'stands' if odd.sum() == 1 else 'stand'} more than "
            f"{ODD_DB:g} dB above the median, around x {middle[0]:z.2f}, y {middle[1]:z.2f}, z {middle[2]:z.2f} m"
        )
        judged = check is not None and check.judged_hz and not check.points_of(*BAD_POINTS)
        finding += "; the check of the scan found no point at fault." if judged else "."
    else:
        finding = f"No point of {len(odd):,} stands more than {ODD_DB:g} dB above the median residual."
    text = Text(
        "points",
        "Where the points lie",
        finding,
        "Every point of the scan in the scan's frame (x out of the front, y to the left seen from behind, z up), "
        "coloured by its residual: measured "
        "less what the fit makes of it, device and room, re the median point of the band. A residual, not a held-out "
        "error.",
        "An even colour is good. A bright patch is a bad region; bright single points are bumps, clicks or wrong "
        "positions.",
        "Measure bright points again, or look at what stood near them.",
    )
    return Cloud(
        text,
        points.position_m,
        relative,
        Axis("Residual re median", "dB", -15.0, 25.0),
        steps,
        points.layer,
        names=points.names,
    )


def room(report: RoomReport) -> tuple[Lines, ...]:
    """Room level against device level; nothing when the two were not told apart anywhere."""
    ways = () if report.method == "none" else (room_shares(report),)
    incoming = report.incoming_db
    known = np.isfinite(incoming)
    if not np.any(known):
        return ways
    loudest = int(np.nanargmax(incoming))
    text = Text(
        "room",
        "The room",
        f"The room is loudest against the device at {frequency(float(report.frequency_hz[loudest]))}, "
        f"{incoming[loudest]:z.1f} dB.",
        "The room's sound at the points over the device's, as the model tells the two apart. "
        f"Method: {report.method}.",
        "The lower the better: what cannot be told apart is in the error bars.",
        "Scan nearer to the device, damp the room, or add a second layer of points.",
    )
    low, high = rounded_span(incoming, 10, (-40, 10))
    return (
        *ways,
        Lines(
            text,
            frequency_axis(report.frequency_hz),
            Axis("Level", "dB", max(low, -80.0), high),
            report.frequency_hz,
            (Line("room re device", incoming),),
        ),
    )


def room_shares(report: RoomReport) -> Lines:
    """At which frequencies the sound was gated, and where the room was part of the model."""
    gate = "" if report.gate_length_s is None else f" The gate leaves {1000 * report.gate_length_s:.1f} ms."
    text = Text(
        "room-ways",
        "How the room was taken out",
        f"The room was taken out by: {report.method}.",
        f"How far the result comes from gated responses, and where the room's sound was part of the model.{gate}",
        "Where both are zero the room is part of the result.",
        "A longer gate or a second layer of points reaches further.",
    )
    shares = {"gated": 100 * report.gated_share, "room in the model": 100 * report.modelled_share}
    return Lines(
        text,
        frequency_axis(report.frequency_hz),
        Axis("Share", "%", -5.0, 105.0, digits=0),
        report.frequency_hz,
        tuple(Line(name, share) for name, share in shares.items()),
    )


def findings(check: CheckReport) -> Table | None:
    """What the look at the scan found."""
    if not check.findings:
        return None
    header = ("Severity", "Finding", "To do", "Points")
    rows = tuple((one.severity, one.what, one.remedy, _which(one.names)) for one in check.findings)
    some = 4 if any(row[3] for row in rows) else 3
    return Table(header[:some], tuple(row[:some] for row in rows))


def _which(names: Sequence[str]) -> str:
    """The first few points by name."""
    first = ", ".join(names[:NAMED_POINTS])
    rest = len(names) - NAMED_POINTS
    return f"{first} and {rest} more" if rest > 0 else first


def along_the_scan(points: PointErrors, setup: ScanSetup | None = None) -> Lines:
    """The residual in the order in which the points were taken, in hours where the scan tells them."""
    time_s = None if setup is None or setup.points != len(points.names) else setup.time_s
    order = np.arange(len(points.names)) if time_s is None else np.argsort(time_s, kind="stable")
    worst = _overall(points)[order]
    edges = np.linspace(0, len(worst), min(MOST_BINS, len(worst)) + 1).round().astype(int)
    groups = [worst[a:b] for a, b in pairwise(edges)]
    middle = np.array([np.median(group) for group in groups])
    highest = np.array([group.max() for group in groups])
    when = np.arange(1.0, len(worst) + 1) if time_s is None else time_s[order] / 3600
    place = np.array([when[a:b].mean() for a, b in pairwise(edges)])
    axis = ("Point number", "", 0) if time_s is None else ("Time since the start", "h", 2)
    low, high = rounded_span(np.concatenate([middle, highest]), 10, (-80, 0))
    text = Text(
        "along",
        "Along the scan",
        _change(worst),
        "The residual of the points in the order in which they were taken, over all bands: the median and the highest "
        "of each group of neighbours.",
        "A step is something that moved; spikes are single bad points. A slope may be drift, but a scan also travels "
        "over the surface, and where the residual differs from place to place it slopes, too.",
        "Points measured twice, hours apart, tell drift from place.",
    )
    return Lines(
        text,
        Axis(*axis[:2], float(when[0]), float(max(when[-1], when[0] + 1e-3)), digits=axis[2]),
        Axis("Residual", "dB", low, high),
        place,
        (Line("median of the group", middle), Line("highest of the group", highest)),
    )


def _change(worst: Real) -> str:
    """First and last third against each other, and whether neighbouring stretches scatter as much."""
    if len(worst) < 2 * STRETCHES:
        return f"{count(len(worst), 'point')} are too few to tell a change."
    stretch = np.array([np.median(part) for part in np.array_split(worst, STRETCHES)])
    third = STRETCHES // 3
    change = float(stretch[-third:].mean() - stretch[:third].mean())
    within = np.concatenate([part - part.mean() for part in np.split(stretch, 3)])
    spread = float(np.sqrt(np.sum(within**2) / (STRETCHES - 3) * 2 / third))
    most = float(stats.t.ppf(0.9995, STRETCHES - 3)) * spread
    beyond = abs(change) > most
    word = "beyond" if beyond else "within"
    return (
        f"From the first to the last third of the scan the median residual changes by {change:+z.1f} dB, {word} the "
        f"{most:.1f} dB that the scatter of its stretches may bring."
    )


def _overall(points: PointErrors) -> Real:
    """Residual of each point over all bands, each band counted re its own median, dB plus the mean median."""
    error = np.where(np.isnan(points.error_db), -300.0, points.error_db)
    median = np.median(error, axis=0)
    power: Real = np.mean(10 ** ((error - median) / 10), axis=1)
    found: Real = 10 * np.log10(power) + median.mean()
    return found


def _odd(points: PointErrors) -> Boolean:
    overall = _overall(points)
    found: Boolean = overall > np.median(overall) + ODD_DB
    return found
