"""The page about one scan: a single HTML file that needs nothing else."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FunctionLoader
from markupsafe import Markup

from scanproc.records.fitted.expansion import ESTIMATORS
from scanproc.report.drawing.kinds import Figure, Text
from scanproc.report.drawing.look import tick_name
from scanproc.report.drawing.payload import payload, squeezed
from scanproc.report.drawing.static import still
from scanproc.report.drawing.tables import Table, csv_text, figure_table
from scanproc.report.figures.material import Material
from scanproc.report.pages.guide import Topic, carried_topics
from scanproc.report.pages.sections import FOLD, Section, sections
from scanproc.report.words import sentences
from scanproc.report.words.plate import Entry, conditions, plate
from scanproc.version import VERSION

CARRIED_BYTES = 1_400_000
"""Direction tables are carried in the page up to this length as packed text; more stays beside it."""
UNQUOTED = " !$()*+,-./:;=?@[]^_{|}~'"
"""What may stand in an address between quotation marks as it is."""
DIRECTIONS = "directions/"
CURVES_FILE = DIRECTIONS + "curves.csv"
OF_CURVES = ("response", "beamwidth", "index")
OF_DIRECTIONS = ("-map", "polar")


@dataclass(frozen=True)
class File:
    name: str
    embedded: bool


@dataclass(frozen=True)
class Picture:
    """A figure as the template shows it."""

    text: Text
    still: Markup
    table: Table
    files: tuple[File, ...]
    choice: tuple[str, ...] = ()
    beside: str = ""


@dataclass(frozen=True)
class Shown:
    """A section as the template shows it."""

    section: Section
    pictures: tuple[Picture, ...]
    folded: tuple[Picture, ...]
    guide: tuple[Topic, ...]


@dataclass(frozen=True)
class Standing:
    """The verdict in a word, with a sign that is not colour alone."""

    key: str
    sign: str
    word: str


def scan_page(material: Material, tables: Mapping[str, bytes]) -> str:
    """The page as HTML. ``tables``: the direction tables by their path beside the page, to be downloaded as they "
    "are."""
    summary, found = material.summary, sections(material)
    figures = tuple(figure for one in found for figure in (*one.figures, *one.folded))
    own = {f"{figure.text.key}.csv": csv_text(figure).encode() for figure in figures if _makes_own(figure)}
    own["summary.json"] = json.dumps({**summary, "written_at": ""}, indent=2, ensure_ascii=False).encode()
    names, packed = carried(own, tables)
    guide = carried_topics([topic for one in found for topic in one.guide])
    shown = [
        Shown(
            one,
            tuple(picture(figure, tables, names) for figure in one.figures),
            tuple(picture(figure, tables, names) for figure in one.folded),
            tuple(topic for topic in guide if topic.name in one.guide),
        )
        for one in found
    ]
    return render(
        "scan.html",
        summary=summary,
        standing=standing(summary),
        more=(summary.get("points_study") or {}).get("verdict", ""),
        numbers=_numbers(summary),
        plate=plate(summary.get("headline") or {}, material.level_error_db),
        conditions=conditions(material.setup, summary),
        sections=shown,
        fold=FOLD,
        guide=guide,
        used=_used(material),
        choices=summary.get("headline", {}).get("choices", []),
        facts=_facts(summary, "" if material.setup is None else material.setup.notes),
        version=VERSION,
        payload=Markup(payload(figures)),
        files=Markup(packed),
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
    start = "" if low == summary["bands"][0]["nominal_hz"] else f"from {sentences.frequency(low)} "
    return Standing("partly", "◐", f"Target met {start}up to {sentences.frequency(high)}")


def picture(figure: Figure, tables: Mapping[str, bytes], carried: frozenset[str]) -> Picture:
    key = figure.text.key
    kind, shown = still(figure)
    address = _address(kind, shown)
    names: tuple[str, ...] = (f"{key}.csv",)
    choice: tuple[str, ...] = ()
    beside = ""
    if key in OF_CURVES:
        names = (CURVES_FILE,) if CURVES_FILE in tables else ()
    elif key.endswith(OF_DIRECTIONS):
        names = ()
        choice = tuple(name for name in tables if name in carried and name != CURVES_FILE)
        beside = "" if choice else DIRECTIONS
    return Picture(
        figure.text,
        address,
        figure_table(figure),
        tuple(File(n, n in carried) for n in names),
        choice,
        beside,
    )


def _address(kind: str, picture: bytes) -> Markup:
    """A picture as an address between quotation marks; drawings as text, which is shorter than base64."""
    if kind != "image/svg+xml":
        return Markup(f"data:{kind};base64,{base64.b64encode(picture).decode()}")
    drawing = " ".join(picture.decode().replace("'", "").replace('"', "'").split()).replace("> <", "><")
    return Markup(f"data:{kind};utf8,{quote(drawing, safe=UNQUOTED)}")


def _makes_own(figure: Figure) -> bool:
    return figure.text.key not in OF_CURVES and not figure.text.key.endswith(OF_DIRECTIONS)


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


def _numbers(summary: Mapping[str, Any]) -> list[Entry]:
    """The headline numbers of the scan itself."""
    low, high = summary["met_from_hz"], summary["met_up_to_hz"]
    met = f"{sentences.frequency(low)} to {sentences.frequency(high)}" if low is not None else "nowhere"
    return [
        Entry("Points", f"{summary['points']:,}", key="points"),
        Entry("Dropped", f"{summary['points_dropped']:,}", key="points_dropped"),
        Entry("Frequencies", f"{summary['frequencies']:,}", key="frequencies"),
        Entry("Target", f"{summary['target_db']:g} dB", key="target_db"),
        Entry("Met", met, key="met_up_to_hz"),
        Entry("Warnings", f"{len(summary['warnings'])}"),
    ]


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
                    "–" if band[key] is None else f"{band[key]:z.2f}"
                    for key in ("held_out_db", "far_field_error_db")
                ),
                "met" if band["meets_target"] else "missed",
            )
        )
    return Table(header, tuple(rows))


def _facts(summary: Mapping[str, Any], notes: str) -> list[tuple[str, str]]:
    """Hashes, versions and settings, one a line."""
    found = [("notes", notes)] if notes else []
    return found + list(_flat("", summary["provenance"]))


def _flat(prefix: str, value: Any) -> Sequence[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [
            line
            for key, entry in value.items()
            for line in _flat(f"{prefix}.{key}" if prefix else str(key), entry)
        ]
    if value is None:
        return []
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
