"""Triangles of other standards: every class has its name in its own field, soils stand right."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from jarvision.estimate.texture_standards import STANDARDS, classify_by, find_standard
from jarvision.pages.palette import HIGHLIGHT
from jarvision.pages.triangle import Mark, place_on_triangle
from jarvision.pages.triangle_classes import class_triangle

SVG = "{http://www.w3.org/2000/svg}"
DRAWS = np.random.default_rng(3).dirichlet([40, 36, 20], 400) * 100


def drawn(key, *marks):
    return ET.fromstring(class_triangle("t", find_standard(key), marks))


def composition_at(x, y):
    """Undo the drawing by solving for the shares, apart from the package's formula."""
    corners = np.array([place_on_triangle(*c) for c in ((100, 0, 0), (0, 100, 0), (0, 0, 100))])
    return np.linalg.solve(np.vstack([corners.T, np.ones(3)]), [x, y, 1]) * 100


@pytest.mark.parametrize("key", STANDARDS)
def test_every_name_stands_in_its_own_field(key):
    standard = find_standard(key)
    names = [t for t in drawn(key).iter(f"{SVG}text") if t.get("class") == "tri-name"]
    assert len(names) == len(standard.classes)
    for text, each in zip(names, standard.classes, strict=True):
        spans = list(text.iter(f"{SVG}tspan"))
        assert "|".join(span.text for span in spans) == each.label
        x = float(spans[0].get("x"))
        y = np.mean([float(span.get("y")) for span in spans]) - 4
        [mine] = classify_by(standard, [composition_at(x, y)])
        assert standard.classes[mine].name == each.name


@pytest.mark.parametrize("key", STANDARDS)
def test_a_soil_is_shown_with_its_likely_fields_and_said_in_words(key):
    root = drawn(key, Mark("jar 5", (41.5, 37.1, 21.4), DRAWS, by_weight=True))
    tinted = [p for p in root.iter(f"{SVG}polygon") if p.get("fill") == HIGHLIGHT]
    assert tinted
    said = root.find(f"{SVG}desc").text
    assert f"silt (2 to {find_standard(key).silt_to_um:g} µm)" in said
    assert "jar 5: sand 42 %, silt 37 %, clay 21 %" in said
    assert any("jar 5" in (t.text or "") for t in root.iter(f"{SVG}text"))


def test_a_name_cannot_become_markup():
    hostile = class_triangle("t", find_standard("uk"), [Mark("<script>x</script>", (40, 40, 20))])
    assert not re.search("<script", hostile)
