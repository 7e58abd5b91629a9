"""The report as one page of HTML that needs nothing but a browser."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template


def _source(name: str) -> str:
    return (resources.files("midstance.report") / "templates" / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def render_html(content: Mapping[str, Any], pictures: Mapping[str, bytes]) -> str:
    """Return the whole page; ``pictures`` are JPEG bytes by the file names that the content names."""
    inline = {
        name: f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}"
        for name, data in pictures.items()
    }
    return _template().render(**content, pictures=inline)
