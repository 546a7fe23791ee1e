"""The calls, settings, links and Python lines of README, guide and the other texts are real."""

from __future__ import annotations

import re
import shlex
from importlib import import_module
from pathlib import Path

import pytest
from small_scans import monopole_scan

import scanproc
from scanproc.cli.commands import COMMANDS
from scanproc.report.words.guide import FOLDER
from scanproc.run.settings.conversion import Settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = sorted(FOLDER.glob("*.md"))
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "tests" / "benchmarks" / "README.md", *GUIDE]
PYTHON = re.search(r"^    import scanproc\n(?:    .+\n)+", README, re.MULTILINE)


def calls(text: str) -> list[tuple[str, str]]:
    return re.findall(r"^    \$ scanproc (\S+) ?(.*)$", text, re.MULTILINE)


CALLS = sorted({call for path in TEXTS for call in calls(path.read_text(encoding="utf-8"))})


def sentences(text: str) -> list[str]:
    """Of the prose: no code, no tables, a bullet by itself."""
    prose = re.sub(r"^(?: {4}|\||!|#).*$", "", text, flags=re.MULTILINE)
    parts = re.split(r"\n\n|\n- |(?<=[.:?!])\s+", re.sub(r"\]\([^)]*\)", "]", prose).replace("**", ""))
    return [" ".join(part.split()) for part in parts if part.strip()]


def test_every_command_is_shown() -> None:
    assert {name for name, _ in calls(README)} == set(COMMANDS)


@pytest.mark.parametrize(("name", "arguments"), CALLS)
def test_every_call_is_valid(name: str, arguments: str) -> None:
    words = shlex.split(arguments)
    import_module(COMMANDS[name]).command.make_context(name, words)
    for word in words:
        assert not word.startswith("configs/") or (ROOT / word).is_file(), word


def test_the_readme_can_be_read() -> None:
    assert len(README.splitlines()) <= 200
    long = [sentence for sentence in sentences(README) if len(sentence.split()) > 35]
    assert long == []


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(path: Path) -> None:
    for target, anchor in re.findall(r"\]\(([^)#:]*)(?:#([\w-]+))?\)", path.read_text(encoding="utf-8")):
        there = (path.parent / target).resolve() if target else path
        assert there.is_file(), target
        if anchor:
            text = there.read_text(encoding="utf-8")
            headings = {
                line.lstrip("# ").lower().replace(" ", "-") for line in re.findall("^#.*", text, re.M)
            }
            assert f'<a id="{anchor}">' in text or anchor in headings, (target, anchor)


@pytest.mark.parametrize("path", [ROOT / "README.md", *GUIDE], ids=lambda path: path.stem)
def test_settings_are_real(path: Path) -> None:
    sections = {name: field.annotation for name, field in Settings.model_fields.items()}
    for section, key in re.findall(r"`(\w+)\.(\w+)(?: =[^`]*)?`", path.read_text(encoding="utf-8")):
        if section in sections and key not in ("csv", "h5", "toml"):
            assert key in sections[section].model_fields, f"{section}.{key}"  # type: ignore[union-attr]


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


def test_the_least_scan_file_is_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import h5py

    lines = re.search(r"^    with h5py\.File.*\n(?:     +.+\n)+", README, re.MULTILINE)
    assert lines is not None
    scan = monopole_scan(30)
    known = {
        "h5py": h5py,
        "position": scan.setup.position_m,
        "frequency": scan.frequency_hz,
        "pressure": scan.pressure_pa,
    }
    monkeypatch.chdir(tmp_path)
    exec("\n".join(line[4:] for line in lines[0].splitlines()), known)
    read = scanproc.read_scan("scan.h5")
    assert read.points == 30
    assert read.setup.environment == "room"


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
