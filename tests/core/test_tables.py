"""Tables from strangers: read with patience and within limits, written so that none does harm."""

import csv
import io

import pytest

from jarvision.core.tables import TableError, decoded, rows, safe_cell, table_csv

# Signs with which a cell begins that a spreadsheet takes for a formula: OWASP, "CSV Injection".
FORMULA_SIGNS = "=+-@"


def cells_of(text, delimiter):
    """Every cell that a spreadsheet may see where it splits at another sign than the file's."""
    return [cell for row in csv.reader(io.StringIO(text), delimiter=delimiter) for cell in row]


@pytest.mark.parametrize("delimiter", [",", ";"])
@pytest.mark.parametrize(
    "name",
    [
        '=HYPERLINK("x")',
        "North;=1+1",
        "North; =1+1",
        'a";=1+1',
        "a;;@SUM(A1)",
        "\uff1d1+1",
        "a;\uff1d1+1",
        "+x",
        "-2+3",
    ],
)
def test_no_cell_is_a_formula_wherever_a_spreadsheet_splits(name, delimiter):
    text = table_csv(("jar", "bed"), [(safe_cell(name), "a bed")])
    for cell in cells_of(text, delimiter):
        assert not cell.lstrip().startswith((*FORMULA_SIGNS, "\uff1d")), cell


@pytest.mark.parametrize("name", ["North", "-3", "+4.5", "Bed; south", "Möhre", "7"])
def test_plain_names_and_numbers_stay(name):
    assert safe_cell(name) == name


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_texts_are_decoded_with_or_without_a_mark(encoding):
    text = "jar,bed\n5,North\n6,Möhren\n"
    assert decoded(text.encode(encoding)) == text


def test_a_latin_text_is_not_taken_for_utf_16():
    assert decoded("jar,bed\n5,Möhren\n".encode("cp1252")) == "jar,bed\n5,Möhren\n"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('a,b\n1,"x\n', "Line 2 of t.csv has a quotation mark without its other half"),
        ("a,b\n1," + "x" * 200_000, "Line 2 of t.csv has a cell far too long"),
        ("a\n" * 20_002, "more than 20000 rows"),
        ("a\0b\n", "not a table of text"),
    ],
)
def test_what_is_no_table_is_one_sentence(text, sentence):
    with pytest.raises(TableError, match=sentence):
        list(rows(text, name="t.csv"))


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_end_as_any_system_ends_them(end):
    text = end.join(["jar,bed", "5,North", "", "6,South", ""])
    assert list(rows(text, name="t.csv")) == [
        (1, ["jar", "bed"]),
        (2, ["5", "North"]),
        (4, ["6", "South"]),
    ]
