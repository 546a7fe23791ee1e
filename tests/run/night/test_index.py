"""The page over a batch is made from what lies in its output directory."""

from __future__ import annotations

import re
from pathlib import Path

from small_scans import monopole_scan

from scanproc.files.stored.scan_file import write_scan
from scanproc.report.words.overview import Row
from scanproc.run.conversion.pipeline import convert
from scanproc.run.night.index import write_index


def test_done_scans_are_linked_and_failed_ones_say_why(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.h5", monopole_scan())
    convert(tmp_path / "a.h5", tmp_path / "dock #1 <b>")
    rows = [
        Row("dock #1 <b>", "a.h5", "done before"),
        Row("gone", "b.h5", "done"),
        Row("bad", "c.h5", "failed", error="position_m <missing>"),
    ]
    write_index(tmp_path, rows)
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert '<a href="dock%20%231%20%3Cb%3E/report.html">dock #1 &lt;b&gt;</a>' in page
    assert "position_m &lt;missing&gt;" in page
    assert len(re.findall(r"<polyline", page)) == 1
    assert re.findall(r'<tr( class="failed"(?: id="failed")?)?><td>', page) == [
        ' class="failed" id="failed"',
        ' class="failed"',
        "",
    ]
    assert '3 scans, <a href="#failed">2 failures</a>.' in page
    assert '<td class="reason" colspan="6" data-value="0">position_m &lt;missing&gt;</td></tr>' in page
