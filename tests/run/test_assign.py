"""Photos into jars and into time: names, clocks and the moment of shaking."""

from __future__ import annotations

import math
import pickle
from datetime import datetime, timedelta, timezone
from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import MixedJarsError, TimesError
from jarvision.core.series import JarPhotos, Reading, Sighting, TimeSource, spoken_time
from jarvision.run import assign
from jarvision.run.file_names import name_parts, same_time

SHAKEN = datetime(2026, 5, 4, 10, 8, 4)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


def seen(
    path: str,
    after: timedelta | None = None,
    *,
    number: int | None = None,
    digest: str = "",
    start: datetime = SHAKEN,
) -> Sighting:
    """Make a sighting; `after` is what the camera's clock says since shaking."""
    taken_at = None if after is None else start + after
    place = PurePosixPath(path)
    return Sighting(path, place.name, str(place.parent), number, taken_at, digest)


def group(sightings, **how) -> list[JarPhotos]:
    return assign.group(sightings, **how).jars


def only(jars: list[JarPhotos]) -> JarPhotos:
    assert len(jars) == 1, [jar.jar for jar in jars]
    return jars[0]


def chosen_names(jar: JarPhotos) -> dict[str, str]:
    return {str(reading): photo.name for reading, photo in jar.chosen.items()}


def doubt_names(jar: JarPhotos) -> list[DoubtName]:
    return [doubt.name for doubt in jar.doubts]


THREE = [
    seen("d/IMG_1.jpg", MINUTE, number=7),
    seen("d/IMG_2.jpg", 2.08 * HOUR, number=7),
    seen("d/IMG_3.jpg", 50.7 * HOUR, number=7),
]


# --- words ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "elapsed_s", "rest"),
    [
        ("jar-08-1min.jpg", 60, "jar-08"),
        ("bed north 48h.jpeg", 172800, "bed north"),
        ("bed north (48h).HEIC", 172800, "bed north"),
        ("48 hours bed north.png", 172800, "bed north"),
        ("Jar_3_2hr.webp", 7200, "Jar_3"),
        ("Jar 3 2 hours.tif", 7200, "Jar 3"),
        ("x 120min.jpg", 7200, "x"),
        ("x 60s.jpg", 60, "x"),
        ("x-1m.jpg", 60, "x"),
        ("x 2d.jpg", 172800, "x"),
        ("x 2 days.jpg", 172800, "x"),
        ("x 6h.jpg", 21600, "x"),
        ("x 24H.JPG", 86400, "x"),
        ("x 0.5h.jpg", 1800, "x"),
        ("x 1,5h.jpg", 5400, "x"),
        ("x 1h30.jpg", 5400, "x"),
        ("x 1h 30min.jpg", 5400, "x"),
        ("x 1min30s.jpg", 90, "x"),
        ("x one minute.jpg", 60, "x"),
        ("x two days after.jpg", 172800, "x"),
        ("x 48h (2 days).jpg", 172800, "x"),
        ("x after 48h.jpg", 172800, "x"),
        ("x 48h - Copy.jpg", 172800, "x"),
        ("x 48h (1).jpg", 172800, "x"),
        ("1min.jpg", 60, ""),
        ("20260504_2h.jpg", 7200, ""),
        ("2026-05-04 bed 1min.jpg", 60, "bed"),
        ("20260504-120min.jpg", 7200, ""),
        ("bed 1m deep 48h.jpg", 172800, "bed 1m deep"),
        ("IMG_1234 48h.heic", 172800, "IMG_1234"),
        ("jar.1min.jpg", 60, "jar"),
        ("北の畑 48h.jpg", 172800, "北の畑"),
    ],
)
def test_time_words_are_read_and_removed(name: str, elapsed_s: float, rest: str) -> None:
    parts = name_parts(name)
    assert parts.elapsed_s == elapsed_s
    assert parts.rest == rest


@pytest.mark.parametrize(
    "name",
    [
        "IMG_1234.jpg",
        "20260504.jpg",
        "20260504_101500.jpg",
        "2026-05-04 10h15m30s.jpg",
        "2026-05-04 10.15.30.jpg",
        "PXL_20260504_101500123.jpg",
        "jar-12.jpg",
        "plot 2 s.jpg",
        "plot 2 d.jpg",
        "item1m.jpg",
        "1m23.jpg",
        "1mint.jpg",
        "12monkeys.jpg",
        "a1h.jpg",
        "é1h.jpg",
        "1hé.jpg",
        "0min.jpg",
        "9999 days.jpg",
        "48h or 2h.jpg",
        "",
        ".jpg",
    ],
)
def test_other_words_are_no_times(name: str) -> None:
    assert math.isnan(name_parts(name).elapsed_s)


@given(st.text(max_size=40))
def test_any_name_can_be_taken_apart(name: str) -> None:
    parts = name_parts(name)
    assert math.isnan(parts.elapsed_s) or 0 < parts.elapsed_s <= 366 * 86400
    assert "\0" not in parts.rest or "\0" in name


# --- jars -------------------------------------------------------------------------------------


def test_a_strip_in_several_folders_is_one_jar_where_its_times_are() -> None:
    """Photos kept by day, by reading, or by the phone that took them."""
    two = [seen("a/x.jpg", MINUTE, number=7), seen("b/y.jpg", 48 * HOUR, number=7)]
    three = [*THREE[:2], seen("later/IMG_3.jpg", 50.7 * HOUR, number=7)]
    words = [seen(f"{word}/7 {word}.jpg", number=7) for word in ("1min", "2h", "48h")]
    after_a_week = [*THREE, seen("e/IMG_9.jpg", 8 * 24 * HOUR, number=7)]
    retake = [*THREE, seen("e/7 3h.jpg", 2.9 * HOUR, number=7)]
    for photos in (two, three, words, after_a_week, retake):
        found = assign.group(photos)
        jar = only(found.jars)
        assert (jar.jar, jar.number) == ("7", 7)
        assert len(jar.timed) == len(photos)
        [note] = found.notes
        assert note.startswith("Jar 7 was photographed in several folders at times that fit one")


CLASS_A = [seen(f"class A/IMG_{n}.jpg", t, number=2) for n, t in enumerate((MINUTE, 2 * HOUR))]


@pytest.mark.parametrize(
    "other",
    [
        [seen("class B/IMG_1.jpg", 30 * 24 * HOUR, number=2)],
        [seen(f"class B/IMG_{n}.jpg", 30 * 24 * HOUR + n * 2 * HOUR, number=2) for n in (0, 1)],
        [seen(f"class B/IMG_{n}.jpg", 2 * HOUR + n * 2 * HOUR, number=2) for n in (0, 1)],
        [seen("class B/jar 1min.jpg", 2 * HOUR, number=2)],
        [seen("class B/jar 1min.jpg", number=2)],
        [seen("class B/jar.jpg", number=2)],
        [seen(f"class B/IMG_{n}.jpg", n * 2 * HOUR + 6 * MINUTE, number=2) for n in (0, 1)],
    ],
    ids=["later", "later too", "after it", "by its word", "no clock", "nothing known", "beside"],
)
def test_two_classes_that_use_one_strip_are_kept_apart_and_asked_about(other) -> None:
    found = assign.group([*CLASS_A, *other])
    assert [(jar.jar, jar.number, len(jar.timed)) for jar in found.jars] == [
        ("2 (class A)", 2, 2),
        ("2 (class B)", 2, len(other)),
    ]
    [note] = found.notes
    assert "read as several, such as 2 (class A) and 2 (class B). If it is one jar, put" in note


def test_a_strip_used_again_in_one_folder_is_another_jar() -> None:
    again = [
        seen(f"d/IMG_1{n}.jpg", 30 * 24 * HOUR + t, number=7)
        for n, t in enumerate((MINUTE, 2 * HOUR, 48 * HOUR))
    ]
    found = assign.group([*THREE, *again])
    # SHAKEN and 30 days after it, by the calendar
    assert [(jar.jar, len(jar.timed)) for jar in found.jars] == [
        ("7 (2026-05-04)", 3),
        ("7 (2026-06-03)", 3),
    ]
    assert all(set(jar.chosen) == set(Reading) for jar in found.jars)
    assert "days too far apart" in found.notes[0]


def test_a_jar_that_is_watched_for_weeks_stays_one() -> None:
    late = [seen(f"d/IMG_1{n}.jpg", n * 24 * HOUR, number=7) for n in (8, 16, 18, 30)]
    assert len(only(group([*THREE, *late])).timed) == 7
    assert assign.group([*THREE, *late]).notes == ()


def test_photos_without_strip_go_by_their_name_within_a_folder() -> None:
    photos = [
        seen("d/jar-08-1min.jpg"),
        seen("d/Jar 8 2h.jpg"),
        seen("d/jar-08-48h.jpg"),
        seen("d/jar-09-48h.jpg"),
        seen("e/jar-08-48h.jpg"),
    ]
    jars = group(photos)
    assert [(jar.jar, len(jar.timed)) for jar in jars] == [
        ("jar-08 (d)", 3),
        ("jar-08 (e)", 1),
        ("jar-09", 1),
    ]
    assert set(jars[0].chosen) == set(Reading)
    assert all(jar.number is None for jar in jars)


def test_camera_names_leave_the_naming_to_the_folder() -> None:
    photos = [seen(f"bed north/IMG_000{n}.jpg", n * HOUR) for n in (1, 2, 3)]
    photos.append(seen("bed north/IMG_E0004 48h.jpg"))
    photos.append(seen("bed north/20260504_101500.jpg"))
    photos.append(seen("bed north/3F2504E0-4F89-11D3-9A0C-0305E82C3301.jpg"))
    assert only(group(photos)).jar == "bed north"


def test_dated_camera_names_leave_the_naming_to_the_folder_too() -> None:
    photos = [seen("bed/IMG_20260504_101500.jpg"), seen("bed/IMG_20260504_121500.jpg")]
    assert only(group(photos)).jar == "bed"


def test_a_number_with_a_time_word_names_a_jar_when_it_comes_again() -> None:
    photos = [seen("d/7 1min.jpg"), seen("d/7 48h.jpg"), seen("d/8 1min.jpg")]
    assert [(jar.jar, len(jar.timed)) for jar in group(photos)] == [("7", 2), ("d", 1)]


def test_a_photo_without_readable_strip_joins_its_namesakes() -> None:
    photos = [
        seen("d/bed 1min.jpg", number=4),
        seen("d/bed 2h.jpg", number=4),
        seen("d/bed 48h.jpg"),
        seen("e/bed 48h.jpg"),
    ]
    assert [(jar.jar, len(jar.timed)) for jar in group(photos)] == [("4", 3), ("bed", 1)]


def test_time_words_alone_join_within_a_folder_of_one_strip() -> None:
    photos = [seen("bed/1min.jpg", number=4), seen("bed/2h.jpg"), seen("bed/48h.jpg", number=4)]
    assert only(group(photos)).jar == "4"


def test_namesakes_of_two_strips_join_neither() -> None:
    photos = [seen("d/1min.jpg", number=4), seen("d/2h.jpg", number=5), seen("d/48h.jpg")]
    assert [jar.jar for jar in group(photos)] == ["4", "5", "d"]


def test_a_camera_name_does_not_join_a_strip() -> None:
    photos = [seen("d/20260504_101500.jpg", number=4), seen("d/20260504_121500.jpg")]
    assert [jar.jar for jar in group(photos)] == ["4", "d"]


def test_no_two_jars_share_a_name() -> None:
    photos = [
        seen("p/set/jar 1min.jpg"),
        seen("q/set/JAR 1min.jpg"),
        seen("d/7 1min.jpg"),
        seen("d/7 2h.jpg"),
        seen("d/IMG_1.jpg", number=7),
    ]
    names = [jar.jar for jar in group(photos)]
    assert names == ["7", "7 (d)", "jar (p set)", "JAR (q set)"]


def test_a_name_is_made_safe_to_print() -> None:
    jar = only(group([seen("d/bed\n\x1b[31m\u202enorth 48h.jpg")]))
    assert jar.jar == "bed \ufffd[31mnorth"


def test_as_one_takes_everything_for_one_jar() -> None:
    photos = [seen("a/x.jpg", MINUTE, number=7), seen("b/IMG_2.jpg", 48 * HOUR)]
    assert only(group(photos, as_one=True)).jar == "7"
    assert only(group([seen("a/bed 1min.jpg"), seen("a/IMG 2h.jpg")], as_one=True)).jar == "a"
    assert only(group([seen("a/bed 1min.jpg"), seen("b/bed 2h.jpg")], as_one=True)).jar == "bed"
    assert group([], as_one=True) == []


def test_as_one_refuses_two_strips() -> None:
    with pytest.raises(MixedJarsError, match="strips 7 and 12; give each jar's own photos"):
        group([seen("a.jpg", number=12), seen("b.jpg", number=7)], as_one=True)


def test_the_same_picture_twice_is_used_once() -> None:
    photos = [
        seen("d/IMG_1.jpg", number=3, digest="aa"),
        seen("d/bed 48h.jpg", number=3, digest="aa"),
        seen("d/IMG_9.jpg", number=3, digest="bb"),
    ]
    jar = only(group(photos))
    assert [photo.name for photo in jar.timed] == ["bed 48h.jpg", "IMG_9.jpg"]
    assert jar.duplicates == (("d/IMG_1.jpg", "d/bed 48h.jpg"),)
    doubles = [doubt for doubt in jar.doubts if doubt.name is DoubtName.SAME_PHOTO_TWICE]
    assert [doubt.sentence for doubt in doubles] == [
        "IMG_1.jpg is the same picture as bed 48h.jpg; it was used once."
    ]


def test_one_picture_under_two_times_has_no_time() -> None:
    photos = [seen("d/bed 1min.jpg", digest="aa"), seen("d/bed 48h.jpg", digest="aa")]
    jar = only(group(photos))
    assert math.isnan(jar.timed[0].elapsed_s)
    assert set(doubt_names(jar)) == {DoubtName.SAME_PHOTO_TWICE, DoubtName.TIME_UNKNOWN}


# --- times: one source ------------------------------------------------------------------------


def test_gaps_between_clocks_give_the_three_readings() -> None:
    jar = only(group(THREE))
    assert chosen_names(jar) == {"1min": "IMG_1.jpg", "2h": "IMG_2.jpg", "48h": "IMG_3.jpg"}
    assert [photo.elapsed_s for photo in jar.timed] == pytest.approx([60, 7488, 182520])
    assert {photo.source for photo in jar.timed} == {TimeSource.CLOCK}
    assert jar.doubts == ()
    assert jar.confirming == ()


def test_gaps_are_not_fooled_by_a_photo_between() -> None:
    between = seen("d/IMG_25.jpg", 24 * HOUR, number=7)
    jar = only(group([*THREE, between]))
    assert chosen_names(jar) == {"1min": "IMG_1.jpg", "2h": "IMG_2.jpg", "48h": "IMG_3.jpg"}
    assert [photo.name for photo in jar.confirming] == ["IMG_25.jpg"]


def test_two_photos_two_hours_apart_are_the_first_two() -> None:
    jar = only(group(THREE[:2]))
    assert chosen_names(jar) == {"1min": "IMG_1.jpg", "2h": "IMG_2.jpg"}


def test_two_photos_two_days_apart_leave_the_first_open() -> None:
    """It may be of 1 minute or of 2 hours: 46 and 48 hours cannot be told apart."""
    jar = only(group([THREE[0], THREE[2]]))
    assert chosen_names(jar) == {"48h": "IMG_3.jpg"}
    assert math.isnan(jar.timed[-1].elapsed_s)
    assert doubt_names(jar) == [DoubtName.TIME_UNKNOWN]
    assert "IMG_1.jpg" in jar.doubts[0].sentence


def test_a_photo_before_shaking_leaves_the_first_minute_open() -> None:
    jar = only(group([seen("d/IMG_0.jpg", -10 * MINUTE, number=7), *THREE]))
    assert chosen_names(jar) == {"2h": "IMG_2.jpg", "48h": "IMG_3.jpg"}


def test_a_burst_is_no_reading_but_its_last_photo_is_the_last() -> None:
    photos = [seen(f"d/IMG_{n}.jpg", timedelta(seconds=5 * n), number=7) for n in (1, 2, 3)]
    jar = only(group(photos))
    assert chosen_names(jar) == {"48h": "IMG_3.jpg"}
    assert jar.chosen[Reading.TWO_DAYS].source is TimeSource.ORDER
    assert jar.doubts[0].sentence.startswith(
        "The time since shaking is not known for IMG_1.jpg, IMG_2.jpg and IMG_3.jpg;"
    )


def test_retakes_confirm() -> None:
    retake = seen("d/IMG_2b.jpg", 2.1 * HOUR, number=7)
    jar = only(group([*THREE, retake]))
    assert [photo.name for photo in jar.confirming] == ["IMG_2b.jpg"]


def test_a_single_photo_of_unknown_time_is_the_last() -> None:
    jar = only(group([seen("d/bed.jpg")]))
    assert chosen_names(jar) == {"48h": "bed.jpg"}
    assert doubt_names(jar) == [DoubtName.TIME_UNKNOWN]
    assert jar.timed[0].source is TimeSource.ORDER
    assert math.isnan(jar.timed[0].elapsed_s)


def test_a_single_photo_of_known_time_is_what_it_says() -> None:
    assert chosen_names(only(group([seen("d/bed 2h.jpg")]))) == {"2h": "bed 2h.jpg"}


def test_names_alone_are_enough() -> None:
    jar = only(group([seen(f"d/bed {word}.jpg") for word in ("1min", "6h", "24h", "48h", "25min")]))
    assert chosen_names(jar) == {"1min": "bed 1min.jpg", "2h": "bed 6h.jpg", "48h": "bed 48h.jpg"}
    assert {photo.source for photo in jar.timed} == {TimeSource.NAME}
    assert [photo.name for photo in jar.confirming] == ["bed 25min.jpg", "bed 24h.jpg"]
    assert [doubt.sentence for doubt in jar.doubts] == [
        "bed 6h.jpg was taken 6 hours after shaking, not near 2 hours; "
        "the layer it shows is not quite the one it stands for."
    ]


def test_shaken_at_times_every_clock() -> None:
    photos = [seen("d/IMG_1.jpg", 40 * MINUTE), seen("d/IMG_2.jpg", 5 * 24 * HOUR)]
    jar = only(group(photos, shaken_at=SHAKEN))
    assert [photo.elapsed_s for photo in jar.timed] == [2400, 432000]
    assert {photo.source for photo in jar.timed} == {TimeSource.SHAKEN_AT}
    assert doubt_names(jar) == [DoubtName.TIME_OFF, DoubtName.TIME_OFF]


def test_a_photo_before_the_given_shaking_has_no_time() -> None:
    jar = only(group([seen("d/bed.jpg", -HOUR)], shaken_at=SHAKEN))
    assert math.isnan(jar.timed[0].elapsed_s)


def test_utc_offsets_count_when_every_clock_has_one() -> None:
    east, west = timezone(2 * HOUR), timezone(-5 * HOUR)
    first = Sighting("a", "IMG_1.jpg", "d", 1, SHAKEN.replace(tzinfo=east) + MINUTE)
    second = Sighting("b", "IMG_2.jpg", "d", 1, SHAKEN.replace(tzinfo=west) - 5 * HOUR)
    jar = only(group([first, second], shaken_at=SHAKEN.replace(tzinfo=east)))
    assert [photo.elapsed_s for photo in jar.timed] == [60, 7200]
    jar = only(group([first, second], shaken_at=SHAKEN))  # wall clock
    assert [photo.name for photo in jar.timed if photo.elapsed_s == 60] == ["IMG_1.jpg"]


# --- times: sources that agree or not -----------------------------------------------------------


def test_the_clock_refines_a_word_that_it_agrees_with() -> None:
    photos = [seen("d/bed 1min.jpg", MINUTE), seen("d/bed 48h.jpg", 50.5 * HOUR)]
    jar = only(group(photos))
    assert [photo.elapsed_s for photo in jar.timed] == pytest.approx([60, 181800])
    assert jar.doubts == ()


def test_one_word_times_the_photos_beside_it() -> None:
    photos = [seen("d/bed 1min.jpg", MINUTE, number=2), seen("d/IMG_2.jpg", 90 * MINUTE, number=2)]
    jar = only(group(photos))
    assert chosen_names(jar) == {"1min": "bed 1min.jpg", "2h": "IMG_2.jpg"}


def test_a_rough_word_does_not_time_an_early_photo() -> None:
    """48 hours may have been 46 or 50: that says nothing about the first minutes."""
    photos = [seen("d/IMG_1.jpg", MINUTE, number=2), seen("d/bed 48h.jpg", 47.9 * HOUR, number=2)]
    jar = only(group(photos))
    assert chosen_names(jar) == {"48h": "bed 48h.jpg"}
    assert doubt_names(jar) == [DoubtName.TIME_UNKNOWN]


def test_an_untimed_photo_before_a_timed_one_is_not_the_last() -> None:
    photos = [seen("d/IMG_1.jpg", MINUTE, number=2), seen("d/bed 2h.jpg", 2.05 * HOUR, number=2)]
    jar = only(group(photos))
    assert chosen_names(jar) == {"2h": "bed 2h.jpg"}


def test_swapped_names_are_found_by_the_clock() -> None:
    photos = [
        seen("d/bed 48h.jpg", MINUTE),
        seen("d/bed 2h.jpg", 2 * HOUR),
        seen("d/bed 1min.jpg", 48 * HOUR),
    ]
    jar = only(group(photos))
    assert chosen_names(jar) == {"1min": "bed 48h.jpg", "2h": "bed 2h.jpg", "48h": "bed 1min.jpg"}
    assert doubt_names(jar) == [DoubtName.TIMES_DISAGREE] * 2
    assert all("camera's clock was used" in doubt.sentence for doubt in jar.doubts)


def test_a_reading_taken_late_under_its_nominal_name_is_found_by_the_clock() -> None:
    photos = [
        seen("d/bed 1min.jpg", MINUTE),
        seen("d/bed 2h.jpg", 6 * HOUR),
        seen("d/bed 48h.jpg", 48 * HOUR),
    ]
    jar = only(group(photos))
    assert jar.chosen[Reading.TWO_HOURS].elapsed_s == 6 * 3600
    assert doubt_names(jar) == [DoubtName.TIMES_DISAGREE, DoubtName.TIME_OFF]


def test_copies_stamped_together_go_by_their_names() -> None:
    photos = [
        seen(f"d/bed {word}.jpg", timedelta(seconds=50 * n))
        for n, word in enumerate(("48h", "2h", "1min"))
    ]
    jar = only(group(photos))
    assert jar.problem is None
    assert set(jar.chosen) == set(Reading)
    assert doubt_names(jar) == [DoubtName.TIMES_DISAGREE] * 3
    assert all("the file name was used" in doubt.sentence for doubt in jar.doubts)


@pytest.mark.parametrize("wrong", [-1000 * 24 * HOUR, 1000 * 24 * HOUR])
def test_a_camera_with_a_wrong_date_goes_by_its_name(wrong: timedelta) -> None:
    photos = [
        seen("d/bed 1min.jpg", MINUTE),
        seen("d/bed 2h.jpg", 2 * HOUR),
        seen("d/bed 48h.jpg", wrong),
    ]
    jar = only(group(photos))
    assert set(jar.chosen) == set(Reading)
    assert doubt_names(jar) == [DoubtName.TIMES_DISAGREE]
    assert jar.chosen[Reading.TWO_DAYS].source is TimeSource.NAME


def test_a_moment_typed_wrongly_is_outvoted() -> None:
    photos = [
        seen("d/bed 1min.jpg", MINUTE),
        seen("d/bed 2h.jpg", 2 * HOUR),
        seen("d/bed 48h.jpg", 48 * HOUR),
    ]
    jar = only(group(photos, shaken_at=SHAKEN - 24 * HOUR))
    assert chosen_names(jar) == {"1min": "bed 1min.jpg", "2h": "bed 2h.jpg", "48h": "bed 48h.jpg"}
    assert DoubtName.TIMES_DISAGREE in doubt_names(jar)


def test_a_moment_typed_to_the_minute_is_no_disagreement() -> None:
    typed = SHAKEN.replace(second=0)
    late = SHAKEN.replace(second=55)
    photos = [seen("d/bed 1min.jpg", MINUTE, start=late), seen("d/bed 2h.jpg", 2 * HOUR)]
    assert only(group(photos, shaken_at=typed)).doubts == ()


def test_a_lone_name_outweighs_a_lone_clock() -> None:
    jar = only(group([seen("d/bed 2h.jpg", 30 * HOUR)], shaken_at=SHAKEN))
    assert chosen_names(jar) == {"2h": "bed 2h.jpg"}
    assert doubt_names(jar) == [DoubtName.TIMES_DISAGREE]


def test_names_and_clocks_in_opposite_order_are_refused() -> None:
    photos = [seen("d/bed 1min.jpg", 48 * HOUR), seen("d/bed 48h.jpg", MINUTE)]
    jar = only(group([*photos, seen("d/other 48h.jpg")])[:1])
    assert isinstance(jar.problem, TimesError)
    assert str(jar.problem) == (
        "Jar bed: by their names bed 1min.jpg and bed 48h.jpg come in one order and by the "
        "camera's clock in the other; correct the names."
    )
    assert jar.chosen == {}
    assert len(jar.timed) == 2


# --- helpers ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("elapsed_s", "words"),
    [
        (1, "1 second"),
        (50, "50 seconds"),
        (60, "60 seconds"),
        (150, "2.5 minutes"),
        (1500, "25 minutes"),
        (7200, "2 hours"),
        (86400, "24 hours"),
        (86400 * 30, "30 days"),
    ],
)
def test_times_in_words(elapsed_s: float, words: str) -> None:
    assert spoken_time(elapsed_s) == words


def test_same_time_is_a_factor_or_half_a_minute() -> None:
    assert same_time(60, 90)
    assert same_time(20, 50)
    assert same_time(7200, 10800)
    assert not same_time(7200, 10801)
    assert not same_time(-100, 100)
    assert not same_time(math.nan, 60)


def test_a_result_crosses_to_another_process() -> None:
    jars = group(THREE)
    assert pickle.loads(pickle.dumps(jars)) == jars


# --- properties ---------------------------------------------------------------------------------

STEMS = st.sampled_from(["bed", "Bed", "IMG_1", "IMG_2", "jar-07", "7", ""])
WORDS = st.sampled_from(["", " 1min", " 2h", " 48h", " 6h", " 3 days"])
SIGHTINGS = st.builds(
    lambda folder, stem, word, number, minutes, digest: Sighting(
        f"{folder}/{stem}{word}.jpg",
        f"{stem}{word}.jpg",
        folder,
        number,
        None if minutes is None else SHAKEN + minutes * MINUTE,
        digest,
    ),
    st.sampled_from(["d", "e", "x/d"]),
    STEMS,
    WORDS,
    st.sampled_from([None, None, 7, 8]),
    st.none() | st.integers(-100_000, 100_000) | st.sampled_from([1, 120, 2880]),
    st.sampled_from(["", "", "", "aa", "bb"]),
)
MANY = st.lists(SIGHTINGS, max_size=9, unique_by=lambda sighting: sighting.key)
MOMENTS = st.none() | st.just(SHAKEN)


@given(MANY, MOMENTS, st.randoms(use_true_random=False))
def test_the_order_of_the_photos_does_not_matter(photos, shaken_at, random) -> None:
    shuffled = list(photos)
    random.shuffle(shuffled)
    # repr, since NaN is not equal to itself
    assert repr(group(shuffled, shaken_at=shaken_at)) == repr(group(photos, shaken_at=shaken_at))


@given(MANY, MOMENTS)
def test_every_photo_is_placed_once_or_reported(photos, shaken_at) -> None:
    jars = group(photos, shaken_at=shaken_at)
    placed = [photo.key for jar in jars for photo in jar.timed]
    left_out = [key for jar in jars for key, _ in jar.duplicates]
    assert sorted(placed + left_out) == sorted(photo.key for photo in photos)
    assert len({jar.jar.casefold() for jar in jars}) == len(jars)


@pytest.mark.slow
@given(MANY, MOMENTS)
def test_choices_are_sound(photos, shaken_at) -> None:
    for jar in group(photos, shaken_at=shaken_at):
        standing = list(jar.chosen.values())
        assert len({photo.key for photo in standing}) == len(standing)
        assert bool(jar.chosen) or jar.problem or len(jar.confirming) + len(jar.timed) > 0
        known = [
            photo.elapsed_s
            for reading in Reading
            if (photo := jar.chosen.get(reading)) and not math.isnan(photo.elapsed_s)
        ]
        assert known == sorted(known)
        for photo in jar.timed:
            is_unknown = photo.source in {TimeSource.UNKNOWN, TimeSource.ORDER}
            assert math.isnan(photo.elapsed_s) == is_unknown
            assert math.isnan(photo.elapsed_s) or photo.elapsed_s > 0


@given(
    st.integers(30, 90), st.integers(85, 170), st.integers(33 * 60, 70 * 60), st.integers(-500, 500)
)
def test_any_ordinary_set_is_recognised_by_its_clock(first_s, second_min, third_min, days) -> None:
    """Readings within the usual tolerance, whatever day the camera believes it is."""
    start = SHAKEN + timedelta(days=days)
    photos = [
        seen("d/IMG_1.jpg", timedelta(seconds=first_s), number=1, start=start),
        seen("d/IMG_2.jpg", second_min * MINUTE, number=1, start=start),
        seen("d/IMG_3.jpg", third_min * MINUTE, number=1, start=start),
    ]
    jar = only(group(photos))
    assert chosen_names(jar) == {"1min": "IMG_1.jpg", "2h": "IMG_2.jpg", "48h": "IMG_3.jpg"}
    for photo, true_s in zip(jar.timed, [first_s, second_min * 60, third_min * 60], strict=True):
        assert abs(photo.elapsed_s - true_s) <= 30
