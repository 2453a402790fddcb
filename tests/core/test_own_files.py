"""Only files of our own are replaced, told by their contents; the user's stay to the last byte."""

import io
import json

import pytest
from PIL import Image
from report_samples import jar_dict, write_jar
from scenes import SAMPLES, sample

from jarvision.core.files import find_photos
from jarvision.core.own_files import (
    NotOursError,
    is_own,
    mark_picture,
    refuse_foreign,
    write_result,
)
from jarvision.jar.strip_sheet import make_strips_pdf
from jarvision.pages.write import write_report

USERS = {
    "readings.csv": b"date,temperature\n2026-05-04,12.5\n",
    "jar-2.json": b'{"contents": "jam"}',
    "photos.json": b'["summer", "winter"]',
    "report.html": b"<!doctype html><title>School report</title>",
    "strips.pdf": b"%PDF-1.4\n% bacon\n",
    "compared.csv": b"jar,reader\n1,Ann\n",
    "reminders.ics": b"BEGIN:VCALENDAR\r\nPRODID:-//somebody else//EN\r\n",
    "notes": b"do not lose",
}


def jpeg(**options):
    file = io.BytesIO()
    Image.new("RGB", (80, 60), (90, 120, 60)).save(file, "JPEG", **options)
    return file.getvalue()


@pytest.mark.parametrize("name", USERS)
def test_a_users_file_is_never_replaced(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(USERS[name])
    with pytest.raises(NotOursError, match=r"was not written by jarvision and stays as it is"):
        write_result(path, "jarvision")
    assert path.read_bytes() == USERS[name]


def test_a_users_photo_named_as_an_overlay_is_never_replaced(tmp_path):
    path = tmp_path / "overlay-2-48h.jpg"
    path.write_bytes(jpeg())
    with pytest.raises(NotOursError):
        write_result(path, mark_picture(jpeg()))
    assert path.read_bytes() == jpeg()


def test_what_we_wrote_is_ours(tmp_path):
    write_jar(tmp_path, jar_dict())
    pages = write_report(tmp_path)
    (tmp_path / "strips.pdf").write_bytes(make_strips_pdf([1, 2]))
    (tmp_path / "overlay-9-2h.jpg").write_bytes(mark_picture(jpeg()))
    assert len(pages) > 1
    for path in tmp_path.iterdir():
        assert is_own(path), path.name
    refuse_foreign(tmp_path)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_table_of_ours_stays_ours_however_a_spreadsheet_saves_it(tmp_path, separator):
    head = ["jar", "photos", "sand_top_mm", "silt_top_mm"]
    path = tmp_path / "readings.csv"
    path.write_bytes(b"\xef\xbb\xbf" + separator.join(f'"{cell}"' for cell in head).encode())
    assert is_own(path)


def test_overlays_of_older_versions_bear_no_mark_but_lie_beside_their_jars(tmp_path):
    path = tmp_path / "overlay-5-48h.jpg"
    path.write_bytes(jpeg())
    assert not is_own(path)
    write_jar(tmp_path, jar_dict())
    assert is_own(path)
    exif = Image.Exif()
    exif[0x0110] = "a phone"
    path.write_bytes(jpeg(exif=exif))
    assert not is_own(path)


def test_a_folder_is_refused_before_anything_is_read(tmp_path):
    (tmp_path / "holiday.jpg").write_bytes(jpeg())
    refuse_foreign(tmp_path)
    refuse_foreign(tmp_path / "none yet")
    (tmp_path / "jar-2.json").write_bytes(USERS["jar-2.json"])
    with pytest.raises(NotOursError, match=r"jar-2\.json in "):
        refuse_foreign(tmp_path)


def test_the_mark_changes_no_pixel():
    plain, marked = (Image.open(io.BytesIO(raw)) for raw in (jpeg(), mark_picture(jpeg())))
    assert plain.tobytes() == marked.tobytes()
    assert marked.info == plain.info


def test_a_photo_named_as_an_overlay_is_not_passed_over_without_a_word(tmp_path):
    (tmp_path / "overlay-jar.jpg").write_bytes(jpeg())
    (tmp_path / "overlay-2-48h.jpg").write_bytes(mark_picture(jpeg()))
    found, skipped = find_photos([tmp_path])
    assert found == []
    [(path, sentence)] = skipped
    assert path.name == "overlay-jar.jpg"
    assert "rename it" in sentence


def test_the_samples_folder_has_nothing_that_is_passed_over():
    assert find_photos([SAMPLES])[1] == []
    assert sample("02", "48h").is_file()
    assert json.dumps(sorted(p.name for p in find_photos([SAMPLES])[0])).count("jar-") == 12
