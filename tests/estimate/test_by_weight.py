"""From a jar that was read to its soil by weight: photos, profiles, jars without a scale."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from jarvision.core.series import Reading
from jarvision.estimate.by_weight import weigh_reading
from jarvision.estimate.estimate import weighed_too
from jarvision.estimate.given import Given
from jarvision.estimate.known import JarFacts
from jarvision.estimate.reading import work_out
from jarvision.jar.profile import JarProfile
from jarvision.jar.scale import Scale, ScaleSource
from jarvision.wall.measurement import Boundary, Floor, JarMeasurement, PhotoMeasurement

TOPS_MM = (18.0, 33.0, 45.0)
LAYERS = ("sand", "silt", "clay")
TIMES_S = (60.0, 7200.0, 172800.0)


def boundary(layer, top_mm):
    return Boundary(layer, top_mm, 0.3, top_mm, top_mm, 12.0, 0.3)


def photo(index, *, scaled=True):
    return PhotoMeasurement(
        name=f"{index}.jpg",
        reading=list(Reading)[index],
        floor=Floor(0.0, 0.3, 0.0),
        boundaries=tuple(map(boundary, LAYERS[: index + 1], TOPS_MM)),
        scaled=scaled,
        scale=Scale(ScaleSource.STRIP if scaled else ScaleSource.NOTHING, 0.003),
        radius_mm=40.0 if scaled else 38.0,
        is_round=True,
        elapsed_s=TIMES_S[index],
    )


def reading(*, further=(), scaled=True, given=None):
    photos = tuple(photo(i, scaled=scaled) for i in range(3))
    measured = JarMeasurement(photos, further, water_mm=140.0)
    return work_out("5", measured, given or Given(JarFacts(temp_c=20.0)))


@functools.cache
def plain():
    """The jar of three photos by weight; several tests look at it."""
    return weigh_reading(reading())


def spread(weighed):
    return 100 * weighed.fractions.std(axis=0)


def at(minutes, top_mm):
    """A further photo that shows how far the deposit had come."""
    return replace(
        photo(0), name="x.jpg", elapsed_s=60.0 * minutes, deposit=boundary("silt", top_mm)
    )


def test_further_photos_count():
    alone = plain()
    curve = alone.curve
    heights = np.interp([300.0, 3600.0, 28800.0], curve.time_s, curve.mid_mm)
    more = tuple(at(m, h) for m, h in zip((5, 60, 480), heights, strict=True))
    together = weigh_reading(reading(further=more))
    assert np.all(spread(together) < spread(alone))
    assert spread(together)[1] < 0.85 * spread(alone)[1]


@pytest.mark.parametrize("change", [{"deposit": None}, {"elapsed_s": float("nan")}])
def test_further_photo_without_a_top_or_a_time_changes_nothing(change):
    mute = replace(at(5, 25.0), **change)
    np.testing.assert_array_equal(
        weigh_reading(reading(further=(mute,))).fractions, plain().fractions
    )


def test_jar_without_a_scale_is_weighed_with_a_wide_fall():
    made = weighed_too(reading(scaled=False))
    assert made.not_weighed == ""
    assert "fall_guessed" in {str(d.name) for d in made.weighed.doubts}
    known = plain()
    assert "fall_guessed" not in {str(d.name) for d in known.doubts}
    assert made.weighed.fractions[:, 2].mean() < 0.9  # not 'clay, odds 99 %'


def test_grams_say_nothing_in_a_jar_of_unknown_width():
    made = weighed_too(reading(scaled=False, given=Given(JarFacts(soil_g=200.0))))
    assert "grams_without_width" in {str(d.name) for d in made.weighed.doubts}


def test_grams_that_do_not_fit_the_jar_are_named():
    # 45 mm of deposit in a jar 75 mm wide inside are some 200 cm³: 200 g fit, and neither the
    # 2.5 g/cm³ of 500 g, denser than any sand under water (1.55 of Lara & Pemberton), nor 0.1.
    fits = weighed_too(reading(given=Given(JarFacts(temp_c=20.0, soil_g=200.0))))
    assert not {"settling_misfit", "soil_does_not_fit"} & {str(d.name) for d in fits.weighed.doubts}
    for grams in (20.0, 500.0):
        made = weighed_too(reading(given=Given(JarFacts(temp_c=20.0, soil_g=grams))))
        [doubt] = [d for d in made.weighed.doubts if str(d.name) == "soil_does_not_fit"]
        assert "check its weight" in doubt.sentence
        np.testing.assert_array_equal(made.weighed.fractions, plain().fractions)


def profile(radii):
    return JarProfile("test", (0.0, 75.0, 150.0), inside_radius_mm=radii)


def test_straight_profile_changes_hardly_anything():
    shaped = weigh_reading(reading(given=Given(JarFacts(temp_c=20.0), profile((37.3,) * 3))))
    assert np.abs(plain().fractions.mean(0) - shaped.fractions.mean(0)).max() < 0.01


def test_jar_that_widens_upward_holds_more_clay_than_its_heights_say():
    # a cone: the sand lies where the jar is narrow
    cone = weigh_reading(reading(given=Given(JarFacts(temp_c=20.0), profile((25.0, 37.5, 50.0)))))
    assert cone.fractions[:, 0].mean() < plain().fractions[:, 0].mean() - 0.02
    assert cone.fractions[:, 2].mean() > plain().fractions[:, 2].mean()
