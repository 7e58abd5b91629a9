"""Coefficients without one runner: the right runner is left out, told by content alone, and their events are still found."""

import numpy as np
import pytest
from events_films import DATA, NAMES, film, load

from midstance.errors import MidstanceError
from midstance.gait.event_accuracy import match_events
from midstance.gait.events import KINDS, find_events
from midstance.gait.events_left_out import coefficients_without, fitted_runners, known_runner
from midstance.gait.events_model import default_model
from midstance.gait.model import SIDES


def contacts(name):
    with np.load(DATA / f"{name}.npz") as d:
        return d["contact_on_s"].copy(), float(d["mass_kg"]), float(d["height_cm"])


def test_the_runners_are_those_of_the_fit_that_ships():
    assert list(fitted_runners()) == default_model().provenance["runners"]
    assert len(fitted_runners()) == 13


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_is_known_by_its_rhythm_alone(name):
    """Cut, shifted in time and shuffled: what stays is the time between contacts."""
    runner = int(name[6:8])
    on_s, _, _ = contacts(name)
    rng = np.random.default_rng(1)
    assert known_runner(on_s) == runner
    assert known_runner(rng.permutation(on_s[4:18]) + 123.4) == runner


def test_another_recording_of_the_same_body_is_known_too():
    on_s, mass, height = contacts(NAMES[0])
    strange = np.cumsum(np.random.default_rng(2).uniform(0.30, 0.42, size=30))
    assert known_runner(strange, mass_kg=mass, height_cm=height) == 1
    assert known_runner(strange, mass_kg=mass + 1.0, height_cm=height) is None
    assert known_runner(on_s[:3]) is None


def test_new_runners_are_not_taken_for_known_ones():
    """Steps of 0.33-0.38 s that wander like a runner's, rounded to the force's samples: none is recognised."""
    rng = np.random.default_rng(3)
    for _ in range(50):
        steps = rng.uniform(0.33, 0.38) + rng.normal(scale=0.006, size=34)
        assert known_runner(np.round(300 * np.cumsum(steps)) / 300, mass_kg=rng.uniform(50, 90), height_cm=200.0) is None


@pytest.mark.parametrize("name", NAMES)
def test_left_out_runners_are_found_within_what_the_intervals_say(name):
    """Fukuchi et al. 2017 (PeerJ 5:e3298), force >= 50 N."""
    runner = int(name[6:8])
    model = coefficients_without(runner)
    assert runner not in model.provenance["runners"]
    assert len(model.provenance["runners"]) == 12
    shown, _ = film(name)
    _, _, truth = load(name)
    own, shipped = (find_events(shown, model=m, source="markers") for m in (model, default_model()))
    for kind in KINDS:
        errors = []
        for side in SIDES:
            got = match_events([e.time_s for e in own if (e.side, e.kind) == (side, kind)], truth[side, kind])
            errors.extend(got.errors_s)
        # Runner 12 at 2.5 m/s has the largest toe-off error of all.
        assert np.median(np.abs(errors)) <= 0.012
    # They are other coefficients: the same events, not the same times.
    assert len(own) == len(shipped)
    assert not np.allclose([e.time_s for e in own], [e.time_s for e in shipped], atol=2e-4)


def test_a_number_outside_the_fit_is_refused():
    with pytest.raises(MidstanceError, match="took no part"):
        coefficients_without(2)
