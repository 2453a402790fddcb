"""Jars drawn by code with known truth, walls with known layers, and edits of the sample photos.

The drawing is done ray by ray with its own optics (vector Snell at each surface), so that it can
judge the reader's; nothing here is imported from the modules under test but the types that carry
an unrolled wall.
"""

from __future__ import annotations

import functools
import io
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import ExifTags, Image, ImageOps

from jarvision.jar.unwrap import WallMap

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
SAMPLE_JARS = ("02", "08", "09", "21")
READINGS = ("1min", "2h", "48h")

# --- rays -----------------------------------------------------------------------------------------
GLASS, WATER = 1.52, 1.333  # handbook values for soda-lime glass and water, from memory


def refracted(direction: np.ndarray, normal: np.ndarray, ratio: float) -> np.ndarray:
    """Bend rays (n, 3) at a surface whose normal points against them; `ratio` is n1 / n2."""
    d = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    c = -(d * normal).sum(axis=-1, keepdims=True)
    rest = np.sqrt(np.maximum(1.0 - ratio**2 * (1.0 - c**2), 0.0))
    return ratio * d + (ratio * c - rest) * normal


def cylinder_hit(start: np.ndarray, direction: np.ndarray, radius: float) -> np.ndarray:
    """How far rays (n, 3) go until they first meet an upright cylinder about the axis, (n,)."""
    a = (direction[:, :2] ** 2).sum(axis=1)
    b = (start[:, :2] * direction[:, :2]).sum(axis=1)
    c = (start[:, :2] ** 2).sum(axis=1) - radius**2
    return (-b - np.sqrt(np.maximum(b**2 - a * c, 0.0))) / a


# --- the printed strip ----------------------------------------------------------------------------
# Measures of the strip as it was designed, in millimetres; not taken from the reader's own data.
TAG_MM, TAG_LEFT_MM, FIRST_MM, STEP_MM, STRIP_MM = 16.0, 2.0, 15.0, 30.0, 26.0


def tag_picture(tag_id: int, cell_px: int, *, family: int | None = None) -> np.ndarray:
    """One tag as OpenCV draws it, its black square filling the picture."""
    kind = cv2.aruco.DICT_APRILTAG_36h11 if family is None else family
    tags = cv2.aruco.getPredefinedDictionary(kind)
    return cv2.aruco.generateImageMarker(tags, tag_id, (tags.markerSize + 2) * cell_px)


@functools.lru_cache(maxsize=8)
def strip_picture(
    jar: int, *, px_per_mm: int = 16, length_mm: float = 150.0, hidden: tuple[int, ...] = ()
) -> np.ndarray:
    """A strip laid flat, grey; its bottom row is zero. Tags in `hidden` are papered over."""
    paper = np.full((round(length_mm * px_per_mm), round(STRIP_MM * px_per_mm)), 235, np.uint8)
    side = round(TAG_MM * px_per_mm)
    for k in range(int((length_mm - FIRST_MM - TAG_MM / 2) // STEP_MM) + 1):
        if k in hidden:
            continue
        top = round((length_mm - FIRST_MM - k * STEP_MM - TAG_MM / 2) * px_per_mm)
        left = round(TAG_LEFT_MM * px_per_mm)
        tag = cv2.resize(tag_picture(5 * (jar - 1) + k, 16), (side, side), interpolation=0)
        paper[top : top + side, left : left + side] = np.where(tag > 127, 235, 25)
    for z in range(1, int(length_mm)):
        row = round((length_mm - z) * px_per_mm)
        wide = 5.0 if z % 10 == 0 else 3.5 if z % 5 == 0 else 2.2
        paper[row - 1 : row + 2, paper.shape[1] - round(wide * px_per_mm) :] = 60
    return paper


def tag_corners_mm(k: int) -> np.ndarray:
    """Corners of tag `k` on the strip, (4, 2): x and z of the upright tag's top left, clockwise."""
    left, middle = TAG_LEFT_MM, FIRST_MM + k * STEP_MM
    low, high = middle - TAG_MM / 2, middle + TAG_MM / 2
    return np.array([[left, high], [left + TAG_MM, high], [left + TAG_MM, low], [left, low]])


# --- a drawn jar ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class Shot:
    """A jar, a camera and some light; lengths in millimetres, angles in radians.

    `tops` are those of sand, silt and clay above the inside floor, which lies at zero; the strip's
    zero lies `strip_up` above it.
    """

    size_px: tuple[int, int] = (1640, 1180)
    focal_px: float = 1900.0
    distance: float = 330.0
    height: float = 90.0
    yaw: float = 0.01
    pitch: float = 0.12
    roll: float = 0.01
    radius: float = 38.0
    exponent: float = 2.0
    turn: float = 0.0
    wall: float = 2.7
    base: float = 4.0
    heel: float = 1.1  # the rounded foot of the inside hides the lowest deposit
    jar: int | None = 7
    strip_at: float = 0.62
    strip_up: float = 0.0
    hidden: tuple[int, ...] = ()
    tops: tuple[float, float, float] = (16.0, 39.0, 52.0)
    settled: int = 3
    water: float = 112.0
    glass_top: float = 135.0
    lid_top: float = 150.0
    grain: tuple[float, float, float] = (9.0, 3.5, 0.7)
    noise: float = 1.5
    blur_px: float = 0.6
    light: float = 1.0
    seed: int = 5
    colours: tuple[tuple[str, tuple[float, float, float]], ...] = ()

    def colour(self, name: str) -> np.ndarray:
        return np.array((_COLOURS | dict(self.colours))[name], dtype=np.float32)


# Blue, green, red.
_COLOURS = {
    "back": (190.0, 178.0, 172.0),
    "table": (96.0, 112.0, 130.0),
    "sand": (62.0, 84.0, 112.0),
    "silt": (84.0, 108.0, 132.0),
    "clay": (70.0, 88.0, 104.0),
    "cloud": (104.0, 128.0, 150.0),
    "surface": (92.0, 104.0, 112.0),
    "glass": (120.0, 116.0, 108.0),
    "lid": (60.0, 140.0, 90.0),
}


@dataclass(frozen=True)
class _Outline:
    """The jar's outside as tables over the sideways slope of the sight line."""

    slope: np.ndarray
    reach: np.ndarray
    azimuth: np.ndarray
    arc: np.ndarray
    normal: np.ndarray


def outline_xy(shot: Shot, azimuth: np.ndarray, *, inward: float = 0.0) -> np.ndarray:
    """Points of the jar's outside (n, 2): a superellipse about the axis; azimuth 0 is in front."""
    a, r = azimuth - shot.turn, shot.radius - inward
    shape = np.abs(np.sin(a)) ** shot.exponent + np.abs(np.cos(a)) ** shot.exponent
    r = r / shape ** (1 / shot.exponent)
    return np.stack([r * np.sin(azimuth), -r * np.cos(azimuth)], axis=-1)


def _outline(shot: Shot) -> _Outline:
    azimuth = np.linspace(-2.2, 2.2, 8801)
    xy = outline_xy(shot, azimuth)
    along = np.gradient(xy, azimuth, axis=0)
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xy, axis=0), axis=1))])
    normal = np.stack([along[:, 1], -along[:, 0]], -1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    slope = xy[:, 0] / (xy[:, 1] + shot.distance)
    first, last = int(slope.argmin()), int(slope.argmax())
    seen = slice(first, last + 1)
    reach = xy[seen, 1] + shot.distance
    return _Outline(slope[seen], reach, azimuth[seen], arc[seen], normal[seen])


def _arc_at(shot: Shot, azimuth: float) -> float:
    o = _outline(shot)
    return float(np.interp(azimuth, o.azimuth, o.arc))


def turn_of(shot: Shot) -> np.ndarray:
    """Rotation from right, down, away to the camera's axes: yaw, then tilt, then roll."""
    cy, sy, cp, sp = (
        math.cos(shot.yaw),
        math.sin(shot.yaw),
        math.cos(shot.pitch),
        math.sin(shot.pitch),
    )
    cr, sr = math.cos(shot.roll), math.sin(shot.roll)
    yaw = np.array([[cy, 0, -sy], [0, 1, 0], [sy, 0, cy]])
    pitch = np.array([[1, 0, 0], [0, cp, -sp], [0, sp, cp]])
    return np.array([[cr, sr, 0], [-sr, cr, 0], [0, 0, 1]]) @ pitch @ yaw


def seen_at(shot: Shot, points: np.ndarray) -> np.ndarray:
    """Where points (n, 3) of the jar's frame fall in the picture, (n, 2) [px]."""
    away = points - np.array([0.0, -shot.distance, shot.height])
    q = np.stack([away[:, 0], -away[:, 2], away[:, 1]], -1) @ turn_of(shot).T
    middle = (np.array(shot.size_px[::-1]) - 1) / 2
    return shot.focal_px * q[:, :2] / q[:, 2:] + middle


def edge_points(shot: Shot, side: int, z_mm: np.ndarray) -> np.ndarray:
    """Points of the jar's outline as the camera sees it, (n, 3); side is -1 left, +1 right."""
    o = _outline(shot)
    xy = outline_xy(shot, o.azimuth[[-1 if side > 0 else 0]])
    return np.column_stack([np.repeat(xy, len(z_mm), axis=0), z_mm])


def strip_points(shot: Shot, x_mm: np.ndarray, z_mm: np.ndarray) -> np.ndarray:
    """Points of the strip in the jar's frame, (n, 3); the strip's middle stands at `strip_at`."""
    o = _outline(shot)
    arc = _arc_at(shot, shot.strip_at) + x_mm - STRIP_MM / 2
    xy = outline_xy(shot, np.interp(arc, o.arc, o.azimuth))
    return np.column_stack([xy, z_mm + shot.strip_up])


def _grains(rng: np.random.Generator, size_mm: float, strength: float) -> np.ndarray:
    """A sheet of grain, 8 px a millimetre, 88 by 128 mm."""
    sheet = cv2.GaussianBlur(
        rng.standard_normal((704, 1024), dtype=np.float32), (0, 0), 8 * size_mm
    )
    return strength * sheet / float(sheet.std())


def _sampled(sheet: np.ndarray, arc: np.ndarray, z: np.ndarray) -> np.ndarray:
    """A sheet looked up where the wall is."""
    return _looked_up(sheet, 8 * arc, 8 * z)


def _looked_up(sheet: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Values of a sheet at any number of places (n,); it goes on round its edges."""
    count = len(x)
    rows = -(-count // 4096)
    at = np.zeros((2, rows * 4096), dtype=np.float32)
    at[:, :count] = x, y
    x, y = at.reshape(2, rows, 4096)
    found = cv2.remap(sheet, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return found.ravel()[:count]


@functools.lru_cache(maxsize=8)
def draw(shot: Shot) -> np.ndarray:
    """Draw a jar, (h, w, 3) uint8, blue, green, red; read-only, since it is kept."""
    rng = np.random.default_rng(shot.seed)
    h, w = shot.size_px
    x, y = np.meshgrid(np.arange(w) - (w - 1) / 2, np.arange(h) - (h - 1) / 2)
    rays = np.stack([x, y, np.full_like(x, shot.focal_px)], -1) @ turn_of(shot)
    picture = _background(shot, rays, rng)
    o = _outline(shot)
    slope = rays[..., 0] / rays[..., 2]
    rows, cols = np.nonzero((slope > o.slope[0]) & (slope < o.slope[-1]))
    d = rays[rows, cols]
    d = np.stack([d[:, 0], d[:, 2], -d[:, 1]], -1)  # right, away, up
    reach = np.interp(slope[rows, cols], o.slope, o.reach)
    z = shot.height + d[:, 2] / d[:, 1] * reach
    on = (z > -shot.base) & (z < shot.lid_top)
    rows, cols, d, z = rows[on], cols[on], d[on], z[on]
    at = [np.interp(slope[rows, cols], o.slope, table) for table in (o.azimuth, o.arc)]
    normal = np.stack([np.interp(slope[rows, cols], o.slope, o.normal[:, i]) for i in (0, 1)], -1)
    normal = np.column_stack([normal, np.zeros(len(normal))])
    light = _jar_light(shot, _Hits(d, *at, z, normal, picture[rows, cols]), rng)
    picture[rows, cols] = light
    picture = cv2.GaussianBlur(picture, (0, 0), shot.blur_px) if shot.blur_px else picture
    picture = shot.light * picture
    picture += shot.noise * rng.standard_normal(picture.shape, dtype=np.float32)
    drawn = np.clip(picture + 0.5, 0, 255).astype(np.uint8)
    drawn.flags.writeable = False
    return drawn


@dataclass(frozen=True)
class _Hits:
    """Sight lines that meet the jar: direction, azimuth, arc, height, normal, what is behind."""

    direction: np.ndarray
    azimuth: np.ndarray
    arc: np.ndarray
    z: np.ndarray
    normal: np.ndarray
    behind: np.ndarray


def _background(shot: Shot, rays: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A plain wall over a plain table that meets it 400 mm behind the jar."""
    down = rays[..., 1] / np.maximum(rays[..., 2], 1e-6)
    is_table = down > (shot.height + shot.base) / (shot.distance + 400.0)
    small = rng.standard_normal((down.shape[0] // 8, down.shape[1] // 8), dtype=np.float32)
    mottled = cv2.resize(2.5 * small, down.shape[::-1], interpolation=cv2.INTER_CUBIC)
    plain = np.where(is_table[..., None], shot.colour("table"), shot.colour("back"))
    return (plain + mottled[..., None]).astype(np.float32)


def _jar_light(shot: Shot, hits: _Hits, rng: np.random.Generator) -> np.ndarray:
    """Colours (n, 3) of the sight lines that meet the jar."""
    inside = refracted(hits.direction, hits.normal, 1.0 / GLASS)
    facing = -(inside * hits.normal).sum(axis=1)
    bent = inside * (shot.wall / np.maximum(facing, 0.3))[:, None]
    z = hits.z + bent[:, 2]
    out = _contents(shot, hits, z, inside, rng)
    edge = np.abs((hits.direction * hits.normal).sum(axis=1))
    edge /= np.linalg.norm(hits.direction, axis=1)
    out *= (1.0 - 0.55 * np.exp(-((edge / 0.22) ** 2)))[:, None]
    out[z < shot.heel] = shot.colour("glass") * 0.6
    out[hits.z > shot.glass_top] = shot.colour("lid")
    if shot.jar is None:
        return out
    x = hits.arc - _arc_at(shot, shot.strip_at) + STRIP_MM / 2
    up = hits.z - shot.strip_up
    on = (x > 0) & (x < STRIP_MM) & (up > 0) & (up < 150)
    px = 16
    flat = cv2.GaussianBlur(strip_picture(shot.jar, px_per_mm=px, hidden=shot.hidden), (0, 0), 2.0)
    out[on] = 0.85 * _looked_up(flat, x[on] * px - 0.5, (150 - up[on]) * px - 0.5)[:, None]
    return out


def _contents(
    shot: Shot, hits: _Hits, z: np.ndarray, inside: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Colours of what stands behind the glass."""
    out = 0.85 * hits.behind + 0.05 * shot.colour("glass")
    wet = z < shot.water
    top = shot.tops[shot.settled - 1] if shot.settled else 0.0
    if shot.settled == 3:
        out[wet] = _through_clear_water(shot, hits, z, inside)[wet]
    else:
        out[wet] = shot.colour("cloud") * (1.0 - 0.0012 * (shot.water - z[wet]))[:, None]
    out[np.abs(z - shot.water) < 0.5] *= 0.5
    names = ("sand", "silt", "clay")
    sheets = [_grains(rng, s, g) for s, g in zip((0.22, 0.09, 0.1), shot.grain, strict=True)]
    low = 0.0
    for k in range(shot.settled):
        here = (z >= low) & (z < min(shot.tops[k], top))
        grain = _sampled(sheets[k], hits.arc[here], z[here])
        out[here] = shot.colour(names[k]) + grain.reshape(-1, 1)
        low = shot.tops[k]
    return out


def _through_clear_water(shot: Shot, hits: _Hits, z: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Colours seen through clear water: the deposit's surface to its far rim, then the back."""
    d = refracted(inside, hits.normal, GLASS / WATER)
    xy = outline_xy(shot, hits.azimuth, inward=shot.wall)
    fall = np.where(d[:, 2] < -1e-6, (z - shot.tops[2]) / np.maximum(-d[:, 2], 1e-6), np.inf)
    reached = xy + np.minimum(fall, 1e4)[:, None] * d[:, :2]
    u = reached[:, 0] * math.cos(shot.turn) + reached[:, 1] * math.sin(shot.turn)
    v = reached[:, 1] * math.cos(shot.turn) - reached[:, 0] * math.sin(shot.turn)
    r = shot.radius - shot.wall
    on = np.abs(u / r) ** shot.exponent + np.abs(v / r) ** shot.exponent < 1
    behind = 0.55 * hits.behind + 0.25 * shot.colour("glass")
    return np.where(on[:, None], shot.colour("surface"), behind)


# --- a wall with known layers ---------------------------------------------------------------------
@dataclass(frozen=True)
class Layering:
    """What an unrolled wall shows: layers with grain and colour, bands of light, false bands.

    `tops_mm` are those of the layers that are down; above the last is `above` with its grain.
    """

    tops_mm: tuple[float, ...] = (14.0, 37.0)
    grain: tuple[float, ...] = (8.0, 3.0, 0.6)
    light: tuple[float, ...] = (42.0, 52.0, 60.0)
    hue: tuple[float, ...] = (14.0, 12.0, 9.0)
    noise: float = 0.8
    glare: float = 0.0
    bands_mm: tuple[float, ...] = ()
    band_light: float = 6.0
    uneven_mm: float = 0.0
    columns: int = 197
    gap: tuple[int, int] | None = (120, 150)
    floor_mm: float = 0.0
    seed: int = 1


ROW_MM, COLUMN_MM = 0.125, 0.2
_GRAIN_MM = (0.28, 0.12, 0.1)


def wall(layering: Layering, *, top_mm: float = 120.0, radius_mm: float = 38.0) -> WallMap:
    """Draw an unrolled wall in CIE Lab and give it as 8-bit colour."""
    rng = np.random.default_rng(layering.seed)
    z = np.arange(-6.0, top_mm, ROW_MM)
    x = (np.arange(layering.columns) - layering.columns / 2) * COLUMN_MM
    waves = np.sin(2 * np.pi * (x / 17.0 + rng.random())) + np.sin(
        2 * np.pi * (x / 7.3 + rng.random())
    )
    edge = [t + layering.uneven_mm / 4 * waves for t in layering.tops_mm]
    which = np.zeros((len(z), len(x)), dtype=int)
    for each in edge:
        which += z[:, None] > each[None, :]
    lab = np.stack([np.take(layering.light, which), *[np.take(layering.hue, which)] * 2], -1) * 1.0
    lab[..., 0] += _layer_grain(rng, which, layering)
    lab[z < layering.floor_mm] = (70.0, 0.0, 2.0)
    lab[..., 0] += layering.glare * np.exp(-0.5 * ((x - 6.0) / 2.0) ** 2)[None, :]
    for band in layering.bands_mm:
        lab[np.abs(z - band) < 0.3, :, 0] += layering.band_light
    lab += rng.normal(0, layering.noise, lab.shape)
    bgr = cv2.cvtColor(lab.astype(np.float32), cv2.COLOR_LAB2BGR)
    bgr = np.clip(255 * bgr + 0.5, 0, 255).astype(np.uint8)
    keep = np.ones(len(x), dtype=bool)
    if layering.gap:
        keep[slice(*layering.gap)] = False
    return WallMap(z, np.arcsin(x / radius_mm)[keep], np.ascontiguousarray(bgr[:, keep]), 8.0)


def _layer_grain(rng: np.random.Generator, which: np.ndarray, layering: Layering) -> np.ndarray:
    """Grain of each layer, (rows, columns)."""
    whole = np.zeros(which.shape, dtype=np.float64)
    for k, strength in enumerate(layering.grain):
        size = _GRAIN_MM[min(k, 2)]
        sheet = rng.standard_normal(which.shape).astype(np.float32)
        sheet = cv2.GaussianBlur(sheet, (0, 0), sigmaX=size / COLUMN_MM, sigmaY=size / ROW_MM)
        whole += np.where(which == k, strength * sheet / sheet.std(), 0.0)
    return whole


# --- sample photos, edited ------------------------------------------------------------------------
def sample(jar: str, reading: str) -> Path:
    """A photo of `sample_images`."""
    return SAMPLES / f"jar-{jar}-{reading}.jpg"


@functools.lru_cache(maxsize=12)
def _opened(path: Path) -> Image.Image:
    with Image.open(path) as image:
        return ImageOps.exif_transpose(image).convert("RGB")


def upright(path: Path) -> np.ndarray:
    """A photo as it should be looked at, (h, w, 3), blue, green, red; a fresh copy."""
    return np.asarray(_opened(path))[:, :, ::-1].copy()


def exif_of(
    taken: datetime | None = None,
    *,
    focal_35mm: float | None = None,
    orientation: int | None = None,
) -> Image.Exif:
    """An EXIF block with only what is given."""
    exif = Image.Exif()
    if orientation:
        exif[ExifTags.Base.Orientation] = orientation
    block = exif.get_ifd(ExifTags.IFD.Exif)
    if taken:
        block[ExifTags.Base.DateTimeOriginal] = taken.strftime("%Y:%m:%d %H:%M:%S")
    if focal_35mm:
        block[ExifTags.Base.FocalLengthIn35mmFilm] = round(focal_35mm)
    return exif


def camera_of(path: Path) -> tuple[datetime, float]:
    """Capture time and focal length of a sample photo [35 mm terms], by Pillow."""
    with Image.open(path) as image:
        block = image.getexif().get_ifd(ExifTags.IFD.Exif)
    taken = datetime.strptime(block[ExifTags.Base.DateTimeOriginal], "%Y:%m:%d %H:%M:%S")
    return taken, float(block[ExifTags.Base.FocalLengthIn35mmFilm])


def save(path: Path, bgr: np.ndarray, exif: Image.Exif | None = None, *, quality: int = 93) -> Path:
    """Save a picture in the format that its ending names."""
    image = Image.fromarray(np.ascontiguousarray(bgr[:, :, ::-1]))
    block = exif.tobytes() if exif is not None else b""
    if path.suffix == ".heic":
        file = io.BytesIO()
        pillow_heif.from_pillow(image).save(file, quality=quality, exif=block or None)
        path.write_bytes(file.getvalue())
    else:
        options = {"compress_level": 1} if path.suffix == ".png" else {"quality": quality}
        image.save(path, exif=block, **({} if path.suffix == ".tif" else options))
    return path


Edit = Callable[[np.ndarray], np.ndarray]


def edited(
    folder: Path,
    jar: str,
    edit: Edit,
    *,
    readings: tuple[str, ...] = READINGS,
    exif: bool = True,
    suffix: str = ".jpg",
) -> list[Path]:
    """Save edited copies of a sample jar's photos, with the time and lens of the originals."""
    made = []
    for reading in readings:
        source = sample(jar, reading)
        taken, focal = camera_of(source)
        block = exif_of(taken, focal_35mm=focal) if exif else None
        made.append(save(folder / f"jar-{jar}-{reading}{suffix}", edit(upright(source)), block))
    return made


def drawn(folder: Path, shot: Shot, *, name: str = "pot", exif: bool = True) -> list[Path]:
    """Save the three photos of a drawn jar, taken 1 minute, 2 hours and 2 days after shaking."""
    start = datetime(2026, 5, 4, 9, 30)
    made = []
    spread = dict(zip(READINGS, (60, 7200, 172_800), strict=True))
    for settled, (reading, seconds) in enumerate(spread.items(), start=1):
        picture = draw(replace(shot, settled=settled, seed=shot.seed + settled))
        focal = shot.focal_px * 43.2666 / math.hypot(*shot.size_px)
        block = exif_of(start + timedelta(seconds=seconds), focal_35mm=focal) if exif else None
        made.append(save(folder / f"{name} {reading}.jpg", picture, block))
    return made
