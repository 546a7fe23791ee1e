"""The page in a real browser, without a network and without WebGL: what it draws, says and hands out."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from page_material import NASTY, material, study, two_sources, write
from selenium.webdriver.common.keys import Keys

from scanproc.files.stored.result_file import read_result
from scanproc.report.pages.scan_page import scan_page
from scanproc.run.conversion.pipeline import convert
from scanproc.run.settings.conversion import parse_settings

pytestmark = pytest.mark.page
QUICK = parse_settings({"fit": {"estimator": "truncated"}})
LINES = "#figure-{} .u-wrap canvas"
CANVAS = "#figure-{} canvas.plot"
SHOWN = {
    "response": LINES,
    "off-axis-horizontal": LINES,
    "off-axis-vertical": LINES,
    "horizontal-map": CANVAS,
    "vertical-map": CANVAS,
    "polar": CANVAS,
    "polar-sheet": CANVAS,
    "beamwidth": LINES,
    "balloon": CANVAS,
    "index": LINES,
    "in-room": LINES,
    "phase": LINES,
    "group-delay": LINES,
    "impulse": LINES,
    "sound-power": LINES,
    "advice": LINES,
    "filters": LINES,
    "errors": LINES,
    "needed": LINES,
    "errors-by-points": LINES,
    "learning": LINES,
    "orders": CANVAS,
    "points": CANVAS,
    "along": LINES,
    "centre": LINES,
}
PLOTS = {key: place.format(key) for key, place in SHOWN.items()}
UNFOLD = "document.querySelectorAll('details.fold').forEach(fold => { fold.open = true; })"


def opened(browser, page: Path, **how: object) -> None:
    """The page with its folds open and their figures drawn."""
    browser.open(page, **how)
    browser.ready()
    browser.run(UNFOLD)
    browser.wait(
        "return [...document.querySelectorAll('[data-figure]')].every(f => f.classList.contains('live'))"
    )


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    convert(write(two_sources(), folder), folder / "out", QUICK)
    return folder / "out"


@pytest.fixture(scope="module")
def studied(results: Path) -> Path:
    """The same scan's page with a made-up study."""
    page = results.parent / "studied.html"
    page.write_text(scan_page(material(results, study()), {}), encoding="utf-8")
    return page


@pytest.fixture(scope="module")
def unstudied(results: Path) -> Path:
    """The same scan's page without a study, and with direction tables too long to be carried."""
    page = results.parent / "unstudied.html"
    tables = {
        "directions/curves.csv": b"curves",
        "directions/long.csv": np.random.default_rng(1).bytes(2_000_000),
    }
    page.write_text(scan_page(material(results), tables), encoding="utf-8")
    return page


def test_tables_too_long_stay_beside_the_page(browser, unstudied):
    browser.open(unstudied)
    browser.ready()
    assert unstudied.stat().st_size < 3_000_000
    assert downloaded(browser, "directions/curves.csv") == b"curves"
    beside = "return document.querySelector('#figure-polar .beside a').getAttribute('href')"
    assert browser.run(beside) == "directions/"
    assert "not studied" in browser.run("return document.querySelector('#enough .lead').textContent")


@pytest.mark.parametrize("width", [1280, 400])
@pytest.mark.parametrize("dark", [False, True])
def test_it_loads_quietly_and_draws_on_every_canvas(browser, results, width, dark):
    opened(browser, results / "report.html", width=width, dark=dark)
    assert browser.console() == []
    assert browser.requests() == []
    assert browser.run("return document.documentElement.scrollWidth") == width
    assert browser.run(
        "return [...document.querySelectorAll('[data-figure]')].map(f => f.dataset.figure)"
    ) == list(PLOTS)
    for canvas in PLOTS.values():
        pixels = browser.pixels(canvas)
        colours = np.unique(pixels[pixels[..., 3] > 200][:, :3], axis=0)
        assert len(colours) > 5, canvas
        rows, columns = np.nonzero(pixels[..., 3] > 200)
        assert np.ptp(rows) > 0.5 * pixels.shape[0]
        assert np.ptp(columns) > 0.5 * pixels.shape[1]


def test_the_first_screen_holds_the_verdict_word_for_word(browser, results):
    verdict = json.loads((results / "summary.json").read_text())["verdict"]
    for width in (1280, 400):
        browser.open(results / "report.html", width=width)
        browser.ready()
        text, bottom = browser.run(
            "const v = document.getElementById('verdict'); return [v.textContent, v.getBoundingClientRect().bottom]"
        )
        assert text == verdict
        assert bottom < 800


def test_the_same_scan_gives_the_same_page(results):
    convert(results.parent / "scan.h5", results.parent / "again", QUICK)
    assert (results.parent / "again" / "report.html").read_bytes() == (results / "report.html").read_bytes()


def move(browser, key: str, value: int) -> None:
    browser.run(
        "const s = document.getElementById('slider-' + arguments[0]); s.value = arguments[1];"
        "s.dispatchEvent(new Event('input'))",
        key,
        value,
    )


@pytest.mark.parametrize("key", ["polar", "balloon", "points"])
def test_a_slider_changes_picture_and_read_out(browser, results, key):
    opened(browser, results / "report.html")
    read = f"return document.querySelector('#figure-{key} .readout').textContent"
    before, said = browser.pixels(PLOTS[key]), browser.run(read)
    move(browser, key, 2)
    after = browser.pixels(PLOTS[key])
    assert np.mean(np.any(before != after, axis=2)) > 0.005
    assert browser.run(read) != said
    move(browser, key, int(browser.run(f"return document.getElementById('slider-{key}').max")))
    assert np.any(browser.pixels(PLOTS[key]) != after)


def test_the_polar_reads_out_the_level_of_the_result(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    move(browser, "polar", 30)
    directions = read_result(results / "result.h5").directions["orbits-10"]
    axis = 20 * np.log10(np.abs(directions.pressure_pa_m[0, 30]) / 20e-6)
    said = browser.run("return document.querySelector('#figure-polar .readout').textContent")
    assert f"horizontal {axis:.1f} ±" in said
    hz = directions.frequency_hz[30]
    assert said.startswith(f"{hz / 1000:.3g} kHz, 0°")


def test_the_map_shows_the_level_in_its_colour(browser, results):
    """The colour at 0 deg re axis is that of 0 dB on the colour bar's own scale."""
    import matplotlib as mpl

    browser.open(results / "report.html")
    browser.ready()
    pixels = browser.pixels(PLOTS["horizontal-map"])
    height, width = pixels.shape[:2]
    middle = pixels[10 + (height - 52) // 2, 50 + (width - 128) // 4, :3].astype(float)
    wanted = np.array(mpl.colormaps["cividis"](30 / 36, bytes=True)[:3], dtype=float)
    assert np.abs(middle - wanted).max() <= 3


@pytest.mark.parametrize("key", ["balloon", "points"])
def test_it_turns_by_keys_and_by_mouse(browser, results, key):
    from selenium.webdriver.common.action_chains import ActionChains

    opened(browser, results / "report.html")
    canvas = browser.driver.find_element("css selector", PLOTS[key])
    first = browser.pixels(PLOTS[key])
    canvas.send_keys(Keys.ARROW_RIGHT)
    second = browser.pixels(PLOTS[key])
    assert np.mean(np.any(first != second, axis=2)) > 0.01
    ActionChains(browser.driver).click_and_hold(canvas).move_by_offset(60, 20).release().perform()
    assert np.mean(np.any(second != browser.pixels(PLOTS[key]), axis=2)) > 0.01
    canvas.send_keys("0")
    assert np.mean(np.any(first != browser.pixels(PLOTS[key]), axis=2)) < 0.01


def touch(browser, kind: str, x: float, y: float) -> None:
    points = [] if kind == "touchEnd" else [{"x": x, "y": y}]
    browser.command("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


@pytest.mark.parametrize("key", ["balloon", "points"])
def test_it_turns_and_reads_by_finger(browser, results, key):
    opened(browser, results / "report.html", width=400)
    browser.command("Emulation.setTouchEmulationEnabled", {"enabled": True})
    kinds = (
        "window.kinds = []; for (const kind of ['pointerdown', 'pointermove'])"
        "document.querySelector(arguments[0]).addEventListener(kind, e => window.kinds.push(e.pointerType));"
        "document.querySelector(arguments[0]).scrollIntoView({block: 'center'});"
        "const b = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return [b.x + (b.width - 80) / 2, b.y + b.height / 2]"
    )
    try:
        x, y = browser.run(kinds, PLOTS[key])
        first = browser.pixels(PLOTS[key])
        touch(browser, "touchStart", x, y)
        for step in range(1, 7):
            touch(browser, "touchMove", x + 10 * step, y + 3 * step)
        touch(browser, "touchEnd", 0, 0)
        assert np.mean(np.any(first != browser.pixels(PLOTS[key]), axis=2)) > 0.01
        assert set(browser.run("return window.kinds")) == {"touch"}
        assert browser.run("return window.kinds.length") >= 4
        read = f"return document.querySelector('#figure-{key} .readout').textContent"
        before = browser.run(read)
        for place in ((x, y), (x + 30, y + 20), (x - 35, y + 15)):
            touch(browser, "touchStart", *place)
            touch(browser, "touchEnd", 0, 0)
        assert browser.run(read) != before
        assert ("up: " if key == "balloon" else "point ") in browser.run(read)
    finally:
        browser.command("Emulation.setTouchEmulationEnabled", {"enabled": False})


def test_curves_are_read_by_keys_zoomed_and_switched(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    plot = browser.driver.find_element("css selector", "#figure-response .plot")
    plot.send_keys(Keys.HOME)
    where, value = browser.run(
        "const f = document.querySelector('#figure-response .legend');"
        "return [f.querySelector('.where').textContent, f.querySelector('.value').textContent]"
    )
    directions = read_result(results / "result.h5").directions["orbits-10"]
    level = 20 * np.log10(np.abs(directions.pressure_pa_m[0, 0]) / 20e-6)
    assert where == "100 Hz"
    assert value.startswith(f"{level:.1f} ± ")
    assert value.endswith(" dB")
    before = browser.pixels(PLOTS["response"])
    plot.send_keys("+")
    browser.wait("return document.querySelector('#figure-response .ratio').textContent.startsWith('zoomed')")
    time.sleep(0.1)
    zoomed = browser.pixels(PLOTS["response"])
    assert np.mean(np.any(before != zoomed, axis=2)) > 0.01
    plot.send_keys("0")
    browser.wait(
        "return document.querySelector('#figure-response .ratio').textContent === '50 dB per decade'"
    )
    browser.run("document.querySelector('#figure-response .legend button').click()")
    time.sleep(0.1)
    without = browser.pixels(PLOTS["response"])
    assert np.any(before != without)


def test_fifty_decibels_are_as_long_as_a_decade(browser, results):
    browser.open(results / "report.html", width=1000)
    browser.ready()
    width, height = browser.run(
        "const o = document.querySelector('#figure-response .u-over'); return [o.clientWidth, o.clientHeight]"
    )
    assert height / (width / np.log10(50)) == pytest.approx(1.1, abs=0.02)  # 55 dB over 100 Hz to 5 kHz


def test_the_theme_button_turns_the_page_dark(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    ground = "return getComputedStyle(document.body).backgroundColor"
    before, light = browser.run(ground), browser.pixels(PLOTS["response"])
    browser.run("document.getElementById('theme').click()")
    time.sleep(0.2)
    assert browser.run(ground) != before
    assert np.mean(np.any(light != browser.pixels(PLOTS["response"]), axis=2)) > 0.01


def test_tables_sort_both_ways(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    column = (
        "const t = document.querySelector('#provenance table');"
        "t.querySelectorAll('th button')[5].click();"
        "return [...t.tBodies[0].rows].map(r => parseFloat(r.cells[5].textContent))"
    )
    first, second = browser.run(column), browser.run(column)
    assert first == sorted(first)
    assert second == first[::-1]
    assert first[0] < first[-1]


def test_numbers_on_the_page_are_those_of_summary_and_result(browser, results):
    summary = json.loads((results / "summary.json").read_text())
    browser.open(results / "report.html")
    browser.ready()
    rows = browser.run(
        "return [...document.querySelectorAll('#provenance tbody tr')]"
        ".map(r => [...r.cells].map(c => c.textContent))"
    )
    assert len(rows) == len(summary["bands"])
    for row, band in zip(rows, summary["bands"], strict=True):
        assert float(row[5]) == pytest.approx(band["held_out_db"], abs=0.0051)
        assert float(row[6]) == pytest.approx(band["far_field_error_db"], abs=0.0051)
        assert row[7] == ("met" if band["meets_target"] else "missed")
    shown = browser.run(
        "return Object.fromEntries([...document.querySelectorAll('[data-summary]')]"
        ".map(e => [e.dataset.summary, e.textContent]))"
    )
    assert shown["points"] == str(summary["points"])
    assert shown["target_db"] == f"{summary['target_db']:g} dB"
    assert shown["headline.sensitivity"].startswith(f"{summary['headline']['sensitivity']['value']:.1f} ")
    strip = browser.run(
        "return [...document.querySelectorAll('#enough .bands .error')].map(e => e.textContent)"
    )
    assert [int(text) for text in strip] == [round(band["far_field_error_db"]) for band in summary["bands"]]
    expansion = read_result(results / "result.h5").expansion
    table = browser.run(
        "return [...document.querySelectorAll('#figure-errors tbody tr')]"
        ".map(r => [...r.cells].map(c => c.textContent))"
    )
    held_out = expansion.held_out_db[expansion.order, np.arange(40)]
    assert [float(row[1]) for row in table] == pytest.approx(held_out, abs=0.051)


def downloaded(browser, name: str) -> bytes:
    """The bytes that a download button hands out, caught before they reach a disk."""
    return bytes(
        browser.driver.execute_async_script(
            "const [name, done] = arguments;"
            "const kept = URL.createObjectURL;"
            "URL.createObjectURL = (blob) => {"
            " blob.arrayBuffer().then(b => done([...new Uint8Array(b)]));"
            " URL.createObjectURL = kept; return kept(blob); };"
            "const button = document.querySelector(`[data-file='${name}']`);"
            "if (button) button.click(); else {"
            "const select = document.querySelector('#figure-polar select'); select.value = name;"
            "select.nextElementSibling.click(); }",
            name,
        )
    )


def test_downloads_are_the_tables_byte_for_byte(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    for name in ("directions/curves.csv", "directions/orbits-10/vertical_030.csv"):
        browser.driver.refresh()
        browser.ready()
        assert downloaded(browser, name) == (results / name).read_bytes()


def test_all_data_are_one_zip_file(browser, results):
    """Read by Python's zipfile, which checks each checksum."""
    import io
    import zipfile

    browser.open(results / "report.html")
    browser.ready()
    packed = bytes(
        browser.driver.execute_async_script(
            "const done = arguments[0]; const kept = URL.createObjectURL;"
            "URL.createObjectURL = (blob) => {"
            " blob.arrayBuffer().then(b => done([...new Uint8Array(b)]));"
            " URL.createObjectURL = kept; return kept(blob); };"
            "document.getElementById('all').click();"
        )
    )
    with zipfile.ZipFile(io.BytesIO(packed)) as file:
        assert file.testzip() is None
        name = "directions/orbits-10/vertical_030.csv"
        assert file.read(name) == (results / name).read_bytes()
        assert json.loads(file.read("summary.json"))["points"] == 200
        assert {"balloon.csv", "directions/curves.csv"} <= set(file.namelist())


def test_the_first_curve_is_within_the_first_screen(browser, results):
    browser.open(results / "report.html", width=1300, height=900)
    browser.ready()
    top = browser.run("return document.querySelector('#figure-response .u-over').getBoundingClientRect().top")
    pixels = browser.pixels(PLOTS["response"])
    blue = np.all(np.abs(pixels[..., :3].astype(int) - [0x00, 0x72, 0xB2]) < 30, axis=2)
    assert top + np.flatnonzero(blue.any(axis=1))[0] < 900


def test_a_fold_draws_when_it_is_opened(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    live = "return document.querySelector('#figure-orders').classList.contains('live')"
    assert not browser.run(live)
    browser.run("document.querySelector('#enough details.fold > summary').click()")
    browser.wait(live)


def test_lines_off_the_axis_are_shown_re_the_axis(browser, results):
    browser.open(results / "report.html")
    browser.ready()
    before = browser.pixels(PLOTS["off-axis-vertical"])
    browser.run("document.querySelectorAll('#figure-off-axis-vertical .choice input')[1].click()")
    time.sleep(0.1)
    assert np.any(before.shape != browser.pixels(PLOTS["off-axis-vertical"]).shape) or np.any(
        before != browser.pixels(PLOTS["off-axis-vertical"])
    )
    said = browser.run(
        "return document.querySelector('#figure-off-axis-vertical .legend .value').textContent"
    )
    assert said.startswith("0.0")


def test_a_figures_own_table_equals_the_result(browser, results, unstudied):
    browser.open(unstudied)
    browser.ready()
    lines = downloaded(browser, "orders.csv").decode().splitlines()
    held_out = read_result(results / "result.h5").expansion.held_out_db
    found = np.array([[float(entry) for entry in line.split(",")[1:]] for line in lines[1:]])
    np.testing.assert_allclose(found.T, held_out, rtol=1e-6)  # the page keeps seven digits


def test_the_strip_over_the_orders_shows_the_error_of_what_was_used(browser, results, tmp_path):
    """Also where the whole model leaves the map below it empty; colours are those of the scale from -60 to 0 dB."""
    import matplotlib as mpl

    shown = material(results)
    expansion = shown.result.expansion
    used = expansion.held_out_db[expansion.order, np.arange(40)]
    single = np.arange(40) >= 15  # as the model leaves it
    orders = np.arange(len(expansion.held_out_db))[:, None]
    held_out = np.where(single & (orders != expansion.order), np.nan, expansion.held_out_db)
    expansion = replace(expansion, estimator=single.astype(int), held_out_db=held_out)
    shown = replace(shown, result=replace(shown.result, expansion=expansion))
    (tmp_path / "page.html").write_text(scan_page(shown, {}), encoding="utf-8")
    opened(browser, tmp_path / "page.html")
    pixels = browser.pixels("#figure-orders .plot")
    left, width = 50, pixels.shape[1] - 128
    for column in (3, 20, 36):
        wanted = mpl.colormaps["cividis"](float(np.clip((used[column] + 60) / 60, 0, 1)), bytes=True)[:3]
        pixel = pixels[16, left + round(column / 39 * width), :3].astype(float)
        assert np.abs(pixel - np.array(wanted, float)).max() <= 4
    finding = browser.run("return document.querySelector('#figure-orders .finding').textContent")
    assert "At 25 of 40 frequencies there is one error and not one for each order" in finding
    canvas = browser.driver.find_element("css selector", "#figure-orders .plot")
    canvas.send_keys(Keys.ARROW_LEFT)
    column = 19
    said = browser.run("return document.querySelector('#figure-orders .readout').textContent")
    assert said.endswith(f"order used {expansion.order[column]} with {used[column]:.1f} dB")


def test_the_slider_of_points_moves_all_its_figures(browser, studied):
    opened(browser, studied)
    assert browser.console() == []
    canvases = {key: PLOTS[key] for key in ("errors-by-points", "orders", "learning")}
    before = {key: browser.pixels(canvas) for key, canvas in canvases.items()}
    move(browser, "learning", 1)
    time.sleep(0.2)
    for key, canvas in canvases.items():
        assert np.any(before[key] != browser.pixels(canvas)), key
        said = browser.run(f"return document.querySelector('#figure-{key} .slider output').textContent")
        assert said == "200 points"


def test_without_scripts_verdict_tables_and_pictures_are_there(plain_browser, results):
    plain_browser.open(results / "report.html")
    time.sleep(0.5)
    driver = plain_browser.driver
    assert "The predicted far-field error" in driver.find_element("id", "verdict").text
    stills = driver.find_elements("css selector", "img.still")
    assert len(stills) == len(PLOTS)
    for still in stills:
        assert still.is_displayed()
        assert still.size["height"] > 150
        assert len(still.get_attribute("alt")) > 30
    assert len(driver.find_elements("css selector", "#provenance tbody tr")) > 10
    assert not driver.find_element("id", "theme").is_displayed()
    assert not driver.find_element("css selector", ".download").is_displayed()
    for still in (stills[0], stills[5], stills[9]):
        box = still.rect
        shot = plain_browser.screenshot(box["x"], box["y"], box["width"], box["height"])
        assert shot[..., :3].std() > 5


def test_names_and_notes_are_text_never_run(browser, tmp_path):
    name = NASTY * 100
    name = name + "x" * (10000 - len(name))
    scan = two_sources(100, name, NASTY).take_frequencies(slice(0, 40, 8))
    convert(write(scan, tmp_path), tmp_path / "out")
    browser.open(tmp_path / "out" / "report.html", width=400)
    browser.ready()
    time.sleep(0.3)
    assert browser.run("return window.owned === undefined")
    assert browser.console() == []
    assert browser.requests() == []
    assert browser.run("return document.querySelector('.device').textContent") == name
    assert NASTY in browser.run("return [...document.querySelectorAll('.facts dd')].map(e => e.textContent)")
    assert browser.run("return document.documentElement.scrollWidth") == 400
    assert browser.run("return document.getElementById('verdict').getBoundingClientRect().bottom") < 800


def test_it_prints_every_figure_and_nothing_is_cut(browser, results, tmp_path):
    import base64

    browser.open(results / "report.html")
    browser.ready()
    pdf = base64.b64decode(
        browser.command("Page.printToPDF", {"printBackground": False, "preferCSSPageSize": True})["data"]
    )
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page/") + pdf.count(b"/Type /Page ") >= 5
    browser.command("Emulation.setEmulatedMedia", {"media": "print"})
    browser.size(700, 1000)
    hidden, wide, stills = browser.run(
        "return [[...document.querySelectorAll('.stage')].every(s => getComputedStyle(s).display === 'none'),"
        "document.documentElement.scrollWidth,"
        "[...document.querySelectorAll('img.still')].map(i => i.getBoundingClientRect().height)]"
    )
    browser.command("Emulation.setEmulatedMedia", {"media": ""})
    assert hidden
    assert wide == 700
    assert len(stills) == len(PLOTS)
    assert min(stills) > 150
