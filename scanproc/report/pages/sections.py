"""What a page about one scan holds: the reader's questions in their order, each with its figures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from scanproc.report.drawing.kinds import Figure
from scanproc.report.drawing.look import tick_name
from scanproc.report.drawing.tables import Table
from scanproc.report.figures.advice import (
    advice_figures,
    effect_table,
    filter_table,
    price_table,
    resonance_table,
)
from scanproc.report.figures.axis import centre, decay, phase_figures, responses_in_time
from scanproc.report.figures.clean import findings, point_figures, room
from scanproc.report.figures.directivity import balloon, beamwidth, orbit_figures
from scanproc.report.figures.distortion import distortion_figures
from scanproc.report.figures.enough import enough_figures, refit_table, specialist_figures
from scanproc.report.figures.limits import limit_figures
from scanproc.report.figures.matches import angle_table, band_table, reference_figures
from scanproc.report.figures.material import Material, doubtful, trusted
from scanproc.report.figures.responses import in_room, indices, off_axis, sound_power, standard_curves
from scanproc.report.words.advice import CAUTIONS, FINE, SERVES, TRADES, UNSURE, mendable
from scanproc.report.words.comparison import notes, verdict

MENDING = {
    SERVES: ("met", "a filter serves all"),
    TRADES: ("missed", "a filter would trade one curve for another"),
    UNSURE: ("unsure", "the error bar is too wide"),
    FINE: ("neither", "nothing to mend"),
}
MENDING_TITLE = (
    "How far off by third-octave band, dB rms: ✓ a filter serves all, ✕ it would trade one curve for "
)
MENDING_TITLE += "another, ? the error bar is too wide, – nothing to mend"
FOLD = "For those who know the method"


@dataclass(frozen=True)
class Cell:
    """A band in a strip: ``state`` is "met", "missed", "neither" or "unsure"; ``word`` says it."""

    name: str
    value: str
    state: str
    word: str


@dataclass(frozen=True)
class Strip:
    """Third-octave bands side by side, ``title`` says what their numbers are."""

    title: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Section:
    """One of the reader's questions. ``folded``: figures for specialists, behind a line to open.
    ``guide``: its topics that tell more."""

    key: str
    title: str
    lead: str
    figures: tuple[Figure, ...] = ()
    folded: tuple[Figure, ...] = ()
    table: Table | None = None
    notes: tuple[str, ...] = ()
    tables: tuple[tuple[str, Table], ...] = field(default=())
    strip: Strip | None = None
    guide: tuple[str, ...] = ()


def sections(material: Material) -> tuple[Section, ...]:
    """All sections of the page, those with nothing to say left out."""
    return tuple(one for make in SECTIONS for one in [make(material)] if one is not None)


def scan_figures(material: Material) -> tuple[Figure, ...]:
    """All figures of the page, for other uses."""
    return tuple(figure for one in sections(material) for figure in (*one.figures, *one.folded))


def device(material: Material) -> Section:
    """What an anechoic measurement would show; hatched where the target is missed."""
    result, curves = material.result, material.curves
    headline, sound = material.summary.get("headline") or {}, trusted(material)
    expansion, shared, room_report = result.expansion, material.level_error_db, result.room
    figures: tuple[Figure, ...] = (
        standard_curves(curves, headline),
        off_axis(expansion, "horizontal", sound, shared),
        off_axis(expansion, "vertical", sound, shared),
        *orbit_figures(expansion, sound, shared),
        *beamwidth(curves, sound),
        balloon(expansion, sound, shared),
        indices(curves, sound),
        *in_room(curves, headline),
        *phase_figures(expansion, sound),
        *responses_in_time(expansion),
        *decay(expansion, sound, None if room_report is None else room_report.gate_length_s),
        sound_power(expansion, curves),
    )
    spans = doubtful(material)
    lead = "What an anechoic far-field measurement would show. Hatched: the target is missed there, do not trust it."
    shown = tuple(
        figure if figure.text.key == "impulse" else replace(figure, doubtful=spans) for figure in figures
    )
    words = lead if spans else lead.split(" Hatched")[0]
    return Section("device", "The device", words, shown, guide=("results", "export"))


def enough(material: Material) -> Section:
    study = material.study
    refitted: tuple[tuple[str, Table], ...] = ()
    looked = "" if study else " How the error falls with the number of points was not studied."
    if study is not None and len(study.refit_size):
        refitted = (("Told for fewer points, and fitted again with only these", refit_table(study)),)
    return Section(
        "enough",
        "Enough?",
        "Were there enough points, up to which frequency, and what else limits the result?" + looked,
        (*limit_figures(material.result.budget, material.summary), *enough_figures(material)),
        specialist_figures(material),
        tables=refitted,
        strip=_bands(material.summary),
        guide=("points", "limits"),
    )


def clean(material: Material) -> Section:
    report = material.result.room
    said = (material.summary.get("room") or {}).get("sentence", "")
    looked = " The scan was not checked before the conversion."
    if material.check is not None:
        looked = "" if material.check.findings else " The check of the scan found nothing odd."
    return Section(
        "clean",
        "Clean?",
        "Is the measurement itself sound: odd points, drift, the room?" + looked,
        () if report is None else room(report),
        (*point_figures(material), centre(material.result.expansion)),
        table=None if material.check is None else findings(material.check),
        notes=(said,) if said else (),
        guide=("check", "room", "positions"),
    )


def matches(material: Material) -> Section | None:
    found = material.comparison
    if found is None:
        return None
    return Section(
        "matches",
        "Matches?",
        "Does it agree with an independent measurement?",
        reference_figures(found),
        notes=(verdict(found), *notes(found)),
        tables=(("By band", band_table(found)), ("By angle", angle_table(found))),
        guide=("compare",),
    )


def distortion(material: Material) -> Section | None:
    found = distortion_figures(material)
    lead = "What harmonics does it add in the far field, at the level at which its sweeps were played?"
    return Section("distortion", "Distortion", lead, found, guide=("distortion",)) if found else None


def mend(material: Material) -> Section | None:
    found = material.advice
    if found is None:
        return None
    rows = mendable(found.departures)
    cells = (
        Cell(tick_name(row["nominal_hz"]), f"{row['off_db']:z.1f}", *MENDING[row["a_filter"]]) for row in rows
    )
    tables = [("Resonances", resonance_table(found))] if found.resonances.found else []
    if found.proposal.bands:
        tables.append(("Filters to try", filter_table(found)))
        tables.append(("How far off before and after", effect_table(found)))
    tables.append(("What each further band gains", price_table(found)))
    return Section(
        "mend",
        "What to change?",
        "Which resonances are there, what could a filter in the drive mend, and what not, before the device is lifted "
        "again? Other targets, seats, turns and numbers of bands: scanproc advise.",
        advice_figures(found),
        notes=(" ".join(CAUTIONS),),
        tables=tuple(tables),
        strip=Strip(MENDING_TITLE, tuple(cells)),
        guide=("advise",),
    )


def provenance(material: Material) -> Section:
    lead = "What these results were made from, and how."
    return Section("provenance", "Provenance", lead, guide=("methods",))


def _bands(summary: Mapping[str, Any]) -> Strip:
    """The predicted far-field error by band."""
    cells = (
        Cell(
            tick_name(band["nominal_hz"]),
            "–" if band["far_field_error_db"] is None else f"{band['far_field_error_db']:z.0f}",
            "met" if band["meets_target"] else "missed",
            "target met" if band["meets_target"] else "target missed",
        )
        for band in summary["bands"]
    )
    return Strip("Predicted far-field error by third-octave band, dB", tuple(cells))


SECTIONS: tuple[Callable[[Material], Section | None], ...] = (
    device,
    distortion,
    mend,
    enough,
    clean,
    matches,
    provenance,
)
"""A further section is a function here, in the order of the page."""
