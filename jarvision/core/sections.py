"""Sections of statements, and their plain-text form with numbered sources at the end."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from jarvision.core.sources import Bibliography, Statement, bibliography, legend

_WIDTH = 92
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:%|[cm]?m[²³]?|in|ft|lb|kg|[cs][uq] \w+|days)(?!\w))")
_JOINER = "\u00a0"


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a text.

    Attributes
    ----------
    key : str
        Short name, for anchors and drawings.
    statements : tuple of Statement
        In reading order.
    figure : tuple of str
        Lines of a picture in letters, printed as they are; empty for most.
    ranked : bool
        Whether the statements are numbered, first things first.
    """

    key: str
    heading: str
    statements: tuple[Statement, ...]
    figure: tuple[str, ...] = ()
    ranked: bool = False


def sections_text(title: str, sections: Sequence[Section]) -> str:
    """Print sections as plain text: each statement with its marks, the sources at the end."""
    listed = bibliography(s for section in sections for s in section.statements)
    lines = [title, "=" * len(title)]
    for section in sections:
        lines += ["", section.heading, *_body(section, listed)]
    lines += ["", "Sources", *_wrapped("", f"Marks: {legend()}.")]
    for mark, source in listed.listed():
        lines += _wrapped("", f"{mark}: {source}")
    return "\n".join(lines)


def _body(section: Section, listed: Bibliography) -> list[str]:
    lines = []
    for number, statement in enumerate(section.statements, start=1):
        bullet = f"{number}. " if section.ranked else "- "
        lines += _wrapped(bullet, f"{statement.text} {listed.tag(statement)}")
    return lines + [f"    {line}" for line in section.figure]


def _wrapped(bullet: str, text: str) -> list[str]:
    """Wrap a line, keeping a number and its unit together."""
    kept = _NUMBER_AND_UNIT.sub(_JOINER, bullet + text)
    lines = textwrap.wrap(kept, _WIDTH, subsequent_indent=" " * max(len(bullet), 2))
    return [line.replace(_JOINER, " ") for line in lines]
