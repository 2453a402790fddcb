"""What people said of photos, put into what is known of them before jars are made."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.files import shown
from jarvision.core.series import JarPhotos, PhotoFact, SaidOfPhoto, Sighting, spoken_time
from jarvision.results.corrections_file import no_photo_fits, taken_of
from jarvision.results.jar_folder import jar_key

_Said = dict[PhotoFact, SaidOfPhoto]


@dataclass(frozen=True, slots=True)
class Told:
    """The photos as people say that they are.

    Attributes
    ----------
    sightings : tuple of Sighting
        Those of which nobody said that they show no jar.
    said : mapping of str to mapping
        What was said of each, by its key.
    left_out : tuple of (str, str)
        Photos that show no jar: name and sentence.
    unfit : tuple of str
        A sentence on each row that fits no photo.
    """

    sightings: tuple[Sighting, ...]
    said: Mapping[str, _Said]
    left_out: tuple[tuple[str, str], ...] = ()
    unfit: tuple[str, ...] = ()


def told(sightings: Sequence[Sighting], rows: Iterable[SaidOfPhoto]) -> Told:
    """Find whose photo each row is, by its contents where the row tells them, else by its name.

    The last row of a photo counts.
    """
    said: dict[str, _Said] = {}
    unfit = []
    for row in rows:
        found = _places(row, sightings)
        for sighting in found:
            said.setdefault(sighting.key, {})[row.what] = row
        if not found:
            unfit.append(no_photo_fits(row))
    out = [s for s in sightings if PhotoFact.NO_JAR in said.get(s.key, {})]
    kept = tuple(_as_said(s, said.get(s.key, {})) for s in sightings if s not in out)
    left_out = tuple((shown(s.name), _left_out(said[s.key][PhotoFact.NO_JAR])) for s in out)
    return Told(kept, said, left_out, tuple(unfit))


def _left_out(row: SaidOfPhoto) -> str:
    by = f" by {shown(row.by)}" if row.by else ""
    why = shown(row.note) if row.note else "it shows no jar"
    return f"Left out by hand{by}: {why}."


def _places(row: SaidOfPhoto, sightings: Sequence[Sighting]) -> list[Sighting]:
    """Find the photo that a row is about; of a photo of several jars, the jar that it names."""
    digest = row.photo_sha256
    if digest:
        found = [s for s in sightings if s.digest.split("\0")[0] == digest]
    else:
        tail = "/" + row.photo.replace("\\", "/").strip("/").casefold()
        paths = [f"/{s.folder}/{s.name}".replace("\\", "/").casefold() for s in sightings]
        found = [s for s, path in zip(sightings, paths, strict=True) if path.endswith(tail)]
        if len({(s.folder, s.name) for s in found}) > 1:
            return []  # two photos of one name: nobody knows which is meant
    if row.what is PhotoFact.TAKEN or len({s.jar_number for s in found}) < 2:
        return found
    was = jar_key(row.read or row.jar)
    return [s for s in found if jar_key(str(s.jar_number)) == was]


def _as_said(sighting: Sighting, said: _Said) -> Sighting:
    if jar := said.get(PhotoFact.JAR):
        key = jar_key(jar.value)
        number = int(key) if key.isascii() and key.isdigit() and len(key) < 5 else None
        sighting = replace(sighting, jar_number=number, said_jar=jar.value.strip())
    if taken := said.get(PhotoFact.TAKEN):
        when = taken_of(taken.value)
        if isinstance(when, datetime):
            sighting = replace(sighting, taken_at=when, said_s=math.nan)
        else:
            sighting = replace(sighting, said_s=when)
    return sighting


def with_said(jar: JarPhotos, said: Mapping[str, _Said]) -> JarPhotos:
    """Add to a jar what was said of its photos, and a note on each."""
    own = [(t, row) for t in jar.timed for row in said.get(t.key, {}).values()]
    if not own:
        return jar
    notes = tuple(_note(t.name, row) for t, row in own)
    return replace(jar, said=tuple(row for _, row in own), doubts=(*jar.doubts, *notes))


def _note(name: str, row: SaidOfPhoto) -> Doubt:
    if row.what is PhotoFact.JAR:
        was = f", which was read as jar {shown(row.read)}" if row.read else ""
        return doubt(DoubtName.PUT_RIGHT, line=f"jar of {name}", how=was)
    when = taken_of(row.value)
    words = (
        f"{when:%Y-%m-%d %H:%M}"
        if isinstance(when, datetime)
        else f"{spoken_time(when)} after shaking"
    )
    return doubt(DoubtName.PUT_RIGHT, line=f"time of {name}", how=f": {words}")
