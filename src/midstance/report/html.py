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


@lru_cache(maxsize=4)
def page_template(name: str) -> Template:
    """Return a page's template; what it holds is escaped, and a name it doesn't know is a fault."""
    environment = Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def render_html(content: Mapping[str, Any], pictures: Mapping[str, bytes]) -> str:
    """Return the whole page; ``pictures`` are JPEG bytes by the file names that the content names."""
    inline = {
        name: f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}"
        for name, data in pictures.items()
    }
    return page_template("report.html.j2").render(**content, pictures=inline)
