"""The plan of a scan in numbers and words."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from scanproc.records.answers.scan_plan import Limit, Placing, ScanPlan
from scanproc.report.words import sentences
from scanproc.report.words.budget import LIMITS
from scanproc.waves.bands import third_octave_name

RULES = (
    "k·r0 + 10 after Hansen 1988; J-F after Jensen and Frandsen 2004; far and near: exact, for a monopole on the "
    "smallest sphere around the device, in the far field and on the scanned surface; source: near, if only the "
    "high-frequency source radiates; fields: how many the device can radiate above the target"
)
CAUTIONS = (
    "Local electrical and workplace rules come first.",
    "Hearing: wear protection, keep people out while it plays, start low.",
    "Heat: stay well below the long-term rating of drivers and amplifier, leave pauses.",
    "Unattended: a supply that trips on a fault, nothing that burns nearby, somebody who knows that it runs.",
    "Robot arm: fence its reach, try the emergency stop, stay outside while it has power.",
    "Heavy lifts: two people or a hoist; secure the device on its stand before the robot moves.",
    "Mains: wiring and opened amplifiers are for qualified people only.",
)


def plan_json(plan: ScanPlan) -> dict[str, Any]:
    """The plan but for its positions."""
    columns = ("hansen", "jensen_frandsen", "far", "near", "source_order", "modes", "points")
    return {
        "verdict": sentence(plan),
        "basis": basis(plan),
        "placing": None if plan.placing is None else _placing_json(plan.placing) | {"words": placement(plan)},
        "lever": lever(plan),
        "limit": {**asdict(plan.limit), "band_hz": third_octave_name(plan.limit.band_hz)},
        "target_db": plan.target_db,
        "points": plan.planned,
        "hours": round(plan.planned * plan.seconds_per_point / 3600, 2),
        "surface": plan.surface,
        "radii_m": [round(float(radius), 4) for radius in plan.radii_m],
        "bands": [
            {"nominal_hz": third_octave_name(plan.band_hz[index]), "k_r0": round(float(plan.size[index]), 3)}
            | {name: int(getattr(plan, name)[index]) for name in columns}
            | {"reason": plan.untold[index] if plan.untold else ""}
            for index in range(len(plan.band_hz))
        ],
        "rules": RULES,
        "cautions": list(CAUTIONS),
    }


def _placing_json(placing: Placing) -> dict[str, Any]:
    return {
        "view_m": [round(value, 4) for value in placing.view_m],
        "toward_m": list(placing.toward_m),
        "share": placing.share,
        "even_points": [int(points) for points in placing.even_points],
    }


def plan_lines(plan: ScanPlan) -> list[str]:
    """The sentence, a row per band, the cautions."""
    orders = f"{'k·r0+10':>8} {'J-F':>4} {'far':>4} {'near':>5} {'source':>7}"
    head = f"{'band':>9} {'k·r0':>6} {orders} {'fields':>7} {'points':>7}"
    rows = [
        f"{sentences.frequency(third_octave_name(plan.band_hz[i])):>9} {plan.size[i]:>6.1f} {plan.hansen[i]:>8} "
        f"{plan.jensen_frandsen[i]:>4} {plan.far[i]:>4} {plan.near[i]:>5} {plan.source_order[i]:>7} "
        f"{plan.modes[i]:>7} {plan.points[i]:>7,} {plan.untold[i] if plan.untold else ''}".rstrip()
        for i in range(len(plan.band_hz))
    ]
    return [sentence(plan), "", head, *rows, "", f"Orders: {RULES}.", "", *CAUTIONS]


def sentence(plan: ScanPlan) -> str:
    """What to scan, how long it takes, by what that is known, and what limits it."""
    top = sentences.frequency(third_octave_name(plan.band_hz[_met(plan)]))
    gain = f" {placement(plan)}" if plan.placing else ""
    return (
        f"Scan {plan.planned:,} points {_where(plan)} for a far-field error of {plan.target_db:g} dB up to {top}: "
        f"{sentences.hours(plan.planned * plan.seconds_per_point)}.{gain} {basis(plan)} {lever(plan)}"
    )


def _met(plan: ScanPlan) -> int:
    """The highest band below the first that the planned points do not serve, or the lowest that some number serves."""
    told = (
        np.array([not reason for reason in plan.untold]) if plan.untold else np.full(len(plan.points), True)
    )
    short = np.flatnonzero(told & ((plan.points == 0) | (plan.points > plan.planned)))
    served = np.flatnonzero(plan.points[: short[0]] if len(short) else plan.points)
    return int(served[-1]) if len(served) else int(np.flatnonzero(plan.points)[0])


def placement(plan: ScanPlan) -> str:
    """What it gains that points lie denser around a place; nothing where that was not asked for."""
    placing, top = plan.placing, _met(plan)
    if placing is None:
        return ""
    view, toward = (", ".join(f"{value:.2f}" for value in at) for at in (placing.view_m, placing.toward_m))
    if not placing.share:
        return f"Points denser around ({toward}) m would not do better: they are even."
    name, even = sentences.frequency(third_octave_name(plan.band_hz[top])), int(placing.even_points[top])
    start = f"They look even from ({view}) m, {100 * placing.share:.0f} % of the way to ({toward}) m"
    if not even:
        return f"{start}: no number of even points tried would do at {name}."
    return f"{start}: even ones would take {even:,} at {name}, {even / plan.points[top]:.1f} times as many."


def basis(plan: ScanPlan) -> str:
    """What the numbers rest on."""
    if plan.like:
        return f"By the weights of an earlier scan ({plan.like})."
    return "A guess from usual weights: a result of a like device tells more (--like)."


def lever(plan: ScanPlan) -> str:
    """What limits the first band that misses the target, and what would do there; else what limits the highest."""
    limit = plan.limit
    name, error = sentences.frequency(third_octave_name(limit.band_hz)), f"{limit.error_db:.1f} dB"
    arm = f" ({limit.arm_mm:.2g} mm along each axis)" if limit.cause == "places" else ""
    what = f"{LIMITS[limit.cause]}{arm}"
    if not limit.missed:
        return f"At {name} {what}."
    start = f"Above, {limit.points:,} points would bring {error} at {name}: {what}"
    if limit.cause == "points":
        needed = int(plan.points[np.argmin(np.abs(plan.band_hz - limit.band_hz))])
        return f"{start}; {f'{needed:,} would do' if needed else 'more were not tried'}."
    if limit.needed is None:
        left = f"{limit.left_db:.1f} dB"
        return f"{start}, but curing that alone will not do: {left} would be left."
    return f"{start}. {_cure(limit, limit.needed)} would do."


def _cure(limit: Limit, needed: float) -> str:
    """What brings the cause's power down to the part ``needed``."""
    less = f"{-10 * np.log10(needed):.0f} dB less"
    return {
        "places": f"An arm of {limit.arm_mm * np.sqrt(needed):.2g} mm",
        "noise": f"{less} noise, as by {int(np.ceil(1 / needed))} times the averages or a louder drive,",
        "room": f"{less} of the room, as by a second layer, a gate or absorbers,",
        "level": f"{less} scatter of the level",
    }[limit.cause]


def _where(plan: ScanPlan) -> str:
    radii = " and ".join(f"{radius:.2f} m" for radius in plan.radii_m)
    noun = "layers" if len(plan.radii_m) > 1 else "layer"
    if plan.surface == "as before":
        return f"on the surface of the earlier scan ({len(plan.radii_m)} {noun}, nearest {radii} from the middle)"
    return f"on {len(plan.radii_m)} {plan.surface} {noun} at {radii} from the middle of the device"
