"""A jar's JSON comes back as it was written; whatever else a file holds is one sentence."""

import copy
import json
import math
import os

import numpy as np
import pytest
from report_samples import jar_dict, unread_dict, weight_dict, write_jar
from scenes import SAMPLES

from jarvision.core.errors import UsageError
from jarvision.estimate.texture import TextureClass
from jarvision.results.codec import JarFileError
from jarvision.results.jar_folder import (
    LARGEST_BYTES,
    find_jar,
    jar_key,
    read_jar_file,
    read_jar_folder,
)
from jarvision.run.engine import read_photos
from jarvision.run.settings import Settings


def read(folder, data, **options):
    return read_jar_file(write_jar(folder, data, **options))


def refused(folder, raw, name="jar-5.json"):
    """The sentence with which a file is refused: one, short, without a traceback's words."""
    path = folder / name
    path.write_bytes(raw if isinstance(raw, bytes) else raw.encode())
    with pytest.raises(JarFileError) as caught:
        read_jar_file(path)
    said = str(caught.value)
    assert said.endswith(".")
    assert "\n" not in said
    assert name in said
    return said


# -------------------------------------------------------------------------------- what is right


def test_everything_comes_back(tmp_path):
    data = jar_dict(doubts=[{"name": "dim", "sentence": "Dark."}], by_weight=weight_dict())
    jar = read(tmp_path, data)
    assert jar.jar == "5"
    assert jar.stem == "5"
    assert jar.scaled
    assert [t.value for t in jar.tops] == [20, 40, 50]
    assert [t.sd for t in jar.tops] == [0.5] * 3
    assert jar.water_line_mm == 110
    assert [p.elapsed_s for p in jar.photos] == [60, 7300, 172_900]
    assert [str(p.reading) for p in jar.photos] == ["1min", "2h", "48h"]
    assert jar.photos[2].overlay == "overlay-5-48h.jpg"
    assert [(t.layer, t.top_mm.value) for t in jar.photos[1].tops] == [("sand", 20), ("silt", 40)]
    assert jar.doubts[0].sentence == "Dark."
    assert jar.by_height.texture.likeliest is TextureClass.LOAM
    assert jar.by_height.texture.odds == pytest.approx(0.9)
    assert jar.by_height.draws_pct.shape == (400, 3)
    assert jar.by_weight.shares.ranges_pct[0] == (43, 57)
    assert jar.by_weight.curve.time_s[0] == pytest.approx(10)
    assert jar.best is jar.by_weight.shares


def test_doubts_of_the_two_ways_stay_apart(tmp_path):
    doubt = {"name": "water_state_unknown", "sentence": "Mostly assumption."}
    data = jar_dict(by_weight=weight_dict(doubts=[doubt]), not_weighed="")
    jar = read(tmp_path, data)
    assert jar.doubts == ()
    assert jar.by_weight.doubts[0].sentence == "Mostly assumption."
    none = read(tmp_path, jar_dict(by_weight=None, not_weighed="No strip."))
    assert none.by_weight is None
    assert none.not_weighed == "No strip."
    assert none.best is none.by_height


def test_without_written_ranges_the_draws_give_them(tmp_path):
    jar = read(tmp_path, jar_dict(sd=2))
    low, high = jar.by_height.ranges_pct[0]
    # 5 and 95 % points of a normal spread: 1.645 sd (any table of the normal distribution); the sum
    # to 100 narrows sand's share of 40 from 2 to about 1.5 points.
    assert (high - low) / 2 == pytest.approx(1.645 * jar.by_height.pcts[0].sd, rel=0.15)


def test_draws_cannot_be_changed(tmp_path):
    with pytest.raises(ValueError, match="read-only"):
        read(tmp_path, jar_dict()).by_height.draws_pct[0, 0] = 1


def test_what_the_user_calls_a_jar_comes_back(tmp_path):
    jar = read(tmp_path, jar_dict(name='<b>"Anna"', bed="north\nbed"))
    assert (jar.name, jar.bed) == ('<b>"Anna"', "north\nbed")
    older = read(tmp_path, unread_dict())  # written before there were names
    assert (older.name, older.bed) == ("", "")


def test_unread_jar(tmp_path):
    jar = read(tmp_path, unread_dict())
    assert jar.by_height is None
    assert jar.best is None
    assert jar.unread.sentence == "No top of a deposit was found."
    assert jar.left_out == (("IMG_1.HEIC", "This photo is too soft."),)


def test_unknown_numbers_are_nan_and_never_0(tmp_path):
    data = jar_dict(water_line=None)
    data["photos"][0]["elapsed_s"] = None
    data["tops"]["sand"]["sd"] = None
    jar = read(tmp_path, data)
    assert math.isnan(jar.water_line_mm)
    assert math.isnan(jar.photos[0].elapsed_s)
    assert math.isnan(jar.tops[0].sd)


def test_fields_of_a_later_program_are_passed_over(tmp_path):
    data = jar_dict(something_new={"a": [1]})
    data["photos"][0]["lens"] = "wide"
    assert read(tmp_path, data).jar == "5"


def test_utf8_mark_of_an_editor_does_no_harm(tmp_path):
    path = tmp_path / "jar-5.json"
    path.write_text(json.dumps(jar_dict()), encoding="utf-8-sig")
    assert read_jar_file(path).jar == "5"


@pytest.mark.photo
def test_what_the_reader_writes_is_what_is_read(tmp_path):
    """The sample jar, read from its photos and back from its file: the numbers are the same."""
    paths = [SAMPLES / f"jar-02-{when}.jpg" for when in ("1min", "2h", "48h")]
    done = read_photos(paths, Settings(), out=tmp_path)
    result = done.outcomes[0].reading
    [jar] = read_jar_folder(tmp_path).jars
    assert jar.jar == result.jar
    assert [t.value for t in jar.tops] == pytest.approx([t.value for t in result.tops], abs=1e-3)
    wanted = result.texture.class_odds
    assert jar.by_height.texture.class_odds == pytest.approx(wanted, abs=1e-3)
    assert np.abs(jar.by_height.draws_pct.mean(0) - result.composition.draws.mean(0)).max() < 0.5
    assert [d.sentence for d in jar.doubts] == [d.sentence for d in result.doubts]
    weighed = done.outcomes[0].weighed
    assert jar.by_weight.shares.pcts[2].value == pytest.approx(weighed.clay_pct.value, abs=1e-2)
    assert jar.by_weight.shares.ranges_pct[2] == pytest.approx(
        (weighed.clay_pct.lo, weighed.clay_pct.hi), abs=1e-2
    )
    assert jar.by_weight.why == weighed.why
    assert jar.by_weight.curve.mid_mm == pytest.approx(weighed.curve.mid_mm, abs=1e-2)
    assert all((tmp_path / photo.overlay).is_file() for photo in jar.photos)


# -------------------------------------------------------------------------------- what is wrong


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"{",
        b"null",
        b"[]",
        b'"jarvision jar"',
        b"\xff\xfe\x00\x01",
        b"[" * 100_000,
        b'{"a":' * 50_000,
        b'{"format": "jarvision jar", "version": 1, "jar": NaN}',
        b'{"format": "jarvision jar", "version": 1, "jar": ' + b"9" * 10_000 + b"}",
    ],
    ids=range(10),
)
def test_damaged_files(tmp_path, raw):
    refused(tmp_path, raw)


def test_half_written_file(tmp_path):
    whole = json.dumps(jar_dict())
    for part in range(0, len(whole), 997):
        refused(tmp_path, whole[:part])


def test_foreign_and_newer_files(tmp_path):
    assert "not a jar's result" in refused(tmp_path, '{"format": "other", "version": 1}')
    newer = jar_dict(version=3)
    assert "update jarvision" in refused(tmp_path, json.dumps(newer))


def test_a_file_that_is_too_large(tmp_path):
    assert "larger" in refused(tmp_path, b" " * (LARGEST_BYTES + 1))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("by_height", "sand_pct", "value"), 140),
        (("by_height", "sand_pct", "value"), 10),  # 10 + 40 + 20 is not 100
        (("by_height", "sand_pct", "sd"), -1),
        (("by_height", "class_odds"), {"loam": 0.4}),
        (("by_height", "class_odds"), {"mud": 1}),
        (("by_height", "class_odds"), {"loam": 2}),
        (("by_height", "draws_pct"), []),
        (("by_height", "draws_pct"), [[40, 40]]),
        (("by_height", "draws_pct"), [[40, 40, 40]]),
        (("by_height", "draws_pct"), [[40, 40, "20"]]),
        (("by_height", "draws_pct"), [[140, -40, 0]]),
        (("by_height",), None),
        (("tops", "clay", "value"), None),
        (("tops", "clay", "value"), 1e300),
        (("jar",), 5),
        (("name",), ["Anna"]),
        (("bed",), 3),
        (("doubts",), {"name": "x"}),
        (("doubts",), [3]),
        (("photos", 0, "boundaries", 0, "layer"), "gravel"),
        (("photos", 0, "elapsed_s"), True),
        (("by_weight", "curve", "time_s"), [0, 1]),
        (("by_weight", "curve", "mid_mm"), [1, 2]),
    ],
)
def test_wrong_values(tmp_path, path, value):
    data = jar_dict(by_weight=weight_dict())
    at(data, path[:-1])[path[-1]] = value
    assert "damaged" in refused(tmp_path, json.dumps(data))


def at(data, path):
    for key in path:
        data = data[key]
    return data


def places(data, path=()):
    """Every place in a JSON value, long lists by their first item only."""
    yield path
    items = data.items() if isinstance(data, dict) else enumerate(data[:1])
    for key, value in items if isinstance(data, (dict, list)) else ():
        if isinstance(value, (dict, list)):
            yield from places(value, (*path, key))
        else:
            yield (*path, key)


WRONG = (None, -1, 1e308, 10**400, "x", "\u202e<b>", [], {}, True, [[]], [{}], 0.5)


def test_no_value_anywhere_leads_to_a_traceback(tmp_path):
    """Every place of the file is replaced by every kind of wrong value: read or refused."""
    whole = jar_dict(by_weight=weight_dict(), doubts=[{"name": "dim", "sentence": "Dark."}])
    whole["by_height"]["draws_pct"] = whole["by_height"]["draws_pct"][:3]
    whole["by_weight"]["draws_pct"] = whole["by_weight"]["draws_pct"][:3]
    path, tried = tmp_path / "jar-5.json", 0
    for place in places(whole):
        for value in WRONG if place else ():
            data = copy.deepcopy(whole)
            at(data, place[:-1])[place[-1]] = value
            path.write_text(json.dumps(data), encoding="utf-8")
            tried += 1
            try:
                read_jar_file(path)
            except JarFileError as error:
                assert "\n" not in str(error)  # noqa: PT017
    assert tried > 900


@pytest.mark.parametrize(
    "name",
    ["../x.jpg", "/etc/passwd", "a/b.jpg", "a\\b.jpg", "..", "", "c:x", "x" * 300, 3, "a\0b"],
)
def test_overlays_outside_the_folder_are_forgotten(tmp_path, name):
    data = jar_dict()
    data["photos"][0]["overlay"] = name
    assert read(tmp_path, data, pictures=False).photos[0].overlay is None


# ------------------------------------------------------------------------------------- a folder


def test_a_bad_file_never_stops_the_others(tmp_path):
    write_jar(tmp_path, jar_dict("10"))
    write_jar(tmp_path, jar_dict("9"))
    (tmp_path / "jar-bad.json").write_text("{")
    (tmp_path / "notes.json").write_text("{")
    found = read_jar_folder(tmp_path)
    assert [jar.jar for jar in found.jars] == ["9", "10"]
    assert [name for name, _ in found.refused] == ["jar-bad.json"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_links_pipes_and_folders_are_refused_at_once(tmp_path):
    inside = tmp_path / "in"
    inside.mkdir()
    secret = write_jar(tmp_path, jar_dict("1"))
    (inside / "jar-1.json").symlink_to(secret)
    os.mkfifo(inside / "jar-2.json")
    (inside / "jar-3.json").mkdir()
    found = read_jar_folder(inside)
    assert not found.jars
    assert len(found.refused) == 3


def test_no_readings(tmp_path):
    with pytest.raises(UsageError, match="run jarvision read first"):
        read_jar_folder(tmp_path)
    with pytest.raises(UsageError, match="cannot be opened"):
        read_jar_folder(tmp_path / "nowhere")


def test_finding_a_jar(tmp_path):
    for name in ("5", "12", "bed north"):
        write_jar(tmp_path, jar_dict(name))
    found = read_jar_folder(tmp_path)
    assert find_jar(found, "05").jar == "5"
    assert find_jar(found, "Jar 12").jar == "12"
    assert find_jar(found, "Bed_North").jar == "bed north"
    with pytest.raises(UsageError, match="bed north"):
        find_jar(found, "bed nort")


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("Jar 5", "5"),
        ("#05", "5"),
        ("jar-08", "8"),
        ("0", "0"),
        ("Jar", "jar"),
        ("jarring", "jarring"),
    ],
)
def test_names_that_mean_the_same(name, key):
    assert jar_key(name) == key
