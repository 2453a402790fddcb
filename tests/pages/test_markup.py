"""Markup made from any text is still well-formed, and says that text and nothing else."""

import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.pages.markup import join, number, raw, tag, text

PRINTABLE = st.text(st.characters(exclude_categories=("Cc", "Cf", "Cs", "Cn", "Co")))


class Parsed(HTMLParser):
    """The standard library's own reading of a page (its rules are not ours)."""

    def __init__(self, markup):
        super().__init__(convert_charrefs=True)
        self.tags, self.words = [], ""
        self.feed(markup)
        self.close()

    def handle_starttag(self, name, attributes):
        self.tags.append((name, dict(attributes)))

    def handle_data(self, data):
        self.words += data


@given(st.text())
def test_no_text_becomes_markup(words):
    parsed = Parsed(tag("p", words, title=words))
    assert [name for name, _ in parsed.tags] == ["p"]


@given(PRINTABLE)
def test_text_and_attributes_say_what_was_given(words):
    parsed = Parsed(tag("p", words, title=words))
    assert parsed.words == words
    assert parsed.tags[0][1]["title"] == words


@given(st.text())
def test_everything_is_well_formed_xml_too(words):
    ET.fromstring(tag("g", words, tag("line", id=words)))


def test_direction_marks_and_controls_are_dropped():
    """U+202E turns the direction of writing (Unicode Bidirectional Algorithm, UAX 9)."""
    assert text("a\u202eb\u2066c\x00d\x1b[31me\ud800f\ufeffg") == "abcd[31mefg"


def test_children_and_attributes():
    made = tag(
        "a", "x", None, [tag("b", "y"), "<"], href="#", data_rank=1.50, hidden=False, open=True
    )
    assert made == '<a href="#" data-rank="1.5" open>x<b>y</b>&lt;</a>'
    assert join("a", None, ["b", [tag("br")]]) == "ab<br>"


@pytest.mark.parametrize(
    ("value", "printed"), [(1.0, "1"), (-0.001, "0"), (2.346, "2.35"), (1e6, "1000000"), (0, "0")]
)
def test_numbers_are_short(value, printed):
    assert number(value) == printed


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_figure_is_never_drawn_from_what_is_no_number(value):
    with pytest.raises(ValueError, match="finite"):
        number(value)


@pytest.mark.parametrize("content", ["</style><script>", "a<!--b"])
def test_own_text_cannot_end_its_element(content):
    with pytest.raises(ValueError, match="end tag"):
        raw(content)
