"""A line that somebody drew on the glass is taken for the layer's line with a tap.

The line's height is the one at which it was drawn, pinned to two points of the photo's truth.
"""

import shutil

import cv2
import pens
import pytest
from bench_page import SAMPLES, asked, click, opened, page_on, press, rows, soil, until
from browser import browser_session, find_browser

from jarvision.photo.decode import open_photo
from jarvision.wall.locate import look_at_jar, orient

_, _, MISSING = find_browser()
pytestmark = [
    pytest.mark.slow,
    pytest.mark.photo,
    pytest.mark.skipif(bool(MISSING), reason=MISSING or "browser found"),
]

HIGHER_MM = 1.2  # than the truth: whoever drew it was a little off
BESIDE_MM = 13.0  # the strip, round the glass


def with_pen_line(folder):
    """Put jar 21 into a folder, a line of pen on its glass in the last photo -> its height [mm]."""
    for photo in SAMPLES.glob("jar-21-*.jpg"):
        shutil.copy(photo, folder)
    photo, strips = orient(open_photo(SAMPLES / "jar-21-48h.jpg"))
    seen, _ = look_at_jar({"": photo}, {"": strips[0]})
    row = pens.sample_row("21", "48h")
    height_mm = float(row["top_mm"]) + HIGHER_MM
    line = pens.Stroke(height_mm, BESIDE_MM, 24.0, 1.2, seed=5)
    drawn = pens.drawn_on(photo.bgr, pens.on_photo(seen[""].jar, row), [line])
    cv2.imwrite(str(folder / "jar-21-48h.jpg"), drawn, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return height_mm


@pytest.mark.parametrize("size", [(1280, 900), (360, 740)])
def test_a_mark_on_the_glass_is_taken_with_a_tap_or_a_key(tmp_path, size):
    drawn_mm = with_pen_line(tmp_path)
    with page_on(tmp_path) as link, browser_session() as browser:
        opened(browser, link, size)
        was = soil(browser)
        mark = '.line.here[aria-label^="Put the top of the clay here"][aria-label$="the glass"]'
        name = until(
            lambda: browser.run(
                "return document.querySelector(arguments[0])?.getAttribute('aria-label')", mark
            )
        )
        assert "the mark on the glass" in name
        if size[0] > 1000:
            browser.run("document.querySelector(arguments[0]).focus()", mark)
            press(browser, "\ue007")  # WebDriver's enter
        else:
            click_on = "document.querySelector(arguments[0]).dispatchEvent(new Event('click'))"
            browser.run(click_on, mark)
        [row] = until(lambda: rows(tmp_path))
        assert (row["jar"], row["what"]) == ("21", "clay")
        assert float(row["value"]) == pytest.approx(drawn_mm, abs=0.6)
        assert 0.2 <= float(row["sd"]) <= 1.0
        until(lambda: soil(browser) != was)
        until(lambda: not asked(link)["reading"])
        [line] = asked(link, "api/jar/21")["lines"]
        assert line["mm"] == pytest.approx(float(row["value"]), abs=0.01)
        click(browser, "undo")
        until(lambda: not rows(tmp_path))
        assert browser.log() == []
