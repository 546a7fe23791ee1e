"""The page and the pictures of a conversion."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from scanproc.errors import ScanDataError, SettingsError
from scanproc.files.json_file import json_text
from scanproc.records.answers.advice import Advice
from scanproc.records.answers.comparison import Comparison
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.result import Result
from scanproc.records.answers.study import Study
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.check import CheckReport
from scanproc.records.measured.scan import ScanSetup
from scanproc.report.drawing.kinds import Figure
from scanproc.report.figures.material import Material
from scanproc.report.words.summary import Summary, summarise
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.settings.conversion import CurveSettings, FigureSettings
from scanproc.steps.advise.advice import Wish, advice
from scanproc.steps.field.residuals import one_in_a_band

PAGE = "report.html"


@dataclass(frozen=True, eq=False)
class Extras:
    """What the page shows of the scan itself."""

    setup: ScanSetup | None = None
    study: Study | None = None
    check: CheckReport | None = None
    comparison: Comparison | None = None


def write_page(directory: Path, result: Result, summary: Summary, curves: Curves, extras: Extras) -> None:
    """Writes report.html beside the direction tables that it carries. ``directory`` is a draft: not whole yet."""
    from scanproc.report.pages.scan_page import scan_page

    tables = {
        str(path.relative_to(directory)): path.read_bytes()
        for path in sorted((directory / "directions").rglob("*.csv"))
    }
    page = scan_page(_material(result, summary, curves, extras), tables)
    (directory / PAGE).write_text(page, encoding="utf-8", newline="\n")


def write_figures(
    directory: Path,
    result: Result,
    summary: Summary,
    curves: Curves,
    extras: Extras,
    settings: FigureSettings,
) -> None:
    """Writes every figure of the page as files NAME.FORMAT into a draft directory, of both themes the dark ones as
    NAME-dark.FORMAT; each says what it was made from."""
    from scanproc.report.drawing.look import THEMES
    from scanproc.report.drawing.static import drawn
    from scanproc.report.pages.sections import scan_figures

    directory.mkdir()
    source = json_text({key: value for key, value in result.provenance.items() if key != "settings"})
    themes = {"": "light", "-dark": "dark"} if settings.theme == "both" else {"": settings.theme}
    for figure in scan_figures(_material(result, summary, curves, extras)):
        for kind in settings.formats:
            for ending, theme in themes.items():
                picture = drawn(figure, kind, THEMES[theme], settings.width_mm, source=source)
                (directory / f"{figure.text.key}{ending}.{kind}").write_bytes(picture)


def figures(result: Result, target_db: float = -25.0) -> tuple[Figure, ...]:
    """The figures of a result, to be kept with :func:`save_figure`; those that need the scan are left out.

    >>> len(sp.figures(result)) > 5
    True
    """
    from scanproc.report.pages.sections import scan_figures

    curves = all_curves(result.expansion, CurveSettings())
    return scan_figures(_material(result, summarise(result, "", target_db, "default"), curves, Extras()))


def save_figure(figure: Figure, path: Path | str, theme: str = "light", width_mm: float = 170.0) -> None:
    """Writes a figure as SVG, PDF or PNG, by the ending of ``path``. Raises OutputError and SettingsError.

    >>> sp.save_figure(sp.figures(result)[0], folder / "first.svg")
    """
    from scanproc.report.drawing.look import THEMES
    from scanproc.report.drawing.static import FORMATS, save

    kind = Path(path).suffix[1:].lower()
    if kind not in FORMATS or theme not in THEMES:
        raise SettingsError(
            f"figures are {', '.join(FORMATS)}, themes {', '.join(THEMES)}, got {kind!r} and {theme!r}: "
            "choose among them",
            path=path,
        )
    save(figure, path, THEMES[theme], width_mm)


def _material(result: Result, summary: Summary, curves: Curves, extras: Extras) -> Material:
    plain = json.loads(json.dumps(summary.as_json()))
    left = result.expansion.residual
    points = None if left is None else one_in_a_band(left)
    return Material(
        result,
        plain,
        curves,
        points,
        extras.study,
        extras.check,
        extras.comparison,
        extras.setup,
        _advice(result.expansion, float(plain["target_db"])),
    )


def _advice(expansion: Expansion, error_db: float) -> Advice | None:
    """What scanproc advise says unasked; nothing where there are too few frequencies for it."""
    try:
        return advice(expansion, Wish(error_db=error_db))
    except (ScanDataError, SettingsError):
        return None
