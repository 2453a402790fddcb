"""A jar's sentences in the units of whoever reads them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from jarvision.core.units import UnitSystem, inches_text
from jarvision.results.record import JarRecord, NamedDoubt

_BOTH = re.compile(r"(\d+(?:\.\d+)?) (cm|°C) \((\d+(?:\.\d+)?) (in|°F)\)")
_MM = re.compile(r"(\d+(?:\.\d+)?) mm\b")


def in_units(text: str, system: UnitSystem) -> str:
    """Say a sentence in one system: of two units the one, millimetres in fractions of an inch.

    Examples
    --------
    >>> in_units("It fell 6 cm (2.3 in) and is off by 0.8 mm.", UnitSystem.US)
    'It fell 2.3 in and is off by 1/32 in.'
    """
    if system is UnitSystem.METRIC:
        return _BOTH.sub(r"\1 \2", text)
    return _MM.sub(lambda m: f"{inches_text(float(m[1]))} in", _BOTH.sub(r"\3 \4", text))


def spoken_in(jar: JarRecord, system: UnitSystem) -> JarRecord:
    """Put all sentences of a result into one system of units; its numbers stay as they are."""

    def said(of: Any, *names: str) -> Any:
        changed = {name: in_units(getattr(of, name), system) for name in names} if of else {}
        return replace(of, **changed) if of else of

    def doubts(of: Iterable[NamedDoubt]) -> tuple[NamedDoubt, ...]:
        return tuple(said(one, "sentence") for one in of)

    weight = said(jar.by_weight, "why", "prior_note")
    return replace(
        jar,
        doubts=doubts(jar.doubts),
        by_weight=replace(weight, doubts=doubts(weight.doubts)) if weight else None,
        interim=said(jar.interim, "sentence", "next_sentence"),
        unread=said(jar.unread, "sentence"),
        left_out=tuple((name, in_units(text, system)) for name, text in jar.left_out),
    )
