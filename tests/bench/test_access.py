"""Who is turned away: wrong code, another page, another name for this machine; strange uploads.

What a browser sends of the page that asks is laid down in RFC 6454 (Origin) and RFC 9110 (Host).
"""

import http.client
import json
import signal
import socket
import threading
import time

import pytest
from bench_page import PHOTO, Served


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("photos")


@pytest.fixture(scope="module")
def served(folder):
    one = Served(folder)
    yield one
    one.end()


@pytest.fixture(scope="module")
def phones(tmp_path_factory):
    one = Served(tmp_path_factory.mktemp("phones"), "--phone", "--address", "127.0.0.1")
    yield one
    one.end()


def test_the_page_is_given_with_a_policy_that_lets_nothing_else_in(served):
    status, headers, body = served.ask("/")
    assert status == 200
    assert "default-src 'none'" in headers["content-security-policy"]
    assert b"http://" not in body
    assert b"https://" not in body


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "", "127.0.0.1", "localhost"])
def test_another_name_for_this_machine_is_turned_away(served, host):
    assert served.ask("/api/jars", Host=host or "x")[0] == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_a_page_of_another_site_can_change_nothing(served, folder, headers):
    status, _, _ = served.ask("/api/photos", "POST", PHOTO, X_Photo_Name="a.jpg", **headers)
    assert status == 403
    assert not list(folder.glob("*.jpg"))


def test_phones_need_the_code(phones):
    assert len(phones.code) == 32  # 128 bits
    assert phones.ask("/")[0] == 403
    assert phones.ask("/api/jars")[0] == 403
    for wrong in ("", "0" * 32, phones.code[:-1], phones.code + "0", "%FF", "é"):
        assert phones.ask(f"/?code={wrong.encode().hex() if wrong == 'é' else wrong}")[0] == 403
    port = phones.host.rpartition(":")[2]
    assert phones.ask("/", Cookie=f"jarvision_{port}=0000")[0] == 403
    status, headers, _ = phones.ask(f"/?code={phones.code}")
    assert (status, headers["location"]) == (303, "/")
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    status, _, body = phones.ask("/phone.svg", Cookie=cookie.split(";")[0])
    assert status == 200
    assert body.startswith(b"<svg")


@pytest.mark.parametrize(
    "name",
    [
        "../../up.jpg",
        "..%2F..%2Fup.jpg",
        "C:%5Cwindows%5Cup.jpg",
        "/etc/up.jpg",
        "CON.jpg",
        ".hidden.jpg",
        "-rf.jpg",
        "%3Cscript%3Ealert(1)%3C%2Fscript%3E.jpg",
        "overlay-1-48h.jpg",
        "a" * 900 + ".jpg",
        "%00%0A%E2%80%AE.jpg",
    ],
)
def test_odd_names_stay_in_the_folder(served, folder, name):
    body = PHOTO + name.encode()
    before = set(folder.parent.iterdir())
    status, _, answer = served.ask("/api/photos", "POST", body, X_Photo_Name=name)
    assert status == 200
    stored = folder / json.loads(answer)["name"]
    assert stored.read_bytes() == body
    assert set(folder.parent.iterdir()) == before
    assert not stored.name.startswith((".", "-", "overlay"))


def test_the_same_photo_is_kept_once_and_another_of_its_name_beside_it(served, folder):
    first = json.loads(served.ask("/api/photos", "POST", PHOTO + b"1", X_Photo_Name="b.jpg")[2])
    again = json.loads(served.ask("/api/photos", "POST", PHOTO + b"1", X_Photo_Name="c.jpg")[2])
    other = json.loads(served.ask("/api/photos", "POST", PHOTO + b"2", X_Photo_Name="b.jpg")[2])
    assert (again["name"], again["is_new"]) == (first["name"], False)
    assert other["name"] != first["name"]
    assert (folder / first["name"]).read_bytes() == PHOTO + b"1"


def test_too_large_wrong_and_empty_uploads_are_refused_in_a_sentence(served, folder):
    before = sorted(folder.iterdir())
    large = {"X_Photo_Name": "a.jpg", "Content_Length": "1000000000"}
    assert served.ask("/api/photos", "POST", b"", **large)[0] == 413
    assert served.ask("/api/photos", "POST", PHOTO, X_Photo_Name="a.exe")[0] == 422
    assert served.ask("/api/photos", "POST", PHOTO)[0] == 422
    status, _, answer = served.ask("/api/photos", "POST", b"", X_Photo_Name="a.jpg")
    assert status == 422
    assert json.loads(answer)["sentence"].endswith(".")
    assert [p for p in sorted(folder.iterdir()) if p.suffix == ".jpg"] == [
        p for p in before if p.suffix == ".jpg"
    ]


def test_an_upload_that_breaks_off_leaves_nothing(served, folder):
    before = {p.name for p in folder.glob("*.jpg")}
    host, port = served.host.split(":")
    head = (
        f"POST /api/photos HTTP/1.1\r\nHost: {served.host}\r\nOrigin: http://{served.host}\r\n"
        "X-Photo-Name: cut.jpg\r\nContent-Length: 500000\r\n\r\n"
    )
    with socket.create_connection((host, int(port))) as one:
        one.sendall(head.encode() + PHOTO[:1000])
    time.sleep(0.5)
    assert {p.name for p in folder.glob("*.jpg")} == before
    assert served.ask("/api/doing")[0] == 200


@pytest.mark.parametrize(
    "path", ["/api/jar/..%2F..%2Fetc", "/overlay/..%2Fphotos.json", "/api/jar/x/photo/99", "/x.py"]
)
def test_no_path_leads_out(served, path):
    assert served.ask(path)[0] in (404, 422)


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"lines": [[]]}', b"[" * 90_000, b"{" * 200_000]
)
def test_nonsense_is_answered_in_a_sentence(served, body):
    status, _, answer = served.ask("/api/jar/21/lines", "PUT", body)
    assert status == 422
    assert json.loads(answer)["sentence"].endswith(".")


@pytest.mark.slow
def test_all_acknowledged_photos_outlive_a_server_that_is_killed(tmp_path):
    served = Served(tmp_path)
    kept, lock = {}, threading.Lock()

    def sends(who):
        for i in range(40):
            body = PHOTO + f"{who} {i}".encode()
            try:
                status, _, answer = served.ask("/api/photos", "POST", body, X_Photo_Name="p.jpg")
            except OSError:
                return
            except http.client.HTTPException:
                return
            if status == 200:
                with lock:
                    kept[json.loads(answer)["name"]] = body

    threads = [threading.Thread(target=sends, args=(who,)) for who in range(6)]
    for one in threads:
        one.start()
    while len(kept) < 25:
        time.sleep(0.02)
    served.end(signal.SIGKILL)
    for one in threads:
        one.join()
    assert len(kept) >= 25
    for name, body in kept.items():
        assert (tmp_path / name).read_bytes() == body
    for path in tmp_path.glob("*.jpg"):  # what was not acknowledged is whole as well
        assert path.read_bytes().startswith(PHOTO)
