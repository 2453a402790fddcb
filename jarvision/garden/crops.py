"""Garden crops: how deep they root, what one watering should bring, which soils suit them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.sources import COMMON_PRACTICE, FAO56, Quality, Source
from jarvision.core.units import Span, plain
from jarvision.estimate.texture import Texture
from jarvision.garden.class_tables import GROUPS, SoilGroup

DAILY_USE_MM = 5.0
"""Water that a full-grown crop uses on a warm day [mm]: the rate that FAO-56's Table 22 is for."""

DAILY_USE_LIMITS_MM = (0.5, 15.0)


@dataclass(frozen=True, slots=True)
class Crop:
    """A crop's row: rooting and how far it may dry the soil before it suffers.

    Attributes
    ----------
    root_low_m, root_high_m : float
        Largest effective rooting depth [m]; the lower figure suits frequent watering.
    depletion : float
        Share of the available water that may be used before growth slows, 0 to 1, at a daily
        use of 5 mm.
    """

    name: str
    root_low_m: float
    root_high_m: float
    depletion: float
    aliases: tuple[str, ...] = ()
    source: Source = FAO56


_FAO56_MEMORY_ROW = Source(
    Quality.MEMORY, "FAO Irrigation and Drainage Paper 56, Table 22, this row from memory"
)
_STAND_IN = Source(
    Quality.PRACTICE, "The cabbage row of FAO-56 stands in for kale, which the table does not have"
)

CROPS: tuple[Crop, ...] = (
    Crop("broccoli", 0.4, 0.6, 0.45),
    Crop("cabbage", 0.5, 0.8, 0.45),
    Crop("carrot", 0.5, 1.0, 0.35),
    Crop("cauliflower", 0.4, 0.7, 0.45),
    Crop("celery", 0.3, 0.5, 0.20),
    Crop("garlic", 0.3, 0.5, 0.30),
    Crop("lettuce", 0.3, 0.5, 0.30, ("salad",)),
    Crop("onion", 0.3, 0.6, 0.30),
    Crop("spinach", 0.3, 0.5, 0.20),
    Crop("radish", 0.3, 0.5, 0.30),
    Crop("beet", 0.6, 1.0, 0.50, ("beetroot", "red beet")),
    Crop("parsnip", 0.5, 1.0, 0.40),
    Crop("potato", 0.4, 0.6, 0.35),
    Crop("sweet potato", 1.0, 1.5, 0.65),
    Crop("turnip", 0.5, 1.0, 0.50),
    Crop("tomato", 0.7, 1.5, 0.40),
    Crop("sweet pepper", 0.5, 1.0, 0.30, ("pepper", "bell pepper", "capsicum")),
    Crop("eggplant", 0.7, 1.2, 0.45, ("aubergine",)),
    Crop("cucumber", 0.7, 1.2, 0.50),
    Crop("squash", 0.6, 1.0, 0.50, ("zucchini", "courgette", "summer squash")),
    Crop("winter squash", 1.0, 1.5, 0.35, ("pumpkin",)),
    Crop("melon", 0.8, 1.5, 0.40),
    Crop("cantaloupe", 0.9, 1.5, 0.45),
    Crop("watermelon", 0.8, 1.5, 0.40),
    Crop("sweet corn", 0.8, 1.2, 0.50, ("corn", "sweetcorn")),
    Crop("green bean", 0.5, 0.7, 0.45, ("bean", "snap bean", "french bean")),
    Crop("pea", 0.6, 1.0, 0.35),
    Crop("asparagus", 1.2, 1.8, 0.45),
    Crop("strawberry", 0.2, 0.3, 0.20),
    Crop("artichoke", 0.6, 0.9, 0.45),
    Crop("broad bean", 0.5, 0.7, 0.45, ("fava bean", "fava"), _FAO56_MEMORY_ROW),
    Crop("brussels sprouts", 0.4, 0.6, 0.45, ("brussels sprout",), _FAO56_MEMORY_ROW),
    Crop("maize", 1.0, 1.7, 0.55, ("field corn", "grain maize", "popcorn"), _FAO56_MEMORY_ROW),
    Crop("kale", 0.5, 0.8, 0.45, ("collards", "collard greens"), _STAND_IN),
)
"""FAO-56 Table 22 (30 rows read in two copies that agree), and four rows marked otherwise."""


def _singulars(word: str) -> tuple[str, ...]:
    """Forms that a plural may stand for: tomatoes, radishes, strawberries, carrots."""
    forms = [word]
    if word.endswith("ies"):
        forms.append(word[:-3] + "y")
    if word.endswith("es"):
        forms.append(word[:-2])
    if word.endswith("s"):
        forms.append(word[:-1])
    return tuple(forms)


def find_crop(name: str) -> Crop:
    """Look up a crop by its name, singular or plural.

    Raises
    ------
    UsageError
        It is not in the table; the message suggests the nearest names.
    """
    by_name = {n: crop for crop in CROPS for n in (crop.name, *crop.aliases)}
    asked = " ".join(name.casefold().replace("-", " ").split())
    for form in _singulars(asked):
        if form in by_name:
            return by_name[form]
    near = get_close_matches(asked[:40], by_name, n=2, cutoff=0.6)
    advice = f"did you mean {' or '.join(near)}?" if near else f"known are {_some(by_name)}."
    msg = f"There are no figures for the crop '{plain(name, limit=30)}'; {advice}"
    raise UsageError(msg)


def _some(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))


def depletion_fraction(crop: Crop, daily_use_mm: float) -> float:
    """Adjust how far a crop may dry the soil to how fast it drinks.

    Notes
    -----
    p = p(table) + 0.04 (5 − daily use in mm), kept within 0.1 to 0.8: FAO-56, Table 22's note
    (from memory).
    """
    return min(max(crop.depletion + 0.04 * (5.0 - daily_use_mm), 0.1), 0.8)


@dataclass(frozen=True, slots=True)
class Watering:
    """One watering of a crop on a soil.

    Attributes
    ----------
    net_mm : Span
        Water that one watering should bring [mm] when the crop has used what it may.
    days : Span
        How long that lasts at the stated daily use [days].
    root_m : float
        Depth that it fills again [m]: the lower of the crop's two.
    deep_mm : float
        The same for roots that reached the greater depth [mm].
    daily_use_mm : float
        Daily use that was assumed [mm].
    """

    crop: Crop
    net_mm: Span
    days: Span
    root_m: float
    deep_mm: float
    daily_use_mm: float


def watering(crop: Crop, available_mm_per_m: Span, *, daily_use_mm: float) -> Watering:
    """Work out one watering: root depth × available water × allowed depletion.

    Parameters
    ----------
    crop : Crop
        See `find_crop`.
    available_mm_per_m : Span
        Available water of the soil [mm per m].
    daily_use_mm : float
        Water that crop and soil lose in a day [mm], 0.5 to 15.

    Raises
    ------
    ValueRefusedError
        The daily use is outside its range.

    Notes
    -----
    FAO-56, chapter 8. Net of losses: what runs off, drains or misses the roots comes on top.
    """
    low, high = DAILY_USE_LIMITS_MM
    if not low <= daily_use_mm <= high:
        msg = f"A daily water use of {daily_use_mm:g} mm is not usual; give {low:g} to {high:g} mm."
        raise ValueRefusedError(msg)
    share = depletion_fraction(crop, daily_use_mm)
    net_mm = available_mm_per_m.times(crop.root_low_m * share)
    return Watering(
        crop=crop,
        net_mm=net_mm,
        days=net_mm.times(1 / daily_use_mm),
        root_m=crop.root_low_m,
        deep_mm=available_mm_per_m.mid * crop.root_high_m * share,
        daily_use_mm=daily_use_mm,
    )


EVAPORATED_SHARE = Span(0.1, 0.25, 0.5)
"""Part of the daily use that evaporates from the soil itself: a tenth under closed leaves, half
among young rows often wetted (common practice; FAO-56's dual coefficients say as much)."""

MULCH_STOPS = 0.5
"""Part of that evaporation which a full cover of straw or leaves stops: FAO-56 (from memory) takes
5 % off evaporation for each 10 % of the ground covered."""
MULCH_SAVES = EVAPORATED_SHARE.times(MULCH_STOPS)
"""Share of the daily water use that a full cover saves, 0 to 1."""


def days_with_mulch(days: float, saving: Span) -> Span:
    """Stretch the days between waterings by what a mulch saves."""
    return Span(*(days / (1 - share) for share in (saving.low, saving.mid, saving.high)))


def group_odds(texture: Texture) -> dict[SoilGroup, float]:
    """Add up a texture's class odds in the groups, 0 to 1 each."""
    return {
        group: math.fsum(texture.odds_of(name) for name in classes)
        for group, classes in GROUPS.items()
    }


class Verdict(StrEnum):
    """How a crop takes to a soil."""

    WELL = "does well"
    MIXED = "manages"
    POORLY = "struggles"


@dataclass(frozen=True, slots=True)
class CropHint:
    """A soft hint: how some crops take to a group of soils, and why."""

    crops: tuple[str, ...]
    group: SoilGroup
    verdict: Verdict
    why: str
    source: Source


_HINTS_SOURCE = Source(
    Quality.SECOND_HAND, "Garden guides and an old farming text that agree; no trial behind them"
)
_MIXED_SOURCE = Source(Quality.SECOND_HAND, "Garden guides that disagree with each other")

_ROOTS = ("carrot", "parsnip", "radish", "beet", "turnip")
_BULBS = ("garlic", "onion")
_EARLY = ("lettuce", "spinach", "strawberry", "asparagus")
_TUBERS = ("potato", "sweet potato")
_MELONS = ("melon", "cantaloupe", "watermelon")
_LEAFY = ("cabbage", "broccoli", "cauliflower", "kale", "brussels sprouts")
_PULSES = ("broad bean", "pea", "green bean")
_FRUIT = (
    "tomato",
    "sweet pepper",
    "eggplant",
    "cucumber",
    "squash",
    "winter squash",
    "sweet corn",
    "maize",
    "celery",
    "artichoke",
)

CROP_HINTS: tuple[CropHint, ...] = (
    CropHint(
        _ROOTS,
        SoilGroup.SANDY,
        Verdict.WELL,
        "roots grow straight and come up clean",
        _HINTS_SOURCE,
    ),
    CropHint(_BULBS, SoilGroup.SANDY, Verdict.WELL, "it drains and dries off early", _HINTS_SOURCE),
    CropHint(
        _EARLY,
        SoilGroup.SANDY,
        Verdict.WELL,
        "it warms early, if water and nitrogen come often",
        _HINTS_SOURCE,
    ),
    CropHint(
        _TUBERS, SoilGroup.SANDY, Verdict.WELL, "tubers swell freely and lift easily", _HINTS_SOURCE
    ),
    CropHint(_MELONS, SoilGroup.SANDY, Verdict.WELL, "warm, drained ground", _HINTS_SOURCE),
    CropHint(
        _LEAFY,
        SoilGroup.SANDY,
        Verdict.MIXED,
        "it wants firm, moist ground and more feeding",
        COMMON_PRACTICE,
    ),
    CropHint(
        _PULSES,
        SoilGroup.SANDY,
        Verdict.MIXED,
        "early, but short of water at flowering",
        COMMON_PRACTICE,
    ),
    CropHint(
        _FRUIT,
        SoilGroup.SANDY,
        Verdict.MIXED,
        "early, but it needs water and feed often",
        COMMON_PRACTICE,
    ),
    CropHint(
        (*_ROOTS, *_BULBS, *_EARLY, *_TUBERS, *_MELONS, *_LEAFY, *_PULSES, *_FRUIT),
        SoilGroup.LOAMY,
        Verdict.WELL,
        "loam suits nearly every crop",
        _HINTS_SOURCE,
    ),
    CropHint(
        (*_BULBS, *_TUBERS, *_MELONS, *_LEAFY, *_PULSES, *_FRUIT),
        SoilGroup.SILTY,
        Verdict.WELL,
        "it holds much water, if its surface is kept covered: bare silt crusts under rain",
        COMMON_PRACTICE,
    ),
    CropHint(
        (*_ROOTS, *_EARLY),
        SoilGroup.SILTY,
        Verdict.MIXED,
        "small seed breaks through a crust badly; sow shallow and keep it covered",
        COMMON_PRACTICE,
    ),
    CropHint(
        _LEAFY,
        SoilGroup.CLAYEY,
        Verdict.WELL,
        "firm, rich, moist ground, provided that it drains",
        _HINTS_SOURCE,
    ),
    CropHint(
        ("broad bean", "pea"),
        SoilGroup.CLAYEY,
        Verdict.WELL,
        "moisture holds, provided that it drains",
        _HINTS_SOURCE,
    ),
    CropHint(
        _ROOTS,
        SoilGroup.CLAYEY,
        Verdict.POORLY,
        "roots fork and stay short; short round kinds or a raised bed do better",
        _HINTS_SOURCE,
    ),
    CropHint(
        ("potato",),
        SoilGroup.CLAYEY,
        Verdict.MIXED,
        "guides disagree: good crops, hard lifting, more slugs",
        _MIXED_SOURCE,
    ),
    CropHint(
        ("sweet potato", *_MELONS),
        SoilGroup.CLAYEY,
        Verdict.POORLY,
        "cold and slow in spring",
        COMMON_PRACTICE,
    ),
    CropHint(
        (*_BULBS, *_EARLY),
        SoilGroup.CLAYEY,
        Verdict.MIXED,
        "late to warm and wet in winter; a raised bed helps",
        COMMON_PRACTICE,
    ),
    CropHint(
        ("green bean", *_FRUIT),
        SoilGroup.CLAYEY,
        Verdict.MIXED,
        "productive once warm, late to start",
        COMMON_PRACTICE,
    ),
)
"""Hints of low grade (no field trial behind them); each says how far it is to be trusted."""


def hints_for(crop: Crop, groups: Iterable[SoilGroup]) -> tuple[CropHint, ...]:
    """Pick the hints on a crop for some groups of soils."""
    wanted = tuple(groups)
    return tuple(h for h in CROP_HINTS if crop.name in h.crops and h.group in wanted)
