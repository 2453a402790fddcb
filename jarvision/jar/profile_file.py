"""Jar profiles as files: those that come with the program, and the user's own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError
from jarvision.core.files import shown
from jarvision.core.packaged_files import calibration_names, calibration_text
from jarvision.core.tables import TableError, parse_toml, read_text
from jarvision.jar.profile import (
    LARGEST_BYTES,
    BottomShape,
    CrossSection,
    JarProfile,
    profile_from_pours,
)


def read_profile(path: Path) -> JarProfile:
    """Read a jar profile from a TOML file, such as those in ``calibration/jars``.

    Raises
    ------
    UsageError
        The file cannot be opened or read as TOML, or says something that no jar profile says.
    """
    text = read_text(path, what="jar profile", most_bytes=LARGEST_BYTES)
    return _parsed_profile(text, shown(path.name))


def find_profile(name: str) -> JarProfile:
    """Find a jar profile by the name of one that comes with the program, or by its file.

    Raises
    ------
    UsageError
        No such profile.
    """
    names = calibration_names("jars")
    if name in names:
        return _parsed_profile(calibration_text("jars", name), f"{name}.toml")
    if name.endswith(".toml"):
        return read_profile(Path(name))
    known = ", ".join(names)
    msg = f"There is no jar profile '{shown(name)}'; give your own .toml file, or one of {known}."
    raise UsageError(msg)


def _parsed_profile(text: str, where: str) -> JarProfile:
    try:
        data = parse_toml(text)
    except TableError as error:
        msg = f"The jar profile {where} {error}; compare it with ours."
        raise UsageError(msg) from None
    unknown = set(data) - _KEYS
    if unknown:
        msg = f"The jar profile {where} has '{shown(min(unknown))}', which is not known."
        raise UsageError(msg)
    try:
        return _profile_from(data)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        msg = (
            f"The jar profile {where} lacks or misspells something: {shown(str(error))}; "
            "compare it with ours."
        )
        raise UsageError(msg) from None


def _profile_from(data: Mapping[str, Any]) -> JarProfile:
    if "volume_ml" in data and "inside_radius_mm" not in data:
        poured = profile_from_pours(
            data["volume_ml"], data["height_mm"], name=shown(str(data["name"]))
        )
        height_mm, diameter_mm = (float(data.get(key, math.nan)) for key in _OUTSIDE)
        return replace(poured, outside_height_mm=height_mm, outside_diameter_mm=diameter_mm)
    numbers = {key: float(data[key]) for key in _NUMBERS if key in data}
    return JarProfile(
        name=shown(str(data["name"])),
        height_mm=tuple(float(h) for h in data["height_mm"]),
        inside_radius_mm=tuple(float(r) for r in data["inside_radius_mm"]),
        volume_ml=tuple(float(v) for v in data.get("volume_ml", ())),
        section=CrossSection(data.get("section", CrossSection.ROUND)),
        floor=BottomShape(data.get("floor", BottomShape.FLAT)),
        source=shown(str(data.get("source", "")), longest=400),
        **numbers,
    )


_OUTSIDE = ("outside_height_mm", "outside_diameter_mm")

_NUMBERS = ("corner_radius_mm", "floor_rise_mm", *_OUTSIDE)

_KEYS = {*JarProfile.__dataclass_fields__}
