"""Index of many scans and overlays, in a real browser."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import numpy as np
import pytest
from page_material import NASTY, at_two_metres, two_sources, write

from scanproc.cli.commands import run
from scanproc.records.measured.scan import Scan
from scanproc.report.pages.index_page import Entry, index_page
from scanproc.run.conversion import pipeline
from scanproc.run.conversion.pipeline import convert
from scanproc.run.settings.conversion import parse_settings

pytestmark = pytest.mark.page
QUICK = parse_settings({"fit": {"estimator": "truncated"}})
REASON = "scan.h5: position_m holds 3 values that are not finite: drop or repeat those points"


def converted(scan: Scan, folder: Path) -> None:
    """Into ``out``; the page of the scan itself is not looked at, and stays empty."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "write_page", lambda place, *_: (place / "report.html").touch())
        convert(write(scan, folder), folder / "out", QUICK)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    converted(two_sources(), folder)
    return folder


@pytest.fixture(scope="module")
def night(folder: Path) -> Path:
    """An index of 1,000 scans: every tenth failed, each other with a range of its own."""
    summary = json.loads((folder / "out" / "summary.json").read_text(encoding="utf-8"))
    entries = []
    for number in range(1000):
        name = f"{number:04d} {NASTY}" if number == 3 else f"{number:04d}"
        if number % 10 == 4:
            entries.append(Entry(name, "failed", error=REASON))
        else:
            own = copy.deepcopy(summary)
            own["met_up_to_hz"] = 100.0 + (number * 377) % 1000
            own["bands"][-1]["meets_target"] = False
            entries.append(Entry(name, "done", own, f"{number:04d}/report.html"))
    page = folder / "index.html"
    page.write_text(index_page(entries, "Night <b>shift</b>"), encoding="utf-8")
    return page


def test_a_thousand_scans_are_small_quiet_and_sortable(browser, night):
    assert night.stat().st_size < 2_000_000
    browser.open(night)
    browser.ready()
    assert browser.console() == []
    assert browser.requests() == []
    assert browser.run("return window.owned === undefined")
    assert browser.run("return document.querySelector('h1').textContent") == "Night <b>shift</b>"
    met = (
        "document.querySelectorAll('thead button')[3].click();"
        "return [...document.querySelectorAll('tbody tr')].map(r => r.cells[Math.min(3, r.cells.length - 1)])"
        ".map(cell => parseFloat(cell.dataset.value))"
    )
    found = browser.run(met)
    assert found == sorted(found)
    assert browser.run(met) == sorted(found, reverse=True)
    assert len(set(found)) > 100


def test_failures_are_red_and_say_why(browser, night):
    browser.open(night)
    browser.ready()
    failed = browser.run(
        "return [...document.querySelectorAll('tr.failed')].map(r => [r.cells[1].textContent,"
        "r.cells[2].textContent, getComputedStyle(r.cells[1]).color, r.querySelector('a') === null])"
    )
    assert len(failed) == 100
    assert failed[0] == ["✕ failed", REASON, "rgb(163, 33, 26)", True]
    first = (
        "return [...document.querySelectorAll('tbody tr')].slice(0, 100).every(r => r.className === 'failed')"
    )
    assert browser.run(first)
    assert browser.run("return document.querySelector('.lead a').getAttribute('href')") == "#failed"
    links = browser.run("return [...document.querySelectorAll('tbody a')].map(a => a.getAttribute('href'))")
    assert len(links) == 900
    assert links[0] == "0000/report.html"


def test_the_small_curves_are_drawn(browser, night):
    browser.open(night)
    browser.ready()
    box = browser.run(
        "const b = document.querySelector('.spark').getBoundingClientRect(); return [b.x, b.y, b.width, b.height]"
    )
    shot = browser.screenshot(*box)
    assert len(np.unique(shot[..., :3].reshape(-1, 3), axis=0)) > 10


@pytest.mark.parametrize("width", [1280, 400])
def test_the_index_fits_a_phone(browser, night, width):
    browser.open(night, width=width)
    browser.ready()
    assert browser.run("return document.documentElement.scrollWidth") == width


@pytest.fixture(scope="module")
def louder(folder: Path) -> Path:
    """The result of the same scan, everything 1.5 dB up."""
    scan = two_sources(device="after <i>")
    place = folder / "after <i>"
    place.mkdir()
    raised = Scan(scan.setup, scan.frequency_hz, scan.pressure_pa * 10 ** (1.5 / 20))
    converted(raised, place)
    (place / "out").rename(folder / "louder <i>")
    return folder / "louder <i>"


def compared(first: Path, second: Path, place: Path) -> tuple[Path, dict[str, object]]:
    """What ``scanproc compare -o`` writes: the page, and the comparison as JSON."""
    run(["compare", str(first), str(second), "-o", str(place), "--force", "--align", "none"])
    return place / "report.html", json.loads((place / "comparison.json").read_text(encoding="utf-8"))


def canvases_are_drawn(browser) -> None:
    for key in browser.run(
        "return [...document.querySelectorAll('[data-figure]')].map(f => f.dataset.figure)"
    ):
        pixels = browser.pixels(f"#figure-{key} .u-wrap canvas")
        assert len(np.unique(pixels[pixels[..., 3] > 200][:, :3], axis=0)) > 5, key


@pytest.mark.parametrize("width", [1280, 400])
@pytest.mark.parametrize("dark", [False, True])
def test_two_results_lie_on_each_other(browser, folder, louder, width, dark):
    page, found = compared(folder / "out", louder, folder / "two")
    browser.open(page, width=width, dark=dark)
    browser.ready()
    assert browser.console() == []
    assert browser.requests() == []
    assert browser.run("return document.documentElement.scrollWidth") == width
    finding = "return document.querySelector('#figure-overlay-on-axis .finding').textContent"
    assert browser.run(finding).startswith("louder <i> is +1.5 dB against out on average, at most +1.5 dB")
    assert browser.run("return document.getElementById('verdict').textContent") == found["verdict"]
    said = browser.run("return [...document.querySelectorAll('header p')].map(p => p.textContent)")
    assert any("the reference is 1.50 ± 0.00 dB louder" in line for line in said)
    canvases_are_drawn(browser)


def test_three_results_lie_on_each_other(browser, folder, louder):
    """The third is the first again: no difference, so it matches, and the second does not."""
    again = folder / "again"
    again.mkdir()
    (again / "result.h5").write_bytes((folder / "out" / "result.h5").read_bytes())
    place = folder / "three"
    assert (
        run(["compare", str(folder / "out"), str(louder), str(again), "-o", str(place), "--up-to", "3000"])
        == 3
    )
    found = json.loads((place / "comparison.json").read_text(encoding="utf-8"))
    assert [one["matches"] for one in found["comparisons"]] == [False, True]
    assert {path.name for path in (place / "differences").iterdir()} == {"2.csv", "3.csv"}
    browser.open(place / "report.html")
    browser.ready()
    assert browser.console() == []
    finding = "return document.querySelector(`#figure-overlay-${arguments[0]} .finding`).textContent"
    assert browser.run(finding, "on-axis") == (
        "louder <i> is +1.5 dB against out on average, at most +1.5 dB. again is 0.0 dB against out on average, at "
        "most 0.0 dB."
    )
    assert "by +1.5 dB" in browser.run(finding, "difference")
    assert "by 0.0 dB" in browser.run(finding, "difference-3")
    assert "most 0.0 dB" in browser.run(finding, "sound-power-directivity-index")
    canvases_are_drawn(browser)
    assert (
        run(["compare", str(folder / "out"), str(louder), str(again), "-o", str(place), "--up-to", "3000"])
        == 3
    )


def test_of_references_that_are_no_results_one_is_taken(folder, louder, capsys):
    hall = at_two_metres(folder)
    assert run(["compare", str(folder / "out"), str(louder), str(hall)]) == 1
    assert (
        "is no result: give any number of results, or one reference of another kind"
        in capsys.readouterr().err
    )


@pytest.mark.parametrize("width", [1280, 400])
@pytest.mark.parametrize("dark", [False, True])
def test_a_reference_is_laid_over_the_scan(browser, folder, width, dark):
    page, found = compared(folder / "out", at_two_metres(folder, -1.5), folder / "hall")
    browser.open(page, width=width, dark=dark)
    browser.ready()
    assert browser.console() == []
    assert browser.requests() == []
    assert browser.run("return document.documentElement.scrollWidth") == width
    assert browser.run("return document.querySelector('h1 .state').textContent") == "Does not match"
    assert "quay horn against hall <2 m>.h5" in browser.run(
        "return document.querySelector('.device').textContent"
    )
    tables = browser.run(
        "return [...document.querySelectorAll('main > .scroll table')].map(t =>"
        "[...t.tBodies[0].rows].map(r => [...r.cells].map(c => c.textContent)))"
    )
    for row, band in zip(tables[0], found["bands"], strict=True):
        assert float(row[3]) == pytest.approx(band["actual_db"], abs=0.051)
    judged = np.array(found["judged"])
    for row, angle in zip(tables[1], found["angles"], strict=True):
        difference = np.array(angle["difference_db"])[judged]
        assert row[0] == angle["label"]
        assert float(row[2]) == pytest.approx(np.abs(difference).max(), abs=0.0051)
    canvases_are_drawn(browser)


@pytest.fixture(scope="module")
def matched(folder: Path) -> Path:
    """The scan converted with a reference."""
    place, quick, hall = folder / "matched", folder / "quick.toml", at_two_metres(folder)
    quick.write_text('[fit]\nestimator = "truncated"\n', encoding="utf-8")
    words = ["convert", folder / "scan.h5", "-o", place, "-c", quick, "--reference", hall]
    assert run([str(word) for word in words]) == 0
    return place


@pytest.mark.parametrize("dark", [False, True])
def test_the_page_of_a_scan_answers_whether_it_matches(browser, folder, matched, dark):
    place = matched
    summary = json.loads((place / "summary.json").read_text(encoding="utf-8"))
    assert summary["comparison"]["reference"] == at_two_metres(folder).name
    # One point of the scan is three times too loud, which by itself leaves an error near -25 dB.
    assert summary["comparison"]["met_up_to_hz"] > 500
    browser.open(place / "report.html", width=400, dark=dark)
    browser.ready()
    assert browser.console() == []
    said = browser.run("return [...document.querySelectorAll('#matches > p')].map(p => p.textContent)")
    assert summary["comparison"]["verdict"] in said
    assert browser.run("return [...document.querySelectorAll('nav a')].map(a => a.textContent)") == [
        "The device",
        "What to change?",
        "Enough?",
        "Clean?",
        "Matches?",
        "Provenance",
    ]
    pixels = browser.pixels("#figure-reference-difference .u-wrap canvas")
    assert len(np.unique(pixels.reshape(-1, 4), axis=0)) > 5
    assert browser.run("return document.documentElement.scrollWidth") == 400
