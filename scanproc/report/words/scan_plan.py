"""The plan of a scan in numbers and words."""

from __future__ import annotations

from typing import Any

import numpy as np

from scanproc.records.scan_plan import ScanPlan
from scanproc.report.words import sentences
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
        "target_db": plan.target_db,
        "points": plan.total,
        "hours": round(plan.total * plan.seconds_per_point / 3600, 2),
        "surface": plan.surface,
        "radii_m": [round(float(radius), 4) for radius in plan.radii_m],
        "bands": [
            {"nominal_hz": third_octave_name(plan.band_hz[index]), "k_r0": round(float(plan.size[index]), 3)}
            | {name: int(getattr(plan, name)[index]) for name in columns}
            for index in range(len(plan.band_hz))
        ],
        "rules": RULES,
        "cautions": list(CAUTIONS),
    }


def plan_lines(plan: ScanPlan) -> list[str]:
    """The sentence, a row per band, the cautions."""
    orders = f"{'k·r0+10':>8} {'J-F':>4} {'far':>4} {'near':>5} {'source':>7}"
    head = f"{'band':>9} {'k·r0':>6} {orders} {'fields':>7} {'points':>7}"
    rows = [
        f"{sentences.frequency(third_octave_name(plan.band_hz[i])):>9} {plan.size[i]:>6.1f} {plan.hansen[i]:>8} "
        f"{plan.jensen_frandsen[i]:>4} {plan.far[i]:>4} {plan.near[i]:>5} {plan.source_order[i]:>7} "
        f"{plan.modes[i]:>7} {plan.points[i]:>7,}"
        for i in range(len(plan.band_hz))
    ]
    return [sentence(plan), "", head, *rows, "", f"Orders: {RULES}.", "", *CAUTIONS]


def sentence(plan: ScanPlan) -> str:
    """What to scan and how long it takes."""
    radii = " and ".join(f"{radius:.2f} m" for radius in plan.radii_m)
    noun = "layers" if len(plan.radii_m) > 1 else "layer"
    met = int(np.flatnonzero(plan.points)[-1])
    top = sentences.frequency(third_octave_name(plan.band_hz[met]))
    more = ""
    if plan.missed_db is not None:
        last = sentences.frequency(third_octave_name(plan.band_hz[-1]))
        more = f" Above, no number of points tried does: {plan.missed_db:.0f} dB at {last}."
    return (
        f"Scan {plan.total:,} points on {len(plan.radii_m)} {plan.surface} {noun} at {radii} from the middle of the "
        f"device for a far-field error of {plan.target_db:g} dB up to {top}: "
        f"{sentences.hours(plan.total * plan.seconds_per_point)}. A guess for a usual device.{more}"
    )
