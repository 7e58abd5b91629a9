from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from numbered_films import encode, numbered


@pytest.fixture
def film(tmp_path: Path) -> Callable[..., Path]:
    """Make a film of numbered pictures: ``film(name, count, ...)``; further arguments as in ``encode``."""

    def make(
        name: str = "film.mp4", count: int = 30, *, size: tuple[int, int] = (320, 192), **kwargs: Any
    ) -> Path:
        numbers = kwargs.pop("numbers", range(count))
        return encode(tmp_path / name, [numbered(n, *size) for n in numbers], **kwargs)

    return make
