"""The page in a real browser: a line is dragged, kept, read again, and taken back."""

import csv
import json
import os
import shutil
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from browser import browser_session, find_browser

SAMPLES = Path(__file__).parents[2] / "sample_images"
_, _, MISSING = find_browser()
pytestmark = [
    pytest.mark.slow,
    pytest.mark.photo,
    pytest.mark.skipif(bool(MISSING), reason=MISSING or "browser found"),
]


def until(holds, seconds=120):
    """Wait until something holds; a page and a reading take their time."""
    for _ in range(seconds * 5):
        found = holds()
        if found:
            return found
        time.sleep(0.2)
    raise AssertionError("it never came to hold")


def started(folder, *options):
    command = "from jarvision.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", command, "bench", str(folder), "--no-show", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    return process, process.stdout.readline().split()[-1]


def asked(link, path="api/jars"):
    with urllib.request.urlopen(link + path, timeout=60) as answer:
        return json.load(answer)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("photos")
    for photo in SAMPLES.glob("jar-21-*.jpg"):
        shutil.copy(photo, path)
    return path


@pytest.fixture(scope="module")
def link(folder):
    process, link = started(folder)
    until(lambda: asked(link)["jars"])
    until(lambda: not asked(link)["reading"])
    yield link
    process.terminate()
    process.wait(timeout=20)
    process.stdout.close()


@pytest.fixture(scope="module")
def browser(link):
    with browser_session() as session:
        yield session


def opened(browser, link, size=(1280, 900)):
    browser.resize(*size)
    browser.call("POST", "/url", {"url": "about:blank"})
    browser.call("POST", "/url", {"url": f"{link}#21"})
    until(lambda: browser.run("return document.querySelectorAll('.line.own').length") >= 3)
    until(lambda: browser.run("const i=document.querySelector('#photo image'); return !!i"))


def rows(folder):
    path = folder / "readings" / "corrections.csv"
    return list(csv.DictReader(path.read_text().splitlines())) if path.exists() else []


def middle_of(browser, what):
    return browser.run(
        """const line = `.line:not(.here)[data-what='${arguments[0]}'] .grip`;
        const path = document.querySelector(line);
        const at = path.getPointAtLength(path.getTotalLength() * 0.75);
        const to = at.matrixTransform(path.getScreenCTM());
        return [Math.round(to.x), Math.round(to.y)]""",
        what,
    )


def drag(browser, what, up_px, kind="mouse"):
    x, y = middle_of(browser, what)
    move = {"type": "pointerMove", "duration": 60, "origin": "viewport"}
    actions = [
        {**move, "x": x, "y": y, "duration": 0},
        {"type": "pointerDown", "button": 0},
        {**move, "x": x, "y": y - up_px // 2},
        {**move, "x": x, "y": y - up_px},
        {"type": "pointerUp", "button": 0},
    ]
    pointer = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}}
    browser.call("POST", "/actions", {"actions": [{**pointer, "actions": actions}]})


def press(browser, *keys):
    actions = [{"type": t, "value": k} for k in keys for t in ("keyDown", "keyUp")]
    browser.call("POST", "/actions", {"actions": [{"type": "key", "id": "k", "actions": actions}]})


def click(browser, name):
    browser.run("document.getElementById(arguments[0]).click()", name)


def soil(browser):
    return browser.run("return document.getElementById('shares').innerText")


def test_a_dragged_line_is_kept_read_again_and_taken_back(browser, link, folder):
    opened(browser, link)
    was = soil(browser)
    [before] = [one["mm"] for one in asked(link, "api/jar/21")["result"]["tops"][:1]]
    drag(browser, "sand", 40)
    until(lambda: rows(folder))
    until(lambda: soil(browser) != was)
    [row] = rows(folder)
    assert (row["jar"], row["what"], row["sd"]) == ("21", "sand", "0.50")
    assert float(row["value"]) > before + 1
    until(lambda: not asked(link)["reading"])
    moved = soil(browser)
    record = json.loads((folder / "readings" / "jar-21.json").read_text())
    assert record["put_right"][0]["value_mm"] == pytest.approx(float(row["value"]), abs=0.01)
    opened(browser, link)
    until(lambda: soil(browser) == moved)
    assert until(lambda: "By weight, estimated" in browser.run("return document.body.innerText"))
    click(browser, "back")
    until(lambda: not rows(folder))
    until(lambda: soil(browser) == was)
    click(browser, "undo")
    until(lambda: rows(folder))
    until(lambda: soil(browser) == moved)
    click(browser, "redo")
    until(lambda: not rows(folder))


def test_keys_move_a_line_by_a_tenth_of_a_millimetre(browser, link, folder):
    opened(browser, link)
    before = asked(link, "api/jar/21")["photos"][2]["tops"][2]["mm"]
    browser.run("document.querySelector(\".line.own[data-what='clay']\").focus()")
    press(browser, "\ue013", "\ue013")  # WebDriver's arrow up
    [row] = until(lambda: rows(folder))
    assert float(row["value"]) == pytest.approx(before + 0.2, abs=0.011)
    click(browser, "back")
    until(lambda: not rows(folder))


def test_a_finger_drags_at_a_phones_width_and_nothing_scrolls_sideways(browser, link, folder):
    opened(browser, link, (360, 740))
    browser.run("document.querySelector('.pane').scrollIntoView()")
    drag(browser, "silt", 20, kind="touch")
    [row] = until(lambda: rows(folder))
    assert row["what"] == "silt"
    wide, seen = browser.run(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen
    click(browser, "back")
    until(lambda: not rows(folder))


def test_lines_have_names_for_a_screen_reader(browser, link):
    opened(browser, link)
    names = browser.run(
        "return [...document.querySelectorAll('.line')].map(one => one.getAttribute('aria-label'))"
    )
    assert all(names)
    assert {"top of the sand", "top of the clay", "inside floor"} <= set(names)
    assert browser.log() == []


def test_a_phone_sends_a_photo_and_is_told_what_it_is_worth(browser, link, folder):
    browser.resize(360, 740)
    browser.call("POST", "/url", {"url": f"{link}phone"})
    browser.run(
        "const jar = document.getElementById('jar'); jar.value = '2';"
        "jar.dispatchEvent(new Event('input')); document.getElementById('shaken').click()"
    )
    until(lambda: browser.run("return document.getElementById('count').textContent").endswith("s"))
    assert asked(link, "api/shaken")["shaken_s"].keys() == {"2"}
    found = browser.call("POST", "/element", {"using": "css selector", "value": "#camera"})
    [element] = found.values()
    photo = str(SAMPLES / "jar-02-1min.jpg")
    browser.call("POST", f"/element/{element}/value", {"text": photo})
    words = until(lambda: browser.run("return document.getElementById('verdict').textContent"))
    assert words == "Good"
    assert (folder / "jar-2-1min.jpg").read_bytes() == Path(photo).read_bytes()
    wide, seen = browser.run(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen
    assert browser.log() == []
