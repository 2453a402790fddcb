"""Many photos of many jars: which are used, what is written, what one bad file cannot stop."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import shutil
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image
from sample_truth import tops_of
from scenes import READINGS, camera_of, edited, exif_of, sample, save, upright

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import MixedJarsError, TimesError
from jarvision.core.series import Reading
from jarvision.estimate.reading import JarReading
from jarvision.results.record import json_name, overlay_name
from jarvision.run.engine import read_photos
from jarvision.run.outcome import Batch, Outcome
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings

HEADER = [
    *("jar", "photos", "sand_top_mm", "silt_top_mm", "clay_top_mm"),
    *("sand_top_sd_mm", "silt_top_sd_mm", "clay_top_sd_mm", "sand_pct", "silt_pct", "clay_pct"),
    *("sand_sd_pct", "silt_sd_pct", "clay_sd_pct", "texture_class", "class_odds"),
    *("next_class", "next_odds", "doubts"),
]


@dataclass(frozen=True)
class Run:
    """One run over a folder with good photos, a copy, and files that are none."""

    photos: Path
    out: Path
    batch: Batch
    before: dict[str, str]
    steps: list[tuple[str, int, int]]

    def outcome(self, jar: str) -> Outcome:
        return next(o for o in self.batch.outcomes if o.jar == jar)

    def json(self, jar: str) -> dict[str, object]:
        return json.loads((self.out / json_name(jar)).read_text(encoding="utf-8"))

    def rows(self) -> list[dict[str, str]]:
        text = (self.out / "readings.csv").read_bytes().decode("utf-8")
        return list(csv.DictReader(io.StringIO(text, newline="")))


def digests(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    photos, out = tmp_path_factory.mktemp("photos"), tmp_path_factory.mktemp("out")
    for jar in ("08", "21"):
        for reading in READINGS:
            shutil.copy(sample(jar, reading), photos)
    shutil.copy(sample("21", "2h"), photos / "jar-21-2h copy.jpg")
    (photos / "broken 48h.jpg").write_bytes(sample("02", "48h").read_bytes()[:5000])
    (photos / "notes.txt").write_text("not a photo", encoding="utf-8")
    blank = np.full((1600, 1200, 3), 130, np.uint8)
    save(photos / "empty bench 48h.jpg", blank, exif_of(focal_35mm=28))
    before, steps = digests(photos), []
    batch = read_photos(
        [photos],
        Settings(),
        out=out,
        progress=lambda what, done, of: steps.append((what, done, of)),
    )
    write_table(batch, out)
    return Run(photos, out, batch, before, steps)


@pytest.mark.slow
def test_good_jars_are_read_whatever_lies_beside_them(run: Run) -> None:
    read = [o.jar for o in run.batch.outcomes if o.reading is not None]
    failed = [o.jar for o in run.batch.outcomes if o.error is not None]
    assert sorted(read) == ["21", "jar-08"]
    assert failed == ["empty bench"]
    assert not run.batch.all_read
    [(name, sentence)] = run.batch.refused
    assert name == "broken 48h.jpg"
    assert sentence.endswith(".")
    assert run.batch.photos_found == 9


@pytest.mark.slow
def test_photos_are_never_touched(run: Run) -> None:
    assert digests(run.photos) == run.before


def test_the_table_has_a_row_for_each_jar_that_was_read(run: Run) -> None:
    first = (run.out / "readings.csv").read_bytes().split(b"\r\n")[0].decode()
    assert first.split(",")[: len(HEADER)] == HEADER
    rows = {row["jar"]: row for row in run.rows()}
    assert sorted(rows) == ["21", "jar-08"]
    names = rows["21"]["photos"].replace(" copy", "")
    assert names == ";".join(f"jar-21-{r}.jpg" for r in READINGS)
    heights = [float(rows["21"][f"{layer}_top_mm"]) for layer in ("sand", "silt", "clay")]
    assert heights == pytest.approx(tops_of("21").tolist(), abs=1.0)
    shares = [float(rows["21"][f"{layer}_pct"]) for layer in ("sand", "silt", "clay")]
    assert sum(shares) == pytest.approx(100.0, abs=0.2)
    assert "same_photo_twice" in rows["21"]["doubts"].split(";")


def test_what_is_unknown_is_left_empty(run: Run) -> None:
    row = next(row for row in run.rows() if row["jar"] == "jar-08")
    for layer in ("sand", "silt", "clay"):
        assert row[f"{layer}_top_mm"] == ""
        assert row[f"{layer}_top_sd_mm"] == ""
        assert float(row[f"{layer}_pct"]) > 0
    assert "no_strip" in row["doubts"]


def test_every_overlay_is_a_picture_and_named_in_the_json(run: Run) -> None:
    for jar in ("21", "jar-08"):
        listed = [photo["overlay"] for photo in run.json(jar)["photos"]]
        assert listed == [overlay_name(jar, r) for r in READINGS]
        for name in listed:
            with Image.open(run.out / name) as image:
                image.load()
                assert min(image.size) > 500


def test_the_json_holds_everything(run: Run) -> None:
    data = run.json("21")
    assert (data["format"], data["version"], data["jar"]) == ("jarvision jar", 2, "21")
    assert [p["reading"] for p in data["photos"]] == list(READINGS)
    by_height = data["by_height"]
    draws = np.array(by_height["draws_pct"])
    assert draws.shape == (500, 3)
    np.testing.assert_allclose(draws.sum(axis=1), 100, atol=0.05)
    # the odds must be those of the draws that are stored with them
    from jarvision.estimate.texture import classify

    counted = np.mean(
        [str(classify(*d)) == "clay" for d in draws / draws.sum(axis=1)[:, None] * 100]
    )
    assert by_height["class_odds"]["clay"] == pytest.approx(counted, abs=0.05)
    sand = [p["boundaries"][0]["top"] for p in data["photos"]]
    assert np.ptp(sand) < 1.5


def test_a_failure_is_written_down_too(run: Run) -> None:
    data = run.json("empty bench")
    assert data["unread"]["reason"] == "no_jar"
    assert "photograph the whole jar" in data["unread"]["sentence"]
    [photo] = data["photos"]  # shown small, to see what is wrong with it
    assert photo["name"] == "empty bench 48h.jpg"


def test_nothing_half_written_is_left(run: Run) -> None:
    assert not [p.name for p in run.out.rglob("*.part")]


def test_a_place_in_a_photo_never_reaches_a_result(run: Run) -> None:
    with Image.open(sample("08", "2h")) as image:  # the sample does hold one
        assert image.getexif().get_ifd(ExifTags.IFD.GPSInfo)
    for path in run.out.rglob("*"):
        if path.suffix == ".jpg":
            with Image.open(path) as image:
                assert not dict(image.getexif())
        elif path.is_file():
            text = path.read_text(encoding="utf-8")
            assert "GPS" not in text
            assert "41.2" not in json.dumps(text) or "93.6" not in text
            assert str(run.photos) not in text


def test_progress_is_told_from_start_to_end(run: Run) -> None:
    for what in dict.fromkeys(step[0] for step in run.steps):
        counts = [(done, of) for name, done, of in run.steps if name == what]
        assert counts == sorted(counts)
        assert counts[-1][0] == counts[-1][1]


def test_rows_are_only_for_jars_that_were_read(run: Run) -> None:
    assert run.outcome("empty bench").row is None
    assert run.outcome("21").row is not None


# --- which photo is which -------------------------------------------------------------------------
def test_the_same_photo_twice_is_used_once(run: Run) -> None:
    outcome = run.outcome("21")
    assert len(outcome.reading.photos) == 3
    [said] = [d for d in outcome.reading.doubts if d.name == DoubtName.SAME_PHOTO_TWICE]
    first, second = "jar-21-2h.jpg", "jar-21-2h copy.jpg"
    assert said.sentence in {
        f"{second} is the same picture as {first}; it was used once.",
        f"{first} is the same picture as {second}; it was used once.",
    }


@pytest.mark.slow
def test_further_photos_confirm_and_move_nothing(run: Run, tmp_path: Path) -> None:
    paths = [sample("21", r) for r in READINGS]
    taken, focal = camera_of(sample("21", "2h"))
    brighter = np.clip(1.06 * upright(sample("21", "2h")), 0, 255).astype(np.uint8)
    later = exif_of(taken + timedelta(minutes=50), focal_35mm=focal)
    paths.append(save(tmp_path / "jar-21 3h.jpg", brighter, later))
    [outcome] = read_photos(paths, Settings()).outcomes
    plain = run.outcome("21").reading
    assert [p.reading for p in outcome.reading.photos] == list(READINGS)
    # the jar's shape is fitted to all photos at once, so nothing but rounding may change
    tops = [t.value for t in outcome.reading.tops]
    assert tops == pytest.approx([t.value for t in plain.tops], abs=0.1)
    assert DoubtName.OLDER_BOUNDARY_MOVED not in {d.name for d in outcome.reading.doubts}
    assert len(outcome.photos.timed) == 4


def test_photos_of_two_jars_are_not_one_jar() -> None:
    paths = [sample("21", "1min"), sample("21", "2h"), sample("02", "48h")]
    with pytest.raises(MixedJarsError, match=r"2.*21|21.*2"):
        read_photos(paths, Settings(one_jar=True))


def test_photos_of_one_jar_may_bear_any_names(tmp_path: Path) -> None:
    paths = [
        Path(shutil.copy(sample("21", reading), tmp_path / f"{name}.jpg"))
        for name, reading in zip(("IMG_0009", "z", "a 1"), READINGS, strict=True)
    ]
    [outcome] = read_photos(paths, Settings()).outcomes
    assert outcome.jar == "21"
    assert [p.name for p in outcome.reading.photos] == ["IMG_0009.jpg", "z.jpg", "a 1.jpg"]
    assert np.abs([t.value for t in outcome.reading.tops] - tops_of("21")).max() < 1.0


def test_times_that_run_backward_are_refused(tmp_path: Path) -> None:
    """Names say one order and the camera's clock the other."""
    turned = dict(zip(READINGS, READINGS[::-1], strict=True))
    paths = [
        Path(shutil.copy(sample("21", reading), tmp_path / f"jar-21-{turned[reading]}.jpg"))
        for reading in READINGS
    ]
    [outcome] = read_photos(paths, Settings()).outcomes
    if outcome.error is not None:
        assert isinstance(outcome.error, TimesError)
        assert "order" in str(outcome.error)
    else:
        assert DoubtName.TIMES_DISAGREE in {d.name for d in outcome.reading.doubts}


def test_a_wrong_shaking_time_is_noticed(run: Run) -> None:
    taken, _ = camera_of(sample("21", "1min"))
    late = Settings(shaken_at=taken + timedelta(hours=1))
    [outcome] = read_photos([sample("21", r) for r in READINGS], late).outcomes
    reading = outcome.reading
    if isinstance(reading, JarReading):
        names = {d.name for d in reading.doubts}
        assert names & {DoubtName.TIMES_DISAGREE, DoubtName.TIME_UNKNOWN, DoubtName.TIME_OFF}


@pytest.mark.slow
def test_the_order_of_the_photos_does_not_matter(run: Run) -> None:
    paths = [sample("21", r) for r in READINGS]
    [forward] = read_photos(paths, Settings()).outcomes
    [backward] = read_photos(paths[::-1], Settings()).outcomes
    for one, other in zip(forward.reading.tops, backward.reading.tops, strict=True):
        assert one.value == other.value
        assert one.sd == other.sd


@pytest.mark.slow
def test_an_early_photo_that_cannot_be_used_is_left_out(tmp_path: Path) -> None:
    paths = [sample("21", "2h"), sample("21", "48h")]
    paths += edited(tmp_path, "21", lambda bgr: bgr[:1300], readings=("1min",))
    [outcome] = read_photos(paths, Settings()).outcomes
    [(name, sentence)] = outcome.record.left_out
    assert name == "jar-21-1min.jpg"
    assert "cut off" in sentence
    assert DoubtName.TWO_PHOTOS in {d.name for d in outcome.reading.doubts}


def test_no_photos_give_no_outcomes(tmp_path: Path) -> None:
    batch = read_photos([tmp_path], Settings())
    assert (batch.outcomes, batch.refused, batch.photos_found) == ((), (), 0)
    assert not batch.all_read


def test_settings_start_from_what_is_usual() -> None:
    usual = Settings()
    assert (usual.shaken_at, usual.one_jar, usual.strip_mm, usual.seed) == (None, False, 100.0, 0)
    assert not math.isnan(usual.strip_mm)
    assert overlay_name("a/b", str(Reading.TWO_HOURS)).endswith("-2h.jpg")
    assert "/" not in overlay_name("a/b", "2h")
