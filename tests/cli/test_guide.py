"""``scanproc guide``: topics, plain text, typeset on a terminal."""

from __future__ import annotations

import json
import re
from importlib import import_module

import pytest

from scanproc.cli.commands import COMMANDS, run
from scanproc.report.words.guide import FOLDER

Captured = pytest.CaptureFixture[str]


def test_lists_every_topic(capsys: Captured) -> None:
    assert run(["guide"]) == 0
    named = [line.split()[0] for line in capsys.readouterr().out.splitlines()[1:]]
    assert named == sorted(path.stem for path in FOLDER.glob("*.md"))
    assert {"points", "room", "positions", "compare", "export", "limits", "methods"} <= set(named)


def test_plain_text_is_the_file(capsys: Captured) -> None:
    assert run(["guide", "room"]) == 0
    text = (FOLDER / "room.md").read_text(encoding="utf-8")
    assert capsys.readouterr().out == text
    assert run(["guide", "room", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"topic": "room", "text": text}


def test_a_terminal_gets_it_typeset(capsys: Captured, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    assert run(["guide", "room"]) == 0
    out = capsys.readouterr().out
    assert "Out of the room" in out
    assert "# Out of the room" not in out
    assert "**One layer cannot.**" not in out


@pytest.mark.parametrize(
    ("topic", "guess"), [("pionts", "did you mean 'points'?"), ("zzz", "known are advise")]
)
def test_a_wrong_topic_is_one_line(topic: str, guess: str, capsys: Captured) -> None:
    assert run(["guide", topic]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"scanproc: no topic '{topic}': {guess}")
    assert err.count("\n") == 1


def test_the_help_points_to_topics_that_exist() -> None:
    epilogs = [import_module(COMMANDS[name]).command.epilog or "" for name in COMMANDS]
    named = set(re.findall(r"More: scanproc guide (\S+)", " ".join(epilogs)))
    assert {"points", "results", "batch"} <= named <= {path.stem for path in FOLDER.glob("*.md")}
