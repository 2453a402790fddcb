"""A headless Chromium for tests, driven over the WebDriver protocol (W3C) by chromedriver.

Both come from the operating system's packages; `find_browser` says what is missing.
"""

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def find_browser():
    """Paths of browser and driver, and a reason when one is missing."""
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    driver = shutil.which("chromedriver")
    if browser and driver:
        return browser, driver, ""
    missing = "chromedriver" if browser else "chromium"
    return None, None, f"{missing} is not installed (on Debian: apt-get install chromium-driver)"


class Browser:
    """One session: open pages, set the window's size, read the log, run small scripts."""

    def __init__(self, base, session):
        self._base = f"{base}/session/{session}"

    def call(self, method, path, body=None):
        return _request(method, f"{self._base}{path}", body)

    def devtools(self, command, **parameters):
        body = {"cmd": command, "params": parameters}
        return self.call("POST", "/goog/cdp/execute", body)

    def resize(self, width, height, *, scale=1):
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=scale,
            mobile=width < 600,
        )

    def open(self, path):
        self.call("POST", "/url", {"url": Path(path).resolve().as_uri()})

    def run(self, script, *arguments):
        return self.call("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def log(self):
        """Messages of the console since the last call."""
        return self.call("POST", "/se/log", {"type": "browser"})

    def screenshot(self, *, whole=False):
        shot = self.devtools("Page.captureScreenshot", captureBeyondViewport=whole)
        return base64.b64decode(shot["data"])

    def pdf(self, **options):
        for left in (3, 2, 1, 0):  # a browser that is still laying out refuses to print
            try:
                printed = self.devtools("Page.printToPDF", printBackground=True, **options)
            except urllib.error.HTTPError:
                if not left:
                    raise
                time.sleep(1.0)
            else:
                return base64.b64decode(printed["data"])
        raise AssertionError


def _request(method, url, body=None):
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"}, method=method)
    with urllib.request.urlopen(request, timeout=600) as answer:
        return json.load(answer)["value"]


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def browser_session():
    """Start chromedriver and a browser with an empty profile; end both."""
    browser, driver, reason = find_browser()
    if reason:
        raise RuntimeError(reason)
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        process = subprocess.Popen(
            [driver, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            _await(base, process)
            session = _request("POST", f"{base}/session", _capabilities(browser, profile))
            one = Browser(base, session["sessionId"])
            try:
                yield one
            finally:
                one.call("DELETE", "")
        finally:
            process.terminate()
            process.wait(timeout=300)


def _capabilities(browser, profile):
    options = {"binary": browser, "args": [*_FLAGS, f"--user-data-dir={profile}"]}
    wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
    return {"capabilities": {"alwaysMatch": wanted}}


def _await(base, process):
    for _ in range(200):
        if process.poll() is not None:
            raise RuntimeError("chromedriver ended")
        try:
            if _request("GET", f"{base}/status")["ready"]:
                return
        except (urllib.error.URLError, ConnectionError):
            pass
        time.sleep(0.05)
    raise RuntimeError("chromedriver did not start")
