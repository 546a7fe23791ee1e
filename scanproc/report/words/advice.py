"""Advice in numbers and words."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from scanproc.conventions import Real
from scanproc.records.answers.advice import Advice, Band, Departures, Estimate, Resonance, Resonances
from scanproc.report.words.scan_plan import CAUTIONS as USUAL
from scanproc.report.words.sentences import count, frequency
from scanproc.waves.bands import third_octave_index, third_octave_nominal

SERVES, TRADES, FINE = "serves all", "trades one for another", "nothing to mend"
UNSURE = "error bar too wide"
JUST_NOTICED_DB = 0.4
"""A change of the level of noise that is just noticed (Miller 1947, from memory); less of it lies in a single band."""
KINDS = {"peaking": "peaking", "low_shelf": "low shelf", "high_shelf": "high shelf"}
CAUTIONS = (
    "A boost heats drivers and eats excursion: leave the limits of the protection as they are, start low, stay well "
    "below the long-term rating.",
    "Try filters with the gain that comes with them; after a change of the drive measure the level anew.",
    USUAL[0],
    USUAL[1],
)


def advice_json(advice: Advice) -> dict[str, Any]:
    """All but the curves."""
    proposal = advice.proposal
    return {
        "format": "scanproc advice",
        "layout_version": 1,
        "verdict": sentence(advice),
        "resonances": [_resonance(one) for one in advice.resonances.found],
        "highest_q_told": round(advice.resonances.highest_q, 2),
        "curve": advice.departures.curve,
        "from_hz": float(advice.departures.frequency_hz[0]),
        "up_to_hz": float(advice.departures.frequency_hz[-1]),
        "mendable": mendable(advice.departures),
        "filters": [asdict(one) for one in proposal.bands],
        "sampling_rate_hz": proposal.sampling_rate_hz,
        "headroom_db": proposal.headroom_db,
        "quieter_db": round(proposal.quieter_db, 3),
        "price": [
            {"bands": number, "off_db": round(off, 3), "mendable_left_db": round(left, 3)}
            for number, (off, left) in enumerate(zip(proposal.off_db, proposal.left_db, strict=True))
        ],
        "effects": [
            {"of": one.name, "before_db": round(one.before_db, 3), "after_db": round(one.after_db, 3)}
            for one in advice.effects
        ],
        "directivity_changes_by_db": round(directivity_change_db(advice), 6),
        "cautions": list(CAUTIONS),
    }


def advice_lines(advice: Advice) -> list[str]:
    """The sentence, resonances, what a filter can mend, filters with their price and effects, cautions."""
    return [
        sentence(advice),
        "",
        *_resonance_lines(advice),
        "",
        *_mendable_lines(advice.departures),
        "",
        *_filter_lines(advice),
        "",
        *CAUTIONS,
    ]


def sentence(advice: Advice) -> str:
    """What was found and what is proposed."""
    found, proposal, off = advice.resonances, advice.proposal, advice.departures
    told = f"{count(len(found.found), 'resonance').capitalize()} from {_span(*found.band_hz)}."
    if not found.highest_q:
        told = "Too few frequencies to tell resonances."
    where = f"{off.curve} from {_span(off.frequency_hz[0], off.frequency_hz[-1])}"
    if not proposal.bands:
        reason = "none was asked for"
        if len(proposal.left_db) > 1:
            reason = f"none takes away more of the {where} than its error bar without trading one curve for another"
        return f"{told} No filter is proposed: {reason}."
    after = proposal.off_db[len(proposal.bands)]
    return (
        f"{told} {count(len(proposal.bands), 'filter').capitalize()} would bring the {where} from "
        f"{proposal.off_db[0]:z.1f} to {after:z.1f} dB rms off its target, "
        f"{proposal.quieter_db:z.1f} dB quieter at the same drive."
    )


def resonance_sentence(found: Resonances) -> str:
    """The one that the sound power shows most, or that there is none."""
    told = f"{count(len(found.found), 'resonance').capitalize()} from {_span(*found.band_hz)}"
    if not found.highest_q:
        return "Too few frequencies to tell resonances."
    if not found.found:
        return f"{told}, up to the Q of {found.highest_q:.0f} that the spacing of the frequencies resolves."
    most = max(found.found, key=lambda one: abs(one.power_db.value))
    return (
        f"{told}; the sound power shows most the one at {frequency(most.frequency_hz.value)}, Q {most.q.value:.1f}: "
        f"{most.power_db.value:+z.1f} dB, falling by 60 dB in {1000 * most.ring_s:.0f} ms."
    )


def mendable(departures: Departures) -> list[dict[str, Any]]:
    """By third octave: rms departure, rms of what may be taken away, and what a filter would do there."""
    band = third_octave_index(departures.frequency_hz)
    rows = []
    for index in np.unique(band):
        inside = band == index
        off, shared, bears = (
            one[inside] for one in (departures.off_db, departures.shared_db, departures.bears_db)
        )
        row: dict[str, Any] = {"nominal_hz": third_octave_nominal(int(index)), "off_db": round(_rms(off), 3)}
        rows.append({**row, "mendable_db": round(_rms(bears), 3), "a_filter": _word(off, shared, bears)})
    return rows


def _word(off: Real, shared: Real, bears: Real) -> str:
    """What a filter would do where a level is ``off``: of what it may not take away the larger reason counts."""
    if _rms(off) <= JUST_NOTICED_DB:
        return FINE
    if _rms(bears) > _rms(off - bears):
        return SERVES
    return UNSURE if _rms(shared - bears) > _rms(off - shared) else TRADES


def _rms(value: Real) -> float:
    return float(np.sqrt(np.mean(value**2)))


def directivity_change_db(advice: Advice) -> float:
    """The largest change of a directivity index: rounding only, filters act on all directions alike."""
    names = [name for name in advice.before.names if "directivity index" in name]
    moved = (np.abs(advice.after.get(name).value - advice.before.get(name).value).max() for name in names)
    return float(max(moved))


def _resonance(one: Resonance) -> dict[str, Any]:
    keys = {"frequency_hz": 2, "q": 3, "axis_db": 3, "window_db": 3, "power_db": 3}
    row: dict[str, Any] = {}
    for key, digits in keys.items():
        value: Estimate = getattr(one, key)
        row |= {key: round(value.value, digits), f"{key}_error": round(value.error, digits + 1)}
    return row | {
        "standard_errors": round(one.standing, 1),
        "share_of_directions": round(one.common, 3),
        "falls_60_db_in_s": round(one.ring_s, 5),
    }


def _resonance_lines(advice: Advice) -> list[str]:
    found = advice.resonances
    limit = f"told up to Q {found.highest_q:.0f} by the spacing of the frequencies"
    if not found.highest_q:
        return ["Resonances: not told, the result has too few frequencies; convert with more."]
    if not found.found:
        return [f"Resonances: none that stands clear in most directions ({limit})."]
    head = f"{'resonance':>16} {'Q':>11} {'axis':>11} {'window':>11} {'power':>11} {'directions':>10} {'-60 dB in':>9}"
    rows = [
        f"{_value(one.frequency_hz, 0, ' Hz'):>16} {_value(one.q, 1):>11} {_value(one.axis_db, 1):>11} "
        f"{_value(one.window_db, 1):>11} {_value(one.power_db, 1):>11} {100 * one.common:>8.0f} % "
        f"{1000 * one.ring_s:>6.0f} ms"
        for one in found.found
    ]
    note = f"dB: with the resonance over without it; ±: standard errors; {limit}."
    return [head, *rows, note]


def _mendable_lines(departures: Departures) -> list[str]:
    rows = [
        f"{frequency(row['nominal_hz']):>9} {row['off_db']:>6.1f} {row['mendable_db']:>10.1f}  {row['a_filter']}"
        for row in mendable(departures)
    ]
    return [f"{'band':>9} {'off dB':>6} {'mendable':>10}  a filter", *rows]


def _filter_lines(advice: Advice) -> list[str]:
    proposal = advice.proposal
    numbers = range(len(proposal.left_db))
    price = ", ".join(f"{number}: {proposal.left_db[number]:z.2f}" for number in numbers)
    lines = [f"{_named(one)}{_at_resonance(one, advice)}" for one in proposal.bands]
    if proposal.bands:
        lines.append(f"gain {-proposal.headroom_db:+z.1f} dB (headroom: nowhere louder than before)")
    lines.append(f"Left of the mendable part with so many bands, dB rms: {price}.")
    if proposal.bands:
        width = max(len(one.name) for one in advice.effects)
        lines += ["", "dB rms off target, before and after:"]
        lines += [
            f"  {one.name:{width}} {one.before_db:>6.2f} {one.after_db:>6.2f}" for one in advice.effects
        ]
        lines.append(f"Directivity stays as it is (indices move by {directivity_change_db(advice):.1g} dB).")
    return lines


def _named(one: Band) -> str:
    return f"{KINDS[one.kind]} {one.gain_db:+z.1f} dB at {frequency(one.frequency_hz)}, Q {one.q:.2f}"


def _at_resonance(one: Band, advice: Advice) -> str:
    """Whether a peaking filter lies on a resonance: nearer than half of either's bandwidth."""
    if one.kind != "peaking":
        return ""
    for other in advice.resonances.found:
        apart = abs(np.log(one.frequency_hz / other.frequency_hz.value))
        if apart < 0.5 / min(one.q, other.q.value):
            return f" (on the resonance at {frequency(other.frequency_hz.value)})"
    return ""


def _value(one: Estimate, digits: int, unit: str = "") -> str:
    return f"{one.value:z.{digits}f} ± {one.error:.{digits}f}{unit}"


def _span(low: float, high: float) -> str:
    return f"{frequency(float(low))} to {frequency(float(high))}"
