"""Topics of the guide as a page carries them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from scanproc.report.words.guide import topic_text, topics

LOWER = {"h1": "h3", "h2": "h4", "h3": "h5"}


@dataclass(frozen=True)
class Topic:
    """``html`` without the heading."""

    name: str
    title: str
    html: Markup


def carried_topics(names: Sequence[str]) -> tuple[Topic, ...]:
    """Topics by name, each once; links between them lead to ``#guide-NAME``, others are text."""
    known = topics()
    return tuple(
        Topic(name, known[name], Markup(_html(name, frozenset(names)))) for name in dict.fromkeys(names)
    )


@cache
def _html(name: str, carried: frozenset[str]) -> str:
    made = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = made.parse(topic_text(name).partition("\n")[2])
    for token in tokens:
        token.tag = LOWER.get(token.tag, token.tag)
        token.children = _linked(token.children, carried) if token.children else token.children
    return str(made.renderer.render(tokens, made.options, {}))


def _linked(inline: Sequence[Token], carried: frozenset[str]) -> list[Token]:
    """Links that lead to a topic on the page; of others only their words."""
    kept, inside = [], False
    for token in inline:
        if token.type == "link_open":
            name = str(token.attrGet("href")).removesuffix(".md")
            inside = name in carried
            token.attrSet("href", f"#guide-{name}")
        if inside or token.type not in ("link_open", "link_close"):
            kept.append(token)
    return kept
