"""The page about sweeps at several drive levels."""

from __future__ import annotations

from markupsafe import Markup

from scanproc.records.measured.drive_levels import DriveLevels, LevelLimits
from scanproc.report.drawing.payload import payload
from scanproc.report.drawing.tables import Table, csv_text
from scanproc.report.figures.drive_levels import level_figures
from scanproc.report.pages.scan_page import Standing, carried, picture, render
from scanproc.report.words.drive_levels import (
    CAUTIONS,
    LevelFacts,
    highest_within,
    level_facts,
    level_notes,
    levels_sentence,
)
from scanproc.report.words.sentences import frequency
from scanproc.version import VERSION


def levels_page(device: str, found: DriveLevels, limits: LevelLimits, warnings: tuple[str, ...] = ()) -> str:
    """The page as HTML: cautions first, the highest level within the limits, figures, a table by level."""
    figures, facts = level_figures(found, limits), level_facts(found, limits)
    own = {f"{figure.text.key}.csv": csv_text(figure).encode() for figure in figures}
    names, packed = carried(own, {})
    return render(
        "overlay.html",
        title=f"{device or 'Device'} by drive level",
        standing=_standing(facts),
        verdict=levels_sentence(found, limits),
        lines=[
            "Before you play loud: " + " ".join(CAUTIONS),
            *level_notes(found, limits),
            *(f"Warning: {one}" for one in warnings),
        ],
        pictures=[picture(figure, {}, names) for figure in figures],
        tables=[("By level", _table(facts))],
        payload=Markup(payload(figures)),
        files=Markup(packed),
        version=VERSION,
    )


def _standing(facts: tuple[LevelFacts, ...]) -> Standing:
    highest = highest_within(facts)
    if highest is None:
        return Standing("missed", "✕", "Beyond the limits at every level")
    if all(one.within for one in facts):
        return Standing("met", "✓", "Within the limits at every level")
    return Standing("partly", "◐", f"Within the limits up to {highest:.3g} V")


def _table(facts: tuple[LevelFacts, ...]) -> Table:
    rows = []
    for one in facts:
        added, where = "below the noise", "–"
        if one.distortion_percent is not None and one.distortion_hz is not None:
            added, where = f"{one.distortion_percent:.2g}", frequency(one.distortion_hz)
        squeezed = (f"{one.compression_db:.2f}", frequency(one.compression_hz))
        rows.append(
            (f"{one.drive_v:.3g}", *squeezed, added, where, "within" if one.within else "beyond", one.file)
        )
    header = ("Drive [V]", "Compression [dB]", "at", "Distortion [%]", "at", "Limits", "File")
    return Table(header, tuple(rows))
