"""A reference jar: a soil of known texture tells how densely the layers of its garden pack.

Its jar is weighed with the laboratory's shares as evidence, and the normal law of the unknowns of
packing is handed on (`Packing`), widened since soils of one garden pack unlike each other; it
travels in a jar's JSON and its fingerprint. A reference that its jar does not allow is not used;
one that fits only with odd layers is used and doubted, since a soil may pack so. It is doubted too
at a jar whose layers would have to pack otherwise, whose water did not do the same, or in which
another detergent was. A wrong laboratory that the usual densities fit is not noticed at all.

Tried and left out: holding the garden's other jars with grams against it (evidence ratio, limit set
at 9 % false alarms). It notices 23, 36 and 45 % of laboratories that are 15 points off, by 1, 5 and
12 jars, where the reference's own jar notices 64 %: any densities have masses that stack as high,
and grams test one sum of them only, in which a thin layer of clay weighs less than their own 4 %.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.errors import JarError, UsageError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.core.packaged_files import calibration_names, calibration_text
from jarvision.core.tables import TableError, parse_toml, read_text
from jarvision.estimate.dried import Finer
from jarvision.estimate.filled_jars import Cloud
from jarvision.estimate.known import Evidence, JarFacts, Top, WaterState, gather
from jarvision.estimate.priors import PACKING, PRIORS, Detergent, Packing
from jarvision.estimate.sampler import flattened, sample, strain
from jarvision.estimate.settling import CLAY_LIMIT_UM
from jarvision.estimate.stacking import finer_share, make_jars
from jarvision.estimate.topsoil import Origin

ALIKE = 0.9
"""How far the packing of two soils of one garden goes together, as a correlation; no source, ours.
A spread of 13 %, as a silt layer's, stays at 6 % however well the reference is known."""

_STRANGE = 9.21  # squared distance that two shares of 100 fits exceed in one (chi², 2 degrees)
_ODD_SD = 1.4
"""How far the layers' densities may together be from the usual in a reference, in sd; ours: passed
by few of simulated jars whose laboratory is right, and by most where it is 15 points off; set on 22
of the 28 gardens whose figures stand in DEVELOPERS.md."""

_LEAST_DRAWS = 150.0  # for means and covariances of four unknowns
_TEMPLATE = "template"


@dataclass(frozen=True, slots=True)
class Reference:
    """A soil whose texture a laboratory told, and its jar.

    Attributes
    ----------
    name : str
        What it is called.
    finer : tuple of Finer
        The laboratory's shares of the mineral soil.
    tops : tuple of Top
        The jar's heights, in the order of their times.
    facts : JarFacts
        What else is known of the jar.
    """

    name: str
    finer: tuple[Finer, ...]
    tops: tuple[Top, ...]
    facts: JarFacts


def packing_of(reference: Reference) -> Packing:
    """Work out what a reference jar tells of the packing in other jars of its garden.

    Parameters
    ----------
    reference : Reference
        The jar, with the laboratory's shares.

    Returns
    -------
    Packing
        With the reference's own uncertainty, and with that of one soil packing unlike another
        (`ALIKE`). It fits where the laboratory's shares are among those that the jar allows
        without them, at the level of 1 in 100; it is odd where they agree only with layers
        denser or looser than nearly all are.

    Raises
    ------
    TimesError, ValueRefusedError
        A value cannot be.
    """
    rng = np.random.default_rng(0)
    alone = gather(reference.tops, reference.facts)
    fits = _distance(reference, alone, *sample(alone, rng)) < _STRANGE
    facts = replace(reference.facts, finer=reference.finer)
    cloud, log_w = sample(gather(reference.tops, facts), rng)
    columns = [list(PRIORS).index(name) for name in PACKING]
    flat = flattened(log_w, _LEAST_DRAWS)
    weight = np.exp(flat)
    z = cloud.z[:, columns]
    mean = weight @ z
    own = (weight[:, None] * (z - mean)).T @ (z - mean)
    spread = (1.0 - ALIKE**2) * np.eye(len(PACKING)) + ALIKE**2 * own
    root = np.linalg.cholesky(spread)
    cleared = {WaterState.CLEAR: True, WaterState.CLOUDY: False}
    return Packing(
        reference.name,
        tuple(np.round(ALIKE * mean, 4).tolist()),
        tuple(tuple(row) for row in np.round(root, 4).tolist()),
        facts.detergent,
        cleared.get(facts.water_state),
        bool(fits),
        strain(cloud, flat) > _ODD_SD,
    )


def _distance(reference: Reference, evidence: Evidence, cloud: Cloud, log_w: Array) -> float:
    """Squared distance of the laboratory's shares from what the jar says, by both their spreads."""
    jars = make_jars(evidence, cloud.z)
    found = np.array([finer_share(jars, cloud.mass.T, each.size_um) for each in reference.finer])
    weight = np.exp(flattened(log_w, _LEAST_DRAWS))
    middle = found @ weight
    away = found - middle[:, None]
    spread = (weight * away) @ away.T + np.diag([each.sd**2 for each in reference.finer])
    gap = np.array([each.share for each in reference.finer]) - middle
    return float(gap @ np.linalg.solve(spread, gap))


# -- references as files --------------------------------------------------------------------------


def find_reference(name: str, folders: Sequence[Path] = ()) -> Reference:
    """Find a reference by the name of one that comes with the program, or by its file.

    Parameters
    ----------
    name : str
        A name, or a path that ends in ``.toml``.
    folders : sequence of Path
        Where a file of that name may lie, as beside the photos.

    Raises
    ------
    UsageError
        No such reference, or its file says what no reference says.
    """
    if name in reference_names():
        return _parsed(calibration_text("references", name), f"{name}.toml")
    as_file = name if name.endswith(".toml") else f"{name}.toml"
    places = [Path(as_file), *(folder / as_file for folder in folders)]
    path = next((place for place in places if place.is_file()), None)
    if path is None:
        msg = (
            f"There is no reference jar '{shown(name)}'; give the path of your own .toml file, "
            "written as calibration/references/template.toml."
        )
        raise UsageError(msg)
    return _parsed(read_text(path, what="reference jar"), shown(path.name))


def reference_names() -> list[str]:
    """List the references that come with the program; the template is none."""
    return [name for name in calibration_names("references") if name != _TEMPLATE]


def _parsed(text: str, where: str) -> Reference:
    try:
        data = parse_toml(text)
    except TableError as error:
        msg = f"The reference jar {where} {error}; compare it with the template."
        raise UsageError(msg) from None
    wrong = {*data} - _KEYS or _NEEDED - {*data}
    if wrong:
        what = "is missing" if wrong <= _NEEDED else "is not known"
        msg = f"In the reference jar {where} '{shown(min(wrong))}' {what}; see the template."
        raise UsageError(msg)
    try:
        return _reference_from(data)
    except JarError as error:
        msg = f"The reference jar {where} cannot be used: {error}"
        raise UsageError(msg) from None
    except (TypeError, ValueError, OverflowError) as error:
        msg = (
            f"The reference jar {where} misspells something: {shown(str(error))}; see the template."
        )
        raise UsageError(msg) from None


def _reference_from(data: Mapping[str, Any]) -> Reference:
    times, tops = ([float(v) for v in data[key]] for key in ("elapsed_s", "top_mm"))
    sds = [float(v) for v in data.get("sd_mm", [_TOP_SD_MM] * len(tops))]
    known = {key: float(data[key]) if key in data else None for key in _NUMBERS}
    facts = JarFacts(
        water_mm=known["water_mm"],
        temp_c=known["water_temp_c"],
        soil_g=known["soil_g"],
        inside_diameter_mm=known["inside_diameter_mm"],
        organic_matter_pct=known["organic_matter_pct"],
        detergent=Detergent(data["detergent"]) if "detergent" in data else None,
        water_state=WaterState(data.get("water", WaterState.UNKNOWN)),
        origin=Origin.ANYWHERE,
    )
    heights = tuple(Top(*each) for each in zip(times, tops, sds, strict=True))
    gather(heights, facts)  # refuses what cannot be
    return Reference(shown(str(data["name"])), _shares(data), heights, facts)


def _shares(data: Mapping[str, Any]) -> tuple[Finer, ...]:
    """Give the laboratory's shares finer than its limits of clay and silt."""
    sand, silt, clay = (float(data[f"{part}_pct"]) for part in ("sand", "silt", "clay"))
    sd, limit_um = float(data.get("sd_pct", 2.0)), float(data.get("silt_to_um", 50.0))
    whole = sand + silt + clay
    if not (min(sand, silt, clay) >= 0.0 and abs(whole - 100.0) <= 1.0):
        msg = "Its sand, silt and clay must add up to 100 %."
        raise ValueRefusedError(msg)
    if not (0.2 <= sd <= 20.0 and 15.0 <= limit_um <= 80.0):
        msg = "Its sd_pct must lie between 0.2 and 20 and its silt_to_um between 15 and 80."
        raise ValueRefusedError(msg)
    share_sd = sd / 100.0
    return (
        Finer(CLAY_LIMIT_UM, clay / whole, share_sd),
        Finer(limit_um, (clay + silt) / whole, share_sd),
    )


_TOP_SD_MM = 0.5  # of a height whose uncertainty is not given
_NUMBERS = ("water_mm", "water_temp_c", "soil_g", "inside_diameter_mm", "organic_matter_pct")
_NEEDED = {"name", "sand_pct", "silt_pct", "clay_pct", "elapsed_s", "top_mm"}
_WORDS = {"source", "sd_pct", "silt_to_um", "sd_mm", "water", "detergent"}
_KEYS = {*_NEEDED, *_NUMBERS, *_WORDS}
