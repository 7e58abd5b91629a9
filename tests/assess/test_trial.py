"""A trial: stills and short films with one thing wrong at a time, each known because it was put there."""

from __future__ import annotations

import json
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

import midstance.assess.demo
from midstance.assess import trial
from midstance.assess.trial import Trial, check_trial
from midstance.errors import FilmError
from midstance.gait.model import LANDMARK_INDEX, QualityCheck, View

DEMO = Path(midstance.assess.demo.__file__).parent


def pictures(view: str) -> Iterator[Image.Image]:
    """Give the pictures of a demo film: an invented, rendered runner."""
    with av.open(str(DEMO / f"{view}.mp4")) as film:
        for frame in film.decode(video=0):
            yield frame.to_image()


@pytest.fixture(scope="module")
def still() -> Image.Image:
    """One picture from the side."""
    return next(p for i, p in enumerate(pictures("side")) if i == 100)


def checked(tmp_path: Path, image: Image.Image, view: View = "side", name: str = "still.png", **save: object) -> Trial:
    image.save(tmp_path / name, **save)
    found = check_trial(tmp_path / name, view)
    json.dumps(found.as_dict(), allow_nan=False)
    return found


def of(found: Trial, name: str) -> QualityCheck:
    return next(c for c in found.checks if c.check == name)


def film(path: Path, images: Iterator[Image.Image], *, fps: int) -> Path:
    """Write pictures as a film that plays at a rate and says nothing of how it was captured."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=fps, options={"crf": "20", "preset": "veryfast"})
        stream.pix_fmt = "yuv420p"
        stream.time_base = Fraction(1, fps)
        for i, image in enumerate(images):
            if i == 0:
                stream.width, stream.height = image.size
            frame = av.VideoFrame.from_image(image)
            frame.pts, frame.time_base = i, Fraction(1, fps)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


class TestStills:
    def test_a_good_one(self, tmp_path: Path, still: Image.Image) -> None:
        found = checked(tmp_path, still)
        assert (found.kind, found.verdict, found.near_side) == ("still", "good", "right")
        assert of(found, "runner").value == 1
        assert of(found, "view_shown").verdict == "good"
        assert found.landmarks is not None
        nose, toe = found.landmarks[LANDMARK_INDEX["nose"]], found.landmarks[LANDMARK_INDEX["right_toe"]]
        assert nose[1] < toe[1]
        assert 0 < nose[0] < found.width

    @pytest.mark.parametrize(("angle", "verdict"), [(-6.0, "unfit"), (3.0, "usable"), (0.0, "good")])
    def test_tilt_is_the_tilt_it_was_turned_by(self, tmp_path: Path, still: Image.Image, angle: float, verdict: str) -> None:
        found = checked(tmp_path, still.rotate(angle, resample=Image.Resampling.BICUBIC))
        roll = of(found, "camera_roll")
        assert roll.value == pytest.approx(-angle, abs=0.4)  # turned the other way round than it leans
        assert roll.verdict == verdict

    def test_a_small_runner_off_the_middle(self, tmp_path: Path, still: Image.Image) -> None:
        picture = Image.new("RGB", still.size, (120, 130, 120))
        picture.paste(still.resize((still.width // 4, still.height // 4)), (int(0.72 * still.width), still.height // 2))
        found = checked(tmp_path, picture)
        whole = checked(tmp_path, still, name="whole.png")
        assert of(found, "runner_size").value == pytest.approx(of(whole, "runner_size").value / 4, rel=0.08)  # type: ignore[operator]
        assert of(found, "runner_size").verdict == "usable"
        assert of(found, "runner_off_middle").verdict == "usable"
        assert of(found, "runner_off_middle").value == pytest.approx(100 * (0.72 + 0.125 - 0.5), abs=3)

    def test_two_runners(self, tmp_path: Path, still: Image.Image) -> None:
        both = Image.new("RGB", (2 * still.width, still.height))
        both.paste(still, (0, 0))
        both.paste(still, (still.width, 0))
        runner = of(checked(tmp_path, both), "runner")
        assert (runner.value, runner.verdict) == (2, "unfit")

    def test_feet_cut_off(self, tmp_path: Path, still: Image.Image) -> None:
        found = checked(tmp_path, still.crop((0, 0, still.width, int(0.78 * still.height))))
        assert of(found, "runner_cut_off").verdict == "unfit"

    def test_another_view(self, tmp_path: Path) -> None:
        behind = next(p for i, p in enumerate(pictures("rear")) if i == 60)
        found = checked(tmp_path, behind, "side")
        assert of(found, "view_shown").verdict == "unfit"
        assert "from behind" in of(found, "view_shown").advice
        assert of(checked(tmp_path, behind, "rear", "again.png"), "view_shown").verdict == "good"

    def test_nobody(self, tmp_path: Path) -> None:
        found = checked(tmp_path, Image.new("RGB", (1280, 720), (90, 110, 130)))
        assert of(found, "runner").verdict == "unfit"
        assert found.landmarks is None
        assert found.verdict == "unfit"

    @pytest.mark.parametrize(("seconds", "verdict"), [(1 / 1000, "good"), (1 / 250, "usable"), (1 / 60, "unfit")])
    def test_the_exposure_that_the_camera_wrote(
        self, tmp_path: Path, still: Image.Image, seconds: float, verdict: str
    ) -> None:
        exif = Image.Exif()
        exif[34665] = {33434: seconds}
        exposure = of(checked(tmp_path, still, name="a.jpg", exif=exif, quality=92), "exposure_time")
        assert exposure.value == pytest.approx(seconds, rel=1e-3)
        assert exposure.verdict == verdict

    def test_a_picture_on_its_side_is_set_upright(self, tmp_path: Path, still: Image.Image) -> None:
        exif = Image.Exif()
        exif[0x0112] = 6  # shown after a quarter turn clockwise
        found = checked(tmp_path, still.transpose(Image.Transpose.ROTATE_90), name="a.jpg", exif=exif)
        assert (found.width, found.height) == still.size
        assert found.verdict == "good"

    def test_large_pictures_count_as_film_would(self, tmp_path: Path, still: Image.Image) -> None:
        found = checked(tmp_path, still.resize((3840, 2160)))
        assert (found.width, found.height) == (1920, 1080)

    @pytest.mark.parametrize(
        "content",
        [
            b"",
            b"not a film",
            b"\xff\xd8\xff\xe0" + b"\0" * 400,
            b"\x89PNG\r\n\x1a\n" + b"\0" * 100,
            b"\0\0\0\x18ftypheic" + b"\0" * 100,
            b"RIFF\x10\0\0\0WEBPVP8 ",
        ],
    )
    def test_what_cannot_be_read_is_an_error(self, tmp_path: Path, content: bytes) -> None:
        (tmp_path / "x").write_bytes(content)
        with pytest.raises(FilmError):
            check_trial(tmp_path / "x", "side")

    def test_huge_pictures_are_not_decoded(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(trial, "MOST_STILL_PIXELS", 10_000)
        Image.new("RGB", (200, 200)).save(tmp_path / "x.png")
        with pytest.raises(FilmError, match="pixels"):
            check_trial(tmp_path / "x.png", "side")


class TestFilms:
    def test_a_good_one(self) -> None:
        told: list[tuple[str, float]] = []
        found = check_trial(DEMO / "side.mp4", "side", lambda stage, share: told.append((stage, share)))
        assert (found.kind, found.verdict, found.near_side) == ("film", "good", "right")
        assert of(found, "frame_rate").value == 120
        assert {c.check for c in found.checks} >= {"foot_blur", "camera_motion", "capture_rate", "runner", "view_shown"}
        assert told
        json.dumps(found.as_dict(), allow_nan=False)

    @pytest.mark.slow
    def test_slow_motion_that_does_not_say_so(self, tmp_path: Path) -> None:
        """The demo's 120 pictures a second, stored as 30: the steps come out four times too slow."""
        small = (p.resize((640, 360)) for p in pictures("side"))
        found = check_trial(film(tmp_path / "slow.mp4", small, fps=30), "side")
        assert of(found, "capture_rate").verdict == "unfit"
        assert "slow motion" in of(found, "capture_rate").advice

    def test_a_film_shorter_than_a_step(self, tmp_path: Path) -> None:
        short = (p for i, p in enumerate(pictures("side")) if i < 60)
        found = check_trial(film(tmp_path / "short.mp4", short, fps=120), "side")
        assert of(found, "frame_rate").value == pytest.approx(120)
        assert of(found, "view_shown").verdict == "good"
        assert any("one picture" in n for n in found.notes)

    def test_a_film_of_nobody(self, tmp_path: Path) -> None:
        rng = np.random.default_rng(1)
        grey = (Image.fromarray(rng.integers(80, 120, (180, 320, 3), dtype=np.uint8)) for _ in range(90))
        found = check_trial(film(tmp_path / "empty.mp4", grey, fps=30), "rear")
        assert of(found, "runner").verdict == "unfit"
        assert found.landmarks is None
