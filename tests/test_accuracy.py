"""How far off the readings are, on rendered photos with exact truth; the table is printed.

The truth stands in each folder's `truth.csv`, from the renderer; no value here comes from the
reader. Real jars have not been measured yet.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from accuracy import JarResult, Tally, find_outcome, measure, true_tops, truth_of
from scenes import ROOT, SAMPLES

from jarvision.core.errors import NoJarError
from jarvision.core.series import JarPhotos, TimedPhoto, TimeSource
from jarvision.results.from_reading import unread_record
from jarvision.run.engine import read_photos
from jarvision.run.outcome import Outcome

# More photos of the same kind may lie beside the project.
DEVELOPMENT = ROOT.parent / "shared" / "photos"


@pytest.fixture(scope="module")
def samples(request: pytest.FixtureRequest) -> Tally:
    return measured(SAMPLES, request)


@pytest.fixture(scope="module")
def development(request: pytest.FixtureRequest) -> Tally:
    if not (DEVELOPMENT / "truth.csv").is_file():
        pytest.skip("there are no development photos beside the project")
    return measured(DEVELOPMENT, request)


def measured(folder: Path, request: pytest.FixtureRequest) -> Tally:
    """Measure a folder and let its table be seen."""
    capture = request.config.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled():
        print(f"\n\n{folder.name}:")
        return measure(folder)


def check_boundaries(tally: Tally) -> None:
    off, _, doubted = np.array(tally.mm).T
    size = np.abs(off)
    assert np.median(size) <= 0.4
    assert np.percentile(size, 90) <= 1.0
    assert not ((size > 2.0) & (doubted == 0)).any()


def check_shares(tally: Tally) -> None:
    size = np.abs(np.array(tally.points)[:, 0])
    assert np.median(size) <= 1.0
    assert np.percentile(size, 90) <= 3.0


def check_claims(values: list[tuple[float, ...]], low: float, high: float) -> None:
    off, sd = np.array(values).T[:2]
    assert low <= np.sqrt(np.mean((off / sd) ** 2)) <= high
    assert np.mean(np.abs(off) < 1.96 * sd) >= 0.90


@pytest.mark.photo
def test_samples_are_read_well(samples: Tally) -> None:
    assert samples.unread == 0
    assert len(samples.classes) == 4
    check_boundaries(samples)
    check_shares(samples)
    assert all(right or near for right, near in samples.classes)
    check_claims(samples.mm, 0.4, 1.6)  # nine boundaries: their rms scatters by a quarter


@pytest.mark.photo
@pytest.mark.slow
def test_development_photos_are_read_well(development: Tally) -> None:
    assert development.unread == 0
    check_boundaries(development)
    check_shares(development)
    check_claims(development.mm, 0.7, 1.3)
    check_claims(development.points, 0.5, 1.3)
    wrong = [near for right, near in development.classes if not right]
    assert len(wrong) <= 1
    assert all(wrong)


def test_truth_is_of_each_boundarys_own_photo() -> None:
    rows = truth_of(SAMPLES)["2"]
    # by hand from truth.csv: the first two in their own photos, the clay in the last
    assert true_tops(rows).tolist() == [19.61, 41.69, 45.77]
    assert true_tops({"48h": rows["48h"]}).tolist() == [19.36, 41.33, 45.77]


def test_photos_that_were_not_read_are_no_outcome() -> None:
    rows = truth_of(SAMPLES)["2"]
    assert find_outcome((), rows) is None


def test_truth_can_be_had_in_parts() -> None:
    assert set(truth_of(SAMPLES, only={"2", "9"})) == {"2", "9"}
    assert set(truth_of(SAMPLES, leave_out={"2"})) == set(truth_of(SAMPLES)) - {"2"}
    assert {*truth_of(SAMPLES, last_photo_only=True)["2"]} == {"48h"}


def unread_outcome(number: int, photos: list[str]) -> Outcome:
    """Give what becomes of photos in which no jar was found."""
    timed = tuple(TimedPhoto(f"/{name}", name, 60.0, TimeSource.NAME) for name in photos)
    jar = JarPhotos(str(number), number, timed, {}, (), ())
    error = NoJarError("None.")
    return Outcome(jar, unread_record(jar, error), error)


def test_jars_in_one_photo_are_told_apart_by_their_strips() -> None:
    photos = ["row-73-1min.jpg", "row-73-48h.jpg"]
    found = tuple(unread_outcome(number, photos) for number in (73, 74))
    for number, outcome in zip(("73", "74"), found, strict=True):
        rows = {"48h": {"photo": photos[1], "jar": number}}
        assert find_outcome(found, rows, shared=set(photos)) is outcome
    other = {"48h": {"photo": photos[1], "jar": "75"}}
    assert find_outcome(found, other, shared=set(photos)) is None
    # alone in its photos, a jar whose strip was not read is still that jar
    assert find_outcome(found[:1], other) is found[0]


def test_figures_count_wrong_and_unread_jars() -> None:
    right = JarResult("a", mm=[(0.1, 0.2)], points=[(0.0, 1.0)], places=(True, False), wrong=False)
    silent = JarResult("a", mm=[(2.5, 0.5)], points=[(5.0, 1.0)])
    unread = JarResult("ruler")
    tally = Tally([right, silent, unread])
    assert (tally.unread, tally.silent, tally.classes) == (1, 1, [(True, False), (False, False)])
    assert "2 with a wrong line or unread (67 %)" in tally.figures()
    assert "rulers: 0 of 1 jars scaled" in tally.figures()
    assert {kind: len(t.results) for kind, t in tally.kinds().items()} == {"a": 2, "ruler": 1}
    assert "100 %" in tally.kinds()["ruler"].row("ruler")


def test_the_script_reads_through_the_public_way() -> None:
    import accuracy

    assert accuracy.read_photos is read_photos
