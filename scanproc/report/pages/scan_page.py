"""The page about one scan: a single HTML file that needs nothing else."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader
from markupsafe import Markup

from scanproc.records.expansion import ESTIMATORS
from scanproc.report.figures.clean import clean_figures, findings
from scanproc.report.figures.device import device_figures
from scanproc.report.figures.distortion import distortion_figures
from scanproc.report.figures.enough import enough_figures
from scanproc.report.figures.kinds import Figure, Text
from scanproc.report.figures.look import tick_name
from scanproc.report.figures.matches import angle_table, band_table, reference_figures
from scanproc.report.figures.material import Material
from scanproc.report.figures.payload import payload, squeezed
from scanproc.report.figures.static import still
from scanproc.report.figures.tables import Table, csv_text, figure_table
from scanproc.report.words import sentences
from scanproc.report.words.comparison import notes, verdict
from scanproc.version import VERSION

CARRIED_BYTES = 1_400_000
"""Sweep tables are carried in the page up to this length as packed text; more stays beside it."""
SWEEPS = "sweeps/"
CURVES_FILE = SWEEPS + "curves.csv"
OF_CURVES = ("response", "beamwidth", "index")
OF_SWEEPS = ("-map", "polar")


@dataclass(frozen=True)
class File:
    name: str
    embedded: bool


@dataclass(frozen=True)
class Picture:
    """A figure as the template shows it."""

    text: Text
    still: str
    table: Table
    files: tuple[File, ...]
    choice: tuple[str, ...] = ()
    beside: str = ""


@dataclass(frozen=True)
class Section:
    """One of the reader's questions."""

    key: str
    title: str
    lead: str
    figures: tuple[Figure, ...] = ()
    pictures: tuple[Picture, ...] = field(default=(), repr=False)
    table: Table | None = None
    notes: tuple[str, ...] = ()
    tables: tuple[tuple[str, Table], ...] = ()


@dataclass(frozen=True)
class Standing:
    """The verdict in a word, with a sign that is not colour alone."""

    key: str
    sign: str
    word: str


def scan_page(material: Material, tables: Mapping[str, bytes], remarks: str = "") -> str:
    """The page as HTML. ``tables``: the sweep tables by their path beside the page, to be downloaded as they are;
    ``remarks``: the notes of the scan."""
    sections = _sections(material)
    figures = tuple(figure for section in sections for figure in section.figures)
    own = {f"{figure.text.key}.csv": csv_text(figure).encode() for figure in figures if _makes_own(figure)}
    names, packed = carried(own, tables)
    shown = [
        replace(s, figures=(), pictures=tuple(picture(figure, tables, names) for figure in s.figures))
        for s in sections
    ]
    summary = material.summary
    return render(
        "scan.html",
        summary=summary,
        standing=standing(summary),
        more=(summary.get("points_study") or {}).get("verdict", ""),
        band_strip=_band_strip(summary),
        numbers=_numbers(summary),
        sections=shown,
        used=_used(material),
        choices=summary.get("headline", {}).get("choices", []),
        facts=_facts(summary, remarks),
        version=VERSION,
        payload=Markup(payload(figures)),
        files=Markup(packed),
    )


def scan_figures(material: Material) -> tuple[Figure, ...]:
    """All figures of the page, for other uses."""
    compared = material.comparison
    return (
        *enough_figures(material),
        *clean_figures(material),
        *device_figures(material),
        *distortion_figures(material),
        *(() if compared is None else reference_figures(compared)),
    )


def render(template: str, **content: Any) -> str:
    """A template of this package with its style and script inlined; every other text is escaped."""
    script = _script()
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    style = _text("vendored", "uPlot.min.css") + _text("templates", "page.css")
    return (
        _environment()
        .get_template(template)
        .render(script=Markup(script), script_hash=Markup(f"sha256-{digest}"), style=Markup(style), **content)
    )


def standing(summary: Mapping[str, Any]) -> Standing:
    """Whether all, some or no bands meet the target."""
    met = [band["meets_target"] for band in summary["bands"]]
    if all(met):
        return Standing("met", "✓", "Target met")
    if not any(met):
        return Standing("missed", "✕", "Target missed")
    low, high = summary["met_from_hz"], summary["met_up_to_hz"]
    start = "" if low == summary["lowest_hz"] else f"from {sentences.frequency(low)} "
    return Standing("partly", "◐", f"Target met {start}up to {sentences.frequency(high)}")


def _sections(material: Material) -> tuple[Section, ...]:
    study = "" if material.study else " How the error falls with the number of points was not studied."
    return (
        Section(
            "enough",
            "Enough?",
            "Were there enough points, and up to which frequency?" + study,
            enough_figures(material),
        ),
        Section(
            "clean",
            "Clean?",
            "Is the measurement itself sound: odd points, drift, the room?" + _looked(material),
            clean_figures(material),
            table=None if material.check is None else findings(material.check),
            notes=tuple(filter(None, [(material.summary.get("room") or {}).get("sentence", "")])),
        ),
        Section(
            "device",
            "The device",
            "What an anechoic far-field measurement would show. Hatched: the target is missed there, do not trust it.",
            device_figures(material),
        ),
        *_distortion(material),
        *_matches(material),
        Section("provenance", "Provenance", "What these results were made from, and how."),
    )


def _matches(material: Material) -> tuple[Section, ...]:
    found = material.comparison
    if found is None:
        return ()
    return (
        Section(
            "matches",
            "Matches?",
            "Does it agree with an independent measurement?",
            reference_figures(found),
            notes=(verdict(found), *notes(found)),
            tables=(("By band", band_table(found)), ("By angle", angle_table(found))),
        ),
    )


def _distortion(material: Material) -> tuple[Section, ...]:
    found = distortion_figures(material)
    lead = "What harmonics does it add in the far field, at the level at which its sweeps were played?"
    return (Section("distortion", "Distortion", lead, found),) if found else ()


def _looked(material: Material) -> str:
    if material.check is None:
        return " The scan was not checked before the conversion."
    return "" if material.check.findings else " The check of the scan found nothing odd."


def picture(figure: Figure, tables: Mapping[str, bytes], carried: frozenset[str]) -> Picture:
    key = figure.text.key
    kind, shown = still(figure)
    address = f"data:{kind};base64,{base64.b64encode(shown).decode()}"
    names: tuple[str, ...] = (f"{key}.csv",)
    choice: tuple[str, ...] = ()
    beside = ""
    if key in OF_CURVES:
        names = (CURVES_FILE,) if CURVES_FILE in tables else ()
    elif key.endswith(OF_SWEEPS):
        names = ()
        choice = tuple(name for name in tables if name in carried and name != CURVES_FILE)
        beside = "" if choice else SWEEPS
    return Picture(
        figure.text,
        address,
        figure_table(figure),
        tuple(File(n, n in carried) for n in names),
        choice,
        beside,
    )


def _makes_own(figure: Figure) -> bool:
    return figure.text.key not in OF_CURVES and not figure.text.key.endswith(OF_SWEEPS)


def carried(own: Mapping[str, bytes], tables: Mapping[str, bytes]) -> tuple[frozenset[str], str]:
    """Which files the page carries, and they packed: the length of an index, the index, the bytes."""
    first = {name: data for name, data in tables.items() if name == CURVES_FILE}
    for chosen in ({**own, **first, **tables}, {**own, **first}, dict(own)):
        packed = _packed(chosen)
        if len(packed) <= CARRIED_BYTES:
            break
    return frozenset(chosen), packed


def _packed(chosen: Mapping[str, bytes]) -> str:
    index, at = {}, 0
    for name, data in chosen.items():
        index[name] = (at, len(data))
        at += len(data)
    head = json.dumps(index, ensure_ascii=False).encode()
    return squeezed(len(head).to_bytes(4, "little") + head + b"".join(chosen.values()))


def _band_strip(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            "name": tick_name(band["nominal_hz"]),
            "error": "–" if band["far_field_error_db"] is None else f"{band['far_field_error_db']:.0f}",
            "met": band["meets_target"],
        }
        for band in summary["bands"]
    ]


def _numbers(summary: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Name, value and key in the summary of the headline numbers."""
    low, high = summary["met_from_hz"], summary["met_up_to_hz"]
    met = f"{sentences.frequency(low)} to {sentences.frequency(high)}" if low is not None else "nowhere"
    found = [
        ("Points", f"{summary['points']:,}", "points"),
        ("Dropped", f"{summary['points_dropped']:,}", "points_dropped"),
        ("Frequencies", f"{summary['frequencies']:,}", "frequencies"),
        ("Target", f"{summary['target_db']:g} dB", "target_db"),
        ("Met", met, "met_up_to_hz"),
        ("Warnings", f"{len(summary['warnings'])}", ""),
    ]
    headline = summary.get("headline") or {}
    for name, key in (("Sensitivity", "sensitivity"), ("Directivity index", "directivity_index")):
        entry = headline.get(key)
        if entry:
            error = entry["standard_error"]
            spread = f"{error:.2f}" if error >= 0.005 else "<0.01"
            value = f"{entry['value']:.1f} ± {spread} {entry['unit']}"
            found.append((name, value, f"headline.{key}"))
    limit = (headline.get("low_limit") or {}).get("-6 dB")
    if limit:
        found.append(("Low limit, -6 dB", sentences.frequency(limit["value"]), "headline.low_limit"))
    return found


def _used(material: Material) -> Table:
    """By band: order, estimator, centre, errors."""
    expansion = material.result.expansion
    header = (
        "Band [Hz]",
        "From [Hz]",
        "To [Hz]",
        "Orders",
        "Estimator",
        "Held-out [dB]",
        "Far field [dB]",
        "Target",
    )
    rows = []
    for band in material.summary["bands"]:
        inside = (expansion.frequency_hz >= band["lowest_hz"]) & (
            expansion.frequency_hz <= band["highest_hz"]
        )
        names = dict.fromkeys(ESTIMATORS[i] for i in expansion.estimator[inside])
        low, high = band["lowest_order"], band["highest_order"]
        rows.append(
            (
                tick_name(band["nominal_hz"]),
                f"{band['lowest_hz']:.1f}",
                f"{band['highest_hz']:.1f}",
                f"{low}" if low == high else f"{low} to {high}",
                ", ".join(names),
                *(
                    "–" if band[key] is None else f"{band[key]:.2f}"
                    for key in ("held_out_db", "far_field_error_db")
                ),
                "met" if band["meets_target"] else "missed",
            )
        )
    return Table(header, tuple(rows))


def _facts(summary: Mapping[str, Any], notes: str) -> list[tuple[str, str]]:
    """Hashes, versions and settings, one a line."""
    found = [("device", str(summary["device"]))]
    if notes:
        found.append(("notes", notes))
    return found + list(_flat("", summary["provenance"]))


def _flat(prefix: str, value: Any) -> Sequence[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [
            line
            for key, entry in value.items()
            for line in _flat(f"{prefix}.{key}" if prefix else str(key), entry)
        ]
    return [(prefix, value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))]


@cache
def _environment() -> Environment:
    return Environment(
        autoescape=True,
        loader=FunctionLoader(lambda name: _text("templates", name)),
        trim_blocks=True,
        keep_trailing_newline=True,
    )


@cache
def _text(*place: str) -> str:
    return files("scanproc.report.pages").joinpath(*place).read_text(encoding="utf-8")


@cache
def _script() -> str:
    """The vendored plotting script, then ours in the order of their names."""
    folder = files("scanproc.report.pages").joinpath("scripts")
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".js"))
    ours = "\n".join(_text("scripts", name) for name in names)
    return f'{_text("vendored", "uPlot.iife.min.js")}\n"use strict";(() => {{\n{ours}\n}})();\n'
