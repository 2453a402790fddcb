"""Rulers drawn by code with a known pitch: the scale is right, or the reading is refused."""

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
import pytest

from jarvision.core.errors import ExitCode, JarError
from jarvision.jar.ruler import RulerUnit, RulerUnreadError, read_ruler

INCH_MM = 25.4  # Exactly, by the international yard and pound agreement of 1959.

# Lengths of ticks [mm], shortest first, as measured by eye on common rulers (common practice, no
# source): a tick's class is how many of the coarser divisions it belongs to.
RULERS = {
    "mm": (1.0, (10, 5, 1), (3.0, 4.3, 5.8)),
    "inch/8": (INCH_MM / 8, (8, 4, 2, 1), (3.5, 5.5, 7.5, 10.0)),
    "inch/16": (INCH_MM / 16, (16, 8, 4, 2, 1), (2.8, 4.2, 5.8, 7.6, 10.0)),
    "mm/2": (0.5, (20, 10, 2, 1), (2.2, 3.2, 4.4, 6.0)),
    "inch/32": (INCH_MM / 32, (32, 16, 8, 4, 2, 1), (2.0, 2.8, 4.2, 5.8, 8.0, 10.0)),
    "inch/16, inches no longer than halves": (
        INCH_MM / 16,
        (16, 8, 4, 2, 1),
        (2.8, 4.2, 5.8, 8, 8),
    ),
    "all alike": (1.0, (1,), (4.0,)),
}
COMMON = ("mm", "inch/8", "inch/16")


@dataclass(frozen=True)
class Drawing:
    """A ruler in a picture: what it is, and how the camera saw it."""

    kind: str = "mm"
    px_per_mm: float = 8.0
    visible_mm: float = 100.0
    slant_deg: float = 0.0
    length_factor: float = 1.0
    tick_mm: float = 0.22
    paper: float = 200.0
    ink: float = 60.0
    blur_px: float = 0.8
    noise: float = 4.0
    shade: float = 20.0
    digits: bool = True
    mirrored: bool = False
    stretch: float = 0.0
    shear_deg: float = 0.0
    jpeg: int = 0


def tick_lengths_mm(n, drawing):
    _, periods, lengths = RULERS[drawing.kind]
    length_mm = np.full(n.shape, np.nan)
    for period, length in zip(reversed(periods), lengths, strict=True):
        length_mm[n % period == 0] = length
    return length_mm * drawing.length_factor


def draw(drawing, rng):
    """A grey patch with the ruler's ticks up its middle; rows downward, heights upward."""
    scale = drawing.px_per_mm
    rows, cols = round(drawing.visible_mm * scale), round(25 * scale)
    row, col = np.mgrid[:rows, :cols].astype(float)
    row, col = row - rows / 2, col - cols / 2
    angle = np.deg2rad(drawing.slant_deg)
    along_px = row * np.cos(angle) + col * np.sin(angle)
    across_mm = (col * np.cos(angle) - row * np.sin(angle)) / scale + 6 + rng.uniform(-2, 2)
    # A camera tipped along the ruler: one perspective, with this change of scale end to end.
    along_mm = along_px / scale / (1 + drawing.stretch * along_px / rows / 2)
    division_mm = RULERS[drawing.kind][0]
    along_mm += across_mm * np.tan(np.deg2rad(drawing.shear_deg))
    place = along_mm / division_mm + rng.uniform(0, 1000)
    n = np.round(place).astype(int)
    off_px = np.abs(place - n) * division_mm * scale
    covered = np.clip(drawing.tick_mm * scale / 2 - off_px + 0.5, 0, 1)
    covered *= np.clip((tick_lengths_mm(n, drawing) - across_mm) * scale + 0.5, 0, 1)
    covered *= np.clip(across_mm * scale + 0.5, 0, 1)
    body = np.clip(across_mm * scale + 0.5, 0, 1) * np.clip((26 - across_mm) * scale, 0, 1)
    behind = drawing.paper * 0.55 + 10 * np.sin(row / (9 * scale) + 1)
    grey = behind * (1 - body) + drawing.paper * body + (drawing.ink - drawing.paper) * covered
    grey += drawing.shade * (row / rows + 0.5 * col / cols)
    if drawing.digits:
        draw_digits(grey, drawing, n, across_mm)
    grey = cv2.GaussianBlur(grey, (0, 0), drawing.blur_px) if drawing.blur_px else grey
    grey = np.clip(grey + rng.normal(0, drawing.noise, grey.shape), 0, 255).astype(np.uint8)
    if drawing.jpeg:
        _, packed = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, drawing.jpeg])
        grey = cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)
    return grey[:, ::-1] if drawing.mirrored else grey


def draw_digits(grey, drawing, n, across_mm):
    """Write a number beyond each longest tick, as rulers do."""
    period = RULERS[drawing.kind][1][0]
    beyond_mm = RULERS[drawing.kind][2][-1] * drawing.length_factor + 0.8
    size = drawing.px_per_mm * 2.6 / 21  # Digits 2.6 mm high.
    thick_px = max(1, round(drawing.px_per_mm * 0.3))
    mask = np.zeros(grey.shape, np.uint8)
    for number, tick in enumerate(np.unique(n[n % period == 0])):
        near = (n == tick) & (np.abs(across_mm - beyond_mm) < 0.5)
        if near.any():
            at_row, at_col = (int(v.mean()) for v in np.nonzero(near))
            at = (at_col, at_row + int(1.3 * drawing.px_per_mm))
            font = cv2.FONT_HERSHEY_SIMPLEX
            cv2.putText(mask, str(number + 3), at, font, size, 255, thick_px, cv2.LINE_AA)
    grey += (drawing.ink - grey) * (mask / 255.0)


def true_px_per_mm(drawing, centre_px, shape):
    """The drawn scale at a point of the patch, from the drawing's own geometry."""
    row, col = centre_px[0] - shape[0] / 2, centre_px[1] - shape[1] / 2
    col = -col if drawing.mirrored else col
    angle = np.deg2rad(drawing.slant_deg)
    along_px = row * np.cos(angle) + col * np.sin(angle)
    return drawing.px_per_mm * (1 + drawing.stretch * along_px / shape[0] / 2) ** 2


def some_drawing(rng, kinds=COMMON):
    """Any kind of ruler, down to 4 px a mm; slanted, dim, noisy, soft, seen from the side."""
    px_per_mm = float(np.exp(rng.uniform(np.log(4), np.log(10))))
    dark_on_light = rng.random() < 0.8
    paper = rng.uniform(150, 230)
    contrast = rng.uniform(60, 150)
    return Drawing(
        kind=str(rng.choice(kinds)),
        px_per_mm=px_per_mm,
        visible_mm=float(rng.uniform(55, 90)),
        slant_deg=float(rng.uniform(-6, 6)),
        length_factor=float(rng.uniform(0.75, 1.25)),
        tick_mm=float(rng.uniform(0.15, 0.35)),
        paper=paper if dark_on_light else 60.0,
        ink=paper - contrast if dark_on_light else 60.0 + contrast,
        blur_px=float(rng.uniform(0.4, 0.16 * px_per_mm + 0.6)),
        noise=float(rng.uniform(1, 10)),
        shade=float(rng.uniform(-30, 30)),
        digits=bool(rng.random() < 0.9),
        mirrored=bool(rng.random() < 0.5),
        stretch=float(rng.uniform(-0.06, 0.06)),
        shear_deg=float(rng.uniform(-3, 3)),
        jpeg=int(rng.choice([0, 75, 92])),
    )


def read_or_none(grey, unit=None):
    try:
        return read_ruler(grey, unit=unit)
    except RulerUnreadError:
        return None


def relative_errors(readings):
    """Relative error of each reading that was made."""
    return np.array(
        [
            scale.px_per_mm / true_px_per_mm(drawing, scale.centre_px, shape) - 1
            for drawing, scale, shape in readings
            if scale is not None
        ]
    )


def read_many(seeds, *, kinds=COMMON, unit=None, **fixed):
    readings = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        drawing = replace(some_drawing(rng, kinds), **fixed)
        grey = draw(drawing, rng)
        readings.append((drawing, read_or_none(grey, unit), grey.shape))
    return readings


@cache
def two_hundred():
    return read_many(range(200))


def test_scale_is_right_or_refused_in_200_cases():
    errors = relative_errors(two_hundred())
    assert np.abs(errors).max() < 0.005  # The promise: half a percent.
    assert np.sqrt(np.mean(errors**2)) < 0.0005  # What it does, so that a loss is noticed.


def test_unit_is_never_wrong_in_200_cases():
    for drawing, scale, _ in two_hundred():
        if scale is not None:
            unit = RulerUnit.MM if drawing.kind == "mm" else RulerUnit.INCH
            assert (scale.unit, scale.division_mm) == (unit, RULERS[drawing.kind][0])


def test_most_rulers_are_read():
    unread = [drawing for drawing, scale, _ in two_hundred() if scale is None]
    assert len(unread) < 0.25 * 200
    # Millimetres tell themselves; inches need their numbers and two inches in view.
    assert sum(drawing.kind == "mm" for drawing in unread) < 0.1 * 200 / 3


def test_claimed_uncertainty_is_true():
    errors = relative_errors(two_hundred())
    read = [scale for _, scale, _ in two_hundred() if scale is not None]
    of_fit = errors / [scale.fit_sd_px_per_mm / scale.px_per_mm for scale in read]
    # Not less than the real error, nor more than twice it: some errors are the pictures' own.
    assert 0.5 < np.sqrt(np.mean(of_fit**2)) < 1.25
    assert np.mean(np.abs(of_fit) < 2) > 0.9
    assert all(scale.sd_px_per_mm >= 0.002 * scale.px_per_mm for scale in read)


def test_slant_is_found_with_its_sign():
    for slant_deg in (-5.0, 4.0):
        drawing = Drawing(slant_deg=slant_deg)
        scale = read_ruler(draw(drawing, np.random.default_rng(3)))
        # The drawing turns the ruler counterclockwise for a positive angle.
        assert scale.slant_deg == pytest.approx(-slant_deg, abs=0.2)


def test_stretch_is_found_with_its_sign():
    for stretch in (-0.1, 0.06):
        drawing = Drawing(stretch=stretch)
        scale = read_ruler(draw(drawing, np.random.default_rng(4)))
        seen = scale.ticks / drawing.visible_mm
        assert scale.stretch == pytest.approx(stretch * seen, abs=0.1 * abs(stretch))


def test_same_ruler_twice_as_large_has_twice_the_scale():
    drawing = Drawing(noise=0.0, digits=False)
    grey = draw(drawing, np.random.default_rng(5))
    twice = cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    ratio = read_ruler(twice).px_per_mm / read_ruler(grey).px_per_mm
    assert ratio == pytest.approx(2, rel=5e-4)


@pytest.mark.parametrize(("kind", "unit"), [("mm/2", RulerUnit.MM), ("inch/32", RulerUnit.INCH)])
def test_finer_rulers(kind, unit):
    readings = read_many(range(1000, 1008), kinds=(kind,))
    assert np.abs(relative_errors(readings)).max() < 0.005
    assert {scale.unit for _, scale, _ in readings if scale is not None} == {unit}


# What must not be read --------------------------------------------------------------------------


def test_inches_told_by_their_numbers_alone_are_not_halved():
    readings = read_many(range(2000, 2016), kinds=("inch/16, inches no longer than halves",))
    assert all(scale is None for _, scale, _ in readings)


@pytest.mark.parametrize("unit", [None, *RulerUnit])
def test_ticks_all_alike_tell_no_unit(unit):
    grey = draw(Drawing(kind="all alike", digits=False), np.random.default_rng(6))
    with pytest.raises(RulerUnreadError, match="do not tell for sure what it is divided"):
        read_ruler(grey, unit=unit)


def test_a_unit_that_the_ticks_deny_is_not_believed():
    inches = read_many(range(3000, 3006), kinds=("inch/8", "inch/16"), unit=RulerUnit.MM)
    metric = read_many(range(3010, 3013), kinds=("mm",), unit=RulerUnit.INCH)
    assert all(scale is None for _, scale, _ in inches + metric)


def test_a_unit_that_is_true_does_no_harm():
    readings = read_many(range(3020, 3028), kinds=("mm",), unit=RulerUnit.MM)
    assert np.abs(relative_errors(readings)).max() < 0.005
    assert len(relative_errors(readings)) >= 7


def stripes(rng):
    return (
        128
        + 40 * np.sin(np.arange(500) / rng.uniform(1, 6))[:, None]
        + rng.normal(0, 5, (500, 200))
    )


def cloth(rng):
    row, col = np.mgrid[:500, :200]
    return 128 + 40 * np.sin(row / 1.7) * np.sin(col / 2.3) + rng.normal(0, 5, (500, 200))


def text(rng):
    page = np.full((600, 220), 220, np.uint8)
    for row in range(14, 600, 14):
        letters = "".join(rng.choice(list("abcdefghiklmnoprstuvwxyz  "), 22))
        cv2.putText(page, letters, (4, row), cv2.FONT_HERSHEY_SIMPLEX, 0.4, 40, 1, cv2.LINE_AA)
    return page


def grains(rng):
    return 128 + 300 * cv2.GaussianBlur(rng.normal(0, 1, (500, 200)), (0, 0), 2.0)


@pytest.mark.parametrize("scene", [stripes, cloth, text, grains])
def test_what_is_no_ruler_is_not_read(scene):
    for seed in range(5):
        with pytest.raises(RulerUnreadError):
            read_ruler(scene(np.random.default_rng(seed)))


@pytest.mark.parametrize(
    "grey",
    [
        np.zeros((0, 0)),
        np.zeros((5, 300)),
        np.full((400, 200), 128.0),
        np.full((400, 200), np.nan),
        np.zeros((400, 200, 3)),
        np.zeros((60, 30), np.uint8),
    ],
    ids=["empty", "flat strip", "plain", "nan", "colour", "tiny"],
)
def test_pictures_that_cannot_be_read(grey):
    with pytest.raises(RulerUnreadError, match="No ruler's ticks could be read; go closer"):
        read_ruler(grey)


def test_refusal_is_a_reading_that_cannot_be_made():
    assert issubclass(RulerUnreadError, JarError)
    assert (RulerUnreadError.name, RulerUnreadError.exit_code) == (
        "ruler_unread",
        ExitCode.SOME_UNREAD,
    )
