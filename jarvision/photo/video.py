"""Single pictures out of a video or time-lapse (MP4, MOV); the rest of it is never decoded."""

from __future__ import annotations

import math
import stat
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from jarvision.core.errors import PhotoError
from jarvision.core.files import VIDEO_SUFFIXES, shown

_OPEN_MS, _READ_MS = 10_000, 30_000  # a file that takes longer is no phone's
_MOST_PX, _LEAST_PX = 50_000_000, 200
_MOST_FRAMES, _MOST_FPS = 20_000_000, 1000.0
_LAST_TRIED = 5  # containers now and then count frames that are not there
# How MP4 and QuickTime files begin: a box's length, then one of these (ISO/IEC 14496-12 and
# Apple's QuickTime File Format; from memory). Playlists and addresses do not.
_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"})


class VideoError(PhotoError):
    """A video that cannot be used."""

    name = "video_unreadable"


@dataclass(frozen=True, slots=True)
class VideoFacts:
    """What a video's container says.

    Attributes
    ----------
    frames : int
        How many pictures it holds.
    step_s : float
        Time from one to the next as it plays [s].
    """

    frames: int
    step_s: float

    @property
    def duration_s(self) -> float:
        """Time from the first picture to the last as it plays [s]."""
        return (self.frames - 1) * self.step_s


def is_video(path: Path) -> bool:
    """Tell a video by its name's ending."""
    return path.suffix.casefold() in VIDEO_SUFFIXES


def probe_video(path: Path) -> VideoFacts:
    """Read what a video's container says, without decoding a picture.

    Raises
    ------
    VideoError
        It is no MP4 or MOV, is damaged, or is larger than any phone's.
    """
    capture = _opened(path)
    try:
        return _facts(path, capture)
    finally:
        capture.release()


def video_frame(path: Path, index: int) -> bytes:
    """Decode one picture.

    Parameters
    ----------
    path : Path
        The video.
    index : int
        Which picture, from 0.

    Returns
    -------
    bytes
        The picture, upright, as PNG without any metadata.

    Raises
    ------
    VideoError
        It cannot be decoded.
    """
    capture = _opened(path)
    try:
        _facts(path, capture)
        for at in range(index, max(-1, index - _LAST_TRIED), -1):
            capture.set(cv2.CAP_PROP_POS_FRAMES, at)
            is_read, bgr = capture.read()
            if is_read:
                return _png(np.asarray(bgr))
    except cv2.error:
        pass  # said below
    finally:
        capture.release()
    raise _damaged(path)


def _png(bgr: np.ndarray) -> bytes:
    _, data = cv2.imencode(".png", bgr, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return data.tobytes()


def _opened(path: Path) -> cv2.VideoCapture:
    _refuse_other_kinds(path)
    limits = [
        *(cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, _OPEN_MS),
        *(cv2.CAP_PROP_READ_TIMEOUT_MSEC, _READ_MS),
    ]
    try:
        # an absolute path cannot be taken for an address, nor for a pattern of numbered pictures
        capture = cv2.VideoCapture(str(path.absolute()), cv2.CAP_FFMPEG, limits)
    except cv2.error:
        raise _damaged(path) from None
    if not capture.isOpened():
        raise _damaged(path)
    return capture


def _refuse_other_kinds(path: Path) -> None:
    name = shown(path.name)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            msg = f"{name} is not an ordinary file; name a video, photos or a folder of them."
            raise VideoError(msg)
        with path.open("rb") as file:
            head = file.read(8)
    except (OSError, ValueError):
        msg = f"{name} cannot be opened; copy it to this computer again."
        raise VideoError(msg) from None
    if head[4:8] not in _BOXES:
        msg = f"{name} is no MP4 or MOV video; save it as MP4."
        raise VideoError(msg)


def _facts(path: Path, capture: cv2.VideoCapture) -> VideoFacts:
    name = shown(path.name)
    frames = capture.get(cv2.CAP_PROP_FRAME_COUNT)
    fps = capture.get(cv2.CAP_PROP_FPS)
    wide, high = capture.get(cv2.CAP_PROP_FRAME_WIDTH), capture.get(cv2.CAP_PROP_FRAME_HEIGHT)
    if not (math.isfinite(frames + fps + wide + high) and frames >= 1 and fps > 0):
        raise _damaged(path)
    if frames > _MOST_FRAMES or fps > _MOST_FPS or wide * high > _MOST_PX:
        msg = f"{name} is longer or larger than a phone's video; save it shorter or smaller."
        raise VideoError(msg)
    if min(wide, high) < _LEAST_PX:
        msg = f"{name} is too small to be read; use the phone's own file."
        raise VideoError(msg)
    return VideoFacts(int(frames), 1.0 / fps)


def _damaged(path: Path) -> VideoError:
    return VideoError(
        f"{shown(path.name)} is damaged or of a kind that cannot be read; save it as MP4, or take "
        "photos out of it."
    )
