"""What a page about one scan holds: the reader's questions in their order, each with its figures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from scanproc.report.drawing.kinds import Figure
from scanproc.report.drawing.tables import Table
from scanproc.report.figures.axis import centre, phase_figures, responses_in_time
from scanproc.report.figures.clean import findings, point_figures, room
from scanproc.report.figures.directivity import balloon, beamwidth, orbit_figures
from scanproc.report.figures.distortion import distortion_figures
from scanproc.report.figures.enough import enough_figures, specialist_figures
from scanproc.report.figures.limits import limit_figures
from scanproc.report.figures.matches import angle_table, band_table, reference_figures
from scanproc.report.figures.material import Material, doubtful, trusted
from scanproc.report.figures.responses import in_room, indices, off_axis, sound_power, standard_curves
from scanproc.report.words.comparison import notes, verdict

FOLD = "For those who know the method"


@dataclass(frozen=True)
class Section:
    """One of the reader's questions. ``folded``: figures for specialists, behind a line to open."""

    key: str
    title: str
    lead: str
    figures: tuple[Figure, ...] = ()
    folded: tuple[Figure, ...] = ()
    table: Table | None = None
    notes: tuple[str, ...] = ()
    tables: tuple[tuple[str, Table], ...] = field(default=())
    strip: bool = False


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
    expansion, shared = result.expansion, material.level_error_db
    figures: tuple[Figure, ...] = (
        standard_curves(curves, headline),
        off_axis(expansion, "horizontal", sound, shared),
        off_axis(expansion, "vertical", sound, shared),
        *orbit_figures(expansion, sound, shared),
        *beamwidth(curves, sound),
        balloon(expansion, shared),
        indices(curves),
        *in_room(curves, headline),
        *phase_figures(expansion),
        *responses_in_time(expansion),
        sound_power(expansion, curves),
    )
    spans = doubtful(material)
    lead = "What an anechoic far-field measurement would show. Hatched: the target is missed there, do not trust it."
    shown = tuple(
        figure if figure.text.key == "impulse" else replace(figure, doubtful=spans) for figure in figures
    )
    return Section("device", "The device", lead if spans else lead.split(" Hatched")[0], shown)


def enough(material: Material) -> Section:
    study = "" if material.study else " How the error falls with the number of points was not studied."
    return Section(
        "enough",
        "Enough?",
        "Were there enough points, up to which frequency, and what else limits the result?" + study,
        (*limit_figures(material.result.budget, material.summary), *enough_figures(material)),
        specialist_figures(material),
        strip=True,
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
    )


def distortion(material: Material) -> Section | None:
    found = distortion_figures(material)
    lead = "What harmonics does it add in the far field, at the level at which its sweeps were played?"
    return Section("distortion", "Distortion", lead, found) if found else None


def provenance(material: Material) -> Section:
    return Section("provenance", "Provenance", "What these results were made from, and how.")


SECTIONS: tuple[Callable[[Material], Section | None], ...] = (
    device,
    distortion,
    enough,
    clean,
    matches,
    provenance,
)
"""A further section is a function here, in the order of the page."""
