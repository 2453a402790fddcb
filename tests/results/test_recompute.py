"""A result is worked out again from its file alone, and a line can be corrected by hand."""

import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.estimate.corrections import Correction, JarLine
from jarvision.jar.profile_file import find_profile
from jarvision.jar.scale_sources import ScaleAids
from jarvision.results.codec import JarFileError
from jarvision.results.from_reading import row_of
from jarvision.results.jar_folder import read_jar_file, read_jar_folder
from jarvision.results.recompute import recomputed
from jarvision.results.record import json_name
from jarvision.run.engine import read_photos
from jarvision.run.settings import Settings

pytestmark = [pytest.mark.photo, pytest.mark.slow]

SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTOS = sorted(SAMPLES.glob("jar-*.jpg"))


@pytest.fixture(scope="module")
def folder(samples_read, tmp_path_factory):
    """All sample jars, read at their three times; some once more, in other ways."""
    out = tmp_path_factory.mktemp("read") / "out"
    shutil.copytree(samples_read.out, out)
    tapered = ScaleAids(profile=find_profile("tapered"))
    for name, paths, settings in (
        ("last", [p for p in PHOTOS if "02-48h" in p.name], Settings(seed=7)),
        ("tapered", [p for p in PHOTOS if "-02-" in p.name], Settings(aids=tapered)),
        ("bare tapered", [p for p in PHOTOS if "-08-" in p.name], Settings(aids=tapered)),
    ):
        read_photos(paths, settings, out=out / name)
        [made] = (out / name).glob("jar-*.json")
        shutil.move(made, out / f"jar-{name}.json")
    return out


JARS = ["2", "21", "9", "jar-08", "last", "tapered", "bare tapered"]


@pytest.mark.parametrize("jar", JARS)
def test_a_result_comes_from_its_file_alone_to_the_last_digit(folder, jar, monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("a photo was opened")

    monkeypatch.setattr("jarvision.photo.decode.open_photo", refuse)
    monkeypatch.setattr("jarvision.wall.locate.look_at_jar", refuse)
    record = read_jar_file(folder / json_name(jar))
    made = recomputed(record)
    assert repr(row_of(made)) == repr(record.row)  # repr: NaN does not equal itself
    assert [d.sentence for d in made.reading.doubts] == [d.sentence for d in record.doubts]
    assert made.reading.water_state == record.water_state
    assert made.not_weighed == record.not_weighed
    kept = record.by_height.draws_pct
    draws = made.reading.composition.draws[:: len(made.reading.composition.draws) // len(kept)]
    assert np.abs(draws[: len(kept)] - kept).max() < 0.02  # the file's are rounded to 0.01
    if record.by_weight is not None:
        assert made.weighed.why == record.by_weight.why
        assert made.weighed.curve.mid_mm == pytest.approx(record.by_weight.curve.mid_mm, abs=0.006)


def test_every_result_of_a_folder_holds_what_was_measured(folder):
    records = read_jar_folder(folder).jars
    assert len(records) == len(JARS)
    assert all(record.measurement and record.given for record in records)


@pytest.fixture(scope="module")
def record(folder):
    return read_jar_file(folder / "jar-2.json")


@pytest.fixture(scope="module")
def before(record):
    """What comes of the jar with no line corrected."""
    return recomputed(record)


def test_a_corrected_top_takes_the_place_of_what_was_read(record, before):
    was = before.reading
    higher = was.tops[1].value + 3.0
    made = recomputed(record, corrections=[Correction(JarLine.SILT, higher, 0.3)])
    after = made.reading
    # All photos that show it say the same now, but for what the bed sinks in between: 1 % and less.
    assert after.tops[1].value == pytest.approx(higher, rel=0.011)
    assert after.tops[0].value == was.tops[0].value
    silt = (after.tops[1].value - after.tops[0].value) / after.tops[2].value
    # Draws have no rounding, but the middle of three is moved into the class that is named.
    assert after.composition.silt_pct.value == pytest.approx(100 * silt, abs=1.5)
    assert made.weighed is not None
    assert DoubtName.PUT_RIGHT in {doubt.name for doubt in after.doubts}


def test_the_weight_follows_a_corrected_top(record, before):
    """Half as much sand again cannot weigh less."""
    higher = Correction(JarLine.SAND, 1.5 * before.reading.tops[0].value, 0.3)
    after = recomputed(record, corrections=[higher])
    sand = [made.weighed.fractions[:, 0].mean() for made in (before, after)]
    assert sand[1] > sand[0] + 0.05


def test_a_corrected_floor_moves_all_tops_and_the_water(record, before):
    was = before.reading
    after = recomputed(record, corrections=[Correction(JarLine.FLOOR, 1.0, 0.2)]).reading
    for old, new in zip(was.tops, after.tops, strict=True):
        assert new.value == pytest.approx(old.value - 1.0, abs=0.05)
    assert after.water_mm == pytest.approx(was.water_mm - 1.0)
    assert after.photos[-1].floor.sd_mm == 0.2


def test_a_corrected_water_line_changes_the_weight_only(record, before):
    made = recomputed(record, corrections=[Correction(JarLine.WATER, 150.0, 1.0)])
    assert made.reading.tops == before.reading.tops
    assert made.reading.composition.sand_pct == before.reading.composition.sand_pct
    assert made.weighed.clay_pct != before.weighed.clay_pct


@pytest.mark.parametrize("value", [(math.nan, 0.3), (20.0, 0.0), (20.0, -1.0), (math.inf, 0.3)])
def test_corrections_that_cannot_be_are_refused(record, value):
    with pytest.raises(ValueRefusedError, match="how sure"):
        recomputed(record, corrections=[Correction(JarLine.SAND, *value)])


def test_a_file_without_what_was_measured_says_so(folder, tmp_path):
    data = json.loads((folder / "jar-2.json").read_text(encoding="utf-8"))
    older = data | {"version": 1}
    del older["measurement"], older["given"], older["views"]
    path = tmp_path / "jar-2.json"
    path.write_text(json.dumps(older), encoding="utf-8")
    record = read_jar_file(path)
    assert record.by_height is not None
    with pytest.raises(UsageError, match="read the jar's photos again"):
        recomputed(record)


WRONG = (None, -1, 1e308, 10**400, "x", [], {}, True, [[]], [{}], 0.5)


def places(data, path=()):
    """Every place in a JSON value, long lists by their first item only."""
    yield path
    items = data.items() if isinstance(data, dict) else enumerate(data[:1])
    for key, value in items if isinstance(data, (dict, list)) else ():
        if isinstance(value, (dict, list)):
            yield from places(value, (*path, key))
        else:
            yield (*path, key)


@pytest.mark.parametrize("block", ["measurement", "given", "row", "made_from"])
def test_whatever_a_file_says_was_measured_leads_to_no_traceback(folder, tmp_path, block):
    """Every number, text and list is replaced by every kind of wrong value: used or refused."""
    whole = json.loads((folder / "jar-tapered.json").read_text(encoding="utf-8"))
    whole["by_height"]["draws_pct"] = whole["by_height"]["draws_pct"][:2]
    whole["by_weight"]["draws_pct"] = whole["by_weight"]["draws_pct"][:2]
    text = json.dumps(whole[block])
    path, refused = tmp_path / "jar-2.json", 0
    for place in places(whole[block]):
        for value in WRONG if place else ():
            whole[block] = json.loads(text)
            at = whole[block]
            for key in place[:-1]:
                at = at[key]
            at[place[-1]] = value
            path.write_text(json.dumps(whole), encoding="utf-8")
            try:
                read_jar_file(path)
            except JarFileError as error:
                refused += 1
                assert "\n" not in str(error)  # noqa: PT017
                assert "damaged" in str(error)  # noqa: PT017
    assert refused > 20
