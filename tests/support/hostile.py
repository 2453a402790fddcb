"""Make files that a photo reader should survive: broken, lying, enormous, oddly named.

Everything is made by code, from a small picture and a seeded generator. `write_hostile` fills a
folder and says of each file whether it must be refused, must be read, or may be either.
"""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import numpy as np
import pillow_heif
from PIL import Image, ImageFilter
from PIL.TiffImagePlugin import IFDRational

SIZE_PX = (160, 120)
FORMATS = {"jpg": "JPEG", "png": "PNG", "webp": "WEBP", "tif": "TIFF", "heic": "HEIF"}


class Expect(Enum):
    """What must become of a file."""

    READ = "read"
    REFUSED = "refused"
    EITHER = "either"


@dataclass(frozen=True)
class Hostile:
    """A hostile file and what must become of it."""

    path: Path
    expect: Expect
    why: str


def picture(size_px: tuple[int, int] = SIZE_PX, *, seed: int = 1) -> Image.Image:
    """Draw a smooth, lopsided, colourful picture: no turn or flip of it looks like another."""
    width, height = size_px
    rows, cols = np.mgrid[0:height, 0:width] / np.array([height, width]).reshape(2, 1, 1)
    rgb = np.stack([40 + 170 * cols, 60 + 150 * rows, 200 - 140 * rows * cols], axis=-1)
    rgb += np.random.default_rng(seed).normal(0, 6, rgb.shape)
    return Image.fromarray(rgb.clip(0, 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(1))


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    """Encode a picture; `kind` is a key of `FORMATS`."""
    file = io.BytesIO()
    if kind == "heic":
        pillow_heif.from_pillow(image).save(file, **({"quality": 90} | options))
    else:
        image.save(file, FORMATS[kind], **options)
    return file.getvalue()


def jpeg_with_exif(block: bytes, *, image: Image.Image | None = None) -> bytes:
    """Put a raw EXIF block (from the byte-order mark on) into a JPEG."""
    plain = encoded(image or picture(), "jpg", quality=90)
    body = b"Exif\0\0" + block
    return plain[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + plain[2:]


# --- the corpus ---------------------------------------------------------------------------------


def write_hostile(folder: Path) -> list[Hostile]:
    """Fill a folder with hostile files."""
    made = []
    for number, (name, data, expect, why) in enumerate(_all_bytes()):
        path = folder / f"{number:03d}-{name}"
        path.write_bytes(data)
        made.append(Hostile(path, expect, why))
    return made + list(_odd_names(folder / "names")) + list(_odd_entries(folder / "entries"))


def _all_bytes() -> Iterator[tuple[str, bytes, Expect, str]]:
    yield from _no_pictures()
    yield from _slow()
    yield from _cut()
    yield from _flipped()
    yield from _wrong_sizes()
    yield from _odd_exif()
    yield from _odd_but_whole()
    yield from _odd_pngs()
    yield from _odd_tiffs()


def _no_pictures() -> Iterator[tuple[str, bytes, Expect, str]]:
    contents = {
        "empty.jpg": b"",
        "one-byte.jpg": b"\xff",
        "two-bytes.jpg": b"\xff\xd8",
        "text.jpg": b"this is not a picture\n" * 50,
        "markup.png": b"<html><script>alert(1)</script></html>",
        "vector.png": b"<svg xmlns='http://www.w3.org/2000/svg'><image href='/etc/passwd'/></svg>",
        "archive.jpg": b"PK\x03\x04" + bytes(200),
        "document.pdf": b"%PDF-1.7\n" + bytes(200),
        "postscript.jpg": b"%!PS-Adobe-3.0 EPSF-3.0\n(/etc/passwd) (r) file\n",
        "gif.jpg": b"GIF89a\x01\x00\x01\x00\x80\x00\x00\x00\x00\x00\xff\xff\xff,"
        b"\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x02D\x01\x00;",
        "zeros.heic": bytes(5000),
        "film.heic": b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom" + bytes(500),
        "wave.webp": b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(40),
        "only-mark.jpg": b"\xff\xd8\xff",
        "only-mark.png": b"\x89PNG\r\n\x1a\n",
        "only-mark.webp": b"RIFF\xff\xff\xff\xffWEBP",
        "only-mark.tif": b"II*\x00",
        "only-mark.heic": b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic",
        "noise.jpg": b"\xff\xd8\xff" + np.random.default_rng(2).bytes(4000),
        "fill-bytes.jpg": b"\xff\xd8" + b"\xff" * 100_000,
        "no-scan.jpg": b"\xff\xd8\xff\xd9" * 300,
    }
    for name, data in contents.items():
        yield name, data, Expect.REFUSED, "no picture"


def _slow() -> Iterator[tuple[str, bytes, Expect, str]]:
    """Give parsers that go step by step a great many steps."""
    rows = zlib.compress(b"".join(b"\0" + bytes(100) for _ in range(80)))
    contents = {
        "filling.jpg": b"\xff\xd8" + b"\xff" * 3_000_000,
        "filled-gaps.jpg": b"\xff\xd8" + (b"\xff" * 60_000 + b"\xe0\0\2") * 50,
        "segments.jpg": b"\xff\xd8" + b"\xff\xe0\0\2" * 750_000,
        "marks.jpg": b"\xff\xd8" + b"\xff\x01" * 1_500_000,
        "junk.jpg": b"\xff\xd8\xff\xe0\0\2" + b"\0" * 3_000_000,
        "chunks.png": _png(100, 80, rows, extra=chunk(b"quUX", b"") * 250_000),
        "boxes.heic": b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0\0\0\x08free" * 400_000,
        "chunks.webp": b"RIFF\xf8\xc6\x2d\0WEBP" + b"ABCD\0\0\0\0" * 375_000,
        "entries.tif": b"II*\0\x08\0\0\0\xff\xff" + bytes(range(1, 13)) * 65_535,
    }
    for name, data in contents.items():
        yield name, data, Expect.REFUSED, "many steps"


def _cut() -> Iterator[tuple[str, bytes, Expect, str]]:
    for kind in FORMATS:
        whole = encoded(picture(), kind)
        for share in (0.02, 0.1, 0.3, 0.5, 0.8, 0.95):
            cut = whole[: int(len(whole) * share)]
            # A TIFF's directory stands behind or before its pixels; either way some are missing.
            yield f"cut-{share}.{kind}", cut, Expect.REFUSED, "cut off"
        half = len(whole) // 2
        expect = Expect.EITHER if kind == "tif" else Expect.REFUSED  # zeros are pixels there
        yield f"zero-tail.{kind}", whole[:half] + bytes(len(whole) - half), expect, "zero tail"
    jpeg = encoded(picture(), "jpg", quality=90)
    yield "cut-end-mark.jpg", jpeg[:-2], Expect.REFUSED, "end mark missing"
    ended = jpeg[: int(len(jpeg) * 0.6)] + b"\xff\xd9"
    yield "ends-early.jpg", ended, Expect.REFUSED, "ends early, with an end mark"
    thumb = encoded(picture((64, 48)), "jpg")
    with_thumb = jpeg_with_exif(b"II*\x00\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00" + thumb)
    cut = with_thumb[: int(len(with_thumb) * 0.7)]
    yield "cut-with-thumbnail.jpg", cut, Expect.REFUSED, "cut off; its thumbnail is whole"


def _flipped() -> Iterator[tuple[str, bytes, Expect, str]]:
    rng = np.random.default_rng(3)
    for kind in FORMATS:
        whole = encoded(picture(), kind)
        for count in (1, 3, 10, 30, 100):
            data = np.frombuffer(whole, np.uint8).copy()
            data[rng.integers(12, len(data), count)] = rng.integers(0, 256, count)
            yield f"flipped-{count}.{kind}", data.tobytes(), Expect.EITHER, "bytes changed"
        for start in (30, 200):
            data = whole[:start] + rng.bytes(20) + whole[start:]
            yield f"inserted-{start}.{kind}", data, Expect.EITHER, "bytes inserted"


def _wrong_sizes() -> Iterator[tuple[str, bytes, Expect, str]]:
    for width, height in ((60_000, 60_000), (2**31 - 1, 2**31 - 1), (0, 0), (1, 2**30)):
        name = f"header-{width}x{height}.png"
        yield name, _png(width, height, zlib.compress(bytes(1000))), Expect.REFUSED, "false size"
    jpeg = encoded(picture(), "jpg")
    start = jpeg.index(b"\xff\xc0") + 5
    for width, height in ((65_500, 65_500), (0, 0), (65_500, 10), (12_000, 12_000)):
        lying = jpeg[:start] + struct.pack(">HH", height, width) + jpeg[start + 4 :]
        yield f"header-{width}x{height}.jpg", lying, Expect.REFUSED, "false size"
    for width, height in ((16_384, 16_384), (2**24, 2**24)):
        canvas = struct.pack("<I", width - 1)[:3] + struct.pack("<I", height - 1)[:3]
        body = b"WEBPVP8X" + struct.pack("<I", 10) + b"\0\0\0\0" + canvas
        data = b"RIFF" + struct.pack("<I", len(body)) + body
        yield f"header-{width}x{height}.webp", data, Expect.REFUSED, "false size"
    heic = encoded(picture(), "heic")
    start = heic.index(b"ispe") + 8
    lying = heic[:start] + struct.pack(">II", 60_000, 60_000) + heic[start + 8 :]
    yield "header-60000x60000.heic", lying, Expect.REFUSED, "false size"
    yield "header.tif", _tiff({256: 60_000, 257: 60_000}), Expect.REFUSED, "false size"
    bomb = _png(13_000, 13_000, zlib.compress(bytes(13_000 // 8 * 13_000 + 26_000), 9), depth=1)
    yield "bomb.png", bomb, Expect.REFUSED, "169 megapixels in a small file"
    for size in ((1, 1), (3, 2), (4000, 2), (2, 4000)):
        data = encoded(Image.new("RGB", size, "red"), "png")
        yield f"tiny-{size[0]}x{size[1]}.png", data, Expect.REFUSED, "too small"


def _odd_exif() -> Iterator[tuple[str, bytes, Expect, str]]:
    for name, block in _exif_blocks().items():
        yield f"exif-{name}.jpg", jpeg_with_exif(block), Expect.READ, "odd EXIF"
    rng = np.random.default_rng(4)
    good = exif_block({0x9003: "2026:05:04 10:09:04", 0xA405: 26})
    for count in range(12):
        data = np.frombuffer(good, np.uint8).copy()
        data[rng.integers(0, len(data), 4)] = rng.integers(0, 256, 4)
        yield f"exif-flipped-{count}.jpg", jpeg_with_exif(data.tobytes()), Expect.READ, "odd EXIF"
    xmp = b"http://ns.adobe.com/xap/1.0/\0<x tiff:Orientation='99'><!ENTITY a '&a;&a;'>" * 20
    plain = encoded(picture(), "jpg")
    data = plain[:2] + b"\xff\xe1" + struct.pack(">H", len(xmp) + 2) + xmp + plain[2:]
    yield "xmp.jpg", data, Expect.READ, "odd XMP"


def exif_block(settings: dict[int, object], **top: object) -> bytes:
    """Make an EXIF block (from the byte-order mark on) with these camera settings.

    Keywords are tags of the first directory, written ``t0x0112=6``.
    """
    exif = Image.Exif()
    for tag, value in top.items():
        exif[int(tag[1:], 16)] = value
    exif[0x8769] = settings
    return exif.tobytes().removeprefix(b"Exif\0\0")


def _exif_blocks() -> dict[str, bytes]:
    odd_times = {
        "zeros": "0000:00:00 00:00:00", "month": "2026:13:01 00:00:00", "blank": " " * 19,
        "hour": "2026:05:04 25:61:61", "far": "9999:12:31 23:59:59", "first": "0001:01:01 00:00:00",
        "short": "2026", "words": "yesterday", "markup": "<b>2026</b>", "long": "2026:05:04 " * 900,
        "leap": "2025:02:29 10:00:00",
    }  # fmt: skip
    blocks = {f"time-{name}": exif_block({0x9003: text}) for name, text in odd_times.items()}
    blocks |= {
        f"orientation-{value}": exif_block({}, t0x0112=value) for value in (0, 9, 255, 65535)
    }
    blocks |= {f"focal-{value}": exif_block({0xA405: value}) for value in (0, 1, 65535)}
    entry = struct.Struct("<HHII").pack
    one = b"II*\x00\x08\x00\x00\x00\x01\x00"
    blocks |= {
        "empty": b"",
        "mark": b"II*\x00",
        "no-mark": b"XXXXXXXXXXXXXXXX",
        "far-directory": b"II*\x00\xff\xff\xff\x7f",
        "endless": one + entry(0x8769, 4, 1, 8) + b"\x08\x00\x00\x00",
        "many": b"II*\x00\x08\x00\x00\x00\xff\xff" + bytes(100),
        "huge-count": one + entry(0x9003, 2, 0xFFFFFFFF, 8) + bytes(4),
        "huge-fraction": one + entry(0x9003, 5, 0x1FFFFFFF, 8) + bytes(4),
        "type-0": one + entry(0x0112, 0, 1, 6) + bytes(4),
        "type-99": one + entry(0x0112, 99, 1, 6) + bytes(4),
        "orientation-text": one + entry(0x0112, 2, 4, 0x41414141) + bytes(4),
        "orientation-minus": one + entry(0x0112, 9, 1, 0xFFFFFFFF) + bytes(4),
        "settings-as-text": one + entry(0x8769, 2, 4, 0x41414141) + bytes(4),
        "settings-far": one + entry(0x8769, 4, 1, 0x7FFFFFFF) + bytes(4),
        "by-zero": exif_block({0xA405: 35}, t0x011A=IFDRational(1, 0)),
        "place": exif_block({}, t0x010F="Phone of Somebody", t0x8825={1: "N", 2: (52.0, 5.0, 3.0)}),
    }
    return blocks


def _odd_but_whole() -> Iterator[tuple[str, bytes, Expect, str]]:
    image = picture()
    jpeg = encoded(image, "jpg", quality=90)
    whole = {
        "trailer.jpg": jpeg + b"\x00\x00\x00\x18ftypmp42" + bytes(5000),
        "two-in-one.jpg": jpeg + encoded(picture((64, 48)), "jpg"),
        "fill.jpg": jpeg[:2] + b"\xff" * 40 + jpeg[2:],
        "comment.jpg": jpeg[:2] + b"\xff\xfe\x00\x0f=cmd|'/c'!A0" + jpeg[2:],
        "progressive.jpg": encoded(image, "jpg", progressive=True),
        "grey.jpg": encoded(image.convert("L"), "jpg"),
        "cmyk.jpg": encoded(image.convert("CMYK"), "jpg"),
        "restarts.jpg": encoded(image, "jpg", restart_marker_blocks=3),
        "png-inside.jpg": encoded(image, "png"),
        "jpeg-inside.heic": jpeg,
        "palette.png": encoded(image.quantize(16), "png"),
        "alpha.png": encoded(image.convert("RGBA"), "png"),
        "one-bit.png": encoded(image.convert("1"), "png"),
        "16-bit.png": encoded(Image.fromarray(np.full((90, 120), 40_000, np.uint16)), "png"),
        "moving.png": encoded(image, "png", save_all=True, append_images=[picture(seed=9)]),
        "moving.webp": encoded(image, "webp", save_all=True, append_images=[picture(seed=9)]),
        "lossless.webp": encoded(image, "webp", lossless=True),
        "trailer.webp": encoded(image, "webp") + bytes(99),
        "pages.tif": encoded(image, "tif", save_all=True, append_images=[picture((90, 70))]),
        "packed.tif": encoded(image, "tif", compression="tiff_lzw"),
        "jpeg-packed.tif": encoded(image, "tif", compression="jpeg"),
        "lab.tif": encoded(image.convert("L"), "tif", big_tiff=True),
    }
    for name, data in whole.items():
        yield name, data, Expect.READ, "unusual but whole"


def _png(width: int, height: int, pixels: bytes, *, depth: int = 8, extra: bytes = b"") -> bytes:
    header = struct.pack(">IIBBBBB", width, height, depth, 0, 0, 0, 0)
    mark = b"\x89PNG\r\n\x1a\n"
    return mark + chunk(b"IHDR", header) + extra + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def chunk(kind: bytes, body: bytes) -> bytes:
    """Make one PNG chunk."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _odd_pngs() -> Iterator[tuple[str, bytes, Expect, str]]:
    rows = zlib.compress(b"".join(b"\0" + bytes(100) for _ in range(80)))
    inflating = zlib.compress(bytes(200_000_000), 9)
    extras = {
        "text-bomb": chunk(b"zTXt", b"note\0\0" + inflating),
        "profile-bomb": chunk(b"iCCP", b"name\0\0" + inflating),
        "text": chunk(b"tEXt", b"note\0<script>"),
        "exif": chunk(b"eXIf", b"II*\0" + b"\xff" * 50),
        "exif-text": chunk(b"tEXt", b"Raw profile type exif\0\nexif\n 9\nzzzz"),
        "unknown": chunk(b"quUX", bytes(500)),
        "critical": chunk(b"QUUX", bytes(500)),
        "second-header": chunk(b"IHDR", struct.pack(">IIBBBBB", 9999, 9999, 8, 2, 0, 0, 0)),
        "wrong-sum": chunk(b"tEXt", b"note\0hello")[:-1] + b"!",
    }
    for name, extra in extras.items():
        yield f"chunk-{name}.png", _png(100, 80, rows, extra=extra), Expect.EITHER, "odd chunk"
    yield "few-pixels.png", _png(100, 80, zlib.compress(bytes(50))), Expect.REFUSED, "few pixels"
    yield "no-pixels.png", _png(100, 80, b""), Expect.REFUSED, "no pixels"
    whole = encoded(picture(), "png")
    late = whole[:-12] + chunk(b"tEXt", b"note\0late") + chunk(b"eXIf", b"II") + whole[-12:]
    yield "late-chunks.png", late, Expect.READ, "chunks behind the pixels"


def _tiff(tags: dict[int, int], *, next_directory: int = 0) -> bytes:
    base = {256: 100, 257: 80, 258: 8, 259: 1, 262: 1, 273: 200, 277: 1, 278: 80, 279: 8000} | tags
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, base[tag]) for tag in sorted(base))
    head = b"II*\0\x08\0\0\0" + struct.pack("<H", len(base)) + entries
    return (head + struct.pack("<I", next_directory)).ljust(200, b"\0") + bytes(range(250)) * 32


def _odd_tiffs() -> Iterator[tuple[str, bytes, Expect, str]]:
    yield "plain.tif", _tiff({}), Expect.READ, "plain"
    yield "endless.tif", _tiff({}, next_directory=8), Expect.READ, "directories in a circle"
    odd = {
        "far-strip": {273: 2**31}, "no-bits": {258: 0}, "many-bits": {258: 999},
        "many-samples": {277: 60_000}, "method": {259: 12_345}, "old-jpeg": {259: 6},
        "colours": {262: 77}, "no-rows": {278: 0}, "huge-strip": {279: 2**32 - 1},
        "raw-file": {0xC612: 1},
    }  # fmt: skip
    for name, tags in odd.items():
        expect = Expect.REFUSED if name in {"raw-file", "far-strip"} else Expect.EITHER
        yield f"{name}.tif", _tiff(tags), expect, "odd tag"


ODD_NAMES = (
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "=HYPERLINK(A1)", "=1+1",
    "+1+1", "@SUM(A1)", "-2+3", "--help", "$(touch x)", "`touch x`", "; rm x", "%s%s%n", "{0}{x}",
    "[bold red]x[/]", "new\nline", "tab\tname", "\x1b[2J\x1b[31m", "\x07\x08", "\u202egpj.1min",
    "\u200b\u200d\ufeff", "🌱🪴 48h", "é" * 100, "x" * 250, "a,b;c\"d'e", "CON", "aux.48h", " lead",
    "trail ", "...", "~", "*?", "\\back\\slash", "北の畑 48時間",
    "\u0627\u0644\u062a\u0631\u0628\u0629 2h",
    "Z\u0351\u036b\u0343\u036a\u0302\u036b\u033dalgo", "{{7*7}}", "caf\udce9", "\udcff\udcfe",
)  # fmt: skip


def _odd_names(folder: Path) -> Iterator[Hostile]:
    """Write a good picture under odd names; a system that takes a name not is passed over."""
    folder.mkdir()
    data = encoded(picture(), "jpg")
    for name in ODD_NAMES:
        path = folder / f"{name}.jpg"
        try:
            path.write_bytes(data)
        except (OSError, ValueError, UnicodeError):
            continue
        yield Hostile(path, Expect.READ, "odd name")


def _odd_entries(folder: Path) -> Iterator[Hostile]:
    """Make what is no ordinary file, as far as the system has it."""
    folder.mkdir()
    (folder / "folder.jpg").mkdir()
    yield Hostile(folder / "folder.jpg", Expect.REFUSED, "a folder")
    yield Hostile(folder / "missing.jpg", Expect.REFUSED, "not there")
    yield Hostile(folder / "missing" / "x.jpg", Expect.REFUSED, "its folder is not there")
    yield Hostile(folder / "nul\x00.jpg", Expect.REFUSED, "a name that cannot be")
    yield Hostile(folder / ("x" * 300 + ".jpg"), Expect.REFUSED, "a name that is too long")
    if os.name != "posix":
        return
    os.mkfifo(folder / "pipe.jpg")
    yield Hostile(folder / "pipe.jpg", Expect.REFUSED, "a pipe that nobody writes to")
    links = {"loop": "loop.jpg", "nowhere": "gone.jpg", "zero": "/dev/zero", "full": "/dev/full"}
    links |= {"terminal": "/dev/tty", "system": "/proc/self/mem", "to-folder": "."}
    for name, target in links.items():
        (folder / f"{name}.jpg").symlink_to(target)
        yield Hostile(folder / f"{name}.jpg", Expect.REFUSED, f"a link to {target}")
    with (folder / "sparse.tif").open("wb") as file:
        file.write(b"II*\x00\x08\x00\x00\x00")
        file.truncate(40_000_000_000)
    yield Hostile(folder / "sparse.tif", Expect.REFUSED, "40 GB of nothing")
