"""The media store: content kept once, whole or not at all, never outside of its folder."""

from __future__ import annotations

import hashlib
import io
import os
import signal
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.errors import NotFoundError, OptionError, RecordsError
from midstance.records.home import Home
from midstance.records.media import MediaStore


@pytest.fixture
def store(tmp_path: Path) -> MediaStore:
    return MediaStore(Home(tmp_path / "home").create())


def files(store: MediaStore) -> list[str]:
    return sorted(p.relative_to(store.home.root).as_posix() for p in store.home.root.rglob("*") if p.is_file())


def test_a_file_is_known_by_its_content_and_read_only(store: MediaStore) -> None:
    content = os.urandom(3_000_000)
    stored = store.take(io.BytesIO(content))
    assert (stored.sha256, stored.bytes) == (hashlib.sha256(content).hexdigest(), len(content))
    path = store.path(stored.sha256)
    assert path.read_bytes() == content
    assert stat.S_IMODE(path.stat().st_mode) == 0o444
    assert files(store) == [f"media/{stored.sha256[:2]}/{stored.sha256}"]


def test_the_sum_is_sha256(store: MediaStore) -> None:
    """Worked example "abc": FIPS 180-4, https://csrc.nist.gov/projects/cryptographic-standards-and-guidelines/example-values."""
    assert store.take([b"abc"]).sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_the_same_content_is_kept_once_and_not_touched(store: MediaStore) -> None:
    first = store.take([b"a", b"b" * 1000])
    before = store.path(first.sha256).stat()
    assert store.take(iter([b"a" + b"b" * 999, b"b"])) == first
    after = store.path(first.sha256).stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    assert len(files(store)) == 1


def test_the_same_content_from_many_at_once(store: MediaStore) -> None:
    content = os.urandom(200_000)
    threads = [threading.Thread(target=store.take, args=(io.BytesIO(content),)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(files(store)) == 1
    assert store.check() == []


def test_too_large_leaves_nothing(store: MediaStore) -> None:
    with pytest.raises(OptionError, match="too large"):
        store.take((b"x" * 1000 for _ in range(100)), most_bytes=5000)
    assert files(store) == []
    assert store.take([b"x" * 5000], most_bytes=5000).bytes == 5000


def test_a_source_that_breaks_off_leaves_nothing(store: MediaStore) -> None:
    def broken() -> object:
        yield b"x" * 100
        raise ConnectionError("gone")

    with pytest.raises(ConnectionError):
        store.take(broken())  # type: ignore[arg-type]
    assert files(store) == []


def test_a_crash_before_the_move_leaves_nothing_visible(store: MediaStore) -> None:
    """Killed between write and move, again and again: the store never shows a part, and takes the file afterwards."""
    code = (
        "import sys, os; from pathlib import Path; from midstance.records.home import Home;"
        "from midstance.records.media import MediaStore\n"
        "def blocks():\n"
        "    for i in range(200):\n"
        "        yield bytes([i]) * 20000\n"
        "        if i == int(sys.argv[2]): print('here', flush=True); sys.stdin.read()\n"
        "MediaStore(Home(Path(sys.argv[1]))).take(blocks())"
    )
    for at in (0, 100, 199):
        child = subprocess.Popen(
            [sys.executable, "-c", code, str(store.home.root), str(at)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        assert child.stdout is not None
        assert child.stdout.readline() == b"here\n"
        child.send_signal(signal.SIGKILL)
        child.communicate()
        assert list(store.all()) == []
        assert [f for f in files(store) if not f.startswith("incoming/")] == []
    stored = store.take(bytes([i]) * 20000 for i in range(200))
    assert list(store.all()) == [stored.sha256]


def test_a_crash_at_the_move_itself(store: MediaStore, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", fails)
        with pytest.raises(RecordsError, match="No space left"):
            store.take([b"film"])
    assert files(store) == []


def test_a_part_of_the_same_length_is_not_taken_for_the_file(store: MediaStore) -> None:
    stored = store.take([b"good"])
    path = store.path(stored.sha256)
    path.chmod(0o644)
    path.write_bytes(b"bad")  # shorter than it was
    assert store.take([b"good"]) == stored
    assert path.read_bytes() == b"good"


def test_adopting_a_file(store: MediaStore, tmp_path: Path) -> None:
    file = tmp_path / "film.mov"
    file.write_bytes(b"film")
    kept = store.adopt(file)
    assert file.exists()
    assert store.adopt(file, move=True) == kept
    assert not file.exists()
    with pytest.raises(RecordsError, match="can't be read"):
        store.adopt(file)


def test_removing(store: MediaStore) -> None:
    stored = store.take([b"film"])
    assert store.remove(stored.sha256)
    assert not store.remove(stored.sha256)
    with pytest.raises(NotFoundError, match="not in the media store"):
        store.path(stored.sha256)


@given(st.one_of(
    st.text(), st.sampled_from(["../../etc/passwd", "/etc/passwd", "..", "", "a" * 63, "A" * 64, "a" * 64 + "\n", "é" * 64]),
    st.from_regex(r"[0-9a-f./]{64}", fullmatch=True).filter(lambda t: "/" in t or "." in t), st.integers(), st.none(),
))  # fmt: skip
def test_no_name_leads_out_of_the_store(name: object) -> None:
    home = Home(Path("/nowhere"))
    with pytest.raises(ValueError, match="not a SHA-256 sum"):
        MediaStore(home).path(name)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="not a SHA-256 sum"):
        MediaStore(home).remove(name)  # type: ignore[arg-type]
    if not (isinstance(name, str) and name.isascii() and name.isalnum() and len(name) <= 64):
        for place in (home.proxy, home.reading, home.result):
            with pytest.raises((ValueError, AttributeError, TypeError)):
                place(name)  # type: ignore[arg-type]


def test_the_check_finds_what_is_wrong(store: MediaStore) -> None:
    good, bad = store.take([b"good"]), store.take([b"will be damaged"])
    assert store.check() == []
    path = store.path(bad.sha256)
    path.chmod(0o644)
    path.write_bytes(b"will be damagfd")
    (store.home.media / "note.txt").write_text("hello")
    (store.home.media / good.sha256[:2] / "x").symlink_to("/etc/passwd")
    faults = store.check()
    assert len(faults) == 3
    assert any(f.startswith(f"{bad.sha256[:2]}/{bad.sha256}: its content has changed") for f in faults)
    assert any(f.startswith("note.txt: does not belong here") for f in faults)


def test_it_is_on_the_disk_before_it_is_there(store: MediaStore, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    real_sync, real_replace = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda fd: (order.append("sync"), real_sync(fd))[1])
    monkeypatch.setattr(os, "replace", lambda a, b: (order.append("move"), real_replace(a, b))[1])
    store.take([b"film"])
    assert order[0] == "sync"
    assert order.index("move") == 1
    assert "sync" in order[2:]
