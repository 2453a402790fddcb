"""The bench page in tests: started on a folder, asked, and used as a hand would."""

import csv
import json
import os
import subprocess
import sys
import time
import urllib.request


def until(holds, seconds=120):
    """Wait until something holds; a page and a reading take their time."""
    for _ in range(seconds * 5):
        found = holds()
        if found:
            return found
        time.sleep(0.2)
    raise AssertionError("it never came to hold")


def started(folder, *options, before=""):
    """Start the command -> process, link; `before` is Python that is run first in its process."""
    command = f"{before}\nfrom jarvision.cli import main; main()"
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


def opened(browser, link, size=(1280, 900), jar="21"):
    browser.resize(*size)
    browser.call("POST", "/url", {"url": "about:blank"})
    browser.call("POST", "/url", {"url": f"{link}#{jar}"})
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
