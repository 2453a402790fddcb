"""Limits of agreement and kappa against published data; the comparison as text, CSV and page."""

import csv
import io
import json
import math
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import jar_dict, unread_dict, write_jar
from typer import Typer
from typer.testing import CliRunner

from jarvision.cli import compare as cli_class
from jarvision.compare.agreement import agreement_of, kappa_of, wilson_95
from jarvision.compare.compare import compare_marks, compared_csv, compared_text, shares_of, signed
from jarvision.compare.marks_table import parse_marks
from jarvision.compare.slips import SlipName
from jarvision.estimate.texture import TextureClass
from jarvision.pages.compare_page import ComparedPage, render_compared
from jarvision.results.jar_folder import read_jar_folder

NAN = math.nan

# Bland & Altman (1986), Lancet 327:307-310, table: peak expiratory flow rate [l/min] of 17
# subjects, first readings by the large Wright meter and by the mini Wright meter. The table is from
# memory; that it is right is shown by the statistics which the paper prints for it (below).
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_limits_of_agreement_of_the_published_peak_flows():
    """Printed: mean difference -2.1, sd 38.8, limits -79.7 and 75.5 l/min (± 2 sd)."""
    found = agreement_of(np.subtract(WRIGHT, MINI))
    assert found.count == found.independent == 17
    assert round(found.bias, 1) == -2.1
    assert round(found.sd, 1) == 38.8
    assert round(found.low, 1) == pytest.approx(-79.7, abs=0.11)  # printed from rounded numbers
    assert round(found.high, 1) == pytest.approx(75.5, abs=0.11)


def test_how_sure_the_limits_of_the_published_peak_flows_are():
    """Printed, from rounded numbers (t = 2.12): bias -22.0 to 17.8, low -114.3 to -45.1, high
    40.9 to 110.1 l/min."""
    found = agreement_of(np.subtract(WRIGHT, MINI))
    assert found.bias_range == pytest.approx((-22.0, 17.8), abs=0.15)
    assert found.low_range == pytest.approx((-114.3, -45.1), abs=0.3)
    assert found.high_range == pytest.approx((40.9, 110.1), abs=0.3)


def test_the_correlation_that_the_paper_warns_of_is_that_of_the_table():
    """Printed: r = 0.94, a check of the table as written down here."""
    assert round(float(np.corrcoef(WRIGHT, MINI)[0, 1]), 2) == 0.94


def test_limits_hold_nineteen_in_twenty_and_their_ranges_too():
    rng = np.random.default_rng(5)
    inside = covers = 0
    for _ in range(400):
        found = agreement_of(rng.normal(1.0, 2.0, 14))
        inside += found.low < 1.0 + 2.0 * rng.normal() < found.high
        covers += found.bias_range[0] < 1.0 < found.bias_range[1]
    assert 0.90 < inside / 400 < 0.98
    assert 0.92 < covers / 400 < 0.98


def test_few_differences_claim_nothing():
    assert math.isnan(agreement_of([]).bias)
    one = agreement_of([1.0, NAN])
    assert one.bias == 1.0
    assert math.isnan(one.sd)
    assert math.isnan(agreement_of([1.0, 2.0, 3.0], independent=1).bias_range[0])


def test_kappa_of_a_published_table():
    """Cohen (1960): 200 cases in three classes, kappa .492 (table from memory; its printed sums
    of 140 agreeing, 82 by chance confirm it)."""
    table = ((88, 14, 18), (10, 40, 10), (2, 6, 12))
    pairs = [(i, j) for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
    found = kappa_of([i for i, _ in pairs], [j for _, j in pairs])
    assert (found.count, found.agreeing) == (200, 140)
    assert round(found.value, 3) == 0.492
    assert found.range[0] < 0.492 < found.range[1]


def test_kappa_as_a_general_library_has_it():
    metrics = pytest.importorskip("sklearn.metrics")
    rng = np.random.default_rng(7)
    for classes in (2, 3, 12):
        first = rng.integers(0, classes, 60)
        second = np.where(rng.random(60) < 0.6, first, rng.integers(0, classes, 60))
        want = metrics.cohen_kappa_score(first, second)
        assert kappa_of(first.tolist(), second.tolist()).value == pytest.approx(want, abs=1e-12)


def test_kappa_that_cannot_be_known():
    assert math.isnan(kappa_of([], []).value)
    assert math.isnan(kappa_of(["loam"] * 4, ["loam"] * 4).value)


@pytest.mark.parametrize(
    ("hits", "count", "want"),
    [(81, 263, (0.2553, 0.3662)), (15, 148, (0.0624, 0.1605)), (0, 20, (0, 0.1611))],
)
def test_wilsons_interval_as_published(hits, count, want):
    """Newcombe (1998), Statistics in Medicine 17:857-872, table I, method 3; from memory."""
    assert wilson_95(hits, count) == pytest.approx(want, abs=6e-5)


# ------------------------------------------------------------------------------- one folder


def odds(name):
    return {name: 0.8, "sandy clay loam" if name != "sandy clay loam" else "loam": 0.2}


def folder(tmp_path, *jars):
    for jar in jars:
        write_jar(tmp_path, jar, pictures=False)
    return read_jar_folder(tmp_path)


def compared_of(tmp_path, text, *jars):
    return compare_marks(folder(tmp_path, *(jars or (jar_dict("5"),))), parse_marks(text))


HEAD = "jar,reader,sand_mm,silt_mm,clay_mm\n"


def test_a_mark_beside_its_photo(tmp_path):
    """The sample jar has tops at 20, 40, 50 mm with an sd of 0.5: shares of 40, 40, 20 %."""
    [got] = compared_of(tmp_path, HEAD + "Jar 05,Ana,20.4,38,50\n").comparisons
    assert got.jar == "5"
    assert got.diffs_mm == pytest.approx((0.4, -2.0, 0.0))
    assert got.hand_pcts == pytest.approx((40.8, 35.2, 24.0))
    assert got.diffs_points == pytest.approx((0.8, -4.8, 4.0), abs=0.5)  # the photo's are draws
    assert got.hand_class is got.photo_class is TextureClass.LOAM
    assert got.class_changes is False
    assert got.outside == ("silt",)
    assert got.slips == ()


def test_a_class_that_changes_says_what_the_photo_gives_it(tmp_path):
    jar = jar_dict("5")
    jar["by_height"]["class_odds"] = {"loam": 0.7, "clay loam": 0.3}
    compared = compared_of(tmp_path, HEAD + "5,Ana,19,35,50\n", jar)
    [got] = compared.comparisons
    assert got.hand_class is TextureClass.CLAY_LOAM  # 38, 32, 30 %: clay 27 to 40, sand 20 to 45
    assert got.class_changes is True
    assert got.photo_odds == pytest.approx(0.3)
    assert "(the photo gives clay loam 3 in 10)" in compared_text(compared)


def test_marks_that_are_no_composition_have_no_class(tmp_path):
    found = compared_of(tmp_path, HEAD + "5,Ana,20,,50\n5,Ben,20,60,50\n").comparisons
    assert [c.hand_class for c in found] == [None, None]
    assert [c.class_changes for c in found] == [None, None]
    assert found[1].slips[0].name is SlipName.NOT_RISING
    assert all(math.isnan(v) for v in shares_of((0.0, 0.0, 0.0)))


def test_a_jar_without_a_scale_is_compared_in_points_only(tmp_path):
    [got] = compared_of(tmp_path, HEAD + "5,Ana,10,20,50\n", jar_dict(scaled=False)).comparisons
    assert all(map(math.isnan, got.diffs_mm))
    assert got.diffs_points == pytest.approx((-20, -20, 40), abs=0.5)
    assert got.outside == ("sand", "silt", "clay")


def test_what_cannot_be_compared_is_told(tmp_path):
    compared = compared_of(
        tmp_path,
        HEAD + "7,Ana,1,2,3\n99,Ana,1,2,3\n5,Ana,,,\n",
        jar_dict("5"),
        unread_dict("7"),
        jar_dict("8"),
    )
    assert compared.comparisons == ()
    assert [(line, jar) for line, jar, _ in compared.unplaced] == [(2, "7"), (3, "99"), (4, "5")]
    assert compared.unmarked == ("5", "8")
    said = compared_text(compared)
    assert "jar 99 on line 3, since there is no such jar" in said
    assert "Read but not marked: 5, 8." in said


def test_a_readers_bias_is_found_and_slips_are_left_out_of_it(tmp_path):
    rng = np.random.default_rng(0)
    jars, rows = [], []
    for i in range(1, 21):
        jars.append(jar_dict(str(i), pcts=(30.0 + i, 45.0 - i, 25.0)))
        tops = np.cumsum((30.0 + i, 45.0 - i, 25.0)) / 2
        hand = tops + 1.0 + rng.normal(0, 0.7, 3) if i > 1 else np.diff(tops, prepend=0)
        rows.append(f"{i},Ana," + ",".join(f"{x:.2f}" for x in hand))
    compared = compared_of(tmp_path, HEAD + "\n".join(rows), *jars)
    [ana] = compared.readers
    assert ana.slips == 1
    whole = ana.tops_mm[3]
    assert (whole.count, whole.independent) == (57, 19)
    assert whole.bias_range[0] < 1.0 < whole.bias_range[1]
    assert whole.sd == pytest.approx(0.7, rel=0.25)


def test_readers_are_the_same_whatever_their_capitals(tmp_path):
    compared = compared_of(
        tmp_path, HEAD + "5,Ana,20,40,50\n8,ANA,20,40,50\n5,,20,40,50\n", jar_dict(), jar_dict("8")
    )
    assert [(r.reader, len(r.comparisons)) for r in compared.readers] == [("Ana", 2), ("", 1)]


@pytest.mark.parametrize(
    ("value", "want"), [(1.24, "+1.2"), (-1.26, "−1.3"), (-0.04, "0.0"), (NAN, "?"), (0.06, "+0.1")]
)
def test_differences_carry_their_sign(value, want):
    assert signed(value) == want


# ------------------------------------------------------------------------------- what is written

HOSTILE = ("=HYPERLINK(1)", "<script>alert(1)</script>", "\u202egpj.exe", "a" * 255, "💧 ' \" &")


def hostile(tmp_path):
    jars = [jar_dict(f"{i}") | {"jar": name} for i, name in enumerate(HOSTILE)]
    for i, jar in enumerate(jars):
        write_jar(tmp_path, jar, stem=str(i), pictures=False)
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["jar", "reader", "sand_mm", "silt_mm", "clay_mm", "<b>x</b>"])
    writer.writerows([name, name, 20, 40, 50, ""] for name in HOSTILE)
    writer.writerow(["<img src=x>", "", 20, 40, 50, ""])
    return compare_marks(read_jar_folder(tmp_path), parse_marks(text.getvalue()))


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.names, self.ids = [], set(), []

    def handle_starttag(self, tag, attrs):
        self.names.add(tag)
        self.ids += [v for k, v in attrs if k == "id"]
        if tag not in {"meta", "link", "br", "hr", "img"}:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def page_of(compared):
    return render_compared(ComparedPage("class", "marks.csv", compared, {}))


def checked(html):
    parser = Tags()
    parser.feed(html)
    assert parser.open == []
    assert len(parser.ids) == len(set(parser.ids))
    return parser


def test_names_of_strangers_do_no_harm(tmp_path):
    compared = hostile(tmp_path)
    assert len(compared.comparisons) == len(HOSTILE)
    html = page_of(compared)
    assert "img" not in checked(html).names
    assert "alert(1)</script>" not in html
    assert "\u202e" not in html
    for cells in csv.reader(io.StringIO(compared_csv(compared))):
        assert not any(cell.startswith(("=", "@")) for cell in cells)
    assert "\u202e" not in compared_text(compared)


def test_the_table_that_is_written(tmp_path):
    compared = compared_of(tmp_path, HEAD + '5,"Ana, B.",32,18,10\n')
    [row] = csv.DictReader(io.StringIO(compared_csv(compared)))
    assert row["reader"] == "Ana, B."
    assert row["sand_top_hand_mm"] == "32.00"
    assert row["sand_top_diff_mm"] == "12.00"
    assert row["class_hand"] == ""
    assert row["slips"] == "not_rising"
    assert row["slip_notes"].endswith(".")


def test_the_page_has_a_plot_for_each_reader_and_fetches_nothing(tmp_path):
    compared = compared_of(
        tmp_path,
        HEAD + "5,Ana,20,41,50\n8,Ana,21,40,51\n5,Ben,19,39,52\n8,Ben,1.9,4,5\n",
        jar_dict(),
        jar_dict("8"),
    )
    html = page_of(compared)
    assert checked(html).names >= {"svg", "table", "figure"}
    assert html.count('role="img"') == 2
    assert "default-src &#39;none&#39;" in html
    assert "Lancet" in html


def test_a_page_without_anything_to_compare(tmp_path):
    html = page_of(compared_of(tmp_path, HEAD + "99,Ana,1,2,3\n"))
    assert "svg" not in checked(html).names
    assert "there is no such jar" in html


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    return folder(tmp_path_factory.mktemp("sample"), jar_dict("5"))


@pytest.mark.slow
@given(
    st.lists(st.one_of(st.floats(0, 2000), st.just(NAN)), min_size=3, max_size=3),
    st.lists(st.floats(0, 2000), min_size=3, max_size=3),
)
def test_no_marks_break_the_page(sample, first, second):
    rows = [
        ",".join(["5", who, *("" if v != v else f"{v:.3f}" for v in tops)])
        for who, tops in (("a", first), ("b", second))
    ]
    marks = parse_marks(HEAD + "\n".join(rows))
    compared = compare_marks(sample, marks)
    checked(page_of(compared))
    compared_csv(compared)
    compared_text(compared)


# ------------------------------------------------------------------------------- the command


def run(*arguments):
    app = Typer()
    app.callback()(lambda: None)
    cli_class.add_to(app)
    return CliRunner().invoke(app, ["compare", *map(str, arguments)])


def test_the_command_writes_table_and_page_beside_the_readings(tmp_path):
    write_jar(tmp_path, jar_dict("5"), pictures=False)
    (tmp_path / "jar-6.json").write_text(json.dumps({"format": "?"}))
    (tmp_path / "report-5.html").write_text("")
    marks = tmp_path / "m.csv"
    marks.write_bytes(("\ufeff" + HEAD + "5,Ana,20,40,57\n").encode("utf-8"))
    done = run(tmp_path, marks)
    assert done.exit_code == 0, done.output
    assert "Jar 5, read by Ana" in done.output
    assert "Not used: jar-6.json" in done.output
    assert (tmp_path / "compared.csv").read_bytes().startswith(b"jar,reader,line,")
    assert 'href="report-5.html"' in (tmp_path / "compared.html").read_text("utf-8")


def test_the_command_can_write_elsewhere(tmp_path):
    write_jar(tmp_path, jar_dict("5"), pictures=False)
    marks = tmp_path / "m.csv"
    marks.write_text(HEAD + "5,Ana,20,40,50\n")
    before = sorted(p.name for p in tmp_path.iterdir())
    out = tmp_path / "out"
    assert run(tmp_path, marks, "--out", out).exit_code == 0
    assert sorted(p.name for p in out.iterdir()) == ["compared.csv", "compared.html"]
    assert sorted(p.name for p in tmp_path.iterdir() if p != out) == before


def test_jars_are_called_by_their_names_and_our_own_columns_are_no_strangers(tmp_path):
    """A table as `read` writes it of lines on the glass (its heading: suggest_marks)."""
    write_jar(tmp_path, jar_dict("5") | {"name": "Zoë", "bed": "north"}, pictures=False)
    head = "jar,reader,sand_mm,silt_mm,clay_mm,first_sd_mm,second_sd_mm,third_sd_mm,seen_in_photos"
    marks = tmp_path / "marks-from-photos.csv"
    marks.write_text(f"{head}\n5,Ana,20,40,57,0.5,0.5,0.5,1 2 3\n", encoding="utf-8")
    done = run(tmp_path, marks)
    assert done.exit_code == 0
    assert "Jar 5, Zoë, north, read by Ana" in done.output
    assert "not used" not in done.output
    page = (tmp_path / "compared.html").read_text("utf-8")
    assert "Zoë, north" in page
    [row] = csv.DictReader(io.StringIO((tmp_path / "compared.csv").read_text("utf-8")))
    assert row["called"] == "Zoë, north"
