"""The page in a real browser: a line is dragged, kept, read again, and taken back."""

import json
from pathlib import Path

import pytest
from bench_page import (
    asked,
    click,
    drag,
    kept,
    one_jar_in,
    opened,
    page_on,
    press,
    pull,
    rows,
    soil,
    until,
)
from browser import browser_session, find_browser
from firefox import find_firefox, firefox_session

SAMPLES = Path(__file__).parents[2] / "sample_images"
BROWSERS = {
    "chromium": (browser_session, find_browser()[2]),
    "firefox": (firefox_session, find_firefox()[1]),
}
pytestmark = [pytest.mark.slow, pytest.mark.photo]

# keys, as WebDriver names them
ENTER, ARROW_LEFT, ARROW_UP = "\ue007", "\ue012", "\ue013"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return one_jar_in(tmp_path_factory.mktemp("photos"))


@pytest.fixture(scope="module")
def link(folder):
    with page_on(folder) as link:
        yield link


@pytest.fixture(scope="module", params=BROWSERS)
def browser(request, link):
    started, missing = BROWSERS[request.param]
    if missing:
        pytest.skip(missing)
    with started() as session:
        yield session


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
    kept = folder / "readings" / "jar-21.json"
    [line] = until(lambda: json.loads(kept.read_text())["put_right"])
    assert line["value_mm"] == pytest.approx(float(row["value"]), abs=0.01)
    until(lambda: not asked(link)["reading"])
    moved = soil(browser)
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
    press(browser, ARROW_UP, ARROW_UP)
    [row] = until(lambda: rows(folder))
    assert float(row["value"]) == pytest.approx(before + 0.2, abs=0.011)
    click(browser, "back")
    until(lambda: not rows(folder))


def test_a_line_that_is_put_right_from_closer_by_is_surer(browser, link, folder):
    opened(browser, link)
    click(browser, "closer")
    drag(browser, "clay", 20)
    [row] = until(lambda: rows(folder))
    assert float(row["sd"]) < 0.5
    click(browser, "closer")
    click(browser, "back")
    until(lambda: not rows(folder))


def boxes(folder):
    return [row["what"] for row in rows(folder)]


def take_back(browser):
    browser.run("[...document.querySelectorAll('#byhand button')].at(-1).click()")


def test_a_part_is_left_out_with_a_finger_and_taken_back(browser, link, folder):
    opened(browser, link, (360, 740))
    click(browser, "leave")
    browser.run("document.querySelector('.pane').scrollIntoView()")
    x, y, wide, high = browser.run(
        "const {x, y, width, height} = document.getElementById('photo').getBoundingClientRect();"
        "return [x, y, width, height]"
    )
    corners = [(round(x + a * wide), round(y + b * high)) for a, b in ((0.3, 0.3), (0.4, 0.5))]
    pull(browser, *corners, kind="touch")
    [row] = until(lambda: rows(folder))
    assert row["what"] == "left out"
    first, last = row["value"].split()[::2]
    assert 0 < float(first) < float(last) < 100
    path = folder / "readings" / "jar-21.json"
    until(lambda: "parts of it left out" in path.read_text())
    until(
        lambda: "is left out" in browser.run("return document.getElementById('byhand').innerText")
    )
    take_back(browser)
    until(lambda: not rows(folder))
    click(browser, "undo")
    until(lambda: boxes(folder) == ["left out"])
    click(browser, "back")
    until(lambda: not rows(folder))


def test_keys_leave_a_part_out_and_move_the_outline(browser, link, folder):
    opened(browser, link)
    browser.run("document.getElementById('leave').focus()")
    press(browser, ENTER)
    until(lambda: browser.run("return document.activeElement.dataset.part") == "box")
    press(browser, ARROW_UP, ENTER)
    until(lambda: boxes(folder) == ["left out"])
    click(browser, "back")
    until(lambda: not rows(folder))
    browser.run("document.getElementById('outline').focus()")
    press(browser, ENTER)
    was = asked(link, "api/jar/21")["photos"][2]["outline"]
    browser.run("document.querySelector('[data-part=left]').focus()")
    press(browser, ARROW_LEFT, ARROW_LEFT)
    [row] = until(lambda: rows(folder))
    assert row["what"] == "outline"
    points = list(map(float, row["value"].split()))
    assert points[0] == pytest.approx(was[0][0] - 0.2, abs=0.002)
    assert points[6] == pytest.approx(was[3][0] - 0.2, abs=0.002)
    assert points[2:6] == pytest.approx([*was[1], *was[2]], abs=0.002)
    until(lambda: "jar's outline" in (folder / "readings" / "jar-21.json").read_text())
    click(browser, "outline")
    click(browser, "undo")
    until(lambda: not rows(folder))


def test_the_triangle_follows_while_a_line_is_held(browser, link):
    opened(browser, link)
    point = "return document.querySelector('#triangle .point').getAttribute('d')"
    was = until(lambda: browser.run(point))

    def follows():
        until(lambda: browser.run(point) != was)

    drag(browser, "clay", 40, meanwhile=follows)
    click(browser, "back")
    until(lambda: browser.run(point) == was)


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
    kept(browser)
    browser.resize(360, 740)
    browser.call("POST", "/url", {"url": f"{link}phone"})
    until(lambda: browser.run("return !document.getElementById('shaken').disabled"))
    browser.run(
        "const jar = document.getElementById('jar'); jar.value = '2';"
        "jar.dispatchEvent(new Event('input')); document.getElementById('shaken').click()"
    )
    told = "return ['count', 'said'].map((one) => document.getElementById(one).textContent)"
    [(counted, said)] = until(lambda: [one for one in [browser.run(told)] if any(one)])
    assert said in ("", "The clock runs."), said
    # a busy machine may have slept on it
    assert counted.endswith(" s") or counted == "Now" or said, (counted, said)
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
    # a click of a script is no person's, so Firefox starts no sound on it, and says so
    assert [told for told in browser.log() if "AudioContext" not in str(told)] == []
