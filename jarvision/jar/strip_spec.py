"""The printed strip's measures: which tag belongs to which jar, and where it sits on the strip.

Strip coordinates are millimetres: x from the strip's left edge, z upward from its bottom edge.
The bottom edge is zero; the user lines it up with the jar's inside floor.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.errors import ValueRefusedError
from jarvision.core.packaged_files import data_file

USUAL_LENGTH_MM = 150.0  # of a strip, where the user does not say: a litre jar's layers and water


@dataclass(frozen=True, slots=True)
class StripSpec:
    """Measures of the printed strip, as they stand in ``data/strip.toml``.

    Attributes
    ----------
    tag_family : str
        Name of OpenCV's predefined dictionary.
    tag_size_mm : float
        Side of a tag's black square, outer edge to outer edge.
    tag_left_mm : float
        From the strip's left edge to the black square.
    first_centre_mm, centre_step_mm : float
        Height of the centre of tag 0, and from each tag to the next.
    tags_per_jar, last_jar : int
        Tag ids kept for each jar, and the highest jar number.
    width_mm : float
        Width of the strip.
    lengths_mm : tuple of float
        The lengths a strip is printed in.
    tick_mm, tick_5_mm, tick_10_mm : float
        Length of the ruler's ticks each 1, 5 and 10 mm, from the strip's right edge inward.
    check_line_mm : float
        Length of the line on the sheet that is held against a ruler.
    """

    tag_family: str
    tag_size_mm: float
    tag_left_mm: float
    first_centre_mm: float
    centre_step_mm: float
    tags_per_jar: int
    last_jar: int
    width_mm: float
    lengths_mm: tuple[float, ...]
    tick_mm: float
    tick_5_mm: float
    tick_10_mm: float
    check_line_mm: float

    @property
    def tag_count(self) -> int:
        """How many tag ids belong to jars; an id from here on is no strip's."""
        return self.tags_per_jar * self.last_jar

    def tag_id(self, jar: int, k: int) -> int:
        """Give the id of tag `k` (0 is the lowest) on the strip of a jar.

        Raises
        ------
        ValueRefusedError
            The jar's number or `k` is not on any strip.
        """
        if not 1 <= jar <= self.last_jar:
            msg = f"There is no strip for jar {jar}; number the jars from 1 to {self.last_jar}."
            raise ValueRefusedError(msg)
        if not 0 <= k < self.tags_per_jar:
            msg = (
                f"There is no tag {k} on a strip; its tags count from 0 to {self.tags_per_jar - 1}."
            )
            raise ValueRefusedError(msg)
        return self.tags_per_jar * (jar - 1) + k

    def jar_of_tag(self, tag_id: int) -> tuple[int, int]:
        """Tell which jar a tag belongs to, and which tag of its strip it is.

        Returns
        -------
        jar, k : int
            The jar's number from 1, and the tag's place on the strip from 0 at the bottom.

        Raises
        ------
        ValueRefusedError
            The tag is on no strip (`tag_id` negative, or not below `tag_count`).
        """
        if not 0 <= tag_id < self.tag_count:
            msg = f"Tag {tag_id} is not from one of our strips; use a strip printed by this tool."
            raise ValueRefusedError(msg)
        jar_index, k = divmod(int(tag_id), self.tags_per_jar)
        return jar_index + 1, k

    def tag_centre_mm(self, k: int) -> tuple[float, float]:
        """Give (x, z) of the centre of tag `k` [mm]."""
        half_mm = self.tag_size_mm / 2
        return self.tag_left_mm + half_mm, self.first_centre_mm + k * self.centre_step_mm

    def tag_corners_mm(self, k: int) -> Array:
        """Give the corners of tag `k`'s black square, in the order OpenCV's detector returns them.

        Returns
        -------
        (4, 2) array
            (x, z) [mm] of top-left, top-right, bottom-right, bottom-left of the upright tag.
        """
        x_mm, z_mm = self.tag_centre_mm(k)
        half_mm = self.tag_size_mm / 2
        signs = np.array([(-1.0, 1.0), (1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)])
        return np.array([x_mm, z_mm]) + half_mm * signs

    def tags_on(self, length_mm: float) -> int:
        """Count the tags on a strip of this length [mm], each with a margin of a tag's module."""
        top_mm = self.tag_size_mm / 2 + self.tag_left_mm
        room_mm = length_mm - self.first_centre_mm - top_mm
        return min(self.tags_per_jar, max(0, int(room_mm // self.centre_step_mm) + 1))


@cache
def strip_spec() -> StripSpec:
    """Read the strip's measures from the package's data; the same frozen object each time."""
    text = data_file("strip.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    tag, strip = data["tag"], data["strip"]
    return StripSpec(
        tag_family=tag["family"],
        tag_size_mm=tag["size_mm"],
        tag_left_mm=tag["left_mm"],
        first_centre_mm=tag["first_centre_mm"],
        centre_step_mm=tag["centre_step_mm"],
        tags_per_jar=tag["per_jar"],
        last_jar=strip["last_jar"],
        width_mm=strip["width_mm"],
        lengths_mm=tuple(strip["lengths_mm"]),
        **data["ruler"],
        **data["sheet"],
    )
