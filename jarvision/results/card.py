"""A jar's result as lines of plain text for the gardener."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from jarvision.core.ranges import RANGES_MEAN
from jarvision.core.text import plain_text
from jarvision.core.units import UnitSystem
from jarvision.results.doubt_order import all_doubts, usual_sentences
from jarvision.results.headline import soil_in_words, soil_odds
from jarvision.results.numbers import share_text, top_text
from jarvision.results.readings_table import short_name, title
from jarvision.results.record import LAYERS, Interim, JarRecord
from jarvision.results.sand_seen import sand_line
from jarvision.results.sentence_units import spoken_in

_WIDTH = 78


def jar_card(jar: JarRecord, system: UnitSystem = UnitSystem.METRIC) -> str:
    """Describe one jar: its soil, its numbers, what to check.

    Parameters
    ----------
    jar : JarRecord
    system : UnitSystem
        Units of heights and sentences.

    Returns
    -------
    str
        The card, safe to print on a terminal, ending in a newline. The layers stand as they do
        in the jar, clay on top.
    """
    jar = spoken_in(jar, system)
    head = title(jar.jar, name=jar.name, bed=jar.bed)
    if jar.interim:
        parts = [_fill(f"{head}: so far"), *_so_far(jar, jar.interim, system)]
    elif jar.unread or not jar.best:
        why = jar.unread.sentence if jar.unread else ""
        parts = [_fill(f"{head}: not read"), _fill(why, indent=2), *_left_out(jar)]
    else:
        soil = soil_in_words(jar.best.texture, jar.sand)
        parts = [_fill(f"{head}: {soil}"), *_body(jar, system)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _body(jar: JarRecord, system: UnitSystem) -> Iterator[str]:
    yield "\n".join(_ways(jar))
    yield _numbers(jar, system)
    yield _fill(RANGES_MEAN, indent=2)
    doubts = all_doubts(jar)
    yield _listed("Check", doubts) if doubts else "  Nothing unusual."
    notes = [jar.by_weight.why] if jar.by_weight else []
    yield "\n".join(_fill(note, indent=2) for note in (*notes, *usual_sentences(jar)) if note)
    yield from _left_out(jar)
    photos = ", ".join(short_name(photo.name) for photo in jar.photos)
    yield _fill(f"Read from {photos}", indent=2) if photos else ""


def _so_far(jar: JarRecord, interim: Interim, system: UnitSystem) -> Iterator[str]:
    """Say what is known before the last photo, and which is due next."""
    yield _fill(interim.sentence, indent=2)
    if jar.scaled:
        yield _numbers(jar, system)
    doubts = all_doubts(jar)
    yield _listed("Check", doubts) if doubts else ""
    yield _fill(interim.next_sentence, indent=2)
    yield from _left_out(jar)


def _ways(jar: JarRecord) -> Iterator[str]:
    """Say how the soil is called in each way, and how sure that is."""
    if jar.by_weight:
        odds = soil_odds(jar.by_weight.shares.texture, jar.sand)
        yield _fill(f"By weight, estimated: {odds}.", indent=2)
    if jar.by_height:
        yield _fill(f"On the glass, by height: {soil_in_words(jar.by_height.texture)}.", indent=2)
    if line := sand_line(jar.sand, jar.best.texture.likeliest if jar.best else None):
        yield _fill(line, indent=2)


def _numbers(jar: JarRecord, system: UnitSystem) -> str:
    """Set out heights and shares in columns, clay on top."""
    order = [i for i in (2, 1, 0) if jar.interim is None or top_text(jar, i, system)]
    columns = [["layer", *(LAYERS[i] for i in order)]]
    if jar.tops and jar.scaled:
        columns.append(["top above the floor", *(top_text(jar, i, system) for i in order)])
    for words, shares in (
        ("on the glass", jar.by_height),
        ("by weight", jar.by_weight.shares if jar.by_weight else None),
    ):
        if shares:
            columns.append([words, *(share_text(shares, i) for i in order)])
    widths = [max(map(len, column)) for column in columns]
    rows = zip(*columns, strict=True)
    lines = (
        "  " + "   ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    )
    return "\n".join(line.rstrip() for line in lines)


def _left_out(jar: JarRecord) -> Iterator[str]:
    for name, sentence in jar.left_out:
        yield _fill(f"Left out {short_name(name)}: {sentence}", indent=2)


def _listed(heading: str, sentences: Iterable[str]) -> str:
    return "\n".join([f"  {heading}", *(_fill(s, indent=4, bullet="  - ") for s in sentences)])


def _fill(text: str, *, indent: int = 0, bullet: str | None = None) -> str:
    return textwrap.fill(
        plain_text(text),
        _WIDTH,
        initial_indent=" " * indent if bullet is None else bullet,
        subsequent_indent=" " * max(indent, 2),
        break_long_words=False,
        break_on_hyphens=False,
    )
