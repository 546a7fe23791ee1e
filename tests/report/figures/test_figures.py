"""Figures on paper, the tables behind them, what the page's script is given, and what points leave over."""

from __future__ import annotations

import base64
import csv
import gzip
import io
import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from page_material import FREQUENCY_HZ, study, two_sources
from PIL import Image

import scanproc
from scanproc.errors import SettingsError
from scanproc.records.answers.result import Result
from scanproc.records.fitted.room import RoomReport
from scanproc.report.drawing.kinds import Cloud, Figure
from scanproc.report.drawing.look import DARK, LIGHT, THEMES, log_ticks
from scanproc.report.drawing.payload import payload
from scanproc.report.drawing.static import drawn, still
from scanproc.report.drawing.tables import csv_text, figure_table
from scanproc.report.figures.clean import point_figures
from scanproc.report.figures.clean import room as room_figures
from scanproc.report.figures.enough import enough_figures, learning, needed, specialist_figures
from scanproc.report.figures.material import Material, doubtful
from scanproc.report.words.summary import summarise
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.conversion.page import Extras, figures, write_figures
from scanproc.run.settings.conversion import CurveSettings, FigureSettings
from scanproc.steps.field.extrapolate import orbits
from scanproc.steps.fit.expand import fit


@pytest.fixture(scope="module")
def made() -> Material:
    scan = two_sources()
    expansion = fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated")
    directions = orbits(expansion, 30)
    result = Result(expansion, {directions.name: directions}, {})
    summary = json.loads(json.dumps(summarise(result, "quay horn", -25.0, "default").as_json()))
    return Material(result, summary, all_curves(expansion, CurveSettings()), expansion.residual, study())


@pytest.fixture(scope="module")
def all_figures(made: Material) -> dict[str, Figure]:
    listed = (*figures(made.result), *enough_figures(made), *specialist_figures(made), *point_figures(made))
    return {figure.text.key: figure for figure in listed}


MINUS_NOTHING = re.compile(r"(?<![\w.])[-−]0(\.0+)?(?![\w.])")


def test_nothing_is_minus_zero(all_figures: dict[str, Figure]) -> None:
    """Neither in words nor in tables; the direction of 0 deg is no exception."""
    assert MINUS_NOTHING.search("at -0 deg")
    assert MINUS_NOTHING.search("-0.00 ± 0.10")
    assert not MINUS_NOTHING.search("-0.01 e-0.2 2-0")
    for name, figure in all_figures.items():
        text, table = figure.text, figure_table(figure)
        said = [text.finding, text.shows, *table.header, *(cell for row in table.rows for cell in row)]
        rows = csv_text(figure).splitlines()
        assert not [one for one in said if MINUS_NOTHING.search(one)], name
        assert not [one for one in rows[:1] if MINUS_NOTHING.search(one)], name


@pytest.mark.parametrize(
    "key",
    [
        "response",
        "off-axis-vertical",
        "orders",
        "horizontal-map",
        "polar",
        "polar-sheet",
        "balloon",
        "points",
        "needed",
    ],
)
def test_every_kind_is_drawn_alike_every_time(all_figures: dict[str, Figure], key: str) -> None:
    figure = all_figures[key]
    once, again = (drawn(figure, "svg") for _ in range(2))
    assert once == again
    assert ElementTree.fromstring(once).tag.endswith("svg")
    assert still(figure) == still(figure)
    grey = np.asarray(Image.open(io.BytesIO(drawn(figure, "png"))).convert("L"))
    assert grey.std() > 10


def test_size_theme_and_format_are_as_asked(all_figures: dict[str, Figure], tmp_path: Path) -> None:
    figure = all_figures["response"]
    scanproc.save_figure(figure, tmp_path / "a.png", theme="dark", width_mm=90)
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.width == pytest.approx(90 / 25.4 * 200, abs=1)
        assert picture.convert("RGB").getpixel((1, 1)) == (0x15, 0x1C, 0x23)
    scanproc.save_figure(figure, tmp_path / "a.pdf")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    assert b"CreationDate" not in (tmp_path / "a.pdf").read_bytes()
    with pytest.raises(SettingsError, match="svg, pdf, png"):
        scanproc.save_figure(figure, tmp_path / "a.gif")


def test_a_gallery_has_both_themes(made: Material, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from scanproc.report.pages import sections

    monkeypatch.setattr(sections, "SECTIONS", (sections.clean,))
    summary = summarise(made.result, "quay horn", -25.0, "default")
    settings = FigureSettings(formats=["png", "pdf"], theme="both", width_mm=60)
    write_figures(tmp_path / "figures", made.result, summary, made.curves, Extras(), settings)
    names = {f"{key}{ending}" for key in ("points", "along", "centre") for ending in ("", "-dark")}
    found = {path.name for path in (tmp_path / "figures").iterdir()}
    assert found == {f"{name}.{kind}" for name in names for kind in ("png", "pdf")}
    corners = [
        Image.open(tmp_path / "figures" / f"along{end}.png").convert("RGB").getpixel((1, 1))
        for end in ("", "-dark")
    ]
    assert corners == [(255, 255, 255), (0x15, 0x1C, 0x23)]


def test_pictures_keep_the_digits_that_are_read(all_figures: dict[str, Figure]) -> None:
    """Coordinates are cut to one digit, what is written is not: 3.15 kHz stays."""
    text = replace(all_figures["errors"].text, title="3.15 kHz")
    figure = replace(all_figures["errors"], text=text, levels=(("at 3.15 kHz", -25.0),))
    _, drawing = still(figure)
    assert b"at 3.15 kHz" in drawing
    assert not re.search(rb' [xy]="[0-9]+\.[0-9]{2}', drawing)


def test_the_axes_of_levels_are_to_scale(all_figures: dict[str, Figure]) -> None:
    """50 dB are as long as a decade: read from the axes' frame in the drawing."""
    root = ElementTree.fromstring(drawn(all_figures["response"], "svg"))
    frame = next(g for g in root.iter() if g.get("id") == "patch_2")
    path = next(p.get("d") for p in frame.iter() if p.get("d"))
    numbers = np.array([float(n) for n in path.replace("M", "").replace("L", "").replace("z", "").split()])
    width, height = np.ptp(numbers.reshape(-1, 2), axis=0)
    assert height / (width / np.log10(50)) == pytest.approx(1.1, abs=0.01)  # 55 dB over 100 Hz to 5 kHz


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 (from memory)."""
    parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_lines_and_letters_stand_out_from_the_ground(theme) -> None:
    def contrast(colour: str) -> float:
        high, low = sorted([luminance(colour), luminance(theme.ground)], reverse=True)
        return (high + 0.05) / (low + 0.05)

    assert contrast(theme.ink) >= 7
    assert contrast(theme.faint) >= 4.5
    for colour in (*theme.lines, theme.mark):
        assert contrast(colour) >= 4.5


def test_the_data_come_back_from_the_packed_form(all_figures: dict[str, Figure]) -> None:
    buffer = gzip.decompress(base64.b64decode(payload(tuple(all_figures.values()))))
    length = int.from_bytes(buffer[:4], "little")
    described = json.loads(buffer[4 : 4 + length])
    place = described["figures"]["response"]["lines"][0]["y"]
    start = 4 + length + place["at"]
    assert start % 8 == 0
    values = np.frombuffer(buffer, "<i2", place["count"], start) * place["scale"]
    np.testing.assert_allclose(values, all_figures["response"].lines[0].y, atol=0.00501)  # type: ignore[union-attr]
    assert set(described["themes"]) == set(THEMES)


def test_the_csv_holds_seven_digits(made: Material, all_figures: dict[str, Figure]) -> None:
    header, *rows = list(csv.reader(io.StringIO(csv_text(all_figures["errors"]))))
    assert header == ["Frequency [Hz]", "held-out error [dB]", "predicted far-field error [dB]"]
    numbers = np.array(rows, dtype=float)
    np.testing.assert_allclose(numbers[:, 0], FREQUENCY_HZ, rtol=5e-7)
    np.testing.assert_allclose(numbers[:, 2], made.result.expansion.far_field_error_db, rtol=5e-7)
    for figure in all_figures.values():
        text = list(csv.reader(io.StringIO(csv_text(figure))))
        assert len({len(row) for row in text}) == 1
        assert len(figure_table(figure).rows) <= 41
        assert len({len(row) for row in figure_table(figure).rows} | {len(figure_table(figure).header)}) == 1


def test_the_bump_is_found_and_placed(made: Material, all_figures: dict[str, Figure]) -> None:
    cloud = all_figures["points"]
    assert isinstance(cloud, Cloud)
    told = re.search(r"around x (\S+), y (\S+), z (\S+) m", cloud.text.finding)
    assert told is not None
    middle = np.array(told.groups(), dtype=float)
    assert np.linalg.norm(middle - two_sources().setup.position_m[17]) < 0.03
    assert figure_table(cloud).rows[0][0] == "18"


def test_the_residual_of_a_point_is_what_was_put_there(made: Material) -> None:
    """A value raised from p to 3p leaves nearly 2p over when few coefficients follow it."""
    assert made.point_errors is not None
    scan = two_sources()
    found = fit(scan, order=3).residual
    assert found is not None
    index = int(np.flatnonzero(found.frequency_hz[2] == FREQUENCY_HZ)[0])
    p = scan.pressure_pa[:, index]
    expected = 20 * np.log10(abs(p[17]) * 2 / 3) - 10 * np.log10(np.mean(np.abs(p) ** 2))
    assert found.error_db[17, 2] == pytest.approx(expected, abs=1.5)


def test_what_misses_the_target_is_doubtful(made: Material) -> None:
    summary = {**made.summary, "target_db": 0.0}
    assert doubtful(replace(made, summary=summary)) == ()
    summary = {**made.summary, "target_db": -150.0}
    ((low, high),) = doubtful(replace(made, summary=summary))
    assert (low, high) == (FREQUENCY_HZ[0], FREQUENCY_HZ[-1])


def test_the_points_needed_are_told_in_words() -> None:
    found = replace(study(), points=500)
    known = found.needed[np.isfinite(found.needed)]
    assert needed(found).text.finding == (
        f"From 3.15 kHz the target needs more than the 500 points taken; 4 kHz would take about "
        f"{float(f'{known[-1]:.3g}'):,.0f}. What 5 kHz would take cannot be told. 100 points, the fewest tried, or "
        f"fewer would do in {np.sum(found.needed <= 100)} bands."
    )
    gain = found.predicted_db[0] - found.predicted_db[-1]
    assert f"by {gain.max():.1f} dB" in learning(found).text.finding


def test_the_room_is_shown_with_its_loudest_frequency(made: Material) -> None:
    count = len(FREQUENCY_HZ)
    incoming = np.linspace(-20, -30, count)
    incoming[5] = -3.0
    share = (FREQUENCY_HZ < 1000).astype(float)
    room = RoomReport(FREQUENCY_HZ, 1 - share, share, incoming, "settings", 0.004)
    shown = (*room_figures(room), *point_figures(made))
    assert [figure.text.key for figure in shown] == ["room-ways", "room", "points", "along"]
    assert f"at {FREQUENCY_HZ[5]:.3g} Hz, -3.0 dB" in shown[1].text.finding
    assert "taken out by: gate and model" in shown[0].text.finding
    assert "4.0 ms" in shown[0].text.shows
    assert "device and room" in shown[2].text.shows


def test_log_axes_have_the_usual_ticks() -> None:
    labelled, bare = log_ticks(50, 16000)
    assert labelled == [50, 100, 200, 500, 1000, 2000, 5000, 10000]
    assert 300 in bare
