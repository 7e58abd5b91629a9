"""One film looked at once for all tests of this folder: the side film of the invented demo runner."""

from __future__ import annotations

from pathlib import Path

import pytest

from midstance.assess.demo import demo_settings
from midstance.assess.observe import Observation, observe_film
from midstance.assess.settings import Settings


@pytest.fixture(scope="session")
def looked_at() -> tuple[Observation, Settings]:
    """Return what was seen in the first seconds of the demo's side film, with the settings."""
    import attrs

    with demo_settings() as settings:
        film = Path(settings.films["side"])
        settings = attrs.evolve(settings, films={"side": film}, end_s=4.0)
        observed, _ = observe_film("side", film, settings, lambda *_: None)
        return observed, settings
