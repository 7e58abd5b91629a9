"""The command line: what it refuses before any work, in which words, and where it speaks."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import attrs
import pytest
from pose_films import demo_film

from midstance import __version__, cli
from midstance.assess.settings import Settings, parse_pace, parse_speed
from midstance.errors import OptionError


@attrs.frozen
class Outcome:
    """What a command left: exit code, standard output, standard error."""

    code: int
    out: str
    err: str


@pytest.fixture
def midstance(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Outcome]:
    """Run a command in an empty folder, in this process."""
    monkeypatch.chdir(tmp_path)

    def run(*args: object) -> Outcome:
        with pytest.raises(SystemExit) as left:
            cli.app([str(a) for a in args])
        said = capsys.readouterr()
        code = left.value.code
        return Outcome(0 if code is None else int(code), said.out, said.err)

    return run


SIDE = demo_film("side")
NUMBER_UNIT = "Allowed: a number with its unit: 12km/h, 3.33m/s or 7.5mph."
MIN_SEC = "Allowed: minutes and seconds per kilometre or mile: 5:00/km or 8:02/mi."
RUNNING = "Allowed: 1.2 to 12.5 m/s, that is 4.3 to 45 km/h."
CHECK = "Next: check number and unit."


def refusal(*lines: str) -> str:
    return "midstance: " + "\n".join(lines) + "\n"


# (options, the message word for word)
WRONG = {
    "no film": (
        ["--speed", "12km/h"],
        refusal(
            "--side, --rear, --front: no film given.",
            "Allowed: one film for each view, at least one in all.",
            "Next: give the films, such as: midstance assess --side side.mp4 --pace 5:00/km.",
        ),
    ),
    "no speed": (
        ["--side", SIDE],
        refusal(
            "--speed, --pace: the running speed is needed once.",
            "Allowed: one of the two: --speed 12km/h or --pace 5:00/km.",
            "Next: read it off the treadmill, or time a known distance.",
        ),
    ),
    "speed and pace": (
        ["--side", SIDE, "--speed", "12km/h", "--pace", "5:00/km"],
        refusal(
            "--speed, --pace: speed and pace are both given.",
            "Allowed: one of the two: --speed 12km/h or --pace 5:00/km.",
            "Next: read it off the treadmill, or time a known distance.",
        ),
    ),
    "speed without unit": (
        ["--side", SIDE, "--speed", "12"],
        refusal("--speed: “12” is not a speed.", NUMBER_UNIT, "Next: give the unit with the number."),
    ),
    "speed of words": (
        ["--side", SIDE, "--speed", "nan m/s"],
        refusal("--speed: “nan m/s” is not a speed.", NUMBER_UNIT, "Next: give the unit with the number."),
    ),
    "negative speed": (
        ["--side", SIDE, "--speed", "-3m/s"],
        refusal("--speed: “-3m/s” is not a speed.", NUMBER_UNIT, "Next: give the unit with the number."),
    ),
    "speed of a car": (
        ["--side", SIDE, "--speed", "99km/h"],
        refusal("--speed: 27.50 m/s (99.0 km/h, 0:36/km) is not a running speed.", RUNNING, CHECK),
    ),
    "speed nought": (
        ["--side", SIDE, "--speed", "0km/h"],
        refusal("--speed: 0.00 m/s (0.0 km/h, 0:00/km) is not a running speed.", RUNNING, CHECK),
    ),
    "miles an hour taken for m/s": (
        ["--side", SIDE, "--speed", "1mph"],
        refusal("--speed: 0.45 m/s (1.6 km/h, 37:17/km) is not a running speed.", RUNNING, "Next: check number and unit."),
    ),
    "pace with a full stop": (
        ["--side", SIDE, "--pace", "5.00/km"],
        refusal("--pace: “5.00/km” is not a pace.", MIN_SEC, "Next: write minutes, a colon and two digits of seconds."),
    ),
    "pace of 75 seconds": (
        ["--side", SIDE, "--pace", "4:75/km"],
        refusal("--pace: “4:75/km” is not a pace.", MIN_SEC, "Next: write minutes, a colon and two digits of seconds."),
    ),
    "pace nought": (
        ["--side", SIDE, "--pace", "0:00/km"],
        refusal(
            "--pace: “0:00/km” is not a pace.",
            "Allowed: a time above 0:00, such as 5:00/km or 8:02/mi.",
            "Next: check the number.",
        ),
    ),
    "pace of a walk": (
        ["--side", SIDE, "--pace", "30:00/km"],
        refusal("--pace: 0.56 m/s (2.0 km/h, 30:00/km) is not a running speed.", RUNNING, CHECK),
    ),
    "height in cm without unit": (
        ["--side", SIDE, "--speed", "12km/h", "--height", "178"],
        refusal("--height: 178 m is outside what is allowed.", "Allowed: 1 to 2.3 m, written as 1.78m or 178cm.", CHECK),
    ),
    "height in feet": (
        ["--side", SIDE, "--speed", "12km/h", "--height", "5'10"],
        refusal(
            "--height: “5'10” is not a length.",
            "Allowed: 1 to 2.3 m, written as 1.78m or 178cm.",
            "Next: give a number in m or cm.",
        ),
    ),
    "height left empty": (
        ["--side", SIDE, "--speed", "12km/h", "--height", ""],
        refusal(
            "--height: “” is not a length.",
            "Allowed: 1 to 2.3 m, written as 1.78m or 178cm.",
            "Next: give a number in m or cm.",
        ),
    ),
    "mass in grams": (
        ["--side", SIDE, "--speed", "12km/h", "--mass", "70000"],
        refusal("--mass: “70000” is not a body mass.", "Allowed: 20 to 250 kg, written as 70kg.", CHECK),
    ),
    "mass in pounds": (
        ["--side", SIDE, "--speed", "12km/h", "--mass", "154lb"],
        refusal("--mass: “154lb” is not a body mass.", "Allowed: 20 to 250 kg, written as 70kg.", CHECK),
    ),
    "mass left empty": (
        ["--side", SIDE, "--speed", "12km/h", "--mass", ""],
        refusal("--mass: “” is not a body mass.", "Allowed: 20 to 250 kg, written as 70kg.", CHECK),
    ),
    "impossible capture rate": (
        ["--side", SIDE, "--speed", "12km/h", "--capture-fps", "-5"],
        refusal(
            "--capture-fps: a capture rate of -5 fps is not possible.",
            "Allowed: 1 to 10000 fps.",
            "Next: give the rate the camera was set to.",
        ),
    ),
    "capture rate nan": (
        ["--side", SIDE, "--speed", "12km/h", "--capture-fps", "nan"],
        refusal(
            "--capture-fps: a capture rate of nan fps is not possible.",
            "Allowed: 1 to 10000 fps.",
            "Next: give the rate the camera was set to.",
        ),
    ),
    "capture rate below the film's own": (
        ["--side", SIDE, "--speed", "12km/h", "--capture-fps", "30"],
        refusal(
            f"{SIDE}: the capture rate, 30 fps (--capture-fps), is below the film's own 120.00 fps.",
            "Allowed: a capture rate of at least 120 fps.",
            "Next: film at normal speed or in slow motion, or correct --capture-fps.",
        ),
    ),
    "start after end": (
        ["--side", SIDE, "--speed", "12km/h", "--start", "5", "--end", "3"],
        refusal(
            "--start, --end: the part from 5 s to 3 s is empty.",
            "Allowed: a start before the end, in seconds as a player shows them.",
            "Next: correct --start and --end.",
        ),
    ),
    "end at nought": (
        ["--side", SIDE, "--speed", "12km/h", "--end", "0"],
        refusal(
            "--start, --end: the part from 0 s to 0 s is empty.",
            "Allowed: a start before the end, in seconds as a player shows them.",
            "Next: correct --start and --end.",
        ),
    ),
    "negative start": (
        ["--side", SIDE, "--speed", "12km/h", "--start", "-1"],
        refusal(
            "--start: -1 s is not a time in a film.",
            "Allowed: 0 or more, in seconds as a player shows them.",
            "Next: correct --start, or leave it out.",
        ),
    ),
    "end nan": (
        ["--side", SIDE, "--speed", "12km/h", "--end", "nan"],
        refusal(
            "--end: nan s is not a time in a film.",
            "Allowed: 0 or more, in seconds as a player shows them.",
            "Next: correct --end, or leave it out.",
        ),
    ),
    "start beyond the end of the film": (
        ["--side", SIDE, "--speed", "12km/h", "--start", "100"],
        refusal(
            f"{SIDE}: the part to measure starts at 100 s, but the film ends at 5.99 s.",
            "Allowed: a start before 4.49 s, as a player shows it.",
            "Next: correct --start.",
        ),
    ),
    "too short a part": (
        ["--side", SIDE, "--speed", "12km/h", "--start", "1", "--end", "2"],
        refusal(
            f"{SIDE}: only 1.00 s of running time to measure.",
            "Allowed: at least 1.5 s; 10 s or more is better.",
            "Next: film longer, or widen --start and --end (seconds as a player shows them).",
        ),
    ),
    "too short in real time, being slow motion": (
        ["--side", SIDE, "--speed", "12km/h", "--capture-fps", "960"],
        refusal(
            f"{SIDE}: only 0.75 s of running time to measure.",
            "Allowed: at least 1.5 s; 10 s or more is better.",
            "Next: film longer, or widen --start and --end (seconds as a player shows them).",
        ),
    ),
    "slow landmarks": (
        ["--side", SIDE, "--speed", "12km/h", "--landmark-rate", "5"],
        refusal(
            "--landmark-rate: landmarks can't be read at 5 Hz.",
            "Allowed: 24 Hz, below which a foot can't be followed, to 10000 Hz.",
            "Next: leave it out, or give 1000 for every frame.",
        ),
    ),
    "landmark rate nan": (
        ["--side", SIDE, "--speed", "12km/h", "--landmark-rate", "nan"],
        refusal(
            "--landmark-rate: landmarks can't be read at nan Hz.",
            "Allowed: 24 Hz, below which a foot can't be followed, to 10000 Hz.",
            "Next: leave it out, or give 1000 for every frame.",
        ),
    ),
    "runner outside the picture": (
        ["--side", SIDE, "--speed", "12km/h", "--runner-x", "640"],
        refusal(
            "--runner-x: 640 is not a place in the picture.",
            "Allowed: 0 (left edge) to 1 (right edge).",
            "Next: give the share of the picture's width where the runner is, such as 0.5 for the middle.",
        ),
    ),
    "mark with three numbers": (
        ["--side", SIDE, "--speed", "12km/h", "--known-length", "side:1,2,3=4m"],
        refusal(
            "--known-length: “side:1,2,3=4m” is not a known length.",
            "Allowed: VIEW:x1,y1,x2,y2=LENGTH in pixels of the upright picture, such as side:412,640,902,644=1.60m.",
            "Next: read the pixels of two points in a frame of the film with an image viewer.",
        ),
    ),
    "mark with a broken number": (
        ["--side", SIDE, "--speed", "12km/h", "--known-length", "side:1.1.1,2,300,4=1m"],
        refusal(
            "--known-length: “side:1.1.1,2,300,4=1m” is not a known length.",
            "Allowed: VIEW:x1,y1,x2,y2=LENGTH in pixels of the upright picture, such as side:412,640,902,644=1.60m.",
            "Next: read the pixels of two points in a frame of the film with an image viewer.",
        ),
    ),
    "mark of one point": (
        ["--side", SIDE, "--speed", "12km/h", "--known-length", "side:10,20,10,20=1m"],
        refusal(
            "--known-length: the two points of “side:10,20,10,20=1m” are less than 10 px apart.",
            "Allowed: two points at least 10 px apart; the farther, the better.",
            "Next: mark the two ends of something longer, such as the side rail of the treadmill.",
        ),
    ),
    "mark of no length": (
        ["--side", SIDE, "--speed", "12km/h", "--known-length", "side:10,20,500,20=0m"],
        refusal(
            "--known-length: 0 m is outside what is allowed.", "Allowed: 0.05 to 100 m, written as 1.78m or 178cm.", CHECK
        ),
    ),
    "mark outside the picture": (
        ["--side", SIDE, "--speed", "12km/h", "--known-length", "side:10,20,1500,20=1m"],
        refusal(
            "--known-length: the point 1500,20 lies outside the side film's picture.",
            "Allowed: x 0 to 1280, y 0 to 720, in pixels of the upright picture.",
            "Next: read the pixels again in a full-size frame of the film.",
        ),
    ),
    "mark in a film that is not there": (
        ["--side", SIDE, "--speed", "12km/h", "--known-length", "rear:10,20,500,20=1m"],
        refusal(
            "--known-length: a length is marked for the rear film, but there is none.",
            "Allowed: side.",
            "Next: give --rear, or mark the length in a film that is given.",
        ),
    ),
    "one film for two views": (
        ["--side", SIDE, "--rear", SIDE.parent / "../demo/side.mp4", "--speed", "12km/h"],
        refusal(
            "--side, --side-far, --rear, --front: the same film is given for two views.",
            "Allowed: a film of its own for each view.",
            "Next: leave out the view that this film does not show.",
        ),
    ),
    "endless name": (
        ["--side", SIDE, "--speed", "12km/h", "--runner", "a" * 3000],
        refusal(
            "--runner: the runner's name has 3000 characters.",
            "Allowed: 1 to 80 characters on one line.",
            "Next: give a shorter name, or initials.",
        ),
    ),
    "name on two lines": (
        ["--side", SIDE, "--speed", "12km/h", "--runner", "A\nB"],
        refusal(
            "--runner: the runner's name holds characters that can't be printed.",
            "Allowed: 1 to 80 characters on one line.",
            "Next: give a shorter name, or initials.",
        ),
    ),
    "no name": (
        ["--side", SIDE, "--speed", "12km/h", "--runner", " "],
        refusal(
            "--runner: the runner's name is empty.",
            "Allowed: 1 to 80 characters on one line.",
            "Next: give a shorter name, or initials.",
        ),
    ),
    "a name no file can have": (
        ["--side", "x" * 300 + ".mp4", "--speed", "12km/h"],
        refusal(
            f"--side {'x' * 300}.mp4: there can't be such a file (File name too long).",
            "Allowed: a film.",
            "Next: check the name.",
        ),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", list(WRONG))
def test_wrong_options_are_refused_word_for_word(midstance: Callable[..., Outcome], tmp_path: Path, case: str) -> None:
    options, message = WRONG[case]
    done = midstance("assess", *options, "--out", "results")
    assert (done.code, done.out) == (2, "")
    assert done.err == message
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("args", "word"),
    [
        (["assess", "--side"], "--side"),
        (["assess", "--nosuch", "1"], "--nosuch"),
        (["assess", str(SIDE), "--speed", "12km/h"], "extra argument"),
        (["assess", "--side", str(SIDE), "--speed", "12km/h", "--surface", "water"], "treadmill"),
        (["assess", "--side", str(SIDE), "--speed", "12km/h", "--capture-fps", "fast"], "--capture-fps"),
        (["run"], "run"),
    ],
)
def test_what_the_parser_refuses(midstance: Callable[..., Outcome], tmp_path: Path, args: list[str], word: str) -> None:
    done = midstance(*args)
    assert done.code == 2
    assert word in re.sub(r"[│╭╰─╮╯\s]+", " ", done.err)
    assert "Traceback" not in done.err
    assert list(tmp_path.iterdir()) == []


def test_a_name_the_system_can_not_spell(midstance: Callable[..., Outcome], tmp_path: Path) -> None:
    """A byte that isn't UTF-8 would end the work when the results are written, minutes later."""
    done = midstance("assess", "--side", "caf\udce9.mp4", "--speed", "12km/h")
    assert done.code == 2
    assert done.err == refusal(
        "--side caf?.mp4: the film's name is not written in the way this system reads names (UTF-8).",
        "Allowed: names of letters, digits and signs.",
        "Next: rename the film.",
    )


@pytest.mark.parametrize(
    ("text", "speed"),
    [
        # By definition: 1 h is 3600 s; the international mile is 1609.344 m (NIST SP 811, appendix B.8).
        ("12km/h", 12000 / 3600), ("12 KM/H", 12000 / 3600), ("12,5 kmh", 12500 / 3600), ("3.33m/s", 3.33),
        ("7.5mph", 7.5 * 1609.344 / 3600), ("12kph", 12000 / 3600),
    ],
)  # fmt: skip
def test_speeds(text: str, speed: float) -> None:
    assert parse_speed(text) == pytest.approx(speed, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "speed"),
    [("5:00/km", 1000 / 300), ("5:00", 1000 / 300), ("8:02/mi", 1609.344 / 482), ("4:30.5/km", 1000 / 270.5)],
)
def test_paces(text: str, speed: float) -> None:
    assert parse_pace(text) == pytest.approx(speed, rel=1e-12)


def test_the_library_refuses_the_same(tmp_path: Path) -> None:
    for options in ({"speed_mps": 30.0}, {"speed_mps": float("nan")}, {"speed_mps": 3.0, "start_s": float("inf")}):
        with pytest.raises(OptionError):
            Settings(films={"side": SIDE}, **options)
    with pytest.raises(OptionError):
        Settings(films={}, speed_mps=3.0)


# --- where it speaks


def test_version_and_help(midstance: Callable[..., Outcome]) -> None:
    assert midstance("--version") == Outcome(0, f"midstance {__version__}\n", "")
    for args in (["--help"], ["assess", "--help"], ["demo", "--help"], ["doctor", "--help"]):
        done = midstance(*args)
        assert (done.code, done.err) == (0, "")
        assert "Usage" in done.out


def test_a_refusal_goes_to_the_error_stream_without_bar_or_colour() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "midstance.cli", "assess", "--side", "nosuch.mp4", "--speed", "12km/h"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == refusal("--side nosuch.mp4: there is no such file.", "Allowed: a film.", "Next: check the name.")


def test_doctor(midstance: Callable[..., Outcome]) -> None:
    done = midstance("doctor")
    assert done.code == 0, done.out
    assert "FAULT" not in done.out
    assert "openvino" in done.out


def test_a_closed_window_counts_as_ctrl_c_but_nohup_is_heeded(monkeypatch: pytest.MonkeyPatch) -> None:
    before = {n: signal.getsignal(n) for n in (signal.SIGTERM, signal.SIGHUP)}
    monkeypatch.setattr(cli, "app", lambda: None)
    try:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        cli.main()
        assert signal.getsignal(signal.SIGHUP) is cli._stop
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        cli.main()
        assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
        assert signal.getsignal(signal.SIGTERM) is cli._stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
