"""The page of 480 frequencies and 4,000 points; ``python -m tests.benchmarks.page`` measures time and memory."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from large_material import FREQUENCIES, POINTS, far_pressure, prepared

pytestmark = pytest.mark.page


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("large")
    prepared(folder)()
    return folder / "report.html"


def test_it_is_small_and_carries_its_directions(browser, page):
    assert page.stat().st_size < 6_000_000
    browser.open(page, width=400)
    browser.ready()
    assert browser.console() == []
    assert browser.requests() == []
    assert browser.run("return document.documentElement.scrollWidth") == 400
    numbers = browser.run("return document.querySelector('.numbers').textContent")
    assert f"{POINTS:,}" in numbers
    assert f"{FREQUENCIES:,}" in numbers


@pytest.mark.parametrize("key", ["polar", "balloon", "points"])
def test_its_sliders_move_large_figures(browser, page, key):
    browser.open(page)
    browser.ready()
    browser.run("document.querySelectorAll('details.fold').forEach(fold => { fold.open = true; })")
    browser.wait(f"return document.querySelector('#figure-{key}').classList.contains('live')")
    plot = f"#figure-{key} canvas.plot"
    before = browser.pixels(plot)
    browser.run(
        "const s = document.getElementById('slider-' + arguments[0]); s.value = Math.floor(s.max / 4);"
        "s.dispatchEvent(new Event('input'))",
        key,
    )
    assert np.mean(np.any(before != browser.pixels(plot), axis=2)) > 0.005


@pytest.mark.parametrize("share", [0.2, 0.6, 0.8])
def test_the_polar_reads_the_closed_form(browser, page, share):
    """At 80 Hz, 1.3 kHz and 5 kHz; higher up the series is cut off before it has settled."""
    browser.open(page)
    browser.ready()
    column = round(share * (FREQUENCIES - 1))
    said = browser.run(
        "const s = document.getElementById('slider-polar'); s.value = arguments[0];"
        "s.dispatchEvent(new Event('input')); return document.querySelector('#figure-polar .readout').textContent",
        column,
    )
    hz = 20.0 * 1000 ** (column / (FREQUENCIES - 1))
    level = 20 * np.log10(abs(far_pressure(np.array([1.0, 0.0, 0.0]), hz)) / 20e-6)
    read = float(said.split("horizontal ")[1].split(" ")[0])
    assert read == pytest.approx(level, abs=0.1)
