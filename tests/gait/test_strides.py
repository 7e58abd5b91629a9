"""Pairing of events and the gates; every gate is tripped by a fault of its own and by no other."""

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.gait.model import Event
from midstance.gait.strides import build_stances, kept


def run(n=8, step=0.36, contact=0.25):
    events = []
    for k in range(n):
        side = "left" if k % 2 == 0 else "right"
        t = 0.5 + k * step
        events.append(Event("side", side, "initial_contact", t, t - 0.004, t + 0.004))
        events.append(Event("side", side, "toe_off", t + contact, t + contact - 0.004, t + contact + 0.004))
    return events


def move(event, by):
    return attrs.evolve(event, time_s=event.time_s + by, low_s=event.low_s + by, high_s=event.high_s + by)


def test_regular_running_loses_nothing():
    stances, exclusions = build_stances(run())
    assert len(stances) == 8
    assert exclusions == []
    first = stances[0]
    assert first.side == "left"
    assert first.opposite_ic.time_s == pytest.approx(0.86)
    assert first.next_ic.time_s == pytest.approx(1.22)
    assert stances[-1].opposite_ic is None
    assert stances[-1].next_ic is None
    assert stances[-1].excluded is None


def test_order_of_events_does_not_matter():
    events = run()
    assert build_stances(events) == build_stances(events[::-1])


def test_long_contact_is_left_out_with_the_reason_in_words():
    events = run(step=0.55, contact=0.48)
    _, exclusions = build_stances(events)
    assert exclusions[0].stride == "left stride at 0.50 s"
    assert exclusions[0].reason == "contact time 0.48 s is outside 0.09–0.45 s"


def test_one_short_contact_leaves_out_only_itself():
    events = run()
    events[5] = move(events[5], -0.18)  # toe-off of the third contact 0.07 s after it
    stances, exclusions = build_stances(events)
    assert [s.index for s in stances if s.excluded] == [2]
    assert "contact time 0.07 s" in exclusions[0].reason


def test_flight_outside_its_limits():
    stances, exclusions = build_stances(run(step=0.36, contact=0.10))
    assert all(s.excluded for s in stances[:-1])
    assert "flight time 0.26 s is outside -0.05 to 0.25 s" in exclusions[0].reason


def test_missed_contact_breaks_the_strides_around_it():
    events = [e for i, e in enumerate(run()) if i not in (6, 7)]  # the right stance at 1.58 s
    stances, exclusions = build_stances(events)
    left_out = {round(s.ic.time_s, 2): s.excluded for s in stances if s.excluded}
    assert set(left_out) == {0.86, 1.22}
    assert "do not alternate: no right contact" in left_out[1.22]
    assert "off the median" in left_out[0.86]
    assert len(exclusions) == 2


def test_missing_toe_off():
    events = run()
    del events[5]
    stances, exclusions = build_stances(events)
    assert [s.index for s in stances if s.excluded] == [2]
    assert exclusions[0].reason == "no toe-off was found after this contact"


def test_uneven_step_is_left_out():
    events = run(contact=0.25)
    events[8:] = [move(e, 0.12) for e in events[8:]]
    stances, exclusions = build_stances(events)
    assert {s.index for s in stances if s.excluded} == {2, 3}
    assert all("step time 0.48 s is more than 25 % off the median of 0.36 s" in e.reason for e in exclusions)


def test_toe_off_without_contact_is_counted_but_not_before_the_film_starts():
    events = run()
    early = move(events[1], -0.5)
    _, exclusions = build_stances([early, *events])
    assert exclusions == []
    stray = attrs.evolve(move(events[1], 0.07), side="left")
    _, exclusions = build_stances([*events, stray])
    assert [e.stride for e in exclusions] == ["left toe-off at 0.82 s"]


def test_film_that_ends_in_stance():
    stances, exclusions = build_stances(run()[:-1])
    assert stances[-1].excluded == "the film ends before toe-off"
    assert len(exclusions) == 1


def test_time_range_cuts_events():
    stances, _ = build_stances(run(), time_range=(1.0, 2.5))
    assert all(1.0 <= s.ic.time_s <= 2.5 for s in stances)


def test_two_views_at_once_are_refused():
    with pytest.raises(ValueError, match="one view"):
        build_stances([*run(2), *(attrs.evolve(e, view="rear") for e in run(2))])


def test_no_events():
    assert build_stances([]) == ([], [])


@given(st.lists(st.integers(0, 15), unique=True, max_size=8), st.floats(-5, 5))
def test_whatever_is_missing_each_contact_is_kept_or_counted_once(lost, shift):
    events = [move(e, shift) for i, e in enumerate(run()) if i not in lost]
    stances, exclusions = build_stances(events)
    contacts = sum(e.kind == "initial_contact" for e in events)
    assert len(stances) == contacts
    assert len(kept(stances)) + sum("stride at" in e.stride for e in exclusions) == contacts
    reference = [
        s.excluded is None for s in build_stances([e for i, e in enumerate(run()) if i not in lost])[0]
    ]
    assert [s.excluded is None for s in stances] == reference
