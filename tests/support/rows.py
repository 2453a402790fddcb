"""A row of settling jars on a bench, drawn by tracing rays through glass and water.

An outside check of the reader: nothing of its geometry is used here, only the strip's measures as
`scenes` draws them. Light is traced from the pinhole: refraction by Snell's law in vector form and
unpolarised Fresnel reflection at every surface (Glassner, An Introduction to Ray Tracing, 1989;
from memory), so that a jar shows the table, the wall and its neighbours through its glass and in
it. Opaque things are matt; how much light falls on them is summed over directions with the jars
as blockers. Left out: multiple scattering, caustics, depth of field, necks and rounded outsides.

Lengths in millimetres, angles in radians. x runs right, y away, z up; the table is z = 0 and a
jar's inside floor lies `base_mm` above it. Azimuths run from -y (front) toward +x. Light is linear
RGB within; what leaves is 8-bit blue, green, red.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from scenes import exif_of, save, strip_picture, tag_corners_mm

READINGS = ("1min", "2h", "48h")
AIR_N, WATER_N, GLASS_N = 1.0, 1.333, 1.52  # handbook values for visible light, from memory
Colour = tuple[float, float, float]
F32 = np.float32


# --- what stands on the bench ---------------------------------------------------------------------
@dataclass(frozen=True)
class Strip:
    """A strip taped upright on a jar: azimuth of its middle, its zero above the inside floor."""

    number: int
    azimuth: float = 0.5
    up_mm: float = 0.0
    length_mm: float = 150.0
    crooked: float = 0.0
    paper: Colour = (0.72, 0.71, 0.69)


@dataclass(frozen=True)
class Soil:
    """Three layers at the wall; `tops_mm` above the inside floor, each as it first settled.

    Compaction makes a layer thinner by that share from one reading to the next. The boundaries
    wave about their mean by `uneven_mm` at most, and neighbours mix over `mixed_mm`.
    """

    tops_mm: Colour = (22.0, 41.0, 52.0)
    colours: tuple[Colour, Colour, Colour] = (
        (0.20, 0.13, 0.085),
        (0.27, 0.19, 0.13),
        (0.30, 0.17, 0.11),
    )
    contrast: Colour = (0.55, 0.12, 0.05)
    grain: float = 1.0
    uneven_mm: float = 0.6
    mixed_mm: float = 0.7
    compaction: float = 0.012


@dataclass(frozen=True)
class Murk:
    """Water: extinction [1/mm] at the three readings, the colour it scatters, scum at its edge."""

    per_mm: Colour = (0.55, 0.16, 0.003)
    colour: Colour = (0.27, 0.19, 0.14)
    drift: float = 0.12
    scum_mm: Colour = (4.0, 2.5, 1.2)


@dataclass(frozen=True)
class RowJar:
    """A jar with its lid; `height_mm` from the table to the lid's top.

    Inside, floor and wall meet in a rounding of radius `heel_mm`, filled by the deposit.
    """

    x: float = 0.0
    y: float = 0.0
    radius_mm: float = 40.0
    wall_mm: float = 2.5
    base_mm: float = 5.0
    heel_mm: float = 4.0
    height_mm: float = 150.0
    lid_mm: float = 16.0
    lid_over_mm: float = 1.4
    lid: Colour = (0.45, 0.10, 0.08)
    water_mm: float = 105.0
    soil: Soil = Soil()
    murk: Murk = Murk()
    strip: Strip | None = None
    tint_per_mm: Colour = (0.0035, 0.0012, 0.0022)
    seed: int = 1


@dataclass(frozen=True)
class Window:
    """A bright rectangle in the room, far away: where it is, how large, how bright."""

    azimuth: float = -1.0
    elevation: float = 0.22
    half_wide: float = 0.28
    half_high: float = 0.36
    radiance: Colour = (14.0, 15.0, 17.0)
    bars: int = 1


@dataclass(frozen=True)
class Box:
    """A box on the table, turned about the vertical."""

    x: float
    y: float
    wide: float
    deep: float
    high: float
    turn: float = 0.0
    colour: Colour = (0.20, 0.14, 0.25)


@dataclass(frozen=True)
class Camera:
    """A pinhole; at zero yaw, pitch and roll it looks along +y. Pitch looks down, yaw right."""

    x: float = 0.0
    y: float = -600.0
    z: float = 120.0
    yaw: float = 0.0
    pitch: float = 0.08
    roll: float = 0.0
    focal_35mm: float = 26.0
    size_px: tuple[int, int] = (1800, 2400)

    @property
    def focal_px(self) -> float:
        return self.focal_35mm * math.hypot(*self.size_px) / math.hypot(36.0, 24.0)


@dataclass(frozen=True)
class Finish:
    """What the phone makes of the light.

    Exposure brings the middle grey to half of `exposure` unless the brightest parts would burn.
    """

    exposure: float = 0.44
    balance: Colour = (1.0, 1.0, 1.0)
    noise: float = 0.006
    blur_px: float = 0.6
    sharpen: float = 0.3
    vignette: float = 0.12


@dataclass(frozen=True)
class RowScene:
    """A row of jars, the room, and the camera that looks at it at one of the readings."""

    jars: tuple[RowJar, ...]
    reading: str = "48h"
    camera: Camera = Camera()
    table: str = "wood"
    table_colour: Colour = (0.34, 0.23, 0.14)
    wall_y: float = 350.0
    wall_colour: Colour = (0.42, 0.47, 0.40)
    boxes: tuple[Box, ...] = ()
    windows: tuple[Window, ...] = (Window(),)
    room: Colour = (0.55, 0.56, 0.60)
    finish: Finish = Finish()
    samples: int = 4
    seed: int = 1


# --- truth ----------------------------------------------------------------------------------------
_WAVES = (1, 2, 3, 5)


def _settled(scene: RowScene) -> int:
    return READINGS.index(scene.reading) + 1


def mean_tops_mm(jar: RowJar, reading: str) -> np.ndarray:
    """Mean heights of the boundaries (3,) all round, with the compaction up to a reading."""
    thick = np.diff(jar.soil.tops_mm, prepend=0.0)
    age = np.maximum(READINGS.index(reading) - np.arange(3), 0)
    return np.cumsum(thick * (1.0 - jar.soil.compaction) ** age)


def waves(jar: RowJar) -> np.ndarray:
    """Complex amplitudes (3, 4) of the boundaries' waves about the axis [mm]."""
    rng = np.random.default_rng([jar.seed, 77])
    size = np.array([0.42, 0.28, 0.18, 0.12]) * rng.uniform(0.4, 1.0, (3, len(_WAVES)))
    size *= jar.soil.uneven_mm / 2 * np.array([[1.0], [0.7], [1.0]])
    return size * np.exp(2j * np.pi * rng.random(size.shape))


def boundary_mm(jar: RowJar, reading: str, azimuth: np.ndarray) -> np.ndarray:
    """Heights (3, n) of the boundaries at the wall above the inside floor."""
    turn = np.exp(1j * np.outer(_WAVES, azimuth))
    return mean_tops_mm(jar, reading)[:, None] + (waves(jar) @ turn).real


def facing(jar: RowJar, camera: Camera) -> float:
    """Azimuth of the jar's front: where the camera looks straight at its axis."""
    return math.atan2(camera.x - jar.x, jar.y - camera.y)


def axes_of(camera: Camera) -> np.ndarray:
    """Rows right, down, away of the camera in the world, (3, 3)."""
    cy, sy, cp, sp = *_cos_sin(camera.yaw), *_cos_sin(camera.pitch)
    away = np.array([sy * cp, cy * cp, -sp])
    right = np.array([cy, -sy, 0.0])
    down = np.cross(away, right)
    cr, sr = _cos_sin(camera.roll)
    return np.array([cr * right + sr * down, cr * down - sr * right, away])


def _cos_sin(angle: float) -> tuple[float, float]:
    return math.cos(angle), math.sin(angle)


def seen_at(camera: Camera, points: np.ndarray) -> np.ndarray:
    """Where points (n, 3) fall in the picture with nothing in between, (n, 2) x and y [px]."""
    q = (np.atleast_2d(points) - (camera.x, camera.y, camera.z)) @ axes_of(camera).T
    middle = (np.array(camera.size_px[::-1]) - 1) / 2
    return camera.focal_px * q[:, :2] / q[:, 2:] + middle


@dataclass(frozen=True)
class JarTruth:
    """What a jar holds; heights are means over the front 45 degrees either way, in millimetres.

    The pixels are of the outside of the glass straight in front of the camera, without refraction:
    at the inside floor, and at the top of what has settled.
    """

    number: int | None
    reading: str
    tops_mm: tuple[float, float, float]
    top_mm: float
    uneven_mm: float
    inside_diameter_mm: float
    floor_px: tuple[float, float]
    top_px: tuple[float, float]


def truth(scene: RowScene) -> tuple[JarTruth, ...]:
    """Give the truth for each jar, in the order of the scene."""
    return tuple(_jar_truth(scene, jar) for jar in scene.jars)


def _jar_truth(scene: RowScene, jar: RowJar) -> JarTruth:
    front = facing(jar, scene.camera)
    all_tops = boundary_mm(jar, scene.reading, front + np.linspace(-math.pi / 4, math.pi / 4, 361))
    tops, now = all_tops.mean(axis=1), _settled(scene) - 1
    at = jar.x + jar.radius_mm * math.sin(front), jar.y - jar.radius_mm * math.cos(front)
    heights = jar.base_mm + np.array([0.0, tops[now]])
    pixels = seen_at(scene.camera, np.array([[*at, z] for z in heights]))
    return JarTruth(
        number=jar.strip.number if jar.strip else None,
        reading=scene.reading,
        tops_mm=(float(tops[0]), float(tops[1]), float(tops[2])),
        top_mm=float(tops[now]),
        uneven_mm=float(np.ptp(all_tops[now])),
        inside_diameter_mm=2 * (jar.radius_mm - jar.wall_mm),
        floor_px=(float(pixels[0, 0]), float(pixels[0, 1])),
        top_px=(float(pixels[1, 0]), float(pixels[1, 1])),
    )


# --- optics ---------------------------------------------------------------------------------------
def bend(
    d: np.ndarray, n: np.ndarray, ratio: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Refract and mirror unit rays (3, n) at normals against them; `ratio` is n1 / n2.

    Gives the refracted rays, the mirrored rays and the share of light that is mirrored, which is
    1 where all of it is.
    """
    c = np.maximum(-(d * n).sum(axis=0), 1e-6)
    under = 1.0 - ratio * ratio * (1.0 - c * c)
    t = np.sqrt(np.maximum(under, 0.0))
    onward = ratio * d + (ratio * c - t) * n
    across = (ratio * c - t) / (ratio * c + t)
    along = (c - ratio * t) / (c + ratio * t)
    share = 0.5 * (across * across + along * along)
    return onward, d + 2.0 * c * n, np.where(under <= 0.0, F32(1.0), share)


# --- sheets of texture ----------------------------------------------------------------------------
_SHEET = 8.0  # px a millimetre


def _looked_up(sheet: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Values (n, channels) of a sheet at places (n,) [px]; outside it is mirrored at its edges."""
    count, width = len(x), 4096
    if not count:
        return np.zeros((0, sheet.shape[2] if sheet.ndim > 2 else 1), F32)
    rows = -(-count // width)
    at = np.zeros((2, rows * width), dtype=F32)
    at[0, :count], at[1, :count] = x, y
    at = at.reshape(2, rows, width)
    found = cv2.remap(sheet, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return found.reshape(rows * width, -1)[:count]


def _soft(rng: np.random.Generator, shape: tuple[int, int], across: float, down: float):
    """Smooth noise of unit deviation, float32; drawn coarse where it is smooth, to save time."""
    kx, ky = (max(1, int(s / 3)) for s in (across, down))
    sheet = rng.standard_normal((shape[0] // ky + 2, shape[1] // kx + 2), dtype=F32)
    sheet = cv2.GaussianBlur(sheet, (0, 0), sigmaX=across / kx, sigmaY=down / ky)
    if kx * ky > 1:
        sheet = cv2.resize(sheet, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    sheet = sheet[: shape[0], : shape[1]]
    return sheet / float(sheet.std())


@functools.lru_cache(maxsize=1)
def _sand() -> np.ndarray:
    """Packed grains of many sizes, tinted, (h, w, 3): zero mean, unit deviation in lightness."""
    rng, shape = np.random.default_rng(11), (1600, 2200)
    whole = np.zeros((*shape, 3), F32)
    for size_px, weight in ((3.5, 0.5), (6.0, 0.7), (10.0, 0.6)):
        seeds = np.full(shape, 255, np.uint8)
        count = int(shape[0] * shape[1] / size_px**2)
        seeds[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
        far, cell = cv2.distanceTransformWithLabels(
            seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        light = rng.gumbel(0.0, 0.7, (int(cell.max()) + 1, 1))
        tint = rng.normal(0, 0.07, (int(cell.max()) + 1, 3))
        round_off = (0.9 * (far / size_px - 0.35))[..., None]
        whole += weight * ((light + tint).astype(F32)[cell] - round_off)
    whole = cv2.GaussianBlur(whole, (0, 0), 0.7)
    whole -= whole.mean(axis=(0, 1))
    return np.clip(whole / float(whole.std()), -2.2, 3.0)


@functools.lru_cache(maxsize=1)
def _silt() -> np.ndarray:
    """Fine grain, clouds and faint bedding in one, (h, w, 3): one a channel."""
    rng, shape = np.random.default_rng(12), (1600, 2200)
    fine = _soft(rng, shape, 0.9, 0.9) * 0.8 + 0.5 * _soft(rng, shape, 2.2, 1.8)
    clouds = _soft(rng, shape, 60.0, 40.0)
    beds = 0.8 * _soft(rng, shape, 150.0, 4.0) + 0.6 * _soft(rng, shape, 40.0, 9.0)
    return np.stack([fine, clouds, beds], axis=-1)


@functools.lru_cache(maxsize=1)
def _patches() -> np.ndarray:
    """Specks and wide patches, (h, w, 2)."""
    rng, shape = np.random.default_rng(13), (1600, 2200)
    specks = _soft(rng, shape, 4.5, 3.0) + 0.5 * _soft(rng, shape, 1.5, 1.2)
    return np.stack([specks, _soft(rng, shape, 110.0, 30.0)], axis=-1)


@functools.lru_cache(maxsize=4)
def _table_sheet(kind: str) -> tuple[np.ndarray, ...]:
    """Lightness of the table about 1, 3 px a millimetre, and the same made coarser."""
    rng, shape = np.random.default_rng(14), (2600, 3600)
    sheet = 1.0 + 0.03 * _soft(rng, shape, 1.2, 1.2) + 0.04 * _soft(rng, shape, 90.0, 90.0)
    if kind == "wood":
        sheet += 0.05 * _soft(rng, shape, 60.0, 1.5) + 0.06 * _soft(rng, shape, 300.0, 8.0)
    elif kind == "cloth":
        y, x = np.mgrid[: shape[0], : shape[1]].astype(F32)
        sheet += 0.05 * np.sin(x * 1.9) * np.sin(y * 1.9)
        sheet += 0.22 * ((x // 75 % 4 == 0) * 1.0 + (y // 75 % 4 == 0) - 0.5)
    elif kind == "newspaper":
        sheet = _newsprint(rng, sheet)
    levels = [sheet.astype(F32)]
    for _ in range(3):
        levels.append(cv2.pyrDown(levels[-1]))
    return tuple(levels)


def _newsprint(rng: np.random.Generator, sheet: np.ndarray) -> np.ndarray:
    """Columns of grey text-like lines, headings and pictures."""
    for left in range(0, sheet.shape[1] - 180, 190):
        row = int(rng.integers(0, 60))
        while row < sheet.shape[0] - 60:
            if rng.random() < 0.06:
                deep = int(rng.integers(60, 260))
                sheet[row : row + deep, left : left + 178] *= rng.uniform(0.35, 0.7)
                row += deep + 12
                continue
            high = 14 if rng.random() < 0.05 else 5
            words = np.repeat(rng.random(178 // 3 + 1) < 0.72, 3)[:178]
            ink = np.where(words & (rng.random(178) < 0.8), 0.42, 1.0)
            sheet[row : row + high, left : left + 178] *= ink
            row += high + 5
    return cv2.GaussianBlur(sheet, (0, 0), 0.8)


@functools.lru_cache(maxsize=64)
def _strip_sheet(number: int, length_mm: float, blur_px: float) -> np.ndarray:
    """The strip as printed with its numbers, 16 px a millimetre, 0 black to 1 paper."""
    sheet, px = strip_picture(number, length_mm=length_mm).copy(), 16
    for z in range(10, int(length_mm), 10):
        at = (round((26 - 5.2) * px - 13 * len(str(z))), round((length_mm - z - 0.3) * px))
        cv2.putText(sheet, str(z), at, cv2.FONT_HERSHEY_SIMPLEX, 0.62, 40, 2, cv2.LINE_AA)
    at = (4 * px, round((length_mm - 1.5) * px))
    cv2.putText(sheet, f"#{number}", at, cv2.FONT_HERSHEY_SIMPLEX, 1.6, 30, 5, cv2.LINE_AA)
    light = (sheet.astype(F32) - 20.0) / 215.0
    return cv2.GaussianBlur(light, (0, 0), max(blur_px, 0.5))


# --- the stage: a scene made ready for rays -------------------------------------------------------
_ROWS, _COLS = 10, 64  # of the table of light on each jar


@dataclass(frozen=True)
class _Stage:
    """Numbers of all jars side by side, and the light that falls on things."""

    scene: RowScene
    x: np.ndarray
    y: np.ndarray
    outer: np.ndarray
    inner: np.ndarray
    base: np.ndarray
    heel: np.ndarray
    lid_low: np.ndarray
    lid_top: np.ndarray
    lid_outer: np.ndarray
    water: np.ndarray
    murk: np.ndarray
    scum: np.ndarray
    tops: np.ndarray
    waves: np.ndarray
    shift: np.ndarray
    jar_light: np.ndarray
    table_light: np.ndarray
    table_corner: tuple[float, float]
    up_light: np.ndarray


_TEXEL = 6.0


def _stage(scene: RowScene) -> _Stage:
    jars, settled = scene.jars, _settled(scene)
    each = functools.partial(np.array, dtype=F32)
    tops = np.stack([mean_tops_mm(j, scene.reading) for j in jars]).astype(F32)
    all_waves = np.stack([waves(j) for j in jars]).astype(np.complex64)
    blank = np.zeros(0, F32)
    stage = _Stage(
        scene=scene,
        x=each([j.x for j in jars]),
        y=each([j.y for j in jars]),
        outer=each([j.radius_mm for j in jars]),
        inner=each([j.radius_mm - j.wall_mm for j in jars]),
        base=each([j.base_mm for j in jars]),
        heel=each([max(j.heel_mm, 1e-3) for j in jars]),
        lid_low=each([j.height_mm - j.lid_mm for j in jars]),
        lid_top=each([j.height_mm for j in jars]),
        lid_outer=each([j.radius_mm + j.lid_over_mm for j in jars]),
        water=each([j.water_mm for j in jars]),
        murk=each([j.murk.per_mm[settled - 1] for j in jars]),
        scum=each([j.murk.scum_mm[settled - 1] for j in jars]),
        tops=tops,
        waves=all_waves,
        shift=np.stack([np.random.default_rng([j.seed, 5]).uniform(0, 900, 6) for j in jars]),
        jar_light=blank,
        table_light=blank,
        table_corner=(0.0, 0.0),
        up_light=blank,
    )
    return _lit(stage)


# --- light ----------------------------------------------------------------------------------------
def _room(scene: RowScene, d: np.ndarray, *, windows: bool = True) -> np.ndarray:
    """Radiance (3, n) that comes from directions (3, n) where nothing near is met."""
    room = np.array(scene.room, F32)[:, None]
    up = 0.5 + 0.5 * d[2]
    behind = np.maximum(-d[1], 0.0)
    light = room * (0.25 + 0.75 * up * up) * (1.0 - 0.45 * behind)
    azimuth = np.arctan2(d[0], -d[1])
    person = np.exp(-((azimuth / 0.28) ** 2)) * (d[2] < 0.35) * (d[1] < 0)
    light = light * (1.0 - 0.7 * person)
    if not windows:
        return light
    elevation = np.arcsin(np.clip(d[2], -1, 1))
    for w in scene.windows:
        u = np.angle(np.exp(1j * (azimuth - w.azimuth))).astype(F32) / w.half_wide
        v = (elevation - w.elevation) / w.half_high
        on = _edge(1 - np.abs(u), 0.03) * _edge(1 - np.abs(v), 0.03)
        for k in range(w.bars):
            on = on * _edge(np.abs(u - (2 * (k + 1) / (w.bars + 1) - 1)) - 0.05, 0.02)
        on = on * (1.0 - 0.35 * _edge(-v - 0.2, 0.1))
        light = light + on * np.array(w.radiance, F32)[:, None]
    return light


def _edge(x: np.ndarray, soft: float) -> np.ndarray:
    return np.clip(0.5 + x / (2 * soft), 0.0, 1.0)


def _light_rays(scene: RowScene) -> tuple[np.ndarray, np.ndarray]:
    """Directions (m, 3) that light comes from, and radiance times solid angle (m, 3).

    Evenly over the sphere for the room, wall and table, and a grid over each window.
    """
    m = 200
    k = np.arange(m) + 0.5
    z, turn = 1 - 2 * k / m, math.pi * (1 + 5**0.5) * k
    flat = np.sqrt(1 - z * z)
    d = np.stack([flat * np.cos(turn), flat * np.sin(turn), z])
    light = _room(scene, d.astype(F32), windows=False)
    wall = 0.30 * np.array(scene.wall_colour)[:, None]
    table = 0.35 * np.array(scene.table_colour)[:, None]
    light = np.where(d[1] > 0.25, wall, light)
    light = np.where(d[2] < 0, table, light) * (4 * math.pi / m)
    rays, amounts = [d.T], [light.T]
    for w in scene.windows:
        u, v = (
            a.ravel() for a in np.meshgrid(np.linspace(-0.8, 0.8, 5), np.linspace(-0.8, 0.8, 5))
        )
        azimuth, elevation = w.azimuth + u * w.half_wide, w.elevation + v * w.half_high
        c = np.cos(elevation)
        rays.append(np.stack([c * np.sin(azimuth), -c * np.cos(azimuth), np.sin(elevation)], 1))
        solid = 4 * w.half_wide * w.half_high / 25 * c
        amounts.append(0.8 * solid[:, None] * np.array(w.radiance))
    return np.concatenate(rays).astype(F32), np.concatenate(amounts).astype(F32)


def _shade(stage: _Stage, at: np.ndarray, normal: np.ndarray, own: int | None) -> np.ndarray:
    """Irradiance over pi (n, 3) at points (n, 3) with normals (n, 3), jars in the way but `own`."""
    rays, amounts = _light_rays(stage.scene)
    total = np.zeros((len(at), 3), F32)
    solid = stage.base + stage.tops[:, _settled(stage.scene) - 1]
    solid = np.where(stage.murk > 0.02, stage.base + stage.water, solid)
    across = (stage.x, stage.y, stage.outer, solid, stage.lid_low, stage.lid_top)
    blockers = np.stack(across, axis=1).tolist()
    blockers += [(b.x, b.y, (b.wide + b.deep) / 4, *[b.high] * 3) for b in stage.scene.boxes]
    for d, amount in zip(rays, amounts, strict=True):
        facing_it = np.maximum(normal @ d, 0.0)
        if not facing_it.any():
            continue
        a = float(d[0] ** 2 + d[1] ** 2) + 1e-9
        for j, (x, y, radius, dense, low, high) in enumerate(blockers):
            if j == own:
                continue
            ox, oy = x - at[:, 0], y - at[:, 1]
            near = (ox * d[0] + oy * d[1]) / a
            miss = np.abs(ox * d[1] - oy * d[0]) / math.sqrt(a)
            z = at[:, 2] + near * d[2]
            through = np.where(z < dense, 0.08, np.where(z < low, 0.7, 0.05))
            blocked = (near > -0.5 * radius) & (z < high) & (miss < radius)
            facing_it = np.where(blocked, facing_it * through, facing_it)
        total += facing_it[:, None] * amount
    return total / math.pi


def _lit(stage: _Stage) -> _Stage:
    """Add the light on jars and on the table."""
    azimuth = (np.arange(_COLS) + 0.5) / _COLS * 2 * math.pi
    tables = []
    for j in range(len(stage.x)):
        z = (np.arange(_ROWS) + 0.5) / _ROWS * stage.lid_top[j]
        zz, aa = (v.ravel() for v in np.meshgrid(z, azimuth, indexing="ij"))
        n = np.stack([np.sin(aa), -np.cos(aa), 0 * aa], 1).astype(F32)
        at = stage.outer[j] * n + np.array([stage.x[j], stage.y[j], 0.0])
        at[:, 2] = zz
        shade = _shade(stage, at.astype(F32), n, j).reshape(_ROWS, _COLS, 3)
        tables.append(np.concatenate([shade[:, -1:], shade, shade[:, :1]], axis=1))
    things = [*zip(stage.x, stage.y, strict=True), *((b.x, b.y) for b in stage.scene.boxes)]
    (x0, y0), (x1, y1) = np.min(things, axis=0) - 260, np.max(things, axis=0) + 260
    gx, gy = np.meshgrid(np.arange(x0, x1, _TEXEL), np.arange(y0, y1, _TEXEL))
    at = np.stack([gx.ravel(), gy.ravel(), 0 * gx.ravel()], 1).astype(F32)
    up = np.tile(np.array([0, 0, 1], F32), (len(at), 1))
    light = _shade(stage, at, up, None).reshape(*gx.shape, 3)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    return replace(
        stage,
        jar_light=np.concatenate(tables),
        table_light=light,
        table_corner=(float(x0), float(y0)),
        up_light=light[0, 0],
    )


def _light_in(stage: _Stage, j: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Light (n, 3) at places (3, n) within jars: that of the wall there, evened out inward."""
    rim = _light_on(stage, j, np.arctan2(p[0], -p[1]), p[2] + stage.base[j])
    middle = stage.jar_light.reshape(len(stage.x), _ROWS, -1, 3)[:, _ROWS // 2].mean(axis=1)[j]
    reach = (p[0] * p[0] + p[1] * p[1]) / stage.inner[j] ** 2
    return middle + np.minimum(reach, 1.0)[:, None] ** 2 * (rim - middle)


def _light_on(stage: _Stage, j: np.ndarray, azimuth: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Light (n, 3) that falls on the walls of jars at heights above the table."""
    col = np.mod(azimuth / (2 * math.pi), 1.0) * _COLS + 0.5
    row = j * _ROWS + np.clip(z / stage.lid_top[j] * _ROWS - 0.5, 0.0, _ROWS - 1.0)
    return _looked_up(stage.jar_light, col, row)


# --- opaque things --------------------------------------------------------------------------------
def _table_colour(stage: _Stage, x: np.ndarray, y: np.ndarray, far: np.ndarray) -> np.ndarray:
    """Light (n, 3) from the table; `far` [mm] is the way of the ray, for how fine it is seen."""
    scene = stage.scene
    level = np.clip(np.log2(3.0 * far / scene.camera.focal_px * 2.0), 0, 3).astype(int)
    sheets = _table_sheet(scene.table)
    tone = np.empty(len(x), F32)
    for k in range(4):
        on = level == k
        if on.any():
            scale = 3.0 / 2**k
            tone[on] = _looked_up(sheets[k], (x[on] + 500) * scale, (y[on] + 350) * scale)[:, 0]
    u = (x - stage.table_corner[0]) / _TEXEL
    v = (y - stage.table_corner[1]) / _TEXEL
    h, w = stage.table_light.shape[:2]
    light = _looked_up(stage.table_light, np.clip(u, 0, w - 1), np.clip(v, 0, h - 1))
    return light * tone[:, None] * np.array(scene.table_colour, F32)


def _wall_colour(stage: _Stage, x: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Light (n, 3) from the wall behind, brighter toward the windows and upward."""
    scene = stage.scene
    side = sum(math.sin(w.azimuth) for w in scene.windows) / max(len(scene.windows), 1)
    light = 1.0 + 0.25 * side * np.tanh(x / 500) + 0.12 * np.tanh((z - 150) / 250)
    blot = _looked_up(_patches(), np.mod(x, 8000) * 1.2 + 300, z * 1.2 + 500)[:, 1]
    front = stage.up_light * 0.62
    return (light * (1 + 0.012 * blot))[:, None] * front * np.array(scene.wall_colour, F32)


def _layer_colour(stage: _Stage, j: np.ndarray, azimuth: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Matt colour (n, 3) of the deposit at the wall, heights above the inside floor."""
    jars = stage.scene.jars
    arc, shift = np.mod(azimuth + math.pi, 2 * math.pi) * stage.inner[j], stage.shift[j]
    grain = np.array([jar.soil.grain for jar in jars], F32)[j]
    x, y = arc * _SHEET / grain + shift[:, 0] / 3, z * _SHEET / grain + shift[:, 1]
    sand = _looked_up(_sand(), x, y)
    silt = _looked_up(_silt(), arc * _SHEET + shift[:, 2] / 3, z * _SHEET + shift[:, 3])
    turn = np.exp(1j * np.outer(_WAVES, azimuth)).astype(np.complex64)
    edge = stage.tops[j].T + np.einsum("nkm,mn->kn", stage.waves[j], turn).real
    colours = np.array([jar.soil.colours for jar in jars], F32)[j]
    contrast = np.array([jar.soil.contrast for jar in jars], F32)[j].T
    mixed = np.array([jar.soil.mixed_mm for jar in jars], F32)[j]
    tone = 1 + contrast[0] * (0.55 * sand.T + 0.12 * silt[:, 1])
    out = colours[:, 0].T * np.maximum(tone, 0.12)
    loose = z + 0.45 * mixed * sand.mean(axis=1)
    is_silt = _edge(loose - edge[0], 0.15)
    tone = 1 + contrast[1] * (0.7 * silt[:, 0] + 0.2 * silt[:, 2] + 0.35 * silt[:, 1])
    out += is_silt * (colours[:, 1].T * np.maximum(tone, 0.2) - out)
    soft = z + 0.3 * mixed * (silt[:, 1] * 0.5 + silt[:, 0] * 0.5)
    is_clay = _edge(soft - edge[1], 0.6)
    tone = 1 + contrast[2] * (0.4 * silt[:, 0] + 0.5 * silt[:, 2] + 0.5 * silt[:, 1])
    out += is_clay * (colours[:, 2].T * tone - out)
    return out.T


def _top_colour(stage: _Stage, j: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Light (n, 3) from the settled surface at places in the jar."""
    settled = _settled(stage.scene)
    colours = np.array([jar.soil.colours[settled - 1] for jar in stage.scene.jars], F32)[j]
    contrast = np.array([jar.soil.contrast[settled - 1] for jar in stage.scene.jars], F32)[j]
    sheet = _sand() if settled == 1 else _silt()
    grain = _looked_up(sheet, (x + 60) * _SHEET + stage.shift[j, 4], (y + 60) * _SHEET)
    tone = 1 + contrast * (0.5 * grain[:, 0] + 0.4 * grain[:, 1])
    lit = _light_in(stage, j, np.stack([x, y, stage.tops[j, settled - 1]]))
    reach = (x * x + y * y) / stage.inner[j] ** 2
    return colours * tone[:, None] * lit * (1.0 - 0.25 * reach**2)[:, None]


def _murk_colour(stage: _Stage, j: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Light (n, 3) scattered by cloudy water at places (3, n) of a jar."""
    jars, shift, z = stage.scene.jars, stage.shift[j], p[2]
    patch = _looked_up(_patches(), (p[0] + 60) * 4 + shift[:, 5], (z - p[1]) * 4 + shift[:, 1])[
        :, 1
    ]
    colours = np.array([jar.murk.colour for jar in jars], F32)[j]
    drift = np.array([jar.murk.drift for jar in jars], F32)[j]
    top = stage.tops[j, _settled(stage.scene) - 1]
    up = (z - top) / np.maximum(stage.water[j] - top, 1.0)
    clouds = _edge(up - 0.45 + 0.18 * patch, 0.04) * 0.6 + 0.4 * up
    light = _light_in(stage, j, p)
    return colours * light * (1 + drift * (clouds - 0.5))[:, None]


# --- rays -----------------------------------------------------------------------------------------
@dataclass
class _Rays:
    """Rays under way: origin, unit direction (3, n), weight (3, n), pixel, jar, mirrorings, way.

    Inside a jar the origin is counted from the middle of its inside floor.
    """

    o: np.ndarray
    d: np.ndarray
    w: np.ndarray
    px: np.ndarray
    jar: np.ndarray
    mirrored: np.ndarray
    way: np.ndarray
    wet: np.ndarray

    def take(self, at: np.ndarray) -> _Rays:
        return _Rays(
            *(a[:, at] for a in (self.o, self.d, self.w)),
            *(a[at] for a in (self.px, self.jar, self.mirrored, self.way, self.wet)),
        )

    def turned(self, o: np.ndarray, d: np.ndarray, w: np.ndarray, **other: np.ndarray) -> _Rays:
        return replace(self, o=o, d=d, w=w, **other)


def _joined(parts: list[_Rays]) -> _Rays:
    flat = [np.concatenate(p, axis=1) for p in zip(*((r.o, r.d, r.w) for r in parts), strict=True)]
    rest = zip(*((r.px, r.jar, r.mirrored, r.way, r.wet) for r in parts), strict=True)
    return _Rays(*flat, *(np.concatenate(p) for p in rest))


@dataclass
class _Tracer:
    """A batch of rays: where they are, and the light they have brought home."""

    stage: _Stage
    light: np.ndarray
    outside: list[_Rays]
    glass: list[_Rays]
    cavity: list[_Rays]
    faint: float = 0.008

    def add(self, rays: _Rays, colour: np.ndarray) -> None:
        """Bring light (n, 3) home."""
        got = rays.w.T * colour
        for c in range(3):
            self.light[:, c] += np.bincount(rays.px, got[:, c], minlength=len(self.light))

    def send(self, queue: list[_Rays], rays: _Rays) -> None:
        """Let rays go on that still carry light worth following."""
        on = rays.w.max(axis=0) > self.faint
        if on.any():
            queue.append(rays if on.all() else rays.take(np.flatnonzero(on)))

    def split(self, rays: _Rays, share: np.ndarray, ways: tuple) -> None:
        """Send the refracted part one way and the mirrored part another, once; all if total."""
        onward_queue, onward, back_queue, back = ways
        total = share >= 1.0
        through = np.flatnonzero(~total)
        self.send(onward_queue, replace(onward, w=onward.w * (1 - share)).take(through))
        again = total | (rays.mirrored < 1)
        counted = replace(
            back, w=back.w * share, mirrored=rays.mirrored + np.where(total, 0, 1).astype(np.int8)
        )
        self.send(back_queue, counted.take(np.flatnonzero(again)))


def _cylinder(
    ox: np.ndarray, oy: np.ndarray, d: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Way to where rays pass an upright axis nearest, 1 / a, and that distance squared."""
    inv = 1.0 / np.maximum(d[0] * d[0] + d[1] * d[1], F32(1e-9))
    miss = ox * d[1] - oy * d[0]
    return -(ox * d[0] + oy * d[1]) * inv, inv, miss * miss * inv


_BODY, _LID, _LID_TOP = 0, 1, 2


def _meet_jars(
    stage: _Stage, rays: _Rays, far: np.ndarray, jars: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where rays in the open meet a jar nearer than `far`: way, jar (-1: none), which part."""
    best, which = far.copy(), np.full(len(far), -1, np.int64)
    part = np.zeros(len(far), np.int8)
    for j in jars:
        ox, oy = rays.o[0] - stage.x[j], rays.o[1] - stage.y[j]
        near, inv, miss = _cylinder(ox, oy, rays.d)
        lid = stage.lid_outer[j] ** 2 - miss
        at = np.flatnonzero((lid > 0) & (rays.jar != j) & (near > 0))
        if not len(at):
            continue
        near, inv, lid, miss = near[at], inv[at], lid[at], miss[at]
        oz, dz = rays.o[2, at], rays.d[2, at]
        for kind, square in ((_BODY, stage.outer[j] ** 2 - miss), (_LID, lid)):
            t = near - np.sqrt(np.maximum(square, 0) * inv)
            z = oz + t * dz
            low, high = (
                (0, stage.lid_low[j]) if kind == _BODY else (stage.lid_low[j], stage.lid_top[j])
            )
            hit = (square > 0) & (t > 1e-3) & (z > low) & (z <= high) & (t < best[at])
            best[at[hit]], which[at[hit]], part[at[hit]] = t[hit], j, kind
        t = (stage.lid_top[j] - oz) / np.where(dz < 0, dz, F32(-1e-9))
        px, py = ox[at] + t * rays.d[0, at], oy[at] + t * rays.d[1, at]
        hit = (dz < 0) & (t > 1e-3) & (px * px + py * py < stage.lid_outer[j] ** 2) & (t < best[at])
        best[at[hit]], which[at[hit]], part[at[hit]] = t[hit], j, _LID_TOP
    return best, which, part


def _meet_boxes(scene: RowScene, rays: _Rays, best: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which box (-1: none) rays meet nearer than `best`, which is updated, and its normal."""
    which = np.full(len(best), -1, np.int64)
    normal = np.zeros((3, len(best)), F32)
    for k, box in enumerate(scene.boxes):
        c, s = _cos_sin(box.turn)
        o = np.stack([rays.o[0] - box.x, rays.o[1] - box.y, rays.o[2] - box.high / 2])
        d = rays.d
        o = np.stack([c * o[0] + s * o[1], c * o[1] - s * o[0], o[2]])
        d = np.stack([c * d[0] + s * d[1], c * d[1] - s * d[0], d[2]])
        d = np.where(np.abs(d) < 1e-7, F32(1e-7), d)
        half = np.array([[box.wide / 2], [box.deep / 2], [box.high / 2]], F32)
        t0, t1 = (-np.sign(d) * half - o) / d, (np.sign(d) * half - o) / d
        enter, axis = t0.max(axis=0), t0.argmax(axis=0)
        hit = (enter < t1.min(axis=0)) & (enter > 1e-3) & (enter < best)
        n = np.zeros_like(normal)
        n[axis, np.arange(len(best))] = -np.sign(d[axis, np.arange(len(best))])
        n = np.stack([c * n[0] - s * n[1], s * n[0] + c * n[1], n[2]])
        best[hit], which[hit], normal[:, hit] = enter[hit], k, n[:, hit]
    return which, normal


def _step_outside(tracer: _Tracer, rays: _Rays, jars: np.ndarray) -> None:
    """Rays in the open air: to a jar, the table, the wall, a box or the room."""
    stage, scene = tracer.stage, tracer.stage.scene
    far = np.full(len(rays.px), 1e9, F32)
    down, away = rays.d[2] < 0, rays.d[1] > 1e-6
    to_table = np.where(down, -rays.o[2] / np.where(down, rays.d[2], -1), F32(1e9))
    to_table = np.where(_on_table(scene, rays, to_table), to_table, F32(1e9))
    to_wall = np.where(away, (scene.wall_y - rays.o[1]) / np.where(away, rays.d[1], 1), F32(1e9))
    far = np.minimum(to_table, to_wall)
    box, box_normal = _meet_boxes(scene, rays, far)
    best, jar, part = _meet_jars(stage, rays, far, jars)
    free = jar < 0
    _show_box(tracer, rays, (np.flatnonzero(free & (box >= 0)), box, box_normal))
    free &= box < 0
    at = np.flatnonzero(free & (best < 1e8) & (to_table <= to_wall))
    p = rays.o[:2, at] + best[at] * rays.d[:2, at]
    tracer.add(rays.take(at), _table_colour(stage, p[0], p[1], rays.way[at] + best[at]))
    at = np.flatnonzero(free & (best < 1e8) & (to_table > to_wall))
    p = rays.o[:, at] + best[at] * rays.d[:, at]
    tracer.add(rays.take(at), _wall_colour(stage, p[0], p[2]))
    at = np.flatnonzero(free & (best >= 1e8))
    tracer.add(rays.take(at), _room(scene, rays.d[:, at]).T)
    at = np.flatnonzero(jar >= 0)
    if len(at):
        hit = rays.take(at)
        hit.jar = jar[at]
        hit.way = hit.way + best[at]
        _arrive(tracer, hit, best[at], part[at])


def _on_table(scene: RowScene, rays: _Rays, way: np.ndarray) -> np.ndarray:
    """Whether rays fall on the bench, which ends at its sides and shortly before the camera."""
    x, y = (rays.o[k] + way * rays.d[k] for k in (0, 1))
    return (np.abs(x) < 1200.0) & (y > scene.camera.y + 40.0)


def _show_box(tracer: _Tracer, rays: _Rays, met: tuple) -> None:
    at, box, normal = met
    if not len(at):
        return
    colours = np.array([b.colour for b in tracer.stage.scene.boxes], F32)[box[at]]
    n = normal[:, at]
    window = tracer.stage.scene.windows[0] if tracer.stage.scene.windows else Window()
    c = math.cos(window.elevation)
    to = np.array([c * math.sin(window.azimuth), -c * math.cos(window.azimuth), 0.5])
    light = 0.35 + 0.55 * np.maximum(to @ n, 0.0)
    tracer.add(rays.take(at), colours * light[:, None] * tracer.stage.up_light)


def _arrive(tracer: _Tracer, rays: _Rays, way: np.ndarray, part: np.ndarray) -> None:
    """Rays that meet a jar from the open: its lid, its strip, or its glass."""
    stage, j = tracer.stage, rays.jar
    p = rays.o + way * rays.d
    p -= np.stack([stage.x[j], stage.y[j], stage.base[j]])
    azimuth = np.arctan2(p[0], -p[1])
    _show_lid(tracer, rays, p, (azimuth, part))
    paper = np.full(len(j), np.nan, F32)
    body = np.flatnonzero(part == _BODY)
    paper[body] = _paper(stage, j[body], azimuth[body], p[2, body])
    at = np.flatnonzero(~np.isnan(paper))
    if len(at):
        colour = np.array([k.strip.paper if k.strip else (0, 0, 0) for k in stage.scene.jars], F32)
        light = _light_on(stage, j[at], azimuth[at], p[2, at] + stage.base[j[at]])
        tracer.add(rays.take(at), paper[at, None] * colour[j[at]] * light)
    at = np.flatnonzero((part == _BODY) & np.isnan(paper))
    if not len(at):
        return
    hit, p = rays.take(at), p[:, at]
    n = np.stack([p[0], p[1], np.zeros_like(p[0])]) / stage.outer[hit.jar]
    onward, back, share = bend(hit.d, n, F32(AIR_N / GLASS_N))
    inside = hit.turned(p, onward, hit.w)
    mirror = hit.turned(_to_world(stage, hit.jar, p), back, hit.w)
    tracer.split(hit, share, (tracer.glass, inside, tracer.outside, mirror))


def _to_world(stage: _Stage, j: np.ndarray, p: np.ndarray) -> np.ndarray:
    return p + np.stack([stage.x[j], stage.y[j], stage.base[j]])


def _show_lid(tracer: _Tracer, rays: _Rays, p: np.ndarray, met: tuple) -> None:
    """A lid: painted, matt, with a faint gloss."""
    azimuth, part = met
    at = np.flatnonzero(part != _BODY)
    if not len(at):
        return
    stage, hit, p = tracer.stage, rays.take(at), p[:, at]
    top = part[at] == _LID_TOP
    light = _light_on(stage, hit.jar, azimuth[at], p[2] + stage.base[hit.jar])
    light = np.where(top[:, None], stage.up_light, light)
    down = stage.lid_top[hit.jar] - stage.base[hit.jar] - p[2]
    light = light * (1 - 0.35 * np.exp(-np.maximum(down, 0) / 0.7) * ~top)[:, None]
    colour = np.array([j.lid for j in stage.scene.jars], F32)[hit.jar]
    tracer.add(hit, 0.95 * colour * light)
    n = np.stack([p[0], p[1], 0 * p[0]]) / np.hypot(p[0], p[1])
    n[:, top] = np.array([[0], [0], [1]])
    _, back, share = bend(hit.d, n, F32(1 / 1.5))
    gloss = hit.turned(_to_world(stage, hit.jar, p), back, 0.7 * hit.w * share)
    gloss.mirrored = hit.mirrored + np.int8(1)
    tracer.send(tracer.outside, gloss.take(np.flatnonzero(hit.mirrored < 1)))


def _paper(stage: _Stage, j: np.ndarray, azimuth: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Lightness (n,) of strips on the outside of the glass; NaN where there is none."""
    found = np.full(len(j), np.nan, F32)
    for k, jar in enumerate(stage.scene.jars):
        if jar.strip is None:
            continue
        s = jar.strip
        x0 = np.mod(azimuth - s.azimuth + math.pi, 2 * math.pi) - math.pi
        x0, z0 = x0 * jar.radius_mm, z - s.up_mm
        x = x0 * math.cos(s.crooked) + (z0 - s.length_mm / 2) * math.sin(s.crooked) + 13.0
        up = z0 * math.cos(s.crooked) - x0 * math.sin(s.crooked)
        at = np.flatnonzero((j == k) & (x > 0) & (x < 26.0) & (up > 0) & (up < s.length_mm))
        if len(at):
            away = math.hypot(jar.x - stage.scene.camera.x, jar.y - stage.scene.camera.y)
            blur = round(0.3 * 16 * away / stage.scene.camera.focal_px, 1)
            sheet = _strip_sheet(s.number, s.length_mm, blur)
            found[at] = _looked_up(sheet, x[at] * 16 - 0.5, (s.length_mm - up[at]) * 16 - 0.5)[:, 0]
    return found


def _step_glass(tracer: _Tracer, rays: _Rays) -> None:
    """Rays in glass: to the inside, back out, the floor, the bottom, or up under the lid."""
    stage, j = tracer.stage, rays.jar
    near, inv, miss = _cylinder(rays.o[0], rays.o[1], rays.d)
    oz, dz = rays.o[2], rays.d[2]
    ways = np.full((6, len(j)), 1e9, F32)
    ways[0] = near + np.sqrt(np.maximum(stage.outer[j] ** 2 - miss, 0) * inv)
    chord = stage.inner[j] ** 2 - miss
    t = near - np.sqrt(np.maximum(chord, 0) * inv)
    ways[1] = np.where((chord > 0) & (t > 0) & (oz + t * dz > stage.heel[j]), t, F32(1e9))
    up, down = np.maximum(dz, F32(1e-9)), np.minimum(dz, F32(-1e-9))
    t = -oz / up
    px, py = rays.o[0] + t * rays.d[0], rays.o[1] + t * rays.d[1]
    flat = stage.inner[j] - stage.heel[j]
    floor = (dz > 0) & (oz < 0) & (px * px + py * py < flat * flat)
    ways[2] = np.where(floor, t, F32(1e9))
    ways[3] = np.where(dz < 0, (-stage.base[j] - oz) / down, F32(1e9))
    ways[4] = np.where(dz > 0, (stage.lid_low[j] - stage.base[j] - oz) / up, F32(1e9))
    half = np.sqrt(np.maximum(chord, 0) * inv)
    ways[5] = _to_heel(stage, rays, near - half, near + half)
    what, way = ways.argmin(axis=0), np.maximum(ways.min(axis=0), 0)
    tint = np.array([k.tint_per_mm for k in stage.scene.jars], F32)[j].T
    met = rays.turned(
        rays.o + way * rays.d, rays.d, rays.w * np.exp(-tint * way), way=rays.way + way
    )
    for kind, then in enumerate((_leave, _enter, _floor, _bottom, _under_lid, _show_deposit)):
        at = np.flatnonzero(what == kind)
        if len(at):
            then(tracer, met.take(at))


def _past_heel(stage: _Stage, rays: _Rays, t: np.ndarray) -> np.ndarray:
    """How far (n,) rays stand outside the rounded foot of the inside after a way."""
    p, heel = rays.o + t * rays.d, stage.heel[rays.jar]
    below = np.clip(heel - p[2], 0, heel)
    reach = stage.inner[rays.jar] - heel + np.sqrt(heel * heel - below * below)
    return np.hypot(p[0], p[1]) - reach


def _to_heel(stage: _Stage, rays: _Rays, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Way (n,) of rays in glass to the rounding between inside floor and wall; 1e9 for none.

    The inside is convex: the way is sampled between where it could begin and end, then halved.
    """
    found = np.full(len(first), 1e9, F32)
    oz, dz, heel = rays.o[2], rays.d[2], stage.heel[rays.jar]
    dz = np.where(np.abs(dz) < 1e-6, F32(1e-6), dz)
    low, high = -oz / dz, (heel - oz) / dz
    first = np.maximum(first, np.maximum(np.minimum(low, high), 0))
    last = np.minimum(last, np.maximum(low, high))
    at = np.flatnonzero((last > first) & (heel > 0.01))
    if not len(at):
        return found
    r, a, b = rays.take(at), first[at], last[at]
    start, end, hit = a.copy(), b.copy(), np.zeros(len(at), bool)
    for u in (0.02, 0.06, 0.14, 0.25, 0.4, 0.55, 0.75, 1.0):
        t = a + F32(u) * (b - a)
        inside = _past_heel(stage, r, t) < 0
        end = np.where(inside & ~hit, t, end)
        hit |= inside
        start = np.where(hit, start, t)
    for _ in range(9):
        t = 0.5 * (start + end)
        inside = _past_heel(stage, r, t) < 0
        start, end = np.where(inside, start, t), np.where(inside, t, end)
    found[at] = np.where(hit, end, F32(1e9))
    return found


def _leave(tracer: _Tracer, rays: _Rays) -> None:
    """From the glass out into the open, or onto the back of a strip."""
    stage = tracer.stage
    azimuth = np.arctan2(rays.o[0], -rays.o[1])
    behind = ~np.isnan(_paper(stage, rays.jar, azimuth, rays.o[2]))
    at = np.flatnonzero(behind)
    if len(at):
        light = _light_on(
            stage, rays.jar[at], azimuth[at], rays.o[2, at] + stage.base[rays.jar[at]]
        )
        tracer.add(rays.take(at), light * 0.28 + 0.12 * stage.up_light)
        at = np.flatnonzero(~behind)
        rays = rays.take(at)
    n = -np.stack([rays.o[0], rays.o[1], np.zeros_like(rays.o[0])]) / stage.outer[rays.jar]
    onward, back, share = bend(rays.d, n, F32(GLASS_N / AIR_N))
    out = rays.turned(_to_world(stage, rays.jar, rays.o), onward, rays.w)
    mirror = rays.turned(rays.o, back, rays.w)
    tracer.split(rays, share, (tracer.outside, out, tracer.glass, mirror))


def _scum(tracer: _Tracer, rays: _Rays, azimuth: np.ndarray) -> np.ndarray:
    """Show froth and floating bits at the water's edge; tells which rays met some."""
    stage, j = tracer.stage, rays.jar
    up = rays.o[2] - stage.water[j]
    hidden = np.zeros(len(j), bool)
    at = np.flatnonzero((np.abs(up) < stage.scum[j]) & (stage.scum[j] > 0))
    if not len(at):
        return hidden
    arc = np.mod(azimuth[at] + math.pi, 2 * math.pi) * stage.inner[j[at]]
    noise = _looked_up(_patches(), arc * _SHEET + stage.shift[j[at], 0], up[at] * _SHEET + 700)
    other = _looked_up(_patches(), arc * 5 + stage.shift[j[at], 2], up[at] * 5 + 200)
    level = np.abs(up[at] + 0.3 * stage.scum[j[at]]) / stage.scum[j[at]]
    bits = noise[:, 0] > 2.6 * level - 0.3 + 0.6 * noise[:, 1]
    dark = (other[:, 0] > -0.2)[:, None]
    colour = np.where(dark, F32(0.05), np.array([0.32, 0.28, 0.24], F32))
    light = _light_on(stage, j[at], azimuth[at], rays.o[2, at] + stage.base[j[at]])
    tracer.add(rays.take(at[bits]), (colour * light)[bits])
    hidden[at[bits]] = True
    return hidden


def _enter(tracer: _Tracer, rays: _Rays) -> None:
    """From the glass to what is inside: the deposit, scum, water or air."""
    stage = tracer.stage
    azimuth = np.arctan2(rays.o[0], -rays.o[1])
    hidden = _scum(tracer, rays, azimuth)
    rays, azimuth = rays.take(np.flatnonzero(~hidden)), azimuth[~hidden]
    j = rays.jar
    solid = rays.o[2] < _surface(stage, j, rays.o[0], rays.o[1])
    at = np.flatnonzero(solid)
    if len(at):
        _show_deposit(tracer, rays.take(at))
    rays = rays.take(np.flatnonzero(~solid))
    j = rays.jar
    n = np.stack([rays.o[0], rays.o[1], np.zeros_like(rays.o[0])]) / stage.inner[j]
    wet = rays.o[2] < stage.water[j]
    onward, back, share = bend(rays.d, n, np.where(wet, F32(GLASS_N / WATER_N), F32(GLASS_N)))
    inside, mirror = rays.turned(rays.o, onward, rays.w, wet=wet), rays.turned(rays.o, back, rays.w)
    tracer.split(rays, share, (tracer.cavity, inside, tracer.glass, mirror))


def _show_deposit(tracer: _Tracer, rays: _Rays) -> None:
    """The deposit against the glass; where the foot rounds off it turns away from the light."""
    stage, j = tracer.stage, rays.jar
    azimuth = np.arctan2(rays.o[0], -rays.o[1])
    inward = np.maximum(stage.inner[j] - np.hypot(rays.o[0], rays.o[1]), 0)
    light = _light_on(stage, j, azimuth, rays.o[2] + stage.base[j])
    light = light * (1.0 - 0.55 * np.minimum(inward / stage.heel[j], 1.0))[:, None]
    colour = _layer_colour(stage, j, azimuth, rays.o[2] - 0.6 * inward)
    tracer.add(rays, colour * light * F32(0.92))


def _surface(stage: _Stage, j: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Height (n,) of the settled surface above the inside floor."""
    k = _settled(stage.scene) - 1
    z = (-y + 1j * x) / stage.inner[j]
    wave, height, last = stage.waves[j, k], stage.tops[j, k].astype(F32), 0
    power = np.ones_like(z)
    for column, m in enumerate(_WAVES):
        power = power * z ** (m - last)
        last = m
        height = height + (wave[:, column] * power).real
    return height.astype(F32)


def _floor(tracer: _Tracer, rays: _Rays) -> None:
    """The deposit's underside seen through the thick base."""
    stage, j = tracer.stage, rays.jar
    grain = _looked_up(_sand(), (rays.o[0] + 60) * _SHEET, (rays.o[1] + 60) * _SHEET)
    colour = np.array([k.soil.colours[0] for k in stage.scene.jars], F32)[j]
    tracer.add(rays, colour * (1 + 0.3 * grain) * 0.35 * _light_in(stage, j, rays.o))


def _bottom(tracer: _Tracer, rays: _Rays) -> None:
    """The underside of the glass, a hair above the table."""
    stage = tracer.stage
    n = np.zeros_like(rays.d)
    n[2] = 1.0
    _, back, share = bend(rays.d, n, F32(GLASS_N / AIR_N))
    p = _to_world(stage, rays.jar, rays.o)
    edge = np.hypot(rays.o[0], rays.o[1]) / stage.outer[rays.jar]
    table = _table_colour(stage, p[0], p[1], rays.way) * (0.25 + 0.75 * edge[:, None] ** 6)
    tracer.add(replace(rays, w=rays.w * (1 - share)), table)
    counted = rays.mirrored + np.where(share >= 1, 0, 1).astype(np.int8)
    mirror = rays.turned(rays.o, back, rays.w * share, mirrored=counted)
    tracer.send(tracer.glass, mirror.take(np.flatnonzero(counted <= 1)))


def _under_lid(tracer: _Tracer, rays: _Rays) -> None:
    """The lid's inside, dim."""
    stage, j = tracer.stage, rays.jar
    lid = np.array([k.lid for k in stage.scene.jars], F32)[j]
    tracer.add(rays, (0.2 * lid + 0.025) * _light_in(stage, j, rays.o))


def _step_cavity(tracer: _Tracer, rays: _Rays) -> None:
    """Rays inside: to the wall, the water's surface, the lid or the deposit, through murk."""
    stage, j = tracer.stage, rays.jar
    near, inv, miss = _cylinder(rays.o[0], rays.o[1], rays.d)
    oz, dz = rays.o[2], rays.d[2]
    up, down = np.maximum(dz, F32(1e-9)), np.minimum(dz, F32(-1e-9))
    ways = np.full((4, len(j)), 1e9, F32)
    ways[0] = near + np.sqrt(np.maximum(stage.inner[j] ** 2 - miss, 0) * inv)
    depth = stage.water[j] - oz
    ways[1] = np.where(
        rays.wet, np.where(dz > 0, depth / up, 1e9), np.where(dz < 0, depth / down, 1e9)
    )
    lid = stage.lid_low[j] - stage.base[j] - oz
    ways[2] = np.where(~rays.wet & (dz > 0), lid / up, 1e9)
    ways = np.maximum(ways, 0)
    ways[3] = _to_deposit(stage, rays, ways.min(axis=0))
    what, way = ways.argmin(axis=0), ways.min(axis=0)
    met = rays.turned(rays.o + way * rays.d, rays.d, rays.w, way=rays.way + way)
    _murky(tracer, rays, met, way)
    for kind, then in enumerate((_reach_wall, _reach_water, _under_lid, _reach_deposit)):
        at = np.flatnonzero((what == kind) & (met.w.max(axis=0) > 0.5 * tracer.faint))
        if len(at):
            then(tracer, met.take(at))


def _to_deposit(stage: _Stage, rays: _Rays, far: np.ndarray) -> np.ndarray:
    """Way (n,) to the settled surface within `far`; 1e9 where it is not met."""
    found = np.full(len(far), 1e9, F32)
    k = _settled(stage.scene) - 1
    highest = stage.tops[:, k] + np.abs(stage.waves[:, k]).sum(axis=1)
    end = rays.o[2] + far * rays.d[2]
    at = np.flatnonzero(rays.wet & (np.minimum(end, rays.o[2]) < highest[rays.jar]))
    if not len(at):
        return found
    r, far = rays.take(at), far[at]
    before = np.zeros(len(at), F32)
    above = r.o[2] - _surface(stage, r.jar, r.o[0], r.o[1])
    best = np.where(above < 0, F32(0.0), F32(1e9))
    for step in range(1, 13):
        t = far * F32(step / 12)
        p = r.o + t * r.d
        now = p[2] - _surface(stage, r.jar, p[0], p[1])
        cross = before + (t - before) * above / np.maximum(above - now, F32(1e-9))
        best = np.where((now < 0) & (best > 1e8), cross, best)
        before, above = t, now
    found[at] = best
    return found


def _murky(tracer: _Tracer, rays: _Rays, met: _Rays, way: np.ndarray) -> None:
    """Take light away over the way through cloudy water, and add what the cloud scatters."""
    stage = tracer.stage
    at = np.flatnonzero(rays.wet)
    if not len(at):
        return
    j = rays.jar[at]
    left = np.exp(-stage.murk[j] * way[at])
    short = np.minimum(way[at], 1.0 / np.maximum(stage.murk[j], 1e-4))
    p = rays.o[:, at] + short * rays.d[:, at]
    colour = _murk_colour(stage, j, p)
    tracer.add(rays.take(at), colour * (1 - left)[:, None])
    met.w = met.w.copy()
    met.w[:, at] *= left


def _reach_wall(tracer: _Tracer, rays: _Rays) -> None:
    """From the inside to the glass."""
    stage = tracer.stage
    hidden = _scum(tracer, rays, np.arctan2(rays.o[0], -rays.o[1]))
    rays = rays.take(np.flatnonzero(~hidden))
    n = -np.stack([rays.o[0], rays.o[1], np.zeros_like(rays.o[0])]) / stage.inner[rays.jar]
    ratio = np.where(rays.wet, F32(WATER_N / GLASS_N), F32(1 / GLASS_N))
    onward, back, share = bend(rays.d, n, ratio)
    out, mirror = rays.turned(rays.o, onward, rays.w), rays.turned(rays.o, back, rays.w)
    tracer.split(rays, share, (tracer.glass, out, tracer.cavity, mirror))


def _reach_water(tracer: _Tracer, rays: _Rays) -> None:
    """Through the water's surface, or mirrored by it."""
    n = np.zeros_like(rays.d)
    n[2] = np.where(rays.wet, F32(-1), F32(1))
    onward, back, share = bend(rays.d, n, np.where(rays.wet, F32(WATER_N), F32(1 / WATER_N)))
    through = rays.turned(rays.o, onward, rays.w, wet=~rays.wet)
    mirror = rays.turned(rays.o, back, rays.w)
    tracer.split(rays, share, (tracer.cavity, through, tracer.cavity, mirror))


def _reach_deposit(tracer: _Tracer, rays: _Rays) -> None:
    tracer.add(rays, _top_colour(tracer.stage, rays.jar, rays.o[0], rays.o[1]))


def _trace(stage: _Stage, rays: _Rays, count: int, jars: np.ndarray) -> np.ndarray:
    """Follow rays to their end; light (count, 3) by pixel."""
    tracer = _Tracer(stage, np.zeros((count, 3), np.float64), [rays], [], [])
    everyone = np.arange(len(stage.x))
    for step in range(26):
        outside, tracer.outside = tracer.outside, []
        glass, tracer.glass = tracer.glass, []
        cavity, tracer.cavity = tracer.cavity, []
        if not (outside or glass or cavity):
            break
        if outside:
            _step_outside(tracer, _joined(outside), jars if step == 0 else everyone)
        if glass:
            _step_glass(tracer, _joined(glass))
        if cavity:
            _step_cavity(tracer, _joined(cavity))
    for left in tracer.outside + tracer.glass + tracer.cavity:
        tracer.add(left, np.tile(0.2 * stage.up_light, (len(left.px), 1)))
    return tracer.light.astype(F32)


# --- the picture ----------------------------------------------------------------------------------
_OFFSETS = ((-0.125, -0.375), (0.375, -0.125), (-0.375, 0.125), (0.125, 0.375))
_TILE = 96


def _primary(camera: Camera, rows: np.ndarray, cols: np.ndarray) -> _Rays:
    """Rays (n,) through places of the picture [px]."""
    h, w = camera.size_px
    n = len(rows)
    q = np.stack([cols - (w - 1) / 2, rows - (h - 1) / 2, np.full(n, camera.focal_px)])
    d = axes_of(camera).T @ q
    d /= np.linalg.norm(d, axis=0)
    o = np.repeat(np.array([[camera.x], [camera.y], [camera.z]], F32), n, axis=1)
    zero = np.zeros(n, np.int8)
    return _Rays(
        o=o,
        d=d.astype(F32),
        w=np.ones((3, n), F32),
        px=np.arange(n),
        jar=np.full(n, -1, np.int64),
        mirrored=zero,
        way=np.zeros(n, F32),
        wet=np.zeros(n, bool),
    )


def _frames(scene: RowScene) -> np.ndarray:
    """Left, top, right, bottom of each jar in the picture, (n, 4) [px], a little generous."""
    frames = []
    for jar in scene.jars:
        r = jar.radius_mm + jar.lid_over_mm
        a = np.linspace(0, 2 * math.pi, 33)
        ring = np.stack([jar.x + r * np.cos(a), jar.y + r * np.sin(a), 0 * a], axis=1)
        both = np.concatenate([ring, ring + np.array([0, 0, jar.height_mm])])
        xy = seen_at(scene.camera, both)
        frames.append([*(xy.min(axis=0) - 3), *(xy.max(axis=0) + 3)])
    return np.array(frames)


def _sampled(stage: _Stage, rows: np.ndarray, cols: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """Light (n, 3) through places of the picture."""
    box = cols.min(), rows.min(), cols.max(), rows.max()
    near = (frames[:, 0] < box[2]) & (frames[:, 2] > box[0])
    near &= (frames[:, 1] < box[3]) & (frames[:, 3] > box[1])
    rays = _primary(stage.scene.camera, rows, cols)
    return _trace(stage, rays, len(rows), np.flatnonzero(near))


def _busy(first: np.ndarray) -> np.ndarray:
    """Pixels (h, w) whose surroundings change enough to be worth more rays."""
    tone = np.sqrt(np.clip(first, 0, 4).astype(F32))
    kernel = np.ones((3, 3), np.uint8)
    change = (cv2.dilate(tone, kernel) - cv2.erode(tone, kernel)).max(axis=2)
    return cv2.dilate((change > 0.035).astype(np.uint8), kernel) > 0


def light_of(scene: RowScene) -> np.ndarray:
    """Trace the light that reaches each pixel, (h, w, 3) linear red, green, blue."""
    stage, (h, w) = _stage(scene), scene.camera.size_px
    frames, whole = _frames(scene), np.zeros((h, w, 3), F32)
    y, x = np.mgrid[:h, :w].astype(F32)
    tile = _TILE * 2
    places = [
        (slice(r, r + tile), slice(c, c + tile))
        for r in range(0, h, tile)
        for c in range(0, w, tile)
    ]
    for at in places:
        shape = whole[at].shape
        whole[at] = _sampled(stage, y[at].ravel(), x[at].ravel(), frames).reshape(shape)
    if scene.samples < 2:
        return whole
    busy = _busy(whole)
    for at in places:
        on = busy[at]
        if not on.any():
            continue
        rows, cols, offsets = y[at][on], x[at][on], np.array(_offsets(scene.samples), F32)
        many = _sampled(
            stage,
            (rows[:, None] + offsets[:, 0]).ravel(),
            (cols[:, None] + offsets[:, 1]).ravel(),
            frames,
        )
        many = np.minimum(many, 6.0).reshape(len(rows), len(offsets), 3).mean(axis=1)
        part = whole[at]
        part[on] = many
    return whole


def _offsets(samples: int) -> tuple[tuple[float, float], ...]:
    """Places within a pixel, no two in one row or column."""
    if samples == 4:
        return _OFFSETS
    k = np.arange(samples)
    return tuple(
        zip((k + 0.5) / samples - 0.5, ((k * 2) % samples + 0.5) / samples - 0.5, strict=True)
    )


def developed(light: np.ndarray, finish: Finish, rng: np.random.Generator) -> np.ndarray:
    """Make an 8-bit picture (h, w, 3), blue, green, red, of linear light, as a phone does."""
    h, w = light.shape[:2]
    grey = light.mean(axis=2)
    middle, bright = np.percentile(grey[::3, ::3], (50, 97.5))
    gain = min(0.5 * finish.exposure / middle, 0.72 / bright) * np.array(finish.balance, F32)
    y, x = np.mgrid[:h, :w].astype(F32)
    away = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / (h * h + w * w) * 4
    lit = light * gain * (1 - finish.vignette * away)[..., None]
    lit = cv2.GaussianBlur(lit, (0, 0), finish.blur_px) if finish.blur_px else lit
    over = np.maximum(lit - 0.55, 0)
    lit = np.minimum(lit, 0.55) + 0.45 * (1 - np.exp(-over / 0.45))
    sigma = finish.noise * np.sqrt(np.maximum(lit, 0) + 0.02)
    grain = rng.standard_normal(lit.shape, dtype=F32)
    lit = lit + sigma * cv2.GaussianBlur(grain, (0, 0), 0.55) * 1.6
    tone = _srgb(np.clip(lit, 0, 1))
    soft = cv2.GaussianBlur(tone, (0, 0), 1.2)
    tone = tone + finish.sharpen * (tone - soft)
    return np.clip(255 * tone[..., ::-1] + 0.5, 0, 255).astype(np.uint8)


def _srgb(light: np.ndarray) -> np.ndarray:
    """The curve of IEC 61966-2-1, from memory."""
    bright = 1.055 * np.power(np.maximum(light, 1e-6), 1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, bright)


def render(scene: RowScene, rng: np.random.Generator) -> np.ndarray:
    """Draw a scene, (h, w, 3) uint8, blue, green, red; `rng` makes the sensor's noise."""
    return developed(light_of(scene), scene.finish, rng)


_SECONDS = {"1min": 60, "2h": 7200, "48h": 172_800}


def write(
    scene: RowScene,
    folder: Path,
    name: str,
    *,
    rng: np.random.Generator | None = None,
    shaken: datetime = datetime(2026, 5, 4, 9, 30),
    quality: int = 92,
) -> Path:
    """Draw and save ``<name>-<reading>.jpg`` with capture time and lens in its EXIF."""
    rng = rng or np.random.default_rng([scene.seed, READINGS.index(scene.reading)])
    taken = shaken + timedelta(seconds=_SECONDS[scene.reading])
    exif = exif_of(taken, focal_35mm=scene.camera.focal_35mm)
    path = Path(folder) / f"{name}-{scene.reading}.jpg"
    return save(path, render(scene, rng), exif, quality=quality)


# --- what the tests ask of it -----------------------------------------------------------------
def strip_corners(jar: RowJar, k: int) -> np.ndarray:
    """Corners of a tag of the jar's strip in the world, (4, 3), by hand on the cylinder."""
    flat = tag_corners_mm(k)
    azimuth = jar.strip.azimuth + (flat[:, 0] - 13.0) / jar.radius_mm
    x, y = jar.x + jar.radius_mm * np.sin(azimuth), jar.y - jar.radius_mm * np.cos(azimuth)
    return np.stack([x, y, jar.base_mm + jar.strip.up_mm + flat[:, 1]], axis=1)
