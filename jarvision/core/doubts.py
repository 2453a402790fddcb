"""What can be doubtful about a result: each doubt with its name, short form and sentence, once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class DoubtName(StrEnum):
    """Names of doubts as they stand in `readings.csv` and in the JSON, gravest first.

    The order is our judgement of how far each can lead.
    """

    SETTLING_MISFIT = "settling_misfit"
    FLOOR_UNSURE = "floor_unsure"
    WALLS_NOT_PARALLEL = "walls_not_parallel"
    CUES_DISAGREE = "cues_disagree"
    WEAK_BOUNDARY = "weak_boundary"
    OLDER_BOUNDARY_MOVED = "older_boundary_moved"
    MARK_ON_BOUNDARY = "mark_on_boundary"
    PARTLY_HIDDEN = "partly_hidden"
    TOO_BRIGHT = "too_bright"
    GLARE = "glare"
    SMOOTHED = "smoothed"
    STILL_SETTLING = "still_settling"
    LAST_PHOTO_EARLY = "last_photo_early"
    ONE_PHOTO = "one_photo"
    TWO_PHOTOS = "two_photos"
    FEW_HEIGHTS = "few_heights"
    PRINT_NOT_TO_SCALE = "print_not_to_scale"
    LINES_BOWED = "lines_bowed"
    STRIP_OFF_FLOOR = "strip_off_floor"
    FEW_TAGS = "few_tags"
    SCALE_FROM_JAR = "scale_from_jar"
    SCALE_FROM_RULER = "scale_from_ruler"
    NO_STRIP = "no_strip"
    ORGANIC_SOIL = "organic_soil"
    MORE_SOIL_THAN_WATER = "more_soil_than_water"
    UNEVEN_TOP = "uneven_top"
    THIN_LAYER = "thin_layer"
    STEEP_VIEW = "steep_view"
    TILTED = "tilted"
    SMALL_IN_PICTURE = "small_in_picture"
    SOFT_PHOTO = "soft_photo"
    DIM = "dim"
    NOISY = "noisy"
    TIME_OFF = "time_off"
    TIMES_DISAGREE = "times_disagree"
    TIME_UNKNOWN = "time_unknown"
    SAME_PHOTO_TWICE = "same_photo_twice"
    WATER_LINE_UNKNOWN = "water_line_unknown"
    WATER_LINE_UNSURE = "water_line_unsure"
    GRAMS_WITHOUT_WIDTH = "grams_without_width"
    FALL_GUESSED = "fall_guessed"
    SOIL_DOES_NOT_FIT = "soil_does_not_fit"
    REFERENCE_NOT_USED = "reference_not_used"
    REFERENCE_ODD = "reference_odd"
    REFERENCE_DIFFERS = "reference_differs"
    SAND_NOT_GRADED = "sand_not_graded"
    SIDE_UNSURE = "side_unsure"
    FOCAL_UNKNOWN = "focal_unknown"
    WATER_STATE_UNKNOWN = "water_state_unknown"
    PUT_RIGHT = "put_right"
    LITTLE_NARROWED = "little_narrowed"
    FEW_DRAWS = "few_draws"


_TABLE: Mapping[DoubtName, tuple[str, str]] = {
    DoubtName.SETTLING_MISFIT: (
        "heights do not fit together",
        "The heights do not rise the way {what} would settle, so at least one number is likely "
        "wrong; check {what_to_check}.",
    ),
    DoubtName.FLOOR_UNSURE: (
        "floor not seen",
        "The inside floor could not be seen clearly, so every height may be off by the same {sd}; "
        "photograph the jar with its foot in the picture.",
    ),
    DoubtName.WALLS_NOT_PARALLEL: (
        "jar not straight",
        "This jar {change} where the layers are, so the percentages are off by {size}; measure it "
        "once with water and give its profile, or use a straight-sided jar.",
    ),
    DoubtName.CUES_DISAGREE: (
        "a line in two places",
        "For the top of the {layer} in {photo}, colour and grain point to places {gap} apart; "
        "check that line on the overlay.",
    ),
    DoubtName.WEAK_BOUNDARY: (
        "a line hard to see",
        "The top of the {layer} is hard to tell from what is above it in {photo}; look at the "
        "overlay and check that line by eye.",
    ),
    DoubtName.OLDER_BOUNDARY_MOVED: (
        "a line has moved",
        "The top of the {layer} is at {then} in its own photo but looks to be at {now} in "
        "{photo}; check both overlays.",
    ),
    DoubtName.MARK_ON_BOUNDARY: (
        "a mark hides a line",
        "A dark line or tape runs over the top of the {layer} on all of the glass that is seen in "
        "{photo}, so that boundary is less sure; leave some glass free beside a mark.",
    ),
    DoubtName.PARTLY_HIDDEN: (
        "partly hidden",
        "Another jar stands before part of this one in {photo}, so its shape and its floor are "
        "less sure; move the jars apart and take the photo again.",
    ),
    DoubtName.TOO_BRIGHT: (
        "too bright",
        "Part of the wall is white in {photo}, so layers may be lost in it; keep the jar out of "
        "the sun and take the photo again.",
    ),
    DoubtName.GLARE: (
        "glare on the layers",
        "Light is mirrored in the wall where the layers are in {photo}; move the lamp or the jar, "
        "or step to the side.",
    ),
    DoubtName.SMOOTHED: (
        "picture smoothed",
        "{photo} was smoothed or compressed until the soil's grain is gone, so a layer may be "
        "missed; send the phone's original file.",
    ),
    DoubtName.STILL_SETTLING: (
        "water still cloudy",
        "The water above the clay was still cloudy in the last photo; wait and take another when "
        "it clears.",
    ),
    DoubtName.LAST_PHOTO_EARLY: (
        "last photo too early",
        "The last photo was taken {hours:.0f} h after shaking, when much of the clay may still be "
        "up, so the result by weight is less sure; take another after 48 h.",
    ),
    DoubtName.ONE_PHOTO: (
        "only one photo",
        "All three layers were read from one picture, so nothing confirms them; photos at 1 "
        "minute and 2 hours would.",
    ),
    DoubtName.TWO_PHOTOS: (
        "a photo is missing",
        "There is no photo near {missing}, so that boundary was read in a later photo and nothing "
        "confirms it.",
    ),
    DoubtName.FEW_HEIGHTS: (
        "too few heights",
        "Fewer than three heights were read, too few to tell sand, silt and clay apart by weight; "
        "add photos at 1 minute, 2 hours and 48 hours.",
    ),
    DoubtName.PRINT_NOT_TO_SCALE: (
        "print not to scale",
        "The ruler printed on the strip in {photo} and its tags differ by {percent}, so the "
        "millimetres are not sure; print the strip anew at 100 % and measure its 100 mm line.",
    ),
    DoubtName.LINES_BOWED: (
        "strip not flat",
        "In {photo} the strip does not look flat and straight, so heights may be off by about "
        "{off}; smooth the strip down, and do not use a wide-angle lens.",
    ),
    DoubtName.STRIP_OFF_FLOOR: (
        "strip off the floor",
        "The strip's zero seems to sit {offset} off the jar's inside floor; the floor seen in the "
        "photos was used.",
    ),
    DoubtName.FEW_TAGS: (
        "strip hardly seen",
        "Only {found} of the strip's tags could be read in {photo}, so the scale is less sure; "
        "keep hands and glare off the strip.",
    ),
    DoubtName.SCALE_FROM_JAR: (
        "scale from the jar",
        "Where no strip was seen the millimetres come from the jar's own width, good to about "
        "{sd} %; percentages hardly depend on it; a printed strip would measure better.",
    ),
    DoubtName.SCALE_FROM_RULER: (
        "scale from a ruler",
        "No strip was seen, so the millimetres come from a ruler beside the jar, good to about "
        "{sd} %; percentages hardly depend on it; a printed strip would measure better.",
    ),
    DoubtName.NO_STRIP: (
        "no scale strip",
        "No scale strip was seen, so there are percentages but no millimetres; tape a printed "
        "strip beside the layers to get both.",
    ),
    DoubtName.ORGANIC_SOIL: (
        "organic soil",
        "With {organic_pct:.0f} % organic matter this is an organic soil, for which sand, silt "
        "and clay say little.",
    ),
    DoubtName.MORE_SOIL_THAN_WATER: (
        "too much soil",
        "There is more soil than water in this jar, so grains hindered each other and sorted "
        "badly; use a third of soil or less next time.",
    ),
    DoubtName.UNEVEN_TOP: (
        "uneven layer",
        "The top of the {layer} is uneven by about {uneven}; the mean along the front of the jar "
        "was used.",
    ),
    DoubtName.THIN_LAYER: (
        "a thin layer",
        "The {layer} layer is only about {thick} thick, thinner than a photo can measure well; "
        "its share is rough.",
    ),
    DoubtName.STEEP_VIEW: (
        "slanting view",
        "{photo} was taken from well above or below the layers; hold the phone at the height of "
        "the layer.",
    ),
    DoubtName.TILTED: (
        "jar leans in the picture",
        "The jar leans by {degrees} degrees in {photo}; hold the phone upright, and stand the jar "
        "level.",
    ),
    DoubtName.SMALL_IN_PICTURE: (
        "jar small in picture",
        "The jar is small in {photo}; go closer, so that foot to water line fills the picture.",
    ),
    DoubtName.SOFT_PHOTO: (
        "soft photo",
        "{photo} is soft or shaken, so boundaries are less sure; rest the phone on something and "
        "tap the jar to focus.",
    ),
    DoubtName.DIM: (
        "dark photo",
        "{photo} is dark, so boundaries are less sure; add light from the side.",
    ),
    DoubtName.NOISY: (
        "noisy photo",
        "{photo} is noisy, so grain of the soil and grain of the picture are hard to tell apart; "
        "take it again with more light.",
    ),
    DoubtName.TIME_OFF: (
        "photo at another time",
        "{photo} was taken {elapsed} after shaking, not near {wanted}; the layer it shows is not "
        "quite the one it stands for.",
    ),
    DoubtName.TIMES_DISAGREE: (
        "times disagree",
        "The file name and the camera's clock disagree about when {photo} was taken; {used} was "
        "used.",
    ),
    DoubtName.TIME_UNKNOWN: (
        "time not known",
        "The time since shaking is not known for {photo}; put 1min, 2h or 48h in its name, or say "
        "when the jar was shaken.",
    ),
    DoubtName.SAME_PHOTO_TWICE: (
        "same photo twice",
        "{photo} is the same picture as {other}; it was used once.",
    ),
    DoubtName.WATER_LINE_UNKNOWN: (
        "water line not seen",
        "The water line was not seen, so how far the grains fell was guessed; measure how high "
        "the water stands above the floor for a narrower result.",
    ),
    DoubtName.WATER_LINE_UNSURE: (
        "water line not sure",
        "The water line could be another line, such as the lid, the rim or foam, so the estimate "
        "by weight is less sure; measure it from the inside floor, and give it with the jar.",
    ),
    DoubtName.GRAMS_WITHOUT_WIDTH: (
        "width not known",
        "The grams of soil were not used, since the jar's inside width is not known; give it as "
        "well.",
    ),
    DoubtName.FALL_GUESSED: (
        "fall guessed",
        "The photos show no millimetres, so how far the grains fell was guessed from the width "
        "that jars usually have; measure how wide the jar is, or tape a strip on, for a narrower "
        "result by weight.",
    ),
    DoubtName.SOIL_DOES_NOT_FIT: (
        "soil does not fit the jar",
        "The soil said to be put in would make the deposit {density:.2g} g/cm³, which no soil is, "
        "so it was not used; check its weight or height and the jar's width.",
    ),
    DoubtName.REFERENCE_NOT_USED: (
        "reference not used",
        "The reference jar {reference} was not used, since its heights do not rise as its "
        "laboratory's soil would settle; check both in its file.",
    ),
    DoubtName.REFERENCE_ODD: (
        "reference may be wrong",
        "The reference jar {reference} holds what its laboratory says only if its layers packed "
        "unusually, so one of the two may be wrong; check that both are of one soil, shake that "
        "jar again, and read this one without it too.",
    ),
    DoubtName.REFERENCE_DIFFERS: (
        "unlike the reference",
        "{how} the reference jar {reference}, so what that says of packing may not hold here; "
        "read it without that jar too, and compare.",
    ),
    DoubtName.SAND_NOT_GRADED: (
        "sand not graded",
        "The grains of the sand do not lie coarse below fine, as they settle, so how coarse it is "
        "is not told; rub it between your fingers, or shake the jar well and read it anew.",
    ),
    DoubtName.SIDE_UNSURE: (
        "side up not sure",
        "{photo} does not say which side is up, nor do its layers for sure; look whether the lid "
        "is on top in its picture.",
    ),
    DoubtName.FOCAL_UNKNOWN: (
        "lens not known",
        "{photo} does not say what lens took it, so the view angle was estimated from the strip; "
        "send the phone's original file if you can.",
    ),
    DoubtName.WATER_STATE_UNKNOWN: (
        "water not described",
        "It is not known whether the water had cleared at the last photo, so the clay by weight "
        "is less sure; say whether it was clear, hazy or cloudy.",
    ),
    DoubtName.PUT_RIGHT: (
        "put right by hand",
        "The {line} was put right by hand{how}.",
    ),
    DoubtName.LITTLE_NARROWED: (
        "mostly assumption",
        "By weight this is mostly assumption: the photos cannot tell {reason}, and left the "
        "{share} nearly as wide as it was beforehand.",
    ),
    DoubtName.FEW_DRAWS: (
        "rough limits",
        "Few ways were found in which a jar could come to look like this, so the limits by weight "
        "are rough; check the heights, the times and the water line.",
    ),
}
"""The short form, for a table's cell, and the sentence for the gardener."""


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
    return Doubt(name, _TABLE[name][1].format(**facts))


def short_form(name: DoubtName) -> str:
    """Call a doubt in a few words."""
    return _TABLE[name][0]
