"""Text from strangers made safe to print, and things counted."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable


def plain_text(text: str) -> str:
    """Make text from a file's name safe to print: one line, no control or direction marks.

    White space of any kind becomes a single space, bytes that are not text become ``?``, and
    characters that steer a terminal or turn the direction of writing are dropped. Joiners that
    some scripts and emoji need stay.
    """
    return " ".join("".join(map(_plain_character, text)).split())


def shortened(text: str, fits: Callable[[str], bool]) -> str:
    """Cut a text's end, with an ellipsis in its place, until it fits."""
    if fits(text):
        return text
    while text and not fits(text + "…"):
        text = text[:-1]
    return text.rstrip() + "…"


def counted(count: int, noun: str) -> str:
    """Write how many there are of something, such as ``1 jar`` or ``3 jars``."""
    return f"1 {noun}" if count == 1 else f"{count} {noun}s"


def _plain_character(character: str) -> str:
    category = unicodedata.category(character)
    if character.isspace() or category in {"Zl", "Zp"}:
        return " "
    if category == "Cs":
        return "?"
    if category in {"Cc", "Cf"} and character not in "\u200c\u200d":
        return ""
    return character
