"""A video of the settling counts as photos: pictures at useful times, hostile files refused.

The videos are made here, by OpenCV's writer, from sample pictures whose truth is known.
"""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from sample_truth import top_of
from scenes import sample, upright

from jarvision.photo.video import VideoError, probe_video, video_frame
from jarvision.run.engine import read_photos
from jarvision.run.jars_table import parse_manifest
from jarvision.run.settings import Settings
from jarvision.run.video_frames import VideoTiming, frames_of, useful_times_s, video_of


def film(path: Path, pictures: list[np.ndarray], *, fps: float = 10.0) -> Path:
    """Write pictures as an MP4."""
    high, wide = (side // 2 * 2 for side in pictures[0].shape[:2])
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), fps, (wide, high))
    assert writer.isOpened()
    for picture in pictures:
        writer.write(np.ascontiguousarray(picture[:high, :wide]))
    writer.release()
    return path


def counting(path: Path, count: int, *, fps: float = 10.0) -> Path:
    """A video whose pictures tell their number by where they end in white: 3 px a picture."""
    pictures = np.zeros((count, 240, 640, 3), np.uint8)
    for i, picture in enumerate(pictures):
        picture[:, : 20 + 3 * i] = 255
    return film(path, list(pictures), fps=fps)


def test_a_picture_is_found_by_its_number(tmp_path: Path) -> None:
    video = counting(tmp_path / "a.mp4", 200)
    facts = probe_video(video)
    assert facts.frames == 200
    assert facts.step_s == pytest.approx(0.1)
    for index in (0, 37, 150, 199):
        png = np.frombuffer(video_frame(video, index), np.uint8)
        white = (cv2.imdecode(png, cv2.IMREAD_GRAYSCALE).mean(axis=0) > 128).sum()
        assert (white - 20) / 3 == pytest.approx(index, abs=0.5)


def test_pictures_are_taken_at_useful_times_and_no_others() -> None:
    day = 86400.0
    assert useful_times_s(0.0, 90.0) == [60.0, 90.0]
    assert useful_times_s(30.0, 40.0) == [60.0]
    assert useful_times_s(2 * day, 5.0) == [2 * day]
    week = useful_times_s(0.0, 7 * day)
    assert {60.0, 300.0, 7200.0, 2 * day, 7 * day} <= set(week)
    assert len(week) < 16


def test_time_comes_from_the_container_or_is_said(tmp_path: Path) -> None:
    video = counting(tmp_path / "bed 9 cloudy.mp4", 200)  # 20 s as it plays
    names = [p.name for p in frames_of(video, VideoTiming())]
    assert names == ["bed 9 cloudy.mp4 at 0.33min"]
    lapse = frames_of(video, VideoTiming(start_s=60.0, step_s=60.0))  # 3 h 20 min
    assert [p.name.rpartition(" ")[2] for p in lapse[:3]] == ["1min", "2min", "5min"]
    assert [int(p.parent.name) for p in lapse[:3]] == [0, 1, 4]
    assert all(video_of(p) == video for p in lapse)
    short = Path(shutil.copy(video, tmp_path / "bed 9 2h.mp4"))
    assert [p.name for p in frames_of(short, VideoTiming())] == ["bed 9.mp4 at 2h"]


HOSTILE: dict[str, bytes] = {
    "empty": b"",
    "text": b"a letter, and no video at all",
    "playlist": b"#EXTM3U\n#EXTINF:1,\nfile:///etc/hosts\n",
    "box without a film": b"\x00\x00\x00\x1cftypisom\x00\x00\x02\x00isomiso2mp41" + bytes(400),
    "a photo": sample("02", "1min").read_bytes()[:100_000],
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_what_is_no_video_gets_one_sentence(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "bed.mp4"
    path.write_bytes(HOSTILE[kind])
    with pytest.raises(VideoError) as raised:
        probe_video(path)
    assert str(raised.value).count(".") <= 3
    assert "bed.mp4" in str(raised.value)
    batch = read_photos([path], Settings())
    assert [name for name, _ in batch.refused] == ["bed.mp4"]


def test_a_video_cut_short_is_refused_or_read_as_far_as_it_goes(tmp_path: Path) -> None:
    video = counting(tmp_path / "a.mp4", 100)
    whole = video.read_bytes()
    for size in range(0, len(whole), max(1, len(whole) // 12)):
        video.write_bytes(whole[:size])
        with contextlib.suppress(VideoError):
            probe_video(video)
            assert video_frame(video, 99)


def test_a_tiny_and_an_endless_video_are_refused(tmp_path: Path) -> None:
    tiny = film(tmp_path / "t.mp4", [np.zeros((64, 64, 3), np.uint8)] * 10)
    with pytest.raises(VideoError, match="small"):
        probe_video(tiny)
    long = counting(tmp_path / "l.mp4", 100)
    with pytest.raises(VideoError, match="60 days"):
        frames_of(long, VideoTiming(step_s=86400.0))


@pytest.mark.slow
def test_a_time_lapse_is_read_like_photos(tmp_path: Path) -> None:
    """A minute a picture: the sand at 1 min, the silt at 2 h, where the renderer put them."""
    first, second = upright(sample("02", "1min")), upright(sample("02", "2h"))
    video = film(tmp_path / "north.mp4", [first] * 4 + [second] * 120)
    before = hashlib.sha256(video.read_bytes()).digest()
    manifest = parse_manifest("jar,name,video_step\n2,north,60 s\n")
    photos = [video, sample("02", "48h")]
    [outcome] = read_photos(photos, Settings(manifest=manifest), out=tmp_path / "out").outcomes
    chosen = {str(photo.reading): photo.name for photo in outcome.reading.photos}
    assert chosen["1min"] == "north.mp4 at 1min"
    assert chosen["2h"] in {"north.mp4 at 2h", "north.mp4 at 120min"}
    sand, silt, clay = (top.value for top in outcome.reading.tops)
    assert abs(sand - top_of("02", "1min", "sand")) < 1.0
    assert abs(silt - top_of("02", "2h", "silt")) < 1.0
    assert abs(clay - top_of("02", "48h", "clay")) < 1.0
    names = {top.photo for top in outcome.record.deposit}
    assert sum(name.startswith("north.mp4 at ") for name in names) > 3
    assert hashlib.sha256(video.read_bytes()).digest() == before
    again = read_photos(photos, Settings(manifest=manifest), out=tmp_path / "out").outcomes[0]
    assert again.is_earlier
