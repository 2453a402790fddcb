"""Why a file is no usable photo."""

from __future__ import annotations

from jarvision.core.errors import PhotoError


class NotAPhotoError(PhotoError):
    """The file is no picture, or of a kind that is not read."""

    name = "not_a_photo"


class EmptyPhotoError(PhotoError):
    """The file holds nothing."""

    name = "photo_empty"


class TruncatedPhotoError(PhotoError):
    """Part of the picture is missing."""

    name = "photo_cut_off"


class PhotoSizeError(PhotoError):
    """The picture is far too large or too small."""

    name = "photo_size"


class NoSuchPhotoError(PhotoError):
    """There is no ordinary file of that name, or it may not be opened."""

    name = "photo_not_opened"
