"""SVG and small pieces of HTML, built so that nothing from a file or a user can become markup.

Every plain string is escaped when it enters an element; only what these functions made themselves
passes as it is. Control and direction marks are dropped on the way. Pages are templates
(`jarvision.pages.frame`), which escape in the same way.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TypeAlias

from markupsafe import Markup as Markup
from markupsafe import escape

Child: TypeAlias = "str | Markup | Iterable[Child] | None"
Attribute: TypeAlias = "str | float | bool | None"

_VOID = frozenset({"br", "hr", "img", "link", "meta"})

# Control characters, what steers the direction of writing, byte-order marks, lone surrogates.
_UNSEEN = re.compile(
    "[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069"
    "\ufeff\ud800-\udfff\ufffe\uffff]"
)


def text(content: str) -> Markup:
    """Escape a text; markup made here stays as it is."""
    if isinstance(content, Markup):
        return content
    # what must not be seen is never printable, and to ask that is much quicker than to look for it
    return escape(content if content.isprintable() else _UNSEEN.sub("", content))


def join(*children: Child) -> Markup:
    """Put children one after the other; None is nothing."""
    return Markup("".join(_flat(children)))


def _flat(children: Iterable[Child]) -> Iterable[str]:
    for child in children:
        if isinstance(child, str):
            yield text(child)
        elif child is not None:
            yield from _flat(child)


def tag(name: str, /, *children: Child, **attributes: Attribute) -> Markup:
    """Make an element.

    Parameters
    ----------
    name : str
        Name of the element, of ours.
    *children
        Strings are escaped; iterables are put one after the other; None is nothing.
    **attributes
        ``font_size`` becomes ``font-size`` and ``class_`` becomes ``class``; numbers are printed
        with at most two decimals; None and False are left out, True stands without a value.

    Returns
    -------
    Markup
        The element as text.
    """
    start = f"<{name}{''.join(_attributes(attributes))}>"
    return Markup(start if name in _VOID else f"{start}{join(*children)}</{name}>")


def _attributes(attributes: dict[str, Attribute]) -> Iterable[str]:
    for name, value in attributes.items():
        if value is None or value is False:
            continue
        label = name.rstrip("_").replace("_", "-")
        yield f" {label}" if value is True else f' {label}="{_value(value)}"'


def _value(value: str | float) -> str:
    return text(value) if isinstance(value, str) else number(value)


def number(value: float) -> str:
    """Print a number for an attribute, at most two decimals and no sign on zero.

    Raises
    ------
    ValueError
        It is not finite: a mistake of ours, since a figure must not be drawn from it.
    """
    if not math.isfinite(value):
        msg = f"a figure needs a finite number, not {value}"
        raise ValueError(msg)
    return f"{round(value, 2) + 0.0:.2f}".rstrip("0").rstrip(".")


def points_of(places: Iterable[tuple[float, float]]) -> str:
    """Write places as the corners of a line or polygon."""
    return " ".join(f"{number(x)},{number(y)}" for x, y in places)


def raw(content: str) -> Markup:
    """Mark a text of ours (a style sheet, a script) as markup.

    Raises
    ------
    ValueError
        It could end the element that it stands in.
    """
    if "</" in content or "<!--" in content:
        msg = "a style sheet or script must not hold an end tag"
        raise ValueError(msg)
    return Markup(content)
