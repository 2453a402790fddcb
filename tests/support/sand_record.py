"""A jar made of numbers whose sand's grains were seen, and what is stored of it."""

import functools
from dataclasses import replace

import numpy as np

from jarvision.core.series import JarPhotos, Reading, TimedPhoto, TimeSource
from jarvision.estimate.estimate import estimate
from jarvision.estimate.given import Given
from jarvision.estimate.known import JarFacts
from jarvision.jar.scale import Scale, ScaleSource
from jarvision.results.from_reading import record_of
from jarvision.wall.measurement import (
    Boundary,
    Floor,
    GrainBand,
    JarMeasurement,
    PhotoMeasurement,
    SandGrain,
)

LAYERS = ("sand", "silt", "clay")
TOPS_MM, TIMES_S = (26.0, 34.0, 38.0), (60.0, 7200.0, 172800.0)
FINE = (0.34, 0.27, 0.22, 0.19, 0.17, 0.15, 0.13, 0.11)


def photo(index, *, scaled=True):
    tops = zip(LAYERS[: index + 1], TOPS_MM, strict=False)
    return PhotoMeasurement(
        name=f"{index}.jpg",
        reading=list(Reading)[index],
        floor=Floor(0.0, 0.3, 0.0),
        boundaries=tuple(Boundary(n, mm, 0.3, mm, mm, 12.0, 0.3) for n, mm in tops),
        scaled=scaled,
        scale=Scale(ScaleSource.STRIP if scaled else ScaleSource.NOTHING, 0.003),
        radius_mm=40.0,
        is_round=True,
        elapsed_s=TIMES_S[index],
    )


def measured(means_mm=None, *, scaled=True, **more):
    photos = tuple(photo(i, scaled=scaled) for i in range(3))
    whole = JarMeasurement(photos, water_mm=140.0)
    if means_mm is None:
        return whole
    ends = np.linspace(0.0, TOPS_MM[0], len(means_mm) + 1)
    bands = tuple(
        GrainBand(low, high, mean, 0.12)
        for low, high, mean in zip(ends[:-1].tolist(), ends[1:].tolist(), means_mm, strict=True)
    )
    return replace(whole, sand_grain=SandGrain(**{"photo": "0.jpg", "bands": bands, **more}))


@functools.cache
def record(means_mm=None, *, grain=None, **more):
    """What is stored of the jar, its grains told or one `SandGrain` as it is given."""
    whole = measured(means_mm, **more)
    if grain is not None:
        whole = replace(whole, sand_grain=grain)
    made = estimate("5", whole, Given(JarFacts(temp_c=20.0)))
    timed = {
        p.reading: TimedPhoto(p.name, p.name, p.elapsed_s, TimeSource.NAME) for p in whole.photos
    }
    return record_of(made, JarPhotos("5", 5, tuple(timed.values()), timed, (), ()))


# The table's last columns, which never change their order.
SAND_COLUMNS = [
    *("sand_mean_mm", "sand_mean_mm_lo", "sand_mean_mm_hi", "sand_finer_than_mm"),
    *("very_coarse_sand_wt_pct", "very_coarse_sand_wt_pct_lo", "very_coarse_sand_wt_pct_hi"),
    *("coarse_sand_wt_pct", "coarse_sand_wt_pct_lo", "coarse_sand_wt_pct_hi"),
    *("medium_sand_wt_pct", "medium_sand_wt_pct_lo", "medium_sand_wt_pct_hi"),
    *("fine_sand_wt_pct", "fine_sand_wt_pct_lo", "fine_sand_wt_pct_hi"),
    *("very_fine_sand_wt_pct", "very_fine_sand_wt_pct_lo", "very_fine_sand_wt_pct_hi"),
    *("class_by_sand", "odds_by_sand", "stones_over_2_mm"),
]
