"""Pages of figures with a headline: two results on each other, a scan against a reference."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from scanproc.records.comparison import Comparison
from scanproc.report.figures.kinds import Figure
from scanproc.report.figures.matches import angle_table, band_table, overlay_figures, reference_figures
from scanproc.report.figures.material import Material
from scanproc.report.figures.payload import payload
from scanproc.report.figures.tables import Table, csv_text
from scanproc.report.pages.scan_page import Standing, carried, picture, render
from scanproc.report.words.comparison import notes, verdict
from scanproc.report.words.sentences import frequency
from scanproc.version import VERSION


def two_results_page(first: Material, second: Material, names: tuple[str, str], compared: Comparison) -> str:
    """Two results overlaid: before and after, two devices, two scans; ``compared``: their far fields."""
    own = [f"{name}: {one.summary['verdict']}" for name, one in zip(names, (first, second), strict=True)]
    figures = (*overlay_figures((first, second), names), *reference_figures(compared)[1:])
    return figures_page(f"{names[0]} and {names[1]}", compared, own, figures)


def reference_page(compared: Comparison, device: str) -> str:
    """A scan against a reference."""
    title = f"{device or 'Scan'} against {compared.reference}"
    return figures_page(title, compared, (), reference_figures(compared))


def figures_page(title: str, compared: Comparison, lines: Sequence[str], figures: tuple[Figure, ...]) -> str:
    """A page of figures under the verdict of a comparison, each with its table to download."""
    own = {f"{figure.text.key}.csv": csv_text(figure).encode() for figure in figures}
    names, packed = carried(own, {})
    return render(
        "overlay.html",
        title=title,
        standing=standing(compared),
        verdict=verdict(compared),
        lines=[*notes(compared), *lines],
        pictures=[picture(figure, {}, names) for figure in figures],
        tables=comparison_tables(compared),
        payload=Markup(payload(figures)),
        files=Markup(packed),
        version=VERSION,
    )


def comparison_tables(compared: Comparison) -> list[tuple[str, Table]]:
    return [("By band", band_table(compared)), ("By angle", angle_table(compared))]


def standing(compared: Comparison) -> Standing:
    """Whether it matches over all, part or none of the band."""
    reach = compared.met_up_to_hz
    if compared.matches:
        return Standing("met", "✓", f"Matches up to {frequency(reach or 0)}")
    if reach is None:
        return Standing("missed", "✕", "Does not match")
    return Standing("partly", "◐", f"Matches up to {frequency(reach)}")
