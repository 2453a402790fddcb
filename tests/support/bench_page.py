"""The bench page in tests: started on a folder, asked, and used as a hand would."""

import csv
import http.client
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTO = (SAMPLES / "jar-21-48h.jpg").read_bytes()


def until(holds, seconds=300):
    """Wait until something holds; a page and a reading take their time."""
    for _ in range(seconds * 5):
        found = holds()
        if found:
            return found
        time.sleep(0.2)
    raise AssertionError("it never came to hold")


def started(folder, *options, before=""):
    """Start the command -> process, link; `before` is Python that is run first in its process.

    The results go to `readings` in the folder.
    """
    out = ["--out", str(folder / "readings")]
    command = f"{before}\nfrom jarvision.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", command, "bench", str(folder), "--no-show", *out, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    return process, process.stdout.readline().split()[-1]


def one_jar_in(folder):
    """Put the photos of a sample jar into a folder."""
    for photo in SAMPLES.glob("jar-21-*.jpg"):
        shutil.copy(photo, folder)
    return folder


@contextmanager
def page_on(folder, *, before=""):
    """Serve a folder until all of it was read -> link; ended on leaving."""
    process, link = started(folder, before=before)
    try:
        until(lambda: asked(link)["jars"])
        until(lambda: not asked(link)["reading"])
        yield link
    finally:
        process.terminate()
        process.wait(timeout=300)
        process.stdout.close()


class Served:
    """A server of its own process, and ways to ask it anything."""

    def __init__(self, folder, *options, before=""):
        self.process, link = started(folder, *options, before=before)
        self.code = link.partition("code=")[2]
        self.host = link.split("/")[2]

    def ask(self, path, method="GET", body=None, **headers):
        """Ask, by default as the page itself does -> status, headers, body."""
        given = {"Host": self.host}
        if method not in ("GET", "HEAD"):
            given["Origin"] = f"http://{self.host}"
        given |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection(self.host, timeout=600)
        try:
            connection.request(method, path, body, {k: v for k, v in given.items() if v})
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def end(self, by=signal.SIGTERM):
        self.process.send_signal(by)
        self.process.wait(timeout=300)
        self.process.stdout.close()


def asked(link, path="api/jars"):
    with urllib.request.urlopen(link + path, timeout=600) as answer:
        return json.load(answer)


def kept(browser):
    """Wait until the page has no gesture left that the program has not written down."""
    until(lambda: browser.run("return !document.querySelector('#one[aria-busy=true]')"))


def opened(browser, link, size=(1280, 900), jar="21", lines=3):
    kept(browser)
    browser.resize(*size)
    browser.call("POST", "/url", {"url": "about:blank"})
    browser.call("POST", "/url", {"url": f"{link}#{jar}"})
    until(lambda: browser.run("return document.querySelectorAll('.line.own').length") >= lines)
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


def drag(browser, what, up_px, **given):
    x, y = middle_of(browser, what)
    pull(browser, (x, y), (x, y - up_px), **given)


def press(browser, *keys):
    actions = [{"type": t, "value": k} for k in keys for t in ("keyDown", "keyUp")]
    browser.call("POST", "/actions", {"actions": [{"type": "key", "id": "k", "actions": actions}]})


def click(browser, name):
    browser.run("document.getElementById(arguments[0]).click()", name)


def soil(browser):
    return browser.run("return document.getElementById('shares').innerText")


def line_px(browser, what):
    """Place of a line in the photo: a point of its curve [px of the picture]."""
    curve = browser.run(
        "return document.querySelector(`.line:not(.here)[data-what='${arguments[0]}'] .grip`)"
        ".getAttribute('d')",
        what,
    )
    points = curve.split("M")[1].split("L")
    return len(points) // 2, tuple(map(float, points[len(points) // 2].split()))


def drag_to(browser, glass, what, mm):
    """Drag a line to where the page draws a height above the floor that was read.

    Returns whether there was anything to move: less than a fifth of a millimetre is left.
    """
    index, (x, y) = line_px(browser, what)
    column = [row[index] for row in glass["pieces"][0]]
    to_y = interpolated(mm, glass["heights_mm"], [point[1] for point in column])
    to_x = interpolated(mm, glass["heights_mm"], [point[0] for point in column])
    per_mm = abs(column[1][1] - column[0][1]) / (glass["heights_mm"][1] - glass["heights_mm"][0])
    if abs(to_y - y) < 0.2 * per_mm:
        return False
    browser.run("document.querySelector('.pane').scrollIntoView()")
    place = """const to = new DOMPoint(arguments[0], arguments[1])
      .matrixTransform(document.getElementById('photo').getScreenCTM());
      return [to.x, to.y]"""
    (x1, y1), (x2, y2) = (browser.run(place, *at) for at in ((x, y), (to_x, to_y)))
    start = round(x1), round(y1)
    pull(browser, start, (start[0] + round(x2 - x1), start[1] + round(y2 - y1)))
    return True


def drag_outline_to(browser, x_px, y_px):
    """Drag the whole outline of a jar until its floor's front lies at a place of the photo [px]."""
    click(browser, "outline")
    until(lambda: browser.run("return !!document.querySelector('.outline .inside')"))
    browser.run("document.querySelector('.pane').scrollIntoView()")
    start, off = browser.run(
        """const part = (name) => document.querySelector(`[data-part="${name}"]`);
        const curve = part("floor").querySelector(".core");
        const to = document.getElementById("photo").getScreenCTM();
        const now = curve.getPointAtLength(curve.getTotalLength() / 2).matrixTransform(to);
        const aim = new DOMPoint(arguments[0], arguments[1]).matrixTransform(to);
        const box = part("all").getBoundingClientRect();
        const middle = [box.x + box.width / 2, box.y + box.height / 2];
        return [middle, [aim.x - now.x, aim.y - now.y]]""",
        x_px,
        y_px,
    )
    pull(
        browser,
        [round(at) for at in start],
        [round(a + b) for a, b in zip(start, off, strict=True)],
    )
    click(browser, "outline")


def type_height(browser, what, mm):
    """Type a top that was measured on the glass into its box."""
    browser.run(
        """const called = `top of the ${arguments[0]}, mm`;
        const box = document.querySelector(`#shares [aria-label="${called}"]`);
        box.focus(); box.value = arguments[1]; box.dispatchEvent(new Event("change"))""",
        what,
        f"{mm:.1f}",
    )


def interpolated(at, over, values):
    for (low, high), (first, last) in zip(pairwise(over), pairwise(values), strict=True):
        if low <= at <= high:
            return first + (at - low) / (high - low) * (last - first)
    raise ValueError(at)


def pull(browser, start, end, kind="mouse", meanwhile=None):
    """Press at one place of the window, do something else meanwhile, and let go at another."""
    move = {"type": "pointerMove", "duration": 60, "origin": "viewport"}
    middle = [(a + b) // 2 for a, b in zip(start, end, strict=True)]
    actions = [
        {**move, "x": start[0], "y": start[1], "duration": 0},
        {"type": "pointerDown", "button": 0},
        *({**move, "x": x, "y": y} for x, y in (middle, end)),
    ]
    pointer = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}}
    up = {"type": "pointerUp", "button": 0}
    if meanwhile:
        browser.call("POST", "/actions", {"actions": [{**pointer, "actions": actions}]})
        meanwhile()
        actions = []
    # chromedriver lifts no finger that an earlier call put down
    browser.call("POST", "/actions", {"actions": [{**pointer, "actions": [*actions, up]}]})
