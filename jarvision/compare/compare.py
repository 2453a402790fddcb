"""Hand marks against what the photos show: jar by jar, reader by reader, and for the class.

Neither of the two is the truth: a difference says that one of them is off, not which.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from jarvision.compare.agreement import Kappa, LimitsOfAgreement, agreement_of, kappa_of
from jarvision.compare.marks_table import HandMark, MarkList
from jarvision.compare.slips import Slip, find_slips
from jarvision.core.files import shown
from jarvision.core.ranges import odds_in_words
from jarvision.core.tables import number_cell, odds_cell, safe_cell, table_csv
from jarvision.estimate.texture import TextureClass, classify
from jarvision.results.jar_folder import JarFolder, jar_key
from jarvision.results.readings_table import called, title
from jarvision.results.record import JarRecord, Shares
from jarvision.wall.measurement import LAYERS, UNKNOWN_THREE, Three, three_of

INSIDE_SDS = 2.0
"""A mark is outside the photo's interval where it is further from it than so many of its sds."""

FAR_MM = 8.0
"""Marks further off than this are pointed out even where no slip explains them [mm]; ours."""
FAR = (
    "The marks are far from the photo and no common slip explains it; look at both, and at whether "
    "they are of the same jar."
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One reader's marks on one jar, beside the photo's reading by height.

    Attributes
    ----------
    jar, reader : str
        The jar's name as the folder has it, and the reader's as typed (may be empty).
    line : int
        Line of the marks' file.
    hand_tops_mm, photo_tops_mm, photo_sds_mm : tuple of 3 floats
        Tops of sand, silt and clay above the inside floor [mm]; the photo's are NaN without a
        scale.
    hand_pcts, photo_pcts : tuple of 3 floats
        Shares of the height [%]; the hand's are NaN where the tops are no composition.
    hand_class, photo_class : TextureClass or None
        Classes by height.
    photo_odds : float
        How likely the photo holds the hand's class, 0 to 1; NaN when there is none.
    outside : tuple of str
        Layers whose mark lies outside the photo's interval: tops by ± 2 sd, or, without a scale,
        shares by their 90 % interval.
    slips : tuple of Slip
    called : str
        What the list of jars says of the jar: its name and bed; empty when nothing.
    """

    jar: str
    reader: str
    line: int
    hand_tops_mm: Three
    photo_tops_mm: Three
    photo_sds_mm: Three
    hand_pcts: Three
    photo_pcts: Three
    hand_class: TextureClass | None
    photo_class: TextureClass
    photo_odds: float
    outside: tuple[str, ...]
    slips: tuple[Slip, ...]
    called: str = ""

    @property
    def diffs_mm(self) -> Three:
        """Hand less photo [mm]; NaN where either is unknown."""
        return _less(self.hand_tops_mm, self.photo_tops_mm)

    @property
    def diffs_points(self) -> Three:
        """Hand less photo [points]; NaN where either is unknown."""
        return _less(self.hand_pcts, self.photo_pcts)

    @property
    def class_changes(self) -> bool | None:
        """Whether the two name different classes; None when the hand's is unknown."""
        return None if self.hand_class is None else self.hand_class is not self.photo_class

    @property
    def is_slip(self) -> bool:
        """Whether the numbers probably mean something else than was entered."""
        return bool(self.slips)

    @property
    def is_far(self) -> bool:
        """Whether a mark is far off and no slip explains it."""
        far = any(abs(d) > FAR_MM for d in self.diffs_mm if math.isfinite(d))
        return far and not self.slips


@dataclass(frozen=True, slots=True)
class ReaderResult:
    """How one reader agrees with the photos.

    Attributes
    ----------
    reader : str
        Name as typed first; empty for marks without one.
    comparisons : tuple of Comparison
    tops_mm : tuple of 4 LimitsOfAgreement
        Sand, silt and clay tops, then all tops together [mm], likely slips left out.
    points : tuple of 3 LimitsOfAgreement
        Shares of sand, silt and clay [points], likely slips left out.
    slips : int
        How many jars were left out of these as likely slips.
    kappa : Kappa
        Of the classes, likely slips included, since that is what the reader would have named.
    """

    reader: str
    comparisons: tuple[Comparison, ...]
    tops_mm: tuple[LimitsOfAgreement, ...]
    points: tuple[LimitsOfAgreement, ...]
    slips: int
    kappa: Kappa


@dataclass(frozen=True, slots=True)
class Compared:
    """What came of a table of marks.

    Attributes
    ----------
    comparisons : tuple of Comparison
        In the order of the jars, then of the file.
    readers : tuple of ReaderResult
        In the order of their first mark.
    kappa : Kappa
        Of all classes, all readers together.
    unplaced : tuple of (int, str, str)
        Marks that could not be compared: line, jar, one sentence why.
    unmarked : tuple of str
        Jars that were read but not marked.
    ignored : tuple of str
        Columns that were not understood.
    """

    comparisons: tuple[Comparison, ...]
    readers: tuple[ReaderResult, ...]
    kappa: Kappa
    unplaced: tuple[tuple[int, str, str], ...] = ()
    unmarked: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()


def compare_marks(folder: JarFolder, marks: MarkList) -> Compared:
    """Compare hand marks with the readings of a folder.

    Parameters
    ----------
    folder : JarFolder
        As `jarvision.results.jar_folder.read_jar_folder` gives it.
    marks : MarkList

    Returns
    -------
    Compared
        Marks of unknown or unread jars are listed with the reason, never dropped.
    """
    places: dict[str, list[int]] = {}
    for i, record in enumerate(folder.jars):
        places.setdefault(jar_key(record.jar), []).append(i)
    found: list[tuple[int, Comparison]] = []
    unplaced = []
    for mark in marks.marks:
        place = _place(mark, folder.jars, places)
        made = place if isinstance(place, str) else _compare(mark, folder.jars[place])
        if isinstance(made, str):
            unplaced.append((mark.line, mark.jar, made))
        elif isinstance(place, int):
            found.append((place, made))
    found.sort(key=lambda pair: pair[0])
    comparisons = tuple(comparison for _, comparison in found)
    marked = {place for place, _ in found}
    return Compared(
        comparisons,
        tuple(_readers(comparisons)),
        _kappa(comparisons),
        tuple(unplaced),
        tuple(r.jar for i, r in enumerate(folder.jars) if r.by_height and i not in marked),
        marks.ignored,
    )


def _place(mark: HandMark, jars: Sequence[JarRecord], places: dict[str, list[int]]) -> int | str:
    """Find a mark's jar, by its very name or as names are compared; else say why not."""
    alike = places.get(jar_key(mark.jar), [])
    alike = [i for i in alike if jars[i].jar == mark.jar] or alike
    if len(alike) == 1:
        return alike[0]
    return "several jars could be meant" if alike else "there is no such jar in the folder"


def _compare(mark: HandMark, record: JarRecord) -> Comparison | str:
    """Set a mark beside a jar's reading, or say why that cannot be."""
    if record.by_height is None or record.tops is None:
        return "the jar's photos could not be read"
    if all(map(math.isnan, mark.tops_mm)):
        return "the row holds no mark"
    tops, sds = three_of(m.value for m in record.tops), three_of(m.sd for m in record.tops)
    shares = record.by_height
    pcts = shares_of(mark.tops_mm)
    hand_class = None if math.isnan(pcts[0]) else classify(*pcts)
    return Comparison(
        jar=record.jar,
        reader=mark.reader,
        line=mark.line,
        hand_tops_mm=mark.tops_mm,
        photo_tops_mm=tops if record.scaled else UNKNOWN_THREE,
        photo_sds_mm=sds if record.scaled else UNKNOWN_THREE,
        hand_pcts=pcts,
        photo_pcts=three_of(m.value for m in shares.pcts),
        hand_class=hand_class,
        photo_class=shares.texture.likeliest,
        photo_odds=shares.texture.odds_of(hand_class) if hand_class else math.nan,
        outside=_outside(mark.tops_mm, pcts, record, shares),
        slips=find_slips(mark, tops, sds, scaled=record.scaled),
        called=called(record.jar, name=record.name, bed=record.bed),
    )


def shares_of(tops_mm: Three) -> Three:
    """Shares of the height [%] from tops [mm]; NaN unless they are known and rise."""
    sand, silt, clay = tops_mm
    if not (0 <= sand <= silt <= clay and clay > 0):
        return UNKNOWN_THREE
    return 100 * sand / clay, 100 * (silt - sand) / clay, 100 * (clay - silt) / clay


def _outside(hand: Three, pcts: Three, record: JarRecord, shares: Shares) -> tuple[str, ...]:
    """Name the layers whose mark the photo's own interval does not hold."""
    if record.scaled and record.tops:
        off = [
            abs(mm - top.value) > INSIDE_SDS * top.sd
            for mm, top in zip(hand, record.tops, strict=True)
        ]
    else:
        off = [
            pct < low or pct > high
            for pct, (low, high) in zip(pcts, shares.ranges_pct, strict=True)
        ]
    return tuple(layer for layer, is_off in zip(LAYERS, off, strict=True) if is_off)


def _less(first: Three, second: Three) -> Three:
    return three_of(a - b for a, b in zip(first, second, strict=True))


# --- readers ------------------------------------------------------------------------------------


def _readers(comparisons: Sequence[Comparison]) -> Iterator[ReaderResult]:
    by_reader: dict[str, list[Comparison]] = {}
    for comparison in sorted(comparisons, key=lambda c: c.line):
        by_reader.setdefault(comparison.reader.casefold(), []).append(comparison)
    for own in by_reader.values():
        yield _reader(own)


def _reader(own: Sequence[Comparison]) -> ReaderResult:
    kept = [c for c in own if not c.is_slip]
    tops = [c.diffs_mm for c in kept]
    jars = sum(any(map(math.isfinite, diffs)) for diffs in tops)
    columns = [[diffs[i] for diffs in tops] for i in range(3)]
    points = [[c.diffs_points[i] for c in kept] for i in range(3)]
    return ReaderResult(
        own[0].reader,
        tuple(own),
        (*map(agreement_of, columns), agreement_of(list(chain(*columns)), independent=jars)),
        tuple(map(agreement_of, points)),
        len(own) - len(kept),
        _kappa(own),
    )


def _kappa(comparisons: Iterable[Comparison]) -> Kappa:
    pairs = [(c.hand_class, c.photo_class) for c in comparisons if c.hand_class is not None]
    return kappa_of([hand for hand, _ in pairs], [photo for _, photo in pairs])


# --- words --------------------------------------------------------------------------------------


def signed(value: float, decimals: int = 1) -> str:
    """Print a difference with its sign, ``?`` when unknown, and no sign on zero."""
    if not math.isfinite(value):
        return "?"
    rounded = round(value, decimals) + 0.0
    return f"{rounded:+.{decimals}f}".replace("-", "−") if rounded else f"{0:.{decimals}f}"


def reader_name(reader: str) -> str:
    """Name a reader; those who gave no name share one."""
    return shown(reader) if reader else "no name given"


def kappa_text(kappa: Kappa) -> str:
    """Say how far the classes agree."""
    if kappa.count == 0:
        return "No marks name a class."
    same = f"The class is the same in {kappa.agreeing} of {kappa.count}"
    if math.isnan(kappa.value):
        return f"{same}; kappa is unknown, since there is only one class."
    low, high = kappa.range
    return (
        f"{same}; Cohen's kappa is {_two(kappa.value)} ({_two(low)} to {_two(high)}), where 1 is "
        "full agreement and 0 no better than chance."
    )


def _two(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f}".replace("-", "−")


def agreement_text(found: LimitsOfAgreement, unit: str) -> str:
    """Say a bias and its limits: ``+0.8 mm (0.1 to +1.5); 19 in 20 between −1.2 and +2.8 mm``."""
    if found.count == 0:
        return "unknown"
    if math.isnan(found.sd):
        return f"{signed(found.bias)} {unit} (one only, so its spread is unknown)"
    low, high = (signed(v) for v in found.bias_range)
    sure = f"95 % sure: {low} to {high}" if math.isfinite(found.bias_range[0]) else "one jar only"
    return (
        f"{signed(found.bias)} {unit} ({sure}); "
        f"19 in 20 between {signed(found.low)} and {signed(found.high)} {unit}"
    )


def class_text(comparison: Comparison) -> str:
    """Say whether the class changes, and how likely the photo holds the hand's class."""
    if comparison.hand_class is None:
        return "The marks name no class."
    if not comparison.class_changes:
        return f"Both say {comparison.photo_class}."
    held = f"{comparison.hand_class} {odds_in_words(comparison.photo_odds)}"
    return (
        f"The marks say {comparison.hand_class}, the photo {comparison.photo_class} "
        f"(the photo gives {held})."
    )


def outside_text(comparison: Comparison) -> str:
    """Name the marks outside the photo's interval; empty when there is none."""
    if not comparison.outside:
        return ""
    what = "top" if math.isfinite(comparison.photo_tops_mm[0]) else "share"
    return f"Outside the photo's interval: {what} of {', '.join(comparison.outside)}."


def title_text(comparison: Comparison) -> str:
    """Name the jar and the reader of a comparison."""
    words = (title(comparison.jar), comparison.called)
    jar = ", ".join(filter(None, words))
    return f"{jar}, read by {shown(comparison.reader)}" if comparison.reader else jar


def compared_text(compared: Compared) -> str:
    """Write the whole comparison as plain text for a terminal, slips and strays last."""
    blocks = [
        "Hand marks less photo, by height. Neither is the truth.",
        *(_comparison_lines(c) for c in compared.comparisons),
        *(_reader_lines(r) for r in compared.readers),
        _fill(kappa_text(compared.kappa)),
        "\n".join(_fill(words) for words in stray_sentences(compared)),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def stray_sentences(compared: Compared) -> list[str]:
    """Say what could not be compared, and what was not used."""
    said = [
        f"Not compared: jar {shown(jar)} on line {line}, since {why}."
        for line, jar, why in compared.unplaced
    ]
    if compared.unmarked:
        said.append(f"Read but not marked: {', '.join(map(shown, compared.unmarked))}.")
    if compared.ignored:
        said.append(f"Columns that were not used: {', '.join(compared.ignored)}.")
    return said


def _comparison_lines(c: Comparison) -> str:
    rows = (
        f"  {layer}  {_known(mm, 1, 'mm')}  {_known(points, 0, 'points')}".rstrip()
        for layer, mm, points in zip(LAYERS, c.diffs_mm, c.diffs_points, strict=True)
        if math.isfinite(mm) or math.isfinite(points)
    )
    words = [class_text(c), outside_text(c), FAR if c.is_far else ""]
    words += [slip.sentence for slip in c.slips]
    return "\n".join([title_text(c), *rows, *(_fill(w, indent=2) for w in words if w)])


def _known(value: float, decimals: int, unit: str) -> str:
    text = f"{signed(value, decimals)} {unit}" if math.isfinite(value) else ""
    return text.rjust(6 + len(unit))


def _reader_lines(result: ReaderResult) -> str:
    names = (*(f"top of {layer}" for layer in LAYERS), "all tops")
    lines = [f"Reader: {reader_name(result.reader)}, {len(result.comparisons)} row(s)"]
    pairs = zip(names, result.tops_mm, strict=True)
    lines += [_fill(f"{name}: {agreement_text(found, 'mm')}", indent=2) for name, found in pairs]
    if result.slips:
        lines.append(_fill(f"Left out as likely slips: {result.slips}.", indent=2))
    return "\n".join([*lines, _fill(kappa_text(result.kappa), indent=2)])


def _fill(words: str, *, indent: int = 0) -> str:
    return textwrap.fill(
        words,
        78,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2),
        break_long_words=False,
        break_on_hyphens=False,
    )


# --- CSV ----------------------------------------------------------------------------------------

_HEAD = (
    "jar",
    "reader",
    "line",
    *(f"{layer}_top_hand_mm" for layer in LAYERS),
    *(f"{layer}_top_photo_mm" for layer in LAYERS),
    *(f"{layer}_top_photo_sd_mm" for layer in LAYERS),
    *(f"{layer}_top_diff_mm" for layer in LAYERS),
    *(f"{layer}_hand_pct" for layer in LAYERS),
    *(f"{layer}_photo_pct" for layer in LAYERS),
    *(f"{layer}_diff_points" for layer in LAYERS),
    "class_hand",
    "class_photo",
    "class_changes",
    "photo_odds_of_class_hand",
    "outside",
    "slips",
    "slip_notes",
    "called",
)


def compared_csv(compared: Compared) -> str:
    """Write `compared.csv`, one row a jar and reader; unknown numbers are empty."""
    return table_csv(_HEAD, map(_csv_row, compared.comparisons))


def _csv_row(c: Comparison) -> list[str]:
    numbers = (
        *((v, 2) for v in (*c.hand_tops_mm, *c.photo_tops_mm, *c.photo_sds_mm, *c.diffs_mm)),
        *((v, 1) for v in (*c.hand_pcts, *c.photo_pcts, *c.diffs_points)),
    )
    changes = {None: "", True: "yes", False: "no"}[c.class_changes]
    return [
        safe_cell(c.jar),
        safe_cell(c.reader),
        str(c.line),
        *(number_cell(value, decimals) for value, decimals in numbers),
        str(c.hand_class or ""),
        str(c.photo_class),
        changes,
        odds_cell(c.photo_odds),
        ";".join(c.outside),
        ";".join(str(slip.name) for slip in c.slips),
        " ".join(slip.sentence for slip in c.slips),
        safe_cell(c.called),
    ]
