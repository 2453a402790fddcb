"""The printed sheets, as an independent renderer (PDFium) puts them on paper."""

import math
import subprocess
import sys
from functools import cache

import cv2
import numpy as np
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import ROOT

from jarvision.core.errors import JarError, UsageError
from jarvision.core.files import WriteError
from jarvision.jar import strip_sheet as strips
from jarvision.jar.strip_names import parse_jars, printable_name, read_names
from jarvision.jar.strip_spec import USUAL_LENGTH_MM, strip_spec

DPI = 600
PX_PER_MM = DPI / 25.4
CLOSE_MM = 0.05  # The sheet's promise: a sixth of a millimetre's tick.
SHEETS = ROOT / "calibration"


def render(pdf, page=0, dpi=DPI):
    document = pypdfium2.PdfDocument(pdf)
    grey = document[page].render(scale=dpi / 72, grayscale=True).to_numpy()
    return np.ascontiguousarray(grey.reshape(grey.shape[:2]))


@cache
def sheet(paper, length_mm):
    names = {1: "Rosa", 3: "花子", 14: "Λουκάς"}
    return strips.make_strips_pdf([1, 3, 14, 117], paper=paper, length_mm=length_mm, names=names)


@cache
def page_600(paper, length_mm):
    return render(sheet(paper, length_mm))


def find_tags(grey):
    """Every tag's four corners [px], found by OpenCV at a third of the resolution."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    detector = cv2.aruco.ArucoDetector(family, cv2.aruco.DetectorParameters())
    small = cv2.resize(grey, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    corners, ids, _ = detector.detectMarkers(small)
    return {int(i): 3 * c[0] + 1 for i, c in zip(ids.ravel(), corners, strict=True)}


def dark_runs(line):
    """Start and end [px] of the dark stretches along a line of pixels, between pixels by grey."""
    dark = np.r_[0.0, 1 - line / 255.0, 0.0]
    low, high = dark[:-1], dark[1:]
    rising, falling = (
        np.flatnonzero(c) for c in ((low < 0.5) & (high >= 0.5), (low >= 0.5) & (high < 0.5))
    )
    crossing = lambda i: i + (0.5 - low[i]) / (high[i] - low[i]) - 0.5  # noqa: E731
    return np.column_stack([crossing(rising), crossing(falling)])


def square_edges_mm(grey, corners):
    """Left, right, top, bottom [mm] of a tag's black square, from lines inside its dark border."""
    inside_px = 1.0 * PX_PER_MM  # The border is 2 mm wide: half way in.
    left, top = corners.min(axis=0)
    reach = slice(int(left - 1.5 * PX_PER_MM), int(left + 17.5 * PX_PER_MM))
    across = dark_runs(grey[int(top + inside_px), reach])
    reach_down = slice(int(top - 1.5 * PX_PER_MM), int(top + 17.5 * PX_PER_MM))
    down = dark_runs(grey[reach_down, int(left + inside_px)])
    assert len(across) == len(down) == 1
    return np.r_[across[0] + reach.start, down[0] + reach_down.start] / PX_PER_MM


@pytest.mark.parametrize(("paper", "length_mm"), [("letter", 150.0), ("a4", 120.0)])
def test_every_tag_is_there_and_true(paper, length_mm):
    grey = page_600(paper, length_mm)
    tags = find_tags(grey)
    count = {150.0: 5, 120.0: 4}[length_mm]
    assert sorted(tags) == [5 * (jar - 1) + k for jar in (1, 3, 14, 117) for k in range(count)]
    for jar in (1, 3, 14, 117):
        edges = np.array([square_edges_mm(grey, tags[5 * (jar - 1) + k]) for k in range(count)])
        left, right, top, bottom = edges.T
        np.testing.assert_allclose([right - left, bottom - top], 16.0, rtol=0, atol=CLOSE_MM)
        np.testing.assert_allclose(left, left[0], rtol=0, atol=CLOSE_MM)
        centres = (top + bottom) / 2
        np.testing.assert_allclose(
            centres[0] - centres, 30.0 * np.arange(count), rtol=0, atol=CLOSE_MM
        )


def strip_frame_mm(paper, length_mm, jar):
    """The strip's own zero on the page [mm]: its left edge and its bottom edge, from tag 0."""
    grey = page_600(paper, length_mm)
    left, _, _, bottom = square_edges_mm(grey, find_tags(grey)[5 * (jar - 1)])
    return left - 2.0, bottom + 7.0


@pytest.mark.parametrize(("paper", "length_mm"), [("letter", 150.0), ("a4", 120.0)])
def test_ruler_agrees_with_the_tags(paper, length_mm):
    grey = page_600(paper, length_mm)
    left_mm, zero_mm = strip_frame_mm(paper, length_mm, 3)
    rows = slice(int((zero_mm - length_mm + 0.5) * PX_PER_MM), int((zero_mm - 0.5) * PX_PER_MM))

    def tick_heights_mm(from_right_mm):
        column = grey[rows, round((left_mm + 26 - from_right_mm) * PX_PER_MM)]
        return np.sort(zero_mm - (dark_runs(column).mean(axis=1) + rows.start) / PX_PER_MM)

    # 2.0, 3.2 and 4.7 mm in: just short of where the ticks of 2.2, 3.5 and 5.0 mm end.
    for from_right_mm, step in ((2.0, 1), (3.2, 5), (4.7, 10)):
        wanted = np.arange(step, int(length_mm), step)
        found = tick_heights_mm(from_right_mm)
        if from_right_mm > 2.2:  # Here the numbers stand between the ticks.
            found = np.array([found[np.abs(found - mm).argmin()] for mm in wanted])
        np.testing.assert_allclose(found, wanted, rtol=0, atol=CLOSE_MM)


def test_ticks_end_where_they_should():
    grey = page_600("letter", 150.0)
    left_mm, zero_mm = strip_frame_mm("letter", 150.0, 117)
    for z_mm, tick_mm in ((47, 2.2), (45, 3.5), (50, 5.0)):
        row = grey[round((zero_mm - z_mm) * PX_PER_MM)]
        reach = slice(int((left_mm + 19) * PX_PER_MM), int((left_mm + 26) * PX_PER_MM))
        start_px = dark_runs(row[reach])[0, 0] + reach.start
        assert left_mm + 26 - start_px / PX_PER_MM == pytest.approx(tick_mm, abs=CLOSE_MM)


@pytest.mark.parametrize(("paper", "length_mm"), [("letter", 150.0), ("a4", 120.0)])
def test_cut_lines_bound_the_strip(paper, length_mm):
    grey = page_600(paper, length_mm).astype(float)
    left_mm, zero_mm = strip_frame_mm(paper, length_mm, 1)
    column = 255 - grey[:, round((left_mm - 2) * PX_PER_MM)]  # Left of the first strip.
    lines_px = dark_runs(255 - np.clip(3 * column, 0, 255)).mean(axis=1)
    lines_mm = lines_px[lines_px > 100 * PX_PER_MM] / PX_PER_MM
    np.testing.assert_allclose(lines_mm, [zero_mm - length_mm, zero_mm], rtol=0, atol=CLOSE_MM)


@pytest.mark.parametrize(("paper", "length_mm"), [("letter", 150.0), ("a4", 120.0)])
def test_check_line_is_100_mm(paper, length_mm):
    grey = page_600(paper, length_mm)
    left_mm, zero_mm = strip_frame_mm(paper, length_mm, 1)
    # The line stands right of the place of the sixth strip; its end bars reach 3 mm to each side.
    start = round((left_mm + 6 * 26 + 5) * PX_PER_MM)
    lengths = []
    for column in range(start, start + round(8 * PX_PER_MM), 20):
        runs = dark_runs(grey[round((zero_mm - 150) * PX_PER_MM) :, column])
        if len(runs) == 2:
            lengths.append(np.diff(runs.mean(axis=1))[0] / PX_PER_MM)
    assert len(lengths) >= 4
    np.testing.assert_allclose(lengths, 100.0, rtol=0, atol=CLOSE_MM)


@pytest.mark.parametrize(
    ("paper", "width_mm", "height_mm"),
    # Letter is ANSI/ASME Y14.1 size A, 8.5 x 11 in; A4 is ISO 216.
    [("letter", 8.5 * 25.4, 11 * 25.4), ("a4", 210.0, 297.0)],
)
def test_page_boxes(paper, width_mm, height_mm):
    page = pypdfium2.PdfDocument(sheet(paper, 150.0))[0]
    box_mm = np.array(page.get_mediabox()) * 25.4 / 72
    np.testing.assert_allclose(box_mm, [0, 0, width_mm, height_mm], rtol=0, atol=0.001)


def test_all_is_vector():
    image = pypdfium2.raw.FPDF_PAGEOBJ_IMAGE
    page = pypdfium2.PdfDocument(sheet("a4", 150.0))[0]
    assert not list(page.get_objects(filter=[image]))


def words(pdf, page=0):
    return pypdfium2.PdfDocument(pdf)[page].get_textpage().get_text_bounded()


def test_sheet_says_what_to_do():
    text = " ".join(words(sheet("letter", 150.0)).split())
    for said in ("100 %", "inside floor", "100 mm = 3 15/16 inches", "1 minute, 2 hours", "#117"):
        assert said in text
    assert "Jars 1, 3, 14, 117 · page 1 of 1" in text


def test_inches_of_the_check_line():
    # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
    assert abs((3 + 15 / 16) * 25.4 - 100.0) < 0.02


def test_nothing_overlaps_the_strips():
    # Words above the strips must end above their cut marks, on the shorter paper too.
    page = pypdfium2.PdfDocument(sheet("letter", 150.0))[0].get_textpage()
    searcher = page.search("straight sides")
    index, count = searcher.get_next()
    bottoms_mm = [page.get_charbox(index + i)[1] * 25.4 / 72 for i in range(count)]
    assert min(bottoms_mm) > 13 + 150 + 4


def test_names_are_printed_or_left_to_be_written():
    text = words(sheet("letter", 150.0))
    assert "Rosa" in text
    assert "Λουκάς" in text
    assert text.count("name") == 2  # For jar 3, whose letters the font lacks, and jar 117.


def test_same_sheet_same_bytes():
    code = (
        "import sys; from jarvision.jar.strip_sheet import make_strips_pdf as m; "
        "sys.stdout.buffer.write(m([1, 3, 14, 117], paper='a4', length_mm=120.0, "
        "names={1: 'Rosa', 3: '花子', 14: 'Λουκάς'}))"
    )
    run = subprocess.run(
        [sys.executable, "-B", "-c", code],
        capture_output=True,
        check=True,
        env={"PYTHONHASHSEED": "7", "PYTHONPATH": str(ROOT)},
    )
    assert run.stdout == sheet("a4", 120.0)


def test_many_jars_take_many_pages():
    pdf = strips.make_strips_pdf(range(1, 31))
    assert len(pypdfium2.PdfDocument(pdf)) == 5
    assert "Jars 25–30 · page 5 of 5" in words(pdf, page=4)


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_ready_made_sheets(paper):
    pdf = (SHEETS / f"strips-{paper}.pdf").read_bytes()
    size = pypdfium2.PdfDocument(pdf)[0].get_size()
    assert size == pytest.approx({"letter": (612, 792), "a4": (595.276, 841.890)}[paper], abs=0.01)
    found = [sorted(find_tags(render(pdf, page, dpi=400))) for page in range(2)]
    assert found == [list(range(30)), list(range(30, 60))]


# Names ------------------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60))
def test_any_name_fits_its_place(name):
    size_mm, lines = strips._fitted_name(printable_name(name), 17.0)
    assert len(lines) <= 2
    assert all(strips.text_width_mm(line, size_mm) <= 17.0 for line in lines)


@settings(max_examples=10, deadline=None)
@given(st.text(st.characters(), max_size=40))
def test_any_name_makes_a_sheet(name):
    assert strips.make_strips_pdf([1], names={1: name}).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("name", "printed"),
    [
        ("Zoë", "Zoë"),
        ("Zoe\u0308", "Zoë"),
        ("Ana \N{SUNFLOWER}", "Ana"),
        (" two\twords\n", "two words"),
        ("花子", ""),
        ("Nguyễn", "Nguyễn"),
        ("O’Neill-Đặng", "O’Neill-Đặng"),
        ("", ""),
    ],
)
def test_printable_name(name, printed):
    assert printable_name(name) == printed


def test_long_names_shrink_before_they_are_cut():
    assert strips._fitted_name("Rosa Luz", 17.0) == (3.0, ["Rosa Luz"])
    assert strips._fitted_name("Bartholomew Smith", 17.0) == (2.5, ["Bartholomew", "Smith"])
    size_mm, lines = strips._fitted_name("Bartholomew Featherstonehaugh", 17.0)
    assert size_mm == 2.5
    assert lines[1].endswith("…")


@pytest.mark.parametrize(
    "raw",
    [
        b"jar,name\n1,Rosa\n12,Jos\xc3\xa9\n",
        b"\xef\xbb\xbfjar;name\r\n1;Rosa\r\n12;Jos\xc3\xa9\r\n",
        b"1\tRosa\n\n12\tJos\xe9\n",
        b"#1,Rosa\n#12,Jos\xe9\n",
        b"jar,name\r1,Rosa\r12,Jos\xc3\xa9\r",  # the line ends of old Macs
        "jar,name\n1,Rosa\n12,José\n".encode("utf-16-le"),  # without a mark at its start
        "jar,name\n1,Rosa\n12,José\n".encode("utf-16-be"),
        # as `jarvision tables` writes jars.csv: digits in a heading, an example, jars without name
        b"jar,name,bed,area_m2\nexample,Group 3,north,9\n1,Rosa\n2\n3,,south,4\n12,Jos\xc3\xa9\n",
        b"Bed;Name;Jar\nnorth;Rosa;1\nnorth;Group 3;Example\nsouth;Jos\xc3\xa9;12\n",
        b"sep=;\njar;name\n1;Rosa\n12;Jos\xc3\xa9\n",
    ],
)
def test_names_as_spreadsheets_save_them(tmp_path, raw):
    path = tmp_path / "names.csv"
    path.write_bytes(raw)
    assert read_names(path) == {1: "Rosa", 12: "José"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("jar,name\nRosa,1\n", "Line 2 of names.csv needs a jar number"),
        ("jar,name,area_m2\nRosa,1,9\n", "Line 2 of names.csv needs a jar number"),
        ("jar,name\n\nexample,x\nRosa,1\n", "Line 4 of names.csv needs a jar number"),
        ("jar,name\n200,Rosa\n", "jar number from 1 to 117"),
        ("1,Rosa\n1,Ida\n", "gives jar 1 two names"),
        ("Rosa,1\n", "Line 1 of names.csv needs a jar number"),
        ("1\n", "needs a jar number from 1 to 117 and a name"),
        ("9" * 5000 + ",Rosa\n", "jar number from 1 to 117"),
        ("1,Rosa\n2," + "x" * 140_000 + "\n", "Line 2 of names.csv has a cell far too long"),
        ('1,"Rosa\n2,Ida\n', "Line 1 of names.csv has a quotation mark without its other half"),
        ("1,Ro\0sa\n", "not a table of text"),
    ],
)
def test_names_that_cannot_be_used(tmp_path, text, message):
    path = tmp_path / "names.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=message):
        read_names(path)


def test_missing_names_file(tmp_path):
    with pytest.raises(UsageError, match="cannot be opened"):
        read_names(tmp_path / "none.csv")


# Options ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "jars"),
    [
        ("1-3", (1, 2, 3)),
        ("1,3,5-8", (1, 3, 5, 6, 7, 8)),
        (" 7 , 2 – 4, 3 ", (2, 3, 4, 7)),
        ("117", (117,)),
        ("5,", (5,)),
    ],
)
def test_parse_jars(text, jars):
    assert parse_jars(text) == jars


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "No jar was named"),
        (" , ", "No jar was named"),
        ("a", "'a' is not a jar number"),
        ("1-", "'1-' is not a jar number"),
        ("-3", "'-3' is not a jar number"),
        ("1.5", "'1.5' is not a jar number"),
        ("٣", "is not a jar number"),
        ("8-5", "range 8-5 runs backwards"),
        ("0", "no strip for jar 0"),
        ("110-118", "no strip for jar 118"),
        ("1-999999999", "is not a jar number"),
    ],
)
def test_jars_that_cannot_be_read(text, message):
    with pytest.raises(UsageError, match=message):
        parse_jars(text)


@given(st.text(max_size=20))
def test_parse_jars_gives_numbers_or_a_sentence(text):
    try:
        jars = parse_jars(text)
    except JarError:
        return  # Any other exception would reach the user as a traceback.
    assert all(1 <= jar <= 117 for jar in jars)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"paper": "a3"}, "choose letter or a4"),
        ({"length_mm": 140.0}, "choose a length of 120 or 150 mm"),
        ({"length_mm": math.nan}, "choose a length of 120 or 150 mm"),
    ],
)
def test_sheets_that_are_not_made(options, message):
    with pytest.raises(UsageError, match=message):
        strips.make_strips_pdf([1], **options)


def test_write_strips_tells_what_it_made(tmp_path):
    names = tmp_path / "names.csv"
    names.write_text("jar,name\n2,花子\n3,Rosa\n99,Ida\n", encoding="utf-8")
    out = tmp_path / "strips.pdf"
    made = strips.write_strips(out, jars="1-7", paper="A4", length_mm=120, names_csv=names)
    assert made == strips.StripsMade(jars=tuple(range(1, 8)), pages=2, by_hand=("花子",))
    assert out.read_bytes().startswith(b"%PDF")


def test_out_that_cannot_be_written(tmp_path):
    with pytest.raises(WriteError, match="could not be written"):
        strips.write_strips(tmp_path / "none" / "strips.pdf", jars="1")


def test_the_usual_length_is_one_that_is_printed_and_what_the_command_prints():
    import inspect

    from jarvision.cli.strip import strips as command

    assert USUAL_LENGTH_MM in strip_spec().lengths_mm
    assert inspect.signature(command).parameters["length"].default == USUAL_LENGTH_MM
