"""For all tests: pages take seconds to draw, so conversions write an empty one, except in tests marked ``page``."""

from __future__ import annotations

from pathlib import Path

import pytest

from scanproc.run.conversion import pipeline


@pytest.fixture(autouse=True)
def quick_pages(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.node.get_closest_marker("page") is None:

        def empty(directory: Path, *_: object) -> None:
            (directory / "report.html").touch()

        monkeypatch.setattr(pipeline, "write_page", empty)
