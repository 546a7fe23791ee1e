"""Settings: all mistakes in one go, each with file, line and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from scanproc.errors import SettingsError
from scanproc.run.settings.conversion import Settings, parse_settings, read_settings

CONFIGS = Path(__file__).parents[3] / "configs"

MISTAKES = """\
# comment
[fit]
ordr = 5
order = "7"
centre_m = [1, "a",
  3]
target_db = true
[direction]
x = 1
[directions]
step_deg = 7
"""


def mistakes_in(text: str, folder: Path) -> list[str]:
    path = folder / "job.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert caught.value.exit_code == 2
    return [line.removeprefix(f"{path}:") for line in str(caught.value).splitlines()]


def test_every_mistake_has_its_line_and_the_nearest_name(tmp_path: Path) -> None:
    assert mistakes_in(MISTAKES, tmp_path) == [
        "3: fit.ordr: no such setting: did you mean 'order'?",
        '4: fit.order must be "auto" or a whole number from 0 to 100, got "7"',
        '5: fit.centre_m must be "auto", "origin" or three numbers [x, y, z] in metres, got [1, "a", 3]',
        "7: fit.target_db must be a number from -200 up to but not including 0 (dB), got true",
        "8: direction: no such section: did you mean 'directions'?",
        "11: directions.step_deg must be a number of degrees from 0.5 to 90 that divides 360, got 7",
    ]


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("[fit]\norder = 7.0", "2: fit.order must be"),
        ("[fit]\norder = -1", "2: fit.order must be"),
        ("[fit]\ntarget_db = nan", "2: fit.target_db must be"),
        ("[fit]\ntarget_db = 0", "2: fit.target_db must be"),
        ("fit.order = '7'", "1: fit.order must be"),
        ("fit = 3", "1: fit must be a section [fit], got 3"),
        ("\n[fit", "2: not valid TOML"),
        ("[zebra]", "1: zebra: no such section: known are fit, frequencies, room, directions"),
        ("[frequencies]\nlowest_hz = 200\nhighest_hz = 100", "3: frequencies.highest_hz must be above"),
    ],
)
def test_one_mistake_is_one_line(text: str, mistake: str, tmp_path: Path) -> None:
    (line,) = mistakes_in(text, tmp_path)
    assert line.startswith(mistake)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"absent\.toml: cannot read the settings: No such file"):
        read_settings(tmp_path / "absent.toml")


def test_whole_numbers_do_for_numbers() -> None:
    assert parse_settings({"fit": {"target_db": -30}}).fit.target_db == -30.0


def test_who_set_a_value_is_known() -> None:
    settings = parse_settings({"fit": {"target_db": -25.0}})
    assert settings.who_set("fit", "target_db") == "settings"
    assert settings.who_set("fit", "order") == "default"
    assert Settings().who_set("fit", "target_db") == "default"


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.name)
def test_ready_settings_are_valid(path: Path) -> None:
    assert isinstance(read_settings(path), Settings)


def test_the_standard_settings_are_the_defaults() -> None:
    assert read_settings(CONFIGS / "standard.toml").model_dump() == Settings().model_dump()
