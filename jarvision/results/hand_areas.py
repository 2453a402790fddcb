"""Rows of `corrections.csv` that were drawn on a photo: the jar's outline, a part to be left out.

Their value is a row of numbers, x and y of one point after the other, in parts of the photo's width
and height as it stands upright [%]: five points of an outline, two opposite corners of a box. An
outline stands for the walls beside a strip; without one `jar.hand_outline` fits a view to it. A box
joins the labels of `wall.stuck_on`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from jarvision.core.errors import ValueRefusedError
from jarvision.jar.hand_outline import OUTLINE_SD_MM, DrawnOnPhoto, Points, is_box, is_outline
from jarvision.results.jar_folder import jar_key

_LARGEST_SD_MM = 10.0
_LONGEST_NAME = 300


class AreaKind(StrEnum):
    """What was drawn, as the column `what` has it."""

    OUTLINE = "outline"
    LEFT_OUT = "left out"


@dataclass(frozen=True, slots=True)
class HandArea:
    """What somebody drew on a photo: a row of the table.

    Attributes
    ----------
    jar, photo : str
        Names of the jar and of the photo; either may be empty where the other tells.
    what : AreaKind
    points_pct : tuple of points
        In parts of the photo's width and height [%].
    sd_mm : float
        How well an outline was drawn [mm].
    by, at, note : str
        Who drew it, when, and why; each may be empty.
    photo_sha256 : str
        Digest of the photo's contents, by which it is known again; may be empty.
    line : int
        Where it stands in the table.
    """

    jar: str
    photo: str
    what: AreaKind
    points_pct: Points
    sd_mm: float = OUTLINE_SD_MM
    by: str = ""
    at: str = ""
    note: str = ""
    photo_sha256: str = ""
    line: int = 0

    @property
    def called(self) -> str:
        """Say what it is, as the column `put_right` names it."""
        return "outline" if self.what is AreaKind.OUTLINE else "part left out"

    def cells(self) -> dict[str, str]:
        """Give it as cells of the table, by column."""
        value = " ".join(f"{number:.3f}" for point in self.points_pct for number in point)
        sd = f"{self.sd_mm:.2f}" if self.what is AreaKind.OUTLINE else ""
        texts = {"jar": self.jar, "photo": self.photo, "what": str(self.what), "value": value}
        notes = {"by": self.by, "at": self.at, "note": self.note}
        return texts | notes | {"sd": sd, "photo_sha256": self.photo_sha256}


def area_of(row: Mapping[str, str], what: AreaKind, line: int) -> HandArea:
    """Understand a row.

    Raises
    ------
    ValueRefusedError
        Its numbers are none, or no outline or box.
    """

    def text(column: str) -> str:
        return row.get(column, "")[:_LONGEST_NAME]

    try:
        numbers = [float(part) for part in row["value"].replace(",", ".").split()]
        sd = float(row.get("sd", "").replace(",", ".").removesuffix("mm") or OUTLINE_SD_MM)
    except ValueError:
        numbers, sd = [], OUTLINE_SD_MM
    points = tuple(zip(numbers[::2], numbers[1::2], strict=False)) if len(numbers) % 2 == 0 else ()
    notes = (text("by"), text("at"), text("note"), text("photo_sha256").casefold())
    return checked(HandArea(text("jar"), text("photo"), what, points, sd, *notes, line))


def checked(area: HandArea) -> HandArea:
    """Give an area back that can be.

    Raises
    ------
    ValueRefusedError
        It cannot.
    """
    is_right = is_outline if area.what is AreaKind.OUTLINE else is_box
    if not (is_right(area.points_pct) and 0.0 < area.sd_mm <= _LARGEST_SD_MM):
        msg = (
            "an outline needs ten numbers from 0 to 100: upper left, upper right, lower right and "
            "lower left end of the walls, then the floor at the front."
            if area.what is AreaKind.OUTLINE
            else "a part to be left out needs four numbers from 0 to 100: two opposite corners."
        )
        raise ValueRefusedError(msg)
    return area


def photo_of(area: HandArea, jars: Sequence[tuple[str, Mapping[str, str]]]) -> tuple[str, str]:
    """Find whose area it is: by the photo's contents where it tells them, else by names.

    Parameters
    ----------
    area : HandArea
    jars : sequence of (str, mapping of str to str)
        Each jar's name, and the digests of its photos by their names.

    Returns
    -------
    jar, digest : str
        Both empty where it fits none.
    """
    same = [one for one in jars if jar_key(one[0]) == jar_key(area.jar)]
    if area.photo_sha256:
        found = [one for one in same or jars if area.photo_sha256 in one[1].values()]
        found = found or [one for one in jars if area.photo_sha256 in one[1].values()]
        # a photo of several jars tells nothing of which of them is meant
        return (found[0][0], area.photo_sha256) if len(found) == 1 else ("", "")
    fitting = [(jar, digests[area.photo]) for jar, digests in same if area.photo in digests]
    return fitting[0] if len(fitting) == 1 else ("", "")


def drawn_of(areas: Iterable[HandArea]) -> DrawnOnPhoto:
    """Put together what was drawn on one photo; the last outline counts."""
    own = list(areas)
    outlines = [area for area in own if area.what is AreaKind.OUTLINE]
    boxes = tuple(area.points_pct for area in own if area.what is AreaKind.LEFT_OUT)
    if not outlines:
        return DrawnOnPhoto(left_out_pct=boxes)
    return DrawnOnPhoto(outlines[-1].points_pct, outlines[-1].sd_mm, boxes)


def is_same(one: HandArea, other: HandArea) -> bool:
    """Whether two areas are the same but for who drew them, and when."""
    return (one.what, one.photo_sha256) == (other.what, other.photo_sha256) and all(
        math.isclose(a, b, abs_tol=0.002)
        for p, q in zip(one.points_pct, other.points_pct, strict=True)
        for a, b in zip(p, q, strict=True)
    )
