"""Photos that lie about themselves: refused by what is in them, before they are decoded.

Formats: ITU-T T.81 (JPEG), the PNG specification, TIFF 6.0, the WebP container (from memory). Files
are made by code with Pillow's encoders and changed byte by byte.
"""

import io
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from hostile import chunk, encoded, picture
from PIL import Image
from scenes import ROOT, sample

from jarvision.core.errors import PhotoError
from jarvision.photo.decode import open_photo
from jarvision.photo.refusals import PhotoSizeError, TruncatedPhotoError


def opened(data, tmp_path, name="a.jpg"):
    path = tmp_path / name
    path.write_bytes(data)
    return open_photo(path)


# --- time ---------------------------------------------------------------------------------------


def with_scans(count, size_px=(640, 480)):
    """A progressive JPEG whose last scan is written over and over."""
    data = encoded(picture(size_px), "jpg", progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * count + b"\xff\xd9"


def test_a_jpeg_of_thousands_of_scans_is_refused(tmp_path):
    with pytest.raises(PhotoSizeError, match="so many steps"):
        opened(with_scans(5_000), tmp_path)


def test_a_plain_progressive_jpeg_is_read(tmp_path):
    assert opened(with_scans(1), tmp_path).bgr.shape == (480, 640, 3)


def test_marks_in_a_trailer_are_no_scans(tmp_path):
    """Phones put films and second pictures behind a photo."""
    data = encoded(picture(), "jpg") + b"\xff\xda\0\x0c" * 500
    assert opened(data, tmp_path).bgr.shape == (120, 160, 3)


# --- memory -------------------------------------------------------------------------------------


def lying_webp(width, height):
    bits = (width - 1) | (height - 1) << 14
    body = b"WEBPVP8L" + struct.pack("<I", 8) + b"\x2f" + struct.pack("<I", bits) + bytes(3)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def tiled_tiff(side_px, tile_px):
    tags = {256: side_px, 257: side_px, 258: 8, 259: 1, 262: 1, 277: 1}
    tags |= {322: tile_px, 323: tile_px, 324: 8, 325: 100}
    entries = b"".join(struct.pack("<HHII", k, 4, 1, v) for k, v in sorted(tags.items()))
    body = struct.pack("<H", len(tags)) + entries + bytes(4)
    return b"II*\0" + struct.pack("<I", 8) + body + bytes(40_000)


def flat_png(side_px):
    head = struct.pack(">IIBBBBB", side_px, side_px, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes((side_px + 1) * side_px), 9)
    parts = (b"IHDR", head), (b"IDAT", rows), (b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunk(kind, data) for kind, data in parts)


MEMORY = """
import resource, sys
from jarvision.photo.decode import open_photo
import cv2, numpy, PIL.WebPImagePlugin, PIL.TiffImagePlugin, PIL.PngImagePlugin
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    open_photo(sys.argv[1])
except Exception as error:
    print(type(error).__name__, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.webp", lying_webp(12_000, 12_000)),
        ("a.tif", tiled_tiff(100, 32_752)),
        ("a.png", flat_png(7_900)),
    ],
)
def test_a_small_file_takes_no_large_memory(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, str(path)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=600,
        check=True,
    )
    kind, kb = done.stdout.split()
    assert kind in {"PhotoSizeError", "NotAPhotoError", "TruncatedPhotoError"}
    assert int(kb) < 60_000


# --- damage -------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.5, 0.6, 0.7, 0.8, 0.9])
def test_a_cut_cmyk_jpeg_with_an_end_mark_is_noticed(tmp_path, share):
    rng = np.random.default_rng(3)
    image = Image.fromarray(rng.integers(0, 256, (480, 640, 3), np.uint8)).convert("CMYK")
    data = encoded(image, "jpg")
    assert opened(data, tmp_path).bgr.shape == (480, 640, 3)
    with pytest.raises(TruncatedPhotoError):
        opened(data[: int(share * len(data))] + b"\xff\xd9", tmp_path, "b.jpg")


@pytest.mark.parametrize("interlaced", [False, True])
@pytest.mark.parametrize("mode", ["1", "L", "P", "RGB", "RGBA", "LA", "I;16"])
def test_a_png_without_all_its_rows_is_noticed(tmp_path, mode, interlaced):
    if mode == "I;16":
        image = Image.fromarray(np.full((120, 160), 30_000, np.uint16))
    else:
        image = picture().convert(mode)
    data = encoded(image, "png")
    assert opened(data, tmp_path, "a.png").bgr.shape == (120, 160, 3)
    if interlaced:
        data = data[:28] + b"\1" + data[29:]  # more pixels are said to be there than are
    taller = data[:20] + struct.pack(">I", 360) + data[24:]
    crc = struct.pack(">I", zlib.crc32(taller[12:29]))
    with pytest.raises(PhotoError):
        opened(taller[:29] + crc + taller[33:], tmp_path, "b.png")


def test_a_16_bit_tiff_whose_zero_is_white_is_no_negative(tmp_path):
    values = np.linspace(0, 65_535, 160 * 120).reshape(120, 160).astype(np.uint16)
    for white_zero in (False, True):
        file = io.BytesIO()
        Image.fromarray(values).save(file, "TIFF", tiffinfo={262: 0 if white_zero else 1})
        bgr = opened(file.getvalue(), tmp_path, f"{white_zero}.tif").bgr
        first, last = int(bgr[0, 0, 0]), int(bgr[-1, -1, 0])
        assert (first > last) == white_zero
        assert abs(first - last) == 255


NOWHERE = """
import os, sys, tempfile
os.chdir(sys.argv[2])
tempfile.tempdir = None
os.environ["TMPDIR"] = "/nowhere"
tempfile._candidate_tempdir_list = lambda: []
if sys.argv[3] == "without":
    vars(os).pop("memfd_create", None)
from jarvision.photo.decode import open_photo
try:
    open_photo(sys.argv[1])
    print("read")
except Exception as error:
    print(type(error).__name__)
"""


@pytest.mark.skipif(not hasattr(os, "memfd_create"), reason="files in memory are Linux's")
@pytest.mark.parametrize(
    ("memory", "said"), [("with", "TruncatedPhotoError"), ("without", "_NoListenerError")]
)
def test_damage_is_seen_where_nothing_can_be_written(tmp_path, memory, said):
    whole = sample("02", "48h").read_bytes()
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(whole[: len(whole) // 2] + b"\xff\xd9")
    done = subprocess.run(
        [sys.executable, "-c", NOWHERE, str(cut), "/", memory],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=600,
        check=True,
    )
    assert (done.stdout.strip(), done.stderr) == (said, "")


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="counts files as Linux shows them")
def test_listening_leaves_no_file_open(tmp_path):
    def count():
        return sum(1 for _ in Path("/proc/self/fd").iterdir())

    path = tmp_path / "a.jpg"
    path.write_bytes(encoded(picture(), "jpg"))
    open_photo(path)
    before = count()
    for _ in range(20):
        open_photo(path)
    assert count() == before
