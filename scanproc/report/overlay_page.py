"""Pages of figures with a headline: two results on each other, a scan against a reference."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from scanproc.report.figure import Figure
from scanproc.report.matches import Compared, overlay_figures, reference_figures
from scanproc.report.material import Material
from scanproc.report.page import carried, picture, render
from scanproc.report.payload import payload
from scanproc.report.tables import csv_text
from scanproc.report.words import frequency
from scanproc.version import VERSION


def two_results_page(first: Material, second: Material, names: tuple[str, str]) -> str:
    """Two results overlaid: before and after, two devices, two scans."""
    lines = [f"{name}: {one.summary['verdict']}" for name, one in zip(names, (first, second), strict=True)]
    return figures_page(
        f"{names[0]} and {names[1]}", "Two results overlaid", lines, overlay_figures((first, second), names)
    )


def reference_page(compared: Compared, device: str, lines: Sequence[str] = ()) -> str:
    """A scan against a reference; ``lines``: what the comparison says in words."""
    reach = compared.met_up_to_hz
    headline = f"Matches up to {frequency(reach)}" if reach else "Does not match"
    return figures_page(
        f"{device or 'Scan'} against {compared.reference}", headline, lines, reference_figures(compared)
    )


def figures_page(title: str, headline: str, lines: Sequence[str], figures: tuple[Figure, ...]) -> str:
    """A page of figures, each with its table to download."""
    own = {f"{figure.text.key}.csv": csv_text(figure).encode() for figure in figures}
    names, packed = carried(own, {})
    return render(
        "overlay.html",
        title=title,
        headline=headline,
        lines=lines,
        pictures=[picture(figure, {}, names) for figure in figures],
        payload=Markup(payload(figures)),
        files=Markup(packed),
        version=VERSION,
    )
