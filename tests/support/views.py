"""Drawn jars as photos, one or two in a picture, and how far off a view of them is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scenes import Shot, draw, edge_points, outline_xy, seen_at

from jarvision.jar.strip import Strip
from jarvision.jar.view_fit import Jar
from jarvision.photo.decode import Photo
from jarvision.wall.locate import Look, look_at_jar, orient

NAN = math.nan


HEIGHTS_MM = np.arange(0.0, 101.0, 10.0)


def height_errors(jar: Jar, shot: Shot) -> np.ndarray:
    """How far off the view puts points in front of the jar whose heights are known [mm]."""
    nearest = outline_xy(shot, np.zeros(1))[0]
    truth = np.column_stack([np.tile(nearest, (len(HEIGHTS_MM), 1)), HEIGHTS_MM + shot.strip_up])
    rows = seen_at(shot, truth)[:, 1]
    tried = np.linspace(-15.0, 130.0, 2901)
    front = jar.view.front_px(tried)[:, 1]
    return np.interp(-rows, -front, tried) - HEIGHTS_MM


def photo(bgr: np.ndarray, *, focal_35mm: float = NAN, cropped: bool = False) -> Photo:
    picture = np.ascontiguousarray(bgr)
    return Photo("pot.jpg", "digest", picture, 1, focal_35mm, cropped, None)


def of_shot(shot: Shot, **options: object) -> Photo:
    focal = shot.focal_px * 43.2666 / math.hypot(*shot.size_px)
    return photo(draw(shot), **({"focal_35mm": focal} | options))


@dataclass(frozen=True)
class Pair:
    """Two drawn jars in one picture."""

    left: Shot
    right: Shot
    photo: Photo
    strips: dict[int, Strip]

    def look(self, shot: Shot) -> Look:
        """Look at one of the jars, knowing the other's strip."""
        own = self.strips[shot.jar]
        others = [strip for strip in self.strips.values() if strip is not own]
        looks, refused = look_at_jar({1: self.photo}, {1: own}, others={1: others})
        assert not refused, refused
        return looks[1]


def turned_to(shot: Shot, side: int, gap_mm: float) -> Shot:
    """The shot from a camera turned so that the jar's edge stands beside the picture's middle."""
    straight = replace(shot, yaw=0.0, pitch=0.0, roll=0.0)
    edge = seen_at(straight, edge_points(straight, side, np.zeros(1)))[0, 0]
    off = math.atan((edge - (shot.size_px[1] - 1) / 2) / shot.focal_px)
    return replace(shot, yaw=off + side * math.atan(gap_mm / 2 / shot.distance))


@cache
def beside(left: Shot, right: Shot, gap_mm: float) -> Pair:
    """Draw two jars beside each other, a gap of some millimetres between them."""
    lens = {"size_px": (1150, 1500), "focal_px": 1500.0}
    left = turned_to(replace(left, **lens), 1, gap_mm)
    right = turned_to(replace(right, **lens), -1, gap_mm)
    middle = lens["size_px"][1] // 2
    joined = np.concatenate([draw(left)[:, :middle], draw(right)[:, middle:]], axis=1)
    focal_35mm = left.focal_px * 43.2666 / math.hypot(*left.size_px)
    one, strips = orient(photo(joined, focal_35mm=focal_35mm))
    return Pair(left, right, one, {strip.jar: strip for strip in strips})
