"""What is said on the page of photos: which jar they show, when they were taken, or no jar."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePath
from typing import Any

from jarvision.core.errors import JarError, UsageError, ValueRefusedError
from jarvision.core.moments import now_text
from jarvision.core.series import PhotoFact, SaidOfPhoto, spoken_time
from jarvision.results.corrections_file import SeenJar, check_said
from jarvision.results.jar_folder import jar_key
from jarvision.results.record import JarRecord

_LONGEST_TEXT = 80


class StaleError(JarError):
    """Somebody else has put something of this jar right since."""

    name = "lines_changed"


def files_of(record: JarRecord, rows: Iterable[SaidOfPhoto]) -> list[dict[str, Any]]:
    """List the photos of a jar, and what was said of each."""
    rows = list(rows)
    taken = {photo.name: photo.elapsed_s for photo in record.photos}
    files = []
    for photo in record.digests:
        elapsed_s = taken.get(photo.name, math.nan)
        about = [row for row in rows if _is_about(row, photo.sha256, photo.name, record.jar)]
        files.append(
            {
                "photo": photo.name,
                "digest": photo.sha256,
                "jar": record.jar,
                "when": spoken_time(elapsed_s) if math.isfinite(elapsed_s) else "",
                "said": {str(row.what): _plain(row) for row in about},
            }
        )
    return files


def left_out_by(rows: Iterable[SaidOfPhoto]) -> list[dict[str, str]]:
    """List the photos of which somebody said that they show no jar."""
    return [
        {"photo": row.photo, "digest": row.photo_sha256, "jar": row.jar, **_plain(row)}
        for row in rows
        if row.what is PhotoFact.NO_JAR
    ]


def _plain(row: SaidOfPhoto) -> dict[str, str]:
    return {"value": row.value, "by": row.by, "at": row.at}


def _is_about(row: SaidOfPhoto, digest: str, name: str, jar: str) -> bool:
    """Tell whether a row is about a photo of a jar; a photo may show several jars."""
    if row.photo_sha256:
        is_photo = row.photo_sha256 == digest
    else:
        is_photo = PurePath(row.photo).name.casefold() == name.casefold()
    if not is_photo or row.what is PhotoFact.TAKEN:
        return is_photo
    meant = (row.jar, row.read, row.value if row.what is PhotoFact.JAR else "")
    named = {jar_key(text) for text in meant if text}
    return not named or jar_key(jar) in named


def is_emptied(jar: SeenJar, rows: Iterable[SaidOfPhoto]) -> bool:
    """Tell whether all photos of a jar were given to others or left out by hand."""
    away = [
        row
        for row in rows
        if row.what is PhotoFact.NO_JAR
        or (row.what is PhotoFact.JAR and jar_key(row.value) != jar_key(jar.jar))
    ]
    return bool(jar.photos) and all(
        any(_is_about(row, digest, name, jar.jar) for row in away) for name, digest, _ in jar.photos
    )


def set_aside(jar: SeenJar, stem: str, newest: str) -> list[SaidOfPhoto]:
    """Leave out a jar's photos whose names begin alike: one of them was taken again."""
    at = now_text()
    return [
        SaidOfPhoto(jar.jar, name, PhotoFact.NO_JAR, "", "", at, "taken again", "", digest)
        for name, digest, _ in jar.photos
        if PurePath(name).stem.startswith(stem) and name != newest
    ]


def said_by(
    given: Mapping[str, Any], rows: Iterable[SaidOfPhoto], jars: Sequence[SeenJar]
) -> tuple[list[SaidOfPhoto], SaidOfPhoto | None]:
    """Understand what a page says of a photo; nothing in it is trusted.

    Parameters
    ----------
    given : mapping
        ``photo``, ``digest``, ``jar``; ``what``; ``value``, null to take back what was said;
        ``was``, what the page knew; ``by``.
    rows : iterable of SaidOfPhoto
        What stands in the table.
    jars : sequence of SeenJar
        All jars.

    Returns
    -------
    old : list of SaidOfPhoto
        Rows that go.
    new : SaidOfPhoto or None
        The row that comes.

    Raises
    ------
    StaleError
        Somebody else has said something else since.
    ValueRefusedError, UsageError
        It cannot be, or there is no such photo.
    """
    photo, digest, jar, by = (
        str(given.get(key) or "")[:_LONGEST_TEXT] for key in ("photo", "digest", "jar", "by")
    )
    value = given.get("value")
    try:
        what = PhotoFact(str(given.get("what")))
    except ValueError:
        msg = "The page sent something that is not understood; load it again."
        raise ValueRefusedError(msg) from None
    old = [row for row in rows if row.what is what and _is_about(row, digest, photo, jar)]
    if given.get("was") != (old[-1].value if old else None):
        who = (old[-1].by if old else "") or "Somebody else"
        msg = f"{who} has just said something else of this photo; it is shown here now."
        raise StaleError(msg)
    if value is None:
        return old, None
    names = [n for seen in jars for n, sha, _ in seen.photos if sha == digest]
    if not names:
        msg = "This photo is not here any more; load the page again."
        raise UsageError(msg)
    value = " ".join(str(value).split())[:_LONGEST_TEXT]
    was = next((row.read for row in old if row.read), "")
    if what is PhotoFact.JAR:
        was = was or jar
        known = [seen.jar for seen in jars if jar_key(seen.jar) == jar_key(value)]
        value = known[0] if value and known else value
        if value and jar_key(value) == jar_key(was):
            return old, None
    new = SaidOfPhoto(jar, names[0], what, value, by, now_text(), "", was, digest)
    check_said(new)
    return old, new
