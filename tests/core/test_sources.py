"""No statement without a source; marks that lead to it."""

import pytest

from jarvision.core.sources import (
    COMMON_PRACTICE,
    FAO56,
    Quality,
    Statement,
    bibliography,
    legend,
    say,
)


def test_a_statement_without_a_source_is_refused():
    with pytest.raises(ValueError, match="needs a source"):
        Statement("Dig.", ())


def test_marks_lead_to_the_listed_source():
    first, second = say("Water.", FAO56), say("Mulch.", COMMON_PRACTICE, FAO56)
    listed = bibliography([first, second])
    assert listed.tag(first) == "[P1]"
    assert listed.tag(second) == "[C2, P1]"
    assert listed.listed()[0][0] == "P1"
    assert listed.listed()[0][1].startswith("Allen, Pereira")
    assert len(listed.listed()) == 2


def test_legend_names_every_quality():
    assert all(quality in legend() for quality in Quality)
