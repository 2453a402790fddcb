"""A headless Firefox for tests, with the surface of `browser.Browser`.

Debian has no driver for it, but Firefox itself speaks the commands of WebDriver (W3C) over its own
protocol: messages of JSON, each after its length and a colon.
"""

import base64
import json
import shutil
import socket
import subprocess
import tempfile
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

from browser import free_port

_COMMANDS = {
    "/url": "Navigate",
    "/execute/sync": "ExecuteScript",
    "/actions": "PerformActions",
    "/element": "FindElement",
}
_FLAGS = ("--headless", "--marionette", "--remote-allow-system-access", "--no-remote")
_PREFERENCES = {
    "app.update.enabled": False,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "toolkit.telemetry.enabled": False,
}
_LOG = """const told = Services.console.getMessageArray()
  .filter((one) => one instanceof Ci.nsIScriptError && !(one.flags & one.warningFlag))
  .filter((one) => String(one.sourceName).startsWith("http"))
  .map((one) => one.message);
Services.console.reset(); return told"""
_RESIZE = """const root = document.documentElement;
root.style.setProperty("min-width", "0", "important");
const [wide, high] = arguments;
const {clientWidth, clientHeight} = gBrowser.selectedBrowser;
window.resizeBy(wide - clientWidth, high - clientHeight)"""


def find_firefox():
    """Path of Firefox, and a reason when it is missing."""
    found = shutil.which("firefox-esr") or shutil.which("firefox")
    return (
        found,
        "" if found else "firefox is not installed (on Debian: apt-get install firefox-esr)",
    )


class Firefox:
    """One session: open pages, set the window's size, read the log, run small scripts."""

    def __init__(self, connection):
        self._stream = connection.makefile("rwb")
        self._sent = 0
        self._answer()  # the greeting
        self._ask("WebDriver:NewSession", {"capabilities": {"alwaysMatch": {}}})

    def call(self, method, path, body=None):
        """Give a command by the path that it has in WebDriver."""
        if path.endswith("/value"):
            element = path.split("/")[2]
            return self._ask("WebDriver:ElementSendKeys", {"id": element, **body})
        made = self._ask(f"WebDriver:{_COMMANDS[path]}", body or {})
        return made.get("value", made) if isinstance(made, dict) else made

    def resize(self, width, height, *, scale=1):
        for _ in range(50):
            seen = self.run("return [innerWidth, innerHeight]")
            if seen == [width, height]:
                return
            self._as_program(_RESIZE, width, height)
            time.sleep(0.1)
        raise AssertionError(f"the window is {seen}, not {width} by {height}")

    def run(self, script, *arguments):
        return self.call("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def log(self):
        """Errors of pages since the last call."""
        return self._as_program(_LOG)

    def screenshot(self, *, whole=False):
        shot = self._ask("WebDriver:TakeScreenshot", {"full": whole})
        return base64.b64decode(shot["value"])

    def _as_program(self, script, *arguments):
        """Run a script in the browser's own window."""
        self._ask("Marionette:SetContext", {"value": "chrome"})
        try:
            return self.run(script, *arguments)
        finally:
            self._ask("Marionette:SetContext", {"value": "content"})

    def _ask(self, command, parameters):
        self._sent += 1
        said = json.dumps([0, self._sent, command, parameters]).encode()
        self._stream.write(b"%d:%s" % (len(said), said))
        self._stream.flush()
        _, _, error, made = self._answer()
        if error:
            raise RuntimeError(f"{command}: {error['message']}")
        return made

    def _answer(self):
        size = b""
        while not size.endswith(b":"):
            one = self._stream.read(1)
            if not one:
                raise RuntimeError("Firefox ended")
            size += one
        return json.loads(self._stream.read(int(size[:-1])))


@contextmanager
def firefox_session():
    """Start a Firefox with an empty profile; end it. One that does not get up is started anew."""
    firefox, reason = find_firefox()
    if reason:
        raise RuntimeError(reason)
    for left in (2, 1, 0):
        with ExitStack() as held:
            try:
                connection = held.enter_context(_started(firefox))
                session = Firefox(connection)
            except (OSError, RuntimeError):  # on a busy machine its first window may never come
                if not left:
                    raise
                continue
            connection.settimeout(600)
            yield session
            return


@contextmanager
def _started(firefox):
    """Start a Firefox with an empty profile -> connection to it; end it."""
    port = free_port()
    preferences = _PREFERENCES | {"marionette.port": port}
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        lines = [f"user_pref({json.dumps(k)}, {json.dumps(v)});" for k, v in preferences.items()]
        (Path(profile) / "user.js").write_text("\n".join(lines))
        process = subprocess.Popen(
            [firefox, *_FLAGS, "--profile", profile],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            with _connected(port, process) as connection:
                yield connection
        finally:
            process.terminate()
            try:
                process.wait(timeout=60)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(timeout=300)


def _connected(port, process):
    for _ in range(1200):
        if process.poll() is not None:
            raise RuntimeError("Firefox ended")
        try:
            return socket.create_connection(("127.0.0.1", port), timeout=180)
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("Firefox did not start")
