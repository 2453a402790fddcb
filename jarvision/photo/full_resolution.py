"""The same photo at full scale, in grey: for what is finer than a working picture shows."""

from __future__ import annotations

import os

import cv2
import numpy as np

from jarvision.core.arrays import Array, Grey
from jarvision.photo.decode import Photo, open_grey

_THUMB_PX = 48
_ALIKE = 0.9  # correlation of thumbnails over which two pictures are the same one, turned alike


def full_grey(
    path: str | os.PathLike[str], photo: Photo, *, contents: bytes | None = None
) -> Grey | None:
    """Decode a photo in grey at full scale, turned as its working picture is.

    Parameters
    ----------
    path : path
        The photo's file.
    photo : Photo
        Its working picture, which may have been turned or mirrored since it was opened.
    contents : bytes, optional
        What is in the file, where the file itself is on another machine.

    Returns
    -------
    (height, width) uint8 array or None
        None where the two pictures are not the same.

    Raises
    ------
    PhotoError
        The file cannot be used any more.
    """
    if photo.reduction == 1:
        return np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    opened = open_grey(path, contents=contents)
    wanted = _thumb(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY))
    alike = []
    for mirrored in (False, True):
        for quarters in range(4):
            small = np.rot90(_thumb(opened), quarters)
            small = small[:, ::-1] if mirrored else small
            alike.append((float((small * wanted).mean()), mirrored, quarters))
    best, mirrored, quarters = max(alike)
    if best < _ALIKE:
        return None
    turned = np.rot90(opened, quarters)
    return np.ascontiguousarray(turned[:, ::-1] if mirrored else turned)


def _thumb(grey: cv2.typing.MatLike) -> Array:
    small = cv2.resize(grey, (_THUMB_PX, _THUMB_PX), interpolation=cv2.INTER_AREA).astype(float)
    return np.asarray((small - small.mean()) / max(float(small.std()), 1e-6))
