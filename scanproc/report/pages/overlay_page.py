"""Pages of figures with a headline: two results on each other, a scan against a reference."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from scanproc.records.answers.comparison import Comparison
from scanproc.report.drawing.kinds import Figure
from scanproc.report.drawing.payload import payload
from scanproc.report.drawing.tables import Table, csv_text
from scanproc.report.figures.matches import angle_table, band_table, reference_figures
from scanproc.report.figures.material import Material
from scanproc.report.figures.overlay import overlay_figures
from scanproc.report.pages.scan_page import Standing, carried, picture, render
from scanproc.report.words.comparison import notes, verdict
from scanproc.report.words.sentences import count, frequency
from scanproc.version import VERSION


def results_page(materials: Sequence[Material], names: Sequence[str], found: Sequence[Comparison]) -> str:
    """Results overlaid: before and after, devices, scans; ``found``: the far field of each against the first's."""
    own = [
        f"{name} against its own target: {one.summary['verdict']}"
        for name, one in zip(names, materials, strict=True)
    ]
    figures = overlay_figures(materials, names)
    if len(found) == 1:
        figures = (*figures, *reference_figures(found[0])[1:])
        return figures_page(" and ".join(names), found, own, figures)
    return figures_page(f"{names[0]} and {count(len(found), 'other')}", found, own, figures)


def reference_page(compared: Comparison, device: str) -> str:
    """A scan against a reference."""
    title = f"{device or 'Scan'} against {compared.reference}"
    return figures_page(title, [compared], (), reference_figures(compared))


def figures_page(
    title: str, found: Sequence[Comparison], lines: Sequence[str], figures: tuple[Figure, ...]
) -> str:
    """A page of figures under the verdicts of comparisons, each with its table to download."""
    own = {f"{figure.text.key}.csv": csv_text(figure).encode() for figure in figures}
    names, packed = carried(own, {})
    said = [f"{one.reference}: {note}" if len(found) > 1 else note for one in found for note in notes(one)]
    return render(
        "overlay.html",
        title=title,
        standing=standing(found),
        verdict=" ".join(verdict(one) for one in found),
        lines=[*said, *lines],
        pictures=[picture(figure, {}, names) for figure in figures],
        tables=[table for one in found for table in comparison_tables(one, len(found) > 1)],
        payload=Markup(payload(figures)),
        files=Markup(packed),
        version=VERSION,
    )


def comparison_tables(compared: Comparison, named: bool) -> list[tuple[str, Table]]:
    of = f", {compared.reference}" if named else ""
    return [(f"By band{of}", band_table(compared)), (f"By angle{of}", angle_table(compared))]


def standing(found: Sequence[Comparison]) -> Standing:
    """Whether all match over all, part or none of the band; what errors allow is no difference."""
    if all(one.matches for one in found):
        reach = min(one.met_up_to_hz or 0 for one in found)
        return Standing(
            "met", "✓", f"{'All match' if len(found) > 1 else 'Matches'} up to {frequency(reach)}"
        )
    differ = [one for one in found if one.beyond_errors]
    if not differ:
        return Standing("partly", "◐", "No difference beyond the errors")
    ends = [one.met_up_to_hz for one in differ]
    if None in ends:
        many = f"{len(differ)} of {len(found)} differ beyond the errors"
        return Standing("missed", "✕", "Does not match" if len(found) == 1 else many)
    return Standing("partly", "◐", f"Matches up to {frequency(min(end or 0 for end in ends))}")
