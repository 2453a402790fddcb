"""Lines on the glass offered as hand marks: which is whose, when none is offered, the table."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from jarvision.compare.marks_table import MarkKind, parse_marks
from jarvision.wall.marks_on_glass import Drawn, PenMark
from jarvision.wall.suggest_marks import (
    NEAR_MM,
    READER,
    MarkedPhoto,
    Offer,
    TapeEdge,
    offer_json,
    offer_of,
    offered_marks,
    offers_csv,
)

TOPS = (20.0, 42.0, 54.0)
FLOOR, FLOOR_SD = 0.4, 0.3


def line(height_mm: float, *, arc: float = 5.0, sure: bool = True, red: float = 0.8) -> PenMark:
    """A line 12 mm long and 1 mm thick, so high above the inside floor."""
    z = height_mm + FLOOR
    return PenMark(
        photo="a.jpg",
        drawn=Drawn.PEN,
        z_mm=z,
        sd_mm=0.1,
        spread_mm=1.0 / math.sqrt(12),
        thick_mm=1.0,
        length_mm=12.0,
        tilt=0.0,
        arcs_mm=(arc, arc + 12.0),
        depth=(0.7, 0.8, red),
        is_coloured=False,
        ends_seen=2 if sure else 0,
        line_mm=tuple((arc + i, z - 0.5, z + 0.5) for i in range(12)),
    )


def tape(low_mm: float, high_mm: float) -> PenMark:
    plain = line((low_mm + high_mm) / 2)
    edges = tuple((a, low_mm + FLOOR, high_mm + FLOOR) for a, _, _ in plain.line_mm)
    thick = high_mm - low_mm
    return replace(plain, drawn=Drawn.TAPE, thick_mm=thick, line_mm=edges)


def photo(due: int, *marks: PenMark, strip: float = -6.0) -> MarkedPhoto:
    return MarkedPhoto(due, marks, FLOOR, FLOOR_SD, strip, (-4.0, 30.0))


def offer(*photos: MarkedPhoto, **options) -> Offer:
    return offered_marks("7", photos, TOPS, **options)


def test_three_lines_mark_three_layers():
    low, mid, high = line(20.7), line(41.2), line(55.1)
    made = offer(photo(1, low), photo(2, low, mid), photo(3, low, mid, high))
    assert made.tops_mm == pytest.approx((20.7, 41.2, 55.1))
    assert made.photos == (3, 2, 1)
    assert made.sentences == ()
    assert made.sentence().startswith("Lines on the glass mark sand 20.7")


def test_the_sd_holds_thickness_floor_and_reading():
    made = offer(photo(3, line(20.7), line(41.2), line(55.1)))
    # a uniform distribution over the line's 1 mm, the line's own sd and the floor's
    wanted = math.sqrt(1 / 12 + 0.1**2 + FLOOR_SD**2)
    assert made.sds_mm == pytest.approx((wanted,) * 3)


def test_more_photos_do_not_make_the_line_thinner():
    once = offer(photo(3, line(20.7), line(41.2), line(55.1)))
    often = offer(*(photo(d, *(line(20.7), line(41.2), line(55.1))[:d]) for d in (1, 2, 3)))
    assert once.sds_mm[0] - 0.02 < often.sds_mm[0] < once.sds_mm[0]


def test_scatter_between_photos_widens_the_sd():
    steady = offer(photo(1, line(20.0)), photo(2, line(20.0)), photo(3, line(20.0)))
    moved = offer(photo(1, line(19.6)), photo(2, line(20.4)), photo(3, line(20.0)))
    assert moved.sds_mm[0] > steady.sds_mm[0]


def test_lines_that_are_far_from_layers_are_left_out():
    tops = (20.0, 60.0, 90.0)
    made = offered_marks("7", [photo(3, line(20.5), line(20.0 + NEAR_MM + 5))], tops)
    assert made.photos == (1, 0, 0)
    assert "far from" in made.sentences[0]


def test_dark_lines_in_foam_and_foot_are_passed_over():
    made = offer(photo(3, line(1.0), line(20.5), line(63.0)), water_mm=70.0)
    assert made.photos == (1, 0, 0)
    assert made.sentences == ()


def test_a_line_between_two_layers_is_nobodys():
    made = offer(photo(3, line(48.5)))
    assert not made.any
    assert "not clear" in made.sentences[0]


def test_an_early_line_cannot_mark_a_later_layer():
    """The same line, but it was there when only sand and silt were down."""
    made = offer(photo(2, line(47.5)), photo(3, line(47.5)))
    assert made.tops_mm[1] == pytest.approx(47.5)


def test_two_lines_near_one_layer_are_nobodys():
    made = offered_marks("7", [photo(3, line(19.0), line(22.0))], (20.0, 60.0, 90.0))
    assert not made.any
    assert "not clear" in made.sentences[0]


def test_more_lines_than_layers_are_no_marks():
    made = offer(photo(1, line(15.0), line(25.0)), photo(3, line(15.0), line(25.0)))
    assert not made.any
    assert "1 of 3 layers" in made.sentences[0]


def test_a_line_that_is_gone_later_is_left_out():
    made = offer(photo(1, line(20.5)), photo(3, line(41.0)))
    assert made.photos[0] == 0
    assert any("not in a later one" in s for s in made.sentences)


def test_a_line_behind_the_strip_is_kept():
    later = replace(photo(3, strip=3.0), strip_arcs_mm=(3.0, 29.0))
    assert offer(photo(1, line(20.5), strip=-6.0), later).photos[0] == 1


def test_a_line_that_turned_away_is_kept():
    """The jar was turned: in the later photo the line's place is out of sight."""
    made = offer(photo(1, line(20.5)), photo(3, strip=40.0))
    assert made.tops_mm[0] == pytest.approx(20.5)


def test_a_line_elsewhere_round_the_jar_is_another():
    left, right = line(20.5, arc=-4.0), line(20.5, arc=16.0)
    made = offer(photo(2, left), photo(3, right))
    assert any("not in a later one" in s for s in made.sentences)
    turned = offer(photo(2, left), photo(3, right, strip=14.0))
    assert turned.photos[0] == 2


def test_another_ink_is_another_line():
    made = offer(photo(2, line(20.5)), photo(3, replace(line(20.5), depth=(0.1, 0.1, 0.9))))
    assert any("not in a later one" in s for s in made.sentences)


def test_a_band_that_may_be_soil_is_left_out():
    made = offer(photo(3, line(20.5, sure=False)))
    assert not made.any
    assert "band in the soil" in made.sentences[0]
    sure_once = offer(photo(2, line(20.5, sure=False)), photo(3, line(20.5)))
    assert sure_once.photos[0] == 2


def test_tape_needs_to_be_told_its_edge():
    made = offer(photo(3, tape(12.0, 20.6)))
    assert not made.any
    assert "--tape-edge" in made.sentences[0]
    upper = offer(photo(3, tape(12.0, 20.6)), tape_edge=TapeEdge.UPPER)
    assert upper.tops_mm[0] == pytest.approx(20.6)
    lower = offer(photo(3, tape(20.6, 29.0)), tape_edge=TapeEdge.LOWER)
    assert lower.tops_mm[0] == pytest.approx(20.6)
    assert lower.sds_mm[0] < 0.6


def test_without_a_scale_nothing_is_offered():
    made = offer(photo(3, line(20.5)), scaled=False)
    assert not made.any
    assert "scale" in made.sentences[0]


def test_nothing_on_the_glass():
    made = offer(photo(1), photo(3))
    assert not made.any
    assert made.sentences == ()
    assert made.sentence() == "No lines were found on the glass."


def test_the_table_is_read_as_marks():
    first = offer(photo(3, line(20.7), line(41.2), line(55.1)))
    second = replace(offer(photo(3, line(20.2))), jar="=2+3, bed\n1")
    text = offers_csv([first, Offer("9"), second])
    table = parse_marks(text)
    assert [m.jar for m in table.marks] == ["7", "'=2+3, bed 1"]
    assert {m.reader for m in table.marks} == {READER}
    assert table.marks[0].kind is MarkKind.TOP
    assert table.marks[0].tops_mm == pytest.approx((20.7, 41.2, 55.1))
    assert math.isnan(table.marks[1].tops_mm[2])
    assert not table.ignored  # the tool knows the columns of its own file


def test_an_offer_goes_through_json_and_back():
    made = offer(photo(3, line(20.75)))
    data = json.loads(json.dumps(offer_json(made), allow_nan=False))
    again = offer_of("7", data)
    assert again is not None
    assert again.tops_mm[0] == pytest.approx(20.75)
    assert math.isnan(again.tops_mm[2])
    assert again.photos == made.photos
    assert again.sentences == made.sentences


STRANGE = {"tops_mm": ["x"] * 3, "sds_mm": [1] * 3, "seen_in_photos": [1] * 3, "sentences": []}


@pytest.mark.parametrize("data", [None, [], "x", 3, {}, {"tops_mm": 1}, STRANGE])
def test_strange_json_is_no_offer(data):
    assert offer_of("7", data) is None
