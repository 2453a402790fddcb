"""What was weighed or read with a hydrometer, as shares of the soil finer than a size."""

from __future__ import annotations

import math
from dataclasses import dataclass

from jarvision.core.errors import ValueRefusedError, require
from jarvision.estimate.settling import CLAY_LIMIT_UM, GRAIN_DENSITY_KG_M3, SAND_LIMIT_UM
from jarvision.estimate.water import check_temperature, density_kg_m3, viscosity_pa_s

_SIEVED_SD = 0.02
"""Standard deviation of a share that was dried and weighed: sieving, settling and weighing lay
within 2 points of the pipette on average (Kettler, Doran & Gilbert 2001, Soil Sci. Soc. Am. J.
65:849-852, abstract)."""

_DECANTED_SD = 0.03
"""The same where clay was poured off by eye instead of through a sieve; ours."""

_SCALE_G = 0.5
"""What a kitchen scale and a crust left in the jar come to [g]; ours."""

_HYDROMETER_SD = 0.02
"""Routine hydrometers agree within 8 points at the 95 % level between laboratories, two or three
within one; of ours, for one reading."""

_SPOON_SD = 0.1
"""Relative error of a spoon's or syringe's volume, and of what is stirred up taking it; ours."""


@dataclass(frozen=True, slots=True)
class Finer:
    """A share of the mineral soil that is finer than a size.

    Attributes
    ----------
    size_um : float
        Limit [µm].
    share, sd : float
        Share and one standard deviation, 0 to 1.
    """

    size_um: float
    share: float
    sd: float


@dataclass(frozen=True, slots=True)
class HydrometerReading:
    """One reading of a 152H hydrometer in a cylinder of its own.

    Attributes
    ----------
    elapsed_s : float
        Time since stirring [s].
    reading_g_l : float
        As read at the top of the meniscus [g/L].
    """

    elapsed_s: float
    reading_g_l: float


@dataclass(frozen=True, slots=True)
class Hydrometer:
    """A hydrometer test beside the jar.

    Attributes
    ----------
    readings : tuple of HydrometerReading
        Usually at 40 s and at 2 to 8 h.
    soil_g : float
        Dry soil in the cylinder of one litre [g].
    blank_g_l : float
        Reading in water with the same dispersant and of the same temperature [g/L].
    temp_c : float
        Temperature of the suspension [°C].
    """

    readings: tuple[HydrometerReading, ...]
    soil_g: float
    blank_g_l: float = 0.0
    temp_c: float = 20.0


@dataclass(frozen=True, slots=True)
class Spoon:
    """A spoon or syringe of the jar's own water, dried.

    Attributes
    ----------
    elapsed_s : float
        Time since shaking [s].
    depth_mm : float
        Below the water's surface [mm].
    volume_ml, dry_g : float
        How much was taken, and what was left of it when dry, less what the dispersant in it weighs.
    """

    elapsed_s: float
    depth_mm: float
    volume_ml: float
    dry_g: float

    @property
    def g_per_l(self) -> float:
        """Dry mass in a litre [g/L]."""
        return 1e3 * self.dry_g / self.volume_ml

    @property
    def sd_g_l(self) -> float:
        """One standard deviation of it [g/L]; scales that weigh a spoon read to 0.01 g."""
        return math.hypot(_SPOON_SD * self.g_per_l, 10.0 / self.volume_ml)


def hydrometer_of(
    readings: tuple[HydrometerReading, ...],
    soil_g: float | None,
    *,
    blank_g_l: float | None = None,
    temp_c: float | None = None,
) -> Hydrometer | None:
    """Put a hydrometer test together; None where there is none.

    Raises
    ------
    ValueRefusedError
        There are readings, and not how much soil they are of.
    """
    if not readings:
        return None
    if soil_g is None:
        msg = "A hydrometer's readings say nothing without the grams of soil in its cylinder."
        raise ValueRefusedError(msg)
    return Hydrometer(readings, soil_g, blank_g_l or 0.0, 20.0 if temp_c is None else temp_c)


def check_spoon(spoon: Spoon) -> None:
    """Refuse a spoon that cannot be.

    Raises
    ------
    ValueRefusedError
        A value is missing, zero or negative, or there is more soil in it than a suspension holds.
    """
    for value, name in (
        (spoon.elapsed_s, "time"),
        (spoon.depth_mm, "depth"),
        (spoon.volume_ml, "volume"),
    ):
        require(value > 0 and math.isfinite(value), f"The spoon's {name} must be more than zero.")
    require(
        0.0 <= spoon.g_per_l <= 500.0,
        "The spoon's dry weight does not fit its volume; give millilitres and grams.",
    )


def sieved_share(sand_g: float, soil_g: float) -> Finer:
    """Share of silt and clay, from the sand that was washed through a 0.05 mm sieve and dried.

    Parameters
    ----------
    sand_g, soil_g : float
        Dry sand, and dry soil that it is from [g].

    Returns
    -------
    Finer
        Than 50 µm; within 2 points (Kettler, Doran & Gilbert 2001).

    Raises
    ------
    ValueRefusedError
        The sand weighs more than the soil, or a weight is zero or less.
    """
    return _left_over(sand_g, soil_g, SAND_LIMIT_UM, _SIEVED_SD, "sand")


def decanted_share(sediment_g: float, soil_g: float) -> Finer:
    """Share of clay, from the sand and silt that stayed when the clay was poured off.

    Parameters
    ----------
    sediment_g, soil_g : float
        Dry sand with silt that had settled when the rest was poured off, after 1.5 to 6 h from a
        fall of some 10 cm, and dry soil that they are from [g].

    Returns
    -------
    Finer
        Than 2 µm; Kettler, Doran & Gilbert (2001) pour off after at least 90 minutes.

    Raises
    ------
    ValueRefusedError
        The sediment weighs more than the soil, or a weight is zero or less.
    """
    return _left_over(sediment_g, soil_g, CLAY_LIMIT_UM, _DECANTED_SD, "sand and silt")


def _left_over(part_g: float, soil_g: float, size_um: float, sd: float, name: str) -> Finer:
    require(
        part_g > 0 and soil_g > 0 and math.isfinite(part_g + soil_g),
        f"Dry weights must be more than zero grams; check the soil and the {name}.",
    )
    require(
        part_g <= 1.02 * soil_g,
        f"The {name} ({part_g:g} g) cannot weigh more than the soil they are from ({soil_g:g} g); "
        "weigh both dry.",
    )
    share = max(0.0, 1.0 - part_g / soil_g)
    return Finer(size_um, share, math.hypot(sd, _SCALE_G / soil_g))


def effective_depth_cm(reading_g_l: float) -> float:
    """How deep a 152H hydrometer measures on average [cm] (ASTM D422, table 2).

    Parameters
    ----------
    reading_g_l : float
        Uncorrected reading [g/L], 0 to 60; the table's straight line 16.3 - 0.164 R.
    """
    return 16.295 - 0.1641 * reading_g_l


def hydrometer_shares(test: Hydrometer) -> tuple[Finer, ...]:
    """Turn a hydrometer's readings into shares finer than a size (ASTM D422, 14 and 15).

    Parameters
    ----------
    test : Hydrometer
        With 152H readings; grains count as 2.65 g/cm³.

    Returns
    -------
    tuple of Finer
        One for each reading: the share still up is (R - blank)/W, and the size is Stokes' for a
        fall of the effective depth in that time.

    Raises
    ------
    ValueRefusedError
        A reading, a time or the soil cannot be.
    """
    check_temperature(test.temp_c)
    require(5.0 <= test.soil_g <= 200.0, "A hydrometer's cylinder takes 5 to 200 g of soil.")
    return tuple(_finer(test, reading) for reading in test.readings)


def _finer(test: Hydrometer, reading: HydrometerReading) -> Finer:
    require(
        math.isfinite(reading.elapsed_s) and reading.elapsed_s >= 10.0,
        "A hydrometer is read 10 seconds or more after stirring; check its times.",
    )
    net = reading.reading_g_l - test.blank_g_l
    share = net / test.soil_g
    require(
        -5.0 <= reading.reading_g_l <= 60.0 and -0.05 <= share <= 1.1,
        "A hydrometer's reading does not fit the soil in its cylinder; give g/L of a 152H "
        "hydrometer, the grams of soil, and the blank.",
    )
    fall_m = effective_depth_cm(reading.reading_g_l) / 100.0
    excess = GRAIN_DENSITY_KG_M3 - float(density_kg_m3(test.temp_c))
    squared = 18.0 * float(viscosity_pa_s(test.temp_c)) * fall_m / (9.80665 * excess)
    size_um = 1e6 * math.sqrt(squared / reading.elapsed_s)
    sd = math.hypot(_HYDROMETER_SD, 0.5 / test.soil_g)
    return Finer(size_um, min(max(share, 0.0), 1.0), sd)
