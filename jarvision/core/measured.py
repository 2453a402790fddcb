"""A value with its standard deviation, and the doubts that a reading can carry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value; it does no arithmetic, since neighbours share their errors.

    Attributes
    ----------
    value, sd : float
        Value and one standard deviation, both in `unit`; NaN when unknown.
    unit : str
        Unit as it is printed, for example ``"mm"`` or ``"%"``.
    """

    value: float
    sd: float
    unit: str

    def __str__(self) -> str:
        """Print value ± sd with no more digits than the sd carries."""
        if math.isnan(self.value):
            return "unknown"
        if math.isnan(self.sd):
            return f"{self.value:.0f} {self.unit} (uncertainty unknown)"
        digits = 1 if self.sd < 3 else 0
        sd = max(self.sd, 0.1)  # an sd that prints as nothing would claim perfection
        return f"{self.value:.{digits}f} ± {sd:.{digits}f} {self.unit}"


class DoubtName(StrEnum):
    """Names of doubts as they stand in `readings.csv` and in the JSON."""

    NO_STRIP = "no_strip"
    FEW_TAGS = "few_tags"
    PRINT_NOT_TO_SCALE = "print_not_to_scale"
    STRIP_OFF_FLOOR = "strip_off_floor"
    FLOOR_UNSURE = "floor_unsure"
    FOCAL_UNKNOWN = "focal_unknown"
    SIDE_UNSURE = "side_unsure"
    STEEP_VIEW = "steep_view"
    DIM = "dim"
    SOFT_PHOTO = "soft_photo"
    NOISY = "noisy"
    SMOOTHED = "smoothed"
    SMALL_IN_PICTURE = "small_in_picture"
    WEAK_BOUNDARY = "weak_boundary"
    CUES_DISAGREE = "cues_disagree"
    OLDER_BOUNDARY_MOVED = "older_boundary_moved"
    THIN_LAYER = "thin_layer"
    UNEVEN_TOP = "uneven_top"
    TIMES_DISAGREE = "times_disagree"
    TIME_UNKNOWN = "time_unknown"
    TIME_OFF = "time_off"
    ONE_PHOTO = "one_photo"
    TWO_PHOTOS = "two_photos"
    SAME_PHOTO_TWICE = "same_photo_twice"
    STILL_SETTLING = "still_settling"
    WALLS_NOT_PARALLEL = "walls_not_parallel"
    SCALE_FROM_JAR = "scale_from_jar"
    SCALE_FROM_RULER = "scale_from_ruler"
    LINES_BOWED = "lines_bowed"
    MARK_ON_BOUNDARY = "mark_on_boundary"
    PUT_RIGHT = "put_right"
    PARTLY_HIDDEN = "partly_hidden"
    TOO_BRIGHT = "too_bright"
    GLARE = "glare"
    TILTED = "tilted"
    WATER_LINE_UNSURE = "water_line_unsure"
    SAND_NOT_GRADED = "sand_not_graded"


_SENTENCES: dict[DoubtName, str] = {
    DoubtName.NO_STRIP: (
        "No scale strip was seen, so there are percentages but no millimetres; tape a printed "
        "strip beside the layers to get both."
    ),
    DoubtName.FEW_TAGS: (
        "Only {found} of the strip's tags could be read in {photo}, so the scale is less "
        "sure; keep hands and glare off the strip."
    ),
    DoubtName.PRINT_NOT_TO_SCALE: (
        "The ruler printed on the strip in {photo} and its tags differ by {percent}, so the "
        "millimetres are not sure; print the strip anew at 100 % and measure its 100 mm line."
    ),
    DoubtName.STRIP_OFF_FLOOR: (
        "The strip's zero seems to sit {offset} off the jar's inside floor; the floor seen in "
        "the photos was used."
    ),
    DoubtName.FLOOR_UNSURE: (
        "The inside floor could not be seen clearly, so every height may be off by the same "
        "{sd}; photograph the jar with its foot in the picture."
    ),
    DoubtName.FOCAL_UNKNOWN: (
        "{photo} does not say what lens took it, so the view angle was estimated from the "
        "strip; send the phone's original file if you can."
    ),
    DoubtName.SIDE_UNSURE: (
        "{photo} does not say which side is up, nor do its layers for sure; look whether the lid "
        "is on top in its picture."
    ),
    DoubtName.STEEP_VIEW: (
        "{photo} was taken from well above or below the layers; hold the phone at the height "
        "of the layer."
    ),
    DoubtName.DIM: ("{photo} is dark, so boundaries are less sure; add light from the side."),
    DoubtName.SOFT_PHOTO: (
        "{photo} is soft or shaken, so boundaries are less sure; rest the phone on something "
        "and tap the jar to focus."
    ),
    DoubtName.NOISY: (
        "{photo} is noisy, so grain of the soil and grain of the picture are hard to tell apart; "
        "take it again with more light."
    ),
    DoubtName.SMOOTHED: (
        "{photo} was smoothed or compressed until the soil's grain is gone, so a layer may be "
        "missed; send the phone's original file."
    ),
    DoubtName.SMALL_IN_PICTURE: (
        "The jar is small in {photo}; go closer, so that foot to water line fills the picture."
    ),
    DoubtName.WEAK_BOUNDARY: (
        "The top of the {layer} is hard to tell from what is above it in {photo}; look at the "
        "overlay and check that line by eye."
    ),
    DoubtName.CUES_DISAGREE: (
        "For the top of the {layer} in {photo}, colour and grain point to places {gap} apart; "
        "check that line on the overlay."
    ),
    DoubtName.OLDER_BOUNDARY_MOVED: (
        "The top of the {layer} is at {then} in its own photo but looks to be at {now} in "
        "{photo}; check both overlays."
    ),
    DoubtName.THIN_LAYER: (
        "The {layer} layer is only about {thick} thick, thinner than a photo can measure "
        "well; its share is rough."
    ),
    DoubtName.UNEVEN_TOP: (
        "The top of the {layer} is uneven by about {uneven}; the mean along the front of the "
        "jar was used."
    ),
    DoubtName.TIMES_DISAGREE: (
        "The file name and the camera's clock disagree about when {photo} was taken; {used} "
        "was used."
    ),
    DoubtName.TIME_UNKNOWN: (
        "The time since shaking is not known for {photo}; put 1min, 2h or 48h in its name, or say "
        "when the jar was shaken."
    ),
    DoubtName.TIME_OFF: (
        "{photo} was taken {elapsed} after shaking, not near {wanted}; the layer it shows is "
        "not quite the one it stands for."
    ),
    DoubtName.ONE_PHOTO: (
        "All three layers were read from one picture, so nothing confirms them; photos at 1 "
        "minute and 2 hours would."
    ),
    DoubtName.TWO_PHOTOS: (
        "There is no photo near {missing}, so that boundary was read in a later photo and "
        "nothing confirms it."
    ),
    DoubtName.SAME_PHOTO_TWICE: ("{photo} is the same picture as {other}; it was used once."),
    DoubtName.STILL_SETTLING: (
        "The water above the clay was still cloudy in the last photo; wait and take another "
        "when it clears."
    ),
    DoubtName.WALLS_NOT_PARALLEL: (
        "This jar {change} where the layers are, so the percentages are off by {size}; "
        "measure it once with water and give its profile, or use a straight-sided jar."
    ),
    DoubtName.SCALE_FROM_JAR: (
        "Where no strip was seen the millimetres come from the jar's own width, good to about "
        "{sd} %; percentages hardly depend on it; a printed strip would measure better."
    ),
    DoubtName.SCALE_FROM_RULER: (
        "No strip was seen, so the millimetres come from a ruler beside the jar, good to about "
        "{sd} %; percentages hardly depend on it; a printed strip would measure better."
    ),
    DoubtName.PARTLY_HIDDEN: (
        "Another jar stands before part of this one in {photo}, so its shape and its floor are "
        "less sure; move the jars apart and take the photo again."
    ),
    DoubtName.WATER_LINE_UNSURE: (
        "The water line could be another line, such as the lid, the rim or foam, so the estimate "
        "by weight is less sure; measure it from the inside floor, and give it with the jar."
    ),
    DoubtName.TOO_BRIGHT: (
        "Part of the wall is white in {photo}, so layers may be lost in it; keep the jar out of "
        "the sun and take the photo again."
    ),
    DoubtName.GLARE: (
        "Light is mirrored in the wall where the layers are in {photo}; move the lamp or the jar, "
        "or step to the side."
    ),
    DoubtName.TILTED: (
        "The jar leans by {degrees} degrees in {photo}; hold the phone upright, and stand the jar "
        "level."
    ),
    DoubtName.MARK_ON_BOUNDARY: (
        "A dark line or tape runs over the top of the {layer} on all of the glass that is seen in "
        "{photo}, so that boundary is less sure; leave some glass free beside a mark."
    ),
    DoubtName.SAND_NOT_GRADED: (
        "The grains of the sand do not lie coarse below fine, as they settle, so how coarse it is "
        "is not told; rub it between your fingers, or shake the jar well and read it anew."
    ),
    DoubtName.PUT_RIGHT: "The {line} was put right by hand{how}.",
    DoubtName.LINES_BOWED: (
        "In {photo} the strip does not look flat and straight, so heights may be off by about "
        "{off}; smooth the strip down, and do not use a wide-angle lens."
    ),
}


@dataclass(frozen=True, slots=True)
class Doubt:
    """A named doubt with its one sentence for the gardener."""

    name: DoubtName
    sentence: str


def doubt(name: DoubtName, **facts: object) -> Doubt:
    """Fill in the sentence of a doubt.

    Parameters
    ----------
    name : DoubtName
        Which doubt.
    **facts
        What the sentence names, lengths with their unit.

    Raises
    ------
    KeyError
        A fact that the sentence needs is missing: a mistake of ours, caught by the tests.
    """
    return Doubt(name, _SENTENCES[name].format(**facts))
