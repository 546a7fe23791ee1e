"""What a filter can mend, as a figure."""

from __future__ import annotations

import numpy as np

from scanproc.records.answers.advice import Advice
from scanproc.report.drawing.kinds import Axis, Line, Lines, Text
from scanproc.report.figures.material import frequency_axis
from scanproc.report.words.advice import sentence


def advice_figure(advice: Advice) -> Lines:
    """How far the curve to mend is off its target, which part of that filters may take away, and what they leave."""
    off = advice.departures
    after = off.off_db + advice.proposal.level_db
    lines = (
        Line("off its target", off.off_db, off.error_db),
        Line("may be taken away", off.bears_db),
        Line("filters", advice.proposal.level_db),
        Line("off with filters", after - off.weight @ after),
    )
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
    return Lines(text, frequency_axis(off.frequency_hz), axis, off.frequency_hz, lines)
