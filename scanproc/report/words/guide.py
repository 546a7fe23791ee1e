"""The guide's topics: what the README has no room for."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parents[2] / "guide"


def topics() -> dict[str, str]:
    """Topic -> its heading."""
    return {
        path.stem: topic_text(path.stem).partition("\n")[0].removeprefix("# ")
        for path in sorted(FOLDER.glob("*.md"))
    }


def topic_text(topic: str) -> str:
    """Markdown. Raises FileNotFoundError."""
    return (FOLDER / f"{topic}.md").read_text(encoding="utf-8")
