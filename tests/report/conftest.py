"""A browser, and pages to open in it."""

from __future__ import annotations

import base64
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.wait import WebDriverWait

CHROMIUM = shutil.which("chromium")
DRIVER = shutil.which("chromedriver")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)


@dataclass
class Browser:
    """A browser whose window has a given size, that remembers what it was asked to fetch."""

    driver: webdriver.Chrome

    def open(self, page: Path, *, width: int = 1280, height: int = 800, dark: bool = False) -> None:
        self.size(width, height)
        scheme = "dark" if dark else "light"
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.command("Emulation.setEmulatedMedia", {"features": features})
        self.driver.get_log("performance")
        self.driver.get_log("browser")
        self.driver.get(page.as_uri())

    def size(self, width: int, height: int) -> None:
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.command("Emulation.setDeviceMetricsOverride", metrics)

    def command(self, name: str, arguments: dict[str, object]) -> dict[str, object]:
        return self.driver.execute_cdp_cmd(name, arguments)

    def ready(self) -> None:
        self.wait("return document.documentElement.dataset.ready === 'yes'")

    def wait(self, script: str) -> None:
        WebDriverWait(self.driver, 20, 0.05).until(lambda driver: driver.execute_script(script))

    def run(self, script: str, *arguments: object) -> object:
        return self.driver.execute_script(script, *arguments)

    def console(self) -> list[str]:
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Addresses asked for since the page was opened, other than the page and what it carries itself."""
        events = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
        return [url for url in asked[1:] if not url.startswith(("data:", "blob:"))]

    def pixels(self, selector: str) -> np.ndarray:
        """What a canvas holds, (height, width, 4)."""
        url = str(self.run("return document.querySelector(arguments[0]).toDataURL('image/png')", selector))
        return picture(url.split(",")[1])

    def screenshot(self, left: float, top: float, width: float, height: float) -> np.ndarray:
        """A part of the page as it looks, (height, width, 4); needs no scripts."""
        clip = {"x": left, "y": top, "width": width, "height": height, "scale": 1}
        arguments = {"clip": clip, "captureBeyondViewport": True}
        return picture(str(self.command("Page.captureScreenshot", arguments)["data"]))


def picture(base64_png: str) -> np.ndarray:
    return np.asarray(Image.open(BytesIO(base64.b64decode(base64_png))).convert("RGBA"))


def _start(folder: Path, *, scripts: bool = True) -> webdriver.Chrome:
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={tempfile.mkdtemp(dir=folder)}"):
        options.add_argument(flag)
    preferences: dict[str, object] = {"download.default_directory": str(folder / "downloads")}
    if not scripts:
        preferences["profile.managed_default_content_settings.javascript"] = 2
    options.add_experimental_option("prefs", preferences)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(DRIVER))


@pytest.fixture(scope="session")
def start_browser(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[[bool], Browser]]:
    """Starts a browser with or without scripts; each kind once."""
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("needs chromium and chromedriver: apt-get install chromium chromium-driver")
    started: dict[bool, Browser] = {}

    def start(scripts: bool) -> Browser:
        if scripts not in started:
            started[scripts] = Browser(_start(tmp_path_factory.mktemp("browser"), scripts=scripts))
        return started[scripts]

    yield start
    for browser in started.values():
        browser.driver.quit()


@pytest.fixture
def browser(start_browser: Callable[[bool], Browser]) -> Browser:
    return start_browser(True)


@pytest.fixture
def plain_browser(start_browser: Callable[[bool], Browser]) -> Browser:
    """A browser with scripts off."""
    return start_browser(False)
