"""A class's jars in one go: processes, what an earlier run left, and the plan before reading."""

import csv
import json
import os
import shutil
import signal
import threading
import time
from datetime import datetime, timedelta, timezone

import pytest
from PIL import Image
from scenes import SAMPLES

from jarvision.core.doubts import Doubt, DoubtName
from jarvision.core.errors import JarError
from jarvision.core.files import WriteError
from jarvision.core.own_files import NotOursError
from jarvision.estimate.known import JarFacts
from jarvision.estimate.texture import TextureClass
from jarvision.results import cache, json_schema
from jarvision.results.fingerprint import program
from jarvision.results.record import ReadingRow, WeightRow
from jarvision.run import album, one_jar
from jarvision.run.engine import plan_photos, read_photos
from jarvision.run.jars_table import read_manifest
from jarvision.run.outputs import write_table
from jarvision.run.plan import not_placed, plan_of, use_of
from jarvision.run.pool import Pool
from jarvision.run.settings import Settings, silent
from jarvision.run.survey import survey_photos
from jarvision.wall.measurement import PhotoMeasurement

pytestmark = pytest.mark.slow

NAN = float("nan")


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def read_into(out, paths, settings=None, **options):
    done = read_photos(paths, settings or Settings(), out=out, **options)
    write_table(done, out)
    return done


# --- processes, without photos ------------------------------------------------------------------


def double(number):
    return 2 * number


def double_or_die(task):
    number, mark = task
    if mark is not None and not mark.exists():
        mark.touch()  # dies the first time only
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def always_die(number):
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def refuse_three(number):
    if number == 3:
        raise WriteError("x could not be written: the disk is full.")
    return number


def die(pipe, idle_s):
    os._exit(3)


def process_id(_):
    return os.getpid()


def die_while_answering(mark):
    """Killed with half an answer in the pipe: it is far larger than what a pipe holds."""
    if mark is None or mark.exists():
        return b""
    mark.touch()
    threading.Timer(0.4, os.kill, (os.getpid(), signal.SIGKILL)).start()
    return b"x" * 50_000_000


def lost(task):
    return "lost"


@pytest.mark.parametrize("workers", [1, 2])
def test_results_stand_in_the_order_of_the_tasks(workers):
    told = []
    with Pool(workers) as pool:
        assert pool.each(double, range(9), lost=lost, got=told.append) == [2 * n for n in range(9)]
        assert pool.each(double, [], lost=lost) == []
    assert sorted(told) == [2 * n for n in range(9)]


def test_few_tasks_start_no_process():
    seen = []
    with Pool(4) as pool:  # a list's own method could not be sent to a process and back
        pool.each(seen.append, [1, 2], lost=lost, few=2)
    assert seen == [1, 2]


needs_signals = pytest.mark.skipif(os.name != "posix", reason="kills by signal")


@needs_signals
def test_a_worker_that_dies_once_loses_nothing(tmp_path):
    tasks = [(n, tmp_path / "died" if n == 2 else None) for n in range(6)]
    with Pool(2) as pool:
        assert pool.each(double_or_die, tasks, lost=lost) == [0, 2, 4, 6, 8, 10]
    assert (tmp_path / "died").exists()


@needs_signals
def test_a_worker_that_dies_in_the_middle_of_an_answer_stops_nobody(tmp_path):
    tasks = [None, tmp_path / "died", None, None]
    with Pool(2) as pool:
        done = pool.each(die_while_answering, tasks, lost=lost, got=lambda result: time.sleep(0.6))
    assert (tmp_path / "died").exists()
    assert {len(answer) for answer in done} <= {0, 50_000_000}  # unless it was faster than death


@needs_signals
def test_only_the_task_that_kills_its_worker_again_is_given_up():
    with Pool(2) as pool:
        assert pool.each(always_die, range(6), lost=lost) == [0, 2, 4, "lost", 8, 10]


def test_whoever_takes_far_too_long_is_ended_and_only_its_task_given_up():
    with Pool(2) as pool:
        assert pool.each(double, range(2), lost=lost) == [0, 2]  # processes have started
        done = pool.each(time.sleep, [0, 9999, 0, 0], lost=lost, most_s=5.0)
    assert done == [None, "lost", None, None]


@needs_signals
def test_apart_what_kills_costs_itself_only_and_one_process_serves_many_calls():
    pool = Pool(1, apart=True)
    [first] = pool.each(process_id, [0], lost=lost)
    assert first != os.getpid()
    assert pool.each(process_id, [0], lost=lost) == [first]
    assert pool.each(always_die, [3, 4], lost=lost) == ["lost", 8]
    with pool:
        assert pool.each(process_id, [0], lost=lost) != [first]


def test_a_process_apart_with_nothing_to_do_ends(monkeypatch):
    monkeypatch.setattr("jarvision.run.pool._IDLE_S", 0.2)
    with Pool(1, apart=True) as pool:
        [first] = pool.each(process_id, [0], lost=lost)
        pool._team[0].process.join(60)
        [second] = pool.each(process_id, [0], lost=lost)
    assert first != second


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_that_concerns_all_ends_all(workers):
    with Pool(workers) as pool, pytest.raises(WriteError, match="disk is full"):
        pool.each(refuse_three, range(50), lost=lost)


def test_without_any_process_the_work_is_done_here(monkeypatch):
    """As in a script that may not be imported, or where the system allows no more processes."""
    monkeypatch.setattr("jarvision.run.pool._serve", die)
    with Pool(2) as pool:
        assert pool.each(double, range(5), lost=lost) == [0, 2, 4, 6, 8]
        assert pool.workers == 1


# --- rows from disk -----------------------------------------------------------------------------


def row(**changes):
    """A row with values that are awkward to write down."""
    values = {
        "jar": '=1+1 "<b>"',
        "photos": ("a,b.jpg", "\u202egpj.1min"),
        "tops_mm": (1 / 3, 0.1 + 0.2, NAN),
        "top_sds_mm": (1e-9, 1e9, NAN),
        "pcts": (100 / 3, 100 / 3, 100 / 3),
        "pct_sds": (0.0, NAN, 2.5),
        "texture_class": TextureClass.CLAY_LOAM,
        "class_odds": 2 / 3,
        "next_class": None,
        "next_odds": NAN,
        "doubts": (Doubt(DoubtName.NO_STRIP, "No strip was found."),),
        "by_weight": WeightRow(
            (1.0, 2.0, 97.0), (0.5, 1.0, 90.0), (3.0, 4.0, 99.0), TextureClass.CLAY, 1 / 7,
            "clear", ("because",),
        ),
        "name": "=\u202eAnna;\n<b>",
        "bed": "x" * 255,
    }  # fmt: skip
    return ReadingRow(**values | changes)


@pytest.mark.parametrize("written", [row(), row(by_weight=None, texture_class=None, doubts=())])
def test_a_row_comes_back_from_json_to_the_last_digit(written):
    there = json.loads(json.dumps(json_schema.plain(written), allow_nan=False))
    assert repr(json_schema._CODEC.structure(there, ReadingRow)) == repr(
        written
    )  # repr: NaN does not equal itself


def test_the_program_is_known_by_its_text():
    assert program().startswith("jarvision 0.1.0 ")
    assert len(program().split()[-1]) == 12


# --- earlier results ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two_jars(tmp_path_factory):
    """Two jars with two photos each, and what an undisturbed run makes of them."""
    folder = tmp_path_factory.mktemp("class")
    for name in ("jar-02-2h", "jar-02-48h", "jar-09-1min", "jar-09-48h"):
        shutil.copy(SAMPLES / f"{name}.jpg", folder)
    out = tmp_path_factory.mktemp("undisturbed")
    read_into(out, [folder])
    return folder, out


@pytest.fixture
def earlier(two_jars, tmp_path):
    """A copy of both that may be changed."""
    photos = shutil.copytree(two_jars[0], tmp_path / "photos")
    return photos, shutil.copytree(two_jars[1], tmp_path / "out")


@pytest.fixture
def no_decoding(monkeypatch):
    def refuse(path):
        raise AssertionError(f"{path} was opened again")

    monkeypatch.setattr(album, "open_photo", refuse)


@pytest.mark.photo
def test_a_second_run_opens_no_picture_and_changes_no_byte(earlier, no_decoding):
    photos, out = earlier
    before = contents(out)
    done = read_into(out, [photos])
    assert all(outcome.is_earlier for outcome in done.outcomes)
    assert done.all_read
    assert contents(out) == before


@pytest.mark.photo
def test_renamed_folders_and_new_dates_of_files_change_nothing(earlier, no_decoding):
    photos, out = earlier
    moved = photos.rename(photos.with_name("moved"))
    for path in moved.iterdir():
        os.utime(path, (0, 0))
    assert all(outcome.is_earlier for outcome in read_photos([moved], Settings(), out=out).outcomes)


def which_are_earlier(done):
    return {outcome.jar: outcome.is_earlier for outcome in done.outcomes}


@pytest.mark.photo
def test_only_the_jar_whose_photo_changed_is_read_again(earlier):
    photos, out = earlier
    with (photos / "jar-09-48h.jpg").open("ab") as file:
        file.write(b"\0")  # behind the picture's end: the same picture, another content
    assert which_are_earlier(read_photos([photos], Settings(), out=out)) == {"2": True, "9": False}


@pytest.mark.photo
def test_a_new_photo_of_a_jar_reads_that_jar_again(earlier):
    photos, out = earlier
    shutil.copy(SAMPLES / "jar-09-2h.jpg", photos)
    done = read_into(out, [photos])
    assert which_are_earlier(done) == {"2": True, "9": False}
    assert (out / "overlay-9-2h.jpg").exists()


@pytest.mark.photo
@pytest.mark.parametrize(
    "settings",
    [
        Settings(strip_mm=99.0),
        Settings(seed=1),
        Settings(facts=JarFacts(temp_c=18.0)),
        Settings(shaken_at=datetime(2026, 5, 4, 9)),
    ],
    ids=["strip", "seed", "facts", "time"],
)
def test_other_settings_hold_for_no_earlier_result(earlier, settings):
    photos, out = earlier
    survey = survey_photos(
        [photos], Pool(), known={}, out=None, album=album.Album(), progress=silent
    )
    jars = plan_of(survey, settings).jars
    jobs = [one_jar.job_of(jar, survey, settings, out) for jar in jars]
    assert [one_jar.earlier_outcome(job) for job in jobs] == [None, None]


DAMAGE = {
    "emptied": lambda path: path.write_bytes(b""),
    "cut": lambda path: path.write_bytes(path.read_bytes()[:500]),
    "removed": lambda path: path.unlink(),
    "a list": lambda path: path.write_text("[1, 2]"),
    "nested": lambda path: path.write_text("[" * 100_000),
    "other row": lambda path: edit(path, lambda data: data["row"].update(pcts=["a", None, {}])),
    "short row": lambda path: edit(path, lambda data: data["row"].update(tops_mm=[1.0])),
    "no row": lambda path: edit(path, lambda data: data.pop("row")),
    "other name": lambda path: edit(path, lambda data: data["row"].update(name="Bob")),
    "no fingerprint": lambda path: edit(path, lambda data: data.update(made_from=None)),
    "other program": lambda path: edit(
        path, lambda data: data["made_from"].update(fingerprint="0")
    ),
    "unknown doubt": lambda path: edit(
        path, lambda data: data["row"].update(doubts=[{"name": "moon", "sentence": "x"}])
    ),
    "no picture": lambda path: (path.parent / "overlay-2-48h.jpg").unlink(),
}


def edit(path, change):
    data = json.loads(path.read_text(encoding="utf-8"))
    change(data)
    path.write_text(json.dumps(data), encoding="utf-8")


@pytest.mark.photo
@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_result_is_not_believed(earlier, damage):
    out = earlier[1]
    path = out / "jar-2.json"
    fingerprint = json.loads(path.read_text(encoding="utf-8"))["made_from"]["fingerprint"]
    assert cache.cached_jar(path, fingerprint, folder=out) is not None
    damage(path)
    assert cache.cached_jar(path, fingerprint, folder=out) is None


@pytest.mark.photo
@pytest.mark.parametrize("damage", ["emptied", "removed", "cut"])
def test_a_damaged_list_of_photos_costs_only_time(earlier, damage):
    photos, out = earlier
    before = contents(out)
    DAMAGE[damage](out / "photos.json")
    done = read_into(out, [photos])
    assert all(outcome.is_earlier for outcome in done.outcomes)
    assert contents(out) == before


@pytest.mark.photo
@pytest.mark.parametrize("damage", ["a list", "nested"])
def test_a_list_of_photos_that_is_something_else_stays(earlier, damage):
    photos, out = earlier
    DAMAGE[damage](out / "photos.json")
    before = contents(out)
    with pytest.raises(NotOursError, match=r"photos\.json"):
        read_into(out, [photos])
    assert contents(out) == before


@pytest.mark.photo
def test_again_reads_all_and_comes_to_the_same(earlier):
    photos, out = earlier
    before = contents(out)
    done = read_into(out, [photos], again=True)
    assert not any(outcome.is_earlier for outcome in done.outcomes)
    assert contents(out) == before


def read_twice(tmp_path, monkeypatch):
    """The only jar of a folder, read, and read again where no photo can be opened."""
    monkeypatch.undo()
    first = read_into(tmp_path / "out", [tmp_path / "photos"])
    monkeypatch.setattr(album, "open_photo", None)
    second = read_into(tmp_path / "out", [tmp_path / "photos"])
    [one], [two] = first.outcomes, second.outcomes
    assert two.is_earlier
    return one, two, second


@pytest.mark.photo
def test_a_jar_that_cannot_be_read_is_remembered_too(tmp_path, no_decoding, monkeypatch):
    (tmp_path / "photos").mkdir()
    Image.new("RGB", (1600, 1200), (150, 150, 150)).save(tmp_path / "photos" / "bed 48h.jpg")
    one, two, second = read_twice(tmp_path, monkeypatch)
    assert one.error is not None
    assert two.error is not None
    assert (str(one.error), one.error.name) == (str(two.error), two.error.name)
    assert not second.all_read


@pytest.mark.photo
def test_a_first_photo_alone_is_remembered_with_what_it_shows(tmp_path, no_decoding, monkeypatch):
    (tmp_path / "photos").mkdir()
    shutil.copy(SAMPLES / "jar-02-1min.jpg", tmp_path / "photos")
    one, two, _ = read_twice(tmp_path, monkeypatch)
    assert one.error is None
    assert two.error is None
    assert two.record.tops[0].value == pytest.approx(one.record.tops[0].value, abs=0.01)


@pytest.mark.photo
def test_what_may_pass_is_tried_again(tmp_path, monkeypatch):
    """Memory that ran out says nothing about the photos."""
    shutil.copy(SAMPLES / "jar-02-48h.jpg", tmp_path)

    def too_large(*_, **__):
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr(one_jar, "look_at_jar", too_large)
        [failed] = read_photos([tmp_path], Settings(), out=tmp_path / "out").outcomes
    assert "memory ran out" in str(failed.error)
    [read] = read_photos([tmp_path], Settings(), out=tmp_path / "out").outcomes
    assert read.reading is not None


# --- many processes, one result -----------------------------------------------------------------


@pytest.mark.photo
def test_any_number_of_workers_comes_to_the_same(tmp_path):
    (tmp_path / "photos").mkdir()
    for path in SAMPLES.glob("jar-*.jpg"):
        shutil.copy(path, tmp_path / "photos")
    (tmp_path / "photos" / "broken.jpg").write_bytes(b"\xff\xd8\xff no picture")
    ones = read_into(tmp_path / "one", [tmp_path / "photos"])
    twos = read_into(tmp_path / "two", [tmp_path / "photos"], workers=2)
    assert contents(tmp_path / "one") == contents(tmp_path / "two")
    assert [o.jar for o in ones.outcomes] == [o.jar for o in twos.outcomes]
    assert ones.refused == twos.refused
    assert [name for name, _ in ones.refused] == ["broken.jpg"]


@pytest.mark.photo
def test_results_of_a_class_hold_no_pictures(two_jars, tmp_path):
    done = read_photos([two_jars[0]], Settings(), out=tmp_path)
    for outcome in done.outcomes:
        assert {type(photo) for photo in outcome.reading.photos} == {PhotoMeasurement}


def test_one_photo_that_breaks_the_program_stops_nothing(tmp_path, monkeypatch):
    """Whatever goes wrong in one photo becomes that photo's sentence."""
    for name in ("a.jpg", "b.jpg"):
        shutil.copy(SAMPLES / "jar-02-48h.jpg", tmp_path / name)

    def break_one(photo):
        if photo.name == "a.jpg":
            raise ZeroDivisionError
        raise JarError("No jar here; try again.")

    monkeypatch.setattr(album, "orient", break_one)
    done = read_photos([tmp_path], Settings())
    assert [name for name, _ in done.refused] == ["a.jpg", "b.jpg"]
    assert "ZeroDivisionError" in done.refused[0][1]


# --- the plan -----------------------------------------------------------------------------------


def test_the_plan_says_what_goes_where_and_writes_nothing(tmp_path):
    (tmp_path / "photos").mkdir()
    for name in ("jar-02-1min", "jar-02-48h", "jar-09-2h"):
        shutil.copy(SAMPLES / f"{name}.jpg", tmp_path / "photos")
    shutil.copy(SAMPLES / "jar-02-48h.jpg", tmp_path / "photos" / "zz copy.jpg")
    (tmp_path / "photos" / "empty.jpg").touch()
    plan = plan_photos([tmp_path / "photos"], Settings(), out=tmp_path / "out")
    used = {photo.name: (jar.jar, use_of(jar, photo)) for jar in plan.jars for photo in jar.timed}
    assert used == {
        "jar-02-1min.jpg": ("2", "1min"),
        "jar-02-48h.jpg": ("2", "48h"),
        "jar-09-2h.jpg": ("9", "2h"),
    }
    reasons = dict(not_placed(plan))
    assert "empty" in reasons["empty.jpg"]
    assert "same picture as jar-02-48h.jpg" in reasons["zz copy.jpg"]
    assert not (tmp_path / "out").exists()


@pytest.mark.photo
def test_the_table_opens_in_a_spreadsheet(two_jars):
    with (two_jars[1] / "readings.csv").open(newline="", encoding="utf-8") as file:
        assert [line["jar"] for line in csv.DictReader(file)] == ["2", "9"]


# --- the list of jars ---------------------------------------------------------------------------


@pytest.fixture
def phone_photos(tmp_path):
    """Photos as a phone names them: two jars with strips, one without, all in one folder."""
    folder = tmp_path / "photos"
    folder.mkdir()
    names = {
        "jar-02-1min": "IMG_0001",
        "jar-02-48h": "IMG_0002",
        "jar-09-48h": "IMG_0003",
        "jar-08-1min": "IMG_0004",
        "jar-08-48h": "IMG_0005",
    }
    for sample, name in names.items():
        shutil.copy(SAMPLES / f"{sample}.jpg", folder / f"{name}.jpg")
    return folder


def listed(folder, text):
    (folder / "jars.csv").write_text(text, encoding="utf-8")
    return Settings(manifest=read_manifest(folder / "jars.csv"))


def photos_by_jar(plan):
    return {jar.jar: sorted(photo.name for photo in jar.timed) for jar in plan.jars}


def test_the_list_gives_photos_without_a_strip_to_their_jar(phone_photos):
    settings = listed(
        phone_photos,
        "jar,name,bed,photos,water_temp_c\n2,Anna,north,,17\nback bed,,south,IMG_0004;IMG_0005,\n",
    )
    plan = plan_photos([phone_photos], settings)
    assert photos_by_jar(plan) == {
        "2": ["IMG_0001.jpg", "IMG_0002.jpg"],
        "9": ["IMG_0003.jpg"],
        "back bed": ["IMG_0004.jpg", "IMG_0005.jpg"],
    }
    assert settings.of_jar("2", settings.manifest.row_of("2")).facts.temp_c == 17
    assert settings.of_jar("9", settings.manifest.row_of("9")).facts.temp_c is None


def test_a_strip_goes_before_a_wrong_pattern(phone_photos):
    settings = listed(phone_photos, "jar,photos\n2,IMG_0003\n9,\n")
    plan = plan_photos([phone_photos], settings)
    assert photos_by_jar(plan)["9"] == ["IMG_0003.jpg"]


def test_what_of_the_list_cannot_be_followed_is_said(phone_photos):
    settings = listed(phone_photos, "jar,photos,colour of hat\nfront,IMG_0077,blue\n")
    said = " ".join(plan_photos([phone_photos], settings).notes)
    assert "IMG_0077" in said
    assert "colour of hat" in said


def test_listed_jars_that_no_photo_shows_are_named(phone_photos):
    rows = "".join(f"{100 + n},Kim {n},\n" for n in range(1, 11))
    settings = listed(phone_photos, f"jar,name,photos\n2,Anna,\nback,,IMG_0004\n{rows}")
    [note] = plan_photos([phone_photos], settings).notes
    assert note.startswith("On the list of jars but in no photo: Jar 101, Kim 1; Jar 102, Kim 2; ")
    assert note.endswith("; Jar 108, Kim 8 and 2 more.")
    assert plan_photos([phone_photos], listed(phone_photos, "jar,name\n2,Anna\n")).notes == ()


def test_a_listed_jar_with_photos_of_two_strips_is_not_read(phone_photos):
    settings = listed(phone_photos, "jar,photos\nmine,IMG_0002;IMG_0003\n")
    plan = plan_photos([phone_photos], settings)
    [mine] = [jar for jar in plan.jars if jar.jar == "mine"]
    assert mine.problem.name == "mixed_jars"
    assert dict(not_placed(plan))["Jar mine"]


def test_a_listed_moment_of_shaking_places_a_jar_s_photos(phone_photos):
    moment = "2026-01-01 09:00"
    settings = listed(phone_photos, f"jar,shaken_at\n9,{moment}\n")
    assert settings.of_jar("9", settings.manifest.row_of("9")).shaken_at == datetime(2026, 1, 1, 9)
    plan = plan_photos([phone_photos], settings)
    assert {jar.jar for jar in plan.jars} == {"2", "9", "photos"}


@pytest.mark.photo
def test_a_change_in_the_list_reads_only_its_jar_again(earlier):
    photos, out = earlier
    settings = listed(photos, "jar,name,soil_mm\n9,Ben,40\n")
    done = read_photos([photos], settings, out=out)
    assert which_are_earlier(done) == {"2": True, "9": False}
    data = json.loads((out / "jar-9.json").read_text(encoding="utf-8"))
    assert data["name"] == "Ben"


@pytest.mark.photo
def test_a_new_name_alone_reaches_every_result(earlier):
    photos, out = earlier
    before = contents(out)
    done = read_into(out, [photos], listed(photos, 'jar,name,bed\n9,"Zoë, 3b",north\n'))
    assert which_are_earlier(done) == {"2": True, "9": False}
    after = contents(out)
    changed = {name for name in after if after[name] != before[name]}
    overlays = {"overlay-9-1min.jpg", "overlay-9-48h.jpg"}
    assert changed == {"jar-9.json", "readings.csv", *overlays}
    assert table(out)["9"] == ("Zoë, 3b", "north")
    assert table(out)["2"] == ("", "")
    again = read_into(out, [photos], listed(photos, 'jar,bed,name\n\n\n9,north,"Zoë, 3b"\n'))
    assert which_are_earlier(again) == {"2": True, "9": True}  # on another line, but the same
    assert contents(out) == after


def table(out):
    with (out / "readings.csv").open(newline="", encoding="utf-8") as file:
        return {line["jar"]: (line["name"], line["bed"]) for line in csv.DictReader(file)}


@pytest.mark.photo
def test_a_jar_that_cannot_be_read_keeps_its_name(tmp_path):
    (tmp_path / "photos").mkdir()
    shutil.copy(SAMPLES / "jar-02-1min.jpg", tmp_path / "photos")
    settings = listed(tmp_path / "photos", "jar,name,bed\n2,Anna,north\n")
    for is_earlier in (False, True):
        [one] = read_into(tmp_path / "out", [tmp_path / "photos"], settings).outcomes
        assert (one.record.name, one.record.bed, one.is_earlier) == ("Anna", "north", is_earlier)
    data = json.loads((tmp_path / "out" / "jar-2.json").read_text(encoding="utf-8"))
    assert (data["name"], data["bed"]) == ("Anna", "north")


# --- photos that were looked at -----------------------------------------------------------------


def test_what_was_seen_in_photos_is_remembered_to_the_last_digit(tmp_path):
    times = (
        None,
        datetime(2026, 5, 4, 9, 30, 15, 250_000),  # by the camera's clock, wherever it was
        datetime(2026, 5, 4, 9, 30, tzinfo=timezone(timedelta(hours=-3, minutes=-30))),
    )
    seen = {f"{i:064}": cache.SeenPhoto((i, 9), i, time) for i, time in enumerate(times)}
    cache.keep_photos(tmp_path, seen)
    assert cache.known_photos(tmp_path) == seen


def test_times_that_are_none_make_photos_be_looked_at_again(tmp_path):
    cache.keep_photos(tmp_path, {"a": cache.SeenPhoto((2,), 0, datetime(2026, 5, 4, 9))})
    path = tmp_path / "photos.json"
    text = path.read_text(encoding="utf-8")
    assert cache.known_photos(tmp_path)
    for wrong in ("yesterday", "2026-05-04T29:00:00", "1026-05-04T09:00:00"):
        path.write_text(text.replace("2026-05-04T09:00:00", wrong), encoding="utf-8")
        assert cache.known_photos(tmp_path) == {}


@pytest.mark.photo
def test_a_changed_photo_of_the_same_size_and_time_is_seen(earlier):
    photos, out = earlier
    path = photos / "jar-02-48h.jpg"
    stat, data = path.stat(), bytearray(path.read_bytes())
    data[-3] ^= 1  # the last of its pixels
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (stat.st_size, stat.st_mtime_ns)
    assert which_are_earlier(read_into(out, [photos])) == {"2": False, "9": True}


# --- jars that are gone -------------------------------------------------------------------------


@pytest.mark.photo
def test_what_is_left_of_jars_that_are_gone_is_found(earlier):
    photos, out = earlier
    assert cache.others_in(out) == cache.Others()
    (photos / "jar-02-2h.jpg").unlink()
    for name in ("jar-09-1min.jpg", "jar-09-48h.jpg"):
        (photos / name).unlink()
    (out / "jar-notes.json").write_text("{}")  # not ours
    before = contents(out)
    read_into(out, [photos])
    others = cache.others_in(out)
    assert others.results == ("jar-9.json",)
    assert others.pictures == ("overlay-2-2h.jpg",)  # those of jar 9 are still its own
    kept_still = {"jar-9.json", "overlay-9-1min.jpg", "overlay-2-2h.jpg", "jar-notes.json"}
    assert all(contents(out)[name] == before[name] for name in kept_still)
    assert set(table(out)) == {"2"}


@pytest.mark.photo
def test_while_a_run_goes_on_nobody_calls_a_result_old(earlier):
    """A run that was stopped leaves new results beside old ones: which are which is not known."""
    photos, out = earlier
    assert cache.last_run(out) == {"jar-2.json", "jar-9.json"}
    read_photos([photos / "jar-09-48h.jpg"], Settings(), out=out)  # no table was written
    assert cache.last_run(out) is None
    assert cache.others_in(out).results == ()


@pytest.mark.parametrize(
    "text",
    [
        "",
        '["jarvision photos"]',
        '"jarvision photos"',
        '{"format": "jarvision photos", "results": 5}',
        '{"format": "jarvision photos", "results": {"a": 1}}',
        '{"format": "jarvision photos", "results": ' + "[" * 100_000,
    ],
    ids=range(6),
)
def test_a_damaged_memory_of_the_last_run_calls_nothing_old(tmp_path, text):
    (tmp_path / "photos.json").write_text(text)
    (tmp_path / "jar-5.json").write_text('{"format": "jarvision jar", "photos": []}')
    assert cache.last_run(tmp_path) is None
    assert cache.others_in(tmp_path) == cache.Others()
    cache.keep_run(tmp_path, ["jar-5.json", "jar-10.json"])
    assert cache.last_run(tmp_path) == {"jar-5.json", "jar-10.json"}


HOSTILE_RESULTS = ("", "[]", "{}", '{"format": "jarvision jar"}', '{"format": 1, "photos": 2}')


def test_strange_files_beside_the_results_are_passed_over(tmp_path):
    cache.keep_run(tmp_path, [])
    for count, text in enumerate(HOSTILE_RESULTS):
        (tmp_path / f"jar-{count}.json").write_text(text)
    (tmp_path / "jar-folder.json").mkdir()
    (tmp_path / "overlay-x.jpg").touch()
    photos = '[{"overlay": ["x"]}, {}, {"overlay": "overlay-y.jpg"}]'
    (tmp_path / "jar-7.json").write_text(f'{{"format": "jarvision jar", "photos": {photos}}}')
    (tmp_path / "overlay-y.jpg").touch()
    assert cache.others_in(tmp_path) == cache.Others(("jar-7.json",), ("overlay-x.jpg",))
    assert cache.others_in(tmp_path / "nowhere") == cache.Others()


def test_names_that_a_disk_takes_apart_are_the_same(tmp_path):
    """Unicode Standard Annex 15: é as one sign (NFC) and as two (NFD) are canonically the same."""
    cache.keep_run(tmp_path, ["jar-caf\u00e9.json"])
    assert not cache.is_earlier("jar-cafe\u0301.json", cache.last_run(tmp_path))
    assert cache.is_earlier("jar-cafe.json", cache.last_run(tmp_path))


@pytest.mark.photo
def test_a_result_of_another_class_is_not_replaced_without_a_word(earlier, tmp_path):
    """Two classes use the same strips, and the second is read into the first one's folder."""
    out = earlier[1]
    second = tmp_path / "second"
    second.mkdir()
    shutil.copy(SAMPLES / "jar-02-1min.jpg", second / "other 1min.jpg")
    [note] = read_into(out, [second]).notes
    assert note.startswith("Jar 2 was read from other photos before (jar-02-2h.jpg, jar-02-48h.jp")
    assert "that result is replaced" in note
    assert read_into(out, [second]).notes == ()  # said once
    shutil.copy(SAMPLES / "jar-02-48h.jpg", second)
    assert read_into(out, [second]).notes == ()  # what could not be read is no loss
    shutil.copy(SAMPLES / "jar-02-2h.jpg", second)
    assert read_into(out, [second]).notes == ()  # one photo more of the same jar
