"""Writing results: everything or nothing, nobody's own files touched, the same bytes each time."""

from __future__ import annotations

import errno
import os
import shutil
import stat
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import attrs
import av.error
import pytest
from pose_films import demo_film

from midstance import job
from midstance.assess.pipeline import assess_films
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.errors import FilmError, MidstanceError, OutputError
from midstance.film.overlay import OverlayWriter

SETTINGS = Settings(films={"side": demo_film("side")}, speed_mps=2.6, end_s=1.9, landmark_rate_hz=60)
FILES = {
    "report.html", "report.pdf", "assessment.json", "measures.csv", "strides.csv", "landmarks-side.parquet",
    "overlay-side.mp4", "stills",
}  # fmt: skip


@pytest.fixture(scope="module")
def measured() -> Assessment:
    return assess_films(SETTINGS)


@pytest.fixture
def quick(measured: Assessment, monkeypatch: pytest.MonkeyPatch) -> None:
    """The measuring is done once; the writing is the thing here."""
    monkeypatch.setattr(job, "assess_films", lambda settings, progress, **_: measured)


@pytest.fixture
def bare(quick: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing cut down to one file, for tests of places and moves."""

    def only_json(a: Assessment, settings: Settings, folder: Path, progress: object) -> None:
        job.write_json(a, folder / job.MARK)

    monkeypatch.setattr(job, "write_all", only_json)


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def earlier(folder: Path) -> dict[str, bytes]:
    """Put earlier results into a folder."""
    folder.mkdir(exist_ok=True)
    (folder / "assessment.json").write_text('{\n "schema": 1,\n "software": "midstance 0.0.9",\n "films": []}')
    (folder / "report.html").write_text("the old report")
    (folder / "overlay-rear.mp4").write_bytes(b"a view that is no longer filmed")
    (folder / "stills").mkdir()
    (folder / "stills" / "side-left-toe_off-stride3.jpg").write_bytes(b"old")
    return tree(folder)


def complaint(out: Path, **kwargs: Any) -> OutputError:
    with pytest.raises(OutputError) as told:
        job.run(SETTINGS, out, **kwargs)
    error = told.value
    assert all((error.what, error.where, error.allowed, error.next_step))
    assert ".midstance-" not in error.message()
    return error


# --- the whole


@pytest.mark.usefixtures("quick")
def test_all_files_appear_and_nothing_else(tmp_path: Path) -> None:
    assessment, files = job.run(SETTINGS, tmp_path / "a" / "b" / "out")
    out = tmp_path / "a" / "b" / "out"
    assert {p.name for p in out.iterdir()} == FILES
    assert [p.name for p in files[:5]] == ["report.html", "report.pdf", "assessment.json", "measures.csv", "strides.csv"]
    assert set(files) == {p for p in out.rglob("*") if p.is_file()}
    assert assessment.films[0].view == "side"
    assert [p.name for p in out.parent.iterdir()] == ["out"]


@pytest.mark.usefixtures("quick")
def test_the_same_bytes_whoever_writes_and_wherever(tmp_path: Path) -> None:
    job.run(SETTINGS, tmp_path / "one")
    (tmp_path / "two").mkdir()
    faults: list[BaseException] = []

    def write() -> None:  # not the main thread: signals can't be chosen there
        try:
            job.run(SETTINGS, tmp_path / "two")
        except BaseException as error:
            faults.append(error)

    thread = threading.Thread(target=write)
    thread.start()
    thread.join()
    assert faults == []
    first, second = tree(tmp_path / "one"), tree(tmp_path / "two")
    assert list(first) == list(second)
    assert [name for name in first if first[name] != second[name]] == []


# --- the place


@pytest.mark.usefixtures("bare")
def test_earlier_results_go_only_when_asked(tmp_path: Path) -> None:
    out = tmp_path / "out"
    before = earlier(out)
    error = complaint(out)
    assert (error.what, error.next_step) == (
        "the folder is not empty", "choose another folder with --out or add --overwrite",
    )  # fmt: skip
    assert tree(out) == before
    job.run(SETTINGS, out, overwrite=True)
    assert list(tree(out)) == ["assessment.json"]
    assert tree(out) != before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.usefixtures("bare")
@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize(
    "content",
    [
        {"notes.txt": "mine"},
        {"assessment.json": "{}", "report.html": "of another program"},
        {"assessment.json": '{\n "schema": 1,\n "software": "midstance 0.1.0"', "notes.txt": "mine"},
        {"assessment.json": '{\n "schema": 1,\n "software": "midstance 0.1.0"', "side.mp4": "the film itself"},
        {"assessment.json": '{\n "schema": 1,\n "software": "midstance 0.1.0"', "stills/holiday.jpg": "mine"},
        {"assessment.json": '{\n "schema": 1,\n "software": "midstance 0.1.0"', "deep/er/file": "mine"},
    ],
)
def test_what_is_not_ours_is_never_touched(tmp_path: Path, content: dict[str, str], overwrite: bool) -> None:
    out = tmp_path / "out"
    for name, text in content.items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_text(text)
    before = tree(out)
    error = complaint(out, overwrite=overwrite)
    assert "--overwrite" not in error.message()
    assert tree(out) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.usefixtures("bare")
def test_own_files_that_come_meanwhile_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, measured: Assessment) -> None:
    out = tmp_path / "out"
    earlier(out)

    def slow(settings: Settings, progress: object, **_: object) -> Assessment:
        (out / "notes.txt").write_text("written while it ran")
        return measured

    monkeypatch.setattr(job, "assess_films", slow)
    error = complaint(out, overwrite=True)
    assert "notes.txt" in error.what
    assert (out / "report.html").read_text() == "the old report"
    assert not any(p.name.startswith(".") for p in out.iterdir())


@pytest.mark.usefixtures("bare")
@pytest.mark.parametrize("litter", [".DS_Store", "Thumbs.db", ".midstance-0123abcd.part/report.html"])
def test_what_file_managers_and_killed_runs_leave_is_no_hindrance(tmp_path: Path, litter: str) -> None:
    (tmp_path / "out" / litter).parent.mkdir(parents=True)
    (tmp_path / "out" / litter).write_bytes(b"")
    job.run(SETTINGS, tmp_path / "out")
    assert set(tree(tmp_path / "out")) == {"assessment.json", litter}


@pytest.mark.usefixtures("bare")
def test_places_that_can_not_be(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("mine")
    assert complaint(file).what == "a file is in the way"
    assert complaint(file, overwrite=True).what == "a file is in the way"
    assert complaint(file / "sub" / "out").what == "no results can be written here"
    assert complaint(tmp_path / ("x" * 300)).what == "the results can't be written (File name too long)"
    if Path("/proc/self").exists():
        assert complaint(Path("/proc/nothing/out")).what.startswith("the results can't be written")
    assert complaint(Path("/")).what == "the folder is not empty"
    assert file.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.usefixtures("bare")
@pytest.mark.parametrize("exists", [True, False])
def test_a_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exists: bool) -> None:
    place = tmp_path / "locked"
    place.mkdir(mode=0o555)
    if os.geteuid() == 0:  # to whom permissions are no hindrance
        monkeypatch.setattr(job.os, "access", lambda path, mode: Path(path) != place)
    assert complaint(place if exists else place / "out").what == "no results can be written here"
    assert list(place.iterdir()) == []


@pytest.mark.usefixtures("bare")
def test_an_empty_folder_is_used_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may be where the user stands, a disk of its own, or the only folder they may write to."""
    out = tmp_path / "mine"
    out.mkdir()
    out.chmod(0o750)
    monkeypatch.chdir(out)
    before = out.stat()
    job.run(SETTINGS, Path("."))
    job.run(SETTINGS, Path("."), overwrite=True)
    after = out.stat()
    assert (after.st_ino, stat.S_IMODE(after.st_mode)) == (before.st_ino, 0o750)
    assert [p.name for p in Path.cwd().iterdir()] == ["assessment.json"]


@pytest.mark.usefixtures("bare")
def test_a_new_folder_has_the_rights_of_the_user_s_other_folders(tmp_path: Path) -> None:
    mask = os.umask(0o077)
    try:
        job.run(SETTINGS, tmp_path / "private")
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "private").stat().st_mode) == 0o700


@pytest.mark.usefixtures("bare")
def test_behind_a_link_the_folder_is_filled_and_the_link_stays(tmp_path: Path) -> None:
    real, link = tmp_path / "real", tmp_path / "link"
    real.mkdir()
    link.symlink_to(real)
    job.run(SETTINGS, link)
    job.run(SETTINGS, link, overwrite=True)
    assert link.is_symlink()
    assert list(tree(real)) == ["assessment.json"]


# --- faults while writing

NO_SPACE = OSError(errno.ENOSPC, "No space left on device")
POINTS = [
    "write_landmarks_parquet", "write_json", "write_measures_csv", "write_strides_csv", "write_report", "make_pictures",
]  # fmt: skip


@pytest.fixture(params=["new", "nested", "empty", "earlier"])
def out(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A place for results; whatever goes wrong, it is afterwards as it was before."""
    place = tmp_path / "deep" / "er" / "out" if request.param == "nested" else tmp_path / "out"
    if request.param == "empty":
        place.mkdir()
    before = earlier(place) if request.param == "earlier" else {}
    there = sorted(tmp_path.rglob("*"))
    yield place
    assert sorted(tmp_path.rglob("*")) == there
    assert (tree(place) if place.exists() else {}) == before


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("point", POINTS)
@pytest.mark.parametrize(
    "fault", [NO_SPACE, OSError(errno.EIO, "Input/output error"), KeyboardInterrupt(), RuntimeError("bug")]
)
def test_a_fault_at_any_file_leaves_all_as_it_was(
    out: Path, monkeypatch: pytest.MonkeyPatch, point: str, fault: BaseException
) -> None:
    own = getattr(job, point)

    def failing(*args: Any, **kwargs: Any) -> Any:
        folder = next(p for a in args if isinstance(a, Path) for p in (a, a.parent) if p.is_dir())
        (folder / "half").write_bytes(b"half of a file")
        if point == "write_landmarks_parquet":
            own(*args, **kwargs)
        raise fault

    monkeypatch.setattr(job, point, failing)
    if point != "make_pictures":
        monkeypatch.setattr(job, "make_pictures", lambda *a: [])
    with pytest.raises(BaseException) as told:  # noqa: PT011
        job.run(SETTINGS, out, overwrite=True)
    if isinstance(fault, OSError):
        assert isinstance(told.value, OutputError)
        full = fault.errno == errno.ENOSPC
        assert told.value.message() == "\n".join(
            (
                f"{out}: " + ("the disk is full." if full else "the results can't be written (Input/output error)."),
                "Allowed: a folder you may write to, on a disk with about 100 MB free.",
                "Next: " + ("free some space, or " if full else "") + "choose another folder with --out.",
            )
        )
    else:
        assert told.value is fault


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("pictures", [0, 30])
def test_a_full_disk_in_the_middle_of_the_overlay(out: Path, monkeypatch: pytest.MonkeyPatch, pictures: int) -> None:
    own = OverlayWriter.write

    def failing(self: OverlayWriter, rgb: Any) -> None:
        if self.frames_written == pictures:
            self._container = Full(self._container)
        own(self, rgb)

    monkeypatch.setattr(OverlayWriter, "write", failing)
    error = complaint(out, overwrite=True)
    assert error.what == "the overlay film cannot be written (No space left on device)"
    assert error.where == str(out / "overlay-side.mp4")


class Full:
    """A container on a full disk."""

    def __init__(self, container: Any) -> None:
        self.container = container

    def mux(self, packet: Any) -> None:
        raise av.error.OSError(errno.ENOSPC, "No space left on device")

    def close(self) -> None:
        self.container.close()


@pytest.mark.usefixtures("bare")
@pytest.mark.parametrize("nth", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("fault", [NO_SPACE, KeyboardInterrupt()])
def test_a_fault_while_moving_into_place_is_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, nth: int, fault: BaseException
) -> None:
    """Four moves take the earlier results out, the fifth brings the new ones in."""
    out = tmp_path / "out"
    before = earlier(out)
    own, count = Path.rename, 0

    def failing(self: Path, target: Path) -> Path:
        nonlocal count
        count += 1
        if count == nth:
            raise fault
        return own(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises((OutputError, KeyboardInterrupt)):
        job.run(SETTINGS, out, overwrite=True)
    assert count >= nth
    assert tree(out) == before
    assert sorted(p.name for p in out.iterdir()) == ["assessment.json", "overlay-rear.mp4", "report.html", "stills"]


@pytest.mark.usefixtures("bare")
def test_ctrl_c_while_moving_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    earlier(out)
    own = job._move

    def pressed(*args: Any, **kwargs: Any) -> None:
        os.kill(os.getpid(), job.signal.SIGINT)
        own(*args, **kwargs)

    before = job.signal.getsignal(job.signal.SIGINT)
    monkeypatch.setattr(job, "_move", pressed)
    job.run(SETTINGS, out, overwrite=True)
    assert list(tree(out)) == ["assessment.json"]
    assert job.signal.getsignal(job.signal.SIGINT) is before


@pytest.mark.usefixtures("quick")
def test_a_film_that_is_gone_when_the_pictures_are_drawn(
    out: Path, measured: Assessment, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = attrs.evolve(measured, films=tuple(attrs.evolve(f, path="/nowhere/film.mp4") for f in measured.films))
    monkeypatch.setattr(job, "assess_films", lambda settings, progress, **_: gone)
    with pytest.raises(FilmError, match="there is no such file"):
        job.run(SETTINGS, out, overwrite=True)


@pytest.mark.usefixtures("bare")
def test_a_disk_that_is_nearly_full_is_found_before_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("work was begun")

    monkeypatch.setattr(job, "assess_films", never)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(job.shutil, "disk_usage", lambda _: usage._replace(free=1_000_000))
    assert complaint(tmp_path / "out").what == "the disk is full"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """Mount a disk of so many bytes; skipped where that is not allowed."""
    mounted: list[Path] = []

    def make(size: int) -> Path:
        place = tmp_path / f"disk{size}"
        place.mkdir()
        try:
            done = subprocess.run(
                ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], capture_output=True, check=False
            )
        except OSError:
            pytest.skip("no mount here")
        if done.returncode:
            pytest.skip("mounting is not allowed here")
        mounted.append(place)
        return place

    yield make
    for place in mounted:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.usefixtures("quick")
def test_a_real_disk_that_runs_full(small_disk: Callable[[int], Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """At the first file, or at a later one."""
    monkeypatch.setattr(job, "MIN_FREE_BYTES", 0)
    for size, name in ((16_384, "out"), (200_000, "."), (800_000, "out")):
        disk = small_disk(size)
        with pytest.raises(MidstanceError, match=r"No space left|full"):
            job.run(SETTINGS, disk / name)
        assert list(disk.iterdir()) == []
    disk = small_disk(30_000_000)
    job.run(SETTINGS, disk)  # a mounted disk itself is a fine place
    assert {p.name for p in disk.iterdir()} == FILES
