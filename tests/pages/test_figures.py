"""Figures show the numbers that they are given, can be read in grey, and say what they show."""

import itertools
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import scipy.stats
from report_samples import composition_draws, jar_dict, weight_dict, write_jar
from shapely.geometry import Point, Polygon

from jarvision.core.ranges import pct_with_range, range_around
from jarvision.core.units import Span, UnitSystem
from jarvision.estimate.sand_parts import CURVE_UM
from jarvision.estimate.texture import CLASS_POLYGONS, Texture, TextureClass, texture_of
from jarvision.garden.guide_request import GuideRequest, guide_from_request
from jarvision.garden.howto import howto_steps
from jarvision.garden.soil_water import IDEAL_PORES, Pores
from jarvision.pages import palette as canvas
from jarvision.pages.figures import layer_bar, layer_column, odds_bar, share_strip
from jarvision.pages.figures_sand import grains_by_height, sand_curve
from jarvision.pages.figures_soil import pore_picture, water_bar
from jarvision.pages.figures_time import duration_text, settling_curve
from jarvision.pages.howto_art import drawing
from jarvision.pages.triangle import _NAME_PLACES, Mark, place_on_triangle, triangle
from jarvision.results.jar_folder import read_jar_file
from jarvision.wall.measurement import GrainBand

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def jar(tmp_path_factory):
    data = jar_dict(by_weight=weight_dict())
    return read_jar_file(write_jar(tmp_path_factory.mktemp("jar"), data))


def guide(**request):
    return guide_from_request(GuideRequest(**request), rng=np.random.default_rng(0))


def parsed(drawn):
    return ET.fromstring(drawn)


def words(drawn):
    return ["".join(node.itertext()) for node in parsed(drawn).iter(f"{SVG}text")]


def box(node):
    return tuple(float(node.get(name)) for name in ("x", "y", "width", "height"))


def rects(drawn, fill):
    return [box(node) for node in parsed(drawn).iter(f"{SVG}rect") if node.get("fill") == fill]


def every_figure(jar):
    soil = guide(texture_class="loam")
    marks = [Mark("a<b", (40, 40, 20), composition_draws((40, 40, 20), 3))]
    yield triangle("t", "T", "D", marks)
    yield sand_curve("s", curves(), limit_mm=0.1)
    yield grains_by_height("g", GRAINS, limit_mm=0.1)
    yield layer_bar(
        "l", "L", jar.by_height, tops=[(20, (19, 22)), (40, (39, 41)), (50, (math.nan, math.nan))]
    )
    yield layer_bar("l2", "L", jar.by_height)
    yield share_strip("s", "S", (40, 40, 20))
    yield layer_column("c", "C", (Span(38, 40, 42), Span(37, 40, 43), Span(math.nan, 20, math.nan)))
    yield odds_bar("o", "O", jar.by_height.texture)
    yield water_bar("w", soil.water)
    yield pore_picture("p", soil.pores, IDEAL_PORES)
    yield settling_curve("v", jar.by_weight.curve, [(60, 20, 1), (7200, 40, math.nan)])
    for step in howto_steps(UnitSystem.US):
        if drawn := drawing(step.key, UnitSystem.US):
            yield drawn


def test_every_figure_is_well_formed_and_says_what_it_shows(jar):
    figures = list(every_figure(jar))
    assert len(figures) > 14
    for drawn in figures:
        root = parsed(drawn)
        assert root.get("role") == "img"
        title, description = root.get("aria-labelledby").split()
        assert root.find(f"{SVG}title").get("id") == title
        assert root.find(f"{SVG}desc").get("id") == description
        assert root.find(f"{SVG}desc").text
        assert "style" not in root.attrib
        assert "NaN" not in drawn
        assert "nan" not in drawn


# ----------------------------------------------------------------------------------- the triangle

# USDA Soil Survey Manual's triangle as the trade prints it: clay 100 at the top, sand 100 at the
# lower left, silt 100 at the lower right (common practice, no source for the picture itself).


def test_corners_stand_where_the_trade_puts_them():
    sand, silt, clay = (place_on_triangle(*c) for c in ((100, 0, 0), (0, 100, 0), (0, 0, 100)))
    assert sand[1] == pytest.approx(silt[1])
    assert sand[0] < clay[0] < silt[0]
    assert clay[1] < sand[1]  # y runs downward
    sides = [math.dist(*pair) for pair in ((sand, silt), (silt, clay), (clay, sand))]
    assert sides == pytest.approx([sides[0]] * 3)


def test_a_tenth_of_the_way_up_is_a_tenth_of_clay():
    base, top = place_on_triangle(100, 0, 0)[1], place_on_triangle(0, 0, 100)[1]
    for clay in range(0, 101, 10):
        y = place_on_triangle((100 - clay) / 2, (100 - clay) / 2, clay)[1]
        assert y == pytest.approx(base + (top - base) * clay / 100)


def test_ticks_stand_on_their_own_side():
    """Clay is numbered on the left side, silt on the right, sand along the bottom."""
    drawn = parsed(triangle("t", "T", "D", []))
    ticks = [n for n in drawn.iter(f"{SVG}text") if n.get("class") == "tri-tick"]
    placed = {(n.text, round(float(n.get("x"))), round(float(n.get("y")))) for n in ticks}
    assert len(ticks) == len(placed) == 27
    for pct in range(10, 100, 10):
        sides = {
            "left": place_on_triangle(100 - pct, 0, pct),
            "right": place_on_triangle(0, pct, 100 - pct),
            "bottom": place_on_triangle(pct, 100 - pct, 0),
        }
        for x, y in sides.values():
            near = [t for t in placed if t[0] == str(pct) and math.dist(t[1:], (x, y)) < 18]
            assert len(near) == 1, (pct, near)


# Points of published examples: Saxton & Rawls 2006, Table 3 (class points), and NCSS laboratory
# pedons MN175901 and MN175905.
PUBLISHED = {
    (88, 7, 5): "sand",
    (80, 15, 5): "loamy sand",
    (65, 25, 10): "sandy loam",
    (40, 40, 20): "loam",
    (20, 65, 15): "silt loam",
    (10, 85, 5): "silt",
    (60, 15, 25): "sandy clay loam",
    (30, 35, 35): "clay loam",
    (10, 55, 35): "silty clay loam",
    (10, 45, 45): "silty clay",
    (50, 10, 40): "sandy clay",
    (25, 25, 50): "clay",
    (2.8, 44.2, 53.0): "silty clay",
    (5.6, 55.8, 38.6): "silty clay loam",
}


def drawn_fields():
    """Fields as polygons on the page, each with the name that stands in it, by shapely."""
    drawn = parsed(triangle("t", "T", "D", []))
    outlines = [
        Polygon([tuple(map(float, p.split(","))) for p in node.get("points").split()])
        for node in drawn.iter(f"{SVG}polygon")
        if node.get("fill") == "none"
    ]
    names = [n for n in drawn.iter(f"{SVG}text") if n.get("class") == "tri-name"]
    fields = {}
    for node in names:
        lines = node.findall(f"{SVG}tspan")
        middle = Point(
            float(lines[0].get("x")), np.mean([float(line.get("y")) for line in lines]) - 4
        )
        [field] = [outline for outline in outlines if outline.contains(middle)]
        fields[" ".join(line.text for line in lines)] = field
    return fields


def test_twelve_fields_each_with_its_name_inside():
    assert len(drawn_fields()) == len(CLASS_POLYGONS) == len(_NAME_PLACES) == 12


@pytest.mark.parametrize(("pcts", "name"), PUBLISHED.items(), ids=str)
def test_published_soils_stand_in_the_field_of_their_class(pcts, name):
    assert drawn_fields()[name].contains(Point(place_on_triangle(*pcts)))


def test_cloud_and_point_stand_where_they_should():
    draws = composition_draws((40, 40, 20), 3)
    drawn = triangle("t", "T", "D", [Mark("x", (40, 40, 20), draws)], most_dots=100)
    dots = re.findall(r"M([\d.]+) ([\d.]+)h", drawn)
    assert len(dots) == 100
    middle = np.mean([[float(x), float(y)] for x, y in dots], axis=0)
    wanted = np.mean([place_on_triangle(*row) for row in draws[::4]], axis=0)
    assert middle == pytest.approx(wanted, abs=0.1)
    circle = next(iter(parsed(drawn).iter(f"{SVG}circle")))
    assert (float(circle.get("cx")), float(circle.get("cy"))) == pytest.approx(
        place_on_triangle(40, 40, 20), abs=0.01
    )


def test_by_weight_differs_in_shape_not_in_colour_alone():
    height = triangle("t", "T", "D", [Mark("", (40, 40, 20), composition_draws((40, 40, 20), 2))])
    weight = triangle(
        "t", "T", "D", [Mark("", (40, 40, 20), composition_draws((40, 40, 20), 2), by_weight=True)]
    )
    assert 'stroke-linecap="round"' in height
    assert 'stroke-linecap="butt"' in weight
    lengths = [float(h) for h in re.findall(r"M[\d.]+ [\d.]+h([\d.]+)", height + weight)]
    assert min(lengths) > 0  # PDF viewers leave out dashes without length
    assert "<circle" in height
    assert "<circle" not in weight


def test_labels_never_lie_on_one_another():
    rng = np.random.default_rng(4)
    soils = rng.dirichlet([2, 2, 1], 100) * 100
    marks = [Mark(f"jar {i}", tuple(row)) for i, row in enumerate(soils.tolist())]
    drawn = parsed(triangle("t", "T", "D", marks))
    labels = [n for n in drawn.iter(f"{SVG}text") if n.get("class") == "tri-mark"]
    assert 30 < len(labels) <= 100
    shift = {"start": 0.0, "middle": 0.5, "end": 1.0}
    spots = []
    for node in labels:
        left = float(node.get("x")) - shift[node.get("text-anchor")] * 6 * len(node.text)
        spots.append((left, float(node.get("y")), 6 * len(node.text)))
    for i, (x, y, wide) in enumerate(spots):
        for x2, y2, wide2 in spots[:i]:
            assert abs(y - y2) >= 10 or x + wide <= x2 or x2 + wide2 <= x


# ------------------------------------------------------------------------------------- layer bars


def test_layers_lie_in_order_and_in_proportion(jar):
    drawn = layer_bar(
        "l", "L", jar.by_height, tops=[(20, (19, 21)), (40, (39, 41)), (50, (49, 51))]
    )
    [sand], [silt], [clay] = (rects(drawn, canvas.FILLS[k]) for k in ("sand", "silt", "clay"))
    assert clay[1] < silt[1] < sand[1]
    assert sand[3] == pytest.approx(2 * clay[3], rel=0.01)
    assert sand[1] == pytest.approx(silt[1] + silt[3], abs=0.02)


def test_whiskers_show_the_ranges_given(jar):
    unknown = (math.nan, math.nan)
    tops = [(20, (18, 24)), (40, unknown), (50, (49, 51))]
    drawn = layer_bar("l", "L", jar.by_height, tops=tops)
    [sand] = rects(drawn, canvas.FILLS["sand"])
    per_mm = sand[3] / 20
    lengths = [
        abs(float(low) - float(high))
        for high, low in re.findall(
            rf'd="M[\d.]+ ([\d.]+)V([\d.]+)[^"]*" stroke="{canvas.INK}"', drawn
        )
    ]
    assert lengths == pytest.approx([6 * per_mm, 2 * per_mm], rel=0.02)


def test_without_a_scale_the_bar_is_of_percent(jar):
    drawn = layer_bar("l", "L", jar.by_height)
    assert "100" in words(drawn)
    assert "%" in words(drawn)
    assert "mm" not in words(drawn)


def test_names_of_thin_layers_stay_apart(tmp_path):
    jar = read_jar_file(write_jar(tmp_path, jar_dict(pcts=(1.0, 1.5, 97.5), sd=0.1)))
    root = parsed(layer_bar("l", "L", jar.by_height))
    places = [float(n.get("y")) for n in root.iter(f"{SVG}text") if "–" in "".join(n.itertext())]
    assert len(places) == 3
    assert min(np.diff(sorted(places))) >= 19
    assert max(places) < 248


@pytest.mark.parametrize(
    ("value", "sd", "printed"),
    [
        (24.4, 3.2, "24 (19–30) %"),
        (24.4, 0.2, "24 (23–25) %"),
        (math.nan, 1, "unknown"),
        (5, math.nan, "5 % (range unknown)"),
    ],
)
def test_shares_carry_no_false_digits(value, sd, printed):
    assert pct_with_range(value, range_around(value, sd)) == printed


# ---------------------------------------------------------------------------- odds, water, pores


def test_odds_are_in_words_and_bars_in_proportion():
    odds = [0.0] * 12
    odds[3], odds[7] = 0.7, 0.3
    drawn = odds_bar("o", "O", Texture(tuple(odds)))
    assert words(drawn) == ["loam", "7 in 10", "clay loam", "3 in 10"]
    wide = [r[2] for r in rects(drawn, canvas.BY_HEIGHT)]
    assert wide[0] / wide[1] == pytest.approx(7 / 3, rel=0.01)


def test_odds_are_never_certain():
    one_class = texture_of([[40, 40, 20]] * 200)
    assert words(odds_bar("o", "O", one_class)) == ["loam", "better than 19 in 20"]


def test_water_bar_of_loam_is_the_published_class_point():
    """Saxton & Rawls 2006, Table 3, loam at 2.5 % organic matter: 14, 28 and 46 % by volume."""
    soil = guide(sand=40, silt=40, clay=20, sd=0, om=2.5)
    said = " ".join(words(water_bar("w", soil.water)))
    for level, pct in (("plants wilt", 14), ("drained", 28), ("full", 46)):
        assert re.search(rf"{level} {pct} \(\d+–\d+\) %", said), said


def test_water_bar_says_nothing_outside_the_equations():
    """The equations hold up to 60 % clay (Saxton & Rawls 2006, from memory)."""
    heavy = guide(sand=10, silt=10, clay=80, sd=0)
    assert water_bar("w", heavy.water) is None
    assert pore_picture("p", heavy.pores, IDEAL_PORES) is None


def test_pores_are_a_hundred_squares_beside_the_ideal():
    """The ideal of garden columns: 45 mineral, 5 organic, 25 water, 25 air (second-hand)."""
    drawn = pore_picture("p", Pores(50.4, 2.6, 27.5, 19.5), IDEAL_PORES)
    squares = [
        r
        for fill in (canvas.MINERAL, canvas.ORGANIC, canvas.WATER, canvas.AIR)
        for r in rects(drawn, fill)
        if r[3] == 19
    ]
    left = [r for r in squares if r[0] < 220]
    right = [r for r in squares if r[0] >= 220]
    assert len(left) == len(right) == 100
    count = {
        fill: sum(r[0] >= 220 and r[3] == 19 for r in rects(drawn, fill))
        for fill in (canvas.MINERAL, canvas.ORGANIC, canvas.WATER, canvas.AIR)
    }
    assert list(count.values()) == [45, 5, 25, 25]


# -------------------------------------------------------------------------------- settling curve


def test_later_photos_stand_further_right_on_a_logarithmic_axis():
    points = [(60, 20, 0.5), (600, 30, 0.5), (6000, 40, 0.5)]
    root = parsed(settling_curve("v", None, points))
    xs = [float(n.get("cx")) for n in root.iter(f"{SVG}circle")]
    assert xs[1] - xs[0] == pytest.approx(xs[2] - xs[1], abs=0.05)
    ys = [float(n.get("cy")) for n in root.iter(f"{SVG}circle")]
    assert ys[0] > ys[1] > ys[2]
    with pytest.raises(ValueError, match="points"):
        settling_curve("v", None, [])


@pytest.mark.parametrize(
    ("time_s", "said"),
    [
        (20, "20 s"),
        (60, "1 min"),
        (3600, "1 h"),
        (7560, "2 h 6 min"),
        (172_800, "48 h"),
        (864_000, "10 days"),
        (math.nan, "at an unknown time"),
    ],
)
def test_times_in_words(time_s, said):
    assert duration_text(time_s) == said


# ------------------------------------------------------------------------------ colour and print


def luminance(colour):
    """Relative luminance by WCAG 2.1 (W3C Recommendation, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a, b):
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_measure_of_contrast_itself():
    """WCAG 2.1: black on white is 21; #767676 is the lightest grey that reaches 4.5 on white."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#767676", "#FFFFFF") >= 4.5 > contrast("#777777", "#FFFFFF")


def test_text_in_figures_has_contrast():
    """WCAG 2.1, success criterion 1.4.3 (AA): 4.5 for text; 1.4.11: 3 for what carries meaning."""
    page = "#FAF8F3"
    for ink in (canvas.INK, canvas.MUTED, canvas.BY_HEIGHT, canvas.BY_WEIGHT):
        assert contrast(ink, page) >= 4.5
        assert contrast(ink, canvas.HIGHLIGHT) >= 4.5
    for layer, fill in canvas.FILLS.items():
        assert contrast(canvas.ON_FILLS[layer], fill) >= 4.5
        assert contrast(canvas.INK, page) >= 3  # every fill has an outline of ink


def test_fills_stay_apart_in_grey():
    """Printed in grey only luminance is left: neighbours differ by at least 1.4 to 1."""
    layers = [canvas.FILLS[k] for k in ("sand", "silt", "clay")]
    soil = [canvas.ORGANIC, canvas.MINERAL, canvas.WATER]
    for pair in (*itertools.pairwise(layers), *itertools.pairwise(soil)):
        assert contrast(*pair) >= 1.4


def test_every_colour_has_its_home_in_the_palette():
    from importlib.resources import files

    package = files("jarvision")
    style = (package / "data" / "report.css").read_text(encoding="utf-8")
    variables = canvas.css_variables()
    assert not re.search(r"#[0-9A-Fa-f]{3,8}\b", style)
    assert set(re.findall(r"var\(--([a-z-]+)\)", style)) <= set(
        re.findall("--([a-z-]+):", variables)
    )
    for layer, fill in canvas.FILLS.items():
        assert f".key-{layer} {{ background: var(--{layer}); }}" in style
        assert f"--{layer}: {fill};" in variables
    modules = (m for m in (package / "pages").iterdir() if m.name.endswith(".py"))
    owners = {m.name for m in modules if re.search('"#[0-9A-Fa-f]{6}"', m.read_text("utf-8"))}
    assert owners == {"palette.py"}


def test_drawings_speak_the_users_units():
    metric = " ".join(
        " ".join(words(drawing(s.key, UnitSystem.METRIC) or "<svg/>"))
        for s in howto_steps(UnitSystem.METRIC)
    )
    us = " ".join(
        " ".join(words(drawing(s.key, UnitSystem.US) or "<svg/>"))
        for s in howto_steps(UnitSystem.US)
    )
    assert re.search(r"\d cm", metric)
    assert not re.search(r"\d in\b", metric)
    assert re.search(r"\d in\b", us)
    assert not re.search(r"\d cm", us)
    assert drawing("nothing", UnitSystem.US) is None


def test_lengths_in_drawings_are_those_of_the_lesson():
    for system in UnitSystem:
        said = " ".join(s.text for part in howto_steps(system) for s in part.statements)
        for key in ("dig", "photos"):
            lengths = re.findall(r"\d+–\d+ (?:cm|in)", " ".join(words(drawing(key, system))))
            assert lengths
            assert all(length in said for length in lengths)


def test_highlight_names_a_field():
    plain = triangle("t", "T", "D", [])
    tinted = triangle("t", "T", "D", [], highlight=[TextureClass.LOAM])
    assert plain.count(canvas.HIGHLIGHT) == 0
    assert tinted.count(canvas.HIGHLIGHT) == 1


# --- the sand's grain ----------------------------------------------------------------------------

GRAINS = (
    GrainBand(0.0, 3.0, 0.5, 0.2),
    GrainBand(3.0, 6.0, 0.25, 0.1),
    GrainBand(6.0, 8.0),
    GrainBand(8.0, 10.0, finer_than_mm=0.125),
)


def curves(*, middle_um=200.0, seed=0, count=300):
    """Draws of a log-normal sand within 50 to 2000 µm."""
    rng = np.random.default_rng(seed)
    middles = np.log(middle_um) + 0.2 * rng.standard_normal((count, 1))
    below = scipy.stats.norm.cdf((np.log(CURVE_UM) - middles) / 0.7)
    return (below - below[:, :1]) / (below[:, -1:] - below[:, :1])


def polyline(drawn, kind):
    [node] = parsed(drawn).iter(f"{SVG}{kind}")
    return np.array([[float(v) for v in pair.split(",")] for pair in node.get("points").split()])


def limit_places(drawn):
    """Where sizes stand on the axis, by their printed numbers."""
    nodes = parsed(drawn).iter(f"{SVG}text")
    numbers = {n.text: float(n.get("x")) for n in nodes if n.get("text-anchor") == "middle"}
    return {mm: numbers[mm] for mm in ("0.05", "0.1", "0.25", "0.5", "1", "2")}


def test_the_limits_of_the_sand_s_parts_stand_on_a_logarithmic_axis():
    """0.05, 0.1, 0.25, 0.5, 1 and 2 mm (Soil Survey Manual, USDA Handbook 18, chapter 3)."""
    drawn = sand_curve("c", curves())
    for figure in (drawn, grains_by_height("g", GRAINS)):
        at = limit_places(figure)
        octaves = [(at[b] - at[a]) / math.log2(float(b) / float(a)) for a, b in pairs(at)]
        assert octaves == pytest.approx([octaves[0]] * 5, abs=0.05)
    names = [w for w in words(drawn) if w in ("very fine", "fine", "medium", "coarse")]
    assert sorted(names) == ["coarse", "fine", "medium", "very fine"]


def pairs(of):
    return itertools.pairwise(of)


def test_the_curve_of_the_sand_is_the_mean_of_its_draws_and_its_band_holds_nine_in_ten():
    finer = curves()
    drawn = sand_curve("c", finer, limit_mm=0.2)
    line = polyline(drawn, "polyline")
    part = (224 - line[:, 1]) / (224 - 34)
    assert part == pytest.approx(finer.mean(axis=0), abs=0.001)
    assert (np.diff(line[:, 0]) > 0).all()
    band = (224 - polyline(drawn, "polygon")[:, 1]) / (224 - 34)
    high, low = band[: CURVE_UM.size], band[CURVE_UM.size :][::-1]
    held = ((finer >= low - 1e-4) & (finer <= high + 1e-4)).mean(axis=0)
    # at the ends all draws are one to the drawing's hundredths
    assert held[2:-4] == pytest.approx(0.9, abs=0.02)


def dashed(drawn):
    lines = parsed(drawn).iter(f"{SVG}line")
    return [float(n.get("x1")) for n in lines if n.get("stroke-dasharray")]


def test_the_finest_grains_that_a_photo_tells_are_marked():
    for draw in (
        lambda mm: sand_curve("c", curves(), limit_mm=mm),
        lambda mm: grains_by_height("g", GRAINS, limit_mm=mm),
    ):
        at = limit_places(draw(0.1))
        assert dashed(draw(0.1)) == pytest.approx([at["0.1"]], abs=0.01)
        assert dashed(draw(0.04)) == dashed(draw(math.nan)) == []


def test_each_band_is_as_high_as_it_lies_and_as_wide_as_its_range():
    """1.645 sd to each side hold 90 % (normal tables); 0.2 and the shared 0.09 make 0.219."""
    drawn = grains_by_height("g", GRAINS)
    at = limit_places(drawn)
    octave = (at["2"] - at["1"]) / 1.0

    def x(mm):
        return at["0.5"] + octave * math.log2(mm / 0.5)

    coarse, fine, bound = rects(drawn, canvas.FILLS["sand"])
    assert coarse[0] == pytest.approx(x(0.5 * math.exp(-0.361)), abs=0.05)
    assert coarse[0] + coarse[2] == pytest.approx(x(0.5 * math.exp(0.361)), abs=0.05)
    assert coarse[3] == pytest.approx(1.5 * bound[3], abs=0.05)  # 3 mm and 2 mm high
    assert coarse[1] == pytest.approx(fine[1] + fine[3], abs=0.05)  # one above the other
    assert bound[0] == pytest.approx(at["0.05"], abs=0.05)
    assert bound[0] + bound[2] == pytest.approx(x(0.125), abs=0.05)
    said = next(parsed(drawn).iter(f"{SVG}desc")).text
    assert "finer than 0.12 mm" in said  # 0.125 in two digits, to even
    assert "0.5 (0.35–0.72) mm" in said
    assert "6.0 to 8.0" not in said  # nothing is told of it


def test_grains_beyond_the_axis_make_it_longer():
    drawn = grains_by_height("g", (GrainBand(0, 2, 5.0, 0.3), GrainBand(2, 4, 0.03, 0.3)))
    for left, _, wide, _ in rects(drawn, canvas.FILLS["sand"]):
        assert left >= 46
        assert left + wide <= 292.01
    with pytest.raises(ValueError, match="needs bands"):
        grains_by_height("g", (GrainBand(0, 2),))


def test_heights_of_grains_are_in_the_user_s_units():
    drawn = grains_by_height("g", GRAINS, per_unit=1 / 25.4, unit="in")
    assert "height above the floor, in" in words(drawn)
    assert "0.1" in words(drawn)
