"""Filters as files: the TOML that ``scanproc export --filter`` takes, and coefficients as CSV and JSON.

Coefficients are those of y = b0 x + b1 x₋₁ + b2 x₋₂ - a1 y₋₁ - a2 y₋₂ for each section, a0 being one.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

from scanproc.files.atomic import whole_file
from scanproc.files.json_file import write_json
from scanproc.records.answers.advice import Proposal
from scanproc.waves.biquads import biquad

NAMES = ("b0", "b1", "b2", "a1", "a2")


def filters_toml(proposal: Proposal) -> str:
    """The gain for headroom, then the bands. Without any it is a gain of 0 dB."""
    lines = [
        "# Proposed by scanproc advise; for: scanproc export RESULT -o FILES --filter filters.toml",
        f"sampling_rate_hz = {proposal.sampling_rate_hz!r}",
        "",
        "[[filter]]",
        'kind = "gain" # headroom: nowhere louder than before',
        f"gain_db = {0.0 - proposal.headroom_db!r}",
    ]
    for one in proposal.bands:
        lines += ["", "[[filter]]", f'kind = "{one.kind}"', f"frequency_hz = {one.frequency_hz!r}"]
        lines += [f"q = {one.q!r}", f"gain_db = {one.gain_db!r}"]
    return "\n".join(lines) + "\n"


def sections(proposal: Proposal) -> list[dict[str, Any]]:
    """Each band with its coefficients."""
    rows = []
    for one in proposal.bands:
        top, bottom = biquad(one.kind, one.frequency_hz, one.q, one.gain_db, proposal.sampling_rate_hz)
        numbers = [float(value) for value in (*top / bottom[0], *bottom[1:] / bottom[0])]
        size = {"kind": one.kind, "frequency_hz": one.frequency_hz, "q": one.q, "gain_db": one.gain_db}
        rows.append({**size, **dict(zip(NAMES, numbers, strict=True))})
    return rows


def write_filters(directory: Path, proposal: Proposal) -> None:
    """filters.toml, sections.csv and sections.json. Raises OutputError."""
    with whole_file(directory / "filters.toml") as draft:
        draft.write_text(filters_toml(proposal), encoding="utf-8", newline="\n")
    rows = sections(proposal)
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow(("kind", "frequency_hz", "q", "gain_db", *NAMES))
    writer.writerows(
        [value if isinstance(value, str) else repr(value) for value in row.values()] for row in rows
    )
    with whole_file(directory / "sections.csv") as draft:
        draft.write_text(page.getvalue(), encoding="utf-8", newline="\n")
    document = {
        "sampling_rate_hz": proposal.sampling_rate_hz,
        "gain_db": 0.0 - proposal.headroom_db,
        "difference_equation": "y = b0 x + b1 x1 + b2 x2 - a1 y1 - a2 y2",
        "sections": rows,
    }
    write_json(directory / "sections.json", document)
