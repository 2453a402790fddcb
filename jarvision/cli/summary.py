"""The jars that were read, as `read` prints them: in a table, or a card each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from jarvision.cli.console import say, say_table
from jarvision.core.errors import JarError

if TYPE_CHECKING:
    from rich.table import Table

    from jarvision.core.units import UnitSystem
    from jarvision.results.record import JarRecord

_FEW_JARS = 2
"""So many jars get a card each without being asked."""


def say_jars(out: Path, kept: Mapping[str, JarRecord], *, cards: bool, system: UnitSystem) -> None:
    """Print the jars of the last run in a folder of results, as their files have them.

    Those `kept` from an earlier run were read a moment ago; they are given by their files' names.
    """
    from jarvision.results.cache import is_earlier, last_run
    from jarvision.results.card import jar_card
    from jarvision.results.jar_folder import jar_paths, read_jars
    from jarvision.results.sentence_units import spoken_in

    last = last_run(out)
    paths = [path for path in jar_paths(out) if not is_earlier(path.name, last)]
    jars = read_jars(paths, kept).jars
    if cards or len(jars) <= _FEW_JARS:
        for jar in jars:
            say(jar_card(jar, system))
    else:
        _say_table([spoken_in(jar, system) for jar in jars])


def _say_table(jars: Sequence[JarRecord]) -> None:
    from jarvision.core.files import shown
    from jarvision.results.doubt_order import common_doubts, phrase
    from jarvision.results.readings_table import title

    common = common_doubts([jar for jar in jars if jar.by_height])
    say_table(_table(jars, common))
    say("")
    for name in sorted(common):
        say(f"Most jars: {phrase(name)}; the report says more.")
    for jar in jars:
        if jar.unread:
            say(f"{title(jar.jar)} was not read: {jar.unread.sentence}")
        if jar.interim:
            say(f"{title(jar.jar)}: {jar.interim.sentence} {jar.interim.next_sentence}")
        for photo, sentence in jar.left_out:
            say(f"{title(jar.jar)}, left out {shown(photo)}: {sentence}")


def _table(jars: Sequence[JarRecord], common: frozenset[str]) -> Table:
    """Set out a jar a row: its soil, how likely that is, what to check."""
    from rich.table import Table
    from rich.text import Text

    from jarvision.results.readings_table import called, title

    names = {jar.jar: called(jar.jar, name=jar.name, bed=jar.bed) for jar in jars}
    weighed = any(jar.by_weight for jar in jars)
    soil = ["soil by weight", "odds", "on the glass"] if weighed else ["on the glass"]
    table = Table(box=None, pad_edge=False)
    table.add_column("jar", no_wrap=True)
    for head in [*(["name"] if any(names.values()) else []), *soil, "check"]:
        table.add_column(head, overflow="fold", no_wrap=head == "odds")
    for jar in jars:
        own = [names[jar.jar]] if any(names.values()) else []
        cells = [title(jar.jar), *own, *_soil_cells(jar, weighed=weighed), _check(jar, common)]
        table.add_row(*map(Text, cells))
    return table


def _soil_cells(jar: JarRecord, *, weighed: bool) -> list[str]:
    from jarvision.results.headline import odds_of_named, soil_in_words, without_soil

    if jar.by_height is None:
        words = without_soil(jar)
        return [words, "", ""] if weighed else [words]
    glass = soil_in_words(jar.by_height.texture)
    if not weighed:
        return [glass]
    if jar.by_weight is None:
        return ["not known", "", glass]
    texture = jar.by_weight.shares.texture
    odds = odds_of_named(texture).replace("better than", "over")
    return [soil_in_words(texture), odds, glass]


def _check(jar: JarRecord, common: frozenset[str]) -> str:
    from jarvision.results.doubt_order import check_text

    return "" if jar.unread else check_text(jar, common)


def write_pages(out: Path, system: UnitSystem | None) -> str:
    """Write the report -> a sentence that says where it is, or why it is not."""
    from jarvision.core.files import shown
    from jarvision.pages.write import write_report

    try:
        pages = write_report(out, units=system)
    except JarError as error:
        return f"The report was not written: {error}"
    return f"Open {shown(str(pages[-1]), longest=200)}; it links to each jar's page."
