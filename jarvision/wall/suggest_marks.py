"""Lines on the glass of a jar offered as hand marks of its layers, with their uncertainty.

A line says neither which layer it marks nor who drew it. It is offered only where its height, its
order and the photos in which it is seen leave one layer for it; else a sentence says why not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations
from typing import TypeAlias

import numpy as np

from jarvision.core.tables import number_cell, safe_cell, table_csv
from jarvision.jar.unwrap import WallMap
from jarvision.jar.view_fit import Jar
from jarvision.wall.marks_on_glass import Drawn, PenMark
from jarvision.wall.measurement import LAYERS, UNKNOWN_THREE, Floor, Three
from jarvision.wall.outer_glass import arc_mm

READER = "lines in the photos"
"""How the table of marks calls who made them."""

NEAR_MM = 12.0
"""A line further from the top of a layer than this is not taken for its mark [mm]; ours."""
_CLEAR_MM = 6.0  # another way of taking the lines must be worse by so much; our own judgement
_FOOT_MM, _FOAM_MM = 2.0, 8.0
_SAME_MM = 0.8  # one line's heights in two photos differ by less
_SAME_ARC_MM = 4.0
_TAPE_SD_MM = 0.3  # how well people lay an edge of tape along a line; common practice, no source


class TapeEdge(StrEnum):
    """Which edge of a piece of tape marks the layer."""

    LOWER = "lower"
    UPPER = "upper"


@dataclass(frozen=True, slots=True)
class MarkedPhoto:
    """What was found on the glass in one photo of a jar.

    Attributes
    ----------
    due : int
        How many layers were down when it was taken, 1 to 3.
    marks : tuple of PenMark
    floor_mm, floor_sd_mm : float
        Inside floor above the strip's zero and one standard deviation [mm].
    strip_arc_mm : float
        Where the strip's left edge is, round the jar's outside from where it faces the camera
        [mm]; NaN without a strip.
    arcs_mm : tuple of float
        Between which places round the jar the glass is seen [mm].
    strip_arcs_mm : tuple of float
        What of it the strip hides [mm]; NaN without a strip.
    """

    due: int
    marks: tuple[PenMark, ...]
    floor_mm: float
    floor_sd_mm: float
    strip_arc_mm: float = math.nan
    arcs_mm: tuple[float, float] = (-math.inf, math.inf)
    strip_arcs_mm: tuple[float, float] = (math.nan, math.nan)


def marked_photo(
    due: int, marks: Sequence[PenMark], floor: Floor, *, jar: Jar, wall: WallMap
) -> MarkedPhoto:
    """Put together what is known of one photo.

    Parameters
    ----------
    due : int
        How many layers were down, 1 to 3.
    marks : sequence of PenMark
        As `jarvision.wall.marks_on_glass.pen_marks_on` found them.
    floor : Floor
    jar : Jar
    wall : WallMap
        The wall in which they were found, with or without them.
    """
    seen = arc_mm(jar.view, wall.azimuth)
    strip = np.array(jar.strip_azimuths)
    edges = arc_mm(jar.view, strip) if np.isfinite(strip).all() else np.array([math.nan])
    return MarkedPhoto(
        due,
        tuple(marks),
        floor.z_mm,
        floor.sd_mm,
        float(edges[0]),
        (float(seen[0]), float(seen[-1])),
        (float(edges[0]), float(edges[-1])),
    )


@dataclass(frozen=True, slots=True)
class Offer:
    """Hand marks of one jar, as far as its photos show them.

    Attributes
    ----------
    jar : str
    tops_mm, sds_mm : tuple of 3 floats
        Heights of the marks of sand, silt and clay above the inside floor, and one standard
        deviation [mm]; NaN where none is offered. The sd holds the floor's, the line's thickness,
        tilt and waves.
    photos : tuple of 3 ints
        In how many photos each is seen.
    sentences : tuple of str
        What was found and not offered, and why.
    """

    jar: str
    tops_mm: Three = UNKNOWN_THREE
    sds_mm: Three = UNKNOWN_THREE
    photos: tuple[int, int, int] = (0, 0, 0)
    sentences: tuple[str, ...] = ()

    @property
    def any(self) -> bool:
        """Whether there is a mark."""
        return any(math.isfinite(top) for top in self.tops_mm)

    def sentence(self) -> str:
        """Say in one sentence what is offered."""
        said = [
            f"{layer} {top:.1f} ± {max(sd, 0.1):.1f} mm"
            for layer, top, sd in zip(LAYERS, self.tops_mm, self.sds_mm, strict=True)
            if math.isfinite(top)
        ]
        if said:
            return f"Lines on the glass mark {', '.join(said)} above the inside floor."
        if self.sentences:
            return "Something is drawn on the glass, but no line could be taken for a mark."
        return "No lines were found on the glass."


@dataclass(frozen=True, slots=True)
class _GlassLine:
    """One line on the jar: height above the floor, its sd without the floor's, where it is seen."""

    height_mm: float
    sd_mm: float
    dues: tuple[int, ...]


def offered_marks(
    jar: str,
    photos: Sequence[MarkedPhoto],
    tops_mm: Three,
    *,
    water_mm: float = math.nan,
    scaled: bool = True,
    tape_edge: TapeEdge | None = None,
) -> Offer:
    """Match the lines on a jar's glass with its layers.

    Parameters
    ----------
    jar : str
        Its name.
    photos : sequence of MarkedPhoto
        Its photos in order of time.
    tops_mm : tuple of 3 floats
        Tops of sand, silt and clay above the inside floor as the photos show them [mm]. They only
        tell which line is whose: a line is never moved, but one further off than `NEAR_MM` is left
        out, so the offer cannot show larger slips.
    water_mm : float
        Water line above the inside floor [mm]; NaN where it is not known. Dark lines near it and
        above it are foam and the lid.
    scaled : bool
        Whether heights are millimetres; without a scale nothing is offered.
    tape_edge : TapeEdge, optional
        Which edge of tape is meant; without it tape is never offered.
    """
    highest = tops_mm[2] + NEAR_MM
    if math.isfinite(water_mm):
        highest = min(highest, water_mm - _FOAM_MM)
    photos = [_below(photo, highest) for photo in photos]
    lines, sentences = _lines_of(photos, tape_edge)
    if not scaled and (lines or sentences):
        msg = "Lines were found on the glass, but without a scale they have no millimetres."
        return Offer(jar, sentences=(msg,))
    usable = [line for line in lines if _is_near(line, tops_mm)]
    if len(usable) < len(lines):
        sentences.append(f"A line far from every layer's top was left out ({NEAR_MM:.0f} mm).")
    crowd = _crowded(usable, photos)
    if crowd:
        return Offer(jar, sentences=(*sentences, crowd))
    chosen, doubts = _chosen(usable, tops_mm)
    floor_sd = max((p.floor_sd_mm for p in photos), default=math.nan)
    values = [math.nan if c is None else c.height_mm for c in chosen]
    sds = [math.nan if c is None else math.hypot(c.sd_mm, floor_sd) for c in chosen]
    seen = [0 if c is None else len(c.dues) for c in chosen]
    return Offer(
        jar,
        (values[0], values[1], values[2]),
        (sds[0], sds[1], sds[2]),
        (seen[0], seen[1], seen[2]),
        tuple(dict.fromkeys([*sentences, *doubts])),
    )


def _below(photo: MarkedPhoto, highest_mm: float) -> MarkedPhoto:
    """Leave out what is in the foot of the jar or above the deposit."""
    low, high = photo.floor_mm + _FOOT_MM, photo.floor_mm + highest_mm
    kept = (m for m in photo.marks if _lowest(m) > low and m.z_mm < high)
    return replace(photo, marks=tuple(kept))


def _lowest(mark: PenMark) -> float:
    """Height above which a mark must begin to be none of the foot: of tape, its upper edge."""
    return mark.z_mm + mark.thick_mm / 2 * (1 if mark.drawn is Drawn.TAPE else -1)


def _is_near(line: _GlassLine, tops_mm: Three) -> bool:
    return any(abs(line.height_mm - top) <= NEAR_MM for top in tops_mm)


def _crowded(lines: Sequence[_GlassLine], photos: Sequence[MarkedPhoto]) -> str:
    """Say why nothing is offered where a photo has more lines than layers were down."""
    for photo in photos:
        count = sum(photo.due in line.dues for line in lines)
        if count > photo.due:
            return (
                f"The photo in which {photo.due} of 3 layers were down shows {count} lines, so "
                "they are not marks of the layers alone; write the marks down by hand."
            )
    return ""


# --- one line in several photos -------------------------------------------------------------------
def _lines_of(
    photos: Sequence[MarkedPhoto], tape_edge: TapeEdge | None
) -> tuple[list[_GlassLine], list[str]]:
    """Join what all photos show into lines, and say what is left out."""
    sentences = []
    groups: list[list[tuple[MarkedPhoto, PenMark]]] = []
    for photo in photos:
        for mark in photo.marks:
            if mark.drawn is Drawn.TAPE and tape_edge is None:
                sentences.append(
                    "Tape was found on the glass; which of its edges marks the layer cannot be "
                    "seen, so say --tape-edge upper or lower."
                )
                continue
            own = _edge_of(mark, tape_edge) if mark.drawn is Drawn.TAPE and tape_edge else mark
            group = next((g for g in groups if _is_same(g[-1], (photo, own))), None)
            if group is None:
                groups.append([(photo, own)])
            else:
                group.append((photo, own))
    lines = []
    for group in groups:
        if not any(mark.is_sure for _, mark in group):
            sentences.append(
                "A dark line runs across all of the glass that is seen, so it may be a band in the "
                "soil; it was left out."
            )
        elif _is_lost(group, photos):
            sentences.append(
                "A line is seen in one photo but not in a later one of the same glass; it was left "
                "out."
            )
        else:
            lines.append(_line(group))
    return sorted(lines, key=lambda line: line.height_mm), sentences


def _edge_of(tape: PenMark, edge: TapeEdge) -> PenMark:
    """Give one edge of tape as a line without thickness."""
    side = 1 if edge is TapeEdge.LOWER else 2
    heights = sorted(place[side] for place in tape.line_mm)
    middle = heights[len(heights) // 2]
    spread = math.hypot(_TAPE_SD_MM, tape.tilt * tape.length_mm / math.sqrt(12))
    return replace(tape, z_mm=middle, spread_mm=spread, thick_mm=0.0)


def _is_same(one: tuple[MarkedPhoto, PenMark], other: tuple[MarkedPhoto, PenMark]) -> bool:
    """Whether marks in two photos are one line: as high, in one place on the jar, of one ink."""
    (photo, mark), (later, again) = one, other
    if photo is later:
        return False
    apart = abs((mark.z_mm - photo.floor_mm) - (again.z_mm - later.floor_mm))
    if apart > max(_SAME_MM, 3 * math.hypot(mark.sd_mm, again.sd_mm)):
        return False
    hue = _likeness(mark.depth, again.depth)
    shift = later.strip_arc_mm - photo.strip_arc_mm
    if math.isnan(shift):
        return hue > 0.8
    left = max(mark.arcs_mm[0] + shift, again.arcs_mm[0])
    right = min(mark.arcs_mm[1] + shift, again.arcs_mm[1])
    return hue > 0.8 and right - left > -_SAME_ARC_MM


def _likeness(one: Three, other: Three) -> float:
    """Cosine between two depths of colour."""
    product = sum(a * b for a, b in zip(one, other, strict=True))
    return product / max(math.hypot(*one) * math.hypot(*other), 1e-9)


def _is_lost(group: Sequence[tuple[MarkedPhoto, PenMark]], photos: Sequence[MarkedPhoto]) -> bool:
    """Whether a line that is seen once is gone in a later photo that shows its place."""
    photo, mark = group[-1]
    if len(group) > 1:
        return False
    for later in photos[photos.index(photo) + 1 :]:
        shift = later.strip_arc_mm - photo.strip_arc_mm
        middle = (mark.arcs_mm[0] + mark.arcs_mm[1]) / 2 + (0.0 if math.isnan(shift) else shift)
        inside = later.arcs_mm[0] + 2.0 < middle < later.arcs_mm[1] - 2.0
        behind = later.strip_arcs_mm[0] - 2.0 < middle < later.strip_arcs_mm[1] + 2.0
        if inside and not behind:
            return True
    return False


def _line(group: Sequence[tuple[MarkedPhoto, PenMark]]) -> _GlassLine:
    """Join one line's heights in all photos; what its thickness leaves open does not shrink."""
    weights = [mark.sd_mm**-2 for _, mark in group]
    heights = [mark.z_mm - photo.floor_mm for photo, mark in group]
    total = sum(weights)
    mean = sum(w * h for w, h in zip(weights, heights, strict=True)) / total
    scatter = math.sqrt(
        sum(w * (h - mean) ** 2 for w, h in zip(weights, heights, strict=True)) / total
    )
    own = max(total**-0.5, scatter, 0.08)
    spread = max(mark.spread_mm for _, mark in group)
    return _GlassLine(mean, math.hypot(own, spread), tuple(photo.due for photo, _ in group))


# --- which line is whose --------------------------------------------------------------------------
_Hypothesis: TypeAlias = "tuple[_GlassLine | None, ...]"


def _chosen(lines: Sequence[_GlassLine], tops_mm: Three) -> tuple[_Hypothesis, list[str]]:
    """Give each layer its line where only one way of doing so is good, and say where not."""
    hypotheses = sorted(_hypotheses(lines, tops_mm), key=lambda hypothesis: hypothesis[0])
    if not hypotheses:
        return (None, None, None), []
    best_cost, best = hypotheses[0]
    rivals = [hypothesis for cost, hypothesis in hypotheses[1:] if cost - best_cost < _CLEAR_MM]
    chosen: list[_GlassLine | None] = []
    unclear = []
    for i, line in enumerate(best):
        is_clear = all(hypothesis[i] is line for hypothesis in rivals)
        chosen.append(line if is_clear else None)
        if not is_clear:
            unclear.append(LAYERS[i])
    return tuple(chosen), [_UNCLEAR.format(" or the ".join(unclear))] if unclear else []


_UNCLEAR = (
    "It is not clear which line marks the {}, or which layer a line marks; write such marks down "
    "by hand."
)


def _hypotheses(lines: Sequence[_GlassLine], tops_mm: Three) -> Iterator[tuple[float, _Hypothesis]]:
    """Give all ways in which most lines mark layers in their order: cost [mm] and line a layer."""
    most = min(len(lines), len(tops_mm))
    for count in range(most, 0, -1):
        found = False
        for layers in combinations(range(3), count):
            for taken in combinations(lines, count):
                pairs = list(zip(layers, taken, strict=True))
                if all(_may_mark(line, i, tops_mm) for i, line in pairs):
                    found = True
                    hypothesis: list[_GlassLine | None] = [None, None, None]
                    for i, line in pairs:
                        hypothesis[i] = line
                    cost = sum(abs(line.height_mm - tops_mm[i]) for i, line in pairs)
                    yield cost, tuple(hypothesis)
        if found:
            return


def _may_mark(line: _GlassLine, layer: int, tops_mm: Three) -> bool:
    """Whether a line is near a layer's top and was not there before that layer was down."""
    return abs(line.height_mm - tops_mm[layer]) <= NEAR_MM and min(line.dues) >= layer + 1


# --- the table of marks ---------------------------------------------------------------------------
def offers_csv(offers: Iterable[Offer]) -> str:
    """Write a table of marks as `marks_table` reads it, with the sds in columns of their own.

    The heading of the sds names no layer, since one that does must be a height or a thickness.
    """
    head = ["jar", "reader", "sand_mm", "silt_mm", "clay_mm"]
    head += ["first_sd_mm", "second_sd_mm", "third_sd_mm", "seen_in_photos"]
    body = [
        [
            safe_cell(offer.jar),
            READER,
            *(number_cell(v, 2) for v in (*offer.tops_mm, *offer.sds_mm)),
            " ".join(str(n) for n in offer.photos),
        ]
        for offer in offers
        if offer.any
    ]
    return table_csv(head, body)


def offer_json(offer: Offer) -> dict[str, object]:
    """Turn an offer into what JSON can hold; unknown numbers become null."""

    def plain(values: Three) -> list[float | None]:
        return [round(v, 3) if math.isfinite(v) else None for v in values]

    return {
        "tops_mm": plain(offer.tops_mm),
        "sds_mm": plain(offer.sds_mm),
        "seen_in_photos": list(offer.photos),
        "sentences": list(offer.sentences),
    }


def offer_of(jar: str, data: object) -> Offer | None:
    """Read an offer back from JSON; None where it is none."""
    try:
        tops, sds, seen, said = (
            list(data[k])  # type: ignore[index]
            for k in ("tops_mm", "sds_mm", "seen_in_photos", "sentences")
        )
        numbers = [math.nan if v is None else float(v) for v in (*tops, *sds)]
        low, mid, high, low_sd, mid_sd, high_sd = numbers
        first, second, third = (int(v) for v in seen)
    except (KeyError, TypeError, ValueError, OverflowError):
        return None
    sentences = tuple(map(str, said))
    return Offer(
        jar, (low, mid, high), (low_sd, mid_sd, high_sd), (first, second, third), sentences
    )
