"""Takes the README's pictures of a page: ``python tests/readme_pictures.py demo/results/report.html``."""

from __future__ import annotations

import base64
import io
import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.wait import WebDriverWait

FOLDER = Path(__file__).parents[1] / ".github" / "pictures"
WIDTH = 1080
PARTS = {
    "page-verdict.png": ("html", "#figure-response .legend"),
    "page-device.png": ("#figure-horizontal-map", "#figure-horizontal-map .readout"),
}
"""File -> the elements with which a picture begins and ends."""


def take(page: Path) -> None:
    options = webdriver.ChromeOptions()
    for flag in ("headless=new", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-sync"):
        options.add_argument(f"--{flag}")
    options.add_argument(f"--user-data-dir={tempfile.mkdtemp()}")
    options.binary_location = shutil.which("chromium") or ""
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    metrics = {"width": WIDTH, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    driver.get(page.resolve().as_uri())
    ready = "return document.documentElement.dataset.ready === 'yes'"
    WebDriverWait(driver, 20).until(lambda d: d.execute_script(ready))
    for name, (first, last) in PARTS.items():
        edge = "return document.querySelector(arguments[0]).getBoundingClientRect()"
        top, end = (driver.execute_script(edge, selector) for selector in (first, last))
        clip = {
            "x": 0,
            "y": top["top"],
            "width": WIDTH,
            "height": end["bottom"] + 10 - top["top"],
            "scale": 1,
        }
        shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"clip": clip, "captureBeyondViewport": True})
        picture = Image.open(io.BytesIO(base64.b64decode(shot["data"]))).convert("RGB")
        FOLDER.mkdir(parents=True, exist_ok=True)
        picture.quantize(128, dither=Image.Dither.NONE).save(FOLDER / name, optimize=True)
    driver.quit()


if __name__ == "__main__":
    take(Path(sys.argv[1]))
