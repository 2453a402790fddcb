"""A video of the settling as photos: which of its pictures are taken, and when each was.

Each picture is a path below the video's own, ``film.mp4/INDEX/film.mp4 at 5min``, which `Album`
decodes and hands on as PNG, so that all that holds for photos holds for it. Its time is the index
times the container's mean step.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from jarvision.core.files import shown
from jarvision.core.series import DAY_S, HOUR_S, MINUTE_S
from jarvision.photo.video import VideoError, is_video, probe_video, video_frame
from jarvision.run.file_names import name_parts

# When pictures are taken, where the video lasts: those of the readings and between them [s].
_USEFUL_S = (
    *(minutes * MINUTE_S for minutes in (1, 2, 5, 15, 30)),
    *(hours * HOUR_S for hours in (1, 2, 4, 8, 16, 24, 48, 96, 168)),
)
_ALIKE = 1.2  # times within this factor are one
_LONGEST_S = 60 * DAY_S


@dataclass(frozen=True, slots=True)
class VideoTiming:
    """What is said of a video's time.

    Attributes
    ----------
    start_s : float or None
        Time since shaking at its first picture [s]; None where nothing is said.
    step_s : float or None
        Real time from one picture to the next [s], for a time-lapse; None: as it plays.
    """

    start_s: float | None = None
    step_s: float | None = None


def frames_of(video: Path, timing: VideoTiming) -> list[Path]:
    """Choose the pictures of a video that are taken for photos.

    Parameters
    ----------
    video : Path
        The video.
    timing : VideoTiming
        What is said of its time. Without a start it begins at shaking, or, where its name states a
        time longer than the video itself (``bed 2h.mp4``), then.

    Returns
    -------
    list of Path
        Paths below the video's own, which name its pictures: see `frame_at`.

    Raises
    ------
    VideoError
        It cannot be read, or lasts longer than anybody watches a jar.
    """
    facts = probe_video(video)
    step_s = timing.step_s or facts.step_s
    duration_s = (facts.frames - 1) * step_s
    stated = name_parts(video.name)
    start_s = timing.start_s
    if start_s is None:
        start_s = stated.elapsed_s if stated.elapsed_s > duration_s else 0.0
    if start_s + duration_s > _LONGEST_S:
        msg = f"{shown(video.name)} would last more than 60 days; check its start and step."
        raise VideoError(msg)
    stem = name_parts(video.stem).rest or video.stem
    return [
        video / str(min(round((at - start_s) / step_s), facts.frames - 1)) / _name(stem, video, at)
        for at in useful_times_s(start_s, duration_s)
    ]


def useful_times_s(start_s: float, duration_s: float) -> list[float]:
    """Choose times since shaking at which a video's pictures are taken [s].

    Examples
    --------
    >>> useful_times_s(0.0, 400.0)
    [60.0, 120.0, 300.0, 400.0]
    >>> useful_times_s(7200.0, 10.0)
    [7200.0]
    """
    end_s = start_s + duration_s
    times = [at for at in _USEFUL_S if start_s <= at <= end_s]
    if not times or end_s > _ALIKE * times[-1]:
        times.append(end_s)
    return [at for at in times if at > 0]


def _name(stem: str, video: Path, at_s: float) -> str:
    """Name a picture so that its time can be read from its name."""
    for unit_s, unit in ((MINUTE_S, "min"), (HOUR_S, "h")):
        number = f"{at_s / unit_s:.2f}".rstrip("0").rstrip(".")
        if at_s < 100 * unit_s or unit == "h":
            break
    return f"{stem}{video.suffix} at {number}{unit}"


def video_of(path: Path) -> Path | None:
    """Give the video that a picture's path lies in; None where it is a photo of its own."""
    parents = path.parents
    return parents[1] if len(parents) > 1 and is_video(parents[1]) else None


def frame_at(path: Path) -> bytes:
    """Decode the picture that a path of `frames_of` names, as PNG.

    Raises
    ------
    VideoError
        It cannot be decoded.
    """
    return video_frame(path.parents[1], int(path.parent.name))
