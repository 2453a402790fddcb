"""What a user says of a class's jars: a table `jars.csv`, and which photos belong to which jar.

Everything in it but the jar is optional. Matching is by names only and reads no file.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from fnmatch import translate
from pathlib import Path

from jarvision.core.files import shown
from jarvision.core.table_head import (
    KnownColumns,
    check_columns,
    first_line,
    jar_of,
    without_doubles,
)
from jarvision.core.tables import EXAMPLE_JAR, TableError, read_text, rows, table_csv
from jarvision.estimate.dried import HydrometerReading, Spoon, hydrometer_of
from jarvision.estimate.known import TALLEST_SOIL_MM, JarFacts, WaterState
from jarvision.estimate.priors import Detergent
from jarvision.estimate.topsoil import Origin
from jarvision.results import beds
from jarvision.results.jar_folder import jar_key
from jarvision.run import jars_cells as cells
from jarvision.run import measured_cells as measured

NAME = "jars.csv"
"""Where the table is looked for in a folder of photos."""

_MOST_NAMES = 20_000  # photos named in the whole table, ranges written out
_MOST_WILD = 2_000  # patterns with signs in the whole table: each is held against every photo
_EXAMPLE = "jar, name, bed, shaken_at, photos, water_temp_c, soil_mm"


@dataclass(frozen=True, slots=True)
class ManifestRow:
    """What is said of one jar.

    Attributes
    ----------
    jar : str
        Number on the strip, or a name of the user's.
    name, bed : str
        What to call it, and the bed it is from; empty when not given.
    shaken_at : datetime or None
        By the camera's clock.
    patterns : tuple of str
        Names, patterns or folders of its photos; see `match_photos`.
    water_temp_c, water_mm, soil_mm, soil_g, inside_diameter_mm, organic_matter_pct : float or None
        As in `jarvision.estimate.known.JarFacts`.
    sand_g, sediment_g, hydrometer_soil_g, hydrometer_blank : float or None
        As in `jarvision.estimate.known.JarFacts` and `jarvision.estimate.dried.Hydrometer`.
    hydrometer : tuple of HydrometerReading
        Empty when none was used.
    spoon : Spoon or None
    detergent : Detergent or None
    origin : Origin or None
    water_state : WaterState or None
    video_start_s, video_step_s : float or None
        Time since shaking at a video's first picture, and from one picture to the next [s].
    line : int
        Line of the file.
    of_bed : tuple of (str, str)
        Columns of the list of beds and what they hold, as it was typed.
    folder : str
        The folder whose list it stands in, and to whose photos alone it speaks; empty for all.
    """

    jar: str
    name: str = ""
    bed: str = ""
    shaken_at: datetime | None = None
    patterns: tuple[str, ...] = ()
    water_temp_c: float | None = None
    water_mm: float | None = None
    soil_mm: float | None = None
    soil_g: float | None = None
    inside_diameter_mm: float | None = None
    organic_matter_pct: float | None = None
    detergent: Detergent | None = None
    water_state: WaterState | None = None
    origin: Origin | None = None
    sand_g: float | None = None
    sediment_g: float | None = None
    hydrometer: tuple[HydrometerReading, ...] = ()
    hydrometer_soil_g: float | None = None
    hydrometer_blank: float | None = None
    spoon: Spoon | None = None
    video_start_s: float | None = None
    video_step_s: float | None = None
    line: int = 0
    of_bed: tuple[tuple[str, str], ...] = ()
    folder: str = ""

    def facts(self, base: JarFacts) -> JarFacts:
        """Put what is said of this jar over what is said of all."""
        own = {
            "temp_c": self.water_temp_c,
            "water_mm": self.water_mm,
            "soil_mm": self.soil_mm,
            "soil_g": self.soil_g,
            "inside_diameter_mm": self.inside_diameter_mm,
            "organic_matter_pct": self.organic_matter_pct,
            "detergent": self.detergent,
            "water_state": self.water_state,
            "origin": self.origin,
            "sand_g": self.sand_g,
            "sediment_g": self.sediment_g,
            "spoon": self.spoon,
            "hydrometer": hydrometer_of(
                self.hydrometer,
                self.hydrometer_soil_g,
                blank_g_l=self.hydrometer_blank,
                temp_c=self.water_temp_c or base.temp_c,
            ),
        }
        given = {key: value for key, value in own.items() if value is not None}
        return replace(base, **given)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Manifest:
    """The rows of the table, and the columns that were not understood."""

    rows: tuple[ManifestRow, ...] = ()
    ignored: tuple[str, ...] = ()

    def row_of(self, jar: str) -> ManifestRow | None:
        """Find a jar's row, compared as `jar_key` does; else None."""
        key = jar_key(jar)
        return next((row for row in self.rows if jar_key(row.jar) == key), None)

    def folder_of(self, photo: Path) -> str:
        """Tell in which folder the list lies that speaks of a photo: the nearest above it."""
        folders = {row.folder for row in self.rows if row.folder}
        return next((str(above) for above in photo.parents if str(above) in folders), "")

    def of_folder(self, folder: str) -> Manifest:
        """Give the list that lies in a folder, or the one that speaks to all."""
        return replace(self, rows=tuple(row for row in self.rows if row.folder == folder))


def read_manifests(paths: Sequence[Path]) -> Manifest:
    """Read the lists that lie in folders of photos and below them, each for its own folder.

    Raises
    ------
    TableError
        As in `read_manifest`.
    """
    lists = {found: read_manifest(found) for path in paths for found in _lists_below(path)}
    return Manifest(
        tuple(replace(row, folder=str(at.parent)) for at, one in lists.items() for row in one.rows),
        tuple(dict.fromkeys(column for one in lists.values() for column in one.ignored)),
    )


def _lists_below(folder: Path) -> list[Path]:
    """Find the lists in a folder, hidden folders left out; links are not followed."""
    found = []
    for at, below, files in os.walk(folder):
        below[:] = sorted(name for name in below if not name.startswith("."))
        found += [Path(at) / NAME] if NAME in files else []
    return found


def read_manifest(path: Path) -> Manifest:
    """Read the table.

    Raises
    ------
    TableError
        It cannot be opened or understood; the sentence names the line.
    """
    return parse_manifest(read_text(path, what="list of jars"), name=shown(path.name))


# --- the table ----------------------------------------------------------------------------------

_CALLED = {
    "jar": ("jar", "jarnumber", "jarno", "jarid", "strip"),
    "name": ("name", "jarname", "label", "student", "group"),
    "bed": ("bed", "bedname", "plot", "place"),
    "shaken_at": ("shakenat", "shaken", "start", "started", "startedat"),
    "patterns": (
        "photos",
        "photo",
        "photopatterns",
        "photopattern",
        "pattern",
        "patterns",
        "files",
    ),
    "water_temp_c": ("watertemp", "watertemperature", "temp", "temperature"),
    "water_mm": ("water", "waterheight", "waterline"),
    "soil_mm": ("soil", "soilheight", "drysoil"),
    "soil_g": ("soilg", "soilgrams", "soilmass", "soilmassg", "soilweight", "soilweightg"),
    "inside_diameter_mm": ("insidediameter", "diameter", "innerdiameter"),
    "organic_matter_pct": ("organicmatter", "organicmatterpct", "om", "ompct", "humus"),
    "detergent": ("detergent", "dispersant", "soap", "softener", "additive"),
    "origin": ("origin", "soilfrom", "from"),
    "sand_g": ("sandg", "drysandg", "sandgrams"),
    "sediment_g": ("sedimentg", "sandandsiltg", "decantedg"),
    "hydrometer": ("hydrometer", "hydrometerreadings"),
    "hydrometer_soil_g": ("hydrometersoilg", "hydrometersoil"),
    "hydrometer_blank": ("hydrometerblank", "blank"),
    "spoon": ("spoon", "syringe"),
    "water_state": ("waterstate", "clarity"),
    "video_start_s": ("videostart", "videostarts", "videofrom"),
    "video_step_s": ("videostep", "videoevery", "timelapse"),
}
_LENGTHS = ("mm", "cm", "in", "inch", "inches")
_COLUMNS = KnownColumns(
    _CALLED,
    units={
        "water_temp_c": ("c", "f", "degc", "degf", "celsius", "fahrenheit"),
        **dict.fromkeys(("water_mm", "soil_mm", "inside_diameter_mm"), _LENGTHS),
    },
    bare=r"[-+0-9.,/\s½¼¾]+",
)


def parse_manifest(text: str, *, name: str = NAME) -> Manifest:
    """Read a table whose first line names the columns, separated by commas, semicolons or tabs.

    Parameters
    ----------
    text : str
        The file's text.
    name : str
        How the file is called in messages.

    Raises
    ------
    TableError
        It has no column for the jar, a jar stands twice, or a cell cannot be understood.
    """
    lines = rows(text, name=name)
    at, head = first_line(lines, name=name, example=_EXAMPLE)
    columns = [_COLUMNS.of(cell) for cell in head]
    of_bed = [
        ("", "") if key else beds.COLUMNS.of(cell)
        for cell, (key, _) in zip(head, columns, strict=True)
    ]
    for keys in (columns, [("jar", ""), *of_bed]):
        check_columns([key for key, _ in keys], f"Line {at} of {name}", example=_EXAMPLE)
    ignored = [
        shown(cell)
        for cell, (key, _), (other, _) in zip(head, columns, of_bed, strict=True)
        if cell and not (key or other)
    ]
    found = (
        _row(_COLUMNS.cells(columns, row), beds.COLUMNS.cells(of_bed, row), line, name)
        for line, row in lines
    )
    found = (row for row in found if jar_key(row.jar) != EXAMPLE_JAR)
    single = without_doubles(found, lambda row: jar_key(row.jar), name)
    return Manifest(tuple(_not_too_many(single, name)), tuple(ignored))


def _not_too_many(found: Iterable[ManifestRow], name: str) -> Iterator[ManifestRow]:
    named = wild = 0
    for row in found:
        named += len(row.patterns)
        wild += sum(bool(_SIGNS.search(pattern)) for pattern in row.patterns)
        if named > _MOST_NAMES or wild > _MOST_WILD:
            msg = f"{name} names more photos than a class has; put each jar's into its own folder."
            raise TableError(msg)
        yield row


_SIGNS = re.compile(r"[*?]")


# --- one row ------------------------------------------------------------------------------------


def _row(row: Mapping[str, str], of_bed: Mapping[str, str], line: int, name: str) -> ManifestRow:
    """Understand the cells of a row."""
    where = f"Line {line} of {name}"
    cells.refuse_long(row, where)
    jar = jar_of(row, where)

    om = {"om": row["organic_matter_pct"]} if row.get("organic_matter_pct") else {}
    typed = {column: text for column, text in {**of_bed, **om}.items() if text}
    beds.note_of({"jar": jar, **typed}, where, line)  # what cannot be understood is said here

    def grams(column: str, name: str) -> float | None:
        return cells.number(row.get(column, ""), f"{where}, {name}", cells.HEAVIEST_G)

    return ManifestRow(
        jar=jar[: cells.LONGEST_NAME],
        name=row.get("name", "")[: cells.LONGEST_NAME],
        bed=row.get("bed", "")[: cells.LONGEST_NAME],
        shaken_at=cells.moment(row.get("shaken_at", ""), where),
        patterns=cells.patterns(row.get("patterns", ""), where),
        water_temp_c=cells.temperature(row.get("water_temp_c", ""), where),
        water_mm=cells.height(row.get("water_mm", ""), f"{where}, water"),
        soil_mm=cells.height(row.get("soil_mm", ""), f"{where}, soil", most_mm=TALLEST_SOIL_MM),
        soil_g=grams("soil_g", "soil in grams"),
        inside_diameter_mm=cells.height(row.get("inside_diameter_mm", ""), f"{where}, diameter"),
        organic_matter_pct=cells.number(
            row.get("organic_matter_pct", ""), f"{where}, organic matter", 100, least=0.0
        ),
        detergent=measured.detergent(row.get("detergent", ""), where),
        origin=measured.origin(row.get("origin", ""), where),
        sand_g=grams("sand_g", "dried sand"),
        sediment_g=grams("sediment_g", "dried sediment"),
        hydrometer=measured.hydrometer_readings(row.get("hydrometer", ""), where),
        hydrometer_soil_g=grams("hydrometer_soil_g", "the hydrometer's soil"),
        hydrometer_blank=cells.number(
            row.get("hydrometer_blank", ""), f"{where}, the hydrometer's blank", 60, least=-5.0
        ),
        spoon=measured.spoon(row.get("spoon", ""), where),
        water_state=cells.state(row.get("water_state", ""), where),
        video_start_s=cells.duration(row.get("video_start_s", ""), f"{where}, video start"),
        video_step_s=cells.duration(
            row.get("video_step_s", ""), f"{where}, video step", least=0.001
        ),
        line=line,
        of_bed=tuple(typed.items()),
    )


def beds_csv(rows_by_jar: Mapping[str, ManifestRow]) -> str:
    """Write what the lists say of the jars' beds as a list of beds; empty where it is nothing."""
    of_bed = {jar: dict(row.of_bed) for jar, row in rows_by_jar.items() if row.of_bed}
    columns = ("depth", "dug", "area", "om", "notes")
    body = [[jar, *(typed.get(column, "") for column in columns)] for jar, typed in of_bed.items()]
    return table_csv(["jar", *columns], body) if body else ""


# --- matching -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Matched:
    """Which photos the table gives to which jar.

    Attributes
    ----------
    row_by_photo : mapping from str to ManifestRow
    unclear : tuple of (str, str)
        Photos that fit two jars equally well, each with one sentence.
    unused : tuple of (int, str)
        Patterns that fit no photo: line of the file, and the pattern.
    """

    row_by_photo: Mapping[str, ManifestRow]
    unclear: tuple[tuple[str, str], ...] = ()
    unused: tuple[tuple[int, str], ...] = ()


@dataclass(slots=True)
class _Index:
    """Patterns by their text, or by what stands before their first sign; lives in one call."""

    plain: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    wild: dict[str, list[tuple[int, int, re.Pattern[str]]]] = field(default_factory=dict)
    lengths: set[int] = field(default_factory=set)

    def fits(self, text: str) -> Iterator[tuple[int, int, bool]]:
        """Yield row, pattern, and whether it is the very name, for all that fit a text."""
        yield from ((row, i, True) for row, i in self.plain.get(text, ()))
        for length in self.lengths:
            for row, i, expression in self.wild.get(text[:length], ()):
                if expression.fullmatch(text):
                    yield row, i, False


def match_photos(manifest: Manifest, photos: Iterable[str]) -> Matched:
    """Find the jar of each photo by the patterns of the table.

    Parameters
    ----------
    manifest : Manifest
    photos : iterable of str
        Paths below the folder of photos, with ``/`` between folders.

    Returns
    -------
    Matched
        Capitals do not count. ``*`` stands for anything and ``?`` for one character. A pattern is
        held against the photo's path, its name with and without the ending, and the folders above
        it, so that ``group 3`` names a folder; the very name goes before a pattern with signs.
        Photos that fit nothing are in neither list: their strips or folders place them.
    """
    index = _indexed(manifest)
    used: set[tuple[int, int]] = set()
    by_photo, unclear = {}, []
    for photo in photos:
        found = [fit for text in _texts(photo) for fit in index.fits(text)]
        used.update((row, i) for row, i, _ in found)
        exact = {row for row, _, is_exact in found if is_exact}
        fitting = sorted(exact or {row for row, _, _ in found})
        if len(fitting) == 1:
            by_photo[photo] = manifest.rows[fitting[0]]
        elif fitting:
            unclear.append((photo, _unclear([manifest.rows[i] for i in fitting])))
    unused = (
        (row.line, pattern)
        for r, row in enumerate(manifest.rows)
        for i, pattern in enumerate(row.patterns)
        if (r, i) not in used
    )
    return Matched(by_photo, tuple(unclear), tuple(unused))


def _indexed(manifest: Manifest) -> _Index:
    index = _Index()
    for r, row in enumerate(manifest.rows):
        for i, pattern in enumerate(row.patterns):
            text = pattern.casefold().replace("\\", "/").strip("/")
            start = _SIGNS.split(text, maxsplit=1)[0]
            if start == text:
                index.plain.setdefault(text, []).append((r, i))
            else:
                expression = re.compile(translate(text.replace("[", "[[]")))
                index.wild.setdefault(start, []).append((r, i, expression))
                index.lengths.add(len(start))
    return index


def _texts(photo: str) -> set[str]:
    """Collect what a pattern may name: path, name, name without ending, and folders above."""
    path = photo.casefold().replace("\\", "/").strip("/")
    *folders, name = path.split("/")
    stem = name.rpartition(".")[0] or name
    above = {"/".join(folders[: i + 1]) for i in range(len(folders))}
    return {path, path.rpartition(".")[0] or path, name, stem, *folders, *above}


def _unclear(fitting: Sequence[ManifestRow]) -> str:
    first, second, *_ = fitting
    return (
        f"It fits both jar {shown(first.jar)} on line {first.line} and jar {shown(second.jar)} on "
        f"line {second.line}; make their patterns differ."
    )
