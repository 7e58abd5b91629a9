"""Films that can't be measured: each ends in one clear message, an exit code, and nothing written."""

from __future__ import annotations

import itertools
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import attrs
import av
import cv2
import numpy as np
import pytest
from pose_films import backdrop, demo_film, paste, pictures, runner, write

import midstance
from midstance import cli, job
from midstance.assess import observe, pipeline


@attrs.frozen
class Outcome:
    """What a command left: exit code, standard output, standard error."""

    code: int
    out: str
    err: str


Assess = Callable[..., Outcome]


@pytest.fixture
def assess(capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Assess:
    """Run ``midstance assess --quiet`` in a folder of its own, with landmarks as sparse as may be."""
    place = tmp_path / "work"
    place.mkdir()
    monkeypatch.chdir(place)

    def run(*args: object) -> Outcome:
        usual = ["--speed", "2.6m/s", "--landmark-rate", "30", "--overlay", "none", "--out", "results", "--quiet"]
        with pytest.raises(SystemExit) as left:
            cli.app(["assess", *usual, *(str(a) for a in args)])
        said = capfd.readouterr()
        return Outcome(int(left.value.code or 0), said.out, said.err)

    return run


def refused(done: Outcome, *parts: str) -> None:
    """Hold an outcome to what every refusal must be."""
    assert done.code == 2, done.err
    assert done.out == ""
    lines = done.err.splitlines()
    assert len(lines) == 3, done.err
    for line, start in zip(lines, ("midstance: ", "Allowed: ", "Next: "), strict=True):
        assert line.startswith(start)
        assert line.endswith(".")
        assert not line.endswith("..")
    for part in parts:
        assert part in done.err
    assert os.listdir() == [], "something was left behind"


SIDE, REAR, FRONT = (demo_film(v) for v in ("side", "rear", "front"))


# --- what is no film, or not all of one


def not_films(folder: Path) -> Iterator[tuple[str, Path, str]]:
    picture = next(pictures(seconds=0.1))
    for name, make, says in (
        ("text", lambda p: p.write_text("this is a text\n" * 50), "this is not a film that can be read"),
        ("empty", lambda p: p.write_bytes(b""), "the file is empty (0 bytes)"),
        ("noise", lambda p: p.write_bytes(np.random.default_rng(0).bytes(50_000)), "this is not a film that can be read"),
        ("png", lambda p: p.write_bytes(cv2.imencode(".png", picture)[1].tobytes()), "this is not a film that can be read"),
        ("jpeg", lambda p: p.write_bytes(cv2.imencode(".jpg", picture)[1].tobytes()), "this is not a film that can be read"),
        ("cut", lambda p: p.write_bytes(moov_last(SIDE, folder)[:90_000]), "the film is cut short"),
        ("head", lambda p: p.write_bytes(SIDE.read_bytes()[:20]), ""),
        ("sound", sound_alone, "the file holds sound but no pictures"),
        ("no-pictures", no_pictures, "pictures"),
        ("playlist", lambda p: p.write_text(f"#EXTM3U\n#EXTINF:5,\n{SIDE}\n"), "this is not a film that can be read"),
    ):
        path = folder / f"{name}.mp4"
        make(path)
        yield name, path, says


def moov_last(path: Path, folder: Path) -> bytes:
    """The same film with its index at the end, as phones write it."""
    target = folder / "moov-last.mp4"
    with av.open(str(path)) as source, av.open(str(target), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                out.mux(packet)
    data = target.read_bytes()
    target.unlink()
    return data


def sound_alone(path: Path) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=48000)
        for i in range(20):
            tone = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            tone.sample_rate, tone.pts = 48000, 1024 * i
            out.mux(stream.encode(tone))
        out.mux(stream.encode(None))


def no_pictures(path: Path) -> None:
    with av.open(str(path), "w", options={"movflags": "empty_moov"}) as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 320, 192, "yuv420p"
        out.start_encoding()


def test_no_film(assess: Assess, tmp_path: Path) -> None:
    for name, path, says in not_films(tmp_path):
        done = assess("--side", path)
        refused(done, str(path), says)
        assert len(done.err) < 700, name


def test_a_film_cut_short_is_read_up_to_there_or_refused(assess: Assess, tmp_path: Path) -> None:
    """The demonstration film has its index first: with less than a second of pictures nothing can be said."""
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(SIDE.read_bytes()[:110_000])
    refused(assess("--side", cut), "cut.mp4: ")


def test_places_that_are_no_file(assess: Assess, tmp_path: Path) -> None:
    refused(assess("--side", tmp_path), "this is a folder, not a film", "name one film in it")
    refused(assess("--side", "nosuch.mp4"), "--side nosuch.mp4: there is no such file")
    refused(assess("--side", "/dev/null"), "this is not a file")
    link = tmp_path / "dangling.mp4"
    link.symlink_to(tmp_path / "gone.mp4")
    refused(assess("--side", link), "there is no such file")


def test_a_film_that_may_not_be_read(assess: Assess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.mp4"
    shutil.copy(SIDE, path)
    path.chmod(0)
    if os.geteuid() == 0:  # to whom permissions are no hindrance

        def deny(*_: object, **__: object) -> None:
            raise PermissionError(13, "Permission denied", str(path))

        monkeypatch.setattr("midstance.film.reader.av.open", deny)
    refused(assess("--side", path), "the file may not be read", "change its permissions")


def test_a_fault_of_the_last_film_is_told_before_the_first_is_measured(assess: Assess, tmp_path: Path) -> None:
    text = tmp_path / "front.mp4"
    text.write_text("no film")
    began = time.monotonic()
    refused(assess("--side", SIDE, "--rear", REAR, "--front", text), "front.mp4: this is not a film")
    assert time.monotonic() - began < 5


def test_a_film_that_vanishes_meanwhile(assess: Assess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At each of the times a film is opened again."""
    for name in ("packet_times_s", "find_runner", "read_frames"):
        film = tmp_path / "film.mp4"
        shutil.copy(SIDE, film)
        own = getattr(observe, name)

        def gone(path: Path, *args: object, own: Callable[..., object] = own, film: Path = film, **kwargs: object) -> object:
            film.unlink()
            return own(path, *args, **kwargs)

        with monkeypatch.context() as patch:
            patch.setattr(observe, name, gone)
            done = assess("--side", film, "--end", "2")
        refused(done, "film.mp4")
    with pytest.raises(observe.FilmError, match="can't be read any more"):  # the last look, for its fingerprint
        observe.film_sha256(film)


# --- films without a runner who can be measured


def test_nobody(assess: Assess, tmp_path: Path) -> None:
    film = write(tmp_path / "nobody.mp4", [backdrop(480, 270)] * 60, fps=30)
    refused(assess("--side", film), "no person was found in the film", "check that this is the right film")


def test_a_person_who_stands(assess: Assess, tmp_path: Path) -> None:
    picture = next(runner(300, seconds=0.1))
    film = write(tmp_path / "still.mp4", [picture] * 60, fps=30)
    refused(assess("--side", film), "nobody is running")


def test_two_alike(assess: Assess, tmp_path: Path) -> None:
    def both() -> Iterator[np.ndarray]:
        for one in itertools.islice(runner(300, seconds=4.0), 0, None, 2):
            yield paste(paste(backdrop(760, 300), one, 30, 0), one, 430, 0)

    film = write(tmp_path / "two.mp4", both(), fps=30)
    done = assess("--side", film)
    refused(done, "2 people are running in the film, about the same size", "give --runner-x with the runner's place")
    places = [float(x) for x in re.findall(r"0\.\d+", done.err.splitlines()[2])]
    assert places == pytest.approx([180 / 760, 580 / 760], abs=0.06)


@pytest.mark.parametrize(
    ("view", "film", "shown"),
    [
        ("side", REAR, "rear"), ("side", FRONT, "front"), ("rear", SIDE, "side"), ("rear", FRONT, "front"),
        ("front", REAR, "rear"),
    ],
)  # fmt: skip
def test_the_wrong_view(assess: Assess, view: str, film: Path, shown: str) -> None:
    words = {"side": "from the side", "rear": "from behind", "front": "from the front"}
    refused(
        assess(f"--{view}", film, "--end", "1.7"),
        f"{film}: the film was given as --{view} but shows the runner {words[shown]}.",
        f"Allowed: for --{view} a film {words[view]}.",
        f"Next: give it as --{shown}.",
    )


def test_a_runner_in_a_small_part_is_refused(assess: Assess, tmp_path: Path) -> None:
    def mostly_empty() -> Iterator[np.ndarray]:
        wall = backdrop(400, 300)
        for k, one in zip(range(150), itertools.cycle(itertools.islice(runner(300, seconds=1.0), 0, None, 2)), strict=False):
            yield paste(wall, one, 50, 0) if 60 <= k < 90 else wall

    film = write(tmp_path / "brief.mp4", mostly_empty(), fps=30)
    refused(assess("--side", film), "brief.mp4", "runner")


def test_a_runner_in_the_second_half_is_measured_there(assess: Assess, tmp_path: Path) -> None:
    def late() -> Iterator[np.ndarray]:
        wall = backdrop(480, 480)
        yield from itertools.repeat(wall, 90)
        yield from runner(480, seconds=2.6)

    film = write(tmp_path / "late.mp4", late())
    done = assess("--side", film, "--landmark-rate", "60")
    assert done == Outcome(0, "", "")
    result = json.loads(Path("results/assessment.json").read_text())
    assert min(e["time_s"] for e in result["events"]) > 1.45
    assert any("was not seen in" in e["reason"] for e in result["excluded"])


# --- slow motion that doesn't say so


@pytest.fixture(scope="module")
def slow_film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demonstration runner filmed at 120 pictures a second and stored at 30, without a word about it."""
    film = tmp_path_factory.mktemp("slow") / "slow.mp4"
    with av.open(str(SIDE)) as source, av.open(str(film), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.pts, packet.dts, packet.duration = 4 * packet.pts, 4 * packet.dts, 4 * packet.duration
                packet.stream = stream
                out.mux(packet)
    return film


def test_slow_motion_asks_for_the_capture_rate(assess: Assess, slow_film: Path) -> None:
    done = assess("--side", slow_film, "--end", "7")
    refused(done, "which nobody runs: this looks like 120 fps stored at 30", "pass it, as in --capture-fps 120")


def test_with_the_capture_rate_slow_motion_is_measured(assess: Assess, slow_film: Path) -> None:
    done = assess("--side", slow_film, "--end", "9", "--capture-fps", "120", "--landmark-rate", "60")
    assert done == Outcome(0, "", "")
    result = json.loads(Path("results/assessment.json").read_text())
    film = result["films"][0]
    assert (film["slowdown"], film["capture_source"]) == (4.0, "--capture-fps")
    assert film["capture_fps"] == pytest.approx(120, rel=1e-3)
    # Truth of the film (exact by construction), in real time; contacts within the quarter that was measured.
    truth = json.loads((Path(midstance.__file__).parent / "validate" / "data" / "demo" / "side.json").read_text())
    found = [(e["side"], e["time_s"]) for e in result["events"] if e["kind"] == "initial_contact"]
    true = [(e["side"], e["initial_contact_s"]) for e in truth["events"] if e["initial_contact_s"] < found[-1][1] + 0.05]
    assert [side for side, _ in found] == [side for side, _ in true]
    # How near contacts are found is tested elsewhere, at the full rate; a wrong clock would be off by seconds.
    assert np.max(np.abs(np.subtract([t for _, t in found], [t for _, t in true]))) < 0.03


# --- names


@pytest.mark.parametrize(
    "name",
    [
        "with spaces.mp4", 'quo"te\'s.mp4', "Läufer 跑步 🏃.mp4", "-leading.mp4", "race: 10 km.mp4", "http:side.mp4",
        "100%d.mp4", "<b>&.mp4",
    ],
)  # fmt: skip
def test_any_name_a_file_can_have(assess: Assess, name: str) -> None:
    """Up to the moment the film has been opened and its times read; the part asked for is then too short."""
    shutil.copy(SIDE, name)
    done = assess("--side", name, "--end", "1")
    Path(name).unlink()
    refused(done, f"{name}: only 1.00 s of running time to measure")


# --- stopped from outside


@pytest.mark.parametrize(
    ("sign", "after"), [("SIGINT", "begun"), ("SIGINT", "following"), ("SIGTERM", "finding"), ("SIGHUP", "finding")]
)
def test_stopped_from_outside(tmp_path: Path, sign: str, after: str) -> None:
    """Earlier results stay as they were, nothing else is left, and one line says so."""
    out = tmp_path / "results"
    out.mkdir()
    (out / "assessment.json").write_text('{\n "schema": 1,\n "software": "midstance 0",\n')
    code = """
import sys
import midstance
from midstance import cli, job
own = job.assess_films
def watched(settings, progress, **folders):
    print("begun", flush=True)
    def tell(view, stage, share):
        print(stage, share, flush=True)
        progress(view, stage, share)
    return own(settings, tell, **folders)
job.assess_films = watched
cli.main()
"""
    args = ["assess", "--side", str(SIDE), "--speed", "2.6m/s", "--out", str(out), "--overwrite", "--landmark-rate", "30"]
    with subprocess.Popen(
        [sys.executable, "-c", code, *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as work:
        assert work.stdout is not None
        assert work.stderr is not None
        for line in work.stdout:
            if after in line:
                break
        assert any(p.suffix == ".part" for p in out.iterdir())
        work.send_signal(getattr(signal, sign))
        for _ in work.stdout:
            pass
        said = work.stderr.read()
    assert work.returncode == 130
    assert said.splitlines()[-1] == "midstance: stopped; nothing was written."
    assert "Traceback" not in said
    assert [p.name for p in out.iterdir()] == ["assessment.json"]
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_an_unknown_fault_leaves_nothing_either(assess: Assess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(pipeline, "observe_film", broken)
    with pytest.raises(ZeroDivisionError):
        job.run(cli_settings(), tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert [p for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def cli_settings() -> pipeline.Settings:
    return pipeline.Settings(films={"side": SIDE}, speed_mps=2.6)
