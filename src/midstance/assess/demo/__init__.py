"""The invented runner that comes with the package: three rendered films and what is known of the runner."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path

from midstance.assess.settings import Settings
from midstance.gait.model import Runner


@contextmanager
def demo_settings() -> Iterator[Settings]:
    """Give the settings of the demonstration; the films are on disk as long as the block lasts."""
    with resources.as_file(resources.files("midstance.assess.demo")) as folder:
        yield _settings(Path(folder))


def _settings(folder: Path) -> Settings:
    known = json.loads((folder / "demo.json").read_text(encoding="utf-8"))
    return Settings(
        films={view: folder / name for view, name in known["films"].items()},
        speed_mps=known["speed_m_s"],
        surface=known["surface"],
        runner=Runner(height_m=known["height_m"], mass_kg=known["mass_kg"], body_table="female"),
        runner_label=known["runner"],
        invented=True,
    )
