"""Corrections reach everything downstream, from what was kept, without the landmark network."""

from __future__ import annotations

from pathlib import Path

import attrs
import pytest

from midstance.assess import pipeline
from midstance.assess.export import assessment_to_dict
from midstance.assess.keeping import keep
from midstance.assess.observe import Observation
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.errors import OptionError
from midstance.gait.model import LANDMARK_INDEX, State
from midstance.pose.corrections import Correction

Looked = tuple[Observation, Settings]


@pytest.fixture
def assess(looked_at: Looked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    """Return a function from corrections to an assessment; reading a film fails."""
    observed, settings = looked_at
    keep(observed, settings, tmp_path)

    def never(*_: object) -> None:
        raise AssertionError("the film was read again")

    monkeypatch.setattr(pipeline, "observe_film", never)

    def run(*corrections: Correction) -> Assessment:
        return pipeline.assess_films(attrs.evolve(settings, corrections=corrections), kept_in=[tmp_path])

    return run


def test_a_moved_contact_changes_what_rests_on_it_and_nothing_else(assess) -> None:  # type: ignore[no-untyped-def]
    plain = assess()
    contact = next(s for s in plain.stances if s.excluded is None and s.side == "left" and s.next_ic and s.index > 1).ic
    later = contact.time_s + 0.02
    moved = assess(Correction("event", "side", later, side="left", event="initial_contact", by="A. May"))
    assert next(e for e in moved.events if e.source == "corrected").time_s == later
    assert [e for e in plain.events if e.time_s != contact.time_s] == [e for e in moved.events if e.source == "auto"]

    def value(a: Assessment, key: str, time_s: float, side: str) -> float:
        mine = (v for v in a.stride_values if v.measure == key and v.side == side)
        return next(v.value for v in mine if abs(v.time_s - time_s) < 1e-6)

    before, after = value(plain, "contact_time", contact.time_s, "left"), value(moved, "contact_time", later, "left")
    assert after == pytest.approx(before - 0.02)
    assert plain.measure("contact_time", "right").value == pytest.approx(moved.measure("contact_time", "right").value)
    assert plain.measure("knee_flexion_contact", "left").value != moved.measure("knee_flexion_contact", "left").value
    entry = assessment_to_dict(moved)["corrections"][0]
    assert entry["by"] == "A. May"
    assert entry["effect"] == "moved by +20.0 ms"


def test_a_corrected_knee_changes_the_knee_of_that_stride_by_what_geometry_says(assess) -> None:  # type: ignore[no-untyped-def]
    """Shift a knee 12 px forward at one midstance: the peak flexion of that stance grows, other strides' hardly at all."""
    plain = assess()
    film = plain.film("side")
    assert film is not None
    side = film.near_side
    stance = next(s for s in plain.stances if s.excluded is None and s.side == side and s.index > 1 and s.to)
    time_s = 0.6 * stance.ic.time_s + 0.4 * stance.to.time_s
    row = int(abs(film.landmarks.time_s - time_s).argmin())
    x, y = film.landmarks.xy[row, LANDMARK_INDEX[f"{side}_knee"]]
    forward = 12.0 if film.direction == "left to right" else -12.0
    at = float(film.landmarks.time_s[row])
    changed = assess(Correction("landmark", "side", at, landmark=f"{side}_knee", x_px=x + forward, y_px=y))
    assert changed.film("side").landmarks.state[row, LANDMARK_INDEX[f"{side}_knee"]] == State.CORRECTED

    def peaks(a: Assessment) -> dict[int, float]:
        return {v.stride: v.value for v in a.stride_values if v.measure == "knee_flexion_peak_stance" and v.side == side}

    one, two = peaks(plain), peaks(changed)
    assert two[stance.index] - one[stance.index] > 3.0
    assert max(abs(two[k] - one[k]) for k in one if k in two and k != stance.index) < 1.0


def test_a_stride_left_out_is_left_out_with_the_note(assess) -> None:  # type: ignore[no-untyped-def]
    plain = assess()
    stance = next(s for s in plain.stances if s.excluded is None and s.side == "right" and s.index > 1)
    wish = Correction("leave_out", "side", stance.ic.time_s + 0.1, side="right", note="stumbled")
    without = assess(wish)
    gone = next(s for s in without.stances if s.index == stance.index)
    assert gone.excluded == "left out by hand: stumbled"
    assert any("stumbled" in e.reason for e in without.exclusions)
    assert not any(v.stride == stance.index and v.measure == "contact_time" for v in without.stride_values)


def test_a_correction_for_a_film_that_is_not_given_is_refused(looked_at: Looked) -> None:
    with pytest.raises(OptionError, match="the rear film is corrected"):
        attrs.evolve(looked_at[1], corrections=(Correction("swap_legs", "rear", 1.0, to_s=1.2),))
