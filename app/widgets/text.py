"""What a user typed, made safe to show: it is never markup, neither HTML nor Markdown."""

from __future__ import annotations

import re

MARKDOWN_SIGNS = re.compile(r"([\\`*_{}\[\]()#+\-.!|~<>$:&^=\"'])")


def plain(text: str) -> str:
    """Return text that Markdown shows as it is."""
    return MARKDOWN_SIGNS.sub(r"\\\1", text)


def group_words(group: str) -> str:
    """Return a group's key as words: method, material, basis, instrument."""
    *kinds, last = group.split("|", 3)
    return ", ".join([*(kind.replace("_", " ") for kind in kinds), last])
