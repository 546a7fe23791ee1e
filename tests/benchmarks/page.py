"""How long the page of a large scan takes: ``python -m tests.benchmarks.page``.

480 frequencies, 4,000 points, a study of their number, directions every 10 deg: made without a fit, from point
sources in closed form. The page is written in a child process, whose largest resident memory counts; then chromium
opens it, offline, and tells when it painted first, when the figures lived, and how long one step of each slider takes.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from pathlib import Path
from subprocess import run

import numpy as np
from rich.console import Console
from rich.table import Table

HERE = Path(__file__).parents[1]
for folder in (HERE, HERE / "report"):
    sys.path.insert(0, str(folder))
KEPT = ("polar", "balloon", "points", "learning")
PAINT = """
new MutationObserver(() => { window.living ??= document.documentElement?.dataset.ready && performance.now(); })
  .observe(document, {attributes: true, subtree: true, attributeFilter: ['data-ready']});
"""


def made(folder: Path) -> dict[str, float]:
    """Writes the page; seconds and MiB of the process."""
    from large_material import prepared

    write = prepared(folder)
    before, start, work = _peak(), time.perf_counter(), time.process_time()
    write()
    seconds, work = time.perf_counter() - start, time.process_time() - work
    return {"seconds": seconds, "work": work, "before_mib": before, "peak_mib": _peak()}


def in_browser(page: Path) -> dict[str, float]:
    """Milliseconds from the start of loading, and of one step of each slider."""
    from conftest import Browser, _start

    browser = Browser(_start(Path(tempfile.mkdtemp())))
    try:
        browser.command("Page.addScriptToEvaluateOnNewDocument", {"source": PAINT})
        browser.open(page)
        browser.ready()
        browser.wait("return performance.getEntriesByName('first-contentful-paint').length > 0")
        painted = browser.run("return performance.getEntriesByName('first-contentful-paint')[0].startTime")
        found = {"first contentful paint": painted, "figures live": browser.run("return window.living")}
        browser.run("document.querySelectorAll('details.fold').forEach(fold => { fold.open = true; })")
        browser.wait(
            "return [...document.querySelectorAll('[data-figure]')].every(f => f.classList.contains('live'))"
        )
        for key in KEPT:
            found[f"step of {key}"] = float(np.median([_step(browser, key, i) for i in range(1, 6)]))
        return found
    finally:
        browser.driver.quit()


def _step(browser: object, key: str, value: int) -> float:
    script = (
        "const s = document.getElementById('slider-' + arguments[0]); const t = performance.now();"
        "s.value = arguments[1]; s.dispatchEvent(new Event('input')); return performance.now() - t"
    )
    return float(browser.run(script, key, value))  # type: ignore[attr-defined]


def _peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure() -> Table:
    table = Table("What", "Measured", "Allowed", title="The page of 480 frequencies x 4,000 points")
    with tempfile.TemporaryDirectory() as name:
        child = [sys.executable, "-m", "tests.benchmarks.page", "--write", name]
        found = json.loads(run(child, check=True, capture_output=True, text=True).stdout)
        page = Path(name) / "report.html"
        table.add_row("time to make it", f"{found['seconds']:.1f} s", "10 s")
        table.add_row("of that on the processor", f"{found['work']:.1f} s", "")
        table.add_row("memory of the process", f"{found['peak_mib']:.0f} MiB", "1024 MiB")
        table.add_row("of that before it began", f"{found['before_mib']:.0f} MiB", "")
        table.add_row("size", f"{page.stat().st_size / 1e6:.2f} MB", "6 MB")
        for what, milliseconds in in_browser(page).items():
            table.add_row(what, f"{milliseconds:.0f} ms", "500 ms" if "paint" in what else "")
    return table


if __name__ == "__main__":
    if "--write" in sys.argv:
        print(json.dumps(made(Path(sys.argv[-1]))))
    else:
        Console(width=100).print(measure())
