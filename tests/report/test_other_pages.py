"""Index of many scans and overlays, in a real browser."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from page_material import NASTY, material, two_sources, write

from scanproc.report.index_page import Entry, index_page
from scanproc.report.overlay_page import reference_page, two_results_page
from scanproc.run.pipeline import convert

pytestmark = pytest.mark.page
REASON = "scan.h5: position_m holds 3 values that are not finite: drop or repeat those points"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    convert(write(two_sources(), folder), folder / "out")
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
        "return [...document.querySelectorAll('tbody tr')].map(r => parseFloat(r.cells[3].dataset.value))"
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
        "r.cells[7].textContent, getComputedStyle(r.cells[1]).color, r.querySelector('a') === null])"
    )
    assert len(failed) == 100
    assert failed[0] == ["✕ failed", REASON, "rgb(163, 33, 26)", True]
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


def test_two_results_lie_on_each_other(browser, folder):
    one = material(folder / "out", folder / "scan.h5")
    louder = copy.copy(one)
    curves = one.curves
    raised = [type(c)(c.name, c.unit, c.value + 1.5, c.standard_error) for c in curves.curves]
    object.__setattr__(louder, "curves", type(curves)(curves.frequency_hz, tuple(raised)))
    page = folder / "two.html"
    page.write_text(two_results_page(one, louder, ("before", "after <i>")), encoding="utf-8")
    browser.open(page)
    browser.ready()
    assert browser.console() == []
    finding = "return document.querySelector('#figure-overlay-on-axis .finding').textContent"
    assert browser.run(finding).startswith("after <i> is +1.5 dB against before on average, at most +1.5 dB")
    pixels = browser.pixels("#figure-overlay-difference .u-wrap canvas")
    assert len(np.unique(pixels.reshape(-1, 4), axis=0)) > 5


def test_a_reference_is_laid_over_the_scan(browser, folder):
    hz = np.geomspace(200, 8000, 60)
    level = 90 + np.zeros((2, 60))
    reference = level.copy()
    reference[1, 40] += 3.0
    compared = SimpleNamespace(
        reference="gated <at> 2 m",
        label=("0 deg", "30 deg"),
        frequency_hz=hz,
        predicted_db=level,
        reference_db=reference,
        uncertainty_db=np.full(level.shape, 0.3),
        judged=hz > 300,
        tolerance_db=1.0,
        met_up_to_hz=float(hz[39]),
        bands=SimpleNamespace(
            band_hz=hz[::10],
            held_out_db=np.full(6, -40.0),
            predicted_db=np.full(6, -45.0),
            actual_db=np.full(6, -43.0),
        ),
    )
    page = folder / "reference.html"
    page.write_text(reference_page(compared, "quay horn", ["It matches."]), encoding="utf-8")
    browser.open(page, width=400)
    browser.ready()
    assert browser.console() == []
    findings = browser.run("return [...document.querySelectorAll('.finding')].map(f => f.textContent)")
    assert "-3.0 dB" in findings[1]
    assert "30 deg" in findings[1]
    assert "+2.0 dB" in findings[2]
    assert browser.run("return document.documentElement.scrollWidth") == 400
