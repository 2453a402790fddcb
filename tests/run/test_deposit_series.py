"""Photos at any times: the deposit's top in each is kept; the water line by hand goes first."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import cv2
import pytest
from sample_truth import top_of
from samples_read import SamplesRead
from scenes import READINGS, camera_of, exif_of, sample, save, upright

from jarvision.estimate.judge import judge
from jarvision.estimate.known import JarFacts
from jarvision.results.jar_folder import read_jar_file
from jarvision.run.engine import read_photos
from jarvision.run.jars_table import parse_manifest
from jarvision.run.settings import Settings


def later_copy(folder: Path, reading: str, hours: float) -> Path:
    """A sample photo a little darker, stamped with another time: nothing has settled since."""
    start, focal = camera_of(sample("02", "1min"))
    darker = cv2.convertScaleAbs(upright(sample("02", reading)), alpha=0.97)
    exif = exif_of(start + timedelta(hours=hours), focal_35mm=focal)
    return save(folder / f"jar-02-{hours:g}h.jpg", darker, exif)


@pytest.mark.slow
def test_further_photos_are_kept_as_heights_over_time(tmp_path: Path) -> None:
    """An hour after shaking the silt is as it is at two; a week after, the clay as at two days."""
    more = [
        later_copy(tmp_path, "2h", 1.0),
        later_copy(tmp_path, "2h", 8.0),
        later_copy(tmp_path, "48h", 168.0),
    ]
    photos = [*(sample("02", r) for r in READINGS), *more]
    [outcome] = read_photos(photos, Settings(), out=tmp_path / "out").outcomes
    tops = json.loads((tmp_path / "out" / "jar-2.json").read_text("utf-8"))["deposit"]
    assert [t["elapsed_s"] for t in tops] == sorted(t["elapsed_s"] for t in tops)
    assert {t["layer"] for t in tops} == {"sand", "silt", "clay"}
    by_photo = {t["photo"]: t for t in tops}
    silt, clay = top_of("02", "2h", "silt"), top_of("02", "48h", "clay")
    for name, true_mm in ((more[0].name, silt), (more[2].name, clay)):
        assert abs(by_photo[name]["top_mm"] - true_mm) < min(1.0, 3 * by_photo[name]["sd_mm"])
    # at 8 h no clay is down in this picture: nothing is made up
    eight = by_photo.get(more[1].name)
    assert eight is None or abs(eight["top_mm"] - silt) < 3 * eight["sd_mm"]
    assert read_jar_file(tmp_path / "out" / "jar-2.json").deposit[0].photo == "jar-02-1min.jpg"
    assert outcome.weighed is not None


def test_a_water_line_by_hand_takes_the_place_of_the_photos_own(
    tmp_path: Path, samples_read: SamplesRead
) -> None:
    photos = [sample("02", r) for r in READINGS]
    manifest = parse_manifest("jar,water_mm\n2,101\n")
    [by_hand] = read_photos(photos, Settings(manifest=manifest), out=tmp_path).outcomes
    data = json.loads((tmp_path / "jar-2.json").read_text("utf-8"))
    assert (data["water_line"], data["water_sd_mm"]) == (101.0, JarFacts().water_sd_mm)
    by_photo = samples_read.outcome("2")
    true_mm = 104.8  # as the renderer wrote down for this jar
    assert abs(by_photo.record.water_line_mm - true_mm) < 3 * by_photo.record.water_sd_mm
    assert by_hand.record.water_line_mm == 101.0


@pytest.mark.parametrize(
    ("odds", "by_hand", "doubted"), [(0.6, False, True), (0.6, True, False), (0.97, False, False)]
)
def test_a_water_line_that_may_be_another_is_doubted(
    odds: float, by_hand: bool, doubted: bool, samples_read: SamplesRead
) -> None:
    reading = samples_read.outcome("2").reading
    measured = replace(reading.measurement, water_odds=odds)
    found = judge(measured, reading.tops, profile=None, water_by_hand=by_hand)
    assert ("water_line_unsure" in {doubt.name for doubt in found}) == doubted
