"""What a filter can mend: figures of the departure, of curves with and without filters, and of resonances; tables."""

from __future__ import annotations

import numpy as np

from scanproc.records.answers.advice import Advice, Estimate
from scanproc.report.drawing.kinds import Axis, Figure, Line, Lines, Text
from scanproc.report.drawing.tables import Table, spread
from scanproc.report.figures.material import frequency_axis, level_axis, rounded_span
from scanproc.report.figures.responses import LEVEL
from scanproc.report.words.advice import KINDS, resonance_sentence, sentence
from scanproc.report.words.sentences import frequency
from scanproc.steps.advise.departures import IN_ROOM


def advice_figures(advice: Advice) -> tuple[Figure, ...]:
    """The departure, curves with and without filters where some are proposed, resonances where some were found."""
    figures: list[Figure] = [advice_figure(advice)]
    if advice.proposal.bands and IN_ROOM in advice.after.names:
        figures.append(with_filters(advice))
    if advice.resonances.found:
        figures.append(resonance_figure(advice))
    return tuple(figures)


def advice_figure(advice: Advice) -> Lines:
    """How far the curve to mend is off its target, which part of that filters may take away, and what they leave."""
    off = advice.departures
    after = off.off_db + advice.proposal.level_db
    lines = [Line("off its target", off.off_db, off.error_db), Line("may be taken away", off.bears_db)]
    if advice.proposal.bands:
        lines.append(Line("filters", advice.proposal.level_db))
        lines.append(Line("off with filters", after - off.weight @ after))
    top = float(np.ceil(max(3.0, *(np.abs(line.y).max() for line in lines))))
    text = Text(
        "advice",
        "What a filter can mend",
        sentence(advice),
        f"The {off.curve} less its target with one standard error as a band, and the part by which direct sound, early "
        "reflections and sound power are all off.",
        "Where both lines agree a filter serves all; where the second stays at zero it would trade one for another, or "
        "the error bars bear nothing.",
        "Try the filters: scanproc export --filter. Boosts heat drivers; leave the protection's limits as they are.",
    )
    axis = Axis("Departure", "dB", -top, top)
    return Lines(text, frequency_axis(off.frequency_hz), axis, off.frequency_hz, tuple(lines))


def with_filters(advice: Advice) -> Lines:
    """Curves with and without the filters, gain for headroom included; those off the axis when asked for."""
    before, after = advice.before, advice.after
    lines = []
    for name in (IN_ROOM, "on axis", "sound power"):
        for curves, word, dash in ((before, "as it is", 1), (after, "with filters", 0)):
            curve = curves.get(name)
            shown = name == IN_ROOM
            lines.append(Line(f"{name}, {word}", curve.value, curve.standard_error, shown=shown, dash=dash))
    effect = advice.effects[0]
    text = Text(
        "filters",
        "With and without filters",
        f"With the filters the {effect.name} is {effect.after_db:z.1f} instead of {effect.before_db:z.1f} dB rms off "
        "its target; directivity and error bars stay as they are.",
        "Curves as they are (dashed) and with the proposed filters and their gain for headroom, with one standard "
        "error as a band; axis and sound power by their buttons.",
        "Curves that all come nearer to a smooth line are served alike.",
        "Listen before you keep them: what is even here may not be what a room or a listener wants.",
    )
    hz = before.frequency_hz
    axis = level_axis(np.concatenate([line.y for line in lines]), LEVEL)
    return Lines(text, frequency_axis(hz), axis, hz, tuple(lines), decibels_per_decade=50.0)


def resonance_figure(advice: Advice) -> Lines:
    """Level of each resonance against its Q."""
    found = sorted(advice.resonances.found, key=lambda one: one.q.value)
    q = np.array([one.q.value for one in found])
    shown = {"on the axis": "axis_db", "in the sound power": "power_db"}
    lines = tuple(
        Line(
            name,
            np.array([getattr(one, key).value for one in found]),
            np.array([getattr(one, key).error for one in found]),
            marks=True,
            joined=False,
        )
        for name, key in shown.items()
    )
    text = Text(
        "resonances",
        "Resonances: level against Q",
        resonance_sentence(advice.resonances),
        "By how much each resonance raises (or lowers) the level at its own frequency, against its Q, with standard "
        "errors.",
        "At the same level one of high Q rings longer and touches fewer notes. What is heard of it depends on the "
        "sound and on the room, so no limit is drawn.",
        "One that stands in all directions can be lowered by a filter of its frequency and Q; better is to damp it.",
    )
    ends = np.concatenate(
        [[*(line.y - line.error), *(line.y + line.error)] for line in lines if line.error is not None]
    )
    low, high = rounded_span(np.append(ends, 0.0), 1, (-3, 3))
    x = Axis("Q", "", float(q[0]) / 1.3, float(q[-1]) * 1.3, "log", 1)
    return Lines(text, x, Axis("Level with it over without it", "dB", low, high), q, lines)


def resonance_table(advice: Advice) -> Table:
    head = (
        "Frequency [Hz]",
        "Q",
        "Axis [dB]",
        "Window [dB]",
        "Power [dB]",
        "Directions [%]",
        "Falls 60 dB in [ms]",
    )
    return Table(
        head,
        tuple(
            (
                _with_error(one.frequency_hz, 0),
                *(_with_error(part, 1) for part in (one.q, one.axis_db, one.window_db, one.power_db)),
                f"{100 * one.common:.0f}",
                f"{1000 * one.ring_s:.0f}",
            )
            for one in advice.resonances.found
        ),
    )


def filter_table(advice: Advice) -> Table:
    """Bands, and the gain that leaves headroom."""
    rows = [
        (KINDS[one.kind], frequency(one.frequency_hz), f"{one.q:.2f}", f"{one.gain_db:+z.1f}")
        for one in advice.proposal.bands
    ]
    rows.append(("gain for headroom", "", "", f"{0.0 - advice.proposal.headroom_db:+z.1f}"))
    return Table(("Filter", "Frequency", "Q", "Gain [dB]"), tuple(rows))


def price_table(advice: Advice) -> Table:
    """What each further band gains."""
    pairs = zip(advice.proposal.left_db, advice.proposal.off_db, strict=True)
    rows = tuple((f"{number}", f"{left:z.2f}", f"{off:.2f}") for number, (left, off) in enumerate(pairs))
    return Table(("Bands", "Left of what can be mended [dB rms]", "Off its target [dB rms]"), rows)


def effect_table(advice: Advice) -> Table:
    """Every curve before and after."""
    rows = tuple((one.name, f"{one.before_db:z.2f}", f"{one.after_db:z.2f}") for one in advice.effects)
    return Table(("Curve or place", "As it is [dB rms off]", "With filters [dB rms off]"), rows)


def _with_error(one: Estimate, digits: int) -> str:
    return f"{one.value:z.{digits}f} ± {spread(one.error, digits)}"
