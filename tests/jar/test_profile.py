"""Volumes of jars against closed forms of solid geometry and a numerical integral."""

import math
import os
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.packaged_files import calibration_names
from jarvision.jar.outside_size import OutsideSize, parse_jar_mm
from jarvision.jar.profile import (
    BottomShape,
    CrossSection,
    JarProfile,
    profile_from_pours,
    remeasured,
    taper_bias_points,
    volumes_from_heights,
)
from jarvision.jar.profile_file import find_profile, read_profile

TOPS_MM = [38.0, 66.0, 80.0]


def cone(low_mm=35.0, high_mm=42.0, **more):
    return JarProfile("cone", (0.0, 140.0), (low_mm, high_mm), **more)


def shares_pct(profile, tops_mm):
    """Each layer's part of the volume below the highest top [%]."""
    below_ml = volumes_from_heights(profile, tops_mm)
    return 100 * np.diff(below_ml, prepend=0.0) / below_ml[-1]


# Closed forms of solids: Zwillinger (ed.), CRC Standard Mathematical Tables and Formulae (from
# memory).


def test_cylinder():
    heights_mm = np.array([0.0, 12.5, 100.0])
    expected_ml = math.pi * 40**2 * heights_mm / 1000
    volumes_ml = volumes_from_heights(
        JarProfile("straight", (0.0, 300.0), (40.0, 40.0)), heights_mm
    )
    np.testing.assert_allclose(volumes_ml, expected_ml, rtol=1e-12)


def test_a_litre_is_a_cube_of_ten_centimetres():
    cube = JarProfile("cube", (0.0, 100.0), (50.0, 50.0), section=CrossSection.SQUARE)
    assert volumes_from_heights(cube, 100.0) == pytest.approx(1000.0, rel=1e-12)


@pytest.mark.parametrize("height_mm", [1.0, 50.0, 140.0])
def test_frustum_of_a_cone(height_mm):
    low_mm, high_mm = 35.0, 35.0 + 7.0 * height_mm / 140
    expected_ml = math.pi * height_mm / 3 * (low_mm**2 + low_mm * high_mm + high_mm**2) / 1000
    assert volumes_from_heights(cone(), height_mm) == pytest.approx(expected_ml, rel=1e-12)


def test_frustum_of_a_pyramid():
    jar = JarProfile("pyramid", (0.0, 90.0), (40.0, 30.0), section=CrossSection.SQUARE)
    low_mm2, high_mm2 = 80.0**2, 60.0**2
    expected_ml = 90 / 3 * (low_mm2 + high_mm2 + math.sqrt(low_mm2 * high_mm2)) / 1000
    assert volumes_from_heights(jar, 90.0) == pytest.approx(expected_ml, rel=1e-12)


def test_rounded_corners_take_their_part():
    # A square with corners of radius c lacks (4 - pi) c² of its area.
    jar = JarProfile(
        "square", (0.0, 100.0), (40.0, 40.0), section=CrossSection.SQUARE, corner_radius_mm=40.0
    )
    round_jar = JarProfile("straight", (0.0, 300.0), (40.0, 40.0))
    assert volumes_from_heights(jar, 70.0) == pytest.approx(volumes_from_heights(round_jar, 70.0))


def test_dome_takes_a_spherical_cap():
    jar = JarProfile("dome", (0.0, 150.0), (42.0, 42.0), floor=BottomShape.DOMED, floor_rise_mm=8.0)
    cap_mm3 = math.pi * 8 / 6 * (3 * 42**2 + 8**2)
    expected_ml = (math.pi * 42**2 * 60 - cap_mm3) / 1000
    assert volumes_from_heights(jar, 60.0) == pytest.approx(expected_ml, rel=1e-12)


def test_bowl_is_a_spherical_cap():
    jar = JarProfile("bowl", (0.0, 150.0), (42.0, 42.0), floor=BottomShape.BOWL, floor_rise_mm=12.0)
    sphere_mm = (42**2 + 12**2) / 24
    for height_mm in (3.0, 12.0):
        cap_ml = math.pi * height_mm**2 / 3 * (3 * sphere_mm - height_mm) / 1000
        assert volumes_from_heights(jar, height_mm) == pytest.approx(cap_ml, rel=1e-12)
    cap_ml = math.pi * 12 / 6 * (3 * 42**2 + 12**2) / 1000
    expected_ml = cap_ml + math.pi * 42**2 * 38 / 1000
    assert volumes_from_heights(jar, 50.0) == pytest.approx(expected_ml, rel=1e-12)


def test_half_a_ball_is_a_bowl():
    jar = JarProfile("ball", (0.0, 100.0), (40.0, 40.0), floor=BottomShape.BOWL, floor_rise_mm=40.0)
    expected_ml = 2 / 3 * math.pi * 40**3 / 1000
    assert volumes_from_heights(jar, 40.0) == pytest.approx(expected_ml, rel=1e-12)


def test_any_shape_against_a_numerical_integral():
    points_mm, radii_mm = [0.0, 20.0, 105.0, 125.0, 160.0], [36.0, 44.0, 44.0, 33.0, 33.0]

    def area_mm2(z_mm):
        wall = math.pi * np.interp(z_mm, points_mm, radii_mm) ** 2
        sphere_mm = (36.0**2 + 9.0**2) / 18
        dome = math.pi * (sphere_mm**2 - (z_mm + sphere_mm - 9.0) ** 2) if z_mm < 9 else 0.0
        return wall - dome

    jar = JarProfile(
        "odd", tuple(points_mm), tuple(radii_mm), floor=BottomShape.DOMED, floor_rise_mm=9.0
    )
    for height_mm in (4.0, 9.0, 15.0, 111.0, 160.0):
        breaks = [b for b in (9.0, *points_mm[1:]) if b < height_mm]
        expected_ml = quad(area_mm2, 0, height_mm, points=breaks or None)[0] / 1000
        assert volumes_from_heights(jar, height_mm) == pytest.approx(expected_ml, rel=1e-9)


def test_pours_into_a_cone_give_the_cone_back():
    # Heights of the pours from the frustum's closed form, solved by bisection.
    pours_ml = np.arange(100.0, 601.0, 100.0)

    def height_of(volume_ml):
        low, high = 0.0, 140.0
        for _ in range(60):
            middle = (low + high) / 2
            top = 35 + 7 * middle / 140
            below_ml = math.pi * middle / 3 * (35**2 + 35 * top + top**2) / 1000
            low, high = (middle, high) if below_ml < volume_ml else (low, middle)
        return low

    jar = profile_from_pours(pours_ml, [height_of(v) for v in pours_ml], name="mine")
    heights_mm = np.linspace(5, jar.top_mm, 40)
    true_ml = volumes_from_heights(cone(), heights_mm)
    # 0.5 mL: a tenth of a millimetre of water; no one reads a level so well.
    np.testing.assert_allclose(volumes_from_heights(jar, heights_mm), true_ml, rtol=0, atol=0.5)


def test_unknown_heights_stay_unknown_and_shapes_are_kept():
    tops_mm = np.array([[[10.0, np.nan], [-3.0, 140.0]]])
    volumes_ml = volumes_from_heights(cone(), tops_mm)
    assert volumes_ml.shape == tops_mm.shape
    assert np.isnan(volumes_ml).tolist() == np.isnan(tops_mm).tolist()
    assert volumes_ml[0, 1, 0] == 0.0
    assert math.isnan(volumes_from_heights(find_profile("poured"), np.nan))


def test_above_the_measured_part_is_refused():
    with pytest.raises(ValueRefusedError, match="150 mm lies above the 140 mm"):
        volumes_from_heights(cone(), [20.0, 150.0])


@given(
    st.lists(st.floats(1, 40), min_size=2, max_size=6),
    st.floats(20, 60),
    st.floats(20, 60),
    st.sampled_from(list(CrossSection)),
)
def test_shares_make_a_whole_and_volumes_rise(layers_mm, low_mm, high_mm, section):
    tops_mm = np.cumsum(layers_mm)
    jar = JarProfile("any", (0.0, 250.0), (low_mm, high_mm), section=section)
    shares = shares_pct(jar, tops_mm)
    assert shares.sum() == pytest.approx(100)
    assert np.all(np.diff(volumes_from_heights(jar, tops_mm)) > 0)


@given(st.floats(0.2, 5))
def test_a_jar_of_another_size_gives_the_same_shares(factor):
    jar = cone(30.0, 45.0)
    other = JarProfile("other", (0.0, 140.0 * factor), (30.0 * factor, 45.0 * factor))
    np.testing.assert_allclose(
        shares_pct(other, factor * np.array(TOPS_MM)), shares_pct(jar, TOPS_MM)
    )


# Bias -------------------------------------------------------------------------------------------


def test_straight_walls_have_no_bias():
    straight = JarProfile("straight", (0.0, 300.0), (40.0, 40.0))
    by_height = 100 * np.diff([0.0, *TOPS_MM]) / TOPS_MM[-1]
    np.testing.assert_allclose(shares_pct(straight, TOPS_MM), by_height, rtol=0, atol=1e-9)
    np.testing.assert_allclose(taper_bias_points(TOPS_MM, width_ratio=1.0), 0.0, atol=1e-9)


@pytest.mark.parametrize("width_ratio", [0.7, 0.93, 1.2])
def test_taper_bias_against_frusta(width_ratio):
    # The layers cut from one cone, each by the frustum's closed form.
    radius = lambda z_mm: 40 * (1 + (width_ratio - 1) * z_mm / TOPS_MM[-1])  # noqa: E731
    edges = [0.0, *TOPS_MM]
    volumes = np.array(
        [
            (b - a) / 3 * (radius(a) ** 2 + radius(a) * radius(b) + radius(b) ** 2)
            for a, b in pairwise(edges)
        ]
    )
    by_height = 100 * np.diff(edges) / TOPS_MM[-1]
    expected = by_height - 100 * volumes / volumes.sum()
    np.testing.assert_allclose(taper_bias_points(TOPS_MM, width_ratio=width_ratio), expected)


def test_narrowing_jar_makes_the_lowest_layer_look_too_small():
    bias = taper_bias_points(TOPS_MM, width_ratio=0.9)
    assert bias[0] < 0 < bias[-1]
    assert bias.sum() == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("width_ratio", [0.2, 3.0, np.nan])
def test_walls_too_steep_are_refused(width_ratio):
    with pytest.raises(ValueRefusedError, match="straight-sided"):
        taper_bias_points(TOPS_MM, width_ratio=width_ratio)


def test_remeasuring_spreads_shares_as_misread_levels_would():
    # Straight jar, a level every 20 mm, each misread by 0.5 mm. A top half way between two levels
    # is off by 0.5/sqrt(2) mm and the whole at 80 mm by 0.5 mm: 0.44 and 0.23 points, 0.5 in all.
    heights_mm = np.arange(20.0, 161.0, 20.0)
    jar = profile_from_pours(heights_mm * 5, heights_mm, name="mine")
    rng = np.random.default_rng(1)
    shares = [shares_pct(remeasured(jar, rng), [30.0, 80.0])[0] for _ in range(400)]
    assert np.mean(shares) == pytest.approx(37.5, abs=0.15)
    assert np.std(shares) == pytest.approx(0.5, rel=0.2)
    assert remeasured(cone(), rng) == cone()


# Files ------------------------------------------------------------------------------------------


def test_our_profiles_are_all_read():
    assert calibration_names("jars") == [
        "domed",
        "poured",
        "shouldered",
        "square",
        "straight",
        "tapered",
    ]
    for name in calibration_names("jars"):
        profile = find_profile(name)
        assert profile.name == name
        assert np.all(
            np.diff(volumes_from_heights(profile, np.linspace(0, profile.top_mm, 50))) > 0
        )


def written(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_own_file(tmp_path):
    path = written(
        tmp_path,
        'name = "mine"\nvolume_ml = [100, 200, 300]\nheight_mm = [20, 40, 60]\n'
        "outside_diameter_mm = 86\n",
    )
    profile = find_profile(str(path))
    assert profile == read_profile(path)
    assert profile.outside_diameter_mm == 86.0
    assert volumes_from_heights(profile, 30.0) == pytest.approx(150.0)


RADII = 'name = "x"\nheight_mm = [0, 100]\ninside_radius_mm = [40, 40]\n'
POURS = 'name = "x"\nheight_mm = [20, 40, 60]\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = ", "not written as TOML"),
        ('name = "x"\n', "lacks or misspells something"),
        (RADII + "colour = 1\n", "'colour', which is not known"),
        (RADII + 'section = "oval"\n', "lacks or misspells something"),
        ('name = "x"\nheight_mm = 5\ninside_radius_mm = 5', "lacks or misspells something"),
        (RADII.replace("[0, 100]", "[10, 100]"), "must start at height 0"),
        (RADII.replace("[0, 100]", "[0, 0]"), "must start at height 0 and rise"),
        (RADII.replace("[0, 100]", "[0, 50, 100]"), "a radius or volume for each"),
        (RADII.replace("[0, 100]", "[0, 1200]"), "higher than 1000 mm"),
        (RADII.replace("[0, 100]", "[0, nan]"), "a number that is none"),
        (RADII.replace("40, 40", "4.0, 4.0"), "radius outside 5 to 250 mm"),
        (RADII + "volume_ml = [0, 1]\n", "either radii or poured volumes"),
        (RADII + "corner_radius_mm = 5\n", "has rounded corners but is round"),
        (RADII + 'section = "square"\ncorner_radius_mm = 50\n', "corners rounder than"),
        (RADII + 'floor = "domed"\n', "needs floor_rise_mm"),
        (RADII + "floor_rise_mm = 3\n", "flat floor that rises"),
        (RADII + 'floor = "domed"\nfloor_rise_mm = 41\n', "more than half the jar's width"),
        (RADII + 'section = "square"\nfloor = "bowl"\nfloor_rise_mm = 9\n', "only known for round"),
        (RADII.replace("100", "20") + 'floor = "bowl"\nfloor_rise_mm = 25\n', "within its floor"),
        (POURS + "volume_ml = [100, 200]\n", "a height for each volume"),
        ('name = "x"\nheight_mm = [20, 40]\nvolume_ml = [100, 200]\n', "at least three"),
        (POURS + "volume_ml = [100, 100, 200]\n", "gain some at each pour"),
        (POURS + "volume_ml = [100, 200, 900]\n", "far more or less than the others"),
        (POURS + "volume_ml = [0.1, 0.2, 0.3]\n", "more or less than any jar"),
    ],
)
def test_profiles_that_cannot_be_used(tmp_path, text, message):
    with pytest.raises(UsageError, match=message):
        read_profile(written(tmp_path, text))


def test_missing_profiles(tmp_path):
    with pytest.raises(UsageError, match="cannot be opened"):
        find_profile(str(tmp_path / "none.toml"))
    with pytest.raises(UsageError, match=r"no jar profile 'oval'.*straight, tapered"):
        find_profile("oval")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x = " + "[" * 5000, "brackets in brackets"),
        ("height_mm = [" + "9" * 5000 + "]", "a number or a date that cannot be"),
        ('name = "a"\nheight_mm = [0, 1e400]\ninside_radius_mm = [40, 40]', "number that is none"),
        (
            'name = "a"\nheight_mm = [0, 1' + "0" * 400 + "]\ninside_radius_mm = [40, 40]",
            "lacks or misspells",
        ),
        (
            'name = "a"\nheight_mm = [0, 100]\ninside_radius_mm = [40, 40]\n'
            "outside_diameter_mm = -86",
            "outside measure that is not between 20 and 1000 mm",
        ),
        (
            'name = "a"\nheight_mm = [0, 100]\ninside_radius_mm = [40, 40]\n'
            "outside_height_mm = 1e9",
            "outside measure that is not between 20 and 1000 mm",
        ),
        (
            f'name = "a"\nheight_mm = {[i / 4 for i in range(3000)]}\n'
            f"inside_radius_mm = {[40] * 3000}",
            "has more than 200 points",
        ),
        (f"x = {[0] * 50_000}", "too large for a jar profile"),
    ],
)
def test_profiles_beyond_all_measure(tmp_path, text, says):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=says):
        read_profile(path)


def test_a_profile_with_a_mark_at_its_start_and_old_line_ends(tmp_path):
    path = tmp_path / "own.toml"
    text = 'name = "own"\rheight_mm = [0, 100]\rinside_radius_mm = [40, 40]\r'
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert read_profile(path).name == "own"


def test_a_profiles_name_cannot_steer_a_terminal(tmp_path):
    path = tmp_path / "own.toml"
    text = 'name = "\\u001b[31mred"\nheight_mm = [0, 100]\ninside_radius_mm = [40, 40]\n'
    path.write_text(text, encoding="utf-8")
    assert read_profile(path).name.isprintable()


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices of POSIX systems")
def test_pipes_and_devices_are_no_profiles(tmp_path):
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    endless = tmp_path / "zero.toml"
    endless.symlink_to("/dev/zero")
    for path in (pipe, endless):
        with pytest.raises(UsageError, match="cannot be opened"):
            read_profile(path)


# The outside ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words", [["height=180", "outside_diameter=86"], ["height=180,outside_diameter=86"]]
)
def test_parse_jar_mm(words):
    assert parse_jar_mm(words) == OutsideSize(height_mm=180.0, outside_diameter_mm=86.0)


def test_one_measure_is_enough():
    size = parse_jar_mm(["outside_diameter=86.5"])
    assert size.outside_diameter_mm == 86.5
    assert math.isnan(size.height_mm)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "Give a measure"),
        (["180"], "'180' is not known"),
        (["width=80"], "'width=80' is not known"),
        (["height=180", "height=181"], "each once"),
        (["height=tall"], "not a jar's size"),
        (["height=18"], "between 20 and 1000"),
        (["height=nan"], "not a jar's size"),
    ],
)
def test_sizes_that_cannot_be_used(words, message):
    with pytest.raises(UsageError, match=message):
        parse_jar_mm(words)
