"""What a comparison found: the sentence first, then the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from scanproc.conventions import Integer
from scanproc.records.answers.comparison import Alignment, Cause, Comparison
from scanproc.report.words.sentences import count, frequency
from scanproc.waves.bands import third_octave_index, third_octave_nominal

MOST_ANGLES = 24
"""So many rows of angles on a terminal; JSON has all."""
HONEST_DB = 3.0
"""A predictor is honest where the difference is at most twice the power that it says."""
PLACES = {
    "x": ("further forward (x)", "further back (x)"),
    "y": ("further left (y)", "further right (y)"),
    "z": ("higher (z)", "lower (z)"),
}
LEFT = {
    "noise": (
        "noise: what is left comes evenly before and after the direct sound",
        "measure louder or longer",
    ),
    "room": (
        "room: what is left comes after the direct sound",
        "gate the reference before its first reflection",
    ),
    "device": ("device: nothing explains what is left", "another device, or in another state"),
}
LITTLE_DB = 0.05
"""A difference smaller than this is not worth telling what explains it."""


def verdict(found: Comparison) -> str:
    """One sentence: does it match, within what, up to where."""
    where = "at its angle" if len(found.label) == 1 else f"at all {count(len(found.label), 'angle')}"
    aim = f"{found.reference} within {found.tolerance_db:g} dB (1/{found.per_octave:g} octave) {where}"
    start = f"The scan matches {aim} from {frequency(found.met_from_hz or 0)}"
    if found.matches:
        return f"{start} to {frequency(found.met_up_to_hz or 0)}."
    if found.met_up_to_hz is None:
        start = f"The scan does not match {aim}"
    else:
        start += f" up to {frequency(found.met_up_to_hz)}, not to {frequency(found.wanted_hz)}"
    open_there = "" if found.beyond_errors else ", but nowhere by more than the errors of both allow"
    return f"{start}; {_where(found)}{open_there}."


def cause_sentence(cause: Cause, found: Comparison) -> str:
    """A likely cause with its size, and what to look at."""
    up = cause.size > 0
    size, error = abs(cause.size), cause.error
    speed = found.speed_of_sound_m_s
    if cause.kind == "gain":
        return f"level: the reference is {size:.2f} ± {error:.2f} dB {_or(up, 'louder', 'quieter')} (calibration)"
    if cause.kind == "slope":
        return f"slope: the reference {_or(up, 'rises', 'falls')} {size:.2f} ± {error:.2f} dB per octave (microphone)"
    if cause.kind == "delay":
        return (
            f"delay: the reference is {size * 1e6:.1f} ± {error * 1e6:.1f} µs {_or(up, 'late', 'early')}, like "
            f"{size * speed * 1000:.1f} mm {_or(up, 'more', 'less')} distance (distance, or a delay in its chain)"
        )
    if cause.kind == "polarity":
        return "polarity: the reference is inverted (wiring)"
    if cause.kind == "toe-in":
        return f"angle: the device stood turned by {cause.size:+z.2f} ± {error:.2f} deg towards +y (mounting)"
    if cause.kind == "tilt":
        return f"angle: the device's front pointed {size:.2f} ± {error:.2f} deg {_or(up, 'up', 'down')} (mounting)"
    if cause.kind in PLACES:
        return (
            f"place: the device stood {size * 1000:.1f} ± {error * 1000:.1f} mm {_or(up, *PLACES[cause.kind])} than "
            "for the scan (turntable, stand)"
        )
    if cause.kind in LEFT:
        return f"{LEFT[cause.kind][0]}, {cause.size:.0f} dB re the reference ({LEFT[cause.kind][1]})"
    if cause.kind == "reflection":
        return (
            f"comb: a reflection {cause.at * 1000:.2f} ms after the direct sound ({cause.at * speed:.2f} m longer), "
            f"{cause.size:.1f} dB re it, inside the reference's gate (end it earlier)"
        )
    return (
        f"points: from {frequency(size)} upwards the fit misses its own left-out points too (too few there; "
        "scanproc points tells how many it takes)"
    )


def _or(first: bool, one: str, other: str) -> str:
    return one if first else other


def predictors(found: Comparison) -> dict[str, Any]:
    """In how many bands the actual difference stays near what the error bars and the held-out error say."""
    bands = found.bands
    total = len(bands.band_hz)
    return {
        name: {"honest_bands": int(np.sum(bands.actual_db <= said + HONEST_DB)), "bands": total}
        for name, said in (("error_bars", bands.predicted_db), ("held_out", bands.held_out_db))
    }


def honest_sentence(found: Comparison) -> str:
    """Which of the two errors tells the difference."""
    told = predictors(found)
    bars, left_out = (told[name]["honest_bands"] for name in ("error_bars", "held_out"))
    return (
        f"The difference stays within {HONEST_DB:g} dB of what the error bars expect in {bars} of "
        f"{len(found.bands.band_hz)} bands, of the held-out error in {left_out}."
    )


def explained_sentence(found: Comparison) -> str:
    """How much of the difference the causes explain; empty where none was called for."""
    if not np.isfinite(found.rms_db) or found.rms_db < LITTLE_DB:
        return ""
    share = max(found.rms_db - found.left_rms_db, 0.0)
    sized = [cause for cause in found.causes if cause.kind not in (*LEFT, "points", "polarity", "delay")]
    if sized:
        return f"These causes explain {share:.2f} of {found.rms_db:.2f} dB (rms)."
    if found.causes or found.matches:
        return ""
    return f"Nothing that is known explains the difference of {found.rms_db:.2f} dB (rms)."


def why(found: Comparison) -> list[str]:
    """The likely causes, and what they explain."""
    return [
        *(f"Likely cause: {cause_sentence(cause, found)}." for cause in found.causes),
        *filter(None, [explained_sentence(found)]),
    ]


def notes(found: Comparison) -> list[str]:
    """What a page says under the verdict."""
    return [*why(found), alignment_sentence(found.alignment, found), honest_sentence(found)]


def compared_in_words(found: Comparison) -> dict[str, Any]:
    """What a scan's summary holds of its comparison."""
    return {
        "verdict": verdict(found),
        "reference": found.reference,
        "matches": found.matches,
        "met_from_hz": found.met_from_hz,
        "met_up_to_hz": found.met_up_to_hz,
        "tolerance_db": found.tolerance_db,
        "causes": [cause_sentence(cause, found) for cause in found.causes],
        "explained": explained_sentence(found),
    }


def lines(found: Comparison) -> list[str]:
    """What the terminal shows."""
    total = len(found.bands.band_hz)
    named = ["Likely causes:", *(f"  {cause_sentence(cause, found)}" for cause in found.causes)]
    head = f"{'band':>9} {'held-out':>8} {'expected':>8} {'actual':>8}"
    more = f"{'mean':>6} {'rms':>5} {'largest':>7} {'within':>6}"
    return [
        verdict(found),
        *(named if found.causes else []),
        *filter(None, [explained_sentence(found)]),
        alignment_sentence(found.alignment, found),
        honest_sentence(found),
        "",
        f"{head} {more}   (errors in dB; scan minus reference in dB; share within the 95 % interval)",
        *(_band_row(found, index) for index in range(total)),
        "",
        f"{'angle':>28} {'rms':>5} {'largest':>7} {'up to':>9}{_worst_of(found)}",
        *(_angle_row(found, int(index)) for index in _shown_angles(found)),
    ]


def _shown_angles(found: Comparison) -> Integer:
    """All angles, or those that differ most, in the reference's order."""
    if len(found.label) <= MOST_ANGLES:
        return np.arange(len(found.label))
    rms = np.sqrt(np.mean(found.difference_db[:, found.judged] ** 2, axis=1))
    return np.sort(np.argsort(-rms)[:MOST_ANGLES])


def _worst_of(found: Comparison) -> str:
    few = len(found.label) > MOST_ANGLES
    return f"   (the {MOST_ANGLES} of {len(found.label)} angles that differ most)" if few else ""


def alignment_sentence(alignment: Alignment, found: Comparison) -> str:
    """What was found to be free and what was taken out."""
    parts = [f"gain {alignment.gain_db:+z.2f} ± {alignment.gain_error_db:.2f} dB"]
    if np.isfinite(alignment.delay_s) and not found.clock_known:
        parts.append("delay not known (the record's clock is its own)")
    elif np.isfinite(alignment.delay_s):
        parts.append(f"delay {alignment.delay_s * 1e6:+z.1f} ± {alignment.delay_error_s * 1e6:.1f} µs")
    for name, value, error in (
        ("toe-in", alignment.toe_in_deg, alignment.toe_in_error_deg),
        ("tilt", alignment.tilt_deg, alignment.tilt_error_deg),
    ):
        if np.isfinite(value):
            parts.append(f"{name} {value:+z.2f} ± {error:.2f} deg")
    for name, metres, error_m in zip("xyz", alignment.offset_m, alignment.offset_error_m, strict=True):
        if np.isfinite(metres):
            parts.append(f"{name} {metres * 1000:+z.1f} ± {error_m * 1000:.1f} mm")
    if alignment.inverted:
        parts.append("polarity inverted")
    taken = ", ".join(alignment.applied) or "nothing"
    gate = (
        ""
        if found.gate_s is None
        else f"; gate {found.gate_s * 1000:.2f} ms, nothing judged below {found.lowest_valid_hz:.0f} Hz"
    )
    return f"Reference against scan: {', '.join(parts)}; taken out: {taken}{gate}."


def several_as_json(found: Sequence[Comparison]) -> dict[str, Any]:
    """One comparison as it is, several as a list under the same format."""
    if len(found) == 1:
        return as_json(found[0])
    first = as_json(found[0])
    return {
        "format": first["format"],
        "layout_version": first["layout_version"],
        "matches": all(one.matches for one in found),
        "comparisons": [as_json(one) for one in found],
    }


def as_json(found: Comparison) -> dict[str, Any]:
    """The whole comparison as JSON can hold it."""
    return {
        "format": "scanproc comparison",
        "layout_version": 1,
        "verdict": verdict(found),
        "matches": found.matches,
        **{
            name: getattr(found, name)
            for name in (
                "reference",
                "tolerance_db",
                "per_octave",
                "floor_db",
                "wanted_hz",
                "met_from_hz",
                "met_up_to_hz",
                "lowest_valid_hz",
                "gate_s",
                "has_phase",
                "relative",
                "clock_known",
                "beyond_errors",
            )
        },
        "rms_db": _number(found.rms_db),
        "left_rms_db": _number(found.left_rms_db),
        "alignment": _alignment_json(found),
        "causes": [{**asdict(cause), "words": cause_sentence(cause, found)} for cause in found.causes],
        "predictors": predictors(found),
        "bands": [_band_json(found, index) for index in range(len(found.bands.band_hz))],
        "angles": [_angle_json(found, index) for index in range(len(found.label))],
        "frequency_hz": found.frequency_hz,
        "judged": found.judged,
    }


def _alignment_json(found: Comparison) -> dict[str, Any]:
    """On a clock of its own a reference's delay means nothing."""
    known = asdict(found.alignment)
    return known if found.clock_known else {**known, "delay_s": None, "delay_error_s": None}


def _where(found: Comparison) -> str:
    """The angle and frequency of the first disagreement."""
    bad = ~found.agrees & found.judged
    column = int(np.argmax(np.any(bad, axis=0)))
    row = int(np.argmax(np.abs(found.difference_db[:, column]) * bad[:, column]))
    return (
        f"it first differs by {found.difference_db[row, column]:+z.1f} dB at {frequency(found.frequency_hz[column])}, "
        f"{found.label[row]}"
    )


def _nominal(hz: float) -> float:
    return third_octave_nominal(int(third_octave_index(np.array([hz]))[0]))


def _band_row(found: Comparison, index: int) -> str:
    bands = found.bands
    return (
        f"{frequency(_nominal(bands.band_hz[index])):>9} {bands.held_out_db[index]:>8.1f} "
        f"{bands.predicted_db[index]:>8.1f} {bands.actual_db[index]:>8.1f} {bands.mean_db[:, index].mean():>+z6.2f} "
        f"{np.sqrt(np.mean(bands.rms_db[:, index] ** 2)):>5.2f} {bands.largest_db[:, index].max():>7.2f} "
        f"{bands.within[:, index].mean():>6.0%}"
    )


def _angle_row(found: Comparison, index: int) -> str:
    difference = found.difference_db[index, found.judged]
    end = found.angle_up_to_hz[index]
    reach = "nowhere" if np.isnan(end) else frequency(end)
    rms = np.sqrt(np.mean(difference**2))
    return f"{found.label[index]:>28} {rms:>5.2f} {np.abs(difference).max():>7.2f} {reach:>9}"


def _band_json(found: Comparison, index: int) -> dict[str, Any]:
    bands = found.bands
    return {
        "nominal_hz": _nominal(bands.band_hz[index]),
        **{
            name: round(float(getattr(bands, name)[index]), 3)
            for name in ("held_out_db", "predicted_db", "actual_db")
        },
        "by_angle": [
            {
                "label": label,
                **{
                    name: _number(getattr(bands, name)[row, index])
                    for name in ("mean_db", "rms_db", "largest_db", "complex_db", "within")
                },
            }
            for row, label in enumerate(found.label)
        ],
    }


def _angle_json(found: Comparison, index: int) -> dict[str, Any]:
    return {
        "label": found.label[index],
        "direction": found.direction[index],
        "distance_m": None if found.distance_m is None else float(found.distance_m[index]),
        "matches_up_to_hz": _number(found.angle_up_to_hz[index]),
        "difference_db": np.round(found.difference_db[index], 4),
        "standard_error_db": np.round(found.uncertainty_db[index], 4),
        "predicted_db": np.round(found.predicted_db[index], 4),
        "reference_db": np.round(found.reference_db[index], 4),
    }


def _number(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None
