"""The README's commands, settings and Python lines are real."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest
from small_scans import monopole_scan

import scanproc
from scanproc.cli.commands import COMMANDS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CALLS = re.findall(r"^    \$ scanproc (\S+) (.*)$", README, re.MULTILINE)
PYTHON = re.search(r"^    import scanproc\n(?:    .+\n)+", README, re.MULTILINE)


def test_every_command_is_shown() -> None:
    assert {name for name, _ in CALLS} == set(COMMANDS)


@pytest.mark.parametrize(("name", "arguments"), CALLS)
def test_every_call_is_valid(name: str, arguments: str) -> None:
    import_module(COMMANDS[name]).command.make_context(name, arguments.split())


def test_the_python_lines_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert PYTHON is not None
    lines = [line.strip() for line in PYTHON[0].splitlines()]
    assert len(lines) == 5
    (tmp_path / "demo").mkdir()
    scanproc.write_scan(tmp_path / "demo" / "scan.h5", monopole_scan())
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec("\n".join(lines), names)
    curve = names["curve"]
    assert abs(abs(curve[0]) - 1) < 0.01  # type: ignore[index]  # a source of 1 Pa at 1 m
    assert scanproc.read_result("result.h5").expansion.points == 100


def test_every_public_name_is_there() -> None:
    for name in scanproc.__all__:
        assert getattr(scanproc, name) is not None
    assert set(dir(scanproc)) == set(scanproc.__all__)
    with pytest.raises(AttributeError, match="no attribute 'fitt'"):
        _ = scanproc.fitt


def test_ci_runs_the_tests_as_the_readme_does() -> None:
    command = re.search(r"(python -m pytest .*)$", README, re.MULTILINE)
    assert command is not None
    assert command[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
