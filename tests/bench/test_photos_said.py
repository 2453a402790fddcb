"""On the page: this photo is of that jar, was taken then, shows no jar. Without and with a browser.

What is expected is what was typed.
"""

import json
import shutil
from pathlib import Path

import pytest
from bench_page import SAMPLES, Served, asked, click, opened, page_on, rows, until
from browser import browser_session, find_browser

_, _, MISSING = find_browser()
pytestmark = [pytest.mark.slow, pytest.mark.photo]

STRAY = "jar-02-1min.jpg"


def folder_of(path):
    """Three photos of jar 21 and one of jar 2."""
    for photo in (*SAMPLES.glob("jar-21-*.jpg"), SAMPLES / STRAY):
        shutil.copy(photo, path)
    return path


def stems(link):
    return {tile["stem"] for tile in asked(link)["jars"]}


def file_in(link, jar, photo):
    return next(f for f in asked(link, f"api/jar/{jar}")["files"] if f["photo"] == photo)


def settled(link):
    until(lambda: not asked(link)["reading"])


# --- without a browser --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    one = Served(folder_of(tmp_path_factory.mktemp("photos")))
    one.link = f"http://{one.host}/"
    until(lambda: stems(one.link) == {"2", "21"})
    settled(one.link)
    yield one
    one.end()


def says(served, file, what, value, was=None, by=""):
    body = {key: file[key] for key in ("photo", "digest", "jar")}
    body |= {"what": what, "value": value, "was": was, "by": by}
    status, _, answer = served.ask("/api/said", "PUT", json.dumps(body))
    return status, json.loads(answer).get("sentence", "")


def test_a_jar_without_lines_still_shows_its_photos(served):
    page = asked(served.link, "api/jar/2")
    assert page["photos"] == []
    assert [file["photo"] for file in page["files"]] == [STRAY]
    status, headers, body = served.ask(f"/api/photo/{page['files'][0]['digest']}")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    assert body.startswith(b"\xff\xd8")


@pytest.mark.parametrize(
    ("what", "value"),
    [
        ("taken", "soon"),
        ("taken", "12"),
        ("taken", ""),
        ("taken", "-2 h"),
        ("taken", "9" * 70),
        ("jar", ""),
        ("jar", "  "),
        ("cat", "7"),
        (None, "7"),
    ],
)
def test_nonsense_is_refused_in_a_sentence(served, what, value):
    status, sentence = says(served, file_in(served.link, "2", STRAY), what, value)
    assert status == 422
    assert sentence.endswith(".")
    assert asked(served.link)["left_out"] == []


@pytest.mark.parametrize("digest", ["", "0" * 64, "../../etc/passwd"])
def test_a_photo_that_is_not_there_is_refused(served, digest):
    file = file_in(served.link, "2", STRAY) | {"digest": digest, "photo": "x.jpg"}
    assert says(served, file, "jar", "5")[0] == 422
    assert served.ask(f"/api/photo/{digest}")[0] in (404, 422)


def test_the_second_of_two_people_sees_what_the_first_said(served):
    file = file_in(served.link, "2", STRAY)
    assert says(served, file, "taken", "90 s", by="Ada") == (200, "")
    status, sentence = says(served, file, "taken", "50 s", by="Zoe")
    assert status == 409
    assert sentence.startswith("Ada has just said something else")
    said = file_in(served.link, "2", STRAY)["said"]["taken"]
    assert (said["value"], said["by"]) == ("90 s", "Ada")
    assert says(served, file, "taken", "50 s", was="90 s", by="Zoe")[0] == 200
    assert file_in(served.link, "2", STRAY)["said"]["taken"]["by"] == "Zoe"
    assert says(served, file, "taken", None, was="50 s")[0] == 200
    assert file_in(served.link, "2", STRAY)["said"] == {}
    settled(served.link)


def test_a_photo_left_out_is_gone_at_once_and_comes_back(served):
    file = file_in(served.link, "2", STRAY)
    assert says(served, file, "no jar", "", by="Ada")[0] == 200
    assert stems(served.link) == {"21"}
    [row] = asked(served.link)["left_out"]
    assert (row["photo"], row["by"]) == (STRAY, "Ada")
    settled(served.link)
    assert stems(served.link) == {"21"}
    assert says(served, row, "no jar", None, was="")[0] == 200
    settled(served.link)
    assert stems(served.link) == {"2", "21"}


# --- in a browser -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return folder_of(tmp_path_factory.mktemp("photos"))


@pytest.fixture(scope="module")
def link(folder):
    with page_on(folder) as link:
        yield link


@pytest.fixture(scope="module")
def browser(link):
    if MISSING:
        pytest.skip(MISSING)
    with browser_session() as session:
        yield session


def types(browser, photo, label, text):
    """Type into a box of a photo."""
    browser.run(
        """const item = document.querySelector(`#of [aria-label="${arguments[0]}"]`);
        document.getElementById("whose").open = true;
        const box = [...item.querySelectorAll("label")]
          .find((one) => one.textContent.trim() === arguments[1]).querySelector("input");
        box.focus(); box.value = arguments[2]; box.dispatchEvent(new Event("change"))""",
        photo,
        label,
        text,
    )


def taken_box(browser, photo):
    box = f'#of [aria-label="{photo}"] label:nth-of-type(2) input'
    return browser.run("return document.querySelector(arguments[0]).value", box)


def by_hand(browser):
    return browser.run("return document.getElementById('byhand').innerText")


def at_jar(browser, link, jar):
    browser.call("POST", "/url", {"url": "about:blank"})
    browser.call("POST", "/url", {"url": f"{link}#{jar}"})
    until(lambda: browser.run("return document.querySelectorAll('#of li').length"))


def test_a_photo_is_given_to_another_jar_on_the_page_and_taken_back(browser, link, folder):
    at_jar(browser, link, "2")
    types(browser, STRAY, "Shows jar", "Jar 21")
    [row] = until(lambda: rows(folder))
    assert (row["jar"], row["photo"], row["what"]) == ("2", STRAY, "jar")
    assert (row["value"], row["read"]) == ("21", "2")
    until(lambda: stems(link) == {"21"})
    settled(link)
    record = json.loads((folder / "readings" / "jar-21.json").read_text())
    assert [one["value"] for one in record["said_of_photos"]] == ["21"]
    table = (folder / "readings" / "readings.csv").read_text().splitlines()
    assert table[1].rstrip(",").endswith(",jar")
    assert "1 photo given a jar or a time by hand" in (
        folder / "readings" / "report.html"
    ).read_text(encoding="utf-8")
    opened(browser, link)  # jar 21, into which it went
    until(lambda: f"{STRAY}: jar 21" in by_hand(browser))
    back = f'[aria-label^="Back to what was read: {STRAY}"]'
    browser.run("document.querySelector(arguments[0]).click()", back)
    until(lambda: not rows(folder))
    until(lambda: stems(link) == {"2", "21"})
    settled(link)


def test_a_time_is_put_right_undone_and_done_again_at_a_phones_width(browser, link, folder):
    photo = "jar-21-1min.jpg"
    opened(browser, link, (360, 740))
    types(browser, photo, "Taken", "half past nine")
    until(lambda: not taken_box(browser, photo))
    types(browser, photo, "Taken", "100 s")
    [row] = until(lambda: rows(folder))
    assert (row["what"], row["value"], row["photo"]) == ("taken", "100 s", photo)

    def elapsed_s():
        record = json.loads((folder / "readings" / "jar-21.json").read_text())
        return record["photos"][0]["elapsed_s"]

    until(lambda: elapsed_s() == 100)
    until(lambda: f"{photo}: taken 100 s" in by_hand(browser))
    click(browser, "undo")
    until(lambda: not rows(folder))
    until(lambda: elapsed_s() == 60)
    click(browser, "redo")
    until(lambda: rows(folder))
    click(browser, "undo")
    until(lambda: not rows(folder))
    wide, window = browser.run(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= window
    settled(link)
    # the nonsense that was refused is told by the browser; nothing else is
    assert [told["message"] for told in browser.log() if "422" not in told["message"]] == []


def test_a_photo_of_no_jar_is_left_out_and_taken_back_among_all_jars(browser, link, folder):
    at_jar(browser, link, "2")
    browser.run("document.querySelector('#of button').click()")
    until(lambda: browser.run("return location.hash") in ("", "#") or stems(link) == {"21"})
    [row] = rows(folder)
    assert (row["what"], row["photo"]) == ("no jar", STRAY)
    browser.call("POST", "/url", {"url": "about:blank"})
    browser.call("POST", "/url", {"url": link})
    until(lambda: browser.run("return document.querySelectorAll('#leftout li').length") == 1)
    browser.run("document.querySelector('#leftout button').click()")
    until(lambda: not rows(folder))
    until(lambda: stems(link) == {"2", "21"})
    assert Path(folder / STRAY).read_bytes() == (SAMPLES / STRAY).read_bytes()
