"""A jar before its last photo: each photo judged when it is taken, what is known so far kept.

Truth is what the renderer wrote down; pictures are spoilt by code in the ways in which people spoil
them.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from sample_truth import top_of
from scenes import Edit, camera_of, edited, sample

from jarvision.results.jar_folder import read_jar_file
from jarvision.run.engine import read_photos
from jarvision.run.outcome import Outcome
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings


def read(photos: list[Path], out: Path) -> Outcome:
    batch = read_photos(photos, Settings(), out=out)
    write_table(batch, out)
    assert batch.all_read
    [outcome] = batch.outcomes
    return outcome


def row_of(out: Path) -> dict[str, str]:
    text = (out / "readings.csv").read_bytes().decode("utf-8")
    [row] = csv.DictReader(io.StringIO(text, newline=""))
    return row


def test_the_first_photo_gives_the_sand_and_when_the_next_is_due(tmp_path: Path) -> None:
    outcome = read([sample("21", "1min")], tmp_path)
    interim = outcome.record.interim
    assert interim.verdict == "good"
    assert interim.sentence == "The photo at 1 minute is good."
    assert (interim.next_reading, interim.next_due_s) == ("2h", 7200.0)
    taken, _ = camera_of(sample("21", "1min"))
    due = datetime.fromisoformat(interim.next_due_at)
    assert abs(due - (taken + timedelta(hours=2, minutes=-1))) < timedelta(minutes=1)
    sand, silt, clay = outcome.interim.tops
    true_mm = top_of("21", "1min", "sand")
    assert abs(sand.value - true_mm) < min(1.0, 3 * sand.sd)
    assert np.isnan([silt.value, clay.value]).all()
    assert (tmp_path / "overlay-21-1min.jpg").is_file()
    row = row_of(tmp_path)
    assert abs(float(row["sand_top_mm"]) - true_mm) < 1.0
    unknown = ("silt_top_mm", "clay_top_mm", "sand_pct", "silt_pct", "clay_pct", "texture_class")
    assert not any(row[column] for column in (*unknown, "class_odds", "sand_wt_pct"))


def test_the_second_photo_gives_the_silt_and_the_last_makes_it_whole(tmp_path: Path) -> None:
    photos = [sample("02", reading) for reading in ("1min", "2h", "48h")]
    outcome = read(photos[:2], tmp_path)
    assert outcome.record.interim.next_reading == "48h"
    sand, silt, _ = outcome.interim.tops
    assert abs(sand.value - top_of("02", "1min", "sand")) < 1.0
    assert abs(silt.value - top_of("02", "2h", "silt")) < 1.0
    again = read(photos[:2], tmp_path)
    assert again.is_earlier
    assert again.record.interim == outcome.record.interim
    whole = read(photos, tmp_path)
    assert whole.record.interim is None
    assert whole.record.by_height is not None
    assert row_of(tmp_path)["clay_pct"]


def blurred(bgr: np.ndarray) -> np.ndarray:
    return cv2.GaussianBlur(bgr, (0, 0), 14)


def dark(bgr: np.ndarray) -> np.ndarray:
    return (bgr * 0.05).astype(np.uint8)


def too_bright(bgr: np.ndarray) -> np.ndarray:
    """Exposed 150 times as long in linear light (a gamma of 2.2, as sRGB nearly is)."""
    light = (bgr / 255.0) ** 2.2
    return (255 * np.clip(150 * light, 0, 1) ** (1 / 2.2)).astype(np.uint8)


def foot_cut_off(bgr: np.ndarray) -> np.ndarray:
    return bgr[: round(0.62 * len(bgr))]


def far_away(bgr: np.ndarray) -> np.ndarray:
    h, w = bgr.shape[:2]
    small = cv2.resize(bgr, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wide = ((h - small.shape[0]) // 2, (w - small.shape[1]) // 2)
    return cv2.copyMakeBorder(small, wide[0], wide[0], wide[1], wide[1], cv2.BORDER_REPLICATE)


def tilted(bgr: np.ndarray) -> np.ndarray:
    h, w = bgr.shape[:2]
    turn = cv2.getRotationMatrix2D((w / 2, h / 2), 12.0, 0.85)
    return cv2.warpAffine(bgr, turn, (w, h), borderMode=cv2.BORDER_REPLICATE)


def with_glare(bgr: np.ndarray) -> np.ndarray:
    """A window mirrored in the wall over the sand, left of the strip, where jar 2 has its sand."""
    out = bgr.copy()
    h, w = out.shape[:2]
    x, y = round(0.33 * w), round(0.66 * h)
    cv2.rectangle(out, (x - w // 20, y - h // 60), (x + w // 20, y + h // 60), (255,) * 3, -1)
    return out


SPOILT: dict[str, tuple[Edit, str]] = {
    "blurred": (blurred, "blurred"),
    "dark": (dark, "dark"),
    "too bright": (too_bright, "too bright"),
    "foot cut off": (foot_cut_off, "foot"),
    "far away": (far_away, "small"),
    "tilted": (tilted, "tilted"),
    "glare": (with_glare, "glare"),
}


@pytest.mark.parametrize("kind", SPOILT)
def test_a_spoilt_photo_is_to_be_taken_again_now(kind: str, tmp_path: Path) -> None:
    edit, word = SPOILT[kind]
    [photo] = edited(tmp_path, "02", edit, readings=("1min",))
    outcome = read([photo], tmp_path / "out")
    interim = outcome.record.interim
    assert interim.verdict == "take_again", kind
    assert interim.sentence.startswith("Take the photo at 1 minute again, now: ")
    assert word in interim.sentence
    [path] = (tmp_path / "out").glob("jar-*.json")
    data = json.loads(path.read_text(encoding="utf-8"))
    assert data["interim"]["verdict"] == "take_again"
    assert row_of(tmp_path / "out")["sand_pct"] == ""


def test_what_is_known_so_far_comes_back_from_its_file(tmp_path: Path) -> None:
    outcome = read([sample("09", "1min")], tmp_path)
    record = read_jar_file(tmp_path / "jar-9.json")
    assert record.interim == outcome.record.interim
    assert record.unread is None
    assert record.by_height is None
    assert record.tops[0] == outcome.record.tops[0] or record.tops[0].value == pytest.approx(
        outcome.record.tops[0].value, abs=1e-3
    )


def test_a_photo_at_an_odd_time_stands_for_the_early_reading_nearest_to_it(tmp_path: Path) -> None:
    photo = Path(shutil.copy(sample("02", "2h"), tmp_path / "bed 15h.jpg"))
    taken, _ = camera_of(photo)
    outcome = read_photos([photo], Settings(shaken_at=taken - timedelta(hours=15))).outcomes[0]
    assert outcome.error is None
    assert "time_off" in {doubt.name for doubt in outcome.record.doubts}
    assert outcome.record.interim.next_reading == "48h"
