"""What was typed after ``jarvision guide``, and the guide that it asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.sources import Quality, Source, say
from jarvision.core.units import (
    Quantity,
    Span,
    UnitSystem,
    area_m2,
    length_mm,
    plain,
    show,
    system_of,
)
from jarvision.estimate.texture import Texture
from jarvision.garden import crops as cr
from jarvision.garden.guide import Guide, make_guide
from jarvision.garden.guide_case import Bed
from jarvision.garden.soil import (
    Soil,
    find_class,
    soil_from_class,
    soil_from_draws,
    soil_from_percentages,
)


@dataclass(frozen=True, slots=True)
class GuideRequest:
    """What was typed after ``jarvision guide``, as plain values.

    Attributes
    ----------
    sand, silt, clay : float or None
        Percentages; two are enough.
    sd : float or None
        Their standard deviation [points]; None for the usual one.
    texture_class : str or None
        Name of a class, instead of percentages.
    om : float or None
        Organic matter [%].
    bed, area : str or None
        Name of the bed; its area with a unit, such as ``"100 sqft"``.
    crops : tuple of str
    daily_use : str or None
        Such as ``"5 mm"`` or ``"0.2 in"``.
    units : UnitSystem or None
        None takes those of the area or of the daily use, else metric.
    """

    sand: float | None = None
    silt: float | None = None
    clay: float | None = None
    sd: float | None = None
    texture_class: str | None = None
    om: float | None = None
    bed: str | None = None
    area: str | None = None
    crops: tuple[str, ...] = ()
    daily_use: str | None = None
    units: UnitSystem | None = None


def guide_from_request(
    request: GuideRequest,
    *,
    rng: np.random.Generator,
    jar_draws_pct: ArrayLike | None = None,
    jar_texture: Texture | None = None,
    jar_shares_pct: Sequence[Span] | None = None,
    jar_sand_shares: ArrayLike | None = None,
    jar_name: str = "",
) -> Guide:
    """Make the guide that was asked for.

    Parameters
    ----------
    request : GuideRequest
    rng : numpy.random.Generator
    jar_draws_pct : array_like, shape (n, 3), optional
        Draws of a jar's reading [%], where ``--jar`` was given.
    jar_texture : Texture, optional
        The odds of its classes, as they are printed with the reading.
    jar_shares_pct : sequence of 3 Span, optional
        Its sand, silt and clay as they are printed there [%].
    jar_sand_shares : array_like, shape (m, 5), optional
        Draws of its sand's parts, where they are sure, as `soil_from_draws` takes them.
    jar_name : str
        The jar's name, for the text.

    Raises
    ------
    UsageError
        No soil or more than one was given, or a name or unit is not known.
    ValueRefusedError
        A number is out of its range.
    """
    if jar_draws_pct is None:
        soil = _requested_soil(request, rng)
    else:
        _check_one_soil(request, jar=True)
        reading = Source(Quality.COMPUTED, "The jar's own reading, with its uncertainty")
        soil = soil_from_draws(
            jar_draws_pct,
            origin=say(f"From the reading of jar {plain(jar_name)}.", reading),
            rng=rng,
            om_pct=request.om,
            texture=jar_texture,
            shares_pct=jar_shares_pct,
            sand_shares=jar_sand_shares,
        )
    area = None if request.area is None else area_m2(request.area)
    system = request.units or _typed_system(request)
    return make_guide(
        soil,
        system=system,
        rng=rng,
        bed=Bed(plain(request.bed or ""), area),
        crops=request.crops,
        daily_use_mm=_daily_use_mm(request.daily_use, system),
    )


def _check_one_soil(request: GuideRequest, *, jar: bool) -> None:
    typed = any(part is not None for part in (request.sand, request.silt, request.clay))
    if typed + (request.texture_class is not None) + jar != 1:
        msg = "Say which soil, in one way: a jar, or sand, silt and clay in percent, or a class."
        raise UsageError(msg)


def _requested_soil(request: GuideRequest, rng: np.random.Generator) -> Soil:
    _check_one_soil(request, jar=False)
    if request.texture_class is not None:
        name = find_class(request.texture_class)
        return soil_from_class(name, rng=rng, om_pct=request.om)
    spread = {} if request.sd is None else {"sd_pct": request.sd}
    parts = (request.sand, request.silt, request.clay)
    return soil_from_percentages(*parts, rng=rng, om_pct=request.om, **spread)


def _typed_system(request: GuideRequest) -> UnitSystem:
    return system_of(request.area or request.daily_use or "")


def _daily_use_mm(text: str | None, system: UnitSystem) -> float:
    if text is None:
        return cr.DAILY_USE_MM
    daily_mm = length_mm(text, name="daily water use")
    low, high = cr.DAILY_USE_LIMITS_MM
    if not low <= daily_mm <= high:
        least, most = (show(mm, Quantity.WATER_DEPTH, system, digits=2) for mm in (low, high))
        msg = f"A daily water use of {plain(text)} is not usual; give {least} to {most} a day."
        raise ValueRefusedError(msg)
    return daily_mm
