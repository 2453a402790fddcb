"""Pages from a folder: whole, the same each time, with nothing in them that does not belong."""

import base64
import io
import json
import os
import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from PIL import Image
from report_samples import jar_dict, picture, unread_dict, weight_dict, write_jar
from sand_record import FINE, record

from jarvision.core.errors import UsageError
from jarvision.core.files import WriteError
from jarvision.core.tables import TableError
from jarvision.core.units import UnitSystem
from jarvision.pages.pictures import load_picture
from jarvision.pages.write import write_report
from jarvision.results.cache import keep_run
from jarvision.results.codec import json_of
from jarvision.wall.measurement import GrainBand, SandGrain

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "javascript:alert(1)",
    '=HYPERLINK("http://x")',
    "../../etc/passwd",
    "a\nb\r\nc",
    "\u202egnp.exe",
    "\ud83e\udd55 Möhre &amp; Kürbis",
    "x" * 255,
    "</title></style></svg><script>",
    "\x1b[31mred\x00",
)


class Page(HTMLParser):
    """A page as the standard library reads it."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.words = [], ""
        self.feed(text)
        self.close()

    def handle_starttag(self, name, attributes):
        self.tags.append((name, dict(attributes)))

    def handle_data(self, data):
        self.words += data

    def all(self, name):
        return [attributes for tag, attributes in self.tags if tag == name]


def report(folder, **options):
    options = {"units": UnitSystem.METRIC, **options}
    return write_report(folder, **options)


def page(folder, name="report.html"):
    return Page((folder / name).read_text(encoding="utf-8"))


@pytest.fixture
def folder(tmp_path):
    write_jar(tmp_path, jar_dict("5", by_weight=weight_dict()))
    doubt = [{"name": "dim", "sentence": "The photo is dark."}]
    write_jar(tmp_path, jar_dict("12", pcts=(60.0, 25.0, 15.0), doubts=doubt))
    write_jar(tmp_path, unread_dict("7"))
    return tmp_path


# ----------------------------------------------------------------------------------- what is there


def test_a_page_for_each_jar_and_one_for_all(folder):
    written = report(folder)
    names = [path.name for path in written]
    assert names == [
        *("report-5.html", "report-7.html", "report-12.html"),
        "howto.html",
        "report.html",
    ]
    assert all(path.read_text(encoding="utf-8").endswith("</html>\n") for path in written)
    assert not list(folder.glob(".jarvision-*"))


def test_the_same_folder_gives_the_same_bytes(folder):
    first = {path.name: path.read_bytes() for path in report(folder)}
    assert first == {path.name: path.read_bytes() for path in report(folder)}


@pytest.mark.parametrize("changed", ["nothing", "result", "overlay", "beds", "page"])
def test_only_pages_whose_jar_changed_are_written_again(folder, changed):
    report(folder)
    others = [folder / "report-7.html", folder / "report-12.html"]
    path = folder / "report-5.html"
    before = path.read_bytes()
    for one in (path, *others):
        os.utime(one, (1e9, 1e9))
    match changed:
        case "result":
            write_jar(folder, jar_dict("5", pcts=(50.0, 30.0, 20.0), by_weight=weight_dict()))
        case "overlay":
            next(folder.glob("overlay-5-*.jpg")).write_bytes(picture((310, 400)))
        case "beds":
            (folder / "beds.csv").write_text("jar,bed\n5,under the pear\n", encoding="utf-8")
        case "page":
            path.write_bytes(before.replace(b"<h1", b"<h1 hidden", 1))
            os.utime(path, (1e9, 1e9))
    report(folder)
    assert (path.stat().st_mtime == 1e9) == (changed == "nothing")
    assert all(one.stat().st_mtime == 1e9 for one in others)
    if changed == "page":
        assert path.read_bytes() == before


@pytest.mark.parametrize("changed", ["nothing", "run", "a jar gone", "a page gone", "units"])
def test_all_pages_stay_where_nothing_changed(folder, changed):
    whole = report(folder)[-1]
    before = whole.read_bytes()
    os.utime(whole, (1e9, 1e9))
    match changed:
        case "run":
            keep_run(folder, ["jar-5.json"], refused=[("a.jpg", "It is empty.")])
        case "a jar gone":
            (folder / "jar-7.json").unlink()
        case "a page gone":
            (folder / "report-7.html").unlink()
    written = report(folder, units=UnitSystem.US if changed == "units" else UnitSystem.METRIC)
    assert all(path.is_file() for path in written)
    assert (whole.stat().st_mtime == 1e9) == (changed == "nothing")
    assert (whole.read_bytes() == before) == (changed in {"nothing", "a page gone"})


def test_a_jars_page_holds_every_part(folder):
    report(folder)
    made = page(folder, "report-5.html")
    ids = {a.get("id") for _, a in made.tags}
    assert {"doubts", "read", "triangle", "first", "cautions", "sure", "photos", "guide"} <= ids
    assert {"guide-water", "guide-crops", "guide-cautions"} <= ids
    assert {"layers-title", "odds-weight-title", "odds-height-title", "tri-title"} <= ids
    assert {"settling-title", "water-bar-title", "pores-title"} <= ids
    assert len(made.all("img")) == 3
    assert "By weight, estimated: 9 in 10." in made.words
    assert "On the glass, by height: loam." in made.words
    assert "The water had cleared." in made.words
    assert "Raw manure carries germs" in made.words


def test_the_test_and_all_sources_stand_once_on_their_own_page(folder):
    report(folder)
    made = page(folder, "howto.html")
    ids = {a.get("id") for _, a in made.tags}
    assert {"howto", "howto-dig", "howto-photos", "cautions", "sources"} <= ids
    assert "holds fine silica" in made.words
    listed = set(re.findall(r"<li><b>([A-Z]\d+)</b>", (folder / "howto.html").read_text("utf-8")))
    for name in ("report.html", "report-5.html", "report-12.html"):
        marks = re.findall(r"\[([A-Z]\d+(?:, [A-Z]\d+)*)\]", page(folder, name).words)
        named = {one for mark in marks for one in mark.split(", ")} - {"P1"}  # the note's example
        assert named
        assert named <= listed


def sand_page(folder, jar):
    write_jar(folder, json.loads(json_of(jar)), pictures=False)
    report(folder)
    return page(folder, "report-5.html")


def test_how_coarse_the_sand_is_stands_in_details_of_its_own(tmp_path):
    made = sand_page(tmp_path, record(FINE, stones=2, stones_share=0.01))
    ids = [a.get("id") for _, a in made.tags]
    assert {"sand", "sand-curve-title", "grains-title"} <= set(ids)
    assert "guide-sand" not in ids  # what it means stands beside it, and once
    assert made.words.count("of 8 (1 blows most)") == 1
    assert "Plants can draw on" in made.words
    assert "2 stones over 2 mm lie at the glass" in made.words
    assert "tried on drawn sands and not yet on real ones" in made.words


@pytest.mark.parametrize("why", ["The photo is too small.", *HOSTILE])
def test_why_the_sand_was_not_told_is_said_in_the_details(tmp_path, why):
    made = sand_page(tmp_path, record(None, grain=SandGrain("0.jpg", why_not=why)))
    assert "How coarse the sand is was not told." in made.words
    assert "sand" not in {a.get("id") for _, a in made.tags}
    assert len(made.all("script")) == len(made.all("img")) == 0


@pytest.mark.parametrize("name", HOSTILE)
def test_the_name_of_the_sand_s_photo_is_text(tmp_path, name):
    made = sand_page(tmp_path, record(FINE, photo=name))
    assert "Read from how the grains look in" in made.words
    assert len(made.all("script")) == len(made.all("img")) == 0


def test_a_bound_is_shown_without_a_curve(tmp_path):
    bands = tuple(GrainBand(i, i + 2, finer_than_mm=0.15) for i in (0, 2, 4))
    made = sand_page(tmp_path, record(None, grain=SandGrain("0.jpg", bands)))
    ids = {a.get("id") for _, a in made.tags}
    assert "grains-title" in ids
    assert "sand-curve-title" not in ids
    assert "Sand: finer than 0.15 mm on average." in made.words


def test_of_sand_that_was_not_looked_at_nothing_is_said(folder, tmp_path):
    report(folder)
    assert "coarse the sand" not in page(folder, "report-5.html").words


def test_an_unread_jars_page_says_why(folder):
    report(folder)
    made = page(folder, "report-7.html")
    assert "No top of a deposit was found." in made.words
    assert "Left out IMG_1.HEIC: This photo is too soft." in made.words
    assert not made.all("table")


def test_a_calm_jar_raises_no_doubts(tmp_path):
    write_jar(tmp_path, jar_dict("1"))
    report(tmp_path)
    assert "Nothing unusual" in page(tmp_path, "report-1.html").words
    assert "1 jar: 1 read, nothing unusual." in page(tmp_path).words


def test_what_every_jar_carries_is_no_warning(tmp_path):
    usual = [{"name": "water_state_unknown", "sentence": "Mostly assumption."}]
    for n in range(1, 5):
        weight = weight_dict(doubts=usual, prior_note="Mostly assumption.")
        cloudy = [{"name": "still_settling", "sentence": f"Jar {n} was cloudy."}]
        own = [{"name": "dim", "sentence": "Jar 3 is dark."}] if n == 3 else []
        write_jar(tmp_path, jar_dict(str(n), by_weight=weight, doubts=[*own, *cloudy]))
    report(tmp_path)
    first, _, rest = (
        page(tmp_path).words.partition("All jars of")[0].partition("Jars to check first")
    )
    assert "Jar 3: Jar 3 is dark." in first
    assert "cloudy" not in first
    assert "4 of 4 jars: water still cloudy." in rest
    assert "4 jars: 4 read, 1 to check." in first
    assert "Mostly assumption" not in first
    own_page = page(tmp_path, "report-1.html").words
    assert own_page.index("Jar 1 was cloudy.") < own_page.index("How sure this is")
    assert own_page.index("How sure this is") < own_page.index("Mostly assumption.")


def test_the_folders_page_shows_doubts_before_anything_else(folder):
    report(folder)
    words = page(folder).words
    first = words.index("The photo is dark.")
    assert (
        words.index("No top of a deposit was found.") < first < words.index("Jars to check first")
    )
    assert "3 jars: 2 read, 1 not read, 1 to check." in words


def test_both_ways_stand_side_by_side_and_none_is_made_up(folder):
    report(folder)
    made = (folder / "report.html").read_text(encoding="utf-8")
    rows = re.findall(r"<tr><th scope=\"row\".*?</tr>", made)
    twelve = next(row for row in rows if "Jar 12" in row)
    assert "not known" in twelve  # no result by weight
    assert "loam" in twelve  # the one by height
    assert 'data-label="Sand"' not in twelve


# ------------------------------------------------------------------------------ names and old runs


def rows_of(folder):
    """The large table's rows: for each jar its cells' words by column, and their ranks."""
    made = (folder / "report.html").read_text(encoding="utf-8")
    heads = [Page(h).words for h in re.findall(r"<th scope=\"col\".*?</th>", made)]
    rows = {}
    for row in re.findall(r"<tr><th scope=\"row\".*?</tr>", made.partition("</tbody>")[0]):
        cells = re.findall(r"<t[hd][ >].*?</t[hd]>", row)
        ranks = [Page(cell).tags[0][1].get("data-rank") for cell in cells]
        words = [Page(cell).words for cell in cells]
        rows[words[0]] = dict(zip(heads, zip(words, ranks, strict=True), strict=False))
    return rows


def test_names_and_beds_of_the_list_of_jars_are_shown(tmp_path):
    write_jar(tmp_path, jar_dict("5", name="Zoë", bed="north bed"))
    write_jar(tmp_path, jar_dict("9", name="Anna 10", bed="3"))
    write_jar(tmp_path, jar_dict("10", name="anna 9"))
    write_jar(tmp_path, unread_dict("7") | {"name": "Ben"})
    write_jar(tmp_path, jar_dict("12"))
    report(tmp_path)
    rows = rows_of(tmp_path)
    assert [rows[f"Jar {n}"]["Name"][0] for n in (5, 9, 10, 7, 12)] == [
        "Zoë", "Anna 10", "anna 9", "Ben", "",
    ]  # fmt: skip
    order = sorted(rows, key=lambda jar: float(rows[jar]["Name"][1]))
    assert order == ["Jar 10", "Jar 9", "Jar 7", "Jar 5", "Jar 12"]  # 9 before 10, none last
    assert rows["Jar 5"]["Bed"][0] == "north bed"
    words = page(tmp_path).words
    assert "Jar 7, Ben was not read: " in words
    assert re.search(r"Jar 5\s*Zoë, north bed", words)  # on its card
    assert re.search(r"Jar 9\s*Anna 10, bed 3", words)
    own = page(tmp_path, "report-5.html").words
    assert "Jar 5, Zoë" in own.partition("loam")[0]
    assert "Bednorth bed" in own
    assert "Jar 7, Ben" in page(tmp_path, "report-7.html").words


def test_without_names_there_is_no_column_for_them(folder):
    report(folder)
    assert not {"Name", "Bed"} & set(rows_of(folder)["Jar 5"])


def test_a_name_that_says_no_more_than_the_jar_s_number_is_not_repeated(tmp_path):
    write_jar(tmp_path, jar_dict("5", name="jar 5"))
    write_jar(tmp_path, jar_dict("Anna", name="Anna"))
    report(tmp_path)
    assert "Name" not in rows_of(tmp_path)["Jar 5"]


def test_the_list_of_beds_goes_before_the_list_of_jars(tmp_path):
    write_jar(tmp_path, jar_dict("5", bed="front"))
    write_jar(tmp_path, jar_dict("9", bed="back"))
    write_jar(tmp_path, jar_dict("12", bed="side"))
    (tmp_path / "beds.csv").write_text("jar,bed,om\n5,North,\n9,,4\n")
    report(tmp_path)
    rows = rows_of(tmp_path)
    assert [rows[f"Jar {n}"]["Bed"][0] for n in (5, 9, 12)] == ["North", "back", "side"]
    assert "4 %" in page(tmp_path, "report-9.html").words


def test_jars_of_one_bed_without_days_are_no_course_of_time(tmp_path):
    for name, sand in (("5", 30.0), ("9", 60.0), ("10", 31.0)):
        write_jar(tmp_path, jar_dict(name, bed="North", pcts=(sand, 80 - sand, 20.0)))
    write_jar(tmp_path, jar_dict("12", bed="South"))
    report(tmp_path)
    words = page(tmp_path).words
    assert "North: 3 jars" in words
    assert "Jar 5 to Jar 9: sand from 30 to 60 %" in words
    assert "Jar 5 to Jar 10: no change" in words
    assert "over time" not in words
    assert "or all where their days of digging are not known" in words
    beds = words.partition("What each bed holds")[2]
    assert beds.index("NorthJar 5") < beds.index("NorthJar 9") < beds.index("SouthJar 12")


def test_results_of_an_earlier_run_are_marked(folder):
    keep_run(folder, ["jar-5.json"])
    report(folder)
    words = page(folder).words
    assert "3 jars: 2 read, 1 not read, 1 to check; 2 from an earlier run." in words
    assert "not in readings.csv: Jar 7, Jar 12. Delete a jar's file, such as jar-7.json," in words
    marked = {row for row in rows_of(folder) if "earlier run" in row}
    assert marked == {"Jar 7earlier run", "Jar 12earlier run"}
    assert "From an earlier run" in page(folder, "report-12.html").words
    assert "From an earlier run" not in page(folder, "report-5.html").words


@pytest.mark.parametrize("run", [None, ["jar-5.json", "jar-7.json", "jar-12.json"]])
def test_nothing_is_marked_without_need(folder, run):
    if run:
        keep_run(folder, run)
    for path in report(folder):
        assert "earlier run" not in Page(path.read_text(encoding="utf-8")).words


def test_many_jars_of_an_earlier_run_are_counted(tmp_path):
    for number in range(1, 15):
        write_jar(tmp_path, jar_dict(str(number)), pictures=False)
    keep_run(tmp_path, [])
    report(tmp_path)
    assert "Jar 8 and 6 more, marked in the table. Delete" in page(tmp_path).words


def test_bad_files_are_told_and_stop_nothing(folder):
    (folder / "jar-bad.json").write_text("{")
    told = []
    report(folder, on_refused=lambda name, sentence: told.append((name, sentence)))
    assert [name for name, _ in told] == ["jar-bad.json"]
    assert "jar-bad.json was not used" in page(folder).words


def test_files_that_were_no_photos_are_named(folder):
    keep_run(folder, ["jar-5.json"], refused=[("<b>.jpg", "It is no photo.\u202e")])
    report(folder)
    words = page(folder).words
    assert "<b>.jpg was not used: It is no photo." in words
    assert "\u202e" not in words


@pytest.mark.parametrize("refused", ["x", [1], [["a"]], {"a": 1}, [["n" * 999, "s" * 9999]] * 999])
def test_a_strange_list_of_files_breaks_nothing(folder, refused):
    (folder / "photos.json").write_text(
        json.dumps({"format": "jarvision photos", "refused": refused})
    )
    report(folder)
    assert len(page(folder).words) < 200_000


def test_two_files_of_one_name_share_no_page(tmp_path):
    write_jar(tmp_path, jar_dict("5"), stem="a")
    write_jar(tmp_path, jar_dict("5"), stem="b")
    assert [p.name for p in report(tmp_path)] == [
        *("report-a.html", "report-b.html"),
        "howto.html",
        "report.html",
    ]


def test_nothing_to_report(tmp_path):
    with pytest.raises(UsageError, match="run jarvision read first"):
        report(tmp_path)


def test_unknown_crop_suggests_the_nearest(folder):
    with pytest.raises(UsageError, match="carrot"):
        report(folder, crops=["carot"])


def test_a_page_that_cannot_be_written_is_one_sentence(folder):
    (folder / "report-5.html").mkdir()
    with pytest.raises(WriteError, match=r"report-5\.html could not be written"):
        report(folder)


# ------------------------------------------------------------------------------------------- units


def test_metric_and_us_units_are_never_mixed(folder):
    """Every statement and table cell of a page keeps to one system of units."""
    metric = r"\d ?(mm|cm|m²|kg|litres|°C)\b"
    us = r"\d ?(in(?! \d)|ft|sq ft|lb|gallons|°F)\b"  # but "9 in 10" are odds
    for system, wrong in ((UnitSystem.METRIC, us), (UnitSystem.US, metric)):
        report(folder, units=system)
        made = (folder / "report-5.html").read_text(encoding="utf-8")
        made = made.partition('id="sources"')[0]  # names of sources quote their own units
        cells = re.findall(r"<(?:td|li|figcaption|text|dd)[^>]*>(.*?)</", made)
        assert len(cells) > 150
        assert not [cell for cell in cells if re.search(wrong, cell)], system


def test_heights_in_inches_are_the_millimetres_over_25_4(folder):
    report(folder, units=UnitSystem.US)
    # 20, 40 and 50 mm (report_samples) are 25.2, 50.4 and 63.0 of a tape's 32nds of an inch; 0.5 mm
    # is one sd, and 1.6449 sd to each side hold 90 % of a normal distribution: 1.04 of them.
    words = page(folder, "report-5.html").words.replace("\u00a0", " ")
    for height in ("25/32 (3/4–13/16)", "1 9/16 (1 17/32–1 19/32)", "1 31/32 (1 15/16–2)"):
        assert f"{height} in" in words


def test_units_follow_the_list_of_beds(folder):
    (folder / "beds.csv").write_text("jar,area\n5,100 sqft\n12,50 sqft\n7,9 m2\n")
    report(folder, units=None)
    assert "100 sq ft" in page(folder, "report-5.html").words
    (folder / "beds.csv").unlink()
    report(folder, units=None)
    assert "over 10 m²" in page(folder, "report-5.html").words


def test_without_a_scale_there_are_no_millimetres(tmp_path):
    write_jar(tmp_path, jar_dict("1", scaled=False))
    report(tmp_path)
    made = page(tmp_path, "report-1.html")
    assert "Top above the floor" not in made.words
    assert "no scale" in made.all("img")[0]["alt"]
    assert not any(re.search(r"\d mm", image["alt"]) for image in made.all("img"))


# -------------------------------------------------------------------------------------------- beds


def test_beds_are_joined_compared_and_followed_over_time(folder):
    (folder / "beds.csv").write_text(
        "jar;bed;depth;dug;area;om;notes;colour\n"
        "12;North bed;0-15 cm;2024-05-01;9 m2;;;\n"
        "05;north  bed;0-15 cm;2026-05-01;9 m2;3,5;under the pear;\n"
        "99;South;;;;;;\n"
    )
    report(folder)
    words = page(folder).words
    assert "North bed over time" in words
    assert "Jar 12 (2024-05-01) to Jar 5 (2026-05-01): sand from 60 to 40 %" in words
    assert "Line 4 of the list of beds names the jar 99" in words
    assert "not used: colour" in words
    jar = page(folder, "report-5.html").words
    assert "under the pear" in jar
    assert "Organic matter is 3.5 % of the dry mass, as given." in jar
    assert "over 9 m²" in jar


def test_readings_are_compared_the_same_way(folder):
    """Jar 5 has a result by weight and jar 12 none: both are compared by height (60 and 40)."""
    (folder / "beds.csv").write_text("jar,bed,dug\n12,N,2024\n5,N,2026\n")
    report(folder)
    assert "sand from 60 to 40 %" in page(folder).words


def test_a_list_of_beds_that_cannot_be_understood_stops_with_its_line(folder):
    (folder / "beds.csv").write_text("jar,area\n5,9\n")
    with pytest.raises(TableError, match=r"Line 2 of beds\.csv"):
        report(folder)
    assert not list(folder.glob("report*.html"))


def test_another_list_can_be_named(folder, tmp_path_factory):
    other = tmp_path_factory.mktemp("other") / "mine.toml"
    other.write_text('[[bed]]\njar = 5\nbed = "West"\n')
    report(folder, beds_path=other)
    assert "West" in page(folder, "report-5.html").words


# ----------------------------------------------------------------------------------- nothing else


def test_pages_fetch_nothing_and_run_nothing_foreign(folder):
    """Content Security Policy Level 3 (W3C): only hashes, only data: pictures."""
    for path in report(folder):
        made = Page(path.read_text(encoding="utf-8"))
        policy = next(a["content"] for a in made.all("meta") if "http-equiv" in a)
        assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
        assert "unsafe" not in policy
        assert len(made.all("script")) == (path.name == "report.html")
        addresses = [a[k] for _, a in made.tags for k in ("src", "href") if k in a]
        assert all(re.match(r"data:|#|report[-.]|howto[.]html", address) for address in addresses)
        assert not [a for _, a in made.tags if any(k.startswith("on") or k == "style" for k in a)]


def test_pages_are_fit_for_a_screen_reader(folder):
    for path in report(folder):
        made = Page(path.read_text(encoding="utf-8"))
        assert made.all("html")[0]["lang"] == "en"
        assert all(image["alt"].strip() for image in made.all("img"))
        assert all(drawing["aria-labelledby"] for drawing in made.all("svg"))
        ids = [a["id"] for _, a in made.tags if "id" in a]
        assert len(ids) == len(set(ids))
        named = {k for _, a in made.tags for k in (a.get("aria-labelledby") or "").split()}
        anchors = {a["href"][1:] for a in made.all("a") if a["href"].startswith("#")}
        assert named | anchors <= set(ids)
        levels = [int(name[1]) for name, _ in made.tags if re.fullmatch("h[1-6]", name)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(b - a <= 1 for a, b in pairwise(levels))


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_names_are_text_everywhere(tmp_path, name):
    clean = name.encode("utf-8", "replace").decode()
    doubts = [{"name": name, "sentence": name}]
    data = jar_dict(name, doubts=doubts, left_out=[{"photo": name, "sentence": name}])
    data |= {"made_by": name[:80], "by_weight": weight_dict(why=name, prior_note=name)}
    data |= {"name": f"own {name}", "bed": name}
    for photo in data["photos"]:
        photo |= {"name": name, "overlay": "overlay-x.jpg"}
    write_jar(tmp_path, data, stem="x")
    keep_run(tmp_path, [name])
    cell = '"' + clean.replace('"', '""').replace("\0", "") + '"'
    (tmp_path / "beds.csv").write_text(
        f"jar,bed,notes,{cell}\n{cell},{cell},{cell},1\nother,{cell},,\n", encoding="utf-8"
    )
    for path in report(tmp_path):
        text = path.read_text(encoding="utf-8")
        made = Page(text)
        is_test = path.name == "howto.html"
        assert is_test or "own " in made.words
        assert is_test or "earlier run" in made.words
        assert len(made.all("script")) == (path.name == "report.html")
        assert len(made.all("img")) == {"report.html": 1, "howto.html": 0}.get(path.name, 3)
        assert not [a for _, a in made.tags if any(k.startswith("on") for k in a)]
        assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x1b]", text)
        targets = [a["href"] for a in made.all("a") if not a["href"].startswith("#")]
        known = {"report.html", "report-x.html", "howto.html", "howto.html#sources"}
        assert set(targets) <= known


def test_strange_file_names_still_lead_to_their_pages(tmp_path):
    stem = "a b#c?d%20&é"
    write_jar(tmp_path, jar_dict("5"), stem=stem)
    report(tmp_path)
    from urllib.parse import unquote

    raw = {a["href"] for a in page(tmp_path).all("a") if a["href"][0] != "#"}
    targets = {unquote(address.partition("#")[0]) for address in raw}
    assert len(targets) == 2
    assert all((tmp_path / target).is_file() for target in targets)


# ---------------------------------------------------------------------------------------- pictures


def exif_with_place():
    """Exif 2.32: tag 0x8825 points to the GPS block, 0x0110 is the device's model."""
    exif = Image.Exif()
    exif[0x0110] = "Some Phone"
    exif.get_ifd(0x8825)[2] = (47.0, 1.0, 2.0)
    return exif


def test_pictures_carry_no_place_and_no_device(tmp_path):
    write_jar(tmp_path, jar_dict("5"))
    for overlay in tmp_path.glob("overlay-*.jpg"):
        overlay.write_bytes(picture(exif=exif_with_place()))
    loaded = load_picture(next(tmp_path.glob("overlay-*.jpg")), 400)
    raw = base64.b64decode(loaded.uri.split(",")[1])
    assert b"Exif" not in raw
    assert b"Some Phone" not in raw
    assert Image.open(io.BytesIO(raw)).size == (300, 400)


def test_pictures_are_made_small(tmp_path):
    path = tmp_path / "overlay.jpg"
    path.write_bytes(picture((1500, 2000)))
    whole, small = load_picture(path, 1100), load_picture(path, 420)
    assert whole.width_px / whole.height_px == pytest.approx(0.75, abs=0.005)
    assert 0.9 * 1100 <= whole.height_px <= 1100
    assert 0.9 * 420 <= small.height_px <= 420


def test_a_small_picture_is_taken_as_it_is_without_what_is_hidden_in_or_behind_it(tmp_path):
    """Segments and end mark: ISO/IEC 10918-1, B.1.1; a comment is FE, a thumbnail lies in JFXX."""
    plain = picture((900, 1200))
    secret = b"12 Elm Street"
    extra = [
        plain + secret,
        b"\xff\xd8" + b"\xff\xfe" + (len(secret) + 2).to_bytes(2, "big") + secret + plain[2:],
        plain[:20] + b"\xff\xe0" + (len(secret) + 7).to_bytes(2, "big") + b"JFXX\0" + secret
        + plain[20:],
    ]  # fmt: skip
    path = tmp_path / "overlay.jpg"
    for raw in (plain, *extra):
        path.write_bytes(raw)
        held = base64.b64decode(load_picture(path, 1100).uri.split(",")[1])
        assert secret not in held
        with Image.open(io.BytesIO(held)) as now, Image.open(io.BytesIO(plain)) as then:
            if raw[: len(plain)] == plain:
                assert held == plain
            assert now.width / now.height == pytest.approx(then.width / then.height, abs=0.005)


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"GIF89a",
        b"\xff\xd8\xff\xe0" + b"0" * 99,
        picture()[:200],
        picture(fmt="GIF"),
        b"<svg/>",
    ],
)
def test_what_is_no_picture_is_left_out(tmp_path, raw):
    write_jar(tmp_path, jar_dict("5"))
    for overlay in tmp_path.glob("overlay-*.jpg"):
        overlay.write_bytes(raw)
    report(tmp_path)
    assert not page(tmp_path, "report-5.html").all("img")


def test_a_bomb_of_a_picture_is_left_out(tmp_path):
    path = tmp_path / "overlay.png"
    Image.new("1", (20_000, 20_000)).save(path)
    assert load_picture(path, 400) is None


def test_missing_pictures_are_left_out(tmp_path):
    write_jar(tmp_path, jar_dict("5"), pictures=False)
    report(tmp_path)
    assert "no picture" in page(tmp_path).words


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links on this system")
def test_links_out_of_the_folder_are_not_followed(tmp_path):
    secret = tmp_path / "secret.jpg"
    secret.write_bytes(picture())
    inside = tmp_path / "in"
    inside.mkdir()
    write_jar(inside, jar_dict("5"), pictures=False)
    for photo in json.loads((inside / "jar-5.json").read_text())["photos"]:
        (inside / photo["overlay"]).symlink_to(secret)
    report(inside)
    assert not page(inside, "report-5.html").all("img")


def test_a_link_in_a_pages_place_is_replaced_not_followed(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "kept.txt"
    outside.write_text("kept")
    (folder / "report.html").symlink_to(outside)
    report(folder)
    assert outside.read_text() == "kept"
    assert not (folder / "report.html").is_symlink()


def test_a_jar_page_has_one_estimate_of_a_soil(tmp_path):
    """What is printed may lie off the mean of the draws, where another class is named."""
    weighed = weight_dict((34.0, 35.0, 31.0), 4.0)
    for layer, value, lo, hi in (("sand", 30, 22, 41), ("silt", 36, 28, 44), ("clay", 34, 25, 41)):
        weighed[f"{layer}_pct"] |= {"value": float(value), "lo": float(lo), "hi": float(hi)}
    weighed["class_odds"] = {"clay loam": 0.9, "loam": 0.1}
    write_jar(tmp_path, jar_dict(by_weight=weighed))
    report(tmp_path)
    words = page(tmp_path, "report-5.html").words
    assert "sand 30 (22–41) %, silt 36 (28–44) %, clay 34 (25–41) %" in words
    assert "from 34 to 20 % clay" in words


def test_side_by_side_says_the_ranges_of_the_jar_page(tmp_path):
    """Of limits that no standard deviation would give."""
    data = jar_dict("5")
    limits = {"sand": (40, 33, 42), "silt": (40, 37, 49), "clay": (20, 12, 23)}
    for layer, (value, lo, hi) in limits.items():
        data["by_height"][f"{layer}_pct"] = {"value": value, "sd": 2.0, "lo": lo, "hi": hi}
    write_jar(tmp_path, data)
    report(tmp_path)
    for name in ("report.html", "report-5.html"):
        words = page(tmp_path, name).words
        assert [
            said for said in ("40 (33–42) %", "40 (37–49) %", "20 (12–23) %") if said not in words
        ] == []
