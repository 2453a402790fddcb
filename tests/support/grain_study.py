"""How well grains are sized by how many pixels they have: a table, and a plot.

`PYTHONPATH=. python -m tests.support.grain_study [pictures a cell] [plot.svg]`
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from jarvision.wall.edge_transfer import FREQUENCY, gaussian_transfer
from jarvision.wall.grain_spectrum import (
    GrainModel,
    GrainSize,
    PhotoTransfer,
    grain_model,
    grain_size,
    row_spectrum,
)
from tests.support.grain_pictures import MINERALS, cells, packed_ellipses, through_camera

Array = NDArray[np.float64]

CAMERAS: Mapping[str, Mapping[str, float | int]] = {
    "sharp": {"blur_px": 0.6, "noise": 0.01},
    "soft, JPEG 85": {"blur_px": 1.0, "noise": 0.02, "jpeg": 85},
    "phone's sharpening, JPEG 75": {"blur_px": 0.9, "noise": 0.015, "sharpen": 1.0, "jpeg": 75},
    "out of focus": {"blur_px": 1.3, "noise": 0.01, "jpeg": 92},
}
SIZES_PX = (1.2, 1.7, 2.3, 3.0, 4.0, 6.0, 9.0, 14.0, 20.0, 30.0)
LAWS = {"ellipses": packed_ellipses, "cells": cells}
_SHARPEN_PX = 1.2


@dataclass(frozen=True, slots=True)
class Sized:
    """One picture's true mean diameter [px] and what was found."""

    law: str
    mineral: str
    camera: str
    drawn_px: float
    true_px: float
    found: GrainSize

    @property
    def error(self) -> float:
        """Logarithm of found over true; NaN where no number is given."""
        return float(np.log(self.found.mean_px / self.true_px))


def model_of(camera: str, width: int = 600) -> GrainModel:
    """Give the model of a camera: its transfer by its formula, its noise from a plain picture."""
    how = dict(CAMERAS[camera])
    transfer = gaussian_transfer(float(how["blur_px"]))
    by = 1 + float(how.get("sharpen", 0.0)) * (1 - gaussian_transfer(_SHARPEN_PX))
    plain = seen_by(camera, np.full((120, width), 0.45), np.random.default_rng(99))
    frequency, power = row_spectrum(plain)
    noise = np.interp(FREQUENCY, frequency, np.convolve(power, np.ones(15) / 15, "same"))
    return grain_model(PhotoTransfer(FREQUENCY, transfer * by, noise))


def seen_by(camera: str, grey: Array, rng: np.random.Generator) -> Array:
    """Take a picture by one of the `CAMERAS`."""
    how = dict(CAMERAS[camera])
    jpeg = how.pop("jpeg", None)
    quality = int(jpeg) if jpeg is not None else None
    return through_camera(grey, rng, jpeg=quality, sharpen_px=_SHARPEN_PX, **how)


def study(
    sizes_px: Sequence[float] = SIZES_PX,
    cameras: Sequence[str] = tuple(CAMERAS),
    *,
    each: int = 1,
    width: int = 600,
    seed: int = 5,
) -> Iterator[Sized]:
    """Draw and size pictures of both laws, all minerals, sieve curves of any width."""
    rng = np.random.default_rng(seed)
    models = {camera: model_of(camera, width) for camera in cameras}
    for drawn_px in sizes_px:
        for law, draw in LAWS.items():
            for mineral in MINERALS:
                for camera in cameras:
                    for _ in range(each):
                        shape = (max(48, int(4 * drawn_px)), width)
                        spread = rng.uniform(0.2, 0.5)
                        drawn = draw(rng, shape, drawn_px, log_spread=spread, mineral=mineral)
                        picture = seen_by(camera, drawn.grey, rng)
                        found = grain_size([picture], models[camera], largest_px=40.0)
                        yield Sized(law, mineral, camera, drawn_px, drawn.mean_px(), found)


def table(rows: Sequence[Sized]) -> str:
    """Say errors by pixels a grain, and by how pictures were made."""
    out = ["| grains of | numbers | bias | rms | rms error / sd |", "|---|---|---|---|---|"]
    groups = [(f"{d:g} px", [r for r in rows if r.drawn_px == d]) for d in SIZES_PX]
    told = [r for r in rows if r.true_px >= 2.0]
    groups += [(law, [r for r in told if r.law == law]) for law in LAWS]
    groups += [(m, [r for r in told if r.mineral == m]) for m in MINERALS]
    groups += [(c, [r for r in told if r.camera == c]) for c in CAMERAS]
    groups += [("all from 2 px", told)]
    for name, group in groups:
        error = np.array([r.error for r in group])
        ok = np.isfinite(error)
        if not group or not ok.any():
            out.append(f"| {name} | 0 of {len(group)} | | | |")
            continue
        off = error[ok] / np.array([r.found.log_sd for r in group])[ok]
        bias, rms = 100 * error[ok].mean(), 100 * np.sqrt((error[ok] ** 2).mean())
        ratio = np.sqrt((off**2).mean())
        out.append(
            f"| {name} | {ok.sum()} of {len(group)} | {bias:+.0f} % | {rms:.0f} % | {ratio:.2f} |"
        )
    bounds = [r for r in rows if not np.isfinite(r.error)]
    broken = sum(r.found.finer_than_px < r.true_px for r in bounds)
    under = sum(r.true_px < 1.8 and np.isfinite(r.error) for r in rows)
    out.append(f"\n{len(bounds)} bounds, {broken} too low; {under} numbers for grains under 1.8 px")
    return "\n".join(out)


def plot(rows: Sequence[Sized], path: str) -> None:
    """Draw found over true diameter as SVG, both in pixels on logarithmic axes."""
    size, margin = 620, 60

    def place(px: float) -> float:
        return margin + (size - 2 * margin) * float(np.log(px) / np.log(60.0))

    def point(x: float, y: float) -> tuple[float, float]:
        return place(x), size - place(y)

    def words(x: float, y: float, text: str, anchor: str = "middle") -> str:
        return f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="{anchor}">{text}</text>'

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}" font-size="14" '
        'font-family="sans-serif" fill="#3c3c3c">',
        f'<rect width="{size}" height="{size}" fill="#fff"/>',
        words(size / 2, 24, "Mean diameter of drawn grains: found over true, px"),
        words(size / 2, size - 8, "true, px (lines: a fifth off; dashes: bounds)"),
    ]
    for by in (0.8, 1.0, 1.25):
        (x0, y0), (x1, y1) = point(1, by), point(48, 48 * by)
        out.append(f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="#c8c8c8"/>')
    for tick in (1, 2, 5, 10, 20, 50):
        out.append(words(place(tick), size - 34, str(tick)))
        out.append(words(40, size - place(tick) + 5, str(tick), "end"))
    for row in rows:
        colour = "#125a9a" if row.law == "cells" else "#c86e1e"
        if np.isfinite(row.error):
            x, y = point(row.true_px, row.found.mean_px)
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{colour}"/>')
        else:
            x, y = point(row.true_px, row.found.finer_than_px)
            out.append(f'<path d="M{x:.1f} {y:.1f}v8" stroke="{colour}"/>')
    out.append("</svg>")
    Path(path).write_text("\n".join(out) + "\n", encoding="utf-8")


def main(each: str = "1", picture: str = "") -> None:
    """Print the table; draw the plot where a path is given."""
    rows = list(study(each=int(each), width=800))
    print(table(rows))
    if picture:
        plot(rows, picture)


if __name__ == "__main__":
    main(*sys.argv[1:])
