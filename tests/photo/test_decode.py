"""Photos opened: formats, orientation, size, camera facts, and files that are none.

Pictures are checked against Pillow's own decoding and `ImageOps.exif_transpose`; the codes are
those of the EXIF standard (CIPA DC-008), from memory.
"""

from __future__ import annotations

import hashlib
import io
import math
import os
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from hostile import Expect, Hostile, encoded, exif_block, jpeg_with_exif, picture, write_hostile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps
from scenes import ROOT

from jarvision.core.errors import PhotoError, ValueRefusedError
from jarvision.photo.decode import _decoding, open_photo, probe_photo, working_reduction
from jarvision.photo.exif import focal_from_exif, is_cropped, time_from_exif
from jarvision.photo.refusals import (
    EmptyPhotoError,
    NoSuchPhotoError,
    NotAPhotoError,
    PhotoSizeError,
    TruncatedPhotoError,
)

# Two decoders of one JPEG may round differently; lossy kinds are compared after a round trip.
ROUNDING = 3.0
LOSS = 6.0


def rgb(path: Path, **options: int) -> np.ndarray:
    return open_photo(path, **options).bgr[:, :, ::-1].astype(float)


def save(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def mean_gap(first: np.ndarray, second: np.ndarray | Image.Image) -> float:
    """Mean absolute difference in grey levels of two pictures of equal shape."""
    other = np.asarray(second, dtype=float)
    assert first.shape == other.shape
    return float(np.abs(first - other).mean())


def test_the_comparer_tells_a_turned_picture() -> None:
    image = picture()
    gaps = [
        mean_gap(np.asarray(image, dtype=float), turned)
        for turned in (ImageOps.flip(image), ImageOps.mirror(image), image.rotate(180))
    ]
    assert min(gaps) > 3 * LOSS


# --- kinds of files -----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif", "heic"])
def test_every_kind_is_read(tmp_path: Path, kind: str) -> None:
    photo = open_photo(save(tmp_path, f"a.{kind}", encoded(picture(), kind)))
    assert photo.bgr.dtype == np.uint8
    assert photo.bgr.flags.c_contiguous
    assert photo.reduction == 1
    assert photo.name == f"a.{kind}"
    assert photo.taken_at is None
    assert math.isnan(photo.focal_35mm_mm)
    assert not photo.cropped
    assert mean_gap(photo.bgr[:, :, ::-1].astype(float), picture()) < LOSS


def test_the_kind_is_told_by_content(tmp_path: Path) -> None:
    path = save(tmp_path, "a.jpg", encoded(picture(), "png"))
    assert mean_gap(rgb(path), picture()) == 0
    assert probe_photo(path).kind == "PNG"


@pytest.mark.parametrize("mode", ["L", "P", "1", "LA", "RGBA", "CMYK", "I;16"])
@pytest.mark.parametrize("reduction", [1, 2])
def test_unusual_pixels(tmp_path: Path, mode: str, reduction: int) -> None:
    """Grey, palette, bits, alpha, ink colours, 16 bits: as Pillow shows them."""
    image = picture()
    if mode == "I;16":
        grey = np.asarray(image.convert("L"))
        image, shown = Image.fromarray(grey.astype(np.uint16) * 257), image.convert("L")
    else:
        image = shown = image.quantize(32) if mode == "P" else image.convert(mode)
    kind = "tif" if mode == "CMYK" else "png"
    path = save(tmp_path, f"a.{kind}", encoded(image, kind))
    longest_px = 160 // reduction
    expected = np.asarray(shown.convert("RGB").reduce(reduction), dtype=float)
    assert mean_gap(rgb(path, longest_px=longest_px), expected) < ROUNDING


def test_ink_colours_in_a_jpeg(tmp_path: Path) -> None:
    path = save(tmp_path, "a.jpg", encoded(picture().convert("CMYK"), "jpg", quality=95))
    assert mean_gap(rgb(path), picture()) < LOSS
    small = rgb(path, longest_px=40)
    assert small.shape == (30, 40, 3)
    assert mean_gap(small, picture().reduce(4)) < LOSS


def test_what_is_clear_is_white(tmp_path: Path) -> None:
    image = picture().convert("RGBA")
    image.putalpha(Image.new("L", image.size, 0))
    assert (rgb(save(tmp_path, "a.png", encoded(image, "png"))) == 255).all()
    half = Image.new("RGBA", (100, 80), (0, 0, 0, 128))
    assert np.ptp(rgb(save(tmp_path, "b.png", encoded(half, "png"))) - 127) <= 1
    palette = Image.new("P", (100, 80), 0)
    palette.putpalette([10, 20, 30])
    path = save(tmp_path, "c.png", encoded(palette, "png", transparency=0))
    assert (rgb(path) == 255).all()


def test_floating_point_pixels_are_refused(tmp_path: Path) -> None:
    image = Image.fromarray(np.linspace(0, 1, 8000, dtype=np.float32).reshape(80, 100))
    with pytest.raises(NotAPhotoError):
        open_photo(save(tmp_path, "a.tif", encoded(image, "tif")))


def test_of_several_pictures_the_first(tmp_path: Path) -> None:
    more = [Image.new("RGB", (160, 120), "red"), Image.new("RGB", (160, 120), "blue")]
    for kind in ("png", "webp", "tif"):
        data = encoded(picture(), kind, save_all=True, append_images=more)
        assert mean_gap(rgb(save(tmp_path, f"a.{kind}", data)), picture()) < LOSS


def test_of_a_heic_the_primary_picture(tmp_path: Path) -> None:
    file = pillow_heif.from_pillow(Image.new("RGB", (160, 120), "red"))
    file.add_from_pillow(picture())
    data = io.BytesIO()
    file.save(data, quality=90, primary_index=1)
    assert mean_gap(rgb(save(tmp_path, "a.heic", data.getvalue())), picture()) < LOSS


# --- the right way up ---------------------------------------------------------------------------


def turned(orientation: int) -> Image.Image:
    image = picture()
    image.getexif()[0x0112] = orientation
    upright = ImageOps.exif_transpose(image)
    assert upright is not None
    return upright


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif"])
def test_orientation(tmp_path: Path, kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = save(tmp_path, f"a.{kind}", encoded(picture(), kind, exif=exif))
    photo = open_photo(path)
    assert photo.bgr.flags.c_contiguous
    assert mean_gap(photo.bgr[:, :, ::-1].astype(float), turned(orientation)) < LOSS


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_heic_is_turned_once(tmp_path: Path, orientation: int) -> None:
    """As phones write it: turned by the container, and EXIF names the same turn again."""
    block = exif_block({0xA405: 26}, t0x0112=orientation)
    data = encoded(picture(), "heic", exif=b"Exif\0\0" + block)
    assert (b"irot" in data or b"imir" in data) == (orientation != 1)
    assert block in data
    photo = open_photo(save(tmp_path, "a.heic", data))
    assert photo.focal_35mm_mm == 26
    assert mean_gap(photo.bgr[:, :, ::-1].astype(float), turned(orientation)) < LOSS


def test_orientation_after_reduction(tmp_path: Path) -> None:
    data = jpeg_with_exif(exif_block({}, t0x0112=6))
    small = rgb(save(tmp_path, "a.jpg", data), longest_px=80)
    assert small.shape == (80, 60, 3)
    assert mean_gap(small, turned(6).reduce(2)) < LOSS


# --- working size -------------------------------------------------------------------------------


@given(st.integers(1, 20_000), st.integers(1, 4000))
def test_reduction_is_the_largest_that_leaves_enough(long_px: int, longest_px: int) -> None:
    reduction = working_reduction(long_px, longest_px)
    assert reduction in {1, 2, 4, 8}
    assert reduction == 1 or long_px / reduction >= longest_px
    assert reduction == 8 or long_px / (2 * reduction) < longest_px


@pytest.mark.parametrize("kind", ["jpg", "png", "heic"])
@pytest.mark.parametrize(("size_px", "reduction"), [((643, 481), 2), ((483, 645), 4)])
def test_reduced_pictures_are_averages_in_place(
    tmp_path: Path, kind: str, size_px: tuple[int, int], reduction: int
) -> None:
    """Odd sizes, where a shift by part of a pixel would show as a gap on the slopes."""
    image = picture(size_px)
    path = save(tmp_path, f"a.{kind}", encoded(image, kind, quality=95))
    photo = open_photo(path, longest_px=max(size_px) // reduction)
    assert photo.reduction == reduction
    height, width = photo.bgr.shape[:2]
    assert (width, height) == tuple(math.ceil(side / reduction) for side in size_px)
    gap = photo.bgr[:, :, ::-1].astype(float) - np.asarray(image.reduce(reduction), dtype=float)
    assert np.abs(gap).mean() < LOSS
    assert np.abs(gap.mean(axis=(0, 1))).max() < 1.0


def test_a_working_size_of_nothing_is_refused(tmp_path: Path) -> None:
    path = save(tmp_path, "a.jpg", encoded(picture(), "jpg"))
    with pytest.raises(ValueRefusedError, match="at least 1 pixel, not 0"):
        open_photo(path, longest_px=0)


def test_the_picture_is_of_the_file_and_leaves_it_alone(tmp_path: Path) -> None:
    data = encoded(picture(), "jpg")
    path = save(tmp_path, "a.jpg", data)
    os.utime(path, ns=(10**18, 10**18))
    photo, facts = open_photo(path), probe_photo(path)
    assert photo.digest == facts.digest == hashlib.sha256(data).hexdigest()
    assert (facts.long_px, facts.short_px) == (160, 120)
    assert path.read_bytes() == data
    assert path.stat().st_mtime_ns == 10**18
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.jpg"]


PEAK = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from jarvision.photo.decode import open_photo
    photo = open_photo(sys.argv[1])
    status = Path("/proc/self/status").read_text()
    peak_kb = status.split("VmHWM:")[1].split()[0]
    print(photo.reduction, *photo.bgr.shape, peak_kb)
    """
)
needs_proc = pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="peak memory is read from Linux's /proc"
)


def peak_mb(path: Path) -> tuple[list[int], float]:
    """Open a photo in a fresh process; return reduction and shape, and the peak memory [MB]."""
    output = subprocess.run(
        [sys.executable, "-c", PEAK, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert output.stderr == ""
    *shape, peak_kb = map(int, output.stdout.split())
    return shape, peak_kb / 1024


@pytest.mark.slow
@needs_proc
@pytest.mark.parametrize("kind", ["jpg", "png", "heic"])
def test_memory_of_12_megapixels(tmp_path: Path, kind: str) -> None:
    fast = {"heic": {"enc_params": {"preset": "ultrafast"}}, "png": {"compress_level": 1}}
    image = Image.new("RGB", (4032, 3024), "tan")  # the memory does not depend on what is in it
    data = encoded(image, kind, **fast.get(kind, {}))
    shape, peak = peak_mb(save(tmp_path, f"a.{kind}", data))
    assert shape == [2, 1512, 2016, 3]
    assert peak <= 300


@pytest.mark.slow
@needs_proc
@pytest.mark.parametrize("progressive", [False, True])
def test_memory_of_108_megapixels(tmp_path: Path, progressive: bool) -> None:
    image = Image.new("L", (12_000, 9_000), 90)
    path = save(tmp_path, "a.jpg", encoded(image, "jpg", progressive=progressive))
    shape, peak = peak_mb(path)
    assert shape == [4, 2250, 3000, 3]
    assert peak <= (450 if progressive else 300)  # progressive: all coefficients at once


# --- what the camera says -----------------------------------------------------------------------

ORIGINAL, SUB_ORIGINAL, OFF_ORIGINAL = 0x9003, 0x9291, 0x9011
DIGITIZED, SUB_DIGITIZED, OFF_DIGITIZED = 0x9004, 0x9292, 0x9012
NOON = "2026:05:04 12:00:00"


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ({ORIGINAL: NOON}, datetime(2026, 5, 4, 12)),
        ({ORIGINAL: b"2026:05:04 12:00:00\0"}, datetime(2026, 5, 4, 12)),
        ({ORIGINAL: NOON, SUB_ORIGINAL: "25"}, datetime(2026, 5, 4, 12, 0, 0, 250_000)),
        ({ORIGINAL: NOON, SUB_ORIGINAL: "x"}, datetime(2026, 5, 4, 12)),
        (
            {ORIGINAL: NOON, OFF_ORIGINAL: "+05:30"},
            datetime(2026, 5, 4, 12, tzinfo=timezone(timedelta(hours=5.5))),
        ),
        (
            {ORIGINAL: NOON, OFF_ORIGINAL: "-03:00"},
            datetime(2026, 5, 4, 12, tzinfo=timezone(timedelta(hours=-3))),
        ),
        ({ORIGINAL: NOON, OFF_ORIGINAL: "   :  "}, datetime(2026, 5, 4, 12)),
        ({ORIGINAL: NOON, OFF_ORIGINAL: "+99:00"}, datetime(2026, 5, 4, 12)),
        ({DIGITIZED: NOON, SUB_DIGITIZED: "5"}, datetime(2026, 5, 4, 12, 0, 0, 500_000)),
        ({ORIGINAL: "0000:00:00 00:00:00", DIGITIZED: NOON}, datetime(2026, 5, 4, 12)),
        ({ORIGINAL: "2026:02:30 12:00:00"}, None),
        ({ORIGINAL: "1904:01:01 00:00:00"}, None),
        ({ORIGINAL: "9999:12:31 23:59:59", SUB_ORIGINAL: "999"}, None),
        ({ORIGINAL: 5}, None),
        ({0x0132: NOON}, None),  # the time of last change is no capture time
        ({}, None),
    ],
)
def test_capture_time(settings: dict[int, object], expected: datetime | None) -> None:
    found = time_from_exif(settings)
    assert found == expected
    if found is not None and expected is not None:
        assert found.utcoffset() == expected.utcoffset()


@pytest.mark.parametrize(
    ("value", "expected_mm"), [(26, 26.0), ("35", 35.0), (0, math.nan), (65535, math.nan)]
)
def test_focal_length(value: object, expected_mm: float) -> None:
    assert focal_from_exif({0xA405: value}) == pytest.approx(expected_mm, nan_ok=True)


@given(st.dictionaries(st.sampled_from([ORIGINAL, SUB_ORIGINAL, OFF_ORIGINAL, 0xA405, 0xA002]),
                       st.text() | st.binary() | st.integers() | st.floats() | st.none()
                       | st.tuples(st.integers(), st.integers())))  # fmt: skip
def test_any_values_are_survived(settings: dict[int, object]) -> None:
    time_from_exif(settings)
    assert not is_cropped(settings, (4032, 3024))
    focal_mm = focal_from_exif(settings)
    assert math.isnan(focal_mm) or focal_mm > 0


@pytest.mark.parametrize(
    ("recorded", "size_px", "expected"),
    [
        ((4032, 3024), (4032, 3024), False),
        ((4032, 3024), (3024, 4032), False),  # turned for good by an editor
        ((4032, 3024), (1600, 1200), False),  # a smaller copy
        ((4032, 2268), (1600, 900), False),
        ((4000, 3000), (1333, 1000), False),
        ((4032, 3024), (1000, 751), False),  # rounding
        ((4032, 3024), (4032, 2900), True),
        ((4032, 3024), (3024, 3024), True),
        ((4032, 3024), (1080, 1080), True),
        ((4032, 3024), (1600, 900), True),
        ((0, 0), (1600, 900), False),
        ((None, 3024), (1600, 900), False),
    ],
)
def test_cropping(recorded: tuple[object, object], size_px: tuple[int, int], expected) -> None:
    assert is_cropped({0xA002: recorded[0], 0xA003: recorded[1]}, size_px) is expected


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif", "heic"])
def test_camera_facts_of_every_kind(tmp_path: Path, kind: str) -> None:
    settings = {ORIGINAL: NOON, 0xA405: 26, 0xA002: 4000, 0xA003: 2000}
    exif = b"Exif\0\0" + exif_block(settings, t0x8825={1: "N", 2: (52.0, 5.0, 3.0)})
    path = save(tmp_path, f"a.{kind}", encoded(picture(), kind, exif=exif))
    for facts in (open_photo(path), probe_photo(path)):
        assert facts.taken_at == datetime(2026, 5, 4, 12)
        assert facts.focal_35mm_mm == 26
        assert facts.cropped


def test_exif_behind_the_pixels_of_a_png(tmp_path: Path) -> None:
    from hostile import chunk

    whole = encoded(picture(), "png")
    data = whole[:-12] + chunk(b"eXIf", exif_block({ORIGINAL: NOON}, t0x0112=3)) + whole[-12:]
    photo = open_photo(save(tmp_path, "a.png", data))
    assert photo.taken_at == datetime(2026, 5, 4, 12)
    assert mean_gap(photo.bgr[:, :, ::-1].astype(float), turned(3)) == 0


def test_the_place_goes_nowhere(tmp_path: Path) -> None:
    exif = exif_block({ORIGINAL: NOON}, t0x010F="Maker", t0x8825={1: "N", 2: (52.0, 5.0, 3.0)})
    path = save(tmp_path, "a.jpg", jpeg_with_exif(exif))
    for facts in (open_photo(path), probe_photo(path)):
        names = set(type(facts).__slots__)
        known = {"name", "digest", "bgr", "reduction", "kind", "long_px", "short_px"}
        assert names <= known | {"focal_35mm_mm", "cropped", "taken_at", "knows_up", "found"}
        assert not getattr(facts, "found", {})
        assert "52" not in repr([facts.focal_35mm_mm, facts.cropped, facts.taken_at])


# --- files that are no photos -------------------------------------------------------------------


def refusal(path: Path) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        open_photo(path)
    return caught.value


def test_each_refusal_has_its_own_sentence(tmp_path: Path) -> None:
    jpeg = encoded(picture((400, 300)), "jpg")
    (tmp_path / "folder").mkdir()
    refusals = {
        EmptyPhotoError: save(tmp_path, "empty.jpg", b""),
        NotAPhotoError: save(tmp_path, "text.jpg", b"no picture"),
        TruncatedPhotoError: save(tmp_path, "cut.jpg", jpeg[: len(jpeg) // 2]),
        PhotoSizeError: save(tmp_path, "tiny.png", encoded(Image.new("L", (3, 3)), "png")),
        NoSuchPhotoError: tmp_path / "folder",
    }
    for error, path in refusals.items():
        assert type(refusal(path)) is error
    sentences = {str(refusal(path)) for path in refusals.values()}
    assert "cut.jpg is cut off part way; copy the whole file from the phone again." in sentences
    assert "empty.jpg is empty; copy it from the phone again." in sentences
    assert "folder is a folder; name the photos in it." in sentences
    assert len({error.name for error in refusals}) == len(refusals)


def test_a_file_that_may_not_be_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = save(tmp_path, "a.jpg", encoded(picture(), "jpg"))

    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(NoSuchPhotoError, match=r"^a\.jpg may not be opened; allow reading it or"):
        open_photo(path)


def test_without_the_heic_package_it_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = save(tmp_path, "a.heic", encoded(picture(), "heic"))
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(NotAPhotoError, match="need the package pillow-heif"):
        open_photo(path)


def test_the_heic_package_is_loaded_only_for_heic(tmp_path: Path) -> None:
    path = save(tmp_path, "a.jpg", encoded(picture(), "jpg"))
    code = (
        "import sys; from jarvision.photo.decode import open_photo; open_photo(sys.argv[1]);"
        "print('pillow_heif' in sys.modules)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    output = subprocess.check_output([sys.executable, "-c", code, path], env=environment)
    assert output.split() == [b"False"]


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Hostile]]:
    folder = tmp_path_factory.mktemp("hostile")
    yield write_hostile(folder)
    # Pytest keeps old folders; 40 GB of holes and endless links should not be among them.
    for path in (folder / "entries").iterdir():
        if not path.is_dir() or path.is_symlink():
            path.unlink()


def test_hostile_files(corpus: list[Hostile], capfd: pytest.CaptureFixture[str]) -> None:
    """Each is read or refused in one sentence; nothing is printed, warned of or changed."""
    assert len(corpus) >= 150
    for hostile in corpus:
        outcomes = {_outcome(hostile, opened) for opened in (open_photo, probe_photo)}
        if hostile.expect is Expect.READ:
            assert outcomes == {"read"}, hostile
        elif hostile.expect is Expect.REFUSED:
            assert "refused" in outcomes, hostile  # a probe does not look at the pixels
    assert capfd.readouterr() == ("", "")


def _outcome(hostile: Hostile, opened) -> str:
    try:
        facts = opened(hostile.path)
    except PhotoError as error:
        sentence = str(error)
        assert sentence.isprintable()
        assert sentence.endswith(".")
        assert len(sentence) < 200
        assert str(hostile.path.parent) not in sentence
        return "refused"
    assert facts.name.isprintable()
    return "read"


def test_damage_within_a_jpeg_is_not_taken_for_grey(tmp_path: Path) -> None:
    """The end mark is there but part of the picture is not; at full and at reduced size."""
    data = encoded(picture((1600, 1200)), "jpg")
    path = save(tmp_path, "a.jpg", data[: int(len(data) * 0.7)] + b"\xff\xd9")
    for longest_px in (1600, 800, 400):
        with pytest.raises(TruncatedPhotoError):
            open_photo(path, longest_px=longest_px)


def test_a_grey_corner_is_no_damage(tmp_path: Path) -> None:
    image = Image.new("RGB", (320, 240), (128, 128, 128))
    assert (rgb(save(tmp_path, "a.jpg", encoded(image, "jpg"))) == 128).all()


def test_what_others_print_while_a_photo_is_decoded_is_kept(
    capfd: pytest.CaptureFixture[str],
) -> None:
    with _decoding("a.jpg"):
        writer = threading.Thread(
            target=lambda: os.write(
                2, b"progress 5\nlibpng warning: x\nCorrupt JPEG data: y\nprogress 6\n"
            )
        )
        writer.start()
        writer.join()
    assert capfd.readouterr().err == "progress 5\nprogress 6\n"


def test_photos_can_be_opened_from_several_threads(tmp_path: Path) -> None:
    path = save(tmp_path, "a.jpg", encoded(picture(), "jpg"))
    digests: list[str] = []
    threads = [
        threading.Thread(target=lambda: digests.append(open_photo(path).digest)) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(digests) == 8


def test_a_colour_profile_does_no_harm(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for kind in ("jpg", "png", "webp", "tif"):
        data = encoded(picture(), kind, icc_profile=profile)
        assert mean_gap(rgb(save(tmp_path, f"a.{kind}", data)), picture()) < LOSS
