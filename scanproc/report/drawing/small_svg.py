"""Drawings for the page, shortened: coordinates in tenths, straight paths as steps, no names that nothing refers to."""

from __future__ import annotations

import re

STRAIGHT = re.compile(r'\bd="((?:[MLz\s\d.eE+-])*)"')
NAMED = re.compile(r' id="([^"]*)"')


def shortened(drawing: str) -> str:
    """The same picture in fewer characters; what is written between tags stays."""
    used = set(re.findall(r"#([^\"')]+)", drawing))
    drawing = re.sub(r"\s*<metadata>.*?</metadata>", "", drawing, flags=re.DOTALL)
    drawing = NAMED.sub(lambda named: named[0] if named[1] in used else "", drawing)
    return re.sub(r"<[^>]*>", _tag, drawing)


def _tag(tag: re.Match[str]) -> str:
    stepped = STRAIGHT.sub(lambda path: f'd="{_stepped(path[1])}"', tag[0])
    return re.sub(r"(\.\d)\d+", r"\1", stepped.replace(": ", ":").replace("; ", ";"))


def _stepped(path: str) -> str:
    """Straight lines between corners in whole tenths, each from the one before, which never drifts."""
    words, parts, at, start = path.split(), [], (0, 0), (0, 0)
    while words:
        command = words.pop(0)
        if command == "z":
            parts.append("z")
            at = start
            continue
        corner = round(10 * float(words.pop(0))), round(10 * float(words.pop(0)))
        parts.append(f"{command.lower()}{_tenths(corner[0] - at[0])} {_tenths(corner[1] - at[1])}")
        at = corner
        start = corner if command == "M" else start
    return "".join(parts)


def _tenths(value: int) -> str:
    return f"{value / 10:g}"
