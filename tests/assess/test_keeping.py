"""What was seen in a film is kept exactly, and used only for the same film read in the same way."""

from __future__ import annotations

from pathlib import Path

import attrs
import numpy as np
import pytest

from midstance.assess.keeping import file_name, keep, kept
from midstance.assess.observe import Observation
from midstance.assess.reading import interpret
from midstance.assess.settings import Settings

Looked = tuple[Observation, Settings]


def test_kept_reading_gives_the_same_joints_to_the_last_bit(looked_at: Looked, tmp_path: Path) -> None:
    observed, settings = looked_at
    keep(observed, settings, tmp_path)
    again = kept(tmp_path, "side", observed.sha256, settings, observed.info.path)
    assert again is not None
    one, two = interpret(observed), interpret(again)
    np.testing.assert_array_equal(one.joints.xy, two.joints.xy)
    np.testing.assert_array_equal(one.joints.time_s, two.joints.time_s)
    assert one.quality == two.quality
    assert repr(one.quality) == repr(two.quality)  # whole numbers stay whole, so that results keep their bytes
    assert one.info == two.info
    assert one.timing == two.timing
    assert one.search == two.search


def test_kept_file_is_the_same_each_time_and_names_no_folder(looked_at: Looked, tmp_path: Path) -> None:
    observed, settings = looked_at
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        keep(observed, settings, tmp_path / name)
    first = (tmp_path / "a" / file_name("side")).read_bytes()
    assert first == (tmp_path / "b" / file_name("side")).read_bytes()
    with np.load(tmp_path / "a" / file_name("side")) as file:
        assert str(observed.info.path.parent) not in str(file["text"][()])


@pytest.mark.parametrize(
    "other",
    [{"landmark_rate_hz": 60.0}, {"end_s": 3.0}, {"capture_fps": 240.0}, {"runner_x": 0.4}, {"runtime": "litert"}],
)
def test_other_settings_need_a_reading_of_their_own(looked_at: Looked, tmp_path: Path, other: dict[str, object]) -> None:
    observed, settings = looked_at
    keep(observed, settings, tmp_path)
    changed = attrs.evolve(settings, **other)  # type: ignore[arg-type]
    assert kept(tmp_path, "side", observed.sha256, changed, observed.info.path) is None


def test_another_film_or_a_damaged_file_counts_as_none(looked_at: Looked, tmp_path: Path) -> None:
    observed, settings = looked_at
    keep(observed, settings, tmp_path)
    assert kept(tmp_path, "side", "0" * 64, settings, observed.info.path) is None
    assert kept(tmp_path, "rear", observed.sha256, settings, observed.info.path) is None
    file = tmp_path / file_name("side")
    whole = file.read_bytes()
    for damaged in (b"", b"not a zip", whole[: len(whole) // 2], whole[:2000] + b"\0" * 500 + whole[2500:]):
        file.write_bytes(damaged)
        assert kept(tmp_path, "side", observed.sha256, settings, observed.info.path) is None
