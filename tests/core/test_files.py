"""Names made safe, files written whole, photos found."""

from __future__ import annotations

import errno
import os
import re
import stat
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import ROOT

from jarvision.core.errors import ExitCode
from jarvision.core.files import WriteError, find_photos, natural_key, safe_name, shown, write_whole

posix_only = pytest.mark.skipif(os.name != "posix", reason="links and pipes of POSIX systems")

# Anything a file system can hand over, lone surrogates (undecodable bytes) among it.
ANY_TEXT = st.text(st.characters(), max_size=300)

# --- shown --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("jar 1.jpg", "jar 1.jpg"),
        ("a\nb\tc\r\n", "a b c"),
        ("\x1b[31mred\x07", "\ufffd[31mred\ufffd"),
        ("photo\u202egpj.exe", "photogpj.exe"),
        ("a\u200bb\ufeff", "ab"),
        ("e\u0301", "\u00e9"),
        ("北の畑 🌱", "北の畑 🌱"),
        ("caf\udce9.jpg", "caf\ufffd.jpg"),
        ("", "(no name)"),
        ("\u202e\n", "(no name)"),
    ],
)
def test_shown(text: str, expected: str) -> None:
    assert shown(text) == expected


def test_a_long_name_keeps_its_ending() -> None:
    short = shown("x" * 300 + " 48h.jpg", longest=40)
    assert len(short) == 40
    assert short.endswith("48h.jpg")
    assert "…" in short


@given(ANY_TEXT, st.integers(8, 100))
def test_shown_is_one_short_printable_line(text: str, longest: int) -> None:
    line = shown(text, longest=longest)
    assert 1 <= len(line) <= max(longest, len("(no name)"))
    assert line.isprintable()
    line.encode()


# --- safe_name ----------------------------------------------------------------------------------

# "Naming Files, Paths, and Namespaces" (Microsoft Learn), from memory.
WINDOWS_FORBIDDEN = set('<>:"/\\|?*') | {chr(code) for code in range(32)}
WINDOWS_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


@pytest.mark.parametrize("text", ["7", "bed north", "jar-08", "北の畑", "Müller (2)", "a.b", "🌱"])
def test_fit_names_are_kept(text: str) -> None:
    assert safe_name(text) == text


@pytest.mark.parametrize(
    "text",
    ["", ".", "..", "../../x", "a/b", "a\\b", "CON", "nul.txt", "COM1 .x", ".hidden", "a ", "a.",
     "-rf", "a\nb", "a\x00b", "\u202ea", "x" * 81, "🌱" * 60, "caf\udce9", "e\u0301"],
)  # fmt: skip
def test_unfit_names_are_changed_and_marked(text: str) -> None:
    assert re.search(r"-[0-9a-f]{8}$", safe_name(text))


@given(ANY_TEXT)
def test_safe_names_suit_every_system(text: str) -> None:
    name = safe_name(text)
    assert 1 <= len(name) <= 80
    assert len(name.encode()) <= 200
    assert not WINDOWS_FORBIDDEN & set(name)
    assert not WINDOWS_DEVICES.fullmatch(name)
    assert name[0] not in " .-"
    assert name[-1] not in " ."
    assert unicodedata.is_normalized("NFC", name)
    assert safe_name(name) == name


@given(st.lists(st.sampled_from("ab/\\:\n.- _é"), max_size=6), st.lists(ANY_TEXT, max_size=5))
def test_different_texts_get_different_names(chars: list[str], texts: list[str]) -> None:
    different = {"".join(chars), "".join(chars).replace("/", "_"), *texts}
    assert len({safe_name(text) for text in different}) == len(different)


ASCII_NAMES = """
from jarvision.core.files import safe_name
print(ascii(safe_name("M\\u00f6hre")), ascii(safe_name("7")))
"""


@posix_only
def test_where_the_system_knows_ascii_only_names_are_written_in_it() -> None:
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = subprocess.run(
        [sys.executable, "-c", ASCII_NAMES],
        env=os.environ | plain | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert re.fullmatch(r"'M_hre-[0-9a-f]{8}' '7'\n", done.stdout)


def test_natural_order() -> None:
    names = ["jar-10", "jar-9", "Jar-2", "jar", "jar-9b", "7 (d)", "7", "10"]
    expected = ["7", "7 (d)", "10", "jar", "Jar-2", "jar-9", "jar-9b", "jar-10"]
    assert sorted(names, key=natural_key) == expected


@given(st.lists(ANY_TEXT))
def test_natural_order_takes_any_text(texts: list[str]) -> None:
    assert sorted(sorted(texts), key=natural_key) == sorted(texts, key=natural_key)


# --- write_whole --------------------------------------------------------------------------------


def test_bytes_and_text_are_written_as_they_are(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.bin", b"\x00\r\n")
    write_whole(tmp_path / "a.txt", "é\r\n\udce9")
    assert (tmp_path / "a.bin").read_bytes() == b"\x00\r\n"
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xa9\r\n\\udce9"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.bin", "a.txt"]


@posix_only
def test_files_get_the_usual_permissions(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_whole(tmp_path / "a", "x")
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "plain").stat().st_mode


@posix_only
def test_a_link_is_replaced_and_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("old")
    (tmp_path / "out").mkdir()
    target = tmp_path / "out" / "readings.csv"
    target.symlink_to(victim)
    write_whole(target, "new")
    assert victim.read_text() == "old"
    assert target.read_text() == "new"
    assert not target.is_symlink()


@pytest.mark.parametrize("step", ["write", "fsync", "replace"])
def test_a_failure_leaves_the_old_file_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    target = tmp_path / "readings.csv"
    write_whole(target, "old")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    if step == "fsync":
        monkeypatch.setattr(os, "fsync", full)
    else:
        monkeypatch.setattr(Path, {"write": "open", "replace": "replace"}[step], full)
    with pytest.raises(WriteError, match="the disk is full; make room and run again") as caught:
        write_whole(target, "new")
    monkeypatch.undo()
    assert caught.value.exit_code is ExitCode.SOME_UNREAD
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["readings.csv"]


def test_an_interruption_leaves_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a", "x")
    assert list(tmp_path.iterdir()) == []


@posix_only
def test_a_file_size_limit_is_a_sentence(tmp_path: Path) -> None:
    """The system's own refusal in the middle of writing, by a limit on file sizes."""
    import resource

    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, old[1]))
    try:
        with pytest.raises(WriteError, match="larger than the system allows"):
            write_whole(tmp_path / "a", b"x" * 5000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert list(tmp_path.iterdir()) == []


def test_places_that_cannot_be_written_to(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    with pytest.raises(WriteError, match="its folder does not exist; make it first"):
        write_whole(tmp_path / "missing" / "a", "x")
    with pytest.raises(WriteError, match=r"^a could not be written: "):
        write_whole(tmp_path / "file" / "a", "x")
    with pytest.raises(WriteError, match="could not be written"):
        write_whole(tmp_path / "folder", "x")
    with pytest.raises(WriteError, match="could not be written"):
        write_whole(tmp_path / "a\x00b", "x")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder"]


# --- find_photos --------------------------------------------------------------------------------


def touch(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch()
    return path


def found_names(folder: Path, *paths: Path) -> list[str]:
    found, _ = find_photos(paths or [folder])
    return [path.relative_to(folder).as_posix() for path in found]


def test_a_folder_is_searched_to_its_bottom_in_natural_order(tmp_path: Path) -> None:
    for name in ("b/IMG_10.HEIC", "b/IMG_9.jpg", "a.JPEG", "c/d/e.tiff"):
        touch(tmp_path / name)
    for name in ("notes.txt", "x.jpg.txt", ".hidden.jpg", ".trash/x.jpg"):
        touch(tmp_path / name)
    for name in ("overlay-jar-1.png", "b/Overlay-2.jpg"):
        touch(tmp_path / name)
    assert found_names(tmp_path) == ["a.JPEG", "b/IMG_9.jpg", "b/IMG_10.HEIC", "c/d/e.tiff"]
    assert find_photos([tmp_path])[1] == []


def test_each_file_is_listed_once_in_the_order_named(tmp_path: Path) -> None:
    first, second = touch(tmp_path / "d/z.jpg"), touch(tmp_path / "d/a.jpg")
    assert found_names(tmp_path, first, tmp_path / "d", second) == ["d/z.jpg", "d/a.jpg"]


def test_a_named_file_is_taken_whatever_its_ending(tmp_path: Path) -> None:
    assert found_names(tmp_path, touch(tmp_path / "photo.dat")) == ["photo.dat"]


def test_what_is_missing_or_our_own_is_reported(tmp_path: Path) -> None:
    own = touch(tmp_path / "overlay-7.png")
    missing = tmp_path / "no.jpg"
    found, skipped = find_photos([own, missing, "nul\x00name"])
    assert found == []
    assert [path for path, _ in skipped] == [own, missing, Path("nul\x00name")]
    assert all(reason.endswith(".") for _, reason in skipped)


@posix_only
def test_links_are_not_followed_out_of_the_folder(tmp_path: Path) -> None:
    touch(tmp_path / "outside/secret.jpg")
    folder = tmp_path / "inside"
    touch(folder / "deep/real.jpg")
    (folder / "a-file.jpg").symlink_to(tmp_path / "outside/secret.jpg")
    (folder / "a-folder").symlink_to(tmp_path / "outside")
    (folder / "a-up.jpg").symlink_to("../outside/secret.jpg")
    (folder / "a-inside.jpg").symlink_to("deep/real.jpg")
    (folder / "a-nowhere.jpg").symlink_to("gone.jpg")
    (folder / "a-self.jpg").symlink_to("a-self.jpg")
    (folder / "a-root").symlink_to(folder)
    (folder / "deep/up").symlink_to("..")
    found, skipped = find_photos([folder])
    assert found == [folder / "deep/real.jpg"]
    assert {path.name for path, _ in skipped} == {
        "a-file.jpg", "a-folder", "a-up.jpg", "a-nowhere.jpg", "a-self.jpg"
    }  # fmt: skip


@posix_only
def test_a_folder_whose_name_begins_like_the_root_is_outside(tmp_path: Path) -> None:
    touch(tmp_path / "set-2/x.jpg")
    folder = tmp_path / "set"
    folder.mkdir()
    (folder / "x.jpg").symlink_to("../set-2/x.jpg")
    assert find_photos([folder])[0] == []


@posix_only
def test_a_named_link_is_followed(tmp_path: Path) -> None:
    touch(tmp_path / "real/a.jpg")
    (tmp_path / "link").symlink_to("real")
    found, skipped = find_photos([tmp_path / "link"])
    assert found == [tmp_path / "link/a.jpg"]
    assert skipped == []


@posix_only
def test_pipes_and_loops_are_reported(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "loop.jpg").symlink_to("loop.jpg")
    _, skipped = find_photos([tmp_path / "pipe.jpg", tmp_path / "loop.jpg", "/dev/null"])
    assert len(skipped) == 3
    found, skipped = find_photos([tmp_path])
    assert found == []
    assert len(skipped) == 2


@posix_only
def test_an_unreadable_folder_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    touch(tmp_path / "a.jpg")
    touch(tmp_path / "locked/b.jpg")
    scandir = os.scandir

    def refuse(path: str) -> object:
        if str(path).endswith("locked"):
            raise PermissionError(errno.EACCES, "Permission denied")
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    found, skipped = find_photos([tmp_path])
    assert found == [tmp_path / "a.jpg"]
    assert skipped == [(tmp_path / "locked", "This folder may not be opened; allow reading it.")]


def test_a_very_deep_folder_ends(tmp_path: Path) -> None:
    folder = tmp_path
    for _ in range(80):
        folder /= "d"
    touch(folder / "x.jpg")
    found, skipped = find_photos([tmp_path])
    assert found == []
    assert len(skipped) == 1


@posix_only
@pytest.mark.skipif(sys.platform == "darwin", reason="the file system takes no such names")
def test_undecodable_names_are_found(tmp_path: Path) -> None:
    (Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.jpg"))).touch()
    found, _ = find_photos([tmp_path])
    assert shown(found[0].name) == "caf\ufffd.jpg"


def test_ten_thousand_files(tmp_path: Path) -> None:
    for number in range(10_000):
        os.close(os.open(tmp_path / f"IMG_{number}.jpg", os.O_CREAT | os.O_WRONLY))
    found, skipped = find_photos([tmp_path])
    assert [path.name for path in found] == [f"IMG_{number}.jpg" for number in range(10_000)]
    assert skipped == []
    assert stat.S_ISREG(found[0].stat().st_mode)


@posix_only
def test_devices_and_pipes_are_not_replaced(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for target in (pipe, Path(os.devnull)):
        before = target.stat()
        with pytest.raises(WriteError, match="is a device or a pipe"):
            write_whole(target, b"x")
        assert (target.stat().st_mode, target.stat().st_rdev) == (before.st_mode, before.st_rdev)


@pytest.mark.parametrize("name", ["", ".", "/"])
def test_no_name_is_no_file(name: str) -> None:
    with pytest.raises(WriteError, match="no name of a file"):
        write_whole(name, b"x")
