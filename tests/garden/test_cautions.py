"""Every caution that the published facts ask for, short, in its place."""

import pytest

from jarvision.garden.cautions import CAUTIONS, CautionName, Place, cautions_for


def text_of(name):
    return next(c.statement.text for c in CAUTIONS if c.name is name)


def test_each_caution_is_there_once():
    assert [c.name for c in CAUTIONS] == list(CautionName)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (CautionName.SILICA, ("silica", "mask", "damp")),
        (CautionName.GLASS, ("plastic", "children")),
        (CautionName.DETERGENT, ("alkaline", "eyes", "do not pour")),
        (CautionName.GAS, ("without bleach", "percarbonate", "Ease the lid")),
        (CautionName.EMPTYING, ("outdoors", "drains", "wells")),
        (CautionName.HANDS, ("cover cuts", "wash your hands")),
        (CautionName.COMPOST_DUST, ("Damp compost", "Legionella")),
        (CautionName.TRENCH, ("trench", "slope", "cave in")),
        (CautionName.BURIED_LINES, ("811",)),
        (CautionName.LEAD, ("nothing of lead", "tested")),
        (CautionName.FLOOD, ("flood", "Do not eat")),
        # 7 CFR 205.203(c)(1).
        (CautionName.MANURE, ("120 days", "90 days", "touches the soil")),
        (CautionName.NOT_ENGINEERING, ("septic", "foundations", "local codes", "licensed")),
        (CautionName.NOT_DOSES, ("laboratory",)),
        # A laboratory's method sheet: reproducible within ±8 %.
        (CautionName.LABORATORY, ("8 points",)),
    ],
)
def test_what_each_says(name, words):
    text = text_of(name)
    assert all(word in text for word in words)
    assert len(text) < 240
    assert text.endswith(".")


def test_places():
    assert {c.name for c in CAUTIONS if Place.HOWTO in c.places} >= {
        CautionName.SILICA,
        CautionName.GLASS,
        CautionName.DETERGENT,
        CautionName.GAS,
        CautionName.EMPTYING,
        CautionName.HANDS,
        CautionName.TRENCH,
        CautionName.BURIED_LINES,
    }
    for place in Place:
        assert text_of(CautionName.NOT_ENGINEERING) in [s.text for s in cautions_for(place)]
