"""The way of a scan as DEVELOPERS.md tells it: a scan goes along these functions, in this order."""

from __future__ import annotations

import re
import sys
from importlib import import_module
from pathlib import Path
from types import CodeType, FrameType

from small_scans import monopole_scan

from scanproc.files.stored.scan_file import write_scan
from scanproc.run.conversion.pipeline import convert

TEXT = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
ONLY_IN_ROOMS = "joined"


def told() -> list[list[CodeType]]:
    """The functions that each numbered line names; a module, or folder, that a name leaves out is the last one's."""
    section = TEXT.split("## The way of a scan")[1].split("\n## ")[0]
    lines, module = [], ""
    for line in re.findall(r"^\d+\. (.*)$", section, re.MULTILINE):
        found = []
        for name in re.findall(r"`([\w/.]+)`", line):
            where, _, function = name.rpartition(".")
            if where:
                module = where if "/" in where else f"{module.rpartition('/')[0]}/{where}"
            found.append(getattr(import_module("scanproc." + module.replace("/", ".")), function).__code__)
        lines.append(found)
    return lines


def test_a_scan_goes_the_way_that_is_told(tmp_path: Path) -> None:
    lines = told()
    assert 5 < len(lines) <= 10
    heads = [line[0] for line in lines]
    seen: list[CodeType] = []

    def watch(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and frame.f_code in heads and frame.f_code not in seen:
            seen.append(frame.f_code)

    write_scan(tmp_path / "scan.h5", monopole_scan(30))
    before = sys.getprofile()
    sys.setprofile(watch)
    try:
        convert(tmp_path / "scan.h5", tmp_path / "out")
    finally:
        sys.setprofile(before)
    assert [one.co_name for one in seen] == [one.co_name for one in heads if one.co_name != ONLY_IN_ROOMS]
