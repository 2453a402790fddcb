"""What was weighed or floated beside a jar, as a user writes it in a cell or an option."""

from __future__ import annotations

import re

from jarvision.core.files import shown
from jarvision.core.tables import TableError
from jarvision.estimate.dried import HydrometerReading, Spoon
from jarvision.estimate.priors import Detergent
from jarvision.estimate.topsoil import Origin

_NUMBER = r"(-?\d+(?:[.,]\d+)?)"
_SECONDS = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0}

_DETERGENTS = {
    "none": Detergent.NONE,
    "no": Detergent.NONE,
    "n": Detergent.NONE,
    "nothing": Detergent.NONE,
    "liquid soap": Detergent.LIQUID_SOAP,
    "soap": Detergent.LIQUID_SOAP,
    "dish soap": Detergent.LIQUID_SOAP,
    "washing up liquid": Detergent.LIQUID_SOAP,
    "dish liquid": Detergent.LIQUID_SOAP,
    "washing soda": Detergent.WASHING_SODA,
    "soda": Detergent.WASHING_SODA,
    "dishwasher powder": Detergent.WASHING_SODA,
    "powder": Detergent.WASHING_SODA,
    "polyphosphate": Detergent.POLYPHOSPHATE,
    "hexametaphosphate": Detergent.POLYPHOSPHATE,
    "softener": Detergent.POLYPHOSPHATE,
}


def detergent(text: str, where: str) -> Detergent | None:
    """Read what went into the water; a bare yes is refused, since detergents differ.

    Raises
    ------
    TableError
        It is none of those known.
    """
    plain = " ".join(re.split(r"[\s_-]+", text.casefold().strip()))
    if not plain:
        return None
    if plain not in _DETERGENTS:
        msg = (
            f"{where}: '{shown(text)}' does not say which; write powder (for dishwashers), none, "
            "liquid soap, washing soda or polyphosphate."
        )
        raise TableError(msg)
    return _DETERGENTS[plain]


def origin(text: str, where: str) -> Origin | None:
    """Read where the soil is from.

    Raises
    ------
    TableError
        It is neither topsoil nor anywhere.
    """
    plain = text.casefold().strip()
    if not plain:
        return None
    try:
        return Origin(plain)
    except ValueError:
        msg = f"{where}: '{shown(text)}' is not known; write topsoil or anywhere."
        raise TableError(msg) from None


def hydrometer_readings(text: str, where: str) -> tuple[HydrometerReading, ...]:
    """Read times with their readings, as in ``40 s 23; 7 h 12``.

    Raises
    ------
    TableError
        There is anything else in it.
    """
    if not text.strip():
        return ()
    one = rf"{_NUMBER}\s*(s|sec|min|h)\s*[:=]?\s*{_NUMBER}\s*(?:g/?l)?"
    parts = [part.strip() for part in re.split(r"[;/|]|,(?!\d)", text) if part.strip()]
    found = [re.fullmatch(one, part.casefold()) for part in parts]
    if not all(found):
        msg = f"{where}: '{shown(text)}' is not understood; write for example 40 s 23; 7 h 12."
        raise TableError(msg)
    return tuple(HydrometerReading(_value(m[1]) * _SECONDS[m[2]], _value(m[3])) for m in found if m)


_SPOON_UNITS = {
    **{unit: ("elapsed_s", factor) for unit, factor in _SECONDS.items()},
    "mm": ("depth_mm", 1.0),
    "cm": ("depth_mm", 10.0),
    "ml": ("volume_ml", 1.0),
    "g": ("dry_g", 1.0),
}


def spoon(text: str, where: str) -> Spoon | None:
    """Read a dried spoon: time, depth, volume and dry weight, as in ``8 h, 50 mm, 10 ml, 0.12 g``.

    Raises
    ------
    TableError
        One of the four is missing, or there is anything else in it.
    """
    if not text.strip():
        return None
    found: dict[str, float] = {}
    parts = [part.strip() for part in re.split(r"[;|]|,(?!\d)", text) if part.strip()]
    for part in parts:
        match = re.fullmatch(rf"{_NUMBER}\s*([a-z]+)", part.casefold())
        if match and match[2] in _SPOON_UNITS:
            name, factor = _SPOON_UNITS[match[2]]
            found[name] = _value(match[1]) * factor
    if len(found) != 4 or len(parts) != 4:
        msg = (
            f"{where}: '{shown(text)}' is not a dried spoon; write its time, depth, volume and dry "
            "weight, for example 8 h, 50 mm, 10 ml, 0.12 g."
        )
        raise TableError(msg)
    return Spoon(**found)


def _value(text: str) -> float:
    return float(text.replace(",", "."))
