"""Gestures that come faster than the program answers, and two people at one jar: none is lost."""

import json
import urllib.error
import urllib.request
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
    rows,
    soil,
    until,
)
from browser import browser_session, find_browser

SAMPLES = Path(__file__).parents[2] / "sample_images"
_, _, MISSING = find_browser()
pytestmark = [
    pytest.mark.slow,
    pytest.mark.photo,
    pytest.mark.skipif(bool(MISSING), reason=MISSING or "browser found"),
]

# Each writing down takes a second.
SLOW = """
import time
from jarvision.bench.jars import JarsOnBench
keep = JarsOnBench.keep
def slow(self, *given):
    time.sleep(1.0)
    return keep(self, *given)
JarsOnBench.keep = slow
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return one_jar_in(tmp_path_factory.mktemp("photos"))


@pytest.fixture(scope="module")
def link(folder):
    with page_on(folder, before=SLOW) as link:
        yield link


@pytest.fixture(scope="module")
def session(link):
    with browser_session() as session:
        yield session


@pytest.fixture
def browser(session, link, folder):
    """Begin with a jar that nobody has touched."""
    kept(session)
    session.call("POST", "/url", {"url": "about:blank"})
    until(lambda: put(link, []))
    until(lambda: not asked(link)["reading"])
    opened(session, link)
    session.log()
    return session


def put(link, lines):
    """Put lines right as another person's page does."""
    version = asked(link, "api/jar/21")["version"]
    body = json.dumps({"version": version, "lines": lines, "by": "Ada"}).encode()
    origin = {"Origin": link.rstrip("/")}
    request = urllib.request.Request(f"{link}api/jar/21/lines", body, origin, method="PUT")
    try:
        with urllib.request.urlopen(request, timeout=600) as answer:
            return json.load(answer)
    except urllib.error.HTTPError:  # 409: the page was quicker
        return None


def theirs(link, what, up_mm):
    """Give the line of another person: of the last photo, somewhat higher than it was read."""
    photo = asked(link, "api/jar/21")["photos"][-1]
    [mm] = [top["mm"] + up_mm for top in photo["tops"] if top["what"] == what]
    return {"what": what, "reading": photo["reading"], "mm": mm, "sd_mm": 0.5}


def lines_in(folder):
    return {row["what"]: float(row["value"]) for row in rows(folder)}


def test_gestures_before_the_answer_to_the_first_are_all_kept_in_their_order(browser, folder):
    was = soil(browser)
    drag(browser, "sand", 25)
    drag(browser, "clay", 10)
    browser.run("document.querySelector(\".line.older[data-what='silt']\").focus()")
    press(browser, "\ue013")
    click(browser, "undo")
    click(browser, "redo")
    until(lambda: set(lines_in(folder)) == {"sand", "silt", "clay"})
    drag(browser, "sand", 10)
    click(browser, "back")
    until(lambda: not rows(folder))
    kept(browser)
    until(lambda: soil(browser) == was)
    for _ in range(2):
        click(browser, "undo")
    until(lambda: set(lines_in(folder)) == {"sand", "silt", "clay"})
    assert not [told for told in browser.log() if "409" in told["message"]]


def test_what_another_person_did_to_another_line_is_shown_and_both_are_kept(browser, link, folder):
    other = theirs(link, "clay", 1.0)
    drag(browser, "sand", 25, meanwhile=lambda: until(lambda: put(link, [other])))
    until(lambda: set(lines_in(folder)) == {"sand", "clay"})
    until(lambda: "by Ada" in browser.run("return document.getElementById('byhand').innerText"))
    click(browser, "undo")
    until(lambda: set(lines_in(folder)) == {"clay"})


@pytest.mark.parametrize("answer", ["mine", "theirs"])
def test_where_both_moved_one_line_the_page_asks(browser, link, folder, answer):
    other = theirs(link, "sand", 3.0)
    drag(browser, "sand", -25, meanwhile=lambda: until(lambda: put(link, [other])))
    asks = "const asked = document.getElementById('asked'); return !asked.hidden && asked.innerText"
    shown = until(lambda: browser.run(asks))
    assert "Ada put the top of the sand at" in shown
    assert f"{other['mm']:.1f} mm" in shown
    assert lines_in(folder)["sand"] == pytest.approx(other["mm"], abs=0.01)
    click(browser, answer)
    if answer == "mine":
        until(lambda: lines_in(folder)["sand"] < other["mm"] - 3)
        click(browser, "undo")
    until(lambda: lines_in(folder)["sand"] == pytest.approx(other["mm"], abs=0.02))
    assert browser.run(asks) is False
