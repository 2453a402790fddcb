"""A class at once: thirty phones send, some slowly, and the program is killed while lines come."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import cv2
import pytest
from bench_page import PHOTO, SAMPLES, Served, until

from jarvision.run.engine import read_photos
from jarvision.run.settings import Settings

MOST_BYTES = 1_500_000_000
PHONES = 30


def resident_bytes(pid):
    """Memory of a process and of all that it started (Linux)."""
    listed = subprocess.run(["ps", "-eo", "pid,ppid,rss"], capture_output=True, text=True)
    rows = [tuple(map(int, line.split())) for line in listed.stdout.splitlines()[1:]]
    family, grown = {pid}, True
    while grown:
        more = {child for child, parent, _ in rows if parent in family} - family
        family |= more
        grown = bool(more)
    return sum(1024 * rss for one, _, rss in rows if one in family)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc").is_dir(), reason="memory is told by ps")
def test_thirty_phones_send_at_once_and_no_photo_is_lost(tmp_path):
    served = Served(tmp_path)
    kept, peak = {}, 0

    def sends(who):
        body = PHOTO + b"\0" * 4_000_000 + str(who).encode()  # as large as a phone's own
        status, _, answer = served.ask("/api/photos", "POST", body, X_Photo_Name="IMG_0001.jpg")
        assert status == 200
        kept[who] = json.loads(answer)["name"], body

    threads = [threading.Thread(target=sends, args=(who,)) for who in range(PHONES)]
    for one in threads:
        one.start()
    while any(one.is_alive() for one in threads):
        peak = max(peak, resident_bytes(served.process.pid))
        time.sleep(0.1)
    served.end()
    assert len({name for name, _ in kept.values()}) == PHONES
    for name, body in kept.values():
        assert (tmp_path / name).read_bytes() == body
    assert 0 < peak < MOST_BYTES


# What is waited for is said to be looked at; all else is never read while this lasts.
OTHERS_WAIT = """
import asyncio
from jarvision.bench.reader import FolderReader
read = FolderReader._read
async def only_what_is_waited_for(self, more, until=None):
    if until is None:
        return await read(self, more)
    await self._gives_way(until)
FolderReader._read = only_what_is_waited_for
"""


def verdict_on(served, name):
    """Ask as a phone does, until the photo is no more waited for -> its jar's tile, if any."""
    until(lambda: name not in json.loads(served.ask("/api/doing")[2])["waited_for"], 400)
    tiles = json.loads(served.ask("/api/jars")[2])["jars"]
    return next((tile for tile in tiles if name in tile["photos"]), None)


@pytest.mark.slow
@pytest.mark.photo
def test_a_phones_verdict_comes_although_thirty_jars_wait(tmp_path):
    for i in range(30):  # none of them is ever read here
        shutil.copy(SAMPLES / "jar-21-48h.jpg", tmp_path / f"pot {i} 48h.jpg")
    served = Served(tmp_path, before=OTHERS_WAIT)
    for jar in ("2", "21"):  # the second interrupts nothing, the first interrupts the thirty
        photo = (SAMPLES / f"jar-{jar.zfill(2)}-1min.jpg").read_bytes()
        headers = {"X_Photo_Name": f"{jar} 1min.jpg", "X_Jar": jar}
        status, _, answer = served.ask("/api/photos", "POST", photo, **headers)
        assert status == 200
        tile = verdict_on(served, json.loads(answer)["name"])
        assert tile["verdict"] == "Good"
    headers = {"X_Photo_Name": "IMG_2.jpg", "X_Jar": "4"}
    _, _, answer = served.ask("/api/photos", "POST", b"no photo at all" * 50, **headers)
    assert verdict_on(served, json.loads(answer)["name"]) is None
    assert json.loads(served.ask("/api/doing")[2])["reading"]
    tiles = json.loads(served.ask("/api/jars")[2])["jars"]
    served.end()
    assert {tile["jar"] for tile in tiles} == {"2", "21"}
    assert not (tmp_path / "readings" / "readings.csv").exists()


@pytest.mark.slow
@pytest.mark.photo
def test_a_photo_that_is_taken_again_takes_the_place_of_the_bad_one(tmp_path):
    served = Served(tmp_path)
    status, _, _ = served.ask("/api/shaken", "PUT", json.dumps({"jar": "2"}))
    assert status == 200
    picture = cv2.imread(str(SAMPLES / "jar-02-1min.jpg"))
    verdicts, names = [], []
    for light in (0.06, 1.0):  # the first is far too dark
        body = cv2.imencode(".jpg", (picture * light).astype("uint8"))[1].tobytes()
        headers = {"X_Photo_Name": "image.jpg", "X_Jar": "2"}
        _, _, answer = served.ask("/api/photos", "POST", body, **headers)
        names.append(json.loads(answer)["name"])
        verdicts.append((verdict_on(served, names[-1]) or {"verdict": "none"})["verdict"])
    left_out = json.loads(served.ask("/api/jars")[2])["left_out"]
    served.end()
    assert verdicts == ["Take it again", "Good"]
    assert [row["photo"] for row in left_out] == names[:1]
    assert (tmp_path / names[0]).exists()


@pytest.mark.slow
@pytest.mark.photo
def test_photos_that_are_waited_for_go_first_and_the_rest_is_read_afterwards(tmp_path):
    for name in ("jar-21-48h.jpg", "jar-02-1min.jpg"):
        shutil.copy(SAMPLES / name, tmp_path)
    out = tmp_path / "readings"
    [first] = read_photos(
        [tmp_path], Settings(), out=out, first=[tmp_path / "jar-02-1min.jpg"]
    ).outcomes
    assert first.jar == "2"
    assert not (out / "jar-21.json").exists()
    outcomes = read_photos([tmp_path], Settings(), out=out).outcomes
    assert [(one.jar, one.is_earlier) for one in outcomes] == [("2", True), ("21", False)]


@pytest.mark.slow
def test_an_upload_that_stalls_is_ended_and_holds_nobody_up(tmp_path):
    quick = "import jarvision.bench.uploads as u; u.MOST_IDLE_S = 1.0"
    served = Served(tmp_path, before=quick)
    host, port = served.host.split(":")
    head = (
        f"POST /api/photos HTTP/1.1\r\nHost: {served.host}\r\nOrigin: http://{served.host}\r\n"
        "X-Photo-Name: slow.jpg\r\nContent-Length: 500000\r\n\r\n"
    )
    stalled = [socket.create_connection((host, int(port))) for _ in range(12)]
    for one in stalled:
        one.sendall(head.encode() + PHOTO[:1000])
    status, _, _ = served.ask("/api/photos", "POST", PHOTO, X_Photo_Name="quick.jpg")
    assert status == 200
    for one in stalled:
        one.settimeout(30)
        assert b" 422 " in one.recv(4096).split(b"\r\n")[0]
        one.close()
    served.end()
    assert [path.name for path in tmp_path.glob("*.jpg")] == ["quick.jpg"]


@pytest.mark.slow
@pytest.mark.photo
def test_all_lines_that_were_acknowledged_outlive_a_program_that_is_killed(tmp_path):
    shutil.copy(SAMPLES / "jar-21-48h.jpg", tmp_path)
    served = Served(tmp_path)
    until(lambda: json.loads(served.ask("/api/jars")[2])["jars"])
    page = json.loads(served.ask("/api/jar/21")[2])
    top = page["photos"][-1]["tops"][2]["mm"]
    acknowledged = []

    def corrects():
        version = page["version"]
        for i in range(200):
            line = {"what": "clay", "reading": "48h", "mm": top + 0.05 * i, "sd_mm": 0.5}
            body = json.dumps({"version": version, "lines": [line]})
            try:
                status, _, answer = served.ask("/api/jar/21/lines", "PUT", body)
            except OSError:
                return
            if status != 200:
                return
            version = json.loads(answer)["version"]
            acknowledged.append(line["mm"])

    one = threading.Thread(target=corrects)
    one.start()
    until(lambda: len(acknowledged) > 4)
    served.end(signal.SIGKILL)
    one.join()
    again = Served(tmp_path)
    [line] = json.loads(again.ask("/api/jar/21")[2])["lines"]
    again.end()
    # the last that was acknowledged, or the one that was on its way
    assert line["mm"] in (
        pytest.approx(acknowledged[-1], abs=0.006),
        pytest.approx(acknowledged[-1] + 0.05, abs=0.006),
    )


@pytest.mark.slow
@pytest.mark.photo
def test_options_of_read_hold_when_the_folder_is_read_from_the_page(tmp_path):
    shutil.copy(SAMPLES / "jar-21-48h.jpg", tmp_path)
    served = Served(tmp_path, "--classes", "german")
    until(lambda: (tmp_path / "readings" / "classes.csv").exists())
    served.end()


def test_an_option_that_read_does_not_have_is_refused_before_a_page_opens(tmp_path):
    command = [sys.executable, "-c", "from jarvision.cli import main; main()", "bench"]
    done = subprocess.run(
        [*command, str(tmp_path), "--no-show", "--strip-cm", "15"],
        capture_output=True,
        text=True,
        env={**os.environ},
    )
    assert done.returncode == 2
    assert "--strip-cm" in done.stderr
