"""How jars lie together: mean and spread of all and of each bed, jars that differ, beds over years.

Jars are compared on the glass: there each has an error of its own, while by weight all share the
same assumptions, which would hide in every jar alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from typing import TypeAlias

import numpy as np

from jarvision.compare.outlying import CHANCE, GRUBBS, LEAST_JARS, outlying, spread_of
from jarvision.core.files import shown
from jarvision.core.ranges import Z90
from jarvision.core.sources import Statement, say
from jarvision.core.units import Quantity, UnitSystem, show, show_range
from jarvision.estimate.texture import classify
from jarvision.garden.guide import Guide
from jarvision.pages.figures import share_strip
from jarvision.pages.figures_time import bed_lines
from jarvision.pages.frame import title_of
from jarvision.pages.jar_page import depth_text, listed_name
from jarvision.pages.markup import Markup
from jarvision.results.beds import READINGS, BedNote, change_statement
from jarvision.results.headline import soil_in_words
from jarvision.results.numbers import share_text
from jarvision.results.readings_table import bed_title
from jarvision.results.record import LAYERS, JarRecord, Shares

Told: TypeAlias = tuple[JarRecord, BedNote | None, Guide | None, Markup]
"""A jar, what the user wrote of its sample, its guide, and the link to its page."""


@dataclass(frozen=True, slots=True)
class SpreadRow:
    """A line of the table of spreads."""

    name: str
    count: int
    shares: tuple[str, ...]
    soil: str
    scatter: str


@dataclass(frozen=True, slots=True)
class BedRow:
    """A line of the table of beds, or of one bed's readings."""

    bed: str
    area: str
    link: Markup
    dug: str
    depth: str
    soil: str
    shares: tuple[str, ...]
    water: str
    om: str
    strip: Markup | None


@dataclass(frozen=True, slots=True)
class OneBed:
    """What is said of a bed with several jars."""

    heading: str
    lines: Markup | None
    rows: tuple[BedRow, ...]
    said: tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class BedsSection:
    """The jars compared."""

    spreads: tuple[SpreadRow, ...]
    beds: tuple[BedRow, ...]
    all_latest: bool
    several: tuple[OneBed, ...]
    said: tuple[Statement, ...]
    named: bool

    @property
    def statements(self) -> list[Statement]:
        """List what is said with a source."""
        return [*self.said, *(s for bed in self.several for s in bed.said)]


def beds_section(told: Sequence[Told], system: UnitSystem) -> BedsSection | None:
    """Compare the jars that were read; None where there is nothing to compare.

    Parameters
    ----------
    told : sequence of (JarRecord, BedNote or None, Guide or None, Markup)
    system : UnitSystem
    """
    read = [one for one in told if one[0].by_height]
    beds = _by_bed(read)
    if len(read) < 2 and not beds:
        return None
    spreads = [_spread_row("all jars", read)] if len(read) > 1 else []
    spreads += [_spread_row(_bed_of(jars), jars) for jars in beds.values() if len(jars) > 1]
    # a class sheet's many jars of one bed stand in the table of spreads
    told_of = [jars for jars in beds.values() if _is_dated(jars) or len(jars) < LEAST_JARS]
    latest = [jars[-1:] if _is_dated(jars) else jars for jars in told_of]
    rows = [_bed_row(one, f"bed-{i}", system) for i, one in enumerate(chain.from_iterable(latest))]
    several = [_one_bed(jars, i, system) for i, jars in enumerate(beds.values()) if len(jars) > 1]
    return BedsSection(
        tuple(spreads),
        tuple(rows),
        all(len(jars) == 1 for jars in latest),
        tuple(several),
        (_TEST,) if any(len(jars) >= LEAST_JARS for jars in beds.values()) else (),
        bool(beds),
    )


_TEST = say(
    f"A jar is said to differ where its share is further from the mean of the bed's other jars "
    f"than chance would bring about in 1 of {1 / CHANCE:.0f} beds of equal soil (Grubbs' test on "
    f"sand, silt and clay, from {LEAST_JARS} jars a bed). It may be the soil, the shaking, or a "
    "line: look at its photos.",
    GRUBBS,
)


def _by_bed(read: Sequence[Told]) -> dict[str, list[Told]]:
    """Jars by bed, each bed's in order of digging."""
    beds: dict[str, list[Told]] = {}
    for one in read:
        if one[1] and one[1].bed:
            beds.setdefault(one[1].bed_key, []).append(one)
    for jars in beds.values():
        jars.sort(key=lambda one: one[1].dug if one[1] else "")
    return dict(sorted(beds.items()))


def _is_dated(jars: Sequence[Told]) -> bool:
    return all(note and note.dug for _, note, _, _ in jars)


def _bed_of(jars: Sequence[Told]) -> str:
    note = jars[0][1]
    return bed_title(shown(note.bed, longest=60)) if note else ""


def _numbers(jars: Sequence[Told]) -> tuple[np.ndarray, np.ndarray]:
    heights = [jar.by_height for jar, *_ in jars if jar.by_height]
    pcts = np.array([[m.value for m in shares.pcts] for shares in heights])
    sds = np.array([[m.sd for m in shares.pcts] for shares in heights])
    return pcts, sds


def _spread_row(name: str, jars: Sequence[Told]) -> SpreadRow:
    spread = spread_of(*_numbers(jars))
    limits = zip(spread.mean_pct, spread.low_pct, spread.high_pct, strict=True)
    shares = tuple(f"{mean:.0f}, from {low:.0f} to {high:.0f}" for mean, low, high in limits)
    total = sum(spread.mean_pct)
    soil = str(classify(*(100 * mean / total for mean in spread.mean_pct)))
    return SpreadRow(name, spread.count, shares, soil, f"{Z90 * max(spread.sd_points):.0f} points")


# --- one bed ------------------------------------------------------------------------------------


def _one_bed(jars: Sequence[Told], number: int, system: UnitSystem) -> OneBed:
    dated = _is_dated(jars) and len({note.dug for _, note, _, _ in jars if note}) > 1
    pairs = list(pairwise(jars)) if dated else []
    said = [change for a, b in pairs if (change := _change(a, b))]
    if not dated:
        said += _together(jars)
    rows = [_bed_row(one, f"year-{number}-{i}", system) for i, one in enumerate(jars)]
    return OneBed(
        f"{_bed_of(jars)} over time" if dated else f"{_bed_of(jars)}: {len(jars)} jars",
        _lines(jars, f"years-{number}", _bed_of(jars)) if dated else None,
        tuple(rows) if dated else (),
        tuple(said),
    )


def _together(jars: Sequence[Told]) -> Iterator[Statement]:
    """Say which jars of a bed differ, and how well they agree."""
    if len(jars) < LEAST_JARS:
        pairs = [(jars[i], jars[j]) for i in range(len(jars)) for j in range(i + 1, len(jars))]
        told = [change for a, b in pairs if (change := _change(a, b))]
        yield from told
        return
    pcts, sds = _numbers(jars)
    far = outlying(pcts, sds)
    for one in far:
        name = _moment(jars[one.place])
        yield say(
            f"{name} differs from its bed: {LAYERS[one.layer]} {one.pct:.0f} % of the height, the "
            f"others {one.others_pct:.0f} %.",
            GRUBBS,
            READINGS,
        )
    spread = spread_of(pcts, sds)
    widest = int(np.argmax(spread.sd_points))
    own = spread.expected_sd_points[widest]
    yield say(
        f"{'No jar differs from the others. ' if not far else ''}9 in 10 jars lie within "
        f"{Z90 * spread.sd_points[widest]:.0f} points of the bed's mean for {LAYERS[widest]}, the "
        f"layer that varies most; reading alone explains {Z90 * own:.0f}.",
        READINGS,
    )


def _change(earlier: Told, later: Told) -> Statement | None:
    """Compare two jars on the glass."""
    a, b = earlier[0].by_height, later[0].by_height
    return change_statement(a, b, when=(_moment(earlier), _moment(later))) if a and b else None


def _moment(one: Told) -> str:
    jar, note, _, _ = one
    name = title_of(jar.jar)
    extra = [part for part in (listed_name(jar), note.dug if note else "") if part]
    return f"{name} ({', '.join(extra)})" if extra else name


def _lines(jars: Sequence[Told], key: str, bed: str) -> Markup:
    """Draw a bed's shares over the days of digging."""
    points = [
        (note.dug, [(m.value, m.sd) for m in jar.by_height.pcts])
        for jar, note, _, _ in jars
        if note and jar.by_height
    ]
    return bed_lines(key, f"{bed} over time", points)


def _bed_row(one: Told, key: str, system: UnitSystem) -> BedRow:
    jar, note, guide, link = one
    note = note or BedNote(jar.jar)
    shares = jar.by_height
    water = guide.planning_mm_per_m if guide else None
    return BedRow(
        note.bed,
        show(note.area_m2, Quantity.AREA, system) if note.area_m2 else "",
        link,
        note.dug,
        depth_text(note, system) or "unknown",
        soil_in_words(jar.best.texture) if jar.best else "",
        _share_texts(shares) if shares else (),
        show_range(water, Quantity.AVAILABLE_WATER, system) if water else "unknown",
        "not known" if note.om_pct is None else f"{note.om_pct:g} %",
        _strip(jar, shares, key) if shares else None,
    )


def _share_texts(shares: Shares) -> tuple[str, ...]:
    return tuple(share_text(shares, i) for i in range(3))


def _strip(jar: JarRecord, shares: Shares, key: str) -> Markup:
    return share_strip(key, f"Shares of {title_of(jar.jar)}", [m.value for m in shares.pcts])
