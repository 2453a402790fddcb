"""What the page in the browser says of a jar is what paper says of it."""

import pytest
from samples_read import SamplesRead
from scenes import SAMPLES

from jarvision.bench.jars import JarsOnBench
from jarvision.core.units import UnitSystem
from jarvision.results.jar_folder import read_jar_file
from jarvision.results.numbers import share_text, top_text

pytestmark = [pytest.mark.photo, pytest.mark.slow]


@pytest.mark.parametrize("jar", ["2", "9", "21"])
def test_heights_and_shares_carry_the_ranges_of_the_jars_page(
    samples_read: SamplesRead, jar: str
) -> None:
    """In jar 9 the sand's top may lie in two places, so that no sd gives its range."""
    record = read_jar_file(samples_read.out / f"jar-{jar}.json")
    result = JarsOnBench(SAMPLES, samples_read.out).shown(jar)["result"]
    for layer, top in enumerate(result["tops"]):
        assert top_text(record, layer, UnitSystem.METRIC) == f"{top['mm']:.1f} {top['range']}"
    for layer, share in enumerate(result["pcts"]):
        assert share_text(record.by_height, layer) == share["text"]


def test_the_soil_is_called_by_its_weight_as_on_its_page(samples_read: SamplesRead) -> None:
    shown = JarsOnBench(SAMPLES, samples_read.out).shown("21")
    assert (shown["weight"]["holds"], shown["weight"]["soil"]) == (True, "sandy loam")
    assert shown["result"]["soil"] == "clay"
