"""Readings as `readings.csv` for a spreadsheet; what jars and odds are called."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from jarvision.core.tables import number_cell, odds_cell, safe_cell, table_csv
from jarvision.core.text import plain_text
from jarvision.estimate.posterior import Interval
from jarvision.estimate.sand_parts import SAND_PARTS
from jarvision.estimate.texture import TextureClass
from jarvision.results.record import ReadingRow, WeightRow
from jarvision.results.sand_seen import SandRow
from jarvision.wall.measurement import LAYERS, UNKNOWN_THREE, Three

_NAME_WIDTH = 60


def readings_csv(rows: Iterable[ReadingRow]) -> str:
    """Write readings as CSV (RFC 4180: commas, CRLF, a header line), one row a jar.

    Unknown numbers are left empty. Several photos or doubts in a cell are joined by ``;``.
    Text that a spreadsheet would take for a formula gets a leading apostrophe.

    Parameters
    ----------
    rows : iterable of ReadingRow
        The jars, in the order they shall stand.

    Returns
    -------
    str
        The whole file; write it as UTF-8 without translating its line ends.
    """
    body = ([cell(row) for _, cell in _COLUMNS] for row in rows)
    return table_csv([name for name, _ in _COLUMNS], body)


def title(jar: str, *, name: str = "", bed: str = "") -> str:
    """Call a jar as a person does, such as ``Jar 5, Anna, north bed``; safe to print."""
    return ", ".join(part for part in (_title(jar), called(jar, name=name, bed=bed)) if part)


def jar_title(name: str) -> str:
    """Call a jar by its name: ``Jar 5``, but ``jar-08`` as it is."""
    return name if name.casefold().startswith("jar") else f"Jar {name}"


def called(jar: str, *, name: str, bed: str) -> str:
    """Say what the user's list of jars says of a jar, as ``Anna, north bed``; safe to print."""
    parts = (own_name(jar, name), bed_title(short_name(bed)))
    return ", ".join(part for part in parts if part)


def own_name(jar: str, name: str) -> str:
    """Give a jar's name in the user's list where it says more than its number; safe to print."""
    own = short_name(name)
    known = {short_name(jar).casefold(), _title(jar).casefold()}
    return "" if own.casefold() in known else own


def bed_title(bed: str) -> str:
    """Call a bed by its name; a bare number or letter is told from a jar's by the word."""
    is_bare = sum(map(str.isalpha, bed)) < 2
    return f"bed {bed}" if bed and is_bare else bed


def _unique(items: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(items))


def _title(jar: str) -> str:
    return jar_title(short_name(jar) or "(no name)")


def short_name(name: str) -> str:
    """Cut the middle out of a long name, so that its number and ending stay; safe to print."""
    name = plain_text(name)
    if len(name) <= _NAME_WIDTH:
        return name
    half = (_NAME_WIDTH - 1) // 2
    return f"{name[:half]}…{name[-half:]}"


# --- the CSV's cells


def _sd(sd: float, decimals: int) -> str:
    """Print an sd with the given decimals, or more where two of its digits would not show."""
    if not math.isfinite(sd):
        return ""
    needed = 1 - math.floor(math.log10(sd)) if sd > 0 else 0
    return number_cell(sd, min(max(decimals, needed), 6))


def _listed_text(text: str) -> str:
    """Make a name safe in a cell that may hold several, which ``;`` separates."""
    return safe_cell(text.replace(";", "_"))


_Cell = Callable[[ReadingRow], str]


def _three(
    column: str,
    numbers: Callable[[ReadingRow], Three],
    text: Callable[[float, int], str],
    /,
    *,
    decimals: int,
) -> list[tuple[str, _Cell]]:
    """Make the columns of sand, silt and clay."""

    def cell(index: int) -> _Cell:
        return lambda row: text(numbers(row)[index], decimals)

    return [(column.format(layer), cell(index)) for index, layer in enumerate(LAYERS)]


_NO_WEIGHT = WeightRow(*(UNKNOWN_THREE,) * 3, TextureClass.LOAM, math.nan, "", ())


def _weight(row: ReadingRow) -> WeightRow:
    return row.by_weight or _NO_WEIGHT


def _weight_cell(limits: str, index: int) -> _Cell:
    def cell(row: ReadingRow) -> str:
        values: Three = getattr(_weight(row), limits)
        return number_cell(values[index], 1)

    return cell


def _ranged(
    column: str, number: Callable[[SandRow], Interval], *, decimals: int
) -> list[tuple[str, _Cell]]:
    """Make the columns of one of the sand's numbers and the limits of its range."""

    def cell(limit: str) -> _Cell:
        return lambda row: (
            number_cell(getattr(number(row.sand), limit), decimals) if row.sand else ""
        )

    ends = (("", "value"), ("_lo", "lo"), ("_hi", "hi"))
    return [(f"{column}{end}", cell(limit)) for end, limit in ends]


def _of_part(index: int) -> Callable[[SandRow], Interval]:
    return lambda sand: sand.parts_pct[index]


def _stones(row: ReadingRow) -> str:
    return "" if row.sand is None or row.sand.stones is None else str(row.sand.stones)


_COLUMNS: tuple[tuple[str, _Cell], ...] = (
    ("jar", lambda row: _listed_text(row.jar)),
    ("photos", lambda row: ";".join(map(_listed_text, row.photos))),
    *_three("{}_top_mm", lambda row: row.tops_mm, number_cell, decimals=2),
    *_three("{}_top_sd_mm", lambda row: row.top_sds_mm, _sd, decimals=2),
    *_three("{}_pct", lambda row: row.pcts, number_cell, decimals=1),
    *_three("{}_sd_pct", lambda row: row.pct_sds, _sd, decimals=1),
    ("texture_class", lambda row: row.texture_class or ""),
    ("class_odds", lambda row: odds_cell(row.class_odds)),
    ("next_class", lambda row: row.next_class or ""),
    ("next_odds", lambda row: odds_cell(row.next_odds)),
    ("doubts", lambda row: ";".join(_unique(doubt.name for doubt in row.doubts))),
    *_three("{}_wt_pct", lambda row: _weight(row).pcts, number_cell, decimals=1),
    *(
        column
        for index, layer in enumerate(LAYERS)
        for column in (
            (f"{layer}_wt_pct_lo", _weight_cell("los", index)),
            (f"{layer}_wt_pct_hi", _weight_cell("his", index)),
        )
    ),
    ("class_by_weight", lambda row: row.by_weight.texture_class if row.by_weight else ""),
    ("odds_by_weight", lambda row: odds_cell(_weight(row).class_odds)),
    ("water_state", lambda row: row.by_weight.water_state if row.by_weight else ""),
    ("name", lambda row: safe_cell(row.name)),
    ("bed", lambda row: safe_cell(row.bed)),
    ("put_right", lambda row: ";".join(row.put_right)),
    *_ranged("sand_mean_mm", lambda sand: sand.mean_mm, decimals=3),
    ("sand_finer_than_mm", lambda row: number_cell(row.sand.finer_than_mm, 3) if row.sand else ""),
    *(
        column
        for index, part in enumerate(SAND_PARTS)
        for column in _ranged(f"{part.replace(' ', '_')}_sand_wt_pct", _of_part(index), decimals=1)
    ),
    ("class_by_sand", lambda row: (row.sand and row.sand.sand_class) or ""),
    ("odds_by_sand", lambda row: odds_cell(row.sand.class_odds) if row.sand else ""),
    ("stones_over_2_mm", _stones),
)
"""Columns in the order of the file; new ones go to the end, so that old readers go on working."""
